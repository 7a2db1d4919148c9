//! Measures of flicker, and what standards say of them.

/// Percent flicker of light between two extremes: 100·(A − B)/(A + B). IEC 60050-845, 845-22-094. 0 without light.
pub fn percent_flicker(highest: f64, lowest: f64) -> f64 {
    let sum = highest + lowest;
    if sum > 0.0 { 100.0 * (highest - lowest) / sum } else { 0.0 }
}

/// Flicker index of one period of light that goes straight from point to point (time, light): the area above the mean over
/// the whole area. IES definition 5.9.9.4. Times rise; two points at one time are a step. Exact. 0 without light.
pub fn flicker_index(points: &[[f64; 2]]) -> f64 {
    let pieces =
        || points.windows(2).map(|p| (p[1][0] - p[0][0], p[0][1], p[1][1])).filter(|p| p.0 > 0.0);
    let (mut long, mut area) = (0.0, 0.0);
    for (t, a, b) in pieces() {
        long += t;
        area += t * (a + b) / 2.0;
    }
    if area <= 0.0 {
        return 0.0;
    }
    let mean = area / long;
    let mut above = 0.0;
    for (t, a, b) in pieces() {
        let (low, high) = (a.min(b) - mean, a.max(b) - mean);
        above += if low >= 0.0 {
            t * (low + high) / 2.0
        } else if high <= 0.0 {
            0.0
        } else {
            // A triangle sticks out.
            t * high * high / (2.0 * (high - low))
        };
    }
    above / area
}

/// Frequency from which on the low-risk practice has no limit, Hz.
pub const LOW_RISK_TO_HZ: f64 = 1250.0;
/// Frequency from which on the practice of no observable effect has no limit, Hz.
pub const NO_EFFECT_TO_HZ: f64 = 3000.0;
/// Below this frequency, Hz, the third practice holds.
pub const SEIZURES_BELOW_HZ: f64 = 90.0;
/// Most modulation there, percent.
pub const SEIZURE_LIMIT_PERCENT: f64 = 5.0;

/// Most modulation, percent, of recommended practice 1 (low risk) at a frequency; `None` where it has no limit.
///
/// IEEE Std 1789-2015, clause 8.1.1, as quoted in a third party's design note: below 90 Hz 0.025·f, up to 1250 Hz 0.08·f.
pub fn low_risk_limit_percent(hz: f64) -> Option<f64> {
    (hz <= LOW_RISK_TO_HZ).then_some(if hz < SEIZURES_BELOW_HZ { 0.025 * hz } else { 0.08 * hz })
}

/// The same of recommended practice 2 (no observable effect): below 90 Hz 0.01·f, up to 3000 Hz 0.0333·f.
pub fn no_effect_limit_percent(hz: f64) -> Option<f64> {
    (hz <= NO_EFFECT_TO_HZ).then_some(if hz < SEIZURES_BELOW_HZ { 0.01 * hz } else { 0.0333 * hz })
}

/// The same of recommended practice 3 (seizures), which always holds: 5 % below 90 Hz.
pub fn seizure_limit_percent(hz: f64) -> Option<f64> {
    (hz < SEIZURES_BELOW_HZ).then_some(SEIZURE_LIMIT_PERCENT)
}

/// Modulation (amplitude over mean) of a sine at which half of the people notice the stroboscopic effect.
///
/// CIE TN 006:2016; its constants are from memory. M. Perz et al., JOSA A 35(2), 309, 2018 (constants from memory too) agrees to
/// 3 % from 80 to 120 Hz and to 16 % up to 500 Hz.
pub fn stroboscopic_threshold(hz: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-0.00518 * (hz - 306.6))) + 20.0 * libm::exp(-hz / 10.0)
}

