//! One shot: render, expose, develop, frame by frame.
//!
//! A [`Shot`] holds what is the same for all frames. Each step takes the result of the one before
//! by reference, so that a caller can let go of the electrons before it develops: a frame in memory
//! is then at most two of them at once.

mod given;
mod twins;

pub use twins::{TwinFrame, TwinShots, Twins};

use crate::develop::{
    ColourSpace, ColourTransform, DeliveryTransfer, DevelopError, Layout, NoTransform, Samples,
    develop, develop_to_measure,
};
use crate::frame::{Electrons, Picture, RawFrame, Window};
use crate::optics::Diffraction;
use crate::render::{Cancelled, Run, fast, rays};
use crate::scene::Scene;
use crate::scene::derived::{colour_transform, gain_dn_per_e, white_level};
use crate::sensor::{Camera, Mosaic, convert};
use std::borrow::Cow;
use std::sync::OnceLock;

/// What renders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Engine {
    /// The fast engine.
    Fast,
    /// The slow check: traced rays, for auditing the fast engine.
    SlowCheck(rays::RaySettings),
}

/// Why there is no frame.
#[derive(Debug, thiserror::Error)]
pub enum ShootError {
    /// It was stopped.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The slow check knows no waves.
    #[error(
        "the slow check traces rays, which know no waves, and this scene has `diffraction: wave`: \
         add --set effects.diffraction=convolved (or =off), for the fast engine too when you compare"
    )]
    SlowCheckKnowsNoWaves,
    /// The fast engine's tables would not fit a common machine.
    #[error(
        "the tables of blur for this frame would take {0:.1} GiB (allowed: {1} GiB), because so many wall \
         pixels lie inside the blur: focus nearer to the wall, stop down, or give a small crop to --slow-check, \
         which needs no tables"
    )]
    TablesTooLarge(f64, u32),
    /// The same of what stands before the wall.
    #[error(
        "working out the foreground, which is so far out of focus, would take {0:.1} GiB (allowed: {1} GiB): focus nearer \
         to it, stop down, take it farther from the lens, or give a small crop to --slow-check, which needs no tables"
    )]
    ForegroundTooLarge(f64, u32),
    /// A picture of what the wall shows cannot be had.
    #[error("the wall's content: {0}")]
    Content(String),
    /// The colours cannot be developed.
    #[error("the picture cannot be developed: {0}")]
    Colour(#[from] NoTransform),
    /// The scene has fewer deliveries.
    #[error("the scene has no delivery {0}")]
    NoDelivery(usize),
    /// The frame cannot be developed.
    #[error("the picture cannot be developed: {0}")]
    Develop(#[from] DevelopError),
}

impl From<rays::RaysError> for ShootError {
    fn from(error: rays::RaysError) -> Self {
        match error {
            rays::RaysError::Cancelled(stopped) => Self::Cancelled(stopped),
            rays::RaysError::Wave => Self::SlowCheckKnowsNoWaves,
        }
    }
}

/// Most memory, GiB, that the fast engine's tables may take: half of a common machine's.
const MOST_TABLES_GIB: u32 = 8;

/// Refuses a scene whose tables would be too large.
fn tables_fit(scene: &Scene) -> Result<(), ShootError> {
    let gib = fast::table_bytes(scene, scene.camera.sensor_window()) / f64::from(1_u32 << 30);
    if gib > f64::from(MOST_TABLES_GIB) {
        return Err(ShootError::TablesTooLarge(gib, MOST_TABLES_GIB));
    }
    let bytes = fast::foreground_bytes(scene, scene.camera.sensor_window());
    let gib = bytes / f64::from(1_u32 << 30);
    if gib > f64::from(MOST_TABLES_GIB) {
        return Err(ShootError::ForegroundTooLarge(gib, MOST_TABLES_GIB));
    }
    Ok(())
}

/// So many keyframes of a move are judged beforehand, the rest when their frame comes.
const KEYFRAMES: usize = 16;

/// A scene ready to be shot: gain, white level and colour transform are settled.
pub struct Shot<'a> {
    scene: &'a Scene,
    engine: Engine,
    gain_dn_per_e: f64,
    white_level: u32,
    /// One for each delivery.
    colours: Vec<ColourTransform>,
    layout: Layout,
    frames: u32,
    fast: OnceLock<fast::Sequence<'a>>,
}

