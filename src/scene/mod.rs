//! A scene: as written in the file, and as meant (SI units, checked, immutable).
//!
//! [`parse`] goes the whole way from text to [`Scene`] and gathers every problem on it.

mod check;
pub mod derived;
mod describe;
mod edit;
mod foreground;
mod lamp;
pub mod moves;
pub mod moving;
mod open;
pub mod presets;
mod resolved;
mod twin;
mod understood;
pub mod written;

pub use check::limits;
pub use describe::{curve_words, describe, format_words, space_words};
pub use edit::{Edit, overridden};
pub use foreground::{Foreground, Rgba16};
pub use lamp::{Lamp, LampShape, ShutterOffered};
pub use open::{OpenScene, OpenValue};
pub use resolved::resolved;
pub use understood::{Input, Origin, Understood, understood};

pub use moving::Moving;

use crate::artefact::Viewing;
use crate::diag::Diagnostic;
use crate::optics::projection::{Projection, SensorGrid, WallGrid};
use crate::optics::{FrontLowPass, Lens, LowPass, Pose};
use crate::sensor::Camera;
use crate::wall::content::Rgb16;
use crate::wall::{Face, Wall, WallImage, drive::Drive, electronics::Sheet};
use std::f64::consts::PI;
use std::sync::Arc;

/// Where content pictures come from; files are the business of `input`.
pub trait ContentPictures {
    /// Loads a picture by its path as written in the scene. The error says what is wrong, file
    /// name included, in a sentence for people.
    fn load(&self, path: &str) -> Result<Rgb16, String>;

    /// Loads a picture with its opacity, in the same way; one without is opaque.
    fn load_with_opacity(&self, path: &str) -> Result<Rgba16, String> {
        let Rgb16 { columns, rows, data } = self.load(path)?;
        let opaque = data.chunks_exact(3).flat_map(|p| [p[0], p[1], p[2], u16::MAX]);
        Ok(Rgba16 { columns, rows, data: opaque.collect() })
    }
    /// Reads a text file, such as a measured waveform, in the same way.
    fn text(&self, path: &str) -> Result<String, String> {
        Err(format!("file '{path}' is not there"))
    }

    /// The same source for later, when the frames of a sequence are loaded one by one; `None` where
    /// there is none.
    fn later(&self) -> Option<Arc<dyn ContentPictures + Send + Sync>> {
        None
    }

    /// Whether there is a file at a path.
    fn is_there(&self, path: &str) -> bool {
        self.load(path).is_ok()
    }
}

/// No pictures at all: every one is missing.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoPictures;

impl ContentPictures for NoPictures {
    fn load(&self, path: &str) -> Result<Rgb16, String> {
        Err(format!("picture '{path}' is not there"))
    }
}

/// Reads and checks a scene.
///
/// `name` is a short name for titles and files (not a path). The error holds every problem
/// found, in the order of the file; it is never empty. A scene with open values ([`OpenScene`]) is refused.
pub fn parse(
    text: &str,
    name: &str,
    pictures: &dyn ContentPictures,
) -> Result<Scene, Vec<Diagnostic>> {
    parse_edited(text, name, &[], pictures)
}

/// [`parse`] with some keys set anew, such as `lens.focal_mm=50`.
///
/// An edit replaces the key, or adds it; of keys that say the same thing in different ways
/// (shutter angle and speed) it replaces the one that is there. Problems of edited keys have no
/// place in the file.
pub fn parse_edited(
    text: &str,
    name: &str,
    edits: &[Edit],
    pictures: &dyn ContentPictures,
) -> Result<Scene, Vec<Diagnostic>> {
    parsed(text, name, edits, pictures).map(|(scene, ..)| scene)
}

