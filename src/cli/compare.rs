//! `gridbeat compare SCENE --variant NAME: KEY=VALUE`: named variants of a scene side by side, as a contact sheet, a table and data.

mod card;
mod frames;
mod numbers;
mod words;

use super::render::Crop;
use super::render::progress::{Progress, stop_on_ctrl_c};
use super::{FAILED, REFUSED, STOPPED, check, unknowns};
use crate::develop::{ColourSpace, DeliveryTransfer};
use crate::diag::{self, Diagnostic};
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::output::{self, Coding, Depth, JsonSidecar, Notes, PngPicture, Text, Waiting};
use crate::plan::compare::{Row, order, verdicts, worst_seen};
use crate::plan::price::Price;
use crate::plan::sheet;
use crate::plan::variants::{self, Given, Variant};
use crate::predict::{Settings, predict};
use crate::scene::{Edit, Scene, parse_variant};
use crate::shoot::ShootError;
use anyhow::anyhow;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Examples:
  gridbeat compare scenes/01-moire.yaml \\
      --variant 'low-pass: filters.low_pass=standard' \\
      --variant 'defocus: lens.focus={distance_m: 1.4}' \\
      --variant 'step back: placement.distance_m=5; lens.focal_mm=31'
  gridbeat compare scenes/20-four-ways.yaml --variants scenes/20-four-ways.variants.yml

A file of variants:
  variants:
    - name: low-pass
      set: {filters.low_pass: standard}
      price_per_day: 40          # in any money; may be left out, as may the note
      note: sits in the camera all day

The scene as it is comes first, as 'bare'; then the others: flicker first, worst first. Verdicts are
predicted, at worst within the scene's tolerances and as planned. Measured is the rendered frame
against its ideal, around the part shown at 1:1. 'Clean' speaks of pictures, not of people: flicker can trigger seizures
in photosensitive people. Take a test shot with this wall and this camera mode before the day.";

/// Arguments of `gridbeat compare`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,

    /// A variant: its name and the keys that differ, cut by ';'. May be given several times; one name twice is one variant
    #[arg(long, value_name = "NAME: KEY=VALUE; …")]
    pub variant: Vec<Given>,

    /// A file of variants (YAML), each with a name, the keys to set, a price a day and a note
    #[arg(long, value_name = "FILE")]
    pub variants: Option<PathBuf>,

    /// Set a key of the scene for all variants, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,

    /// Numbers for values that are not known; the same for all variants
    #[command(flatten)]
    pub choice: unknowns::Choosing,

    /// Render this frame of each
    #[arg(long, value_name = "N", default_value_t = 0,
          value_parser = clap::value_parser!(u32).range(..=999_999))]
    pub frame: u32,

    /// Show this part of the delivered picture at 1:1 [default: 640 by 400 pixels around the bare scene's worst artefact]
    #[arg(long, value_name = "X,Y,WIDTH,HEIGHT")]
    pub crop: Option<Crop>,

    /// Measure the whole frame of each, not the quarter of it around the crop: takes longer
    #[arg(long)]
    pub whole: bool,

    /// Folder for the sheet, the table and the data; made if need be [default: out/ and the scene's name]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// Replace files that are there already
    #[arg(long)]
    pub overwrite: bool,

    /// Processor threads to use; the files are the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,

    /// Print problems and notes only: no progress, no summary
    #[arg(long, short)]
    pub quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Some(threads) = args.threads else { return compare(args) };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(threads))
        .build()
        .map_err(|e| anyhow!("cannot start {threads} threads ({e}); try fewer with --threads"))?;
    pool.install(|| compare(args))
}