impl<'a> Shot<'a> {
    /// Settles everything that does not change from frame to frame.
    ///
    /// # Errors
    /// A scene that this engine cannot render or that cannot be developed is refused here, before
    /// any long work.
    pub fn new(scene: &'a Scene, engine: Engine) -> Result<Self, ShootError> {
        if matches!(engine, Engine::SlowCheck(_)) && scene.lens.diffraction == Diffraction::Wave {
            return Err(ShootError::SlowCheckKnowsNoWaves);
        }
        if matches!(engine, Engine::Fast) {
            tables_fit(scene)?;
            let frames = scene.moves.as_ref().map_or_else(Vec::new, |moves| moves.key_frames());
            for frame in frames.iter().copied().step_by(frames.len().div_ceil(KEYFRAMES).max(1)) {
                tables_fit(&scene.at_frame(frame))?;
            }
        }
        let layout = layout(scene.camera.mosaic);
        let gain_dn_per_e = gain_dn_per_e(scene);
        let crop = scene.camera.crop;
        if matches!(layout, Layout::Bayer(_)) && (crop.width < 2 || crop.height < 2) {
            let (width, height) = (crop.width as usize, crop.height as usize);
            return Err(DevelopError::TooSmall(width, height).into());
        }
        Ok(Self {
            scene,
            engine,
            gain_dn_per_e,
            white_level: white_level(scene),
            colours: scene
                .deliveries
                .iter()
                .map(|d| colour_transform(scene, d.delivery.colour_space))
                .collect::<Result<_, _>>()?,
            layout,
            frames: 1,
            fast: OnceLock::new(),
        })
    }

    /// The same shot, told how many frames are to come, from the first that is asked for: with several, what does not change
    /// between them is kept in memory, and some are rendered at once.
    #[must_use]
    pub fn for_frames(self, frames: u32) -> Self {
        Self { frames, ..self }
    }

    /// Noise-free photoelectrons of the photosites that are read for the recorded part, in a frame: those of the sensor, less
    /// what the recording mode skips ([`crate::sensor::mode`]).
    pub fn electrons(&self, frame: u32, run: &Run) -> Result<Electrons, ShootError> {
        let window = self.scene.camera.sensor_window();
        let scene = self.scene.at_frame(frame);
        // Pictures that are gone are found here, where it can be said.
        if !self.fast.get().is_some_and(|sequence| sequence.has(frame)) {
            self.scene.pictures_of_frame(frame).map_err(ShootError::Content)?;
        }
        let electrons = match self.engine {
            // A camera that moves keeps nothing from frame to frame.
            Engine::Fast if self.scene.moves.is_some() => {
                tables_fit(&scene)?;
                fast::render(&scene, frame, window, run)?
            }
            Engine::Fast => self.sequence(frame).frame(frame, run)?,
            Engine::SlowCheck(settings) => rays::render(&scene, frame, window, &settings, run)?,
        };
        Ok(self.read(electrons))
    }

    /// Electrons of a frame, and of the same wall held steady (`steady` being [`Scene::steady_wall`] of the shot's scene), quicker than one
    /// after the other and with the same bits. `None` where they must be rendered one by one.
    ///
    /// # Errors
    /// As [`Self::electrons`].
    pub fn electrons_beside_steady(
        &self,
        frame: u32,
        steady: &Scene,
        run: &Run,
    ) -> Result<Option<[Electrons; 2]>, ShootError> {
        let one_by_one = self.scene.moves.is_some()
            || self.scene.moving.is_some()
            || !matches!(self.engine, Engine::Fast);
        if one_by_one || self.fast.get().is_some_and(|sequence| sequence.has(frame)) {
            return Ok(None);
        }
        let both = self.sequence(frame).beside_steady(frame, steady, run)?;
        Ok(Some(both.map(|electrons| self.read(electrons))))
    }

