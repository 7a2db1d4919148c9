//! The strongest waves of a field: where the spectrum of many windows shows peaks, then a joint fit in a window of the right
//! size.

use super::field::{Field, Level};
use super::fit::{Model, Sinusoid, fit};
use super::patch::{Area, Patch, Taper};
use super::spectrum::{Peak, Spectrum, median, rms_of_noise};
use crate::artefact::{LUMA, Wave};
use crate::math::fft::Inverse2d;
use glam::DVec2;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

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

/// Windows of the first look, pixels of a level.
const WINDOW: usize = 256;
/// Small windows of the first look, for waves that change quickly across the frame, and the steps between them.
const SMALL: usize = 64;
const SMALL_STEP: usize = 192;
/// More windows than this are halved in number.
const MANY: usize = 30;
/// Largest window of a fit, pixels of a level.
const LARGEST: usize = 384;
/// Smallest.
const SMALLEST: usize = 40;
/// Frequencies below this (cycles per pixel of a level) are left to the next level, if there is one: eight periods a window.
const LEFT_TO_NEXT: f64 = 0.03;
/// Frequencies up to this count in a level that was smoothed and thinned.
const UNFOLDED: f64 = 0.125;
/// Change of frequency across a window, bins, that a window's size is chosen for. The definition of a contrast allows one bin; a
/// smaller window also keeps the contrast's own change across it small.
const DRIFT_BINS: f64 = 0.25;
/// Fewest periods in a window for tapered weights.
const TAPERED_FROM: f64 = 3.5;
/// Share of a wave that a neighbouring window may hold besides, around its frequency, before the window counts as too large.
const UNSTEADY_SHARE: f64 = 0.15;
/// Most waves in a joint fit.
const MOST_WAVES: usize = 18;
/// Waves weaker than this share of the window's strongest are left out of its joint fit.
const WEAKEST_SHARE: f64 = 0.02;
/// Waves farther than this from the one that is looked for, bins, are left out unless they have this share of the strongest.
const REACH_BINS: f64 = 24.0;
const FAR_SHARE: f64 = 0.25;
/// Weakest wave at all.
const WEAKEST: f64 = 2e-6;

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

/// Peaks less than so many times the typical bin (root mean square) may be noise, and are not followed: of ten million bins
/// of noise alone one in 300 000 looks passes it (exp(−5.2²) = 2e-12).
const FOLLOWED_FROM: f64 = 5.2;

/// Where a wave may be.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    look: usize,
    area: Area,
    peak: Peak,
    /// For ranking: small windows come after large ones of the same size.
    rank: f64,
}

