//! The transfer function of a defocused pupil as a table.

use super::transfer;
use std::f64::consts::PI;
use std::sync::{Arc, Mutex, OnceLock};

const NU_STEPS: usize = 64;
const X_STEP: f64 = 0.25;

/// Largest X in a table, 64 waves of defocus at most: beyond it the function is below 3e-4, and P. A. Stokseth's approximation
/// ([`transfer::wide_defocus_envelope`] times jinc(X)) is as good for all but the time that a table takes.
pub const MOST_X: f64 = 400.0;

/// Largest X in the table for few values: beyond it the approximation is off by less than 3e-4 (held by a test).
pub const FEW_X: f64 = 50.0;

/// Defocus transfer function over ν (frequency over cutoff) and X = 8π·W20·ν(1 − ν), in which it
/// varies slowly: cubic interpolation in both, error below 2e-4 (held by a test).
#[derive(Debug)]
pub struct WaveTable {
    columns: usize,
    values: Vec<f32>,
}

impl WaveTable {
    /// A table that reaches up to `x_end`, kept for later calls.
    pub fn shared(x_end: f64) -> Arc<Self> {
        static LAST: Mutex<Option<Arc<WaveTable>>> = Mutex::new(None);
        let mut last = LAST.lock().unwrap_or_else(|e| e.into_inner());
        let columns = (x_end.min(MOST_X) / X_STEP).ceil() as usize + 5;
        match &*last {
            Some(table) if table.columns >= columns => table.clone(),
            _ => {
                let table = Arc::new(Self::new(columns));
                *last = Some(table.clone());
                table
            }
        }
    }

    /// A table for few values, up to [`FEW_X`]: always the same one, made at first use in some hundredths of a second.
    pub fn few() -> Arc<Self> {
        static FEW: OnceLock<Arc<WaveTable>> = OnceLock::new();
        FEW.get_or_init(|| Arc::new(Self::new((FEW_X / X_STEP) as usize + 5))).clone()
    }

    fn new(columns: usize) -> Self {
        use rayon::prelude::*;
        // Rows ν = 0 … 1 and one beyond each end, for the cubic: the function is even in neither,
        // so the rows beyond are extrapolated.
        let mut rows: Vec<Vec<f64>> = (0..=NU_STEPS)
            .into_par_iter()
            .map(|i| {
                let nu = i as f64 / NU_STEPS as f64;
                (0..columns).map(|j| value(nu, j as f64 * X_STEP)).collect()
            })
            .collect();
        let beyond = |a: &[f64], b: &[f64], c: &[f64]| {
            a.iter().zip(b).zip(c).map(|((a, b), c)| 3.0 * a - 3.0 * b + c).collect::<Vec<_>>()
        };
        let before = beyond(&rows[0], &rows[1], &rows[2]);
        let after = beyond(&rows[NU_STEPS], &rows[NU_STEPS - 1], &rows[NU_STEPS - 2]);
        rows.insert(0, before);
        rows.push(after);
        Self { columns, values: rows.concat().into_iter().map(|v| v as f32).collect() }
    }

    /// Value at ν in [0, 1] and X ≥ 0; beyond the table's end in X, its last value.
    #[inline]
    pub fn at(&self, nu: f64, x: f64) -> f32 {
        let tn = nu * NU_STEPS as f64;
        let i = (tn as usize).min(NU_STEPS - 1);
        let wn = cubic((tn - i as f64) as f32);
        let tx = (x / X_STEP).min((self.columns - 4) as f64);
        let j = tx as usize;
        let wx = cubic((tx - j as f64) as f32);
        let mut sum = 0.0;
        for (k, w) in wn.iter().enumerate() {
            let row = &self.values[(i + k) * self.columns..(i + k + 1) * self.columns];
            // Even in X: the entry before the first is the second.
            let before = if j == 0 { row[1] } else { row[j - 1] };
            sum += w * (wx[0] * before + wx[1] * row[j] + wx[2] * row[j + 1] + wx[3] * row[j + 2]);
        }
        sum
    }
}

/// Lagrange weights of four equally spaced points for a place between the second and the third.
fn cubic(t: f32) -> [f32; 4] {
    let (a, b, c) = (t + 1.0, t - 1.0, t - 2.0);
    [-t * b * c / 6.0, a * b * c / 2.0, -a * t * c / 2.0, a * t * b / 6.0]
}

fn value(nu: f64, x: f64) -> f64 {
    if nu <= 0.0 {
        return crate::math::special::jinc(x);
    }
    if nu >= 1.0 {
        return 0.0;
    }
    transfer::defocus_wave(nu, x / (8.0 * PI * nu * (1.0 - nu)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_table_for_few_the_approximation_is_near_enough() {
        let mut worst = 0.0_f64;
        for nu in [0.02, 0.1, 0.3, 0.5, 0.7, 0.9] {
            for step in 0..200 {
                let x = FEW_X + f64::from(step) * 0.37;
                let near = transfer::wide_defocus_envelope(nu) * crate::math::special::jinc(x);
                worst = worst.max((near - value(nu, x)).abs());
            }
        }
        assert!(worst < 3e-4, "{worst:e}");
    }

    #[test]
    fn beyond_the_table_the_approximation_is_near_the_exact_integral() {
        // To 1e-4 of full contrast, against Hopkins's integral.
        for nu in [0.02, 0.1, 0.3, 0.5, 0.7, 0.9] {
            for x in [401.0, 402.5, 404.0, 650.0, 1500.0] {
                let near = transfer::wide_defocus_envelope(nu) * crate::math::special::jinc(x);
                let off = (near - value(nu, x)).abs();
                assert!(off < 1e-4, "ν = {nu}, X = {x}: {near} off by {off:e}");
            }
        }
    }
}
