//! `gridbeat predict SCENE`: the answer from theory, in words and numbers, before anything is rendered.

mod open;

use super::{REFUSED, check, unknowns};
use crate::artefact::{Degree, Kind};
use crate::input::scene_text;
use crate::predict::content_timing::content_timing;
use crate::predict::exposure::light;
use crate::predict::focus::nearest_focus;
use crate::predict::people::people;
use crate::predict::shutters::shutters;
use crate::predict::stepping::stepping;
use crate::predict::unknowns::KINDS;
use crate::predict::{
    Cause, Finding, Prediction, Settings, Sights, assumed, parts, predict, scene_of,
};
use crate::scene::{Edit, Scene};
use crate::units::{frequency, number};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Example:
  gridbeat predict scenes/01-moire.yaml --set lens.focal_mm=40

Judged are even greys from 1 % to 100 % of the wall's light, watched as `viewing` in the scene says, with the set off its plan by as much as \
`tolerances` says: clean means that nobody will see it, noticeable that who looks for it will, spoils the shot that everybody will. Flicker \
can harm people who are sensitive to it: no verdict here is about them.

Values that the scene gives as a range, [low, high], or as unknown: the best and the worst verdict over the ranges, and a list of \
questions, those that decide most first. With --unknowns, the answer for one choice of numbers.

Exit code 0 whatever the verdict";

