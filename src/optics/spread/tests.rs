//! Point spreads against transfer functions: two-dimensional Fourier transforms and moments.

use super::super::{spread, transfer};
use rustfft::{FftPlannerScalar, num_complex::Complex};
use std::f64::consts::{PI, TAU};

/// Largest difference allowed between the Fourier transform of a point spread and its transfer
/// function, anywhere up to the limit named in each test.
const WORST: f64 = 0.005;

const WAVELENGTH_M: f64 = 550e-9;
const F_NUMBER: f64 = 4.0;

/// A point spread on a square grid of `n`² cells of `step_m`, centre at cell (n/2, n/2).
struct Grid {
    n: usize,
    step_m: f64,
    /// True for the mean over each cell, false for the value at its centre.
    averaged: bool,
    cells: Vec<f64>,
}

impl Grid {
    /// Samples at cell centres (`sub` = 1) or means over `sub`² points a cell, for sharp edges.
    fn new(n: usize, step_m: f64, sub: usize, spread: impl Fn(f64, f64) -> f64) -> Self {
        let cell = |i: usize, part: usize| {
            let inside = (part as f64 + 0.5) / sub as f64 - 0.5;
            (i as f64 - (n / 2) as f64 + inside) * step_m
        };
        let mut cells = vec![0.0; n * n];
        for (i, value) in cells.iter_mut().enumerate() {
            for part in 0..sub * sub {
                *value += spread(cell(i % n, part % sub), cell(i / n, part / sub));
            }
            *value *= step_m * step_m / (sub * sub) as f64;
        }
        Self { n, step_m, averaged: sub > 1, cells }
    }

    /// Largest difference to `transfer` over all frequencies of the grid up to `limit` in length.
    fn worst(&self, limit: f64, transfer: impl Fn(f64, f64) -> (f64, f64)) -> f64 {
        let n = self.n;
        let fft = FftPlannerScalar::new().plan_fft_forward(n);
        let mut data: Vec<Complex<f64>> = self.cells.iter().map(|&v| v.into()).collect();
        for _ in 0..2 {
            fft.process(&mut data);
            let turned = (0..n * n).map(|i| data[(i % n) * n + i / n]).collect();
            data = turned;
        }
        let mut worst = 0.0_f64;
        let mut compared = 0;
        for (i, value) in data.iter().enumerate() {
            let signed = |k: usize| if k < n / 2 { k as f64 } else { k as f64 - n as f64 };
            let (kx, ky) = (signed(i % n), signed(i / n));
            let (fx, fy) = (kx / (n as f64 * self.step_m), ky / (n as f64 * self.step_m));
            if fx.hypot(fy) > limit {
                continue;
            }
            // The centre lies at cell n/2, which turns the phase by π per index.
            let sign = if (kx + ky) as i64 % 2 == 0 { 1.0 } else { -1.0 };
            let cell = if self.averaged {
                transfer::rectangle(fx, fy, self.step_m, self.step_m)
            } else {
                1.0
            };
            let (re, im) = transfer(fx, fy);
            let difference = value * (sign / cell) - Complex::new(re, im);
            worst = worst.max(difference.norm());
            compared += 1;
        }
        assert!(compared > 100, "only {compared} frequencies below the limit");
        worst
    }

    /// Energy, and mean x² and y² about the centre, m².
    fn moments(&self) -> (f64, f64, f64) {
        let n = self.n;
        let at = |k: usize| (k as f64 - (n / 2) as f64) * self.step_m;
        self.cells.iter().enumerate().fold((0.0, 0.0, 0.0), |(e, xx, yy), (i, v)| {
            let (x, y) = (at(i % n), at(i / n));
            (e + v, xx + v * x * x, yy + v * y * y)
        })
    }
}

fn real(value: f64) -> (f64, f64) {
    (value, 0.0)
}

