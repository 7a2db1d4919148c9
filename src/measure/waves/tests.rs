//! Sinusoids of known truth.

use super::*;
use crate::math::random::{Purpose, Stream};
use std::f64::consts::TAU;

/// A wave as put in: frequency, amplitude of each plane, phase.
type Put = (DVec2, [f64; 3], f64);

fn field(width: usize, height: usize, put: &[Put]) -> Field {
    Field::from_fn(width, height, |x, y| {
        let at = DVec2::new(x as f64 + 0.5, y as f64 + 0.5);
        let mut out = [0.0; 3];
        for (f, sizes, phase) in put {
            let c = (TAU * f.dot(at) + phase).cos();
            for (o, s) in out.iter_mut().zip(sizes) {
                *o += s * c;
            }
        }
        out
    })
}

fn is(found: &Found, put: &Put, relative: f64) {
    let want = Wave::new(put.0, put.1.map(|s| Complex64::from_polar(s, put.2)));
    let off = |a: f64, b: f64| (a / b - 1.0).abs();
    assert!(off(found.wave.period_px(), want.period_px()) < relative, "{found:?} {want:?}");
    let turn = (found.wave.direction_deg() - want.direction_deg()).abs();
    assert!(turn.min(180.0 - turn) < 60.0 * relative, "{found:?} {want:?}");
    for (a, b) in [(found.wave.luma(), want.luma()), (found.wave.chroma(), want.chroma())] {
        assert!((a - b).abs() <= relative * want.largest(), "{a} {b} {found:?}");
    }
    for (a, b) in found.wave.planes.iter().zip(want.planes) {
        // The phase is that of the picture's corner: a small error of frequency far away is a large one there.
        assert!((a.norm() - b.norm()).abs() <= relative * want.largest(), "{found:?} {want:?}");
    }
}

#[test]
fn one_wave_of_any_period() {
    for (i, period) in
        [2.1, 3.7, 9.0, 31.0, 33.0, 90.0, 140.0, 300.0, 600.0].into_iter().enumerate()
    {
        for deg in [0.0_f64, 31.0, 90.0, 145.0] {
            let angle = deg.to_radians();
            let f = DVec2::new(angle.cos(), -angle.sin()) / period;
            let put = (f, [0.011, 0.01, 0.008], 0.3 * i as f64);
            let found = waves(&field(900, 620, &[put]), &Settings::default());
            assert!(!found.found.is_empty(), "{period} {deg}");
            is(&found.found[0], &put, 2e-3);
            // Nothing else is there.
            if let Some(second) = found.found.get(1) {
                assert!(second.contrast() < 1e-4, "{period} {deg} {second:?}");
            }
        }
    }
}

#[test]
fn the_phase_is_that_of_the_corner() {
    let put = (DVec2::new(0.11, -0.07), [0.02, 0.02, 0.02], 0.8);
    let found = waves(&field(256, 256, &[put]), &Settings::default());
    let want = Wave::new(put.0, [Complex64::from_polar(0.02, 0.8); 3]);
    assert!((found.found[0].wave.planes[1] - want.planes[1]).norm() < 2e-5, "{found:?} {want:?}");
}

/// Strong screen-door beside a weak long fringe that is colour only, and neighbours.
#[test]
fn several_at_once() {
    let put = [
        (DVec2::new(0.31, 0.004), [0.6, 0.6, 0.6], 0.3),
        (DVec2::new(0.004, 0.31), [0.5, 0.6, 0.55], 1.3),
        (DVec2::new(0.38, 0.31), [0.2, 0.1, 0.2], 2.0),
        (DVec2::new(0.0111, 0.0021), [0.02, -0.005, -0.01], 0.1),
        (DVec2::new(0.0151, -0.0031), [0.006, 0.006, 0.006], 0.7),
        (DVec2::new(0.0, 0.0015), [0.004, 0.004, 0.004], 0.7),
    ];
    let found = waves(&field(1280, 860, &put), &Settings::default());
    for (i, put) in put.iter().enumerate() {
        let own = found.found.iter().find(|f| near(f.wave.frequency, put.0) < 3e-4);
        let own = own.unwrap_or_else(|| panic!("wave {i} is missing: {found:#?}"));
        is(own, put, 1e-2);
    }
    assert_eq!(found.found.len(), put.len(), "{found:#?}");
}

/// A wave whose frequency changes across the frame, as under an oblique camera: phase quadratic in x. The window is small
/// enough that the local amplitude is kept, and frequency is that of the window's middle.
#[test]
fn a_wave_that_changes_across_the_frame() {
    for rate in [2e-5, 1e-4, 3e-4] {
        let local = |x: f64| 0.06 + rate * (x - 300.0);
        let field = Field::from_fn(600, 400, |x, y| {
            let (x, y) = (x as f64 + 0.5, y as f64 + 0.5);
            let turns = 0.06 * x + rate * (x * x / 2.0 - 300.0 * x) + 0.1 * y;
            [0.03 * (TAU * turns).cos(); 3]
        });
        let found = waves(&field, &Settings::default());
        let best = &found.found[0];
        assert!((best.wave.luma() / 0.03 - 1.0).abs() < 0.02, "{rate} {best:?}");
        let want = Wave::new(DVec2::new(local(best.at.x), 0.1), best.wave.planes);
        let off = best.wave.period_px() / want.period_px() - 1.0;
        assert!(off.abs() < 0.01, "{rate} {off} {best:?} {want:?}");
        assert!((best.wave.direction_deg() - want.direction_deg()).abs() < 1.0, "{rate} {best:?}");
        let there = waves_at(&field, DVec2::new(420.0, 200.0), &Settings::default());
        let best = &there.found[0];
        assert!((best.wave.luma() / 0.03 - 1.0).abs() < 0.02, "{rate} {best:?}");
        let want = Wave::new(DVec2::new(local(best.at.x), 0.1), best.wave.planes);
        assert!((best.wave.period_px() / want.period_px() - 1.0).abs() < 0.01, "{rate} {best:?}");
        assert!((best.at - DVec2::new(420.0, 200.0)).length() < 10.0 || rate < 5e-5, "{best:?}");
    }
}

