//! The waves of one window, fitted together.

use super::super::fit::{Model, Sinusoid, fit};
use super::super::patch::{Area, Patch, Taper};
use super::super::spectrum::{Spectrum, rms_of_noise};
use super::survey::WEAKEST;
use super::{FLOOR_OVER_RMS, Found, Look, Settings, luma_and_chroma};
use crate::artefact::Wave;
use crate::math::fft::Inverse2d;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Fewest periods in a window for tapered weights.
pub(super) const TAPERED_FROM: f64 = 3.5;
/// Most waves in a joint fit.
pub(super) const MOST_WAVES: usize = 18;
/// Waves weaker than this share of the window's strongest are left out of its joint fit.
pub(super) const WEAKEST_SHARE: f64 = 0.02;
/// Waves farther than this from the one that is looked for, bins, are left out unless they have this share of the strongest.
pub(super) const REACH_BINS: f64 = 24.0;
pub(super) const FAR_SHARE: f64 = 0.25;

/// Size of a wave over the root mean square of its window (1.41 for one alone) above which it is none: two that are nearly one may be
/// solved as a pair of any size that cancels.
const MOST_OVER_RMS: f64 = 5.0;

/// A window's waves.
pub(super) struct Analysis {
    pub(super) area: Area,
    pub(super) model: Model,
    pub(super) rest: Spectrum,
}

/// Fits the waves of a window: the peaks of its spectrum, then those of what they leave, all solved together.
pub(super) fn analyse(
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
    let most = MOST_OVER_RMS * rms(&patch);
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
        waves = kept(&model.waves, area, if few { 0.5 } else { 1.0 }, most);
        if waves.len() < model.waves.len() {
            model = fit(&mut patch, &waves, taper, degree, 4);
            waves.clone_from(&model.waves);
        }
        strongest = waves.iter().map(Sinusoid::size).fold(0.0, f64::max);
        rest = Spectrum::of(&model.residual(&patch), w, h, fft);
    }
    let mut model = fit(&mut patch, &waves, taper, degree, 12);
    while model.waves.iter().any(|w| w.size() > most) {
        waves = kept(&model.waves, area, 0.0, most);
        model = fit(&mut patch, &waves, taper, degree, 12);
    }
    let rest = Spectrum::of(&model.residual(&patch), w, h, fft);
    Some(Analysis { area, model, rest })
}

/// Root mean square of what is in a patch, all planes together.
fn rms(patch: &Patch) -> f64 {
    let given = patch.planes[0].len() - patch.missing.len();
    let of = |plane: &Vec<f32>| plane.iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>();
    (patch.planes.iter().map(of).sum::<f64>() / given.max(1) as f64).sqrt()
}

/// Waves that stayed apart, are no even part and no larger than `most`; of two that ran together the larger.
pub(super) fn kept(waves: &[Sinusoid], area: Area, apart: f64, most: f64) -> Vec<Sinusoid> {
    let mut by_size: Vec<usize> = (0..waves.len()).collect();
    by_size.sort_by(|a, b| waves[*b].size().total_cmp(&waves[*a].size()));
    let mut keep: Vec<usize> = Vec::new();
    for i in by_size {
        let f = waves[i].frequency;
        let lone = keep.iter().all(|k| near_bins(f, waves[*k].frequency, area) >= apart);
        let real = waves[i].size() <= most;
        if lone && real && f.is_finite() && bins(f, area) >= 0.25 {
            keep.push(i);
        }
    }
    keep.sort_unstable();
    keep.into_iter().map(|i| waves[i]).collect()
}

/// The wave nearest to a frequency, if it is within some bins.
pub(super) fn nearest(analysis: &Analysis, frequency: DVec2) -> Option<usize> {
    let away = |k: &usize| near_bins(analysis.model.waves[*k].frequency, frequency, analysis.area);
    let close = (0..analysis.model.waves.len()).filter(|k| away(k) < 3.0);
    // Of several the strongest.
    close.max_by(|a, b| {
        let size = |k: usize| analysis.model.waves[k].size() / (1.0 + away(&k));
        size(*a).total_cmp(&size(*b))
    })
}

/// A wave of an analysis in pixels of the full field.
pub(super) fn told(
    look: &Look<'_>,
    analysis: &Analysis,
    own: usize,
    drift_bins: Option<f64>,
) -> Found {
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
pub(super) fn floors(rest: &Spectrum, frequency: DVec2) -> (f64, f64) {
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

pub(super) fn near_bins(f: DVec2, g: DVec2, area: Area) -> f64 {
    let size = DVec2::new(area.width as f64, area.height as f64);
    let wrapped = |d: DVec2| ((d - d.round()) * size).length();
    wrapped(f - g).min(wrapped(f + g))
}

pub(super) fn bins(f: DVec2, area: Area) -> f64 {
    (f * DVec2::new(area.width as f64, area.height as f64)).length()
}
