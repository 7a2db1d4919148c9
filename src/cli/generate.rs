//! `gridbeat generate RECIPE`: labelled captures by the thousand, for software that finds, measures or removes artefacts.

mod card;
mod folder;
mod job;
mod shard;

use super::render::progress::{Progress, stop_on_ctrl_c};
use super::{REFUSED, STOPPED, check};
use crate::generate::{Drawing, Recipe, SampleError, sample};
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::render::Run;
use crate::shoot::ShootError;
use anyhow::{Context, anyhow, bail};
use folder::Folder;
use shard::Shard;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// What stands below the options.
const AFTER_HELP: &str = "\
A sample is a folder: the frame as recorded, the same without lattice and drive (ideal) and with the
lattice alone, what lattice and drive add (moire, bands), masks, and truth.json. Sample number i
depends on the recipe and on i alone: the same bytes on any machine, with any number of threads, and
after any stop. A run that was stopped goes on when it is started again in the same way.

On many machines: give each --shard k/n and one folder that all of them see, then --join once. In a
Slurm job array the shard is taken from the array by itself. --print-job writes a job file to start from.";

/// Arguments of `gridbeat generate`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The recipe (YAML)
    #[arg(required_unless_present = "verify")]
    pub recipe: Option<PathBuf>,

    /// Folder for the samples; made if need be [default: out/ and the recipe's name]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// Make only every n-th sample, from the k-th on, and no manifest [default: all, or as a Slurm job array says]
    #[arg(long, value_name = "K/N")]
    pub shard: Option<Shard>,

    /// Number of shards, where the number of this one comes from the environment (JOB_COMPLETION_INDEX)
    #[arg(long, value_name = "N", conflicts_with = "shard", value_parser = clap::value_parser!(u64).range(1..))]
    pub shards: Option<u64>,

    /// Make nothing: join what shards have made to one manifest and data card
    #[arg(long, conflicts_with_all = ["shard", "shards", "verify"])]
    pub join: bool,

    /// Make nothing: check a folder against its manifest, every byte of it
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["recipe", "out", "shard", "shards"])]
    pub verify: Option<PathBuf>,

    /// Make nothing: print a job file for so many shards (--shards) to start from
    #[arg(long, value_name = "FOR", value_enum, requires = "shards", conflicts_with_all = ["join", "verify"])]
    pub print_job: Option<job::Scheduler>,

    /// Processor threads to use, each on a sample of its own; the files are the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print problems and notes only: no progress, no summary
    #[arg(long, short)]
    pub quiet: bool,
}

/// A recipe, read, with its scene.
struct Read {
    recipe: Recipe,
    source: SceneText,
    scene: SceneText,
}

/// Reads the recipe and its scene; `None` where they are refused, the problems printed.
fn read(path: &Path) -> anyhow::Result<Option<Read>> {
    let source = scene_text(path)?;
    let recipe = match Recipe::read(&source.text, &source.name) {
        Ok(recipe) => recipe,
        Err(problem) => {
            check::refuse(&[problem], &source);
            return Ok(None);
        }
    };
    let scene = scene_text(&source.folder.join(&recipe.scene)).with_context(|| {
        format!(
            "{}: `scene` names a file, from this recipe's folder, that cannot be had",
            source.file
        )
    })?;
    Ok(Some(Read { recipe, source, scene }))
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    all(args).map_err(super::in_full)
}

fn all(args: &Args) -> anyhow::Result<ExitCode> {
    if let Some(folder) = &args.verify {
        return folder::verify(folder, args.quiet);
    }
    let path = args.recipe.as_deref().ok_or_else(|| anyhow!("name a recipe"))?;
    let Some(read) = read(path)? else { return Ok(ExitCode::from(REFUSED)) };
    let out = args.out.clone().unwrap_or_else(|| Path::new("out").join(&read.recipe.name));
    if let (Some(scheduler), Some(shards)) = (args.print_job, args.shards) {
        print!("{}", job::file(scheduler, shards, path, &out));
        return Ok(ExitCode::SUCCESS);
    }
    let pictures = PictureFiles::in_folder(&read.scene.folder);
    let drawing = match Drawing::new(&read.recipe, &read.scene.text, &pictures) {
        Ok(drawing) => drawing,
        Err(problems) => {
            check::refuse(&problems, &read.scene);
            return Ok(ExitCode::from(REFUSED));
        }
    };
    let folder = Folder::open(&out, &read.recipe, &read.source.text, &read.scene.text)?;
    let shard = match (&args.shard, args.join) {
        (_, true) => None,
        (Some(shard), _) => Some(*shard),
        (None, _) => Shard::of_environment(args.shards, |name| std::env::var(name).ok())?,
    };
    if !args.join {
        if shard.is_none() {
            folder.sweep_up()?;
        }
        match make(args, &drawing, &folder, shard.unwrap_or(Shard::ALL))? {
            Made::All => {}
            Made::Stopped => return Ok(ExitCode::from(STOPPED)),
            Made::Impossible => return Ok(ExitCode::from(REFUSED)),
        }
    }
    if let Some(shard) = shard {
        if !args.quiet {
            println!("shard {shard} is complete; when all are, run the same with --join");
        }
        return Ok(ExitCode::SUCCESS);
    }
    folder.sweep_up()?;
    let summary = folder.join(&read.recipe)?;
    if !args.quiet {
        print!("{summary}");
    }
    Ok(ExitCode::SUCCESS)
}

