//! The strongest waves of a field: where the spectrum of many windows shows peaks, then a joint fit in a window of the right
//! size.

use super::field::{Field, Level};
use super::patch::Area;
use super::spectrum::median;
use crate::artefact::{LUMA, Wave};
use crate::math::fft::Inverse2d;
use glam::DVec2;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;

mod analyse;
mod follow;
mod survey;

use analyse::{analyse, nearest, told};
use follow::follow;
use survey::{SMALL, Seen, WINDOW, distinct, peaks_of, survey};

/// How to look for waves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Most waves that are followed each to a window of its own.
    pub most: usize,
    /// Degree of the trend that is taken out of each window together with the waves; `None` for deviations from a frame
    /// that has no trend of its own, where an even part counts as a wave of endless period.
    pub trend: Option<usize>,
    /// Fewest periods across the whole that a wave must have, so that it cannot be mistaken for shading; 0 where nothing else
    /// is in the field.
    pub least_periods: f64,
}

impl Default for Settings {
    /// For deviations from an ideal frame.
    fn default() -> Self {
        Self { most: 6, trend: Some(0), least_periods: 0.0 }
    }
}

/// A wave and where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// The wave, in pixels of the field.
    pub wave: Wave,
    /// Middle of the window, pixels from the field's top left corner.
    pub at: DVec2,
    /// Columns and rows of the window, pixels.
    pub window_px: DVec2,
    /// Periods of the wave across the window; below 1 the numbers are those of less than a period.
    pub periods: f64,
    /// Change of the wave's frequency across the window, in steps of one period a window; `None` for a wave that was not
    /// followed to its neighbours.
    pub drift_bins: Option<f64>,
    /// Contrast of luma that the rest of the window's spectrum around this wave could pretend ([`FLOOR_OVER_RMS`]).
    pub luma_floor: f64,
    /// The same of colour.
    pub chroma_floor: f64,
    /// Steps of the level that it was fitted in, for looking there again.
    steps: usize,
}

impl Found {
    /// The larger of luma and colour contrast.
    pub fn contrast(&self) -> f64 {
        self.wave.luma().max(self.wave.chroma())
    }

    /// Distance of its frequency from another, cycles per pixel: a frequency of the other sign, or with whole cycles per pixel more,
    /// is the same.
    pub fn away_from(&self, frequency: DVec2) -> f64 {
        near(self.wave.frequency, frequency)
    }

    /// The same wave, its frequency written as the one that lies nearest to another.
    fn written_near(mut self, frequency: DVec2) -> Self {
        let wave = &mut self.wave;
        if near_of_one_sign(wave.frequency, frequency)
            > near_of_one_sign(-wave.frequency, frequency)
        {
            wave.frequency = -wave.frequency;
            wave.planes = wave.planes.map(|p| p.conj());
        }
        let whole = (frequency - wave.frequency).round();
        // At the pixels' centres whole cycles are a sign.
        let sign = if (whole.x + whole.y).rem_euclid(2.0) == 0.0 { 1.0 } else { -1.0 };
        wave.frequency += whole;
        wave.planes = wave.planes.map(|p| p * sign);
        self
    }

    /// Whether neither luma nor colour is above its floor.
    pub fn below_noise(&self) -> bool {
        self.wave.luma() <= self.luma_floor && self.wave.chroma() <= self.chroma_floor
    }
}

/// The floor of noise, over the root mean square of the amplitude that noise alone gives at one frequency. An amplitude of
/// three floors then has a standard error of 1/(√2·3·7.75) = 3.0 % in phase with the wave, and stays within 10 % in 999 cases
/// of 1000 (3.29 standard errors); and noise alone passes the floor at none of ten million frequencies (exp(−7.75²) = 8e-27 each).
pub const FLOOR_OVER_RMS: f64 = 7.75;

