//! `gridbeat check SCENE`: all problems and notes, and the scene as understood.

use super::unknowns::{self, Chosen};
use crate::diag::{self, Diagnostic};
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::scene::{self, Edit, Scene, Understood, resolved};
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `gridbeat check`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,
    /// Set a key before checking, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,
    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,
    /// Print problems and notes only, not the scene as understood
    #[arg(long)]
    pub brief: bool,
    /// Print the whole scene as understood: every key, its value, and where that comes from (the file, a preset, the
    /// default). What is printed is a scene file itself
    #[arg(long, conflicts_with = "brief")]
    pub as_understood: bool,
    /// Print the same and every number that follows from it as JSON, for programs
    #[arg(long, conflicts_with_all = ["brief", "as_understood"])]
    pub json: bool,
}

/// Reads and checks a scene, printing problems and notes to standard error.
///
/// `Err` when the file cannot be read; `Ok(Err(count))` when the scene is refused, its problems
/// printed. Other commands start with this too, so that they all speak alike.
pub fn load(path: &std::path::Path, edits: &[Edit]) -> anyhow::Result<Result<Scene, usize>> {
    Ok(checked(&scene_text(path)?, edits))
}

/// [`load`] of a scene whose text is there already.
pub fn checked(source: &SceneText, edits: &[Edit]) -> Result<Scene, usize> {
    understood(source, edits).map(|understood| understood.scene)
}

/// [`checked`], and where every value came from.
pub fn understood(source: &SceneText, edits: &[Edit]) -> Result<Understood, usize> {
    let pictures = PictureFiles::in_folder(&source.folder);
    match scene::understood(&source.text, &source.name, edits, &pictures) {
        Ok(understood) => {
            print(&understood.scene.notes, source);
            Ok(understood)
        }
        Err(problems) => Err(refuse(&problems, source)),
    }
}

/// Prints what stands against a scene; returns how much that is.
pub(super) fn refuse(problems: &[Diagnostic], source: &SceneText) -> usize {
    print(problems, source);
    let count = problems.len();
    let words = if count == 1 { "1 problem".into() } else { format!("{count} problems") };
    eprintln!("{}: {words}", source.file);
    count
}

/// [`load`] with a choice for values that are not known.
pub(super) fn load_chosen(
    path: &std::path::Path,
    edits: &[Edit],
    choice: unknowns::Choosing,
) -> anyhow::Result<Result<(Scene, Chosen), usize>> {
    let source = scene_text(path)?;
    Ok(unknowns::settle(&source, edits, choice)
        .and_then(|(chosen, edits)| checked(&source, &edits).map(|scene| (scene, chosen))))
}

fn print(diagnostics: &[Diagnostic], source: &SceneText) {
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    eprint!("{}", diag::render(diagnostics, &source.file, &source.text, colour));
}

/// Runs the command. Exit code 0 for a scene that can be rendered, 1 for one that is refused.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let source = scene_text(&args.scene)?;
    let settled = unknowns::settle(&source, &args.set, args.choice);
    let Ok((understood, chosen)) =
        settled.and_then(|(chosen, edits)| Ok((understood(&source, &edits)?, chosen)))
    else {
        return Ok(ExitCode::from(1));
    };
    let scene = &understood.scene;
    let mut out = std::io::stdout().lock();
    if args.as_understood {
        out.write_all(understood.as_yaml().as_bytes())?;
        return Ok(ExitCode::SUCCESS);
    }
    if args.json {
        let all = serde_json::json!({
            "name": scene.name,
            "inputs": understood.as_json(),
            "resolved": resolved(scene),
            "derived": scene::derived::derived(scene),
            "unknowns": chosen.as_json(),
            "notes": scene.notes.iter().map(diag::summary).collect::<Vec<_>>(),
        });
        serde_json::to_writer_pretty(&mut out, &all)?;
        writeln!(out)?;
        return Ok(ExitCode::SUCCESS);
    }
    if !args.brief {
        out.write_all(scene::describe(scene).as_bytes())?;
        let presets = understood.from_presets();
        if !presets.is_empty() {
            writeln!(out, "presets (typical values, not a product)")?;
        }
        for line in presets {
            writeln!(out, "  {line}")?;
        }
        if chosen.choice.is_some() {
            writeln!(out, "not known")?;
        }
        for line in chosen.lines() {
            writeln!(out, "  {line}")?;
        }
    }
    let notes = match scene.notes.len() {
        0 => "no notes".into(),
        1 => "1 note".into(),
        n => format!("{n} notes"),
    };
    writeln!(out, "{}: fine, {notes}", scene.name)?;
    Ok(ExitCode::SUCCESS)
}
