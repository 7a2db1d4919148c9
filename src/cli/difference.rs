//! `gridbeat difference FIRST SECOND`: two frames compared, in numbers and as a picture.

use super::FAILED;
use crate::develop::{ColourSpace, DeliveryTransfer, Difference, difference, shown_difference};
use crate::frame::Plane;
use crate::input::{Numbers, Rendered, rendered};
use crate::output::{self, Coding, Depth, Notes, PngPicture};
use crate::units;
use anyhow::{Context, anyhow};
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Examples:
  gridbeat difference out/a/a_0000_picture.png out/b/b_0000_picture.png --out difference.png
  gridbeat difference out/fast/a_0000_electrons.tiff out/slow/a_0000_electrons.tiff --amplify 50

PNG and TIFF pictures are compared as they are coded, raw TIFFs by their levels, OpenEXR and
electrons in linear light. In the picture of the difference mid-grey means the same, brighter that
the second frame is brighter";

/// Arguments of `gridbeat difference`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The first frame: PNG, TIFF or OpenEXR as `gridbeat render` writes them
    pub first: PathBuf,
    /// The second frame, of the same size
    pub second: PathBuf,
    /// Write the difference as a picture: an 8-bit PNG
    #[arg(long, value_name = "FILE.png")]
    pub out: Option<PathBuf>,
    /// How many times the difference is amplified in that picture
    #[arg(long, value_name = "FACTOR", default_value_t = 8.0, value_parser = factor)]
    pub amplify: f64,
    /// Replace the picture if it is there already
    #[arg(long)]
    pub overwrite: bool,
    /// Print the numbers as JSON, for programs
    #[arg(long)]
    pub json: bool,
}

fn factor(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(f) if f > 0.0 && f <= 1e6 => Ok(f),
        _ => Err("write a number above 0 and up to 1000000".into()),
    }
}

/// The two frames in one unit.
struct Pair {
    first: Rendered,
    second: Rendered,
    /// What the numbers are, in words.
    unit: &'static str,
    /// The number that counts as full, and what it is.
    peak: f64,
    peak_is: &'static str,
}

fn pair(args: &Args) -> anyhow::Result<Pair> {
    let [mut first, mut second] = [rendered(&args.first)?, rendered(&args.second)?];
    let size = |r: &Rendered| r.planes.first().map_or((0, 0), |p| (p.width, p.height));
    let ((w, h), (v, g)) = (size(&first), size(&second));
    if (w, h) != (v, g) {
        return Err(anyhow!(
            "'{}' has {w} × {h} pixels and '{}' {v} × {g}: render both at one size, or the same --crop of both",
            args.first.display(),
            args.second.display()
        ));
    }
    let colours = |r: &Rendered| if r.planes.len() == 3 { "three colours" } else { "one plane" };
    if first.planes.len() != second.planes.len() {
        return Err(anyhow!(
            "'{}' has {} and '{}' {}: compare a picture with a picture, a raw frame with a raw frame",
            args.first.display(),
            colours(&first),
            args.second.display(),
            colours(&second)
        ));
    }
    let both = || first.planes.iter().chain(&second.planes);
    let brightest = both().flat_map(|p| &p.data).fold(0.0_f32, |m, v| m.max(*v));
    let (unit, peak, peak_is) = match (first.numbers, second.numbers) {
        (Numbers::Levels(a), Numbers::Levels(b)) if a == b && first.planes.len() == 3 => {
            ("coded values", f64::from(a), "the highest code")
        }
        (Numbers::Levels(a), Numbers::Levels(b)) if a == b => {
            ("raw levels", f64::from(brightest), "the highest level in them")
        }
        (Numbers::Levels(a), Numbers::Levels(b)) => {
            for (frame, top) in [(&mut first, a), (&mut second, b)] {
                for value in frame.planes.iter_mut().flat_map(|p: &mut Plane| &mut p.data) {
                    *value /= top as f32;
                }
            }
            ("coded values, as shares of the highest code", 1.0, "the highest code")
        }
        (Numbers::Float, Numbers::Float) => {
            ("linear numbers", f64::from(brightest), "the largest number in them")
        }
        _ => {
            return Err(anyhow!(
                "'{}' and '{}' are not of one kind: one holds whole numbers, the other linear light or electrons",
                args.first.display(),
                args.second.display()
            ));
        }
    };
    Ok(Pair { first, second, unit, peak, peak_is })
}