/// Waves of a field, the strongest first.
#[derive(Debug, Clone, PartialEq)]
pub struct Waves {
    /// The strongest first ([`Found::contrast`]).
    pub found: Vec<Found>,
    /// Even part: mean of each plane over what is given; not a number where nothing is.
    pub mean: [f64; 3],
    /// Contrast of luma that the spectra of the first look's windows could pretend, the middle one of all
    /// ([`FLOOR_OVER_RMS`]); 0 where there was no window.
    pub luma_floor: f64,
    /// The same of colour.
    pub chroma_floor: f64,
}

/// Frequencies below this (cycles per pixel of a level) are left to the next level, if there is one: eight periods a window.
const LEFT_TO_NEXT: f64 = 0.03;
/// Frequencies up to this count in a level that was smoothed and thinned.
const UNFOLDED: f64 = 0.125;

/// A level and the frequencies that count in it.
struct Look<'a> {
    level: Level<'a>,
    lowest: f64,
    highest: f64,
    /// Fewest periods across the whole.
    least_periods: f64,
}

impl Look<'_> {
    fn whole(&self) -> [usize; 2] {
        [self.level.field.width(), self.level.field.height()]
    }

    fn counts(&self, f: DVec2) -> bool {
        let whole = DVec2::new(self.whole()[0] as f64, self.whole()[1] as f64);
        f.length() >= self.lowest
            && f.abs().max_element() <= self.highest
            && (f * whole).length() >= self.least_periods
    }
}

/// Finds the strongest waves anywhere in a field.
pub fn waves(field: &Field, settings: &Settings) -> Waves {
    let fft = Inverse2d::default();
    let looks = looks(field, settings);
    let mut windows = Vec::new();
    for (number, look) in looks.iter().enumerate() {
        // Where no window is given well enough, smaller ones may be.
        let of_side = |side: usize| survey((number, look), side, &fft);
        let sides = [WINDOW, WINDOW / 2, WINDOW / 4, WINDOW / 8];
        let found = sides.into_iter().map(of_side).find(|found| !found.is_empty());
        windows.extend(found.unwrap_or_default());
    }
    all_of(field, &looks, windows, settings, None, &fft)
}

/// Follows the strongest candidates of some windows.
fn all_of(
    field: &Field,
    looks: &[Look<'_>],
    windows: Vec<Seen>,
    settings: &Settings,
    at: Option<DVec2>,
    fft: &Inverse2d,
) -> Waves {
    let floor = |of: fn(&Seen) -> f64| {
        let mut floors: Vec<f64> = windows.iter().filter(|w| w.counts).map(of).collect();
        FLOOR_OVER_RMS * median(&mut floors).unwrap_or(0.0)
    };
    let (luma_floor, chroma_floor) = (floor(|w| w.noise.0), floor(|w| w.noise.1));
    let candidates = windows.into_iter().flat_map(|w| w.candidates).collect();
    let chosen = distinct(candidates, looks, settings.most);
    let followed: Vec<Vec<Found>> =
        chosen.par_iter().map(|c| follow(looks, c, settings, at, fft)).collect();
    let found = sorted(followed.into_iter().flatten().collect());
    Waves { found, mean: mean(field), luma_floor, chroma_floor }
}

/// Finds the waves around a place of a field (pixels from its top left corner), in windows that lie as nearly around it as the
/// field's edges allow.
pub fn waves_at(field: &Field, at: DVec2, settings: &Settings) -> Waves {
    let fft = Inverse2d::default();
    let looks = looks(field, settings);
    let mut windows: Vec<Seen> = Vec::new();
    for (number, look) in looks.iter().enumerate() {
        for (side, rank) in [(WINDOW, 1.0), (SMALL, 0.9)] {
            let area = around(look, at, side as f64);
            windows.extend(peaks_of(look, number, area, rank, &fft));
        }
    }
    all_of(field, &looks, windows, settings, Some(at), &fft)
}

/// The same wave in another field of the same size: fitted anew in the same window, with its own phase and contrast, its
/// frequency refined. `None` if it is not there.
pub fn again(field: &Field, before: &Found, settings: &Settings) -> Option<Found> {
    let fft = Inverse2d::default();
    let looks = looks(field, settings);
    let look = looks.iter().find(|l| l.level.steps == before.steps)?;
    let steps = before.steps as f64;
    let middle = (before.at - look.level.origin) / steps + 0.5;
    let size = before.window_px / steps;
    let size = [size.x.round() as usize, size.y.round() as usize];
    let area = Area::around(middle.to_array(), size, look.whole());
    let frequency = before.wave.frequency * steps;
    let analysis = analyse(look, area, frequency, settings, &fft)?;
    let own = nearest(&analysis, frequency)?;
    let found = told(look, &analysis, own, before.drift_bins);
    found.contrast().is_finite().then_some(found.written_near(before.wave.frequency))
}

fn looks<'a>(field: &'a Field, settings: &Settings) -> Vec<Look<'a>> {
    let mut levels = vec![Level::given(field)];
    let of_all = &levels[0].field;
    let size = DVec2::new(of_all.width() as f64, of_all.height() as f64);
    while let Some(next) = levels.last().and_then(Level::coarser) {
        levels.push(next);
    }
    let count = levels.len();
    let look = |(i, level): (usize, Level<'a>)| {
        let last = i + 1 == count;
        let steps = level.steps as f64;
        let lowest = if last { 0.4 / size.max_element() * steps } else { LEFT_TO_NEXT };
        let highest = if i == 0 { 0.5 + 1e-9 } else { UNFOLDED };
        Look { level, lowest, highest, least_periods: settings.least_periods }
    };
    levels.into_iter().enumerate().map(look).collect()
}

