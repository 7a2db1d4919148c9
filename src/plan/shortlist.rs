//! Every combination of a kit over every shot, predicted; those that fail any shot dropped, the rest ranked.

use super::kit::{Item, Kit};
use crate::artefact::{Degree, Kind};
use crate::diag::Diagnostic;
use crate::predict::unknowns::{KINDS, severity};
use crate::predict::{Prediction, Settings, verdict};
use crate::scene::{ContentPictures, Edit, OpenScene, Scene};
use rayon::prelude::*;
use serde::Serialize;

/// Combinations that are looked at in one go.
const CHUNK: usize = 512;
/// Of those that are left, so many are predicted in full, the best first.
const CONFIRMED: usize = 40;
/// Times the threshold from which a combination has no margin: the model and the kit's papers are not that exact.
pub const NO_MARGIN: f64 = 0.8;

/// A set-up, with its scene file read.
pub struct Shot {
    /// Its name.
    pub name: String,
    /// Text of the scene file.
    pub text: String,
    /// Short name of the scene.
    pub scene: String,
    /// What it sets there; it wins over the kit.
    pub edits: Vec<Edit>,
}

/// What one combination does in one shot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InShot {
    /// At best over what is not known.
    pub best: Degree,
    /// At worst.
    pub worst: Degree,
    /// Times the threshold, at worst.
    pub times_threshold: f64,
    /// The kind that is worst.
    pub kind: Kind,
}

/// Why a combination makes no scene in a shot.
pub type NoScene = String;

/// A combination that is left.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Left {
    /// Numbers of its items, by [`super::kit::GROUPS`].
    pub items: [usize; 5],
    /// A day's hire of what has a price.
    pub price_per_day: f64,
    /// Items without a price.
    pub without_price: usize,
    /// Every shot is clean, whatever is not known, and with a margin.
    pub sure: bool,
    /// Every shot is clean, whatever is not known, but one is nearly seen.
    pub nearly: bool,
    /// It was predicted in full, and not only quickly.
    pub confirmed: bool,
    /// The weakest shot.
    pub weakest: usize,
    /// What happens there.
    pub there: InShot,
    /// What would settle it, where it is not sure.
    pub question: Option<String>,
}

/// A combination that was dropped, with how far it came.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Dropped {
    /// Numbers of its items.
    pub items: [usize; 5],
    /// The first shot that it fails.
    pub shot: usize,
    /// What happens there; `None` where it makes no scene.
    pub there: Option<InShot>,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shortlist {
    /// All combinations.
    pub combinations: usize,
    /// Those that are left, the best first.
    pub left: Vec<Left>,
    /// How many each shot dropped first.
    pub dropped_by: Vec<usize>,
    /// Of these, combinations that make no scene, and why the first is none.
    pub no_scene: usize,
    /// In words.
    pub why_no_scene: Option<String>,
    /// Where nothing is left: what came nearest.
    pub nearest: Option<Dropped>,
}

struct Opened<'a> {
    shot: &'a Shot,
    open: OpenScene,
    shown: Scene,
}

