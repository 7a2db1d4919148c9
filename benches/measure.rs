//! Speed of measuring: a UHD frame's two maps, and a picture alone.

#![allow(clippy::disallowed_methods, reason = "made-up waves need no portable sines")]

use criterion::{Criterion, criterion_group, criterion_main};
use gridbeat::measure::{Field, Settings, alone, waves};
use std::f64::consts::TAU;
use std::hint::black_box;

const SIZE: (usize, usize) = (3840, 2160);

/// Numbers without pattern, −½ to ½ (splitmix64: Steele, Lea and Flood 2014).
fn speck(i: usize) -> f64 {
    let mut z = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
}

/// Waves of frequency (cycles per pixel) and size, over noise.
fn field(waves: &[(f64, f64, f64)], noise: f64) -> Field {
    Field::from_fn(SIZE.0, SIZE.1, |x, y| {
        let turn = |f: &(f64, f64, f64)| TAU * (f.0 * x as f64 + f.1 * y as f64);
        let sum: f64 = waves.iter().map(|f| f.2 * turn(f).cos()).sum();
        let grain = |c: usize| noise * speck(3 * (y * SIZE.0 + x) + c);
        [sum + grain(0), 0.8 * sum + grain(1), 0.6 * sum + grain(2)]
    })
}

fn benches(c: &mut Criterion) {
    let mut group = c.benchmark_group("measure");
    group.sample_size(10);
    let fringes = field(
        &[(0.31, 0.004, 0.6), (0.004, 0.31, 0.5), (0.0146, 0.0042, 0.4), (0.485, 0.0042, 0.3)],
        0.0,
    );
    let bands = field(&[(0.0, 0.0196, 0.1), (0.0, 0.0588, 0.03)], 0.0);
    let settings = Settings::default();
    group.bench_function("uhd frame, moire and bands", |b| {
        b.iter(|| (waves(black_box(&fringes), &settings), waves(black_box(&bands), &settings)));
    });
    let grainy = field(&[(0.02, 0.011, 0.02)], 0.03);
    group.bench_function("uhd map with noise", |b| {
        b.iter(|| waves(black_box(&grainy), &settings));
    });
    let mut picture = grainy.planes;
    for value in picture.iter_mut().flat_map(|p| &mut p.data) {
        *value = 0.4 * (1.0 + *value);
    }
    group.bench_function("uhd picture alone", |b| b.iter(|| alone(black_box(&picture), 6)));
    group.finish();
}

criterion_group!(all, benches);
criterion_main!(all);
