//! `gridbeat report SCENE`: everything that is known of a set-up before the shoot, as one HTML file, with a card for the set.

mod pictures;

use super::render::progress::{Progress, stop_on_ctrl_c};
use super::{REFUSED, STOPPED, advise, check, unknowns};
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::output::{self, Text};
use crate::plan::advise::advise as look_for_changes;
use crate::plan::remedies::Base;
use crate::plan::report::{self, Chapter, Extra, Source};
use crate::predict::unknowns::{Unknowns, unknowns as look_through};
use crate::render::Run;
use crate::scene::{Edit, OpenScene, Understood};
use crate::shoot::ShootError;
use anyhow::{Context, anyhow, bail};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Examples:
  gridbeat report scenes/06-clean-shutter.yaml
  gridbeat report scenes/05-scan-bands.yaml scenes/06-clean-shutter.yaml --out plan.html
  gridbeat report scenes/01-moire.yaml --advise

One file, for any browser: drawings, predicted pictures, verdicts, shutters, light, questions, cautions, and a page of its own, the card for
the set. It needs no network and no scripts, and prints on A4 and Letter. With several scenes, a chapter each.

Values that a scene gives as a range, [low, high], or as unknown: whom to ask, and the rest at the worst point that was found.

Exit code 0 whatever the verdict";

/// Arguments of `gridbeat report`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene files (YAML), a chapter each
    #[arg(required = true, value_name = "SCENE")]
    pub scenes: Vec<PathBuf>,

    /// Set a key of every scene, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,

    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,

    /// The file [default: out/NAME/NAME_report.html, with the first scene's name]
    #[arg(long, value_name = "FILE.html")]
    pub out: Option<PathBuf>,

    /// Render nothing: the report comes without predicted frames
    #[arg(long)]
    pub without_pictures: bool,

    /// Look for what to change where a scene is not clean, as `gridbeat advise` does, and tell it: a section, and a line on the card.
    /// What is told has been rendered and measured, which takes up to some minutes a scene
    #[arg(long)]
    pub advise: bool,

    /// Replace the file if it is there already
    #[arg(long)]
    pub overwrite: bool,

    /// Processor threads to use; the file is the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print problems and notes only: no progress, no summary
    #[arg(long, short)]
    pub quiet: bool,
}

/// A scene that is ready to be worked out.
struct Ready {
    source: SceneText,
    edits: Vec<Edit>,
    understood: Understood,
    questions: Option<(OpenScene, Unknowns)>,
    taken: Vec<String>,
    /// For advice, where it is asked for.
    open: Option<OpenScene>,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Some(threads) = args.threads else { return report(args) };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(threads))
        .build()
        .map_err(|e| anyhow!("cannot start {threads} threads ({e}); try fewer with --threads"))?;
    pool.install(|| report(args))
}

/// Reads a scene and settles what is not known. `Err` holds how many problems there were, all of them printed.
fn ready(args: &Args, source: SceneText) -> Result<Ready, usize> {
    let open = unknowns::open(&source, &args.set).filter(|_| args.choice.unknowns.is_none());
    let (edits, questions, taken) = match open {
        None => {
            let (chosen, edits) = unknowns::settle(&source, &args.set, args.choice)?;
            (edits, None, chosen.lines())
        }
        Some(open) => {
            let pictures = PictureFiles::in_folder(&source.folder);
            let found = look_through(&open, &pictures).map_err(|p| check::refuse(&p, &source))?;
            let worst = found.point(true);
            let line = |(value, number): (&crate::scene::OpenValue, &f64)| {
                let (number, range) = (value.words(*number), value.range_words());
                format!("{}: taken as {number}, the worst of {range}", value.key)
            };
            let taken = open.values.iter().zip(worst).map(line).collect();
            let edits = args.set.iter().cloned().chain(open.edits(worst)).collect();
            (edits, Some((open, found)), taken)
        }
    };
    let understood = check::understood(&source, &edits)?;
    let open = match args.advise {
        true => Some(advise::opened(&source, &edits)?),
        false => None,
    };
    Ok(Ready { source, edits, understood, questions, taken, open })
}

fn report(args: &Args) -> anyhow::Result<ExitCode> {
    let mut sources = Vec::new();
    let mut names = BTreeSet::new();
    for path in &args.scenes {
        let source = scene_text(path)?;
        if !names.insert(source.name.clone()) {
            bail!("two scenes are called '{}'; give each file a name of its own", source.name);
        }
        sources.push(source);
    }
    let file = args.out.clone().unwrap_or_else(|| {
        let name = sources.first().map_or("report", |s| s.name.as_str());
        Path::new("out").join(name).join(format!("{name}_report.html"))
    });
    output::check_free(&file, args.overwrite)?;
    // Every scene is read before the first is worked out, so that all problems come at once.
    let all: Vec<Result<Ready, usize>> = sources.into_iter().map(|s| ready(args, s)).collect();
    let Ok(all) = all.into_iter().collect::<Result<Vec<_>, _>>() else {
        return Ok(ExitCode::from(REFUSED));
    };
    let folder = file.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    output::prepare_folder(folder)?;
    let renders = if args.without_pictures { 0 } else { pictures::RENDERS };
    let steps = 1 + renders + usize::from(args.advise);
    let mut progress = Progress::new(all.len() * steps, args.quiet, stop_on_ctrl_c()?);
    let mut chapters = Vec::new();
    for Ready { source, edits, understood, questions, taken, open } in all {
        let shown = if args.without_pictures {
            Vec::new()
        } else {
            match pictures::of(&understood.scene, &mut progress) {
                Ok(shown) => shown,
                Err(error) if is_stop(&error) => return Ok(stopped(progress)),
                Err(error) => {
                    return Err(error).with_context(|| {
                        format!("{}: no picture; --without-pictures leaves them out", source.file)
                    });
                }
            }
        };
        let files = PictureFiles::in_folder(&source.folder);
        let mut advice = None;
        if let Some(open) = &open {
            let base = Base { open, scene: &understood.scene, pictures: &files };
            // Many small renders: none of them is a share of the whole.
            let run = progress.run(format!("{}: what to change", source.name));
            match look_for_changes(&base, &Run { progress: None, ..run }) {
                Ok(found) => advice = Some(found),
                Err(error) if advise::is_stop(&error) => return Ok(stopped(progress)),
                Err(error) => {
                    return Err(anyhow::Error::new(error).context(format!(
                        "{}: no advice; without --advise the report is written",
                        source.file
                    )));
                }
            }
            progress.next();
        }
        let _ = progress.run(format!("{}: answers", source.name));
        let from =
            Source { text: &source.text, name: &source.name, edits: &edits, pictures: &files };
        let extra = Extra { questions, taken, shown, advice };
        chapters.push(Chapter::new(&from, &understood, extra));
        progress.next();
        if progress.is_stopped() {
            return Ok(stopped(progress));
        }
    }
    drop(progress);
    output::write(&file, args.overwrite, &Text(&report::html(&chapters)))?;
    if !args.quiet {
        writeln!(std::io::stdout().lock(), "wrote {}", file.display())?;
    }
    Ok(ExitCode::SUCCESS)
}

fn is_stop(error: &anyhow::Error) -> bool {
    matches!(error.downcast_ref(), Some(ShootError::Cancelled(_)))
}

fn stopped(progress: Progress) -> ExitCode {
    drop(progress);
    eprintln!("stopped: nothing was written");
    ExitCode::from(STOPPED)
}
