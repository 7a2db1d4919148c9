//! `gridbeat score TRUTH REPAIRED`: repaired frames against the truth of the samples that they were made of.

use super::FAILED;
use crate::artefact::Degree;
use crate::develop::{ColourSpace, DeliveryTransfer, mix, to_bt709, to_linear};
use crate::frame::{Picture, Plane};
use crate::generate::{Repaired, Score, Together, together};
use crate::input::{Numbers, rendered};
use anyhow::{Context, anyhow, bail};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
All in linear light over the ideal frame, where the masks say that it can be judged:
  artefact    how strong moiré and bands were (root mean square)
  left        how much of them is left
  moiré left, bands left
              the share of each that is left: 1 in an untouched frame, 0 in a perfect one
  rest        what is off besides, noise included
  brightness  how much brighter or darker the frame has become
  detail      the share of the ideal's fine detail that is there: 0.9 has lost a tenth
  off, changed
              how far from the ideal before and after, and how much the repair changed
A clean frame is one that is predicted clean and has less than 0.5 % of artefacts: there, and in the
foreground, nothing should change. Detail is told where the samples have an ideal without noise.
Repaired files lie as in the samples' folder (samples/00000/00000012/captured_linear.png), or in one
folder by number (00000012.png or 00000012.captured_linear.png).";

/// Arguments of `gridbeat score`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The folder of samples, as generate made it
    pub truth: PathBuf,
    /// The folder of repaired frames
    pub repaired: PathBuf,
    /// Which file of each sample was repaired, without its ending [default: the first that begins with captured_]
    #[arg(long, value_name = "NAME")]
    pub file: Option<String>,
    /// Print the numbers of every sample and all together as JSON
    #[arg(long)]
    pub json: bool,
}

/// A clean frame has less than this of artefacts, root mean square, percent.
const CLEAN_BELOW_PERCENT: f64 = 0.5;

/// A sample's numbers.
struct Scored {
    number: u64,
    split: String,
    verdict: String,
    score: Score,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    all(args).map_err(super::in_full)
}

fn all(args: &Args) -> anyhow::Result<ExitCode> {
    let manifest = args.truth.join("manifest.jsonl");
    let text = fs::read_to_string(&manifest).with_context(|| {
        format!(
            "cannot read {}; name a folder that `gridbeat generate` has completed",
            manifest.display()
        )
    })?;
    if !args.repaired.is_dir() {
        bail!("{} is no folder of repaired frames", args.repaired.display());
    }
    let (mut scored, mut problems, mut skipped) = (Vec::new(), Vec::new(), 0);
    let mut not_judged: Vec<String> = Vec::new();
    for (i, line) in text.lines().enumerate() {
        let entry: Value = serde_json::from_str(line)
            .with_context(|| format!("{}:{}: not a line of JSON", manifest.display(), i + 1))?;
        if !entry["skipped"].is_null() {
            skipped += 1;
            continue;
        }
        let number = entry["sample"].as_u64().with_context(|| {
            format!("{}:{}: the line has no number of a sample", manifest.display(), i + 1)
        })?;
        match one(args, &entry, number) {
            Ok(None) => not_judged.push(number.to_string()),
            Ok(Some(score)) => scored.push(Scored {
                number,
                split: entry["split"].as_str().unwrap_or("unknown").to_owned(),
                verdict: entry["verdict"].as_str().unwrap_or("unknown").to_owned(),
                score,
            }),
            Err(error) => problems.push(format!("sample {number}: {error:#}")),
        }
    }
    if !not_judged.is_empty() {
        eprintln!(
            "note: nothing can be judged of these samples, which are clipped or off the wall all over: {}",
            not_judged.join(", ")
        );
    }
    for problem in &problems {
        eprintln!("{problem}");
    }
    if !problems.is_empty() {
        eprintln!("{} samples are not scored", problems.len());
    }
    if args.json {
        println!("{}", as_json(&scored, problems.len(), [not_judged.len() as u64, skipped]));
    } else {
        print!("{}", table(&scored));
    }
    Ok(if problems.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(FAILED) })
}

/// The only file of a folder with this name, whatever its ending.
fn found(folder: &Path, name: &str) -> Option<PathBuf> {
    ["png", "tiff", "tif", "exr"]
        .iter()
        .map(|ending| folder.join(format!("{name}.{ending}")))
        .find(|path| path.is_file())
}

