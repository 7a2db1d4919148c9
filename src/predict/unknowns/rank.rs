//! Which unknown decides.

use super::search::Search;
use super::{KINDS, Look, NEARLY, OverRanges, severity};
use crate::artefact::{Degree, Judged, Kind};

/// Below this multiple of the threshold nothing is ever seen: ratios are of what is more.
const NOTHING: f64 = 0.1;

/// What one value does to one kind while it goes through its range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swing {
    /// The kind.
    pub kind: Kind,
    /// At the best of its values.
    pub best: Judged,
    /// At the worst of its values.
    pub worst: Judged,
}

impl Swing {
    /// Steps of degree from best to worst.
    fn steps(&self) -> u32 {
        severity(self.worst.degree).saturating_sub(severity(self.best.degree))
    }

    /// How many times more is seen at worst.
    fn ratio(&self) -> f64 {
        self.worst.multiple.max(NOTHING) / self.best.multiple.max(NOTHING)
    }

    /// Its degrees in a row, as `clean to spoils the shot`.
    pub fn words(&self) -> String {
        let [best, worst] = [self.best, self.worst].map(|j| j.degree.words());
        if self.worst.degree == Degree::CannotSay && self.worst.multiple >= NEARLY {
            format!("{best} to nearly seen")
        } else if best == worst {
            best.into()
        } else {
            format!("{best} to {worst}")
        }
    }

    /// Whether it says more than another of the same kind.
    fn is_more(&self, other: &Self) -> bool {
        (self.steps(), self.ratio()) > (other.steps(), other.ratio())
    }
}

/// What one open value does.
#[derive(Debug, Clone, PartialEq)]
pub struct Influence {
    /// Its number among the open values.
    pub value: usize,
    /// The largest swing of each of [`KINDS`], the others being at the middle, or at the best or the worst point of a kind.
    pub swings: Vec<Swing>,
}

impl Influence {
    /// The swings that change a verdict.
    pub fn decides(&self) -> impl Iterator<Item = &Swing> {
        self.swings.iter().filter(|s| s.steps() > 0)
    }

    /// Whether it changes any verdict.
    pub fn matters(&self) -> bool {
        self.decides().next().is_some()
    }

    /// Steps of degree that it changes at most.
    pub fn steps(&self) -> u32 {
        self.swings.iter().map(Swing::steps).max().unwrap_or(0)
    }

    /// How many times more is seen at its worst, of the kind of which it changes most.
    pub fn ratio(&self) -> f64 {
        let steps = self.steps();
        self.swings.iter().filter(|s| s.steps() == steps).map(Swing::ratio).fold(1.0, f64::max)
    }
}

/// A judgement with the degree that the answer over the ranges lets it have: the quick judge, who looks at single values, must not
/// tell of steps where the thorough one found none at the ends.
fn as_told(over: &OverRanges, judged: Judged) -> Judged {
    let degree = if over.is_open() {
        judged.degree
    } else if over.is_nearly() {
        if judged.multiple >= NEARLY { Degree::CannotSay } else { Degree::Clean }
    } else {
        over.worst.degree
    };
    Judged { degree, ..judged }
}

/// The largest swings so far, by value and kind.
struct Swings(Vec<Vec<Option<Swing>>>);

impl Swings {
    fn add(&mut self, value: usize, over: &OverRanges, best: Judged, worst: Judged) {
        let kind = over.kind as usize;
        let swing =
            Swing { kind: over.kind, best: as_told(over, best), worst: as_told(over, worst) };
        let old = &mut self.0[value][kind];
        if old.is_none_or(|old| swing.is_more(&old)) {
            *old = Some(swing);
        }
    }
}

/// What each open value does, the one that decides most first: by steps of degree, then flicker before moiré, then by how much more
/// is seen, then as in the file.
pub(super) fn influences(search: &mut Search<'_>, kinds: &[OverRanges]) -> Vec<Influence> {
    let count = search.open.len();
    let mut swings = Swings(vec![vec![None; KINDS.len()]; count]);
    let mut bases: Vec<Vec<f64>> = vec![search.open.iter().map(|v| v.middle()).collect()];
    for over in kinds.iter().filter(|over| over.is_open()) {
        for base in [&over.worst_at, &over.best_at] {
            if !bases.contains(base) {
                bases.push(base.clone());
            }
        }
    }
    for base in &bases {
        search.lines(base);
        for value in 0..count {
            let line = search.line(base, value);
            let looks: Vec<Look> = line.iter().filter_map(|p| search.at(p).cloned()).collect();
            for (kind, over) in kinds.iter().enumerate() {
                let of = looks.iter().map(|look| look.judged[kind]);
                let (best, worst) = (of.clone().min_by(super::worse), of.max_by(super::worse));
                if let (Some(best), Some(worst)) = (best, worst) {
                    swings.add(value, over, best, worst);
                }
            }
        }
    }
    // On a way from the best to the worst point, one value after the other, some step changes the degree.
    for (kind, over) in kinds.iter().enumerate().filter(|(_, over)| over.is_open()) {
        let forward: Vec<usize> = (0..count).collect();
        let backward = forward.iter().rev().copied().collect();
        for order in [forward, backward] {
            let mut point = over.best_at.clone();
            let mut last = search.at(&point).map(|look| look.judged[kind]);
            for value in order {
                point[value] = over.worst_at[value];
                let Some(next) = search.at(&point).map(|look| look.judged[kind]) else { continue };
                if let Some(last) = last {
                    let up = super::worse(&last, &next).is_le();
                    let (best, worst) = if up { (last, next) } else { (next, last) };
                    swings.add(value, over, best, worst);
                }
                last = Some(next);
            }
        }
    }
    // No verdict is open without a value that decides it: where the quick judge sees no step, the value that changes most.
    for over in kinds.iter().filter(|over| over.is_open() || over.is_nearly()) {
        let kind = over.kind as usize;
        let of = |value: usize| swings.0[value][kind];
        if (0..count).any(|value| of(value).is_some_and(|s| s.steps() > 0)) {
            continue;
        }
        let ratio = |value: &usize| of(*value).map_or(0.0, |s| s.ratio());
        let most = (0..count).rev().max_by(|a, b| ratio(a).total_cmp(&ratio(b)));
        if let Some(value) = most {
            let mut worst = over.worst;
            if over.is_nearly() {
                worst.degree = Degree::CannotSay;
            }
            swings.0[value][kind] = Some(Swing { kind: over.kind, best: over.best, worst });
        }
    }
    let mut all: Vec<Influence> = swings
        .0
        .into_iter()
        .enumerate()
        .map(|(value, swings)| Influence { value, swings: swings.into_iter().flatten().collect() })
        .collect();
    let first_kind =
        |i: &Influence| i.decides().filter(|s| s.steps() == i.steps()).map(|s| s.kind).min();
    all.sort_by(|a, b| {
        b.steps()
            .cmp(&a.steps())
            .then(first_kind(a).cmp(&first_kind(b)))
            .then(b.ratio().total_cmp(&a.ratio()))
            .then(a.value.cmp(&b.value))
    });
    all
}
