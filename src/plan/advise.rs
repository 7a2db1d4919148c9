//! Advice: the smallest changes that make a scene clean, one remedy at a time and in pairs, each held against rendered frames.
//!
//! Every change of every remedy within the scene's limits is predicted, in the order of what it costs the shot; the first that is clean
//! of each remedy is predicted in full and then rendered ([`super::verify`]), and the next is taken where a frame says no. Pairs are
//! looked through in the order of what both cost together, as long as they cost less than what either cures alone.

pub mod words;

use super::remedies::{Base, Change, Changed, Remedy};
use super::verify::{Plan, Verified, VerifyError, verify};
use crate::artefact::Degree;
use crate::predict::unknowns::{KINDS, severity};
use crate::predict::{Prediction, Settings, predict, verdict};
use crate::render::Run;
use crate::scene::Edit;
use rayon::prelude::*;
use serde::Serialize;

/// Pairs of changes that are predicted, at most.
const MOST_PAIRS: usize = 8000;
/// Changes of one remedy that go into pairs.
const IN_PAIRS: usize = 16;
/// Pairs that are recommended, at most.
const PAIRS_TOLD: usize = 4;
/// Candidates of one remedy, or of pairs, that are rendered, at most, until one holds.
const RENDERED: usize = 3;
/// Points that are predicted side by side.
const CHUNK: usize = 64;

/// What is seen of each of [`KINDS`], at worst.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Seen {
    /// Times the threshold.
    pub times_threshold: [f64; 4],
    /// Degrees.
    pub degrees: [Degree; 4],
}

impl Seen {
    /// Of a prediction.
    pub fn of(found: &Prediction) -> Self {
        Self {
            times_threshold: KINDS.map(|k| found.of(k).map_or(0.0, |f| f.worst.multiple)),
            degrees: KINDS.map(|k| found.degree(k, false)),
        }
    }

    /// Nothing of any kind is seen.
    pub fn is_clean(&self) -> bool {
        self.degrees.iter().all(|d| *d == Degree::Clean)
    }

    /// How bad, flicker and bands first.
    fn badness(&self) -> (u32, u32) {
        let of = |range: std::ops::Range<usize>| {
            self.degrees[range].iter().map(|d| severity(*d)).max().unwrap_or(0)
        };
        (of(0..2), of(2..4))
    }

    /// The largest multiple.
    pub fn worst(&self) -> f64 {
        self.times_threshold.iter().copied().fold(0.0, f64::max)
    }
}

/// Changes that are recommended.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recommended {
    /// One change, or two.
    pub changes: Vec<Change>,
    /// What it costs the shot, for ranking.
    pub cost: f64,
    /// All that is to be set.
    #[serde(serialize_with = "edits_as_text")]
    pub edits: Vec<Edit>,
    /// Light that is made up for at the exposure index, stops.
    pub lost_stops: f64,
    /// Money a day; `None` where a price is not known.
    pub money_per_day: Option<f64>,
    /// As predicted, at worst.
    pub predicted: Seen,
    /// As rendered.
    pub rendered: Verified,
}

fn edits_as_text<S: serde::Serializer>(edits: &[Edit], to: S) -> Result<S::Ok, S::Error> {
    to.collect_seq(edits.iter().map(|e| format!("{}={}", e.key, e.value)))
}

/// A remedy and how far it goes alone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tried {
    /// The remedy.
    pub remedy: Remedy,
    /// Changes that were looked at.
    pub changes: usize,
    /// Of these, changes beyond the limits, and why the first of them is.
    pub beyond_limits: usize,
    /// In words.
    pub why: Option<String>,
    /// The best of them alone, where none is clean.
    pub best: Option<(Change, Seen)>,
    /// Clean changes that a rendered frame spoke against.
    pub contradicted: usize,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// The scene as it is.
    pub present: Seen,
    /// What to do, what costs the shot least first.
    pub recommended: Vec<Recommended>,
    /// How far each remedy goes alone.
    pub tried: Vec<Tried>,
    /// Pairs that were predicted.
    pub pairs: usize,
    /// Pairs, in the order of cost, that were left out for their number.
    pub pairs_left_out: usize,
}

impl Advice {
    /// The best single change where nothing is clean: the one that leaves least, flicker and bands first.
    pub fn best(&self) -> Option<&(Change, Seen)> {
        let all = self.tried.iter().filter_map(|t| t.best.as_ref());
        all.min_by(|a, b| {
            let of = |x: &(Change, Seen)| x.1.badness();
            of(a).cmp(&of(b)).then(a.1.worst().total_cmp(&b.1.worst()))
        })
    }
}

type Judged = Result<(Changed, Seen), String>;

/// Predicts changes together.
fn judge(base: &Base<'_>, changes: &[&Change]) -> Judged {
    let changed = base.with(changes)?;
    let seen = Seen::of(&verdict(&changed.scene, &Settings::quick()));
    Ok((changed, seen))
}

/// What comes of a candidate in full: predicted thoroughly, then rendered.
enum Held {
    Holds(Box<Recommended>),
    NotPredicted,
    Contradicted,
}