/// Scores a sample; `None` where nothing of it can be judged.
fn one(args: &Args, entry: &Value, number: u64) -> anyhow::Result<Option<Score>> {
    let inner = entry["folder"].as_str().ok_or_else(|| anyhow!("the manifest names no folder"))?;
    let folder = args.truth.join(inner);
    let truth = fs::read_to_string(folder.join("truth.json"))
        .with_context(|| format!("cannot read {}", folder.join("truth.json").display()))?;
    let truth: Value = serde_json::from_str(&truth)
        .with_context(|| format!("{} is damaged", folder.join("truth.json").display()))?;
    let names = entry["files"].as_array().into_iter().flatten().filter_map(|f| f["name"].as_str());
    let stem = |name: &str| name.rsplit_once('.').map_or(name, |(stem, _)| stem).to_owned();
    let name = match &args.file {
        Some(name) => name.clone(),
        None => names
            .map(stem)
            .find(|name| name.starts_with("captured_") && !name.ends_with("_raw"))
            .ok_or_else(|| anyhow!("it has no captured picture to score"))?,
    };
    let captured = need(&folder, &name)?;
    let file = captured.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let coding = &truth["files"][&file];
    let is_scaled = |step: &Value| !step["scale_percent"].is_null();
    if name.contains("_delivered")
        && truth["degraded"].as_array().is_some_and(|d| d.iter().any(is_scaled))
    {
        bail!(
            "its delivered pictures are scaled, so that the maps do not lie on them; score the linear ones with --file"
        );
    }
    let inner = args.repaired.join(inner);
    let repaired = found(&inner, &name)
        .or_else(|| found(&args.repaired, &format!("{number:08}.{name}")))
        .or_else(|| found(&args.repaired, &format!("{number:08}")))
        .ok_or_else(|| {
            anyhow!(
                "no repaired {name} in {}, nor {number:08} in {}",
                inner.display(),
                args.repaired.display()
            )
        })?;
    // The ideal without noise, of the same stage and frame, if it is there.
    let ideal = name.replacen("captured", "ideal", 1);
    let stage = ideal.trim_start_matches("ideal_noise_free_").trim_start_matches("ideal_");
    let noise_free = found(&folder, &format!("ideal_noise_free_{stage}"));
    let is_noisy = noise_free.is_none();
    let ideal = noise_free
        .or_else(|| found(&folder, &ideal))
        .ok_or_else(|| anyhow!("no {ideal} in {}", folder.display()))?;
    let frame = name.rsplit_once("_f").filter(|(_, f)| f.len() == 4).map_or("", |(_, f)| f);
    let tail = if frame.is_empty() { String::new() } else { format!("_f{frame}") };
    let light = |path: &Path| linear(path, coding);
    let maps = ["moire", "bands"].map(|map| signed(&folder, &format!("{map}{tail}"), &truth));
    let [moire, bands] = maps;
    let valid = mask(&need(&folder, &format!("mask_valid{tail}"))?)?;
    let foreground = found(&folder, "mask_foreground").map(|path| mask(&path)).transpose()?;
    let (captured, ideal, found) = (light(&captured)?, light(&ideal)?, light(&repaired)?);
    let size = |p: &[Plane]| p.first().map_or((0, 0, 0), |p0| (p0.width, p0.height, p.len()));
    if size(&found) != size(&ideal) {
        let ((w, h, n), (columns, rows, planes)) = (size(&found), size(&ideal));
        bail!(
            "{} has {w} × {h} pixels and {n} planes; its sample has {columns} × {rows} and {planes}",
            repaired.display()
        );
    }
    let no_numbers = found.iter().flat_map(|p| &p.data).filter(|v| !v.is_finite()).count();
    if no_numbers > 0 {
        bail!("{} holds {no_numbers} values that are no numbers", repaired.display());
    }
    let all = Repaired {
        repaired: &found,
        captured: &captured,
        ideal: &ideal,
        moire: &moire?,
        bands: &bands?,
        valid: &valid,
        foreground: foreground.as_ref(),
    };
    // Noise would count as detail.
    let told = |score: Score| Score { detail: score.detail.filter(|_| !is_noisy), ..score };
    Ok(all.score().map(told))
}

fn need(folder: &Path, name: &str) -> anyhow::Result<PathBuf> {
    found(folder, name)
        .ok_or_else(|| anyhow!("no {name} in {}; the recipe must write it", folder.display()))
}

/// A picture's numbers, 0 to 1 for whole ones.
fn numbers(path: &Path) -> anyhow::Result<Vec<Plane>> {
    let mut read = rendered(path)?;
    if let Numbers::Levels(top) = read.numbers {
        for value in read.planes.iter_mut().flat_map(|p| &mut p.data) {
            *value /= top as f32;
        }
    }
    Ok(read.planes)
}

