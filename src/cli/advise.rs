//! `gridbeat advise SCENE`: the smallest changes that make a scene clean, predicted and rendered before they are told.

use super::render::progress::stop_on_ctrl_c;
use super::{REFUSED, STOPPED, check, unknowns};
use crate::artefact::Degree;
use crate::input::{PictureFiles, scene_text};
use crate::plan::advise::{Advice, Recommended, Seen, Tried, advise};
use crate::plan::remedies::Base;
use crate::plan::verify::VerifyError;
use crate::predict::unknowns::KINDS;
use crate::render::Run;
use crate::scene::{Edit, OpenScene, Scene};
use crate::shoot::ShootError;
use crate::units::{number, percent};
use anyhow::anyhow;
use serde_json::json;
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Example:
  gridbeat advise scenes/01-moire.yaml

How far advice may go stands in the scene under `limits`: where the camera can stand, how much of the framing may change, how
sharp the subject must stay, how much light may be lost, what money there is, and what is not at hand. What is told has been
predicted at worst within the scene's tolerances, and then rendered and measured there. Light that a remedy takes is made up for
by the wall's brightness, neutral density or the exposure index, and that is part of what is to be set.

A test shot with this wall and this camera before the day says more than any of it.

Exit code 0 whatever the answer";

/// Arguments of `gridbeat advise`.
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
    /// Print everything as JSON, for programs
    #[arg(long)]
    pub json: bool,
    /// Processor threads to use; the answer is the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Some(threads) = args.threads else { return answer(args) };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(threads))
        .build()
        .map_err(|e| anyhow!("cannot start {threads} threads ({e}); try fewer with --threads"))?;
    pool.install(|| answer(args))
}

