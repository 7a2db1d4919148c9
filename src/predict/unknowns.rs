//! Verdicts of a scene whose values are not all known: the best and the worst over the ranges, and which unknown decides.
//!
//! The box of open values is looked through point by point, each with the quick [`verdict`]: its corners of all lows and all highs, its
//! middle, every value alone through its range, points spread evenly over the box, then steps uphill and downhill from the worst and
//! the best of each kind, and every value alone again from there. Moiré folds and bands beat, so that no law says where the worst
//! lies: what is told is the worst *found*, with the number of points. The ends that come out are judged again by [`predict`].

mod rank;
mod search;

use super::judge::{Prediction, Settings, predict, verdict};
use crate::artefact::{Degree, Judged, Kind};
use crate::diag::Diagnostic;
use crate::scene::{ContentPictures, OpenScene, OpenValue};
use rank::influences;
pub use rank::{Influence, Swing};
use search::Search;
use std::cmp::Ordering;

/// The kinds, in the order in which they matter.
pub const KINDS: [Kind; 4] = [Kind::Flicker, Kind::Bands, Kind::Moire, Kind::PixelStructure];

/// Share of the threshold from which *clean* is not said of a kind that changes over the ranges: between the points that were looked at
/// it may be somewhat worse. A choice of ours, with room: of random points in four boxes none is 5 % above the worst found
/// (`tests/unknowns.rs`).
pub const NEARLY: f64 = 0.8;

/// How often the ends are settled anew where lines through them hold worse points.
const MOST_ROUNDS: u32 = 4;

/// The box at one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// The values there, in the order of [`OpenScene::values`].
    pub values: Vec<f64>,
    /// What is seen of each of [`KINDS`], at worst within the tolerances. The degree is that of the kind: *can't say* where it would
    /// be clean but for what was not looked at.
    pub judged: [Judged; 4],
}

/// How bad a degree is: what cannot be said is worse than clean.
pub fn severity(degree: Degree) -> u32 {
    match degree {
        Degree::Clean => 0,
        Degree::CannotSay => 1,
        Degree::Noticeable => 2,
        Degree::Spoils => 3,
    }
}

/// Order of two judgements of one kind, the worse last.
fn worse(a: &Judged, b: &Judged) -> Ordering {
    severity(a.degree).cmp(&severity(b.degree)).then(a.multiple.total_cmp(&b.multiple))
}

impl Look {
    fn of(values: &[f64], found: &Prediction) -> Self {
        let judged = KINDS.map(|kind| Judged {
            multiple: found.of(kind).map_or(0.0, |f| f.worst.multiple),
            degree: found.degree(kind, false),
        });
        Self { values: values.to_vec(), judged }
    }

    /// The kind that decides the verdict here, and how it is judged: the worst degree, the first kind that has it.
    pub fn overall(&self) -> (Kind, Judged) {
        let mut first = 0;
        for i in 1..KINDS.len() {
            if severity(self.judged[i].degree) > severity(self.judged[first].degree) {
                first = i;
            }
        }
        (KINDS[first], self.judged[first])
    }

    /// Order of two points by their verdicts, the worse last: by degree, then flicker before moiré, then by how much is seen.
    pub fn worse(&self, other: &Self) -> Ordering {
        let ((a, judged_a), (b, judged_b)) = (self.overall(), other.overall());
        severity(judged_a.degree)
            .cmp(&severity(judged_b.degree))
            .then(b.cmp(&a))
            .then(judged_a.multiple.total_cmp(&judged_b.multiple))
    }
}

/// One kind over the ranges.
#[derive(Debug, Clone, PartialEq)]
pub struct OverRanges {
    /// The kind.
    pub kind: Kind,
    /// At the best point found.
    pub best: Judged,
    /// At the worst point found.
    pub worst: Judged,
    /// Values of the best point.
    pub best_at: Vec<f64>,
    /// Values of the worst point.
    pub worst_at: Vec<f64>,
}

impl OverRanges {
    /// Whether an unknown decides the degree.
    pub fn is_open(&self) -> bool {
        self.best.degree != self.worst.degree
    }

    /// Clean wherever looked, but so near the threshold at worst that it may not be in between.
    pub fn is_nearly(&self) -> bool {
        self.worst.degree == Degree::Clean
            && self.worst.multiple >= NEARLY
            && self.best.multiple < 0.95 * self.worst.multiple
    }

