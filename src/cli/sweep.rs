//! `gridbeat sweep SCENE --vary KEY=FROM..TO`: one or two keys over their ranges, as a map, a table and data.

mod journal;

use super::render::progress::{Progress, stop_on_ctrl_c};
use super::{REFUSED, STOPPED, check, unknowns};
use crate::artefact::Degree;
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::output::{self, JsonSidecar, Text, Waiting};
use crate::plan::map;
use crate::plan::sweep::{Axis, Cell, Sweep, Vary};
use crate::predict::unknowns::KINDS;
use crate::scene::{Edit, Scene};
use crate::units;
use anyhow::{anyhow, bail};
use journal::Journal;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Usual maps:
  distance and focal length     --vary placement.distance_m=2..8 --vary lens.focal_mm=18..85
  shutter alone                 --vary camera.shutter_angle_deg=10..360
  shutter and frame rate        --vary camera.shutter_speed=1/500..1/25
                                --vary camera.frame_rate_fps=23.976..60
  focus and aperture            --vary lens.focus.distance_m=1..6 --vary lens.f_number=1.4..11
  pan and roll                  --vary placement.pan_deg=-40..40 --vary placement.roll_deg=-15..15
  level on the wall, shutter    --vary content.solid.light_percent=1..100:60:log
                                --vary camera.shutter_speed=1/500..1/25

The first key goes to the right, the second upwards. Every point is predicted, at worst within the
scene's tolerances. Between the points nothing is looked at: take more steps where bands are fine.
A sweep that was stopped goes on where it was when it is started again in the same way.";

