//! The first look: spectra of many windows, and which of their peaks are followed.

use super::super::patch::{Area, Patch};
use super::super::spectrum::{Peak, Spectrum, rms_of_noise};
use super::{Look, luma_and_chroma, near};
use crate::math::fft::Inverse2d;
use glam::DVec2;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;

/// Windows of the first look, pixels of a level.
pub(super) const WINDOW: usize = 256;
/// Small windows of the first look, for waves that change quickly across the frame, and the steps between them.
pub(super) const SMALL: usize = 64;
pub(super) const SMALL_STEP: usize = 192;
/// More windows than this are halved in number.
pub(super) const MANY: usize = 30;
/// Peaks less than so many times the typical bin (root mean square) may be noise, and are not followed: of ten million bins
/// of noise alone one in 300 000 looks passes it (exp(−5.2²) = 2e-12).
pub(super) const FOLLOWED_FROM: f64 = 5.2;
/// Weakest wave at all.
pub(super) const WEAKEST: f64 = 2e-6;

/// Where a wave may be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub(super) look: usize,
    pub(super) area: Area,
    pub(super) peak: Peak,
    /// For ranking: small windows come after large ones of the same size.
    pub(super) rank: f64,
}

/// What the first look at a window shows.
pub(super) struct Seen {
    pub(super) candidates: Vec<Candidate>,
    /// Root mean squares of luma and colour at a typical bin.
    pub(super) noise: (f64, f64),
    /// Whether it is one of the windows whose noise counts: of full size, not thinned.
    pub(super) counts: bool,
}

/// Starts of windows that cover a length, evenly spread.
pub(super) fn starts(length: usize, side: usize, step: usize) -> Vec<usize> {
    let room = length.saturating_sub(side);
    let count = room.div_ceil(step.max(1)) + 1;
    (0..count).map(|i| if count == 1 { 0 } else { room * i / (count - 1) }).collect()
}

/// Windows of a level, looked at.
pub(super) fn survey(
    (number, look): (usize, &Look<'_>),
    side: usize,
    fft: &Inverse2d,
) -> Vec<Seen> {
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

/// Peaks of one window; `None` if too little of it is given.
pub(super) fn peaks_of(
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

/// The strongest candidates, each another wave.
pub(super) fn distinct(mut all: Vec<Candidate>, looks: &[Look<'_>], most: usize) -> Vec<Candidate> {
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
