//! Two-dimensional transforms over the FFT library's scalar planner, so that the bits of a result
//! do not depend on the processor.

use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlannerScalar};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};

/// Plans of inverse transforms, shared between threads.
#[derive(Default)]
pub struct Inverse2d {
    plans: Mutex<HashMap<usize, Arc<dyn Fft<f32>>>>,
}

impl Inverse2d {
    fn plan(&self, length: usize) -> Arc<dyn Fft<f32>> {
        let mut plans = self.plans.lock().unwrap_or_else(|e| e.into_inner());
        plans
            .entry(length)
            .or_insert_with(|| FftPlannerScalar::new().plan_fft_inverse(length))
            .clone()
    }

    /// Inverse transform, unnormalised, of `rows`·`columns` values in row-major order, in place.
    ///
    /// Panics if the slice has another length.
    pub fn run(&self, data: &mut [Complex32], columns: usize, rows: usize) {
        assert_eq!(data.len(), columns * rows, "transform of another size");
        self.plan(columns).process(data);
        let down = self.plan(rows);
        // Several columns at once, so that each visit to memory brings whole cache lines.
        const BLOCK: usize = 8;
        let mut strip = vec![Complex32::default(); rows * BLOCK];
        for first in (0..columns).step_by(BLOCK) {
            let n = BLOCK.min(columns - first);
            for y in 0..rows {
                for i in 0..n {
                    strip[i * rows + y] = data[y * columns + first + i];
                }
            }
            down.process(&mut strip[..n * rows]);
            for y in 0..rows {
                for i in 0..n {
                    data[y * columns + first + i] = strip[i * rows + y];
                }
            }
        }
    }
}