fn compare(args: &Args) -> anyhow::Result<ExitCode> {
    let source = scene_text(&args.scene)?;
    let file = args.variants.as_deref().map(scene_text).transpose()?;
    let read = match &file {
        None => Vec::new(),
        Some(file) => match variants::of_file(&file.text) {
            Ok(read) => read,
            Err(problems) => {
                check::refuse(&problems, file);
                return Ok(ExitCode::from(REFUSED));
            }
        },
    };
    let all = match variants::all(read, &args.variant) {
        Ok(all) => all,
        Err(why) => {
            let _ = writeln!(std::io::stderr(), "error: {why}");
            return Ok(ExitCode::from(FAILED));
        }
    };
    let Ok((_, edits)) = unknowns::settle(&source, &args.set, args.choice) else {
        return Ok(ExitCode::from(REFUSED));
    };
    let Ok(bare) = check::checked(&source, &edits) else {
        return Ok(ExitCode::from(REFUSED));
    };
    let Some(scenes) = scenes((&source, &edits), file.as_ref(), bare, &all) else {
        return Ok(ExitCode::from(REFUSED));
    };
    let folder = args.out.clone().unwrap_or_else(|| Path::new("out").join(&source.name));
    let files = ["png", "csv", "json"]
        .map(|ending| folder.join(format!("{}_compare.{ending}", source.name)));
    for file in &files {
        output::check_free(file, args.overwrite)?;
    }
    let shooting = frames::Shooting::new(args, &all, &scenes)?;
    output::prepare_folder(&folder)?;
    let (mut rows, cards) = match go_through(args, &shooting, all) {
        Ok(made) => made,
        Err(error) if is_stop(&error) => {
            let _ = writeln!(std::io::stderr(), "stopped: nothing was written");
            return Ok(ExitCode::from(STOPPED));
        }
        Err(error) => return Err(error),
    };
    order(&mut rows);
    let about = words::About { name: &source.name, frame: args.frame, scene: &scenes[0] };
    let cards: Vec<sheet::Card> =
        rows.iter().map(|row| card::card(&about, row, &rows[0], &cards[row.given])).collect();
    let picture = sheet::draw(&cards, &about.title(rows.len()), &about.foot());
    write(args, &files, &picture, &about, &rows)?;
    if !args.quiet {
        let mut out = std::io::stdout().lock();
        out.write_all(words::words(&about, &rows).as_bytes())?;
        for file in &files {
            writeln!(out, "wrote {}", file.display())?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Together, or none.
fn write(
    args: &Args,
    [png, csv, json]: &[PathBuf; 3],
    picture: &crate::frame::Picture,
    about: &words::About<'_>,
    rows: &[Row],
) -> anyhow::Result<()> {
    let notes = Notes::new(about.name).with("Shows", "variants of a scene, side by side");
    let coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };
    let picture = PngPicture { picture, depth: Depth::Eight, coding, notes: &notes };
    let all = [
        Waiting::new(png, args.overwrite, &picture)?,
        Waiting::new(csv, args.overwrite, &Text(&numbers::table(rows)))?,
        Waiting::new(json, args.overwrite, &JsonSidecar { value: &numbers::data(about, rows) })?,
    ];
    for waiting in all {
        waiting.keep()?;
    }
    Ok(())
}

fn is_stop(error: &anyhow::Error) -> bool {
    matches!(error.downcast_ref::<ShootError>(), Some(ShootError::Cancelled(_)))
}

/// Predicts, renders and measures every variant; what was rendered comes in the order given.
fn go_through(
    args: &Args,
    shooting: &frames::Shooting<'_>,
    variants: Vec<Variant>,
) -> anyhow::Result<(Vec<Row>, Vec<frames::Shown>)> {
    let mut progress = Progress::new(2 * variants.len(), args.quiet, stop_on_ctrl_c()?);
    let (mut rows, mut shown) = (Vec::new(), Vec::new());
    let mut kept = frames::Kept::default();
    for (given, variant) in variants.into_iter().enumerate() {
        let scene = shooting.scene(given);
        let found = predict(scene, &Settings::full());
        let worst = worst_seen(&found);
        let as_bare = given > 0 && variant.is_developed_from_bare();
        let (picture, measured) =
            shooting.shoot((given, as_bare), worst.as_ref(), &mut kept, &mut progress)?;
        shown.push(picture);
        rows.push(Row {
            given,
            verdicts: verdicts(&found),
            worst,
            price: Price::of(&scene.at_frame(args.frame)),
            measured,
            variant,
        });
    }
    Ok((rows, shown))
}

/// The scenes of all variants, or what stands against them, printed.
fn scenes(
    (source, edits): (&SceneText, &[Edit]),
    file: Option<&SceneText>,
    bare: Scene,
    variants: &[Variant],
) -> Option<Vec<Scene>> {
    let pictures = PictureFiles::in_folder(&source.folder);
    let summaries: Vec<String> = bare.notes.iter().map(diag::summary).collect();
    let mut scenes = vec![bare];
    let mut count = 0;
    for variant in &variants[1..] {
        let made = parse_variant(
            &source.text,
            &source.name,
            (edits, &variant.edits),
            &pictures,
            &scenes[0],
        );
        match made {
            Ok(scene) => {
                // What was noted of the scene as it is need not be said again.
                let new = scene.notes.iter().filter(|n| !summaries.contains(&diag::summary(n)));
                let new: Vec<Diagnostic> = new.cloned().collect();
                tell(&new, variant, source, file);
                scenes.push(scene);
            }
            Err(problems) => {
                count += problems.len();
                tell(&problems, variant, source, file);
            }
        }
    }
    if count == 0 {
        return Some(scenes);
    }
    let words = if count == 1 { "1 problem".into() } else { format!("{count} problems") };
    eprintln!("{}: {words} in its variants", source.file);
    None
}

/// Prints what is to be said of a variant, each with the file that it stands in.
fn tell(problems: &[Diagnostic], variant: &Variant, source: &SceneText, file: Option<&SceneText>) {
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    for problem in problems {
        let (mut problem, is_of_file) = variant.told(problem.clone());
        problem.key = match problem.key.as_str() {
            "" => format!("variant '{}'", variant.name),
            key => format!("variant '{}': {key}", variant.name),
        };
        let text = file.filter(|_| is_of_file).unwrap_or(source);
        eprint!("{}", diag::render(&[problem], &text.file, &text.text, colour));
    }
}