/// Judges all combinations.
///
/// # Errors
/// What stands against a shot, with its number.
pub fn shortlist(
    kit: &Kit,
    shots: &[Shot],
    pictures: &[&(dyn ContentPictures + Sync)],
    progress: &dyn Fn(usize, usize) -> bool,
) -> Result<Option<Shortlist>, (usize, Vec<Diagnostic>)> {
    let groups: Vec<Vec<(usize, &Item)>> = kit
        .groups
        .iter()
        .map(|g| g.iter().enumerate().filter(|(_, item)| item.available).collect())
        .collect();
    let mut all: Vec<[usize; 5]> = vec![[0; 5]];
    for (number, group) in groups.iter().enumerate() {
        all = all
            .iter()
            .flat_map(|items| {
                group.iter().map(move |(i, _)| {
                    let mut items = *items;
                    items[number] = *i;
                    items
                })
            })
            .collect();
    }
    let mut opened = Vec::new();
    for (number, shot) in shots.iter().enumerate() {
        let bad = |problems| (number, problems);
        let open = OpenScene::read(&shot.text, &shot.scene, &[]).map_err(bad)?;
        // What the wall shows is loaded once, from the first combination that is a scene.
        let scenes = all.iter().take(64).map(|items| {
            let edits = edits_of(kit, items, shot);
            let open = OpenScene::read(&shot.text, &shot.scene, &edits)?;
            let middle: Vec<f64> = open.values.iter().map(|v| v.middle()).collect();
            open.at(&middle, pictures[number])
        });
        let mut first_problems = None;
        let mut shown = None;
        for scene in scenes {
            match scene {
                Ok(scene) => {
                    shown = Some(scene);
                    break;
                }
                Err(problems) => {
                    first_problems.get_or_insert(problems);
                }
            }
        }
        let Some(shown) = shown else { return Err((number, first_problems.unwrap_or_default())) };
        opened.push(Opened { shot, open, shown });
    }
    let total = all.len();
    let mut out = Shortlist {
        combinations: total,
        left: Vec::new(),
        dropped_by: vec![0; shots.len()],
        no_scene: 0,
        why_no_scene: None,
        nearest: None,
    };
    let mut done = 0;
    for chunk in all.chunks(CHUNK) {
        if !progress(done, total) {
            return Ok(None);
        }
        let found: Vec<Result<Left, (Dropped, Option<NoScene>)>> = chunk
            .par_iter()
            .map(|items| one(kit, (&opened, &Settings::quick()), pictures, items))
            .collect();
        for result in found {
            match result {
                Ok(left) => out.left.push(left),
                Err((dropped, why)) => {
                    out.dropped_by[dropped.shot] += 1;
                    if let Some(why) = why {
                        out.no_scene += 1;
                        out.why_no_scene.get_or_insert(why);
                    }
                    if nearer(&dropped, out.nearest.as_ref()) {
                        out.nearest = Some(dropped);
                    }
                }
            }
        }
        done += chunk.len();
    }
    rank(&mut out.left);
    let few = out.left.len().min(CONFIRMED);
    let again: Vec<_> = out.left[..few]
        .par_iter()
        .map(|left| one(kit, (&opened, &Settings::full()), pictures, &left.items))
        .collect();
    let rest = out.left.split_off(few);
    out.left.clear();
    for found in again {
        match found {
            Ok(left) => out.left.push(Left { confirmed: true, ..left }),
            Err((dropped, _)) => {
                out.dropped_by[dropped.shot] += 1;
                if nearer(&dropped, out.nearest.as_ref()) {
                    out.nearest = Some(dropped);
                }
            }
        }
    }
    out.left.extend(rest);
    rank(&mut out.left);
    if !out.left.is_empty() {
        out.nearest = None;
    }
    Ok(Some(out))
}

/// The best first: those that are sure, then those without a margin, then those that hang on a question; by price, then by margin.
fn rank(left: &mut [Left]) {
    left.sort_by(|a, b| {
        let of = |l: &Left| (!l.sure, !l.nearly);
        of(a)
            .cmp(&of(b))
            .then(a.without_price.cmp(&b.without_price))
            .then(a.price_per_day.total_cmp(&b.price_per_day))
            .then(a.there.times_threshold.total_cmp(&b.there.times_threshold))
    });
}

fn nearer(new: &Dropped, old: Option<&Dropped>) -> bool {
    let Some(there) = new.there else { return false };
    let Some((old, before)) = old.and_then(|o| Some((o, o.there?))) else { return true };
    (std::cmp::Reverse(new.shot), severity(there.worst))
        .cmp(&(std::cmp::Reverse(old.shot), severity(before.worst)))
        .then(there.times_threshold.total_cmp(&before.times_threshold))
        .is_lt()
}

/// What a combination and a shot set, the shot last.
fn edits_of(kit: &Kit, items: &[usize; 5], shot: &Shot) -> Vec<Edit> {
    let of_kit = items.iter().zip(&kit.groups).flat_map(|(i, group)| group[*i].edits.clone());
    let mut all: Vec<Edit> = Vec::new();
    for edit in of_kit.chain(shot.edits.iter().cloned()) {
        all.retain(|e| e.key != edit.key);
        all.push(edit);
    }
    all
}