    /// The verdict: that of the whole range, or *can't say*. Never *clean* while an unknown decides.
    pub fn degree(&self) -> Degree {
        if self.is_open() || self.is_nearly() { Degree::CannotSay } else { self.worst.degree }
    }
}

/// A scene with open values, looked through.
#[derive(Debug, Clone)]
pub struct Unknowns {
    /// Each of [`KINDS`] over the ranges.
    pub kinds: Vec<OverRanges>,
    /// The point with the best verdict.
    pub best: Look,
    /// The point with the worst verdict.
    pub worst: Look,
    /// What each open value does, the one that decides most first.
    pub influences: Vec<Influence>,
    /// Points that were judged.
    pub looked_at: usize,
    /// Points that are no valid scene.
    pub refused: usize,
    /// Why the first of those is none.
    pub refusal: Option<Diagnostic>,
}

impl Unknowns {
    /// The point of a choice.
    pub fn point(&self, worst: bool) -> &[f64] {
        if worst { &self.worst.values } else { &self.best.values }
    }
}

/// Looks a scene with open values through. `Err` holds the problems of the middle where no point is a valid scene.
///
/// The same for any number of threads. A scene without open values has one point.
pub fn unknowns(
    open: &OpenScene,
    pictures: &(dyn ContentPictures + Sync),
) -> Result<Unknowns, Vec<Diagnostic>> {
    let quick = Settings::quick();
    // What the wall shows is loaded once.
    let of = |f: fn(&OpenValue) -> f64| open.values.iter().map(f).collect::<Vec<f64>>();
    let firsts = [of(OpenValue::middle), of(|v| v.low), of(|v| v.high)];
    let first = firsts.iter().find_map(|values| open.at(values, pictures).ok());
    let at = |values: &[f64]| match &first {
        Some(first) => open.at_showing(values, pictures, first),
        None => open.at(values, pictures),
    };
    let judge = |values: &[f64]| -> Result<Look, Vec<Diagnostic>> {
        Ok(Look::of(values, &verdict(&at(values)?, &quick)))
    };
    let mut search = Search::new(&open.values, &judge);
    search.whole_box();
    if search.looks().next().is_none() {
        return Err(search.into_refusal());
    }
    for kind in 0..KINDS.len() {
        search.climb(kind, true);
        search.climb(kind, false);
        // Every value alone, from the two ends.
        for base in [search.end(kind, true), search.end(kind, false)].into_iter().flatten() {
            search.lines(&base.values);
        }
    }
    // The ends once more, thoroughly.
    let full = |values: &[f64]| -> Result<Look, Vec<Diagnostic>> {
        Ok(Look::of(values, &predict(&at(values)?, &Settings::full())))
    };
    let mut rounds = 0;
    let (ends, kinds, influences) = loop {
        let ends = search.settle(&full);
        let kinds: Vec<OverRanges> =
            (0..KINDS.len()).map(|kind| over_ranges(&ends, kind)).collect();
        let influences = influences(&mut search, &kinds);
        rounds += 1;
        // Who decides is asked on lines through the ends, and these may hold worse points yet.
        if rounds == MOST_ROUNDS || search.are_ends(&ends) {
            break (ends, kinds, influences);
        }
    };
    let pick = |worst: bool| {
        let order = |a: &&Look, b: &&Look| if worst { a.worse(b) } else { b.worse(a) };
        // Of equals the first.
        ends.iter().rev().max_by(order).cloned()
    };
    let (Some(best), Some(worst)) = (pick(false), pick(true)) else {
        return Err(search.into_refusal());
    };
    Ok(Unknowns {
        kinds,
        best,
        worst,
        influences,
        looked_at: search.looks().count(),
        refused: search.refused(),
        refusal: search.refusal().cloned(),
    })
}

fn over_ranges(ends: &[Look], kind: usize) -> OverRanges {
    // There is at least one.
    let order = |a: &&Look, b: &&Look| worse(&a.judged[kind], &b.judged[kind]);
    let nothing = Look { values: Vec::new(), judged: [Judged::of(f64::NAN); 4] };
    let best = ends.iter().min_by(order).unwrap_or(&nothing);
    let worst = ends.iter().rev().max_by(order).unwrap_or(&nothing);
    OverRanges {
        kind: KINDS[kind],
        best: best.judged[kind],
        worst: worst.judged[kind],
        best_at: best.values.clone(),
        worst_at: worst.values.clone(),
    }
}