/// A long wave that turns across a small frame: the whole would smear it.
#[test]
fn a_long_wave_that_turns() {
    let rate = 6e-5;
    let field = Field::from_fn(360, 200, |x, y| {
        let (x, y) = (x as f64 + 0.5 - 180.0, y as f64 + 0.5 - 100.0);
        [0.1 * (TAU * (0.028 * y + rate * x * y)).cos(); 3]
    });
    for x in [100.0, 180.0, 260.0] {
        let found = waves_at(&field, DVec2::new(x, 100.0), &Settings::default());
        let best = &found.found[0];
        assert!((best.at.x - x).abs() < 30.0, "{best:?}");
        let (dx, dy) = (best.at.x - 180.0, best.at.y - 100.0);
        let want = DVec2::new(rate * dy, 0.028 + rate * dx);
        assert!((best.wave.luma() / 0.1 - 1.0).abs() < 0.05, "{best:?}");
        assert!((best.wave.frequency - want).length() < 0.01 * want.length(), "{best:?} {want}");
    }
}

/// In noise a wave of three floors is known within 10 %; noise alone stays below its floor.
#[test]
fn noise_has_a_floor() {
    let (width, height) = (512, 400);
    for seed in 0..6 {
        let draw = |x: usize, y: usize| {
            let mut stream = Stream::new(seed, 0, (y * width + x) as u64, Purpose::Content);
            [0; 3].map(|_| {
                let sum: f64 = (0..12).map(|_| stream.uniform()).sum();
                0.01 * (sum - 6.0)
            })
        };
        let f = DVec2::new(0.061, 0.033);
        let with = |size: f64| {
            Field::from_fn(width, height, |x, y| {
                let c = size * (TAU * f.dot(DVec2::new(x as f64, y as f64))).cos();
                draw(x, y).map(|n| n + c)
            })
        };
        let clean = waves(&with(0.0), &Settings::default());
        assert!(clean.found.iter().all(Found::below_noise), "{seed} {clean:#?}");
        assert!(clean.luma_floor > 2e-4 && clean.luma_floor < 1e-3, "{clean:?}");
        let size = 3.0 * waves(&with(0.01), &Settings::default()).found[0].luma_floor;
        assert!(size > 5e-4 && size < 3e-3, "{size}");
        let found = waves(&with(size), &Settings::default()).found[0];
        assert!(
            !found.below_noise() && (found.wave.luma() / size - 1.0).abs() < 0.1,
            "{seed} {found:?}"
        );
    }
}

/// Fringes and their images half a cycle away, as a mosaic filled in bilinearly has them: neighbours beat within a small window, and
/// each is found as it is.
#[test]
fn waves_near_the_finest() {
    let f = [DVec2::new(0.0146, 0.0042), DVec2::new(0.0042, -0.0146)];
    let mut put = Vec::new();
    for (i, f) in f.into_iter().enumerate() {
        put.push((f, [0.5, 0.01, -0.4], i as f64));
        put.push((f + DVec2::new(0.5, 0.0), [0.4, 0.1, 0.3], 1.0 + i as f64));
        put.push((f + DVec2::new(0.0, 0.5), [0.3, 0.1, 0.35], 2.0 + i as f64));
    }
    let found = waves(&field(960, 540, &put), &Settings { most: 8, ..Settings::default() });
    for (i, put) in put.iter().enumerate() {
        let own = found.found.iter().find(|f| near(f.wave.frequency, put.0) < 3e-4);
        let own = own.unwrap_or_else(|| panic!("wave {i} is missing: {found:#?}"));
        let folded = (put.0 - put.0.round(), put.1, put.2);
        is(own, &folded, 1e-2);
    }
}

/// Only part of the picture is given, as where a wall fills part of the frame: waves of any length are found in it.
#[test]
fn a_part_of_the_picture() {
    for put in [
        (DVec2::new(0.0, 1.0 / 40.0), [0.02; 3], 0.4),
        (DVec2::new(0.11, 0.05), [0.02; 3], 0.4),
        (DVec2::new(0.004, 0.009), [0.02; 3], 0.4),
    ] {
        let mut whole = field(360, 640, &[put]);
        for plane in &mut whole.planes {
            for (i, v) in plane.data.iter_mut().enumerate() {
                let (x, y) = (i % 360, i / 360);
                if !(60..290).contains(&x) || !(110..420).contains(&y) || x + y < 200 {
                    *v = f32::NAN;
                }
            }
        }
        let found = waves(&whole, &Settings::default());
        is(&found.found[0], &put, 5e-3);
        let twice = again(&whole, &found.found[0], &Settings::default()).expect("still there");
        is(&twice, &put, 5e-3);
    }
}

#[test]
fn odd_fields_make_no_trouble() {
    for (w, h) in [(0, 0), (1, 1), (3, 2), (1, 300), (300, 1), (24, 24)] {
        for value in [0.0, 0.3, f64::NAN, f64::INFINITY] {
            let field = Field::from_fn(w, h, |_, _| [value; 3]);
            let found = waves(&field, &Settings::default());
            assert!(found.found.is_empty(), "{w} {h} {value} {found:?}");
            waves_at(&field, DVec2::new(2.0, -5.0), &Settings::default());
        }
    }
}