/// Arguments of `gridbeat sweep`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,

    /// A key and its range; once or twice. STEPS values are looked at [default: 201, or 61 by 61]; with :log in even ratios
    #[arg(long, value_name = "KEY=FROM..TO[:STEPS][:log]", required = true)]
    pub vary: Vec<Vary>,

    /// Set a key of the scene, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,

    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,

    /// Folder for the map, the table and the data; made if need be [default: out/ and the scene's name]
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
    if args.vary.len() > 2 {
        bail!("--vary was given {} times; a sweep varies one key or two", args.vary.len());
    }
    if let [a, b] = args.vary.as_slice()
        && a.key == b.key
    {
        bail!("--vary names '{}' twice; vary two different keys, or one", a.key);
    }
    let source = scene_text(&args.scene)?;
    let Ok(edits) = edits(args, &source) else {
        return Ok(ExitCode::from(REFUSED));
    };
    let sweep = match Sweep::new(&source.text, &source.name, &edits, &args.vary) {
        Ok(sweep) => sweep,
        Err(problems) => {
            check::refuse(&problems, &source);
            return Ok(ExitCode::from(REFUSED));
        }
    };
    let pictures = PictureFiles::in_folder(&source.folder);
    let shown = sweep.shown(&pictures);
    let Some(shown) = shown else {
        // Every point is refused: why, in the words of the middle one.
        let (column, row) = (sweep.columns() / 2, sweep.rows() / 2);
        if let Err(problems) = sweep.scene(column, row, &pictures) {
            check::refuse(&problems, &source);
        }
        return Ok(ExitCode::from(REFUSED));
    };
    let folder = args.out.clone().unwrap_or_else(|| Path::new("out").join(&source.name));
    output::prepare_folder(&folder)?;
    let file = |ending: &str| folder.join(format!("{}_sweep.{ending}", source.name));
    let asked = json!({
        "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
        "scene": source.text, "edits": edits.iter().map(|e| [&e.key, &e.value]).collect::<Vec<_>>(),
        "axes": sweep.axes.iter().map(|a| json!([a.value.key, a.steps])).collect::<Vec<_>>(),
    });
    let mut journal =
        Journal::open(&folder, &source.name, &asked, [sweep.columns(), sweep.rows()])?;
    // With all rows at hand it was stopped while its files took their places: those that are there are its own.
    let overwrite = args.overwrite || journal.rows().len() == sweep.rows();
    let free = ["svg", "csv", "json"].map(|ending| output::check_free(&file(ending), overwrite));
    if let Some(taken) = free.into_iter().find_map(Result::err) {
        if journal.rows().is_empty() {
            journal.remove()?;
        }
        return Err(taken.into());
    }
    if !go_through(args, &sweep, (&pictures, &shown), &mut journal)? {
        return Ok(ExitCode::from(STOPPED));
    }
    let cells = journal.rows();
    let foot = foot(&shown);
    let svg = map::draw(&sweep, cells, &foot);
    let data = data(&source, &sweep, cells);
    let table = table(&sweep, cells);
    // Together, or none.
    let all = [
        Waiting::new(&file("svg"), overwrite, &Text(&svg))?,
        Waiting::new(&file("csv"), overwrite, &Text(&table))?,
        Waiting::new(&file("json"), overwrite, &JsonSidecar { value: &data })?,
    ];
    for waiting in all {
        waiting.keep()?;
    }
    let words = words(&sweep, cells);
    journal.remove()?;
    if !args.quiet {
        let mut out = std::io::stdout().lock();
        out.write_all(words.as_bytes())?;
        for ending in ["svg", "csv", "json"] {
            writeln!(out, "wrote {}", file(ending).display())?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Judges the rows that the journal does not have; false when Ctrl-C came first.
fn go_through(
    args: &Args,
    sweep: &Sweep,
    (pictures, shown): (&PictureFiles, &Scene),
    journal: &mut Journal,
) -> anyhow::Result<bool> {
    let pool =
        match args.threads {
            None => None,
            Some(n) => {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(usize::from(n)).build();
                Some(pool.map_err(|e| {
                    anyhow!("cannot start {n} threads ({e}); try fewer with --threads")
                })?)
            }
        };
    let mut progress = Progress::new(sweep.rows(), args.quiet, stop_on_ctrl_c()?);
    for _ in 0..journal.rows().len() {
        progress.next();
    }
    for row in journal.rows().len()..sweep.rows() {
        if progress.is_stopped() {
            drop(progress);
            eprintln!(
                "stopped after {row} of {} rows; the same command goes on from there",
                sweep.rows()
            );
            return Ok(false);
        }
        // The bar says how long it will take; rows are quick, so that nothing more is asked of it.
        let _ = progress.run(format!("row {} of {}", row + 1, sweep.rows()));
        let cells = match &pool {
            None => sweep.row(row, pictures, Some(shown)),
            Some(pool) => pool.install(|| sweep.row(row, pictures, Some(shown))),
        };
        journal.add(cells)?;
        progress.next();
    }
    Ok(true)
}

/// The edits of the command line, and numbers for what is not known; keys that are varied count as known.
fn edits(args: &Args, source: &SceneText) -> Result<Vec<Edit>, usize> {
    let varied = args.vary.iter().map(|v| Edit { key: v.key.clone(), value: v.from.clone() });
    let all: Vec<Edit> = args.set.iter().cloned().chain(varied).collect();
    unknowns::settle(source, &all, args.choice).map(|(_, edits)| edits)
}

/// What a drawing rests on.
fn foot(scene: &Scene) -> Vec<String> {
    let t = &scene.tolerances;
    vec![
        format!(
            "predicted; distance off by up to {}, focal length by {}, turns by {}, readout by {}",
            units::percent(t.distance),
            units::percent(t.focal),
            units::angle(t.turn_rad),
            units::percent(t.readout)
        ),
        format!(
            "watched from {} picture heights at {} cd/m²; levels of 1 to 100 % on the wall; the first delivery",
            units::number(scene.viewing.distance_heights),
            units::number(scene.viewing.white_nits)
        ),
    ]
}

fn degree_key(degree: Option<Degree>) -> &'static str {
    match degree {
        None => "no_scene",
        Some(Degree::Clean) => "clean",
        Some(Degree::Noticeable) => "noticeable",
        Some(Degree::Spoils) => "spoils",
        Some(Degree::CannotSay) => "cannot_say",
    }
}

/// Everything, for programs.
fn data(source: &SceneText, sweep: &Sweep, cells: &[Vec<Cell>]) -> Value {
    let axis = |axis: &Axis| {
        json!({
            "key": axis.value.key, "help": axis.value.help, "unit": axis.value.unit, "values": axis.steps,
        })
    };
    let cell = |cell: &Cell| match cell {
        Cell::Refused(why) => json!({ "verdict": degree_key(None), "why": why }),
        Cell::Judged { planned, worst, .. } => json!({
            "verdict": degree_key(cell.worst()),
            "worst": cell.worst_kind().map(|k| KINDS[k]),
            "by_kind": KINDS.iter().enumerate().map(|(k, kind)| json!({
                "kind": kind,
                "verdict": degree_key(cell.degree(k)),
                "times_threshold_at_worst": worst[k],
                "times_threshold_as_planned": planned[k],
            })).collect::<Vec<_>>(),
        }),
    };
    let rows: Vec<Value> =
        cells.iter().map(|row| row.iter().map(cell).collect::<Vec<_>>().into()).collect();
    json!({
        "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
        "scene": source.name,
        "axes": sweep.axes.iter().map(axis).collect::<Vec<_>>(),
        "rows": rows,
    })
}

/// Text for a table of commas.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.into()
    }
}

