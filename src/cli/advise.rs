//! `gridbeat advise SCENE`: the smallest changes that make a scene clean, predicted and rendered before they are told.

use super::render::progress::stop_on_ctrl_c;
use super::{REFUSED, STOPPED, check, unknowns};
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::plan::advise::{Advice, Recommended, advise};
use crate::plan::remedies::Base;
use crate::plan::verify::VerifyError;
use crate::predict::unknowns::KINDS;
use crate::render::Run;
use crate::scene::{Edit, OpenScene, Scene};
use crate::shoot::ShootError;
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
    let Ok(open) = opened(&source, &edits) else { return Ok(ExitCode::from(REFUSED)) };
    let pictures = PictureFiles::in_folder(&source.folder);
    let base = Base { open: &open, scene: &scene, pictures: &pictures };
    let run = Run { cancel: stop_on_ctrl_c()?, ..Run::default() };
    let advice = match advise(&base, &run) {
        Ok(advice) => advice,
        Err(error) if is_stop(&error) => {
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

/// A scene's file as advice needs it. `Err` holds how many problems there were, all of them printed.
pub(super) fn opened(source: &SceneText, edits: &[Edit]) -> Result<OpenScene, usize> {
    OpenScene::read(&source.text, &source.name, edits).map_err(|p| check::refuse(&p, source))
}

/// Whether somebody stopped it.
pub(super) fn is_stop(error: &VerifyError) -> bool {
    matches!(error, VerifyError::Shoot(ShootError::Cancelled(_)))
}

fn words(scene: &Scene, advice: &Advice) -> String {
    let mut out = String::new();
    // Writing to a string does not fail, here and below.
    let _ = writeln!(out, "{}", scene.name);
    let _ = writeln!(out, "  now, at worst: {}", advice.present.words());
    if advice.present.is_clean() {
        let _ = writeln!(out, "  nothing needs to be changed");
        return out;
    }
    if advice.recommended.is_empty() {
        let _ = writeln!(out, "\nnothing within the limits makes it clean");
        if let Some((change, left)) = advice.best() {
            let _ = writeln!(out, "  what leaves least, alone: {}", change.words);
            let _ = writeln!(out, "    then: {}", left.words());
        }
    } else {
        let _ = writeln!(out, "\nmakes it clean; what costs the shot least comes first");
        for (i, found) in advice.recommended.iter().enumerate() {
            recommended(&mut out, i + 1, found);
        }
    }
    let (helps, hardly) = advice.not_enough();
    if !helps.is_empty() || !hardly.is_empty() {
        let _ = writeln!(out, "\nnot enough alone; what the best of each leaves");
    }
    for line in helps {
        let _ = writeln!(out, "  {line}");
    }
    if !hardly.is_empty() {
        let _ = writeln!(out, "  more than half is left by: {}", hardly.join(", "));
    }
    let beyond = advice.beyond();
    if !beyond.is_empty() {
        let _ = writeln!(out, "\nbeyond the limits");
        for line in beyond {
            let _ = writeln!(out, "  {line}");
        }
    }
    let _ = writeln!(out, "\nlooked at");
    for line in advice.looked_at(scene) {
        let _ = writeln!(out, "  {line}");
    }
    out
}

fn recommended(out: &mut String, number_of: usize, found: &Recommended) {
    let _ = writeln!(out, "  {number_of}. {}", found.what());
    let _ = writeln!(out, "     takes: {}", found.takes());
    let sets: Vec<String> = found.sets().iter().map(|s| format!("--set {}", quoted(s))).collect();
    let _ = writeln!(out, "     set: {}", sets.join(" "));
    let _ = writeln!(out, "     {}", found.then());
}

/// For a shell.
fn quoted(text: &str) -> String {
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || "_.=-/,[]".contains(c));
    if plain && !text.contains('[') { text.into() } else { format!("'{text}'") }
}
