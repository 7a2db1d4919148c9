//! `gridbeat measure`: bands, flicker and moiré read off frames, in numbers and as a picture.

pub(super) mod kind;
mod numbers;
mod of_pictures;
mod of_scene;
mod report;
mod summary;

use super::render::{Crop, Frames};
use super::{FAILED, REFUSED, unknowns};
use crate::develop::DeliveryTransfer;
use crate::output;
use crate::scene::Edit;
use anyhow::anyhow;
use report::Report;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Examples:
  gridbeat measure scenes/01-moire.yaml --crop 1800,900,512,384 --picture moire.png
  gridbeat measure scenes/08-flicker.yaml --frames 0..5 --json flicker.json
  gridbeat measure take_0001.png take_0002.png --patch 800,200,900,700 --fps 24
  gridbeat measure lamp.png --lamp-hz 100

A scene is rendered on the spot, without noise unless --with-noise is given, and compared with the
frame of a perfect wall. A picture of a real wall is compared with its own smooth shading: show an
even picture (`gridbeat test-pictures`), and name the patch it fills. Contrasts are crest over mean: light that goes from 99 to 101 has 1 %.

Flicker can trigger seizures in photosensitive people, also where it looks harmless. Do not play
frames in a loop to people whose sensitivity you do not know.";

/// Arguments of `gridbeat measure`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// A scene file (YAML); or pictures (PNG, TIFF, OpenEXR, JPEG), several of one take in their order
    #[arg(value_name = "SCENE or PICTURE", required = true)]
    pub inputs: Vec<PathBuf>,

    /// The scene that the pictures were rendered from: they are held against its ideal frame. Without, pictures are held
    /// against their own smooth shading
    #[arg(long, value_name = "SCENE")]
    pub scene: Option<PathBuf>,

    /// Measure this frame of the scene; with --scene, the frame of the first picture [default: 0]
    #[arg(long, value_name = "N", conflicts_with = "frames")]
    pub frame: Option<u32>,

    /// Measure these frames: FIRST..LAST, both included, or how many from frame 0
    #[arg(long, value_name = "FIRST..LAST")]
    pub frames: Option<Frames>,

    /// Record only this part of the sensor, in photosites; the picture is not scaled then
    #[arg(long, value_name = "X,Y,WIDTH,HEIGHT")]
    pub crop: Option<Crop>,

    /// Set a key of the scene, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,

    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,

    /// Measure the delivery of this name, of a scene with several [default: the first]
    #[arg(long, value_name = "NAME")]
    pub delivery: Option<String>,

    /// Transfer curve of the pictures, undone before measuring [default: linear for OpenEXR and raw TIFF, srgb for others;
    /// with --scene the delivery's]
    #[arg(long, value_name = "CURVE", value_enum)]
    pub transfer: Option<Curve>,

    /// Frame rate of the pictures, to tell how fast bands roll
    #[arg(long, value_name = "FPS", value_parser = positive)]
    pub fps: Option<f64>,

    /// Measure this part of each picture: a flat, evenly lit patch, in pixels
    #[arg(long, value_name = "X,Y,WIDTH,HEIGHT", conflicts_with = "scene")]
    pub patch: Option<Crop>,

    /// The light in the picture flickers at this rate, Hz: tells the camera's readout. Lamps on 50 Hz mains flicker at 100,
    /// on 60 Hz mains at 120
    #[arg(long, value_name = "HZ", value_parser = positive, conflicts_with = "scene")]
    pub lamp_hz: Option<f64>,

    /// The camera's readout takes this long, first line to last: tells the rate of the light
    #[arg(long, value_name = "MS", value_parser = positive, conflicts_with_all = ["scene", "lamp_hz"])]
    pub readout_ms: Option<f64>,

    /// Measure the frames with the camera's noise and rounding; else they are free of both
    #[arg(long)]
    pub with_noise: bool,

    /// Write all numbers as JSON
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,

    /// Write the artefacts as a picture: captured over ideal, amplified, with a scale
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,

    /// Deviation, in percent, that is white in that picture [default: as the artefacts need]
    #[arg(long, value_name = "PERCENT", value_parser = percent, requires = "picture")]
    pub scale: Option<f64>,

    /// Replace files that are there already
    #[arg(long)]
    pub overwrite: bool,

    /// Processor threads to use; the numbers are the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print problems and notes only: no progress, no summary
    #[arg(long, short)]
    pub quiet: bool,
}

