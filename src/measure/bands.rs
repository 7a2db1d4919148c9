//! Bands and flicker: waves counted in lines and frames.

use super::field::Field;
use super::waves::{Found, Settings, Waves, again};
use crate::artefact::LUMA;
use std::f64::consts::TAU;

/// What lines and frames of a picture are in time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clockwork {
    /// Recorded lines that one row of the picture stands for: 1 but for a scaled picture.
    pub lines_per_row: f64,
    /// Lines that the whole frame has.
    pub lines: f64,
    /// Frames per second, if known.
    pub fps: Option<f64>,
    /// Time from the first line's start to that of one past the last, seconds, if known.
    pub readout_s: Option<f64>,
}

impl Clockwork {
    /// Recorded lines from band to band, straight down the picture; `None` for stripes that stand upright.
    pub fn period_lines(&self, found: &Found) -> Option<f64> {
        let down = found.wave.frequency.y.abs();
        (down > 1e-9).then(|| self.lines_per_row / down)
    }

    /// Bands in the height of the whole frame.
    pub fn bands_per_frame(&self, found: &Found) -> f64 {
        found.wave.frequency.y.abs() * self.lines / self.lines_per_row
    }

    /// Frequency of light that would stand so under this readout, Hz; one of several, since lines see it only now and then.
    pub fn light_hz(&self, found: &Found) -> Option<f64> {
        Some(self.bands_per_frame(found) / self.readout_s?)
    }
}

/// How a wave moves from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Roll {
    /// Periods per frame, −½ to ½: what is seen. Positive for waves that run down the picture (to the right, if they stand
    /// upright).
    pub periods_per_frame: f64,
    /// Recorded lines per frame, positive downwards.
    pub lines_per_frame: Option<f64>,
    /// Periods per second.
    pub hz: Option<f64>,
}

/// A wave followed through the frames of a sequence.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// As it was found first.
    pub first: Found,
    /// Frames and what was found in them at the same place.
    pub seen: Vec<(u32, Option<Found>)>,
}

impl Track {
    /// Starts with a frame.
    pub fn new(frame: u32, first: Found) -> Self {
        Self { first, seen: vec![(frame, Some(first))] }
    }

    /// Looks for the wave in the next frame.
    pub fn follow(&mut self, frame: u32, field: &Field, settings: &Settings) {
        let found = again(field, &self.first, settings);
        self.seen.push((frame, found));
    }

    /// Luma contrast, lowest and highest, over the frames. Frames without the wave count as 0.
    pub fn luma_range(&self) -> (f64, f64) {
        let sizes = self.seen.iter().map(|(_, f)| f.map_or(0.0, |f| f.wave.luma()));
        sizes.fold((f64::INFINITY, 0.0), |(low, high), v| (low.min(v), high.max(v)))
    }

    /// The roll from each frame to the next, on average, weighed by contrast; `None` of less than two frames in a row.
    pub fn roll(&self, clock: &Clockwork) -> Option<Roll> {
        let mut sum = rustfft::num_complex::Complex64::default();
        for pair in self.seen.windows(2) {
            let [(n, Some(a)), (m, Some(b))] = pair else { continue };
            if *m != n + 1 {
                continue;
            }
            // Phases where the window lies: a hair of frequency far from the corner is a large angle.
            let turn = TAU * (b.wave.frequency - a.wave.frequency).dot(self.first.at);
            let back = rustfft::num_complex::Complex64::new(libm::cos(turn), libm::sin(turn));
            for (p, q) in a.wave.planes.iter().zip(b.wave.planes) {
                sum += q * back * p.conj();
            }
        }
        if sum.norm() == 0.0 {
            return None;
        }
        // A wave that runs on has a phase that falls behind.
        let periods_per_frame = -sum.arg() / TAU;
        let period = clock.period_lines(&self.first);
        Some(Roll {
            periods_per_frame,
            lines_per_frame: period.map(|p| p * periods_per_frame),
            hz: clock.fps.map(|fps| fps * periods_per_frame),
        })
    }
}

/// Light of whole frames over a sequence.
#[derive(Debug, Clone, PartialEq)]
pub struct Flicker {
    /// Luma of each frame, as a share of the mean of all.
    pub luma: Vec<(u32, f64)>,
    /// Half of what lies between the brightest and the darkest frame.
    pub amplitude: f64,
    /// The largest change from a frame to the next.
    pub largest_step: f64,
    /// The frame after that change.
    pub step_at: u32,
    /// The largest change of red, green or blue from a frame to the next, where the light's colour changes more than its luma.
    pub largest_step_of_a_colour: f64,
}