    /// What renders the frames from one on.
    fn sequence(&self, frame: u32) -> &fast::Sequence<'a> {
        let window = self.scene.camera.sensor_window();
        let last = frame.saturating_add(self.frames.saturating_sub(1));
        self.fast.get_or_init(|| match self.frames {
            1 => fast::Sequence::new(self.scene, window),
            _ => fast::Sequence::keeping(self.scene, window, frame..=last),
        })
    }

    /// What is read of a rendered frame.
    fn read(&self, mut electrons: Electrons) -> Electrons {
        // The tables of the fast engine undershoot by up to 0.2 % of the brightest photosite beside the sharpest emitters.
        // It adds light exactly, so the cut to what can be is made here.
        for value in electrons.planes.iter_mut().flat_map(|p| &mut p.data) {
            *value = value.max(0.0);
        }
        self.scene.camera.read(electrons)
    }

    /// Mean electrons of the recorded photosites, where the mode joins several of those read; else the same again.
    pub fn recorded<'e>(&self, electrons: &'e Electrons) -> Cow<'e, Electrons> {
        if self.scene.camera.bins() {
            Cow::Owned(self.scene.camera.joined(electrons))
        } else {
            Cow::Borrowed(electrons)
        }
    }

    /// The camera's integers of a frame, from the electrons of the photosites read ([`Self::electrons`]).
    pub fn raw(&self, electrons: &Electrons, frame: u32) -> RawFrame {
        convert::expose(electrons, &self.scene.camera, self.gain_dn_per_e, frame)
    }

    /// [`Self::raw`] of a camera without noise: rounded only.
    pub fn raw_without_noise(&self, electrons: &Electrons, frame: u32) -> RawFrame {
        let camera = Camera { noise: false, ..self.scene.camera.clone() };
        convert::expose(electrons, &camera, self.gain_dn_per_e, frame)
    }

    /// The developed picture of the scene's first delivery, coded with its transfer curve.
    pub fn picture(&self, raw: &RawFrame) -> Result<Picture, ShootError> {
        self.picture_of(raw, 0)
    }

    /// The developed picture of one of the scene's deliveries, coded with its transfer curve.
    pub fn picture_of(&self, raw: &RawFrame, delivery: usize) -> Result<Picture, ShootError> {
        self.developed(raw, delivery, false)
    }

    /// The developed picture of the scene's first delivery in linear light, not clipped.
    pub fn linear_picture(&self, raw: &RawFrame) -> Result<Picture, ShootError> {
        self.linear_picture_of(raw, 0)
    }

    /// The developed picture of one of the scene's deliveries in linear light, not clipped.
    pub fn linear_picture_of(
        &self,
        raw: &RawFrame,
        delivery: usize,
    ) -> Result<Picture, ShootError> {
        self.developed(raw, delivery, true)
    }

    fn developed(&self, raw: &RawFrame, index: usize, linear: bool) -> Result<Picture, ShootError> {
        let found = self.scene.deliveries.get(index).zip(self.colours.get(index));
        let (delivered, colour) = found.ok_or(ShootError::NoDelivery(index + 1))?;
        let mut delivery = delivered.delivery.clone();
        if linear {
            delivery.transfer = DeliveryTransfer::Linear;
        }
        let samples = Samples::from_raw(raw, self.scene.camera.black_level, self.white_level)?;
        Ok(develop(&samples, self.layout, colour, &delivery)?)
    }

    /// A frame's light for measuring, noise-free: developed to BT.709 primaries, the wall's white neutral, bilinear demosaic,
    /// linear and unclipped, scaled as the delivery is. 1.0 is the light that fills a photosite, or the converter.
    pub fn light_of(&self, electrons: &Electrons, delivery: usize) -> Result<Picture, ShootError> {
        let camera = &self.scene.camera;
        let room = f64::from(self.white_level) - f64::from(camera.black_level);
        let recorded = self.recorded(electrons);
        let samples = Samples::from_electrons(&recorded, room / self.gain_dn_per_e)?;
        self.to_measure(&samples, delivery)
    }

    /// The same of the camera's integers, with their noise and rounding.
    pub fn light_of_raw(&self, raw: &RawFrame, delivery: usize) -> Result<Picture, ShootError> {
        let black = self.scene.camera.black_level;
        self.to_measure(&Samples::from_raw(raw, black, self.white_level)?, delivery)
    }

    /// What balance multiplies green photosites with, for measuring.
    fn green_gain(&self) -> Result<f64, ShootError> {
        Ok(colour_transform(self.scene, ColourSpace::Bt709)?.gains[1])
    }

    fn to_measure(&self, samples: &Samples<'_>, index: usize) -> Result<Picture, ShootError> {
        let delivered =
            self.scene.deliveries.get(index).ok_or(ShootError::NoDelivery(index + 1))?;
        let colour = colour_transform(self.scene, ColourSpace::Bt709)?;
        Ok(develop_to_measure(samples, self.layout, &colour, &delivered.delivery)?)
    }

    /// What is measured on a raw frame.
    pub fn levels(&self, raw: &RawFrame) -> Levels {
        Levels::of(raw, self.scene.camera.mosaic, self.white_level)
    }

    /// The recorded part, in photosites as recorded.
    pub fn window(&self) -> Window {
        self.scene.camera.crop
    }

    /// The scene.
    pub fn scene(&self) -> &Scene {
        self.scene
    }

    /// The raw level that counts as white: the converter's highest, or that of a full photosite
    /// where it is lower.
    pub fn white_level(&self) -> u32 {
        self.white_level
    }
}

