//! A measured waveform: light over time, straight between samples, repeated.

/// One period of measured light.
///
/// Between samples the light goes in straight lines; two samples of one time make a step. It is
/// counted in its own mean, so that the mean is 1 and `integral_s(period_s()) = period_s()`.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    period_s: f64,
    /// Time from the start of the period, not falling, from 0 to `period_s`; light.
    points: Vec<[f64; 2]>,
    /// Integral of the light from the start to each point, seconds.
    sums: Vec<f64>,
}

/// Why samples make no waveform.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoWaveform {
    /// Fewer than two samples, or no time between them.
    #[error("a waveform needs two samples or more, at different times")]
    TooShort,
    /// Time runs backwards at this sample, counted from 0.
    #[error("time runs backwards")]
    Backwards(usize),
    /// Light below zero, or no number, at this sample, counted from 0.
    #[error("light cannot be below zero")]
    Negative(usize),
    /// No light at all.
    #[error("there is no light in the period")]
    Dark,
}

impl Waveform {
    /// From samples of [time in seconds, light in any unit], repeated after `period_s` counted from
    /// the first of them.
    ///
    /// What lies beyond the period is left out, the line into it cut where the period ends. Where
    /// samples end before the period does, the light goes straight to the first sample of the next.
    ///
    /// # Errors
    /// [`NoWaveform`]; `period_s` not above 0 counts as too short.
    pub fn new(samples: &[[f64; 2]], period_s: f64) -> Result<Self, NoWaveform> {
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
            return Err(NoWaveform::TooShort);
        };
        if let Some(i) = samples.windows(2).position(|w| w[1][0].is_nan() || w[1][0] < w[0][0]) {
            return Err(NoWaveform::Backwards(i + 1));
        }
        if let Some(i) = samples.iter().position(|s| !(s[1] >= 0.0 && s[1].is_finite())) {
            return Err(NoWaveform::Negative(i));
        }
        if !(last[0] > first[0] && period_s > 0.0 && period_s.is_finite()) {
            return Err(NoWaveform::TooShort);
        }
        let start_s = first[0];
        let mut points: Vec<[f64; 2]> = Vec::with_capacity(samples.len() + 1);
        for [time_s, light] in samples.iter().map(|s| [s[0] - start_s, s[1]]) {
            if time_s < period_s {
                points.push([time_s, light]);
                continue;
            }
            let [before_s, before] = points[points.len() - 1];
            let share = (period_s - before_s) / (time_s - before_s);
            points.push([period_s, before + (light - before) * share]);
            break;
        }
        if points[points.len() - 1][0] < period_s {
            points.push([period_s, first[1]]);
        }
        let mut sums = vec![0.0];
        let mut sum = 0.0;
        for pair in points.windows(2) {
            sum += 0.5 * (pair[0][1] + pair[1][1]) * (pair[1][0] - pair[0][0]);
            sums.push(sum);
        }
        let mean = sum / period_s;
        if !(mean > 0.0 && mean.is_finite()) {
            return Err(NoWaveform::Dark);
        }
        points.iter_mut().for_each(|p| p[1] /= mean);
        sums.iter_mut().for_each(|s| *s /= mean);
        Ok(Self { period_s, points, sums })
    }

    /// Time after which it repeats, seconds.
    pub fn period_s(&self) -> f64 {
        self.period_s
    }

    /// Time from the start of the period, seconds, and light, the mean being 1.
    pub fn points(&self) -> &[[f64; 2]] {
        &self.points
    }

    /// Light at the end of the period, and at the start of the next, over the highest: they differ
    /// where the waveform does not close.
    pub fn join(&self) -> [f64; 2] {
        let top = self.points.iter().fold(0.0_f64, |top, p| top.max(p[1]));
        [self.points[self.points.len() - 1][1] / top, self.points[0][1] / top]
    }

    /// Integral of the light from the start of the period to an age in it (clamped), seconds of
    /// mean light: exact.
    pub fn integral_s(&self, age_s: f64) -> f64 {
        let after = self.points.partition_point(|p| p[0] <= age_s);
        if after == 0 {
            return 0.0;
        }
        if after == self.points.len() {
            return self.period_s;
        }
        let ([from_s, from], [to_s, to]) = (self.points[after - 1], self.points[after]);
        let part_s = age_s - from_s;
        let here = from + (to - from) * (part_s / (to_s - from_s));
        self.sums[after - 1] + 0.5 * (from + here) * part_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_triangle_has_its_parabola() {
        // 0 to 2 in 1 s and back, mean 1: the integral is t² up to 1 s.
        let wave = Waveform::new(&[[5.0, 0.0], [6.0, 7.0], [7.0, 0.0]], 2.0).expect("a waveform");
        for t in [0.0, 0.25, 0.5, 1.0] {
            assert!((wave.integral_s(t) - t * t).abs() < 1e-15, "{t}");
            assert!((wave.integral_s(2.0 - t) - (2.0 - t * t)).abs() < 1e-15, "{t}");
        }
        assert_eq!(wave.join(), [0.0, 0.0]);
        assert_eq!((wave.integral_s(-1.0), wave.integral_s(9.0)), (0.0, 2.0));
    }

    #[test]
    fn a_period_cuts_what_is_longer_and_closes_what_is_shorter() {
        // A ramp from 0 to 4 in 4 s, cut at 2.5 s: mean 1.25, ends at 2.5.
        let ramp = [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0], [4.0, 4.0]];
        let cut = Waveform::new(&ramp, 2.5).expect("a waveform");
        assert_eq!(cut.points().last(), Some(&[2.5, 2.0]));
        assert_eq!(cut.join(), [1.0, 0.0]);
        assert!((cut.integral_s(2.5) - 2.5).abs() < 1e-15);
        // A step by two samples of one time, then the line home: light 0 for 1 s, 2 for 1 s, down to 0 in 1 s.
        let steps = [[0.0, 0.0], [1.0, 0.0], [1.0, 2.0], [2.0, 2.0]];
        let closed = Waveform::new(&steps, 3.0).expect("a waveform");
        assert!((closed.integral_s(1.0)).abs() < 1e-15);
        assert!((closed.integral_s(2.0) - 2.0).abs() < 1e-15);
        assert!((closed.integral_s(2.5) - 2.75).abs() < 1e-15);
        assert!((closed.integral_s(3.0) - 3.0).abs() < 1e-15);
    }

    #[test]
    fn what_is_no_waveform_says_why() {
        let wave = |samples: &[[f64; 2]]| Waveform::new(samples, 1.0).err();
        assert_eq!(wave(&[]), Some(NoWaveform::TooShort));
        assert_eq!(wave(&[[0.0, 1.0]]), Some(NoWaveform::TooShort));
        assert_eq!(wave(&[[0.0, 1.0], [0.0, 2.0]]), Some(NoWaveform::TooShort));
        assert_eq!(wave(&[[0.0, 1.0], [2.0, 1.0], [1.0, 1.0]]), Some(NoWaveform::Backwards(2)));
        assert_eq!(wave(&[[0.0, 1.0], [f64::NAN, 1.0]]), Some(NoWaveform::Backwards(1)));
        assert_eq!(wave(&[[0.0, 1.0], [1.0, -0.1]]), Some(NoWaveform::Negative(1)));
        assert_eq!(wave(&[[0.0, 0.0], [1.0, 0.0]]), Some(NoWaveform::Dark));
        assert_eq!(Waveform::new(&[[0.0, 1.0], [1.0, 1.0]], 0.0).err(), Some(NoWaveform::TooShort));
    }
}
