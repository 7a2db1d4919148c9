//! The box of open values, looked through point by point.

use super::{KINDS, Look, worse};
use crate::diag::Diagnostic;
use crate::scene::OpenValue;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Points of a value that goes through its range alone.
const ON_A_LINE: usize = 9;
/// The same where it is the only one: points are spent on it instead of on the box.
const ON_THE_ONLY_LINE: usize = 65;
/// Points spread over the box of several values.
const IN_THE_BOX: usize = 64;
/// Steps uphill, each half as long as the one before: the first is half of what lies between two points of a line.
const ROUNDS: i32 = 4;
/// Best and worst points of each kind that are judged thoroughly.
const ENDS: usize = 2;

/// What a point is: judged, or why it is no scene.
pub(super) type Judge<'a> = &'a (dyn Fn(&[f64]) -> Result<Look, Vec<Diagnostic>> + Sync);

/// Everything that was looked at so far.
pub(super) struct Search<'a> {
    pub(super) open: &'a [OpenValue],
    judge: Judge<'a>,
    looks: Vec<Look>,
    /// Where in `looks` a point is; `None` for one that is no scene.
    seen: BTreeMap<Vec<u64>, Option<usize>>,
    refusal: Vec<Diagnostic>,
}

fn bits(values: &[f64]) -> Vec<u64> {
    values.iter().map(|v| v.to_bits()).collect()
}

impl<'a> Search<'a> {
    pub(super) fn new(open: &'a [OpenValue], judge: Judge<'a>) -> Self {
        Self { open, judge, looks: Vec::new(), seen: BTreeMap::new(), refusal: Vec::new() }
    }

    /// All points that are scenes, in the order in which they were looked at.
    pub(super) fn looks(&self) -> impl DoubleEndedIterator<Item = &Look> {
        self.looks.iter()
    }

    pub(super) fn refused(&self) -> usize {
        self.seen.values().filter(|at| at.is_none()).count()
    }

    pub(super) fn refusal(&self) -> Option<&Diagnostic> {
        self.refusal.first()
    }

    pub(super) fn into_refusal(self) -> Vec<Diagnostic> {
        self.refusal
    }

    /// Looks at points, those that are new only, side by side.
    fn look(&mut self, points: Vec<Vec<f64>>) {
        let mut new: Vec<Vec<f64>> = Vec::new();
        for point in points {
            if let std::collections::btree_map::Entry::Vacant(entry) = self.seen.entry(bits(&point))
            {
                entry.insert(None);
                new.push(point);
            }
        }
        let judge = self.judge;
        let found: Vec<_> = new.par_iter().map(|point| judge(point)).collect();
        for (point, look) in new.iter().zip(found) {
            match look {
                Ok(look) => {
                    self.seen.insert(bits(point), Some(self.looks.len()));
                    self.looks.push(look);
                }
                Err(problems) if self.refusal.is_empty() => self.refusal = problems,
                Err(_) => {}
            }
        }
    }

    /// A point that was looked at, if it is a scene.
    pub(super) fn at(&mut self, point: &[f64]) -> Option<&Look> {
        self.look(vec![point.to_vec()]);
        let index = (*self.seen.get(&bits(point))?)?;
        self.looks.get(index)
    }

    /// The first look: corners, middle, lines through it, points all over.
    pub(super) fn whole_box(&mut self) {
        let open = self.open;
        let of = |f: fn(&OpenValue) -> f64| open.iter().map(f).collect::<Vec<f64>>();
        let middle = of(OpenValue::middle);
        self.look(vec![middle.clone(), of(|v| v.low), of(|v| v.high)]);
        self.lines(&middle);
        if open.len() > 1 {
            let steps = steps(open.len());
            let point = |k: usize| {
                let share = |step: f64| (0.5 + (k + 1) as f64 * step).fract();
                open.iter().zip(&steps).map(|(value, step)| value.at(share(*step))).collect()
            };
            self.look((0..IN_THE_BOX).map(point).collect());
        }
    }

    /// The points of one value's line through a base, in order.
    pub(super) fn line(&self, base: &[f64], number: usize) -> Vec<Vec<f64>> {
        let count = if self.open.len() == 1 { ON_THE_ONLY_LINE } else { ON_A_LINE };
        let mut values = self.open[number].spread(count);
        values.push(base[number]);
        values.sort_by(f64::total_cmp);
        values.dedup();
        let with = |value: f64| {
            let mut point = base.to_vec();
            point[number] = value;
            point
        };
        values.into_iter().map(with).collect()
    }

