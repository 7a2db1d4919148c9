//! `gridbeat measure`: bands, flicker and moiré read off frames, in numbers and as a picture.

mod kind;
mod numbers;
mod of_scene;
mod report;
mod summary;

use super::render::{Crop, Frames};
use super::{FAILED, REFUSED};
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

A scene is rendered on the spot, without noise unless --with-noise is given, and compared with the
frame of a perfect wall. Contrasts are crest over mean: light that goes from 99 to 101 has 1 %.

Flicker can trigger seizures in photosensitive people, also where it looks harmless. Do not play
frames in a loop to people whose sensitivity you do not know.";

/// Arguments of `gridbeat measure`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// A scene file (YAML)
    #[arg(value_name = "SCENE", required = true)]
    pub input: PathBuf,

    /// Measure this frame of the scene [default: 0]
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

    /// Measure the delivery of this name, of a scene with several [default: the first]
    #[arg(long, value_name = "NAME")]
    pub delivery: Option<String>,

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
        let _ = writeln!(std::io::stderr(), "error: '{}' must end in .png", out.display());
        return Ok(ExitCode::from(FAILED));
    }
    for out in args.picture.iter().chain(&args.json) {
        output::check_free(out, args.overwrite)?;
    }
    let Some(report) = of_scene::report(args)? else { return Ok(ExitCode::from(REFUSED)) };
    finish(args, &report)
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
