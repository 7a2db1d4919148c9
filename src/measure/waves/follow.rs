//! From a peak of the first look to a wave in a window of the right size.

use super::super::fit::{Model, Sinusoid, fit};
use super::super::patch::{Area, Patch, Taper};
use super::super::spectrum::Spectrum;
use super::analyse::{Analysis, TAPERED_FROM, analyse, bins, near_bins, nearest, told};
use super::survey::{Candidate, SMALL, WINDOW};
use super::{Found, Look, Settings, around, near};
use crate::math::fft::Inverse2d;
use glam::DVec2;

/// Largest window of a fit, pixels of a level.
pub(super) const LARGEST: usize = 384;
/// Smallest.
pub(super) const SMALLEST: usize = 40;
/// Change of frequency across a window, bins, that a window's size is chosen for. The definition of a contrast allows one bin; a
/// smaller window also keeps the contrast's own change across it small.
pub(super) const DRIFT_BINS: f64 = 0.25;
/// Share of a wave that a neighbouring window may hold besides, around its frequency, before the window counts as too large.
pub(super) const UNSTEADY_SHARE: f64 = 0.15;

/// A window's waves and how they change around it.
pub(super) struct Followed {
    analysis: Analysis,
    /// The wave that was looked for.
    own: usize,
    /// Of each wave, change of frequency across the field, cycles per pixel, per pixel, both directions added.
    drifts: Vec<f64>,
    /// Whether the waves are those of the neighbouring windows too, whose frequencies may have moved.
    holds: bool,
}

pub(super) fn followed(
    look: &Look<'_>,
    area: Area,
    frequency: DVec2,
    settings: &Settings,
    fft: &Inverse2d,
) -> Option<Followed> {
    let analysis = analyse(look, area, frequency, settings, fft)?;
    let own = nearest(&analysis, frequency)?;
    let (drifts, holds) = drifts(look, &analysis, own, settings, fft);
    Some(Followed { analysis, own, drifts, holds })
}

impl Followed {
    fn waves(&self) -> &[Sinusoid] {
        &self.analysis.model.waves
    }

    fn frequency(&self) -> DVec2 {
        self.waves()[self.own].frequency
    }

    /// Side of the window that a wave allows, pixels of the level.
    fn side_of(&self, wave: usize) -> f64 {
        let drift = self.drifts[wave];
        if drift > 0.0 { (DRIFT_BINS / drift).sqrt() } else { f64::INFINITY }
    }

    /// Side of this window.
    fn now(&self) -> f64 {
        self.analysis.area.width.max(self.analysis.area.height) as f64
    }

    /// Sum of the sizes of the waves within so many cycles per pixel of a frequency: what they can add up to in a small window.
    fn together(&self, frequency: DVec2, within: f64) -> f64 {
        let near = self.waves().iter().filter(|w| near(w.frequency, frequency) < within);
        near.map(Sinusoid::size).sum()
    }

    /// Whether the wave is what a single sinusoid leaves of a stronger neighbour whose frequency changes across the window.
    fn is_a_remnant(&self) -> bool {
        let own = &self.waves()[self.own];
        let stronger = |k: &usize| {
            let other = &self.waves()[*k];
            let close = near_bins(other.frequency, own.frequency, self.analysis.area) < 12.0;
            *k != self.own && close && other.size() > 1.5 * own.size()
        };
        (0..self.waves().len()).filter(stronger).any(|k| self.side_of(k) < 0.8 * self.now())
    }
}