#[test]
fn airy_pattern() {
    let unit = WAVELENGTH_M * F_NUMBER;
    let spread = |x: f64, y: f64| spread::diffraction(x.hypot(y), WAVELENGTH_M, F_NUMBER);
    let worst = Grid::new(512, 0.5 * unit, 1, spread).worst(1.0 / unit, |fx, fy| {
        let nu = transfer::relative_frequency(fx.hypot(fy), WAVELENGTH_M, F_NUMBER);
        real(transfer::diffraction(nu))
    });
    assert!(worst < WORST, "{worst}");
    // First zero of J₁ over π: 3.8317060/π.
    assert!(spread(1.219_670 * unit, 0.0) / spread(0.0, 0.0) < 1e-10);
}

#[test]
fn defocused_pupil() {
    let unit = WAVELENGTH_M * F_NUMBER;
    for waves in [0.5, 2.0] {
        // One octant is enough to fill the grid: the quadrature takes most of the time.
        let (n, step_m) = (256, 0.5 * unit);
        let half = n / 2;
        let mut octant = vec![0.0; (half + 1) * (half + 1)];
        for j in 0..=half {
            for i in 0..=j {
                let r_m = step_m * (i as f64).hypot(j as f64);
                let value = spread::defocus_wave(r_m, WAVELENGTH_M, F_NUMBER, waves);
                octant[j * (half + 1) + i] = value;
                octant[i * (half + 1) + j] = value;
            }
        }
        let cell = |m: f64| (m.abs() / step_m).round() as usize;
        let grid = Grid::new(n, step_m, 1, |x, y| octant[cell(y) * (half + 1) + cell(x)]);
        let worst = grid.worst(1.0 / unit, |fx, fy| {
            let nu = transfer::relative_frequency(fx.hypot(fy), WAVELENGTH_M, F_NUMBER);
            real(transfer::defocus_wave(nu, waves))
        });
        assert!(worst < WORST, "{worst} at {waves} waves");
    }
}

#[test]
fn defocused_pupil_in_focus_is_the_airy_pattern() {
    let peak = spread::diffraction(0.0, WAVELENGTH_M, F_NUMBER);
    for r_um in [0.0, 0.7, 2.9, 11.0, 80.0] {
        let wave = spread::defocus_wave(r_um * 1e-6, WAVELENGTH_M, F_NUMBER, 0.0);
        let airy = spread::diffraction(r_um * 1e-6, WAVELENGTH_M, F_NUMBER);
        assert!((wave - airy).abs() < 1e-9 * peak, "{r_um} µm: {wave} against {airy}");
    }
}

#[test]
fn blur_disc() {
    let d = 20e-6;
    let grid = Grid::new(256, d / 80.0, 8, |x, y| spread::disc(x.hypot(y), d));
    let worst = grid.worst(3.3 / d, |fx, fy| real(transfer::defocus_disc(d, fx.hypot(fy))));
    assert!(worst < WORST, "{worst}");
}

#[test]
fn bladed_iris() {
    for (blades, turn) in [(3, 0.2), (5, 0.0), (6, 0.4), (9, 1.0)] {
        for d in [20e-6, -20e-6] {
            let grid =
                Grid::new(256, 0.25e-6, 8, |x, y| spread::defocus_polygon(x, y, d, blades, turn));
            let worst = grid
                .worst(3.3 / 20e-6, |fx, fy| transfer::defocus_polygon(fx, fy, d, blades, turn));
            assert!(worst < WORST, "{worst} with {blades} blades, {d}");
        }
    }
}

