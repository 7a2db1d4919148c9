//! `gridbeat shortlist KIT SHOTS`: every combination of a kit over every shot, ranked by what it costs.

use super::render::progress::stop_on_ctrl_c;
use super::{REFUSED, STOPPED, check};
use crate::diag::Diagnostic;
use crate::input::{PictureFiles, SceneText, scene_text};
use crate::plan::kit::{GROUPS, Item, Kit, read_shots};
use crate::plan::shortlist::{Left, Shortlist, Shot, shortlist};
use crate::scene::ContentPictures;
use crate::units::number;
use anyhow::anyhow;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::Ordering;

/// What stands below the options.
const AFTER_HELP: &str = "\
A kit file has lists of walls, cameras, lenses and, if there are any, filters and diffusers. Each has a name, a price_per_day (or
unknown), available: false if it is out, and what it sets in a scene. Specs that the sheet leaves out are written as unknown, or
as a range [low, high]. A shot list names a scene file, and the set-ups with what each sets there:

  walls:                                          scene: corridor.yaml
    - name: Compartment 1.95                      shots:
      price_per_day: 2100                           - name: Window, wide
      set: {wall.pixel_pitch_mm: 1.953}               set: {placement.distance_m: 4}

What a shot sets wins over the kit. A combination stays when it is clean in every shot, at worst within the scene's tolerances;
it stays with a question when that hangs on something that is not known.

Example:
  gridbeat shortlist scenes/21-carriage.kit.yml scenes/21-carriage.shots.yml";

/// Arguments of `gridbeat shortlist`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The kit file (YAML)
    pub kit: PathBuf,
    /// The shot list (YAML)
    pub shots: PathBuf,
    /// Combinations to print
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u16).range(1..=10_000))]
    pub top: u16,
    /// Print everything as JSON, for programs
    #[arg(long)]
    pub json: bool,
    /// Processor threads to use; the answer is the same for any number [default: all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Print problems only: no progress
    #[arg(long, short)]
    pub quiet: bool,
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

fn refused(problem: Diagnostic, source: &SceneText) -> ExitCode {
    check::refuse(&[problem], source);
    ExitCode::from(REFUSED)
}

fn answer(args: &Args) -> anyhow::Result<ExitCode> {
    let kit_source = scene_text(&args.kit)?;
    let kit = match Kit::read(&kit_source.text) {
        Ok(kit) => kit,
        Err(problem) => return Ok(refused(problem, &kit_source)),
    };
    let shots_source = scene_text(&args.shots)?;
    let items = match read_shots(&shots_source.text) {
        Ok(items) => items,
        Err(problem) => return Ok(refused(problem, &shots_source)),
    };
    let mut shots = Vec::new();
    let mut sources = Vec::new();
    for item in &items {
        let source = scene_text(&shots_source.folder.join(Path::new(&item.scene)))?;
        shots.push(Shot {
            name: item.name.clone(),
            text: source.text.clone(),
            scene: source.name.clone(),
            edits: item.edits.clone(),
        });
        sources.push(source);
    }
    let folders: Vec<PictureFiles> =
        sources.iter().map(|s| PictureFiles::in_folder(&s.folder)).collect();
    let pictures: Vec<&(dyn ContentPictures + Sync)> =
        folders.iter().map(|f| f as &(dyn ContentPictures + Sync)).collect();
    let cancel = stop_on_ctrl_c()?;
    let shows = !args.quiet && std::io::stderr().is_terminal();
    let progress = |done: usize, total: usize| {
        if shows {
            eprint!("\r{done} of {total} combinations ");
        }
        !cancel.load(Ordering::Relaxed)
    };
    let found = match shortlist(&kit, &shots, &pictures, &progress) {
        Ok(found) => found,
        Err((number, problems)) => {
            eprintln!("shot '{}', {}:", shots[number].name, items[number].scene);
            check::refuse(&problems, &sources[number]);
            return Ok(ExitCode::from(REFUSED));
        }
    };
    if shows {
        eprintln!();
    }
    let Some(found) = found else {
        eprintln!("stopped; nothing was written");
        return Ok(ExitCode::from(STOPPED));
    };
    let mut out = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &data(&kit, &shots, &found))?;
        writeln!(out)?;
    } else {
        out.write_all(words(&kit, &shots, &found, usize::from(args.top)).as_bytes())?;
    }
    Ok(ExitCode::SUCCESS)
}

fn chosen<'a>(kit: &'a Kit, items: &[usize; 5]) -> Vec<&'a Item> {
    items.iter().zip(&kit.groups).filter_map(|(i, group)| group.get(*i)).collect()
}