fn hold(
    base: &Base<'_>,
    changes: &[&Change],
    changed: &Changed,
    run: &Run,
) -> Result<Held, VerifyError> {
    let predicted = Seen::of(&predict(&changed.scene, &Settings::full()));
    if !predicted.is_clean() {
        return Ok(Held::NotPredicted);
    }
    let plan = Plan { open: base.open, edits: &changed.edits, pictures: base.pictures };
    let rendered = verify(&plan, run)?;
    if !rendered.is_clean() {
        return Ok(Held::Contradicted);
    }
    Ok(Held::Holds(Box::new(Recommended {
        changes: changes.iter().map(|c| (*c).clone()).collect(),
        cost: changes.iter().map(|c| c.cost).sum(),
        edits: changed.edits.clone(),
        lost_stops: changed.lost_stops,
        money_per_day: changed.money,
        predicted,
        rendered,
    })))
}

/// Looks for changes that make a scene clean. The answer does not depend on the number of threads.
///
/// # Errors
/// When it is stopped, or a frame cannot be rendered.
pub fn advise(base: &Base<'_>, run: &Run) -> Result<Advice, VerifyError> {
    let present = Seen::of(&predict(base.scene, &Settings::full()));
    let mut advice =
        Advice { present, recommended: Vec::new(), tried: Vec::new(), pairs: 0, pairs_left_out: 0 };
    if present.is_clean() {
        return Ok(advice);
    }
    let mut all: Vec<(Remedy, Vec<Change>, f64)> = Vec::new();
    for remedy in Remedy::ALL {
        if run.is_cancelled() {
            return Err(crate::render::Cancelled.into());
        }
        let changes = base.changes(remedy);
        if changes.is_empty() {
            continue;
        }
        let found: Vec<Judged> = changes.par_iter().map(|c| judge(base, &[c])).collect();
        let mut tried = Tried {
            remedy,
            changes: changes.len(),
            beyond_limits: found.iter().filter(|f| f.is_err()).count(),
            why: found.iter().find_map(|f| f.as_ref().err().cloned()),
            best: None,
            contradicted: 0,
        };
        let mut cures = f64::INFINITY;
        for (change, judged) in changes.iter().zip(&found) {
            let Ok((changed, seen)) = judged else { continue };
            if !seen.is_clean() || tried.contradicted >= RENDERED {
                continue;
            }
            match hold(base, &[change], changed, run)? {
                Held::Holds(recommended) => {
                    cures = change.cost;
                    advice.recommended.push(*recommended);
                    break;
                }
                Held::NotPredicted => {}
                Held::Contradicted => tried.contradicted += 1,
            }
        }
        if cures.is_infinite() {
            let possible = changes.iter().zip(&found);
            let possible = possible.filter_map(|(c, f)| Some((c, f.as_ref().ok()?.1)));
            let best = possible.min_by(|a, b| {
                a.1.badness().cmp(&b.1.badness()).then(a.1.worst().total_cmp(&b.1.worst()))
            });
            tried.best = best.map(|(change, seen)| (change.clone(), seen));
        }
        // Only what is possible alone goes into pairs, evenly over its costs.
        let possible: Vec<Change> = changes
            .into_iter()
            .zip(&found)
            .filter(|(_, f)| f.is_ok())
            .map(|(change, _)| change)
            .collect();
        let step = possible.len().div_ceil(IN_PAIRS).max(1);
        let few = possible.into_iter().step_by(step).collect();
        advice.tried.push(tried);
        all.push((remedy, few, cures));
    }
    pairs(base, &all, &mut advice, run)?;
    advice.recommended.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    Ok(advice)
}

/// Looks for pairs.
fn pairs(
    base: &Base<'_>,
    all: &[(Remedy, Vec<Change>, f64)],
    advice: &mut Advice,
    run: &Run,
) -> Result<(), VerifyError> {
    let mut pairs: Vec<(f64, &Change, &Change)> = Vec::new();
    for (i, (first, changes, cures)) in all.iter().enumerate() {
        for (second, others, also_cures) in &all[i + 1..] {
            if !first.goes_with(*second) {
                continue;
            }
            for a in changes {
                for b in others {
                    let cost = a.cost + b.cost;
                    if cost < cures.min(*also_cures) {
                        pairs.push((cost, a, b));
                    }
                }
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    advice.pairs_left_out = pairs.len().saturating_sub(MOST_PAIRS);
    pairs.truncate(MOST_PAIRS);
    let mut told: Vec<[Remedy; 2]> = Vec::new();
    let mut contradicted = 0;
    for chunk in pairs.chunks(CHUNK) {
        if run.is_cancelled() {
            return Err(crate::render::Cancelled.into());
        }
        let found: Vec<Judged> = chunk.par_iter().map(|(_, a, b)| judge(base, &[a, b])).collect();
        advice.pairs += chunk.len();
        for ((_, a, b), judged) in chunk.iter().zip(&found) {
            let Ok((changed, seen)) = judged else { continue };
            let sorts = [a.remedy, b.remedy];
            if !seen.is_clean() || told.contains(&sorts) || contradicted >= 2 * RENDERED {
                continue;
            }
            match hold(base, &[a, b], changed, run)? {
                Held::Holds(recommended) => {
                    told.push(sorts);
                    advice.recommended.push(*recommended);
                }
                Held::NotPredicted => {}
                Held::Contradicted => contradicted += 1,
            }
            if told.len() >= PAIRS_TOLD {
                return Ok(());
            }
        }
    }
    Ok(())
}