/// [`parse_edited`] of a scene that was read before without the edits `own`: what its wall shows is taken from there where these do not
/// touch it, so that pictures are loaded once.
pub fn parse_variant(
    text: &str,
    name: &str,
    (edits, own): (&[Edit], &[Edit]),
    pictures: &dyn ContentPictures,
    before: &Scene,
) -> Result<Scene, Vec<Diagnostic>> {
    let edits = overridden(edits, own);
    if before.moving.is_some() || !edit::leave_content(own) {
        return parse_edited(text, name, &edits, pictures);
    }
    parsed_showing(text, name, &edits, pictures, Some(before)).map(|(scene, ..)| scene)
}

/// The scene, the file as it was read, and what presets filled in.
fn parsed(
    text: &str,
    name: &str,
    edits: &[Edit],
    pictures: &dyn ContentPictures,
) -> Result<(Scene, written::Read, presets::Filled), Vec<Diagnostic>> {
    parsed_showing(text, name, edits, pictures, None)
}

/// [`parsed`], with what another scene shows, if that is given.
fn parsed_showing(
    text: &str,
    name: &str,
    edits: &[Edit],
    pictures: &dyn ContentPictures,
    shows_as: Option<&Scene>,
) -> Result<(Scene, written::Read, presets::Filled), Vec<Diagnostic>> {
    let mut root = written::parse(text).map_err(|problem| vec![problem])?;
    edit::apply(&mut root, edits).map_err(|problem| vec![problem])?;
    let open = open::Found::of(&root);
    if !open.is_nothing() {
        // Nothing is checked beyond the words of the file: with which number?
        let filled = presets::fill(&mut root);
        let mut problems = open.refusals(written::read(&root).problems);
        presets::tell(&mut problems, &filled);
        return Err(problems);
    }
    of_tree(root, name, pictures, shows_as)
}

/// The scene of a tree without open values; it shows what another one does, if that is given and its wall has the same size.
fn of_tree(
    mut root: written::Node,
    name: &str,
    pictures: &dyn ContentPictures,
    shows_as: Option<&Scene>,
) -> Result<(Scene, written::Read, presets::Filled), Vec<Diagnostic>> {
    let filled = presets::fill(&mut root);
    let read = written::read(&root);
    match check::meant(&read, name, pictures, shows_as) {
        Ok(mut scene) => {
            presets::tell(&mut scene.notes, &filled);
            Ok((scene, read, filled))
        }
        Err(mut problems) => {
            presets::tell(&mut problems, &filled);
            Err(problems)
        }
    }
}

/// One delivered picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivered {
    /// Its name, part of its files' names; given wherever there are several.
    pub name: Option<String>,
    /// The one format to write; `None` leaves that to whoever renders.
    pub format: Option<DeliveryFormat>,
    /// Development and delivery.
    pub delivery: crate::develop::Delivery,
}

/// Format of a delivered picture's file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeliveryFormat {
    /// PNG with 8 bits.
    Png8,
    /// PNG with 16 bits.
    Png16,
    /// TIFF with 16 bits.
    Tiff16,
    /// OpenEXR in linear light.
    ExrLinear,
}

/// A scene as meant: every value checked and in SI units.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Short name, from the file's name.
    pub name: String,
    /// The wall.
    pub wall: Wall,
    /// How it is driven.
    pub drive: Drive,
    /// What the wall's papers say of the drive.
    pub sheet: Sheet,
    /// What it shows.
    pub content: Arc<WallImage>,
    /// The pictures that it shows over time, where it shows more than one; the first of them is `content`.
    pub moving: Option<Arc<Moving>>,
    /// The lens.
    pub lens: Lens,
    /// The low-pass filter at the sensor, if any.
    pub low_pass: Option<LowPass>,
    /// The low-pass filter in front of the lens, if any.
    pub front_low_pass: Option<FrontLowPass>,
    /// The camera.
    pub camera: Camera,
    /// Where it stands.
    pub pose: Pose,
    /// How the camera moves; lens and place above are what it would have without. `None` for one that stands.
    pub moves: Option<Arc<moves::Moves>>,
    /// What is delivered, at least one: all developed from the same raw frame.
    pub deliveries: Vec<Delivered>,
    /// Distance of the subject from the lens along the axis, metres, if given.
    pub subject_m: Option<f64>,
    /// What stands before the wall, if anything.
    pub foreground: Option<Foreground>,
    /// Neutral density, stops. Its loss is in the lens's transmission already.
    pub neutral_density_stops: f64,
    /// Other lamps in shot whose light pulses. They are not rendered.
    pub other_light: Vec<Lamp>,
    /// Shutter settings that the camera offers; `None` for any.
    pub shutter_offered: Option<ShutterOffered>,
    /// How the picture is watched.
    pub viewing: Viewing,
    /// How far the set may be off its plan.
    pub tolerances: Tolerances,
    /// How far advice may go.
    pub limits: Limits,
    /// Things a person should know.
    pub notes: Vec<Diagnostic>,
}

