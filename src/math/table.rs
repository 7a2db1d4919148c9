//! Functions of one variable kept as tables with straight lines between the entries.

/// A function sampled at 0, step, 2·step, …
#[derive(Debug, Clone)]
pub struct Table {
    per_unit: f64,
    values: Vec<f32>,
}

impl Table {
    /// Samples `f` from 0 to at least `end`.
    pub fn new(end: f64, step: f64, f: impl Fn(f64) -> f64) -> Self {
        let n = (end / step).ceil().max(1.0) as usize + 2;
        Self { per_unit: 1.0 / step, values: (0..n).map(|i| f(i as f64 * step) as f32).collect() }
    }

    /// Value at `x` ≥ 0; beyond the end, 0.
    #[inline]
    pub fn at(&self, x: f64) -> f32 {
        let t = x * self.per_unit;
        let i = t as usize;
        match (self.values.get(i), self.values.get(i + 1)) {
            (Some(&a), Some(&b)) => a + (b - a) * (t - i as f64) as f32,
            _ => 0.0,
        }
    }
}