/// A line a point, for spreadsheets.
fn table(sweep: &Sweep, cells: &[Vec<Cell>]) -> String {
    let mut out = String::new();
    for axis in &sweep.axes {
        let unit = if axis.value.unit.is_empty() {
            String::new()
        } else {
            format!(" ({})", axis.value.unit)
        };
        out.push_str(&quoted(&format!("{}{unit}", axis.value.key)));
        out.push(',');
    }
    out.push_str("verdict");
    for how in ["at worst", "as planned"] {
        for kind in KINDS {
            // Writing to a string does not fail, here and below.
            let _ = write!(out, ",\"{}, times threshold, {how}\"", kind.words());
        }
    }
    out.push_str(",why not\n");
    for (row, line) in cells.iter().enumerate() {
        for (column, cell) in line.iter().enumerate() {
            for (axis, step) in sweep.axes.iter().zip([column, row]) {
                let _ = write!(out, "{},", axis.steps[step]);
            }
            out.push_str(cell.worst().map_or("cannot be set up", Degree::words));
            match cell {
                Cell::Judged { planned, worst, .. } => {
                    for multiple in worst.iter().chain(planned) {
                        let _ = write!(out, ",{multiple}");
                    }
                    out.push_str(",\n");
                }
                Cell::Refused(why) => {
                    let _ = writeln!(out, ",,,,,,,,,{}", quoted(why));
                }
            }
        }
    }
    out
}

/// The answer in some lines.
fn words(sweep: &Sweep, cells: &[Vec<Cell>]) -> String {
    let mut out = String::new();
    let all: Vec<&Cell> = cells.iter().flatten().collect();
    let _ = writeln!(out, "{} points: {}", all.len(), map::share_clean(cells));
    for (kind, which) in KINDS.iter().enumerate() {
        let of = |degree| all.iter().filter(|c| c.degree(kind) == Some(degree)).count();
        let share = |n: usize| map::whole_percent(n as f64 / all.len().max(1) as f64);
        let (noticeable, spoils) = (of(Degree::Noticeable), of(Degree::Spoils));
        let mut parts = Vec::new();
        if noticeable > 0 {
            parts.push(format!("noticeable in {} of it", share(noticeable)));
        }
        if spoils > 0 {
            parts.push(format!("spoils {} of it", share(spoils)));
        }
        if !parts.is_empty() {
            let _ = writeln!(out, "  {}: {}", which.words(), parts.join(", "));
        }
    }
    if sweep.axes.len() == 1 {
        let axis = &sweep.axes[0];
        let row = &cells[0];
        let clean = |i: usize| row[i].worst() == Some(Degree::Clean);
        let mut zones = Vec::new();
        let mut i = 0;
        while i < row.len() {
            let start = i;
            while i < row.len() && clean(i) {
                i += 1;
            }
            if i > start {
                let (from, to) =
                    (axis.value.words(axis.steps[start]), axis.value.words(axis.steps[i - 1]));
                zones.push(if from == to { from } else { format!("{from} to {to}") });
            }
            i += 1;
        }
        if !zones.is_empty() {
            let more = zones.len().saturating_sub(12);
            zones.truncate(12);
            let more = if more > 0 { format!("; and {more} more") } else { String::new() };
            let _ = writeln!(out, "clean at {}: {}{more}", axis.value.key, zones.join("; "));
        }
    }
    let refused: Vec<&String> = all
        .iter()
        .filter_map(|c| match c {
            Cell::Refused(why) => Some(why),
            Cell::Judged { .. } => None,
        })
        .collect();
    if let Some(why) = refused.first() {
        let _ = writeln!(out, "{} points cannot be set up, such as: {why}", refused.len());
    }
    out
}