/// How far advice may go; nothing of it changes a frame or a verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Nearest and farthest place of the camera, measured as `placement.distance_m`, metres.
    pub distance_m: Option<[f64; 2]>,
    /// Shortest and longest focal length, metres.
    pub focal_m: Option<[f64; 2]>,
    /// How much larger or smaller the wall may become in the picture, as a share.
    pub framing: f64,
    /// How far the camera may be turned, either way, radians.
    pub turn_rad: f64,
    /// Largest blur disc of a subject in focus, photosites.
    pub subject_blur: f64,
    /// Widest and narrowest stop, f-numbers.
    pub f_numbers: Option<[f64; 2]>,
    /// Light that may be lost, stops.
    pub light_stops: f64,
    /// Other frame rates, per second.
    pub frame_rates_fps: Vec<f64>,
    /// Pixel pitches of other walls, metres.
    pub wall_pitches_m: Vec<f64>,
    /// Other cameras, by their presets' names.
    pub cameras: Vec<String>,
    /// Remedies that are left out, by their names.
    pub without: Vec<String>,
    /// Money for remedies, a day.
    pub money_per_day: Option<f64>,
    /// What remedies cost a day, by their names, where that is known.
    pub prices_per_day: Vec<(String, f64)>,
}

impl Default for Limits {
    /// The defaults of a scene file.
    fn default() -> Self {
        check::limits_of(&written::LimitsFile::default())
    }
}

/// How far a set may be off its plan, either way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerances {
    /// Distance of camera and wall, as a share.
    pub distance: f64,
    /// Focal length, as a share.
    pub focal: f64,
    /// Pan, tilt and roll, radians.
    pub turn_rad: f64,
    /// Readout time, as a share.
    pub readout: f64,
}

impl Tolerances {
    /// Everything just as planned.
    pub const NONE: Self = Self { distance: 0.0, focal: 0.0, turn_rad: 0.0, readout: 0.0 };
}

impl Default for Tolerances {
    /// What a careful crew reaches with tape and markings (common practice, no source): 2 %, 3 %, 2°, 10 %.
    fn default() -> Self {
        Self { distance: 0.02, focal: 0.03, turn_rad: PI / 90.0, readout: 0.1 }
    }
}

impl Scene {
    /// Room light that the wall's face reflects, as a share of the light of its full white: through the diffuser, where there
    /// is one, once more on its way in than the wall's own light.
    pub fn reflected_share(&self) -> f64 {
        let passed = self.wall.diffuser.map_or(1.0, |d| d.transmission);
        self.wall.build.reflection.nits() * passed / (self.wall.white_nits * self.wall.brightness)
    }
}

/// What a lens in its place sees of the plane of a face of the wall, in pixels of that face.
pub fn projection_of_face(
    lens: &Lens,
    pose: &Pose,
    camera: &Camera,
    face: &Face,
    pitch_m: f64,
) -> Projection {
    let sensor =
        SensorGrid { columns: camera.columns, rows: camera.rows, photosite_m: camera.photosite_m };
    let [columns, rows] = face.size();
    let own = Pose { lens_m: face.local(pose.lens_m), turn: face.axes.transpose() * pose.turn };
    Projection::new(lens, &own, sensor, WallGrid { columns, rows, pitch_m })
}
