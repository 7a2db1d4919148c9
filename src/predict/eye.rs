//! The eye's thresholds as tables over frequency, for one level and one rate of change.

use crate::artefact::Seeing;

/// Steps of the table, over [`LOWEST`] to [`HIGHEST`] of a picture's frequencies.
const STEPS: usize = 80;
/// Highest frequency, cycles per pixel: the corner of what a picture can hold.
const HIGHEST: f64 = 0.75;

/// Multiples of the threshold that a contrast of 1 has.
pub struct EyeTable {
    lowest: f64,
    per_log: f64,
    /// Of luma and of colour.
    values: Vec<[f64; 2]>,
}

impl EyeTable {
    /// Of a field, for changes of `hz`.
    pub fn new(seeing: &Seeing, lines: f64, hz: f64) -> Self {
        let lowest = 0.25 / lines;
        let range = libm::log(HIGHEST / lowest);
        let rate = seeing.rate(hz);
        let values = (0..=STEPS).map(|i| {
            let f = lowest * libm::exp(range * i as f64 / STEPS as f64);
            seeing.multiples(1.0, 1.0, f, &rate)
        });
        Self { lowest, per_log: STEPS as f64 / range, values: values.collect() }
    }

    fn step(&self, f: f64) -> f64 {
        (libm::log(f.max(self.lowest) / self.lowest) * self.per_log).min(STEPS as f64)
    }

    fn at_step(&self, t: f64) -> [f64; 2] {
        let i = (t as usize).min(STEPS - 1);
        let share = t - i as f64;
        [0, 1]
            .map(|k: usize| self.values[i][k] + (self.values[i + 1][k] - self.values[i][k]) * share)
    }

    /// Multiple of the threshold of contrasts of luma and colour at a frequency, cycles per pixel.
    pub fn multiple(&self, luma: f64, chroma: f64, frequency: f64) -> f64 {
        let [l, c] = self.at_step(self.step(frequency));
        (l * luma).max(c * chroma)
    }

    /// The largest over frequencies from `low` to `high`.
    pub fn most(&self, luma: f64, chroma: f64, low: f64, high: f64) -> f64 {
        let (from, to) = (self.step(low), self.step(high));
        let of = |[l, c]: [f64; 2]| (l * luma).max(c * chroma);
        let inside = (from.ceil() as usize)..=(to.floor() as usize).min(STEPS);
        let ends = of(self.at_step(from)).max(of(self.at_step(to)));
        inside.map(|i| of(self.values[i])).fold(ends, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::artefact::Viewing;

    #[test]
    fn the_table_is_the_eye() {
        let viewing = Viewing::default();
        let table = EyeTable::new(&viewing.seeing(1080.0, 0.5, 0.01), 1080.0, 3.0);
        for f in [0.0004, 0.003, 0.02, 0.11, 0.43] {
            let exact = viewing.multiple_of(0.02, 0.01, f, 1080.0, 3.0, 0.5, 0.01);
            let found = table.multiple(0.02, 0.01, f);
            assert!((found / exact - 1.0).abs() < 0.01, "{f}: {found} {exact}");
        }
        // Around the most sensitive frequency the largest is inside.
        let most = table.most(0.01, 0.0, 0.001, 0.4);
        let peak =
            (1..4000).map(|i| table.multiple(0.01, 0.0, f64::from(i) * 1e-4)).fold(0.0, f64::max);
        assert!((most / peak - 1.0).abs() < 1e-3, "{most} {peak}");
        assert_eq!(table.most(0.01, 0.0, 0.2, 0.2), table.multiple(0.01, 0.0, 0.2));
    }
}