/// Follows a candidate to its neighbours, chooses a window, and fits there. The first of the result is the candidate's own wave.
pub(super) fn follow(
    looks: &[Look<'_>],
    candidate: &Candidate,
    settings: &Settings,
    at: Option<DVec2>,
    fft: &Inverse2d,
) -> Vec<Found> {
    let look = &looks[candidate.look];
    let whole = look.whole();
    let (area, peak) = (candidate.area, candidate.peak);
    let small = area.width.max(area.height) <= SMALL && whole[0].max(whole[1]) > SMALL;
    // What a small window takes for one strong wave may be several, which a large one tells apart.
    let apart = small.then(|| {
        let wide = Area::around(area.middle(), [WINDOW, WINDOW], whole);
        followed(look, wide, peak.frequency, settings, fft).filter(|f| {
            let bin = 1.5 / area.width.max(area.height) as f64;
            let allows = f.holds && f.side_of(f.own) > 0.8 * WINDOW as f64;
            allows && f.together(peak.frequency, bin) > 0.7 * peak.size
        })
    });
    let Some(first) =
        apart.flatten().or_else(|| followed(look, area, peak.frequency, settings, fft))
    else {
        return Vec::new();
    };
    if first.is_a_remnant() {
        return Vec::new();
    }
    let (frequency, now) = (first.frequency(), first.now());
    // The last level may be taken whole: there are the waves of few periods.
    let largest = if candidate.look + 1 == looks.len() { whole[0].max(whole[1]) } else { LARGEST };
    let few = 2.5 / frequency.length();
    let side = first.side_of(first.own).max(few.min(now)).max(SMALLEST as f64).min(largest as f64);
    let fits = (0.85..1.15).contains(&(side / now));
    let middle = DVec2::from(first.analysis.area.middle()) - 0.5;
    let place = at.unwrap_or(look.level.origin + middle * look.level.steps as f64);
    // A wave that changes quickly needs a smaller window than a thinned level has pixels for: the level before has.
    let finer =
        candidate.look.checked_sub(1).filter(|_| first.side_of(first.own) < SMALLEST as f64);
    let (look, scale) = match finer {
        Some(finer) => (&looks[finer], look.level.steps as f64 / looks[finer].level.steps as f64),
        None => (look, 1.0),
    };
    let wanted = if finer.is_some() { first.side_of(first.own).max(few) } else { side };
    let frequency = frequency / scale;
    let again = || {
        [1.0, 0.7].iter().find_map(|share| {
            let side = (wanted * scale * share).max(SMALLEST as f64);
            let analysis = analyse(look, around(look, place, side), frequency, settings, fft)?;
            nearest(&analysis, frequency).map(|_| analysis)
        })
    };
    let anew = if fits && at.is_none() { None } else { again() };
    if finer.is_some() && anew.is_none() {
        return Vec::new();
    }
    let chosen = anew.as_ref().unwrap_or(&first.analysis);
    let Some(own) = nearest(chosen, frequency) else { return Vec::new() };
    let size = chosen.area.width.max(chosen.area.height) as f64;
    let bins = |drift: f64| drift / (scale * scale) * size * size;
    let mut found = vec![told(look, chosen, own, Some(bins(first.drifts[first.own])))];
    for (k, wave) in chosen.model.waves.iter().enumerate().filter(|(k, _)| *k != own) {
        // What belongs to another level is told there, and what changes too much in this window from one of its own.
        let before = first
            .waves()
            .iter()
            .position(|w| near_bins(w.frequency, wave.frequency, chosen.area) < 2.0);
        let steady = before.is_some_and(|k| bins(first.drifts[k]) < 1.0);
        if look.counts(wave.frequency) && steady {
            found.push(told(look, chosen, k, None));
        }
    }
    found
}

/// How fast the frequencies of a window's waves change across the field: cycles per pixel, per pixel, both directions added. 0 where
/// that cannot be told: of waves of few periods, and of those that are gone from the neighbouring windows.
/// Second, whether the waves account for what is in those windows around the frequency of the own one.
pub(super) fn drifts(
    look: &Look<'_>,
    analysis: &Analysis,
    own: usize,
    settings: &Settings,
    fft: &Inverse2d,
) -> (Vec<f64>, bool) {
    let area = analysis.area;
    let whole = look.whole();
    let waves = &analysis.model.waves;
    let mut total = vec![0.0; waves.len()];
    let mut holds = true;
    if bins(waves[own].frequency, area) < TAPERED_FROM {
        return (total, holds);
    }
    let mut look_at = |there: Area, waves: &[Sinusoid], own: usize| -> Option<Model> {
        let mut patch = Patch::cut(&look.level, there)?;
        let model = fit(&mut patch, waves, Taper::Hann, settings.trend, 6);
        let rest = Spectrum::of(&model.residual(&patch), there.width, there.height, fft);
        let own = model.waves[own];
        let noise = 6.0 * rest.noise().at(own.frequency);
        let least = (UNSTEADY_SHARE * own.size()).max(noise);
        let close = |f: DVec2, _: f64| near_bins(f, own.frequency, there) < 10.0;
        holds &= rest.peaks(1, least, close).is_empty();
        Some(model)
    };
    for axis in 0..2 {
        let mut most = vec![0.0_f64; waves.len()];
        let side = [area.width, area.height][axis];
        let mut shifted = false;
        for back in [true, false] {
            let mut start = [area.x, area.y];
            let step = side / 2;
            let moved = if back {
                start[axis].saturating_sub(step)
            } else {
                (start[axis] + step).min(whole[axis].saturating_sub(side))
            };
            let by = moved as f64 - start[axis] as f64;
            start[axis] = moved;
            if by.abs() < side as f64 / 8.0 {
                continue;
            }
            let there = Area { x: start[0], y: start[1], ..area };
            let Some(model) = look_at(there, waves, own) else { continue };
            shifted = true;
            for ((most, before), after) in most.iter_mut().zip(waves).zip(&model.waves) {
                // A wave that ended before the neighbour says nothing.
                if after.size() > 0.2 * before.size() {
                    *most = most.max(((after.frequency - before.frequency) / by).length());
                }
            }
        }
        if !shifted {
            // The window is the whole: its halves are compared, the own wave alone, with those that are far from it.
            let mut size = [area.width, area.height];
            size[axis] = side / 2;
            let half = |second: bool| {
                let mut start = [area.x, area.y];
                start[axis] += if second { side - size[axis] } else { 0 };
                Area { x: start[0], y: start[1], width: size[0], height: size[1] }
            };
            let far = |k: &usize| {
                *k == own || near_bins(waves[*k].frequency, waves[own].frequency, area) > 5.0
            };
            let kept: Vec<usize> = (0..waves.len()).filter(far).collect();
            let some: Vec<Sinusoid> = kept.iter().map(|k| waves[*k]).collect();
            let place = kept.iter().position(|k| *k == own).unwrap_or(0);
            if bins(waves[own].frequency, half(false)) >= TAPERED_FROM
                && let (Some(a), Some(b)) =
                    (look_at(half(false), &some, place), look_at(half(true), &some, place))
            {
                let by = (side - size[axis]) as f64;
                for (i, k) in kept.iter().enumerate() {
                    let (a, b) = (a.waves[i], b.waves[i]);
                    if a.size().min(b.size()) > 0.2 * waves[*k].size() {
                        most[*k] = ((b.frequency - a.frequency) / by).length();
                    }
                }
            }
        }
        for (total, most) in total.iter_mut().zip(&most) {
            *total += most;
        }
    }
    (total, holds)
}
