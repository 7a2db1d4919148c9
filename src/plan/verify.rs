//! A plan held against rendered frames: where a set may be off, parts of the frame are rendered beside their twins and measured.
//!
//! Rendered are flat greys, as everywhere where verdicts are made. Of each stand a square of the picture where fringes were predicted
//! worst, and one in its middle; and of the plan and of other readout times a strip over the picture's whole height in which bands show, at
//! three levels, and whether its light changes from frame to frame.

use crate::artefact::{Degree, Judged, Kind, Wave};
use crate::frame::Window;
use crate::measure::{self, MapsError, Trio, Waves, flicker, waves};
use crate::predict::{Off, Settings, verdict};
use crate::render::Run;
use crate::scene::{ContentPictures, Edit, OpenScene, Scene};
use crate::sensor::Readout;
use crate::shoot::{ShootError, TwinFrame, Twins};
use glam::{DVec2, DVec3};
use rustfft::num_complex::Complex64;
use serde::Serialize;

/// Side of a square that is rendered for fringes, delivered pixels, and width of a strip for bands.
const SQUARE: u32 = 224;
const STRIP: u32 = 48;
/// Levels of grey at which bands are looked for, percent of full white.
const LEVELS: [f64; 3] = [100.0, 18.0, 2.0];
/// Frames whose light is compared.
const FRAMES: u32 = 4;

/// What rendered frames say of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Verified {
    /// The worst that was measured of each of [`crate::predict::unknowns::KINDS`], times the threshold; moiré and pixel structure count as one, the
    /// third.
    pub times_threshold: [f64; 4],
    /// Frames that were rendered, each with its twins.
    pub frames: u32,
}

impl Verified {
    /// The worst of it.
    pub fn judged(&self) -> Judged {
        Judged::of(self.times_threshold.iter().copied().fold(0.0, f64::max))
    }

    /// Nothing of it is seen.
    pub fn is_clean(&self) -> bool {
        self.judged().degree == Degree::Clean
    }
}

/// Why a plan cannot be rendered.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// No frame of it.
    #[error(transparent)]
    Shoot(#[from] ShootError),
    /// Frames that cannot be held against each other.
    #[error(transparent)]
    Maps(#[from] MapsError),
    /// A flat grey on its wall makes no scene.
    #[error("with a flat grey on the wall the scene is refused: {0}")]
    Refused(String),
}

impl From<crate::render::Cancelled> for VerifyError {
    fn from(cancelled: crate::render::Cancelled) -> Self {
        Self::Shoot(cancelled.into())
    }
}

/// A scene to be rendered at other levels.
pub struct Plan<'a> {
    /// The file.
    pub open: &'a OpenScene,
    /// What is set in it.
    pub edits: &'a [Edit],
    /// Its pictures.
    pub pictures: &'a dyn ContentPictures,
}

impl Plan<'_> {
    /// The scene with a flat grey on its wall, and a camera without noise.
    fn flat(&self, percent: f64) -> Result<Scene, VerifyError> {
        let mut edits = self.edits.to_vec();
        let value = format!("{{solid: {{light_percent: {percent}}}}}");
        edits.push(Edit { key: "content".into(), value });
        edits.push(Edit { key: "foreground".into(), value: String::new() });
        let found = self.open.edited(&edits, self.pictures, None);
        let mut scene = found.map_err(|problems| {
            let first = problems.into_iter().next();
            VerifyError::Refused(first.map_or_else(String::new, |p| p.message))
        })?;
        scene.camera.noise = false;
        Ok(scene)
    }
}

/// Renders and measures a plan.
///
/// # Errors
/// [`VerifyError`], and when it is stopped.
pub fn verify(plan: &Plan<'_>, run: &Run) -> Result<Verified, VerifyError> {
    let mut out = Verified { times_threshold: [0.0; 4], frames: 0 };
    let grey = plan.flat(18.0)?;
    for off in stands(&grey) {
        let scene = off.of(&grey).steady_wall();
        let found = verdict(&scene, &Settings::quick());
        let middle = DVec2::splat(0.5);
        let mut places = vec![middle];
        if let Some(worst) = found.of(Kind::Moire).or(found.of(Kind::PixelStructure)) {
            let window = scene.camera.sensor_window();
            let corner = DVec2::new(f64::from(window.x), f64::from(window.y));
            let size = DVec2::new(f64::from(window.width), f64::from(window.height));
            places.push((worst.point - corner) / size);
        }
        for place in places {
            let lines = delivered(&scene)[1];
            let part = part(&scene, place, [SQUARE, SQUARE]);
            let [fringes, _] = measured(&part, 1, run)?.remove(0);
            out.frames += 1;
            out.keep(2, &scene, &fringes, lines, 0.0, 1.0);
        }
    }
    for percent in LEVELS {
        let level = plan.flat(percent)?;
        if level.drive.is_steady() {
            break;
        }
        for share in readouts(&level) {
            let mut scene = level.clone();
            if let Readout::Rolling { readout_s, .. } = &mut scene.camera.readout {
                *readout_s *= share;
            }
            let [_, lines] = delivered(&scene);
            let count = if share == 1.0 { FRAMES } else { 1 };
            let strip = part(&scene, DVec2::splat(0.5), [STRIP, lines]);
            let frames = measured(&strip, count, run)?;
            out.frames += count;
            let found =
                verdict(&scene, &Settings { levels: vec![percent / 100.0], ..Settings::quick() });
            let roll = |kind| found.of(kind).map_or(0.0, |f| f.seen.roll_hz.abs());
            for [_, bands] in &frames {
                out.keep(1, &scene, bands, lines, roll(Kind::Bands), percent / 100.0);
            }
            let means: Vec<(u32, [f64; 3])> =
                (0..).zip(&frames).map(|(i, [_, bands])| (i, bands.mean)).collect();
            if let Some(changes) = flicker(&means) {
                let hz = match roll(Kind::Flicker) {
                    0.0 => scene.camera.fps / 4.0,
                    hz => hz,
                };
                let whole = Wave::new(
                    DVec2::new(0.0, 0.5 / f64::from(lines)),
                    [Complex64::new(changes.amplitude, 0.0); 3],
                );
                let seen =
                    scene.viewing.multiple(&whole, f64::from(lines), hz, percent / 100.0, 0.0);
                out.times_threshold[0] = out.times_threshold[0].max(seen);
            }
        }
    }
    Ok(out)
}

