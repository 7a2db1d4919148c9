//! A frame beside its twins, in linear light: what measuring starts from.

use super::given::given;
use super::{Engine, ShootError, Shot};
use crate::frame::{Electrons, Picture};
use crate::render::Run;
use crate::scene::Scene;
use crate::scene::derived::{exposure, gain_dn_per_e, white_light};
use crate::sensor::photons;
use std::sync::Arc;

/// A scene, its steady wall and its ideal.
#[derive(Debug, Clone)]
pub struct Twins {
    captured: Scene,
    lattice: Scene,
    ideal: Scene,
}

impl Twins {
    /// The twins of a scene.
    pub fn new(scene: Scene) -> Self {
        Self { lattice: scene.steady_wall(), ideal: scene.ideal(), captured: scene }
    }

    /// The scene itself.
    pub fn scene(&self) -> &Scene {
        &self.captured
    }

    /// Shots of the three, of so many frames of one of the scene's deliveries.
    ///
    /// # Errors
    /// As [`Shot::new`].
    pub fn shots(&self, frames: u32, delivery: usize) -> Result<TwinShots<'_>, ShootError> {
        let shot = |scene| Shot::new(scene, Engine::Fast);
        Ok(TwinShots {
            captured: shot(&self.captured)?.for_frames(frames),
            lattice: shot(&self.lattice)?,
            ideal: shot(&self.ideal)?,
            delivery,
            kept: None,
            steady: None,
        })
    }
}

/// Shots of a scene and its twins.
pub struct TwinShots<'a> {
    captured: Shot<'a>,
    lattice: Shot<'a>,
    ideal: Shot<'a>,
    delivery: usize,
    kept: Option<Kept>,
    /// The steady wall, rendered together with a frame before it was asked for.
    steady: Option<Electrons>,
}

/// What is the same in every frame of a scene where nothing moves.
#[derive(Clone)]
struct Kept {
    lattice: Arc<Picture>,
    ideal: Arc<Picture>,
    electrons: Arc<[Electrons; 2]>,
}

/// A frame and its twins in linear light (see [`Shot::light_of`]).
#[derive(Debug, Clone)]
pub struct TwinFrame {
    /// As recorded.
    pub captured: Arc<Picture>,
    /// The wall held steady.
    pub lattice: Arc<Picture>,
    /// Neither lattice nor drive.
    pub ideal: Arc<Picture>,
    /// Where they can be compared, row by row.
    pub given: Arc<Vec<bool>>,
    /// Light of the wall's full white, on the lens axis, in the unit of the pictures.
    pub white: f64,
    /// Recorded rows that one row of the picture stands for.
    pub lines_per_row: f64,
}

impl<'a> TwinShots<'a> {
    /// Renders what is needed of a frame and develops it. With `noise` the captured frame is that of the camera's integers, its
    /// noise included if the scene has it; else all three are free of noise and rounding.
    ///
    /// # Errors
    /// As [`Shot::electrons`].
    pub fn frame(&mut self, frame: u32, noise: bool, run: &Run) -> Result<TwinFrame, ShootError> {
        let electrons = self.electrons(frame, run)?;
        let captured = if noise {
            self.captured.light_of_raw(&self.captured.raw(&electrons, frame), self.delivery)?
        } else {
            self.captured.light_of(&electrons, self.delivery)?
        };
        self.with(frame, captured, Some(&electrons), run)
    }

    /// The electrons of a frame; the steady wall's, where they are yet to be rendered, come along and wait.
    ///
    /// # Errors
    /// As [`Shot::electrons`].
    pub fn electrons(&mut self, frame: u32, run: &Run) -> Result<Electrons, ShootError> {
        if self.kept.is_none() && !self.captured.scene().drive.is_steady() {
            let steady = self.lattice.scene();
            if let Some([own, held]) = self.captured.electrons_beside_steady(frame, steady, run)? {
                self.steady = Some(held);
                return Ok(own);
            }
        }
        self.captured.electrons(frame, run)
    }