/// Squares of the luma and colour amplitudes of three planes.
fn luma_and_chroma([r, g, b]: [Complex64; 3]) -> (f64, f64) {
    let y = r * LUMA[0] + g * LUMA[1] + b * LUMA[2];
    (y.norm_sqr(), (r - y).norm_sqr() + (b - y).norm_sqr())
}

/// Distance of two frequencies of a picture: of either sign, and on a whole cycle per pixel.
fn near(f: DVec2, g: DVec2) -> f64 {
    near_of_one_sign(f, g).min(near_of_one_sign(f, -g))
}

fn near_of_one_sign(f: DVec2, g: DVec2) -> f64 {
    let d = f - g;
    (d - d.round()).length()
}

fn mean(field: &Field) -> [f64; 3] {
    let width = field.width().max(1);
    [0, 1, 2].map(|c| {
        let rows: Vec<(f64, usize)> = field.planes[c]
            .data
            .par_chunks(width)
            .map(|row| {
                row.iter().fold((0.0, 0), |(sum, n), v| {
                    if v.is_finite() { (sum + f64::from(*v), n + 1) } else { (sum, n) }
                })
            })
            .collect();
        let (sum, n) = rows.iter().fold((0.0, 0), |(s, n), r| (s + r.0, n + r.1));
        if n == 0 { f64::NAN } else { sum / n as f64 }
    })
}

/// A window of a level around a place of the full field.
fn around(look: &Look<'_>, at: DVec2, side: f64) -> Area {
    let level = &look.level;
    let middle = (at - level.origin) / level.steps as f64 + 0.5;
    let side = side.round().max(2.0) as usize;
    Area::around(middle.to_array(), [side, side], look.whole())
}

/// The strongest first; of the same wave found twice the one that was followed, or the larger.
fn sorted(mut all: Vec<Found>) -> Vec<Found> {
    all.sort_by(|a, b| {
        let followed = |f: &Found| f.drift_bins.is_none();
        followed(a).cmp(&followed(b)).then(b.contrast().total_cmp(&a.contrast()))
    });
    let mut out: Vec<Found> = Vec::new();
    for found in all {
        let bin = |f: &Found| 1.0 / f.window_px.min_element();
        let same = |other: &Found| {
            near(found.wave.frequency, other.wave.frequency) <= 2.0 * bin(&found).max(bin(other))
        };
        if found.contrast().is_finite() && !out.iter().any(same) {
            out.push(found);
        }
    }
    out.sort_by(|a, b| b.contrast().total_cmp(&a.contrast()));
    out
}

#[cfg(test)]
mod tests;