/// Mean and clipped share of a raw frame, per photosite colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Name of the colour: red, green, blue; or all, for a monochrome sensor.
    pub colours: Vec<&'static str>,
    /// Mean raw level of each.
    pub mean_level: Vec<f64>,
    /// Share of each at or above the white level, 0 to 1.
    pub clipped_share: Vec<f64>,
    /// Share of all.
    pub clipped_share_of_all: f64,
}

impl Levels {
    /// Counts a raw frame. Sums of integers: exact, whatever the order.
    fn of(raw: &RawFrame, mosaic: Mosaic, white_level: u32) -> Self {
        let names: &[&'static str] = match mosaic {
            Mosaic::Monochrome => &["all"],
            _ => &["red", "green", "blue"],
        };
        let mut sums = vec![[0_u64; 3]; names.len()];
        let (window, width) = (raw.window, raw.window.width.max(1) as usize);
        for (number, plane) in raw.planes.iter().enumerate() {
            for (y, row) in plane.chunks(width).enumerate() {
                for (x, &level) in row.iter().enumerate() {
                    let colour = mosaic
                        .colour_at(window.x + x as u32, window.y + y as u32)
                        .map_or(number, usize::from);
                    let Some(sum) = sums.get_mut(colour) else { continue };
                    sum[0] += 1;
                    sum[1] += u64::from(level);
                    sum[2] += u64::from(u32::from(level) >= white_level);
                }
            }
        }
        let over =
            |part: u64, whole: u64| if whole == 0 { 0.0 } else { part as f64 / whole as f64 };
        let total = |i: usize| sums.iter().map(|s| s[i]).sum::<u64>();
        Self {
            colours: names.to_vec(),
            mean_level: sums.iter().map(|s| over(s[1], s[0])).collect(),
            clipped_share: sums.iter().map(|s| over(s[2], s[0])).collect(),
            clipped_share_of_all: over(total(2), total(0)),
        }
    }
}

/// How a sensor's colours lie, in the words of development.
fn layout(mosaic: Mosaic) -> Layout {
    match mosaic {
        Mosaic::Bayer(block) => Layout::Bayer(block),
        Mosaic::Monochrome => Layout::Monochrome,
        Mosaic::FullPlanes => Layout::FullPlanes,
    }
}