/// Runs the command. Exit code 0 also for frames that differ.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    if let Some(out) = &args.out {
        let png = out.extension().is_some_and(|e| e.eq_ignore_ascii_case("png"));
        if !png {
            let _ = writeln!(std::io::stderr(), "error: '{}' must end in .png", out.display());
            return Ok(ExitCode::from(FAILED));
        }
        output::check_free(out, args.overwrite)?;
    }
    let pair = pair(args)?;
    let found = difference(&pair.first.planes, &pair.second.planes)?;
    if let Some(out) = &args.out {
        picture(args, &pair, out)?;
    }
    let mut to = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut to, &numbers(args, &pair, &found))?;
        writeln!(to)?;
    } else {
        to.write_all(table(args, &pair, &found).as_bytes())?;
    }
    Ok(ExitCode::SUCCESS)
}

fn picture(args: &Args, pair: &Pair, out: &Path) -> anyhow::Result<()> {
    let full = if pair.peak > 0.0 { pair.peak } else { 1.0 };
    let picture = shown_difference(&pair.first.planes, &pair.second.planes, args.amplify / full)
        .context("the difference cannot be shown")?;
    let words = format!(
        "'{}' less '{}', amplified {} times about mid-grey",
        args.second.display(),
        args.first.display(),
        args.amplify
    );
    let notes = Notes::new("difference").with("Shows", &words);
    let coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };
    let contents = PngPicture { picture: &picture, depth: Depth::Eight, coding, notes: &notes };
    output::write(out, args.overwrite, &contents)?;
    Ok(())
}

fn names(planes: usize) -> &'static [&'static str] {
    if planes == 3 { &["red", "green", "blue"] } else { &["all"] }
}

fn table(args: &Args, pair: &Pair, found: &Difference) -> String {
    let plane = &pair.first.planes[0];
    let mut out = format!(
        "'{}' and '{}': {} × {} pixels, {}\n",
        args.first.display(),
        args.second.display(),
        plane.width,
        plane.height,
        pair.unit
    );
    let mut line = |what: &str, text: String| out.push_str(&format!("  {what:<20}{text}\n"));
    if found.not_finite > 0 {
        line("left out", format!("{} numbers that are not finite", found.not_finite));
    }
    let Some(at) = found.largest else {
        line("difference", "none: every number is the same".into());
        return out;
    };
    let names = names(found.planes.len());
    for (name, p) in names.iter().zip(&found.planes) {
        line(
            name,
            format!(
                "mean {} and {} ({:+.3} %), RMS of the difference {}",
                units::number(p.mean_first),
                units::number(p.mean_second),
                if p.mean_first == 0.0 {
                    0.0
                } else {
                    (p.mean_second / p.mean_first - 1.0) * 100.0
                },
                units::number(p.rms)
            ),
        );
    }
    let mut rms = format!("{} over all", units::number(found.rms));
    if pair.peak > 0.0 {
        let share = found.rms / pair.peak * 100.0;
        rms += &format!(", {share:.4} % of {} ({})", units::number(pair.peak), pair.peak_is);
    }
    line("RMS", rms);
    if let Some(db) = found.psnr_db(pair.peak) {
        line("PSNR", format!("{db:.2} dB against the same"));
    }
    line(
        "largest",
        format!(
            "{} at column {}, row {}{}: {} and {}",
            units::number((at.second - at.first).abs()),
            at.x,
            at.y,
            if names.len() == 3 { format!(", {}", names[at.plane]) } else { String::new() },
            units::number(at.first),
            units::number(at.second)
        ),
    );
    if let Some(out) = &args.out {
        line("picture", format!("{}, amplified {} times", out.display(), args.amplify));
    }
    out
}

fn numbers(args: &Args, pair: &Pair, found: &Difference) -> serde_json::Value {
    let plane = &pair.first.planes[0];
    let planes: serde_json::Map<_, _> = names(found.planes.len())
        .iter()
        .zip(&found.planes)
        .map(|(name, p)| {
            let numbers =
                json!({ "mean_first": p.mean_first, "mean_second": p.mean_second, "rms": p.rms });
            ((*name).to_owned(), numbers)
        })
        .collect();
    json!({
        "first": args.first.display().to_string(),
        "second": args.second.display().to_string(),
        "columns_px": plane.width,
        "rows_px": plane.height,
        "numbers_are": pair.unit,
        "planes": planes,
        "rms": found.rms,
        "peak": pair.peak,
        "peak_is": pair.peak_is,
        "psnr_db": found.psnr_db(pair.peak),
        "largest": found.largest.map(|at| json!({
            "plane": names(found.planes.len())[at.plane],
            "column": at.x,
            "row": at.y,
            "first": at.first,
            "second": at.second,
        })),
        "not_finite": found.not_finite,
    })
}