fn answer(args: &Args) -> anyhow::Result<ExitCode> {
    let source = scene_text(&args.scene)?;
    let settled = unknowns::settle(&source, &args.set, args.choice);
    let Ok((scene, chosen, edits)) =
        settled.and_then(|(chosen, edits)| Ok((check::checked(&source, &edits)?, chosen, edits)))
    else {
        return Ok(ExitCode::from(REFUSED));
    };
    let open = match OpenScene::read(&source.text, &source.name, &edits) {
        Ok(open) => open,
        Err(problems) => {
            check::refuse(&problems, &source);
            return Ok(ExitCode::from(REFUSED));
        }
    };
    let pictures = PictureFiles::in_folder(&source.folder);
    let base = Base { open: &open, scene: &scene, pictures: &pictures };
    let run = Run { cancel: stop_on_ctrl_c()?, ..Run::default() };
    let advice = match advise(&base, &run) {
        Ok(advice) => advice,
        Err(VerifyError::Shoot(ShootError::Cancelled(_))) => {
            eprintln!("stopped; nothing was written");
            return Ok(ExitCode::from(STOPPED));
        }
        Err(other) => return Err(other.into()),
    };
    let mut out = std::io::stdout().lock();
    if args.json {
        let all = json!({
            "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
            "scene": source.file,
            "unknowns": chosen.as_json(),
            "kinds": KINDS,
            "advice": advice,
        });
        serde_json::to_writer_pretty(&mut out, &all)?;
        writeln!(out)?;
    } else {
        out.write_all(words(&scene, &advice).as_bytes())?;
        for line in chosen.lines() {
            writeln!(out, "  {line}")?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Two figures: more would say too much.
fn times(multiple: f64) -> String {
    match multiple {
        m if m >= 10.0 => format!("{m:.0}"),
        m if m >= 1.0 => format!("{m:.1}"),
        m => format!("{m:.2}"),
    }
}

/// What is seen, in words: `moiré spoils the shot (6.2 times what is seen)`.
fn seen(seen: &Seen) -> String {
    let mut parts = Vec::new();
    for (i, kind) in KINDS.iter().enumerate() {
        match seen.degrees[i] {
            Degree::Clean => {}
            Degree::CannotSay => parts.push(format!("{}: can't say", kind.words())),
            degree => parts.push(format!(
                "{} {} ({} times what is seen)",
                kind.words(),
                degree.words(),
                times(seen.times_threshold[i])
            )),
        }
    }
    if parts.is_empty() { "clean".into() } else { parts.join("; ") }
}

fn words(scene: &Scene, advice: &Advice) -> String {
    let mut out = String::new();
    // Writing to a string does not fail, here and below.
    let _ = writeln!(out, "{}", scene.name);
    let _ = writeln!(out, "  now, at worst: {}", seen(&advice.present));
    if advice.present.is_clean() {
        let _ = writeln!(out, "  nothing needs to be changed");
        return out;
    }
    if advice.recommended.is_empty() {
        let _ = writeln!(out, "\nnothing within the limits makes it clean");
        if let Some((change, left)) = advice.best() {
            let _ = writeln!(out, "  what leaves least, alone: {}", change.words);
            let _ = writeln!(out, "    then: {}", seen(left));
        }
    } else {
        let _ = writeln!(out, "\nmakes it clean; what costs the shot least comes first");
        for (i, found) in advice.recommended.iter().enumerate() {
            recommended(&mut out, i + 1, found);
        }
    }
    let alone: Vec<&Tried> = advice.tried.iter().filter(|t| t.best.is_some()).collect();
    // What leaves nearly all of it needs no line of its own.
    let (helps, hardly): (Vec<&Tried>, Vec<&Tried>) = alone.into_iter().partition(|t| {
        t.contradicted > 0
            || t.best.as_ref().is_some_and(|(_, left)| left.worst() < 0.5 * advice.present.worst())
    });
    if !helps.is_empty() || !hardly.is_empty() {
        let _ = writeln!(out, "\nnot enough alone; what the best of each leaves");
    }
    for tried in helps {
        let Some((change, left)) = &tried.best else { continue };
        let _ = writeln!(out, "  {}: {}", change.words, seen(left));
        if tried.contradicted > 0 {
            let _ = writeln!(out, "    predicted clean, but a rendered frame showed it");
        }
    }
    if !hardly.is_empty() {
        let names: Vec<String> = hardly.iter().map(|t| t.remedy.name().replace('_', " ")).collect();
        let _ = writeln!(out, "  more than half is left by: {}", names.join(", "));
    }
    let beyond = advice.tried.iter().filter(|t| t.beyond_limits == t.changes);
    let beyond: Vec<String> = beyond
        .filter_map(|t| Some(format!("{}: {}", t.remedy.name().replace('_', " "), t.why.as_ref()?)))
        .collect();
    if !beyond.is_empty() {
        let _ = writeln!(out, "\nbeyond the limits");
        for line in beyond {
            let _ = writeln!(out, "  {line}");
        }
    }
    let _ = writeln!(out, "\nlooked at");
    let changes: usize = advice.tried.iter().map(|t| t.changes).sum();
    let _ = writeln!(out, "  {changes} changes alone and {} pairs", advice.pairs);
    if advice.pairs_left_out > 0 {
        let _ = writeln!(out, "  {} costlier pairs were left out", advice.pairs_left_out);
    }
    limits(&mut out, scene);
    out
}

fn recommended(out: &mut String, number_of: usize, found: &Recommended) {
    let what: Vec<&str> = found.changes.iter().map(|c| c.words.as_str()).collect();
    let _ = writeln!(out, "  {number_of}. {}", what.join(", and "));
    let takes: Vec<&str> =
        found.changes.iter().map(|c| c.takes.as_str()).filter(|t| !t.is_empty()).collect();
    let mut takes = takes.join("; ");
    if found.lost_stops > 1e-3 {
        let _ = write!(takes, "; {:.1} stops of light", found.lost_stops);
    }
    match found.money_per_day {
        Some(money) if money != 0.0 => {
            let _ = write!(takes, "; {} a day", number(money));
        }
        Some(_) => {}
        None => takes.push_str("; money, price not given"),
    }
    let _ = writeln!(out, "     takes: {takes}");
    let sets: Vec<String> = found
        .edits
        .iter()
        .filter(|e| !e.value.is_empty())
        .map(|e| format!("--set {}", quoted(&format!("{}={}", e.key, e.value))))
        .collect();
    let _ = writeln!(out, "     set: {}", sets.join(" "));
    let _ = writeln!(
        out,
        "     at worst {} times what is seen as predicted, {} as rendered in {} frames",
        times(found.predicted.worst()),
        times(found.rendered.judged().multiple),
        found.rendered.frames
    );
}

/// For a shell.
fn quoted(text: &str) -> String {
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || "_.=-/,[]".contains(c));
    if plain && !text.contains('[') { text.into() } else { format!("'{text}'") }
}

/// The limits that were kept.
fn limits(out: &mut String, scene: &Scene) {
    let l = &scene.limits;
    let _ = write!(
        out,
        "  limits: framing by {}, camera turned by {}°, light by {} {}",
        percent(l.framing),
        number(l.turn_rad * 180.0 / std::f64::consts::PI),
        number(l.light_stops),
        if l.light_stops == 1.0 { "stop" } else { "stops" }
    );
    if scene.subject_m.is_some() {
        let _ = write!(out, ", the subject blurred by {} photosites", number(l.subject_blur));
    }
    if let Some(money) = l.money_per_day {
        let _ = write!(out, ", {} a day", number(money));
    }
    let _ = writeln!(out, "; more of them go under `limits` in the scene");
}