/// A picture in linear light of BT.709's colours.
fn linear(path: &Path, coding: &Value) -> anyhow::Result<Vec<Plane>> {
    let word = |key: &str| coding[key].as_str().unwrap_or_default();
    let transfer = match word("transfer") {
        "Linear" => DeliveryTransfer::Linear,
        "Srgb" => DeliveryTransfer::Srgb,
        "Bt709" => DeliveryTransfer::Bt709,
        "HybridLogGamma" => DeliveryTransfer::HybridLogGamma,
        "AcesCct" => DeliveryTransfer::AcesCct,
        other => bail!("{}: its truth does not say how it is coded ('{other}')", path.display()),
    };
    let space = match word("colour_space") {
        "Bt2020" => ColourSpace::Bt2020,
        "P3D65" => ColourSpace::P3D65,
        "AcesAp0" => ColourSpace::AcesAp0,
        "AcesAp1" => ColourSpace::AcesAp1,
        _ => ColourSpace::Bt709,
    };
    let mut planes = numbers(path)?;
    to_linear(&mut planes, transfer, 1.0, false);
    let three: Result<[Plane; 3], _> = planes.try_into();
    let mut picture = match three {
        Ok(planes) => Picture { planes },
        Err(planes) => return Ok(planes),
    };
    if let Some(matrix) = to_bt709(space).filter(|_| space != ColourSpace::Bt709) {
        mix(&mut picture.planes, &matrix);
    }
    Ok(picture.planes.to_vec())
}

/// A map of signed numbers.
fn signed(folder: &Path, name: &str, truth: &Value) -> anyhow::Result<Vec<Plane>> {
    let path = need(folder, name)?;
    let file = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let words = &truth["files"][&file];
    let mut planes = rendered(&path)?.planes;
    if let (Some(offset), Some(scale)) = (words["offset"].as_f64(), words["scale"].as_f64()) {
        for value in planes.iter_mut().flat_map(|p| &mut p.data) {
            *value = match *value {
                0.0 => f32::NAN,
                code => (offset + scale * f64::from(code)) as f32,
            };
        }
    }
    Ok(planes)
}

fn mask(path: &Path) -> anyhow::Result<Plane> {
    let planes = numbers(path)?;
    planes.into_iter().next().ok_or_else(|| anyhow!("{} is empty", path.display()))
}

/// Parts of the samples by name: all, by split, by verdict.
fn parts(scored: &[Scored]) -> Vec<(String, Together)> {
    let of = |is: &dyn Fn(&Scored) -> bool| {
        let scores: Vec<Score> = scored.iter().filter(|s| is(s)).map(|s| s.score).collect();
        together(&scores)
    };
    let mut out = vec![("all".to_owned(), of(&|_| true))];
    for split in ["train", "validation", "test"] {
        out.push((split.to_owned(), of(&|s| s.split == split)));
    }
    for degree in [Degree::Clean, Degree::Noticeable, Degree::Spoils, Degree::CannotSay] {
        let word = serde_json::to_value(degree).unwrap_or_default();
        out.push((degree.words().to_owned(), of(&|s| Some(s.verdict.as_str()) == word.as_str())));
    }
    out.push((
        "clean frames".to_owned(),
        of(&|s| s.verdict == "clean" && s.score.artefact_percent < CLEAN_BELOW_PERCENT),
    ));
    out.retain(|(_, t)| t.samples > 0);
    out
}

fn table(scored: &[Scored]) -> String {
    let mut out = format!(
        "{:<16}{:>8}{:>10}{:>9}{:>12}{:>12}{:>9}{:>12}{:>8}{:>30}{:>30}\n",
        "",
        "samples",
        "artefact",
        "left",
        "moiré left",
        "bands left",
        "rest",
        "brightness",
        "detail",
        "off, before / after; changed",
        "foreground, likewise"
    );
    let percent = |v: f64| format!("{v:.2} %");
    let share = |v: Option<f64>| v.map_or_else(|| "-".into(), |v| format!("{v:.3}"));
    let three = |v: [f64; 3]| format!("{:.2} / {:.2}; {:.2} %", v[0], v[1], v[2]);
    for (name, t) in parts(scored) {
        // Writing to a string does not fail.
        let _ = writeln!(
            out,
            "{name:<16}{:>8}{:>10}{:>9}{:>12}{:>12}{:>9}{:>12}{:>8}{:>30}{:>30}",
            t.samples,
            percent(t.artefact_percent),
            percent(t.left_percent),
            share(t.moire_left),
            share(t.bands_left),
            percent(t.rest_percent),
            format!("{:+.2} %", t.brightness_percent),
            share(t.detail),
            three(t.off_percent),
            t.foreground_percent.map_or_else(|| "-".into(), three)
        );
    }
    out
}

fn as_json(scored: &[Scored], not_scored: usize, [not_judged, skipped]: [u64; 2]) -> Value {
    let samples: Vec<Value> = scored
        .iter()
        .map(|s| json!({ "sample": s.number, "split": s.split, "verdict": s.verdict, "score": s.score }))
        .collect();
    let parts: serde_json::Map<String, Value> =
        parts(scored).into_iter().map(|(name, t)| (name, json!(t))).collect();
    json!({ "samples": samples, "together": parts, "not_scored": not_scored, "not_judged": not_judged, "not_drawn": skipped })
}