/// Arguments of `gridbeat predict`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,
    /// Set a key of the scene, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,
    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,
    /// Print the verdicts only, without shutters, light, people, stepping and focus
    #[arg(long)]
    pub brief: bool,
    /// Look for the nearest focus to the wall that stays clean, at every stop too: takes some seconds
    #[arg(long, conflicts_with = "brief")]
    pub nearest_focus: bool,
    /// Print everything as JSON, for programs
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let source = scene_text(&args.scene)?;
    if args.choice.unknowns.is_none()
        && let Some(scene) = unknowns::open(&source, &args.set)
    {
        return open::run(&source, &scene, args.json);
    }
    let settled = unknowns::settle(&source, &args.set, args.choice);
    let Ok((scene, chosen)) =
        settled.and_then(|(chosen, edits)| Ok((check::checked(&source, &edits)?, chosen)))
    else {
        return Ok(ExitCode::from(REFUSED));
    };
    let prediction = predict(&scene, &Settings::full());
    let mut out = std::io::stdout().lock();
    if args.json {
        let mut all = numbers(&scene, &prediction);
        if chosen.choice.is_some() {
            all["unknowns"] = chosen.as_json();
        }
        if let (Value::Object(all), false) = (&mut all, args.brief) {
            all.insert("shutters".into(), json!(shutters(&scene)));
            all.insert("light".into(), json!(light(&scene)));
            all.insert("content_timing".into(), json!(content_timing(&scene)));
            all.insert("stepping".into(), json!(stepping(&scene)));
            all.insert("people".into(), json!(people(&scene)));
            if args.nearest_focus {
                all.insert("nearest_focus".into(), json!(nearest_focus(&scene)));
            }
        }
        serde_json::to_writer_pretty(&mut out, &all)?;
        writeln!(out)?;
    } else {
        out.write_all(words(&scene, &prediction).as_bytes())?;
        if chosen.choice.is_some() {
            writeln!(out, "\nnot known")?;
        }
        for line in chosen.lines() {
            writeln!(out, "  {line}")?;
        }
        if !args.brief {
            out.write_all(answers(&scene, args.nearest_focus).as_bytes())?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Everything beside the verdicts, group by group.
fn answers(scene: &Scene, focus: bool) -> String {
    let mut groups = vec![
        ("clean shutters", shutters(scene).lines()),
        ("exposure and light", light(scene).lines()),
        ("the wall's pictures and the camera's frames", content_timing(scene).lines()),
        ("stepping", stepping(scene).lines()),
        ("people in the room", people(scene).lines()),
    ];
    if focus {
        let lines = nearest_focus(scene).map_or_else(
            || vec!["can't say: the lens axis does not meet the wall".to_owned()],
            |found| found.lines(&scene.tolerances),
        );
        groups.insert(2, ("nearest focus to the wall", lines));
    }
    let mut out = String::new();
    for (name, lines) in groups {
        // Writing to a string does not fail.
        let _ = writeln!(out, "\n{name}");
        for line in lines {
            let _ = writeln!(out, "  {line}");
        }
    }
    out
}

fn percent(share: f64) -> String {
    format!("{} %", number(share * 100.0))
}

fn words(scene: &Scene, found: &Prediction) -> String {
    let mut out = String::new();
    // Writing to a string does not fail.
    let _ = writeln!(out, "{}", scene.name);
    if found.places == 0 {
        let _ = writeln!(out, "  can't say: the recorded picture does not see the wall");
        return out;
    }
    let _ = writeln!(out, "  {:<17}{:<18}{:<18}times what is seen", "", "at worst", "as planned");
    // The worst first; what cannot be said comes before what is clean; flicker before moiré among equals.
    let mut kinds = KINDS.to_vec();
    let rank = |k: Kind| match found.degree(k, false) {
        Degree::Spoils => 0,
        Degree::Noticeable => 1,
        Degree::CannotSay => 2,
        Degree::Clean => 3,
    };
    kinds.sort_by_key(|&k| (rank(k), k));
    for kind in kinds {
        let [worst, planned] = [false, true].map(|planned| found.degree(kind, planned).words());
        let times = found.of(kind).map_or("nothing".to_owned(), |f| number(f.worst.multiple));
        let _ = writeln!(out, "  {:<17}{worst:<18}{planned:<18}{times}", kind.words());
    }
    for unsure in &found.unsure {
        let _ = writeln!(out, "  {}: {}", unsure.kind.words(), unsure.why);
    }
    details(&mut out, scene, found);
    out
}

/// What is seen, kind by kind, and what was assumed.
fn details(out: &mut String, scene: &Scene, found: &Prediction) {
    for kind in KINDS {
        if let Some(finding) = found.of(kind).filter(|f| f.worst.degree != Degree::Clean) {
            detail(out, scene, finding);
        }
    }
    // Writing to a string does not fail.
    let _ = writeln!(out, "\nassumed");
    for line in assumed(scene) {
        let _ = writeln!(out, "  {line}");
    }
}

/// A wave in words.
fn wave(scene: &Scene, finding: &Finding) -> String {
    let wave = &finding.seen.wave;
    let width =
        f64::from(scene.deliveries[0].delivery.size.map_or(scene.camera.crop.width, |s| s.0));
    let mut text = format!("contrast {}", percent(wave.luma()));
    if wave.chroma() > wave.luma() {
        let _ = write!(text, ", in colour {}", percent(wave.chroma()));
    }
    let period = wave.period_px();
    if period < 4.0 * width {
        let _ = write!(
            text,
            "; {} px from crest to crest ({} of the picture's width), changing {}",
            number(period),
            percent(period / width),
            across(wave.direction_deg())
        );
    } else {
        text.push_str("; longer than the picture");
    }
    text
}

/// A direction in words.
fn across(deg: f64) -> String {
    match deg.abs() {
        d if d < 1.0 => "across".to_owned(),
        d if d > 89.0 => "up and down".to_owned(),
        _ => format!("at {}°", number((deg * 10.0).round() / 10.0)),
    }
}

fn detail(out: &mut String, scene: &Scene, finding: &Finding) {
    let kind = finding.kind;
    let _ = writeln!(out, "\n{}", kind.words());
    if scene.moves.is_some() {
        let _ = writeln!(out, "  worst around frame {} of the move", finding.frame);
    }
    match finding.cause {
        Cause::Wave => {}
        Cause::CabinetEdges => {
            let _ = writeln!(
                out,
                "  steps where cabinets meet whose clocks differ: up to {} either way at {} of the wall's light",
                percent(finding.seen.wave.luma()),
                percent(finding.level)
            );
            return;
        }
        Cause::Pictures => {
            let timing = content_timing(scene);
            let _ = writeln!(
                out,
                "  two pictures of the wall in {} of {} captured frames, one again in {}, {} in none; at worst as much as neighbours differ: up to {} in some part",
                timing.torn_frames,
                timing.frames,
                timing.doubled_frames,
                timing.dropped_pictures,
                percent(finding.seen.wave.luma())
            );
            return;
        }
    }
    if finding.quarter_turns > 0 {
        let deg = 90 * u32::from(finding.quarter_turns);
        let _ = writeln!(out, "  in cabinets turned {deg}°");
    }
    let _ = writeln!(out, "  {}", wave(scene, finding));
    let seen = &finding.seen;
    match kind {
        Kind::Flicker | Kind::Bands => {
            let _ = writeln!(out, "  at {} of the wall's light", percent(finding.level));
            let hz = seen.roll_hz.abs();
            if hz >= 0.01 {
                let up = if seen.roll_hz > 0.0 { "up" } else { "down" };
                let way = if kind == Kind::Bands && seen.wave.frequency.y > 1e-9 {
                    format!(", rolling {up}")
                } else {
                    String::new()
                };
                let _ = writeln!(out, "  changes {} times a second{way}", number(hz));
            } else {
                let _ = writeln!(out, "  stands still");
            }
            let drive_hz = f64::from(seen.origin.k) / scene.drive.timing().frame_s;
            let _ = writeln!(
                out,
                "  from the drive's light at {}, {} of it in an exposure",
                frequency(drive_hz),
                number(drive_hz * scene.camera.exposure_s)
            );
        }
        Kind::Moire | Kind::PixelStructure => {
            let scene = &*scene_of(scene, finding);
            let sights = Sights::new(scene);
            let [hx, hy] = seen.origin.h;
            let _ = writeln!(
                out,
                "  from harmonic {}, {} of the wall's pixels, at column {}, row {} of the sensor",
                hx,
                hy,
                number(finding.point.x.round()),
                number(finding.point.y.round())
            );
            if let Some(place) = sights.at(finding.point) {
                let left = parts(scene, &sights, &place, seen.origin);
                let list: Vec<String> = left
                    .iter()
                    .map(|p| {
                        format!("{} {}", p.name, percent((p.leaves_share * 1e3).round() / 1e3))
                    })
                    .collect();
                let _ = writeln!(out, "  what each part leaves of it: {}", list.join(", "));
            }
        }
    }
}

fn finding(scene: &Scene, f: &Finding) -> Value {
    let wave = &f.seen.wave;
    let width =
        f64::from(scene.deliveries[0].delivery.size.map_or(scene.camera.crop.width, |s| s.0));
    let finite = |v: f64| if v.is_finite() { json!(v) } else { Value::Null };
    json!({
        "kind": f.kind,
        "cause": f.cause,
        "frame": f.frame,
        "cabinets_turned_deg": 90 * u32::from(f.quarter_turns),
        "planned": f.planned,
        "worst": f.worst,
        "level_share": f.level,
        "at_photosites": f.point.to_array(),
        "period_px": finite(wave.period_px()),
        "period_share_of_width": finite(wave.period_px() / width),
        "direction_deg": wave.direction_deg(),
        "frequency_cycles_per_px": wave.frequency.to_array(),
        "contrast_luma": wave.luma(),
        "contrast_colour": wave.chroma(),
        "contrast_red_green_blue": wave.planes.map(|p| p.norm_sqr().sqrt()),
        "roll_hz": f.seen.roll_hz,
        "harmonic": {
            "wall_across_down": f.seen.origin.h,
            "drive": f.seen.origin.k,
            "slot": f.seen.origin.m,
        },
    })
}

fn numbers(scene: &Scene, found: &Prediction) -> Value {
    let list = |of: &[Finding]| of.iter().map(|f| finding(scene, f)).collect::<Vec<_>>();
    json!({
        "name": scene.name,
        "places_on_the_wall": found.places,
        "degree_at_worst": KINDS.map(|k| json!({ "kind": k, "degree": found.degree(k, false) })),
        "degree_as_planned": KINDS.map(|k| json!({ "kind": k, "degree": found.degree(k, true) })),
        "unsure": found.unsure.iter().map(|u| json!({ "kind": u.kind, "why": u.why })).collect::<Vec<_>>(),
        "assumed": assumed(scene),
        "planned": found.planned(),
        "worst": found.judged(),
        "verdicts": list(&found.worst),
        "fringes": list(&found.fringes[..found.fringes.len().min(20)]),
        "bands": list(&found.bands),
    })
}