#[test]
fn small_shapes() {
    let step_m = 0.1e-6;
    let cases: [(&str, f64); 4] = [
        (
            "Gaussian",
            Grid::new(256, step_m, 1, |x, y| spread::gaussian(x.hypot(y), 1.3e-6))
                .worst(4.9e6, |fx, fy| real(transfer::gaussian(fx.hypot(fy), 1.3e-6))),
        ),
        (
            "aperture",
            Grid::new(256, step_m, 8, |x, y| spread::aperture(x, y, 5.05e-6))
                .worst(1e6, |fx, fy| real(transfer::aperture(fx, fy, 5.05e-6))),
        ),
        (
            "rectangle",
            Grid::new(256, step_m, 8, |x, y| spread::rectangle(x, y, 3.1e-6, 7.25e-6))
                .worst(1e6, |fx, fy| real(transfer::rectangle(fx, fy, 3.1e-6, 7.25e-6))),
        ),
        (
            "tent",
            Grid::new(256, step_m, 4, |x, y| spread::tent(x, y, 6e-6))
                .worst(1e6, |fx, fy| real(transfer::tent(fx, fy, 6e-6))),
        ),
    ];
    for (name, worst) in cases {
        assert!(worst < WORST, "{name}: {worst}");
    }
}

#[test]
fn four_spots() {
    let (across, upright) = (4e-6, 2.5e-6);
    for (fx, fy) in [(0.0, 0.0), (31e3, -17e3), (125e3, 0.0), (250e3, 200e3), (400e3, 90e3)] {
        let sum: Complex<f64> = spread::low_pass(across, upright)
            .iter()
            .map(|&(x, y)| Complex::from_polar(0.25, -TAU * (fx * x + fy * y)))
            .sum();
        let expected = transfer::low_pass(fx, fy, across, upright);
        assert!((sum - expected).norm() < 1e-14, "{fx} {fy}");
    }
}

#[test]
fn energy_and_second_moments() {
    let step_m = 0.1e-6;
    // Blur disc d²/16, aperture w²/12, Gaussian σ², tent p²/6; a polygon of circumradius R has
    // R²·(2 + cos(2π/n))/12 (mean of x² over its triangles).
    let (d, w, sigma, pitch) = (11e-6, 5.05e-6, 1.3e-6, 6e-6);
    let polygon = 5.5e-6 * 5.5e-6 * (2.0 + (TAU / 7.0).cos()) / 12.0;
    let grids = [
        (Grid::new(256, step_m, 8, |x, y| spread::disc(x.hypot(y), d)), d * d / 16.0),
        (Grid::new(256, step_m, 8, |x, y| spread::aperture(x, y, w)), w * w / 12.0),
        (Grid::new(256, step_m, 1, |x, y| spread::gaussian(x.hypot(y), sigma)), sigma * sigma),
        (Grid::new(256, step_m, 4, |x, y| spread::tent(x, y, pitch)), pitch * pitch / 6.0),
        (Grid::new(256, step_m, 8, |x, y| spread::defocus_polygon(x, y, d, 7, 0.1)), polygon),
    ];
    for (i, (grid, expected)) in grids.iter().enumerate() {
        let (energy, xx, yy) = grid.moments();
        assert!((energy - 1.0).abs() < 1e-3, "case {i}: energy {energy}");
        // The positions are those of the cells' centres, which only rounds the edges.
        for moment in [xx, yy] {
            assert!((moment / expected - 1.0).abs() < 2e-3, "case {i}: {moment} for {expected}");
        }
    }
    // The same moments from the curvature of the transfer functions at zero: −T''(0)/4π².
    let f = 500.0;
    let curvature = |value: f64| (1.0 - value) * 2.0 / (4.0 * PI * PI * f * f);
    for (value, expected) in [
        (transfer::defocus_disc(d, f), d * d / 16.0),
        (transfer::aperture(f, 0.0, w), w * w / 12.0),
        (transfer::gaussian(f, sigma), sigma * sigma),
        (transfer::tent(0.0, f, pitch), pitch * pitch / 6.0),
        (transfer::defocus_polygon(f, 0.0, d, 7, 0.1).0, polygon),
        // Four spots at ±d/2: d²/4.
        (transfer::low_pass(0.0, f, 1.0, 4e-6), 4e-6 * 4e-6 / 4.0),
    ] {
        assert!((curvature(value) / expected - 1.0).abs() < 1e-4, "{value} for {expected}");
    }
}