/// Transfer curves of pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
#[value(rename_all = "snake_case")]
pub enum Curve {
    /// Linear light
    Linear,
    /// sRGB (IEC 61966-2-1)
    Srgb,
    /// ITU-R BT.709
    Bt709,
    /// Hybrid log-gamma (ITU-R BT.2100)
    HybridLogGamma,
    /// ACEScct (Academy S-2016-001)
    #[value(name = "acescct")]
    AcesCct,
}

impl From<Curve> for DeliveryTransfer {
    fn from(curve: Curve) -> Self {
        match curve {
            Curve::Linear => Self::Linear,
            Curve::Srgb => Self::Srgb,
            Curve::Bt709 => Self::Bt709,
            Curve::HybridLogGamma => Self::HybridLogGamma,
            Curve::AcesCct => Self::AcesCct,
        }
    }
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(f) if f > 0.0 && f <= 1e6 => Ok(f),
        _ => Err("write a number above 0 and up to 1000000".into()),
    }
}

fn percent(text: &str) -> Result<f64, String> {
    match text.trim_end_matches('%').trim().parse::<f64>() {
        Ok(f) if f > 0.0 && f <= 1000.0 => Ok(f / 100.0),
        _ => Err("write a number of percent above 0 and up to 1000".into()),
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Some(threads) = args.threads else { return measure(args) };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(threads))
        .build()
        .map_err(|e| anyhow!("cannot start {threads} threads ({e}); try fewer with --threads"))?;
    pool.install(|| measure(args))
}

fn measure(args: &Args) -> anyhow::Result<ExitCode> {
    if let Some(out) = &args.picture
        && !ends_in(out, "png")
    {
        return refuse(&format!("'{}' must end in .png", out.display()));
    }
    for out in args.picture.iter().chain(&args.json) {
        output::check_free(out, args.overwrite)?;
    }
    let scenes = args.inputs.iter().filter(|p| is_scene(p)).count();
    let found = match scenes {
        0 => of_pictures::report(args)?,
        1 if args.inputs.len() == 1 => {
            if let Some(option) = args.of_pictures_only() {
                return refuse(&format!("{option} goes with pictures, not with a scene"));
            }
            of_scene::report(args)?
        }
        _ => {
            return refuse(
                "give one scene, or pictures; the scene that pictures were rendered from goes to --scene",
            );
        }
    };
    let Some(report) = found else { return Ok(ExitCode::from(REFUSED)) };
    finish(args, &report)
}

fn refuse(why: &str) -> anyhow::Result<ExitCode> {
    let _ = writeln!(std::io::stderr(), "error: {why}");
    Ok(ExitCode::from(FAILED))
}

fn is_scene(path: &Path) -> bool {
    ends_in(path, "yaml") || ends_in(path, "yml")
}

impl Args {
    /// An option given that has no meaning for a scene.
    fn of_pictures_only(&self) -> Option<&'static str> {
        let given = [
            ("--scene", self.scene.is_some()),
            ("--transfer", self.transfer.is_some()),
            ("--fps", self.fps.is_some()),
            ("--patch", self.patch.is_some()),
            ("--lamp-hz", self.lamp_hz.is_some()),
            ("--readout-ms", self.readout_ms.is_some()),
        ];
        given.into_iter().find(|(_, given)| *given).map(|(name, _)| name)
    }
}

fn ends_in(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending))
}

/// Writes what was asked for.
fn finish(args: &Args, report: &Report) -> anyhow::Result<ExitCode> {
    if let Some(out) = &args.picture {
        report.write_picture(out, args)?;
    }
    if let Some(out) = &args.json {
        let json = output::JsonSidecar { value: &report.as_json() };
        output::write(out, args.overwrite, &json)?;
    }
    if !args.quiet {
        let text = summary::summary(args, report);
        std::io::stdout().lock().write_all(text.as_bytes())?;
    }
    Ok(ExitCode::SUCCESS)
}