/// How making samples ended.
enum Made {
    All,
    Stopped,
    /// Not one could be drawn.
    Impossible,
}

/// Makes the samples of a shard that are not there yet, each thread one at a time.
fn make(args: &Args, drawing: &Drawing<'_>, folder: &Folder, shard: Shard) -> anyhow::Result<Made> {
    let missing = folder.missing(shard.of(drawing.recipe.count));
    let stop = stop_on_ctrl_c()?;
    let all = missing.len();
    let progress = Mutex::new(Progress::new(all, args.quiet, stop.clone()));
    let threads = match args.threads {
        Some(threads) => usize::from(threads),
        None => std::thread::available_parallelism().map_or(1, usize::from),
    };
    let (next, skipped) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let failed: Mutex<Option<anyhow::Error>> = Mutex::new(None);
    let why: Mutex<Option<String>> = Mutex::new(None);
    let halt = Arc::new(AtomicBool::new(false));
    let work = || -> anyhow::Result<()> {
        // A pool of one: a sample that waits for a part of itself must not begin another, or memory would not be flat.
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .map_err(|e| anyhow!("cannot start a thread ({e}); try fewer with --threads"))?;
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            if stop.load(Ordering::Relaxed) || halt.load(Ordering::Relaxed) {
                return Ok(());
            }
            let Some(&number) = missing.get(at) else { return Ok(()) };
            let run = Run { cancel: stop.clone(), progress: None };
            match pool.install(|| one(drawing, folder, number, &run)) {
                Ok(None) => {}
                Ok(Some(reason)) => {
                    skipped.fetch_add(1, Ordering::Relaxed);
                    lock(&why).get_or_insert(reason);
                }
                Err(error) => {
                    let stopped = stop.load(Ordering::Relaxed);
                    return if stopped {
                        Ok(())
                    } else {
                        Err(error.context(format!("sample {number}")))
                    };
                }
            }
            lock(&progress).next();
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..threads.min(all.max(1)) {
            scope.spawn(|| {
                if let Err(error) = work() {
                    halt.store(true, Ordering::Relaxed);
                    lock(&failed).get_or_insert(error);
                }
            });
        }
    });
    drop(progress);
    if let Some(error) = failed.into_inner().unwrap_or_else(|e| e.into_inner()) {
        return Err(error);
    }
    if stop.load(Ordering::Relaxed) {
        let done = all - folder.missing(missing.iter().copied()).len();
        eprintln!("stopped after {done} of {all} samples; the same command goes on from there");
        return Ok(Made::Stopped);
    }
    let skipped = skipped.into_inner();
    if skipped > 0 {
        let why = why.into_inner().unwrap_or_else(|e| e.into_inner()).unwrap_or_default();
        eprintln!("note: {skipped} of {all} samples could not be drawn; of the first: {why}");
        if skipped == all {
            eprintln!(
                "no sample could be drawn: widen what varies, or the conditions, or raise `tries`"
            );
            return Ok(Made::Impossible);
        }
    }
    Ok(Made::All)
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(|e| e.into_inner())
}

/// Makes one sample; why not, where it could not be drawn.
fn one(
    drawing: &Drawing<'_>,
    folder: &Folder,
    number: u64,
    run: &Run,
) -> anyhow::Result<Option<String>> {
    let recipe = drawing.recipe;
    let drawn = match drawing.sample(number) {
        Ok(drawn) => drawn,
        Err(missed) => {
            let reason = missed.words();
            folder.skip(number, &reason)?;
            return Ok(Some(reason));
        }
    };
    let made = match sample(recipe, number, &drawn, run) {
        Ok(made) => made,
        Err(SampleError::Shoot(ShootError::Cancelled(stopped))) => return Err(stopped.into()),
        Err(error) => {
            let set: Vec<String> =
                drawn.edits.iter().map(|e| format!("{}={}", e.key, e.value)).collect();
            return Err(error).with_context(|| format!("drawn: {}", set.join(", ")));
        }
    };
    folder.add(recipe, &made, &drawn)?;
    Ok(None)
}

/// Refuses what a folder of samples cannot be.
fn not_of_this(out: &Path, what: &str) -> anyhow::Error {
    anyhow!(
        "{} holds samples of another {what}, which these cannot be mixed with: give another folder with --out, or move \
         that one away",
        out.display()
    )
}

/// A check that nothing is asked for twice.
fn check_is_folder(out: &Path) -> anyhow::Result<()> {
    if out.exists() && !out.is_dir() {
        bail!("{} is a file, not a folder; choose another with --out", out.display());
    }
    Ok(())
}