fn one(
    kit: &Kit,
    (shots, settings): (&[Opened<'_>], &Settings),
    pictures: &[&(dyn ContentPictures + Sync)],
    items: &[usize; 5],
) -> Result<Left, (Dropped, Option<NoScene>)> {
    let mut weakest: Option<(usize, InShot)> = None;
    let (mut sure, mut question) = (true, None);
    for (number, shot) in shots.iter().enumerate() {
        let dropped = |there| Dropped { items: *items, shot: number, there };
        let (found, ask) = match judged(kit, (shot, settings), pictures[number], items) {
            Ok(found) => found,
            Err(why) => return Err((dropped(None), Some(why))),
        };
        if found.best != Degree::Clean {
            return Err((dropped(Some(found)), None));
        }
        if found.worst != Degree::Clean {
            sure = false;
            question = question.or(ask);
        }
        let is_weaker = weakest.as_ref().is_none_or(|(_, w)| {
            (severity(found.worst), found.times_threshold) > (severity(w.worst), w.times_threshold)
        });
        if is_weaker {
            weakest = Some((number, found));
        }
    }
    let chosen: Vec<&Item> = items.iter().zip(&kit.groups).map(|(i, g)| &g[*i]).collect();
    let (weakest, there) = weakest.unwrap_or((
        0,
        InShot {
            best: Degree::CannotSay,
            worst: Degree::CannotSay,
            times_threshold: 0.0,
            kind: Kind::Flicker,
        },
    ));
    Ok(Left {
        items: *items,
        price_per_day: chosen.iter().filter_map(|i| i.price_per_day).sum(),
        without_price: chosen.iter().filter(|i| i.price_per_day.is_none()).count(),
        sure: sure && there.times_threshold < NO_MARGIN,
        nearly: sure && there.times_threshold >= NO_MARGIN,
        confirmed: false,
        weakest,
        there,
        question,
    })
}

/// The degree over all kinds, its multiple and kind.
fn worst_of(found: &Prediction) -> (Degree, f64, Kind) {
    let of = |kind: Kind| {
        (found.degree(kind, false), found.of(kind).map_or(0.0, |f| f.worst.multiple), kind)
    };
    let mut worst = of(KINDS[0]);
    for kind in &KINDS[1..] {
        let here = of(*kind);
        if (severity(here.0), here.1) > (severity(worst.0), worst.1) {
            worst = here;
        }
    }
    worst
}

/// A combination in a shot, and what to ask where that is not settled.
fn judged(
    kit: &Kit,
    (shot, settings): (&Opened<'_>, &Settings),
    pictures: &(dyn ContentPictures + Sync),
    items: &[usize; 5],
) -> Result<(InShot, Option<String>), NoScene> {
    let edits = edits_of(kit, items, shot.shot);
    let words = |problems: Vec<Diagnostic>| {
        let first = problems.into_iter().next();
        first.map_or_else(String::new, |p| format!("{}: {}: {}", shot.shot.name, p.key, p.message))
    };
    // Most combinations are all known, and read quickly.
    if shot.open.values.is_empty()
        && let Ok(scene) = shot.open.edited(&edits, pictures, Some(&shot.shown))
    {
        let (degree, times_threshold, kind) = worst_of(&verdict(&scene, settings));
        return Ok((InShot { best: degree, worst: degree, times_threshold, kind }, None));
    }
    let open = OpenScene::read(&shot.shot.text, &shot.shot.scene, &edits).map_err(words)?;
    let mut points: Vec<Vec<f64>> = Vec::new();
    let of = |share: f64| open.values.iter().map(|v| v.at(share)).collect::<Vec<f64>>();
    for share in [0.5, 0.0, 1.0] {
        points.push(of(share));
    }
    for (i, value) in open.values.iter().enumerate() {
        for step in value.spread(9) {
            let mut point = of(0.5);
            point[i] = step;
            points.push(point);
        }
    }
    let mut judged: Vec<(Degree, f64, Kind)> = Vec::new();
    for point in &points {
        let scene = open.at_showing(point, pictures, &shot.shown).map_err(words)?;
        judged.push(worst_of(&verdict(&scene, settings)));
    }
    let by = |a: &(Degree, f64, Kind), b: &(Degree, f64, Kind)| {
        severity(a.0).cmp(&severity(b.0)).then(a.1.total_cmp(&b.1))
    };
    let best = judged.iter().min_by(|a, b| by(a, b)).map_or(Degree::CannotSay, |b| b.0);
    let (worst, times_threshold, kind) = judged
        .iter()
        .max_by(|a, b| by(a, b))
        .copied()
        .unwrap_or((Degree::CannotSay, 0.0, KINDS[0]));
    // The value that, alone, brings most change.
    let mut ask: Option<(u32, String)> = None;
    let mut at = 3;
    for value in &open.values {
        let count = value.spread(9).len();
        let alone = &judged[at..at + count];
        at += count;
        let degrees = alone.iter().map(|j| severity(j.0));
        let change = degrees.clone().max().unwrap_or(0) - degrees.min().unwrap_or(0);
        if ask.as_ref().is_none_or(|(most, _)| change > *most) {
            ask = Some((change, format!("{}: {} ({})", value.ask, value.key, value.range_words())));
        }
    }
    let there = InShot { best, worst, times_threshold, kind };
    Ok((there, (best != worst).then(|| ask.map(|(_, words)| words)).flatten()))
}