/// A window's waves.
struct Analysis {
    area: Area,
    model: Model,
    rest: Spectrum,
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

/// Starts of windows that cover a length, evenly spread.
fn starts(length: usize, side: usize, step: usize) -> Vec<usize> {
    let room = length.saturating_sub(side);
    let count = room.div_ceil(step.max(1)) + 1;
    (0..count).map(|i| if count == 1 { 0 } else { room * i / (count - 1) }).collect()
}

/// Windows of a level, looked at.
fn survey((number, look): (usize, &Look<'_>), side: usize, fft: &Inverse2d) -> Vec<Seen> {
    let mut windows = Vec::new();
    let [width, height] = look.whole();
    let mut cover = |side: usize, step: usize, rank: f64| {
        let (w, h) = (side.min(width), side.min(height));
        let (down, across) = (starts(height, h, step), starts(width, w, step));
        // Of many large windows every other one serves, as on a chessboard.
        let board = number == 0 && rank == 1.0 && down.len() * across.len() > MANY;
        for (j, &y) in down.iter().enumerate() {
            for (i, &x) in across.iter().enumerate() {
                if !board || (i + j) % 2 == 0 {
                    windows.push((Area { x, y, width: w, height: h }, rank));
                }
            }
        }
    };
    cover(side, if number == 0 { side } else { side * 3 / 4 }, 1.0);
    if number == 0 && side == WINDOW && width.max(height) > SMALL_STEP {
        cover(SMALL, SMALL_STEP, 0.9);
    }
    let seen: Vec<Option<Seen>> =
        windows.par_iter().map(|&(area, rank)| peaks_of(look, number, area, rank, fft)).collect();
    seen.into_iter().flatten().collect()
}

/// What the first look at a window shows.
struct Seen {
    candidates: Vec<Candidate>,
    /// Root mean squares of luma and colour at a typical bin.
    noise: (f64, f64),
    /// Whether it is one of the windows whose noise counts: of full size, not thinned.
    counts: bool,
}

/// Peaks of one window; `None` if too little of it is given.
fn peaks_of(
    look: &Look<'_>,
    number: usize,
    area: Area,
    rank: f64,
    fft: &Inverse2d,
) -> Option<Seen> {
    let patch = Patch::cut(&look.level, area)?;
    let spectrum = Spectrum::of(&patch.planes, area.width, area.height, fft);
    let few = 4.0 / area.width.max(area.height) as f64;
    let whole = look.whole();
    let part = area.width < whole[0] && area.height < whole[1];
    // Of long waves a small window knows little; the next level sees them.
    let counts = |f: DVec2| look.counts(f) && (!part || f.length() >= few);
    let noise = spectrum.noise();
    let candidates = spectrum
        .peaks(8, WEAKEST, |f, size| counts(f) && size > FOLLOWED_FROM * noise.at(f))
        .into_iter()
        .map(|peak| {
            let seen = look.level.response(peak.frequency / look.level.steps as f64).abs().max(0.1);
            Candidate { look: number, area, peak, rank: rank * peak.largest / seen }
        })
        .collect();
    let of_all = |c: fn([Complex64; 3]) -> f64| {
        let mut values: Vec<f64> = spectrum.sample().into_iter().map(c).collect();
        rms_of_noise(&mut values)
    };
    let noise = (of_all(|a| luma_and_chroma(a).0), of_all(|a| luma_and_chroma(a).1));
    Some(Seen { candidates, noise, counts: number == 0 && rank == 1.0 })
}

/// Squares of the luma and colour amplitudes of three planes.
fn luma_and_chroma([r, g, b]: [Complex64; 3]) -> (f64, f64) {
    let y = r * LUMA[0] + g * LUMA[1] + b * LUMA[2];
    (y.norm_sqr(), (r - y).norm_sqr() + (b - y).norm_sqr())
}

/// The strongest candidates, each another wave.
fn distinct(mut all: Vec<Candidate>, looks: &[Look<'_>], most: usize) -> Vec<Candidate> {
    all.sort_by(|a, b| b.rank.total_cmp(&a.rank));
    if most == 0 {
        return Vec::new();
    }
    let mut chosen: Vec<Candidate> = Vec::new();
    let of = |c: &Candidate| {
        let steps = looks[c.look].level.steps as f64;
        (c.peak.frequency / steps, 1.0 / (steps * c.area.width.min(c.area.height) as f64))
    };
    for candidate in all {
        let (f, bin) = of(&candidate);
        let same = |other: &Candidate| {
            let (g, other_bin) = of(other);
            near(f, g) <= (3.0 * bin.max(other_bin)).max(0.1 * f.length())
        };
        if !chosen.iter().any(same) {
            chosen.push(candidate);
            if chosen.len() == most {
                break;
            }
        }
    }
    chosen
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

fn bins(f: DVec2, area: Area) -> f64 {
    (f * DVec2::new(area.width as f64, area.height as f64)).length()
}

/// Fits the waves of a window: the peaks of its spectrum, then those of what they leave, all solved together.
fn analyse(
    look: &Look<'_>,
    area: Area,
    main: DVec2,
    settings: &Settings,
    fft: &Inverse2d,
) -> Option<Analysis> {
    let mut patch = Patch::cut(&look.level, area)?;
    let (w, h) = (area.width, area.height);
    let few = bins(main, area) < TAPERED_FROM;
    let (taper, apart) = if few { (Taper::Even, 0.9) } else { (Taper::Hann, 2.5) };
    // Of less than one and a half periods an even part cannot be told apart.
    let degree = if few && bins(main, area) < 1.5 && settings.least_periods == 0.0 {
        None
    } else {
        settings.trend
    };
    let mut waves: Vec<Sinusoid> = Vec::new();
    let mut rest = Spectrum::of(&patch.planes, w, h, fft);
    let mut strongest = 0.0_f64;
    for round in 0..4 {
        let noise = rest.noise();
        let least = (WEAKEST_SHARE * strongest).max(WEAKEST);
        let clear = |f: DVec2, size: f64| {
            let lone = |other: &Sinusoid| near_bins(f, other.frequency, area) >= apart;
            bins(f, area) >= 0.4 && size > 4.0 * noise.at(f) && waves.iter().all(lone)
        };
        let each = if few { 1 } else { 6 };
        let mut more: Vec<DVec2> = Vec::new();
        for peak in rest.peaks(3 * each, least, clear) {
            let lone = |other: &DVec2| near_bins(peak.frequency, *other, area) >= apart;
            // Tapered, what is far away does not reach in unless it is strong.
            let far = near_bins(peak.frequency, main, area) > REACH_BINS;
            let share = if far && !few { FAR_SHARE } else { WEAKEST_SHARE };
            let strong = peak.size >= share * strongest;
            if more.iter().all(lone) && strong && more.len() < each {
                strongest = strongest.max(peak.size);
                more.push(peak.frequency);
            }
        }
        if round == 0 && more.iter().all(|f| near_bins(*f, main, area) >= 1.5) {
            more.insert(0, main);
        }
        more.truncate(MOST_WAVES.saturating_sub(waves.len()));
        if more.is_empty() {
            break;
        }
        let new = |frequency| Sinusoid { frequency, planes: [Complex64::default(); 3] };
        waves.extend(more.into_iter().map(new));
        let mut model = fit(&mut patch, &waves, taper, degree, if few { 12 } else { 5 });
        waves = kept(&model.waves, area, if few { 0.5 } else { 1.0 });
        if waves.len() < model.waves.len() {
            model = fit(&mut patch, &waves, taper, degree, 4);
            waves.clone_from(&model.waves);
        }
        strongest = waves.iter().map(Sinusoid::size).fold(0.0, f64::max);
        rest = Spectrum::of(&model.residual(&patch), w, h, fft);
    }
    let model = fit(&mut patch, &waves, taper, degree, 12);
    let rest = Spectrum::of(&model.residual(&patch), w, h, fft);
    Some(Analysis { area, model, rest })
}

fn near_bins(f: DVec2, g: DVec2, area: Area) -> f64 {
    let size = DVec2::new(area.width as f64, area.height as f64);
    let wrapped = |d: DVec2| ((d - d.round()) * size).length();
    wrapped(f - g).min(wrapped(f + g))
}

/// Waves that stayed apart and are no even part; of two that ran together the larger.
fn kept(waves: &[Sinusoid], area: Area, apart: f64) -> Vec<Sinusoid> {
    let mut by_size: Vec<usize> = (0..waves.len()).collect();
    by_size.sort_by(|a, b| waves[*b].size().total_cmp(&waves[*a].size()));
    let mut keep: Vec<usize> = Vec::new();
    for i in by_size {
        let f = waves[i].frequency;
        let lone = keep.iter().all(|k| near_bins(f, waves[*k].frequency, area) >= apart);
        if lone && f.is_finite() && bins(f, area) >= 0.25 {
            keep.push(i);
        }
    }
    keep.sort_unstable();
    keep.into_iter().map(|i| waves[i]).collect()
}

/// A window's waves and how they change around it.
struct Followed {
    analysis: Analysis,
    /// The wave that was looked for.
    own: usize,
    /// Of each wave, change of frequency across the field, cycles per pixel, per pixel, both directions added.
    drifts: Vec<f64>,
    /// Whether the waves are those of the neighbouring windows too, whose frequencies may have moved.
    holds: bool,
}

fn followed(
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
fn follow(
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

/// The wave nearest to a frequency, if it is within some bins.
fn nearest(analysis: &Analysis, frequency: DVec2) -> Option<usize> {
    let away = |k: &usize| near_bins(analysis.model.waves[*k].frequency, frequency, analysis.area);
    let close = (0..analysis.model.waves.len()).filter(|k| away(k) < 3.0);
    // Of several the strongest.
    close.max_by(|a, b| {
        let size = |k: usize| analysis.model.waves[k].size() / (1.0 + away(&k));
        size(*a).total_cmp(&size(*b))
    })
}

/// How fast the frequencies of a window's waves change across the field: cycles per pixel, per pixel, both directions added. 0 where
/// that cannot be told: of waves of few periods, and of those that are gone from the neighbouring windows.
/// Second, whether the waves account for what is in those windows around the frequency of the own one.
fn drifts(
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

/// A wave of an analysis in pixels of the full field.
fn told(look: &Look<'_>, analysis: &Analysis, own: usize, drift_bins: Option<f64>) -> Found {
    let level = &look.level;
    let wave = &analysis.model.waves[own];
    let steps = level.steps as f64;
    // Folded to the alias-free square, of the level and so of the field.
    let frequency = (wave.frequency - wave.frequency.round()) / steps;
    let middle = level.origin + (DVec2::from(analysis.area.middle()) - 0.5) * steps;
    let response = level.response(frequency);
    // What a whole cycle per pixel adds is a sign at each pixel's centre: none at the window's middle if that is one.
    let centre = DVec2::from(analysis.area.middle()) - 0.5;
    let whole = wave.frequency.round().dot(centre);
    let turn = TAU * (whole - frequency.dot(middle));
    let back = Complex64::new(libm::cos(turn), libm::sin(turn)) / response;
    let size = DVec2::new(analysis.area.width as f64, analysis.area.height as f64);
    let (luma, chroma) = floors(&analysis.rest, wave.frequency);
    Found {
        wave: Wave::new(frequency, wave.planes.map(|p| p * back)),
        at: middle,
        window_px: size * steps,
        periods: bins(wave.frequency, analysis.area),
        drift_bins,
        luma_floor: FLOOR_OVER_RMS * luma / response.abs(),
        chroma_floor: FLOOR_OVER_RMS * chroma / response.abs(),
        steps: level.steps,
    }
}

/// Root mean squares of luma and colour amplitudes of what is left around a frequency.
fn floors(rest: &Spectrum, frequency: DVec2) -> (f64, f64) {
    let (kx, ky) = rest.bin(frequency);
    let (columns, rows) = rest.size();
    let reach = |n: usize| 8.min(n as isize / 4);
    let (rx, ry) = (reach(columns), reach(rows));
    let (mut luma, mut chroma) = (Vec::new(), Vec::new());
    for dy in -ry..=ry {
        for dx in -rx..=rx {
            if dx.abs() <= 2 && dy.abs() <= 2 {
                continue;
            }
            let (y, c) = luma_and_chroma(rest.amplitudes(kx + dx, ky + dy));
            luma.push(y);
            chroma.push(c);
        }
    }
    (rms_of_noise(&mut luma), rms_of_noise(&mut chroma))
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