    /// Every value alone through its range, the others at a base.
    pub(super) fn lines(&mut self, base: &[f64]) {
        let points = (0..self.open.len()).flat_map(|i| self.line(base, i)).collect();
        self.look(points);
    }

    /// The worst or the best point of a kind so far; of equals the first.
    pub(super) fn end(&self, kind: usize, worst: bool) -> Option<Look> {
        self.ends(kind, worst).first().map(|look| (*look).clone())
    }

    fn ends(&self, kind: usize, worst: bool) -> Vec<&Look> {
        let mut all: Vec<&Look> = self.looks.iter().collect();
        all.sort_by(|a, b| {
            let order = worse(&a.judged[kind], &b.judged[kind]);
            if worst { order.reverse() } else { order }
        });
        all
    }

    /// Whether the worst and the best point of every kind are among these.
    pub(super) fn are_ends(&self, ends: &[Look]) -> bool {
        let is_among = |look: Look| ends.iter().any(|end| end.values == look.values);
        let kinds = (0..KINDS.len()).flat_map(|kind| [(kind, true), (kind, false)]);
        kinds.filter_map(|(kind, worst)| self.end(kind, worst)).all(is_among)
    }

    /// Steps from the worst point of a kind to worse ones, or from the best to better ones.
    pub(super) fn climb(&mut self, kind: usize, worst: bool) {
        for round in 0..ROUNDS {
            let Some(from) = self.end(kind, worst) else { return };
            // Where there is nothing, there is no slope.
            if from.judged[kind].multiple == 0.0 {
                return;
            }
            let step = libm::ldexp(1.0 / (ON_A_LINE - 1) as f64, -1 - round);
            let mut points = Vec::new();
            for (i, open) in self.open.iter().enumerate() {
                let share = open.share(from.values[i]);
                for share in [share - step, share + step] {
                    let mut point = from.values.clone();
                    point[i] = open.at(share);
                    points.push(point);
                }
            }
            self.look(points);
        }
    }

    /// Judges the ends of each kind and of the verdict by another, more thorough judge. Returns the ends; where both judges
    /// looked, the worse counts.
    pub(super) fn settle(&self, judge: Judge<'_>) -> Vec<Look> {
        let mut points: Vec<Vec<f64>> = Vec::new();
        let mut add = |look: &Look| {
            if !points.contains(&look.values) {
                points.push(look.values.clone());
            }
        };
        for worst in [true, false] {
            for kind in 0..KINDS.len() {
                self.ends(kind, worst).into_iter().take(ENDS).for_each(&mut add);
            }
            let order = |a: &&Look, b: &&Look| if worst { a.worse(b) } else { b.worse(a) };
            self.looks.iter().rev().max_by(order).into_iter().for_each(&mut add);
        }
        let found: Vec<_> = points.par_iter().map(|point| judge(point)).collect();
        let mut ends = Vec::new();
        for (point, look) in points.iter().zip(found) {
            let (Some(Some(index)), Ok(look)) = (self.seen.get(&bits(point)), look) else {
                continue;
            };
            // What others are compared with stays the quick judge's: two judges' numbers do not make a difference.
            let mut end = self.looks[*index].clone();
            for (known, new) in end.judged.iter_mut().zip(look.judged) {
                if worse(known, &new).is_lt() {
                    *known = new;
                }
            }
            ends.push(end);
        }
        ends
    }
}

/// Steps of an additive sequence that fills a box of many sides evenly: powers of 1/g, where g^(sides + 1) = g + 1 (M. Roberts, 2018;
/// from memory).
fn steps(sides: usize) -> Vec<f64> {
    let mut g = 2.0;
    for _ in 0..64 {
        g = libm::pow(1.0 + g, 1.0 / (sides as f64 + 1.0));
    }
    (1..=sides).map(|side| libm::pow(1.0 / g, side as f64)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_side_steps_by_the_golden_ratio() {
        // (√5 − 1)/2, and for two sides the inverse of the plastic number, 0.7548776662 (both from memory).
        assert!((steps(1)[0] - 0.618_033_988_749_895).abs() < 1e-12);
        assert!((steps(2)[0] - 0.754_877_666_2).abs() < 1e-9);
    }
}