impl Verified {
    /// Counts what was measured.
    fn keep(&mut self, kind: usize, scene: &Scene, found: &Waves, lines: u32, hz: f64, level: f64) {
        for wave in found.found.iter().filter(|f| !f.below_noise()) {
            let seen = scene.viewing.multiple(&wave.wave, f64::from(lines), hz, level, 0.0);
            self.times_threshold[kind] = self.times_threshold[kind].max(seen);
        }
    }
}

/// As planned, and the corners of what a set may be off by that change fringes most.
fn stands(scene: &Scene) -> Vec<Off> {
    let t = &scene.tolerances;
    let mut all = vec![Off::default()];
    if t.distance > 0.0 || t.focal > 0.0 {
        for [d, f] in [[1.0, -1.0], [-1.0, 1.0], [1.0, 1.0], [-1.0, -1.0], [0.5, -0.5], [-0.5, 0.5]]
        {
            all.push(Off { distance: d * t.distance, focal: f * t.focal, ..Off::default() });
        }
    }
    if t.turn_rad > 0.0 {
        for turn in [DVec3::ONE, -DVec3::ONE] {
            all.push(Off { turn_rad: turn * t.turn_rad, ..Off::default() });
        }
    }
    all
}

/// Shares of the readout time that are looked at.
fn readouts(scene: &Scene) -> Vec<f64> {
    let by = scene.tolerances.readout;
    let Readout::Rolling { readout_s, .. } = scene.camera.readout else { return vec![1.0] };
    // No longer than the frame leaves.
    let longest = 1.0 / scene.camera.fps / readout_s;
    let mut all = vec![1.0];
    if by > 0.0 {
        all.extend(
            [1.0 - by, (1.0 + by).min(longest)].into_iter().filter(|s| *s > 0.0 && *s != 1.0),
        );
    }
    all
}

/// Size of the delivered picture.
fn delivered(scene: &Scene) -> [u32; 2] {
    let crop = scene.camera.crop;
    scene.deliveries[0].delivery.size.map_or([crop.width, crop.height], |(w, h)| [w, h])
}

/// A part of a scene's picture, of so many delivered pixels around a place (shares of the picture), recorded and scaled alone.
fn part(scene: &Scene, place: DVec2, pixels: [u32; 2]) -> Scene {
    let mut scene = scene.clone();
    let whole = scene.camera.crop;
    let out = delivered(&scene);
    let axis = |from: u32, size: u32, out: u32, place: f64, pixels: u32| {
        let ratio = f64::from(size) / f64::from(out.max(1));
        // The mosaic repeats every two photosites.
        let even = |n: f64| 2 * (n / 2.0).round() as u32;
        let length = even(f64::from(pixels.min(out)) * ratio).clamp(2, size.max(2));
        let start = even(place.clamp(0.0, 1.0) * f64::from(size) - f64::from(length) / 2.0);
        (from + start.min(size.saturating_sub(length) / 2 * 2), length.min(size), pixels.min(out))
    };
    let (x, width, across) = axis(whole.x, whole.width, out[0], place.x, pixels[0]);
    let (y, height, down) = axis(whole.y, whole.height, out[1], place.y, pixels[1]);
    scene.camera.crop = Window { x, y, width, height };
    scene.deliveries.truncate(1);
    let delivery = &mut scene.deliveries[0].delivery;
    if let Some(stage) = &mut delivery.in_camera {
        stage.size = scaled(stage.size, whole, scene.camera.crop);
    }
    if delivery.size.is_some() {
        delivery.size = Some((across, down));
    }
    scene
}

/// The size of a picture of which a part is left.
fn scaled(size: (u32, u32), whole: Window, part: Window) -> (u32, u32) {
    let of = |size: u32, whole: u32, part: u32| {
        (f64::from(size) * f64::from(part) / f64::from(whole.max(1))).round().max(1.0) as u32
    };
    (of(size.0, whole.width, part.width), of(size.1, whole.height, part.height))
}

/// Waves of moiré and of bands in a scene's first frames.
fn measured(scene: &Scene, frames: u32, run: &Run) -> Result<Vec<[Waves; 2]>, VerifyError> {
    let twins = Twins::new(scene.clone());
    let mut shots = twins.shots(frames, 0)?;
    let settings = measure::Settings::default();
    let mut out = Vec::new();
    for number in 0..frames {
        let TwinFrame { captured, lattice, ideal, given, white, .. } =
            shots.frame(number, false, run)?;
        let trio = Trio {
            captured: &captured.planes,
            lattice: &lattice.planes,
            ideal: &ideal.planes,
            given: &given,
            white,
        };
        let [moire, bands] = trio.fields()?;
        out.push([waves(&moire, &settings), waves(&bands, &settings)]);
    }
    Ok(out)
}