/// What a combination is made of: the names, without what it does without.
fn names(kit: &Kit, items: &[usize; 5]) -> String {
    let all = chosen(kit, items).into_iter().map(|i| i.name.as_str());
    let all: Vec<&str> = all.filter(|name| *name != "none").collect();
    all.join(", ")
}

fn money(kit: &Kit, left: &Left) -> String {
    let price = format!("{} {}", number(left.price_per_day), kit.currency);
    let price = price.trim();
    match left.without_price {
        0 => format!("{price} a day"),
        1 => format!("{price} a day and one price that is not known"),
        n => format!("{price} a day and {n} prices that are not known"),
    }
}

fn words(kit: &Kit, shots: &[Shot], found: &Shortlist, top: usize) -> String {
    let mut out = String::new();
    let sure = found.left.iter().filter(|l| l.sure).count();
    let nearly = found.left.iter().filter(|l| l.nearly).count();
    let doubtful = found.left.len() - sure - nearly;
    // Writing to a string does not fail, here and below.
    let _ = writeln!(
        out,
        "{} combinations over {} shots: {sure} clean in every shot, {nearly} clean with no margin, {doubtful} that hang on a question",
        found.combinations,
        shots.len()
    );
    for (shot, count) in shots.iter().zip(&found.dropped_by).filter(|(_, n)| **n > 0) {
        let _ = writeln!(out, "  dropped by '{}': {count}", shot.name);
    }
    if let Some(why) = &found.why_no_scene {
        let _ = writeln!(out, "  of these, {} cannot be set up, such as {why}", found.no_scene);
    }
    if found.left.is_empty() {
        let _ = writeln!(out, "\nnothing in the kit is clean in every shot");
        if let Some(nearest) = &found.nearest {
            let _ = writeln!(out, "  what comes nearest: {}", names(kit, &nearest.items));
            if let Some(there) = &nearest.there {
                let _ = writeln!(
                    out,
                    "  it fails in '{}': {} {}, {} times what is seen",
                    shots[nearest.shot].name,
                    there.kind.words(),
                    there.worst.words(),
                    number(there.times_threshold)
                );
            }
        }
        return out;
    }
    for (i, left) in found.left.iter().take(top).enumerate() {
        let _ = writeln!(out, "\n{}. {}: {}", i + 1, money(kit, left), names(kit, &left.items));
        let weakest = &shots[left.weakest].name;
        let _ = writeln!(
            out,
            "   weakest shot: '{weakest}', {} {} ({:.2} times what is seen, at worst){}",
            left.there.kind.words(),
            left.there.worst.words(),
            left.there.times_threshold,
            if left.nearly { ": no margin, shoot a test first" } else { "" }
        );
        if let Some(question) = &left.question {
            let _ = writeln!(out, "   would settle it: {question}");
        }
        for item in chosen(kit, &left.items).into_iter().filter(|i| !i.note.is_empty()) {
            let _ = writeln!(out, "   {}: {}", item.name, item.note);
        }
    }
    if found.left.len() > top {
        let _ = writeln!(out, "\nand {} more; --top prints more of them", found.left.len() - top);
    }
    out
}

fn data(kit: &Kit, shots: &[Shot], found: &Shortlist) -> Value {
    let of = |items: &[usize; 5]| -> Value {
        let pairs = GROUPS.iter().zip(chosen(kit, items));
        pairs
            .map(|((_, one), item)| ((*one).to_owned(), json!(item.name)))
            .collect::<serde_json::Map<_, _>>()
            .into()
    };
    let left = found.left.iter().map(|l| {
        json!({
            "items": of(&l.items),
            "price_per_day": l.price_per_day,
            "items_without_price": l.without_price,
            "clean_in_every_shot": l.sure || l.nearly,
            "with_margin": l.sure,
            "predicted_in_full": l.confirmed,
            "weakest_shot": shots[l.weakest].name,
            "there": l.there,
            "question": l.question,
        })
    });
    json!({
        "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
        "currency": kit.currency,
        "combinations": found.combinations,
        "left": left.collect::<Vec<_>>(),
        "dropped_by": shots.iter().zip(&found.dropped_by).map(|(s, n)| json!({ "shot": s.name, "combinations": n })).collect::<Vec<_>>(),
        "no_scene": found.no_scene,
        "why_no_scene": found.why_no_scene,
        "nearest": found.nearest.as_ref().map(|d| json!({
            "items": of(&d.items), "shot": shots[d.shot].name, "there": d.there,
        })),
    })
}