/// Stroboscopic visibility measure of components (frequency in Hz, amplitude over mean), those from 80 to 2000 Hz:
/// [Σ (C/T)^3.7]^(1/3.7). 1 is the threshold. For more than 100 lx and motion below 4 m/s (CIE TN 006:2016, IEC TR 63158:2018).
pub fn stroboscopic_visibility(components: impl IntoIterator<Item = (f64, f64)>) -> f64 {
    const POWER: f64 = 3.7;
    let counted = components.into_iter().filter(|(hz, _)| (80.0..=2000.0).contains(hz));
    let sum: f64 = counted.map(|(hz, c)| libm::pow(c / stroboscopic_threshold(hz), POWER)).sum();
    libm::pow(sum, 1.0 / POWER)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::special::{sin_pi, sinc};
    use std::f64::consts::PI;

    /// One period of a function, in so many straight pieces.
    fn sampled(light: impl Fn(f64) -> f64) -> Vec<[f64; 2]> {
        (0..=20_000).map(|i| f64::from(i) / 20_000.0).map(|t| [t, light(t)]).collect()
    }

    fn extremes(points: &[[f64; 2]]) -> (f64, f64) {
        points.iter().fold((0.0, f64::INFINITY), |(h, l), p| (p[1].max(h), p[1].min(l)))
    }

    /// Handbook §7, first table: numeric integration with 2e6 points there, to six digits.
    #[test]
    #[expect(clippy::approx_constant, reason = "the handbook prints six digits of 1/π")]
    fn waveforms_have_the_printed_percent_and_index() {
        let check = |name: &str, points: &[[f64; 2]], percent: f64, index: f64| {
            let (highest, lowest) = extremes(points);
            let found = (percent_flicker(highest, lowest), flicker_index(points));
            assert!((found.0 - percent).abs() < 1e-5, "{name}: {found:?}");
            assert!((found.1 - index).abs() < 1e-6, "{name}: {found:?}");
        };
        for m in [0.2, 1.0] {
            let sine = sampled(|t| 1.0 + m * sin_pi(2.0 * t));
            check("sine", &sine, 100.0 * m, m / PI);
            let square = [[0.0, 1.0 + m], [0.5, 1.0 + m], [0.5, 1.0 - m], [1.0, 1.0 - m]];
            check("square", &square, 100.0 * m, m / 2.0);
        }
        assert!((flicker_index(&sampled(|t| 1.0 + sin_pi(2.0 * t))) - 0.318310).abs() < 5e-7);
        check("triangle", &[[0.0, 0.0], [0.5, 2.0], [1.0, 0.0]], 100.0, 0.25);
        check("sawtooth", &[[0.0, 0.0], [1.0, 2.0]], 100.0, 0.25);
        for d in [0.1, 0.3, 0.9] {
            let pwm = [[0.0, 1.0], [d, 1.0], [d, 0.0], [1.0, 0.0]];
            check("pwm", &pwm, 100.0, 1.0 - d);
        }
        let two = [[0.0, 1.0], [0.3, 1.0], [0.3, 0.2], [1.0, 0.2]];
        check("two levels", &two, 100.0 * 0.8 / 1.2, 0.3 * 0.7 * 0.8 / (0.3 + 0.7 * 0.2));
        assert!((flicker_index(&two) - 0.381818).abs() < 5e-7);
        check("rectified sine", &sampled(sin_pi), 100.0, 0.210514);
        assert_eq!(flicker_index(&[[0.0, 0.0], [1.0, 0.0]]), 0.0);
        assert_eq!(percent_flicker(0.0, 0.0), 0.0);
    }

    /// Handbook §7, second table.
    #[test]
    fn limits_are_the_printed_ones() {
        let rows = [
            (50.0, Some(1.25), Some(0.5)),
            (100.0, Some(8.0), Some(3.33)),
            (120.0, Some(9.6), Some(3.996)),
            (480.0, Some(38.4), Some(15.984)),
            (1200.0, Some(96.0), Some(39.96)),
            (1250.0, Some(100.0), Some(41.625)),
            (1920.0, None, Some(63.936)),
            (3000.0, None, Some(99.9)),
            (3840.0, None, None),
        ];
        let same = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() < 1e-9,
            (a, b) => a == b,
        };
        for (hz, low, no) in rows {
            let found = (low_risk_limit_percent(hz), no_effect_limit_percent(hz));
            assert!(same(found.0, low) && same(found.1, no), "{hz}: {found:?}");
        }
        assert_eq!(seizure_limit_percent(89.0), Some(5.0));
        assert_eq!(seizure_limit_percent(90.0), None);
    }

    /// Handbook §7, third table: harmonics up to 2000 Hz; six digits.
    #[test]
    fn stroboscopic_visibility_has_the_printed_values() {
        let rows = [
            (100.0, 0.256275, 3.90205, 4.97041),
            (120.0, 0.275684, 3.62734, 4.62002),
            (200.0, 0.365357, 2.73705, 3.48582),
            (400.0, 0.618648, 1.61643, 2.06002),
            (480.0, 0.710582, 1.40730, 1.79419),
            (960.0, 0.967220, 1.03389, 1.31639),
            (1920.0, 0.999765, 1.00023, 1.27354),
        ];
        for (hz, threshold, sine, square) in rows {
            assert!((stroboscopic_threshold(hz) - threshold).abs() < 1e-6, "{hz}");
            assert!((stroboscopic_visibility([(hz, 1.0)]) - sine).abs() < 1e-5, "{hz}");
            let harmonics = (1..=40).map(f64::from).map(|k| (k * hz, 2.0 * sinc(k / 2.0).abs()));
            let found = stroboscopic_visibility(harmonics);
            assert!((found - square).abs() < 1e-5, "{hz}: {found}");
        }
        // The other published curve, to what the handbook says of their agreement.
        let perz = |hz: f64| 2.865e-5 * libm::pow(hz, 1.543) + 0.225;
        for (hz, other, within) in
            [(100.0, 0.259924, 0.03), (120.0, 0.271270, 0.03), (480.0, 0.617898, 0.16)]
        {
            assert!((perz(hz) - other).abs() < 1e-6);
            assert!((stroboscopic_threshold(hz) / perz(hz) - 1.0).abs() < within, "{hz}");
        }
    }
}
