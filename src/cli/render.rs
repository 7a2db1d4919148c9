//! `gridbeat render SCENE`: the frames that the camera would record, and a sidecar with every number.

mod files;
pub(super) mod progress;
mod sidecar;
mod summary;
mod write;

use super::{REFUSED, STOPPED, check, unknowns};
use crate::frame::Window;
use crate::input::scene_text;
use crate::output;
use crate::render::rays::RaySettings;
use crate::scene::derived::derived;
use crate::scene::{Edit, Scene};
use crate::shoot::{Engine, ShootError, Shot};
use anyhow::anyhow;
use clap::ValueEnum;
use files::{Files, Take};
use progress::{Progress, stop_on_ctrl_c};
use sidecar::{FrameRecord, Made};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;

/// What stands below the options.
const AFTER_HELP: &str = "\
Examples:
  gridbeat render scenes/01-moire.yaml
  gridbeat render scenes/01-moire.yaml --set camera.shutter_speed=1/500 --out out/fast_shutter
  gridbeat render scenes/01-moire.yaml --frames 0..23 --only picture
  gridbeat render scenes/01-moire.yaml --crop 1800,1000,96,64 --slow-check --rays 1024 \\
      --set effects.diffraction=convolved

Exit codes: 0 done · 1 the scene was refused, its problems printed · 2 something went wrong ·
130 stopped with Ctrl-C; frames that were complete by then stay, nothing else does";

/// Arguments of `gridbeat render`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,

    /// How many frames, from frame 0; or which, as FIRST..LAST, both included
    #[arg(long, value_name = "N or FIRST..LAST", default_value = "1")]
    pub frames: Frames,

    /// Make only these, separated by commas
    #[arg(long, value_name = "PART", value_enum, value_delimiter = ',')]
    pub only: Vec<Part>,

    /// Make these as well as the usual ones (picture, raw), separated by commas
    #[arg(long, value_name = "PART", value_enum, value_delimiter = ',', conflicts_with = "only")]
    pub also: Vec<Part>,

    /// Folder for the files; made if need be [default: out/ and the scene's name]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// Replace files that are there already
    #[arg(long)]
    pub overwrite: bool,

    /// Set a key of the scene for this render, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,

    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,

    /// Record only this part of the sensor, in photosites from the sensor's top left corner; the
    /// picture is not scaled then
    #[arg(long, value_name = "X,Y,WIDTH,HEIGHT")]
    pub crop: Option<Crop>,

    /// Bits of the picture's PNG files
    #[arg(long, value_enum, default_value_t = Bits::Both)]
    pub png_bits: Bits,

    /// Write the picture as 16-bit TIFF too
    #[arg(long)]
    pub tiff: bool,

    /// Write the picture in linear light as OpenEXR too (and the electrons, if they are asked for)
    #[arg(long)]
    pub exr: bool,

    /// Write the raw mosaic as a DNG camera raw file too
    #[arg(long)]
    pub dng: bool,

    /// Render with the slow check: traced rays, to audit the fast engine. Takes seconds for a
    /// small crop, and from many minutes to hours for a whole frame
    #[arg(long)]
    pub slow_check: bool,

    /// Rays of the slow check for each photosite; more are less grainy
    #[arg(long, value_name = "N", default_value_t = 4096, requires = "slow_check",
          value_parser = clap::value_parser!(u32).range(1..=1_048_576))]
    pub rays: u32,

    /// Seed of the slow check's rays: renders with two seeds differ by its grain alone
    #[arg(long, value_name = "N", default_value_t = 1, requires = "slow_check")]
    pub ray_seed: u64,

    /// Processor threads to use; the files are the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print problems and notes only: no progress, no summary
    #[arg(long, short)]
    pub quiet: bool,
}

/// What can be made of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Part {
    /// The developed picture, its middle at twice the size, and a small overview
    Picture,
    /// The camera's raw levels as a 16-bit TIFF
    Raw,
    /// The light on each photosite in electrons, before noise and rounding, as a float TIFF
    Electrons,
    /// The picture of a perfect wall: steady, and no gaps between its emitters
    Ideal,
    /// The picture of the same wall if it shone steadily: no scan bands, no flicker
    SteadyWall,
}

/// Bits of PNG files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Bits {
    /// 8 bits
    #[value(name = "8")]
    Eight,
    /// 16 bits
    #[value(name = "16")]
    Sixteen,
    /// A file of each
    Both,
}

/// A run of frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frames {
    /// The first.
    pub first: u32,
    /// The last.
    pub last: u32,
}

/// More frames than anybody renders in one go; nine hours at 30 frames a second.
const LAST_FRAME: u32 = 999_999;

impl FromStr for Frames {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "write a number of frames, such as 24, or FIRST..LAST, such as 10..19, with frames \
                 from 0 to {LAST_FRAME}"
            )
        };
        let number = |t: &str| t.trim().parse::<u32>().map_err(|_| wrong());
        let frames = match text.split_once("..") {
            Some((first, last)) => Self { first: number(first)?, last: number(last)? },
            None => Self { first: 0, last: number(text)?.checked_sub(1).ok_or_else(wrong)? },
        };
        if frames.first > frames.last {
            return Err(format!(
                "frame {} comes after frame {}; write the earlier one first",
                frames.first, frames.last
            ));
        }
        if frames.last > LAST_FRAME { Err(wrong()) } else { Ok(frames) }
    }
}

impl Frames {
    pub(super) fn all(self) -> std::ops::RangeInclusive<u32> {
        self.first..=self.last
    }