/// Flicker from the even parts of deviations, frame by frame, each over the ideal's luma ([`Waves::mean`]). `None` of less than two
/// frames in which it is given.
pub fn flicker(means: &[(u32, [f64; 3])]) -> Option<Flicker> {
    let given: Vec<&(u32, [f64; 3])> =
        means.iter().filter(|(_, m)| m.iter().all(|v| v.is_finite())).collect();
    if given.len() < 2 {
        return None;
    }
    let luma = |m: &[f64; 3]| 1.0 + m.iter().zip(LUMA).map(|(v, share)| v * share).sum::<f64>();
    let mean = given.iter().map(|(_, m)| luma(m)).sum::<f64>() / given.len() as f64;
    let mean = if mean.abs() > 1e-12 { mean } else { 1.0 };
    let shares: Vec<(u32, f64)> = given.iter().map(|(n, m)| (*n, luma(m) / mean)).collect();
    let (low, high) = shares
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, v)| (l.min(*v), h.max(*v)));
    let mut flicker = Flicker {
        amplitude: (high - low) / 2.0,
        largest_step: 0.0,
        step_at: shares[1].0,
        largest_step_of_a_colour: 0.0,
        luma: shares,
    };
    for (pair, sets) in flicker.luma.windows(2).zip(given.windows(2)) {
        let step = (pair[1].1 - pair[0].1).abs();
        if step > flicker.largest_step {
            (flicker.largest_step, flicker.step_at) = (step, pair[1].0);
        }
        let colour = sets[0].1.iter().zip(sets[1].1).map(|(a, b)| (b - a).abs() / mean);
        flicker.largest_step_of_a_colour = colour.fold(flicker.largest_step_of_a_colour, f64::max);
    }
    Some(flicker)
}

/// The strongest wave of all frames that is above its noise, and the frame.
pub fn worst<'a>(frames: impl Iterator<Item = (u32, &'a Waves)>) -> Option<(u32, Found)> {
    let all = frames.flat_map(|(n, w)| w.found.iter().map(move |f| (n, *f)));
    all.filter(|(_, f)| !f.below_noise()).max_by(|a, b| a.1.contrast().total_cmp(&b.1.contrast()))
}

#[cfg(test)]
mod tests {
    use super::super::waves::waves;
    use super::*;
    use glam::DVec2;

    fn frame(f: DVec2, phase: f64, even: f64) -> Field {
        Field::from_fn(320, 400, |x, y| {
            let turn = TAU * f.dot(DVec2::new(x as f64 + 0.5, y as f64 + 0.5)) + phase;
            [even + 0.02 * turn.cos(); 3]
        })
    }

    /// Bands that roll down by 13 of their 61 rows a frame, in a picture of half the recorded size.
    #[test]
    fn bands_are_counted_in_lines_and_frames() {
        let clock =
            Clockwork { lines_per_row: 2.0, lines: 800.0, fps: Some(25.0), readout_s: Some(0.01) };
        for tilt in [0.0, 0.0003, -0.0003] {
            let f = DVec2::new(tilt, 1.0 / 61.0);
            let settings = Settings::default();
            let shift = |n: u32| -TAU * f64::from(n) * 13.0 / 61.0;
            let first = waves(&frame(f, 0.4, 0.0), &settings).found[0];
            let mut track = Track::new(7, first);
            for n in 1..4 {
                track.follow(7 + n, &frame(f, 0.4 + shift(n), 0.0), &settings);
            }
            let roll = track.roll(&clock).expect("a roll");
            assert!((roll.periods_per_frame - 13.0 / 61.0).abs() < 1e-4, "{roll:?}");
            assert!((roll.lines_per_frame.expect("lines") - 26.0).abs() < 0.02, "{roll:?}");
            assert!((roll.hz.expect("fps") - 25.0 * 13.0 / 61.0).abs() < 3e-3);
            assert!((clock.period_lines(&first).expect("lines") - 122.0).abs() < 0.05);
            let bands = clock.bands_per_frame(&first);
            assert!((bands - 400.0 / 61.0).abs() < 3e-3, "{bands}");
            assert!((clock.light_hz(&first).expect("known") - bands / 0.01).abs() < 1e-9);
            let (low, high) = track.luma_range();
            assert!((low - 0.02).abs() < 1e-4 && (high - 0.02).abs() < 1e-4);
        }
    }

    #[test]
    fn flicker_is_that_of_frame_means() {
        let means: Vec<(u32, [f64; 3])> =
            [(0, 0.0), (1, 0.1), (2, -0.1), (3, 0.0)].map(|(n, v)| (n, [v; 3])).to_vec();
        let f = flicker(&means).expect("four frames");
        assert!((f.amplitude - 0.1).abs() < 1e-12 && (f.largest_step - 0.2).abs() < 1e-12);
        assert_eq!(f.step_at, 2);
        assert!(flicker(&means[..1]).is_none());
        assert!(flicker(&[(0, [f64::NAN; 3]), (1, [0.0; 3])]).is_none());
        // Red up, blue down: luma hardly moves, colour does.
        let f = flicker(&[(0, [0.0; 3]), (1, [0.0722, 0.0, -0.2126])]).expect("two frames");
        assert!(f.largest_step < 1e-12 && (f.largest_step_of_a_colour - 0.2126).abs() < 1e-12);
    }

    #[test]
    fn the_worst_frame_is_the_one_with_the_strongest_wave() {
        let settings = Settings::default();
        let f = DVec2::new(0.03, 0.02);
        let frames = [0.0, 1.0].map(|phase| waves(&frame(f, phase, 0.0), &settings));
        let still = waves(&Field::from_fn(320, 400, |_, _| [0.0; 3]), &settings);
        let all = [(0, &still), (1, &frames[0]), (2, &still)];
        let (n, found) = worst(all.into_iter()).expect("one");
        assert_eq!(n, 1);
        assert!((found.wave.luma() - 0.02).abs() < 1e-4);
        assert!(worst([(0, &still)].into_iter()).is_none());
    }
}