    /// [`Self::frame`] without noise, of a frame whose electrons are there already (see [`Shot::electrons`]).
    ///
    /// # Errors
    /// As [`Shot::electrons`].
    pub fn of_electrons(
        &mut self,
        frame: u32,
        electrons: &Electrons,
        run: &Run,
    ) -> Result<TwinFrame, ShootError> {
        let captured = self.captured.light_of(electrons, self.delivery)?;
        self.with(frame, captured, Some(electrons), run)
    }

    /// The twins of a frame that is there already, in linear light (see [`Shot::light_of`]).
    ///
    /// # Errors
    /// As [`Shot::electrons`].
    pub fn beside(
        &mut self,
        frame: u32,
        captured: Picture,
        run: &Run,
    ) -> Result<TwinFrame, ShootError> {
        self.with(frame, captured, None, run)
    }

    /// Shots of the scene, of its steady wall and of its ideal.
    pub fn all(&self) -> [&Shot<'a>; 3] {
        [&self.captured, &self.lattice, &self.ideal]
    }

    /// Electrons of the steady wall and of the ideal, of the frame that was asked for last.
    pub fn electrons_of_twins(&self) -> Option<Arc<[Electrons; 2]>> {
        self.kept.as_ref().map(|kept| kept.electrons.clone())
    }

    /// The shot of the scene itself.
    pub fn captured(&self) -> &Shot<'a> {
        &self.captured
    }

    fn with(
        &mut self,
        frame: u32,
        captured: Picture,
        electrons: Option<&Electrons>,
        run: &Run,
    ) -> Result<TwinFrame, ShootError> {
        let steady = self.steady.take();
        let scene = self.captured.scene();
        let moves = scene.moves.is_some() || scene.moving.is_some();
        let kept = match self.kept.take().filter(|_| !moves) {
            Some(kept) => kept,
            None => self.twins(frame, electrons, steady, run)?,
        };
        let here = scene.at_frame(frame);
        let room = f64::from(self.captured.white_level()) - f64::from(scene.camera.black_level);
        let clips_e = room / gain_dn_per_e(scene);
        let [lattice_e, ideal_e] = &*kept.electrons;
        let frames = [electrons, Some(lattice_e), Some(ideal_e)];
        let recorded: Vec<_> =
            frames.into_iter().flatten().map(|e| self.captured.recorded(e)).collect();
        let frames: Vec<&Electrons> = recorded.iter().map(|e| &**e).collect();
        let size = (captured.width(), captured.height());
        let given = Arc::new(given(&here, &frames, clips_e, size));
        let (photons_of, shares) = white_light(scene);
        let white_e = exposure(&here).full_white_lx_s
            * photons::electrons_per_lx_s(&scene.camera, 1, photons_of, shares);
        // Balance raises the weaker colours to the strongest.
        let gain = self.captured.green_gain()?;
        let out = TwinFrame {
            captured: Arc::new(captured),
            lattice: kept.lattice.clone(),
            ideal: kept.ideal.clone(),
            given,
            white: white_e / clips_e * gain,
            lines_per_row: f64::from(scene.camera.crop.height) / size.1.max(1) as f64,
        };
        self.kept = Some(kept);
        Ok(out)
    }

    /// Renders the twins; `electrons` are those of the scene itself, `steady` those of the steady wall, if they are there.
    fn twins(
        &self,
        frame: u32,
        electrons: Option<&Electrons>,
        steady: Option<Electrons>,
        run: &Run,
    ) -> Result<Kept, ShootError> {
        // A wall without pulses is its own steady wall, unless its grey steps are another's.
        let same = electrons.filter(|_| self.captured.scene().drive.is_steady());
        let lattice = match (same, steady) {
            (Some(electrons), _) => electrons.clone(),
            (None, Some(steady)) => steady,
            (None, None) => self.lattice.electrons(frame, run)?,
        };
        let ideal = self.ideal.electrons(frame, run)?;
        Ok(Kept {
            lattice: Arc::new(self.lattice.light_of(&lattice, self.delivery)?),
            ideal: Arc::new(self.ideal.light_of(&ideal, self.delivery)?),
            electrons: Arc::new([lattice, ideal]),
        })
    }
}