    pub(super) fn count(self) -> usize {
        (self.last - self.first) as usize + 1
    }
}

/// A part of the sensor as given on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Crop(pub Window);

impl FromStr for Crop {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers: Option<Vec<u32>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
        match numbers.as_deref() {
            Some(&[x, y, width, height]) => Ok(Self(Window { x, y, width, height })),
            _ => Err(
                "write four whole numbers, such as 1800,1000,320,180: first column, first row, \
                      columns, rows"
                    .into(),
            ),
        }
    }
}

impl Args {
    fn engine(&self) -> Engine {
        if self.slow_check {
            Engine::SlowCheck(RaySettings { samples: self.rays, seed: self.ray_seed })
        } else {
            Engine::Fast
        }
    }
}

impl Crop {
    /// The edits of a scene that record only this part, not scaled.
    pub(super) fn edits(self) -> [Edit; 3] {
        let Window { x, y, width, height } = self.0;
        let edit = |key: &str, value: String| Edit { key: key.into(), value };
        [
            edit("camera.crop", format!("{{x: {x}, y: {y}, width: {width}, height: {height}}}")),
            edit("delivery.size_px", "null".into()),
            edit("delivery.desqueeze", "off".into()),
        ]
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Some(threads) = args.threads else { return render(args) };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(threads))
        .build()
        .map_err(|e| anyhow!("cannot start {threads} threads ({e}); try fewer with --threads"))?;
    pool.install(|| render(args))
}

fn render(args: &Args) -> anyhow::Result<ExitCode> {
    let source = scene_text(&args.scene)?;
    // What is not known is chosen for the whole picture, so that a crop shows a part of it.
    let Ok((chosen, mut edits)) = unknowns::settle(&source, &args.set, args.choice) else {
        return Ok(ExitCode::from(REFUSED));
    };
    edits.extend(args.crop.iter().flat_map(|crop| crop.edits()));
    let Ok(understood) = check::understood(&source, &edits) else {
        return Ok(ExitCode::from(REFUSED));
    };
    let inputs = understood.as_json();
    let scene = understood.scene;
    let files = Files::new(args, &scene, |delivered| write::needs_overview(&scene, delivered));
    let scenes = scenes(&scene, &files);
    let shots: Vec<(Take, Shot<'_>)> = scenes
        .iter()
        .map(|(take, scene)| {
            let shot = Shot::new(scene, args.engine())?;
            Ok((*take, shot.for_frames(args.frames.count() as u32)))
        })
        .collect::<Result<_, ShootError>>()?;
    // Everything that can be known to fail is found before the long work.
    for file in files.all(args.frames.all()) {
        output::check_free(&file, args.overwrite)?;
    }
    let folder = write::Folder::prepare(files.folder())?;
    let cancel = stop_on_ctrl_c()?;
    let renders = args.frames.count() * shots.len();
    let mut progress = Progress::new(renders, args.quiet, cancel);
    let mut records = Vec::new();
    let made = Made {
        args,
        source: &source,
        edits: &edits,
        scene: &scene,
        inputs: &inputs,
        files: &files,
        chosen: &chosen,
    };
    let outcome = all_frames(args, &files, &shots, &mut progress, &mut records);
    drop(progress);
    let numbers = derived(&scene.at_frame(args.frames.first));
    let sidecar = if records.is_empty() { Ok(()) } else { made.write_sidecar(&records, &numbers) };
    folder.leave(&records);
    match outcome {
        Ok(()) => {
            sidecar?;
            if !args.quiet {
                let text = summary::summary(&made, &records, &numbers);
                std::io::stdout().lock().write_all(text.as_bytes())?;
            }
            Ok(ExitCode::SUCCESS)
        }
        Err(error) if is_stop(&error) => {
            let kept = match records.len() {
                0 => "nothing was written".into(),
                n => format!(
                    "{n} of {} frames are complete, in {}",
                    args.frames.count(),
                    files.folder().display()
                ),
            };
            let _ = writeln!(std::io::stderr(), "stopped: {kept}");
            Ok(ExitCode::from(STOPPED))
        }
        Err(error) => Err(error),
    }
}

fn is_stop(error: &anyhow::Error) -> bool {
    matches!(error.downcast_ref(), Some(ShootError::Cancelled(_)))
}

/// The scene of every take.
fn scenes(scene: &Scene, files: &Files) -> Vec<(Take, Scene)> {
    let of = |take: Take| match take {
        Take::Captured => scene.clone(),
        Take::SteadyWall => scene.steady_wall(),
        Take::Ideal => scene.ideal(),
    };
    files.takes().map(|take| (take, of(take))).collect()
}

/// Frame after frame; what is complete is in `records`, whatever comes after it.
fn all_frames(
    args: &Args,
    files: &Files,
    shots: &[(Take, Shot<'_>)],
    progress: &mut Progress,
    records: &mut Vec<FrameRecord>,
) -> anyhow::Result<()> {
    for frame in args.frames.all() {
        let mut out = write::FrameFiles::new(files, frame, args.overwrite);
        let mut levels = Vec::new();
        for (take, shot) in shots {
            let words = format!("{} {frame}", take.words());
            let run = progress.run(words);
            levels.push((*take, out.shoot(*take, shot, &run)?));
            progress.next();
        }
        if progress.is_stopped() {
            return Err(ShootError::from(crate::render::Cancelled).into());
        }
        records.push(FrameRecord { frame, files: out.keep()?, levels });
    }
    Ok(())
}
