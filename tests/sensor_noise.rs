//! The sensor's noise and conversion: statistics, determinism, limits.

use gridbeat::frame::{Electrons, Plane, RawFrame, Window};
use gridbeat::math::random::{Purpose, Stream, normal_quantile, poisson, uniforms};
use gridbeat::sensor::convert::expose;
use gridbeat::sensor::emva::LinearSensor;
use gridbeat::sensor::{Camera, Mosaic, Readout, photons};
use proptest::prelude::*;

fn camera(columns: u32, rows: u32) -> Camera {
    Camera {
        columns,
        rows,
        photosite_m: 5e-6,
        fill_factor: 0.8,
        mosaic: Mosaic::Bayer([0, 1, 1, 2]),
        readout: Readout::Global,
        fps: 24.0,
        exposure_s: 1.0 / 48.0,
        exposure_index: 800.0,
        full_well_e: 30_000.0,
        read_noise_e: 2.5,
        prnu: 0.0,
        bits: 14,
        black_level: 200,
        noise: true,
        seed: 20,
        matrix: [[0.4, 0.02, 0.01], [0.02, 0.5, 0.05], [0.0, 0.06, 0.45]],
        crop: Window { x: 0, y: 0, width: columns, height: rows },
        mode: None,
    }
}

fn flat(camera: &Camera, electrons: f32) -> Electrons {
    let Window { width, height, .. } = camera.crop;
    let plane = Plane::filled(width as usize, height as usize, electrons);
    Electrons { window: camera.crop, planes: vec![plane; camera.mosaic.planes()] }
}

/// Levels above black of a flat frame's first plane.
fn above_black(frame: &RawFrame, camera: &Camera) -> Vec<f64> {
    frame.planes[0].iter().map(|&v| f64::from(v) - f64::from(camera.black_level)).collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let middle = mean(values);
    values.iter().map(|v| (v - middle) * (v - middle)).sum::<f64>() / (values.len() - 1) as f64
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let (ma, mb) = (mean(a), mean(b));
    let product: f64 = a.iter().zip(b).map(|(x, y)| (x - ma) * (y - mb)).sum();
    product / ((a.len() - 1) as f64 * (variance(a) * variance(b)).sqrt())
}

#[test]
fn photon_transfer_curve_follows_the_emva_line() {
    // The bar: slope and intercept within 2 % (EMVA 1288 linear model). Two frames a level, so that
    // the fixed pattern drops out: half the variance of their difference against the mean.
    let camera = Camera { prnu: 0.01, ..camera(512, 384) };
    let gain = 0.25;
    let model =
        LinearSensor { gain_dn_per_e: gain, quantum_efficiency: 1.0, dark_e: 2.5, prnu: 0.0 };
    let levels = [0.0_f32, 1.0, 4.0, 10.0, 14.0, 18.0, 40.0, 150.0, 600.0, 2500.0, 10_000.0];
    let (mut s, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, &level) in levels.iter().enumerate() {
        let frame = 2 * i as u32;
        let light = flat(&camera, level);
        let a = above_black(&expose(&light, &camera, gain, frame), &camera);
        let b = above_black(&expose(&light, &camera, gain, frame + 1), &camera);
        let difference: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a - b).collect();
        let x = 0.5 * (mean(&a) + mean(&b));
        let y = 0.5 * variance(&difference);
        let single = y / model.variance_dn2(f64::from(level)) - 1.0;
        assert!(single.abs() < 0.02, "variance off by {single} at {level} electrons");
        // A variance is as uncertain as it is large.
        let weight = 1.0 / (y * y);
        s += weight;
        sx += weight * x;
        sy += weight * y;
        sxx += weight * x * x;
        sxy += weight * x * y;
    }
    let slope = (s * sxy - sx * sy) / (s * sxx - sx * sx);
    let intercept = (sy - slope * sx) / s;
    assert!((slope / gain - 1.0).abs() < 0.02, "slope {slope}");
    let dark = model.variance_dn2(0.0);
    assert!((intercept / dark - 1.0).abs() < 0.02, "intercept {intercept} for {dark}");
}

#[test]
fn non_uniformity_adds_its_share_and_stays_put() {
    // Handbook §9: 6000 electrons, K 0.25, σ_d 2.5, r 0.01: σ_y 24.5046 DN in a single frame.
    let camera = Camera { prnu: 0.01, ..camera(512, 384) };
    let light = flat(&camera, 6000.0);
    let a = above_black(&expose(&light, &camera, 0.25, 0), &camera);
    let b = above_black(&expose(&light, &camera, 0.25, 1), &camera);
    let sigma = variance(&a).sqrt();
    assert!((sigma / 24.5046 - 1.0).abs() < 0.01, "{sigma}");
    // The fixed part is the part two frames share: (15 DN)² of 24.5046².
    let shared = correlation(&a, &b);
    assert!((shared - 225.0 / (24.5046 * 24.5046)).abs() < 0.01, "{shared}");
}

#[test]
fn few_electrons_follow_the_poisson_distribution() {
    // Counts at a mean of 3 without read noise, against e^{−3}·3^k/k!, ten classes: the 99.9 % point
    // of χ² with 9 degrees of freedom is 27.88 (common table value).
    let camera = Camera { read_noise_e: 0.0, ..camera(400, 300) };
    let counts = above_black(&expose(&flat(&camera, 3.0), &camera, 1.0, 5), &camera);
    let mut histogram = [0.0_f64; 10];
    for &count in &counts {
        histogram[(count as usize).min(9)] += 1.0;
    }
    let n = counts.len() as f64;
    let mut probability = (-3.0_f64).exp();
    let (mut chi2, mut left) = (0.0, 1.0);
    for (k, seen) in histogram.iter().enumerate() {
        let expected = n * if k == 9 { left } else { probability };
        chi2 += (seen - expected) * (seen - expected) / expected;
        left -= probability;
        probability *= 3.0 / (k + 1) as f64;
    }
    assert!(chi2 < 27.88, "χ² {chi2}");
    // Four standard errors: σ² = 3, variance of the variance (μ₄ − σ⁴)/n with μ₄ = 3 + 3·9.
    assert!((mean(&counts) - 3.0).abs() < 4.0 * (3.0 / n).sqrt());
    assert!((variance(&counts) - 3.0).abs() < 4.0 * (21.0 / n).sqrt());
}

#[test]
fn poisson_moments_over_many_draws() {
    // Mean λ, variance λ, third central moment λ; five standard errors, both sides of the switch.
    let n = 200_000;
    for lambda in [0.2, 6.0, 15.9, 16.1, 90.0, 4000.0] {
        let draws: Vec<f64> =
            (0..n).map(|i| poisson(lambda, uniforms(3, 0, i, Purpose::Exposure)[0])).collect();
        let nf = n as f64;
        let (m, v) = (mean(&draws), variance(&draws));
        assert!((m - lambda).abs() < 5.0 * (lambda / nf).sqrt(), "{lambda}: mean {m}");
        let error = ((lambda + 2.0 * lambda * lambda) / nf).sqrt();
        assert!((v - lambda).abs() < 5.0 * error, "{lambda}: variance {v}");
        let third = draws.iter().map(|d| (d - m).powi(3)).sum::<f64>() / nf;
        // Variance of the third moment of nearly normal numbers: 6σ⁶/n, and more for small means.
        let error = ((6.0 * lambda.powi(3) + 60.0 * lambda * lambda + lambda) / nf).sqrt();
        assert!((third - lambda).abs() < 5.0 * error, "{lambda}: third moment {third}");
    }
}

#[test]
fn normal_draws_are_normal() {
    let n = 200_000;
    let mut draws: Vec<f64> =
        (0..n).map(|i| normal_quantile(uniforms(4, 9, i, Purpose::Exposure)[1])).collect();
    let nf = n as f64;
    let moment = |k: i32| draws.iter().map(|d| d.powi(k)).sum::<f64>() / nf;
    // Moments 0, 1, 0, 3 with standard errors √(1, 2, 15, 96)/√n; five of them.
    for (k, expected, spread) in [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)] {
        let found = moment(k);
        assert!((found - expected).abs() < 5.0 * f64::sqrt(spread / nf), "moment {k}: {found}");
    }
    // Kolmogorov–Smirnov: 1.95/√n is the 99.9 % point (common table value).
    draws.sort_by(f64::total_cmp);
    let worst = draws.iter().enumerate().fold(0.0_f64, |worst, (i, &z)| {
        let expected = 0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2);
        worst.max((expected - (i as f64 + 0.5) / nf).abs())
    });
    assert!(worst < 1.95 / nf.sqrt(), "{worst}");
}

#[test]
fn neighbours_frames_seeds_and_planes_are_independent() {
    let mut camera = camera(401, 300);
    camera.mosaic = Mosaic::FullPlanes;
    let light = flat(&camera, 5000.0);
    let frame = expose(&light, &camera, 0.25, 7);
    let base = above_black(&frame, &camera);
    let next = above_black(&expose(&light, &camera, 0.25, 8), &camera);
    let reseeded = Camera { seed: 21, ..camera.clone() };
    let other = above_black(&expose(&light, &reseeded, 0.25, 7), &camera);
    let plane = RawFrame { planes: vec![frame.planes[1].clone()], ..frame.clone() };
    let green = above_black(&plane, &camera);
    let limit = 4.5 / (base.len() as f64).sqrt();
    for (what, r) in [
        ("to the right", correlation(&base[1..], &base[..base.len() - 1])),
        ("two to the right", correlation(&base[2..], &base[..base.len() - 2])),
        ("below", correlation(&base[401..], &base[..base.len() - 401])),
        ("next frame", correlation(&base, &next)),
        ("next frame, shifted", correlation(&base[1..], &next[..next.len() - 1])),
        ("other seed", correlation(&base, &other)),
        ("other plane", correlation(&base, &green)),
    ] {
        assert!(r.abs() < limit, "{what}: correlation {r}, limit {limit}");
    }
    // Shot noise and read noise of one photosite come from one block; they must not go together.
    let pair: Vec<[f64; 2]> = (0..120_000).map(|i| uniforms(20, 7, i, Purpose::Exposure)).collect();
    let (a, b): (Vec<f64>, Vec<f64>) = pair.iter().map(|p| (p[0], p[1])).unzip();
    assert!(correlation(&a, &b).abs() < 4.5 / (a.len() as f64).sqrt());
}

/// Light that differs everywhere.
fn uneven(camera: &Camera) -> Electrons {
    let mut light = flat(camera, 0.0);
    let Window { x, y, width, .. } = camera.crop;
    for (number, plane) in light.planes.iter_mut().enumerate() {
        for (i, value) in plane.data.iter_mut().enumerate() {
            let column = x as usize + i % width as usize;
            let row = y as usize + i / width as usize;
            *value = ((column * 7 + row * 131 + number * 17) % 1000) as f32 * 1.5;
        }
    }
    light
}

#[test]
fn any_number_of_threads_gives_the_same_bits() {
    let camera = Camera { prnu: 0.02, ..camera(97, 61) };
    let light = uneven(&camera);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| expose(&light, &camera, 0.3, 2))
    };
    let one = with(1);
    assert_eq!(one, with(3));
    assert_eq!(one, with(8));
    assert_ne!(one, expose(&light, &camera, 0.3, 3), "another frame has other noise");
}

#[test]
fn a_crop_is_a_part_of_the_full_frame_with_its_noise() {
    for mosaic in [Mosaic::Bayer([1, 0, 2, 1]), Mosaic::Monochrome, Mosaic::FullPlanes] {
        let full = Camera { prnu: 0.02, mosaic, ..camera(97, 61) };
        let whole = expose(&uneven(&full), &full, 0.3, 4);
        for crop in [
            Window { x: 13, y: 7, width: 31, height: 22 },
            Window { x: 96, y: 60, width: 1, height: 1 },
        ] {
            let part = Camera { crop, ..full.clone() };
            let raw = expose(&uneven(&part), &part, 0.3, 4);
            assert_eq!(raw.window, crop);
            for (plane, levels) in raw.planes.iter().enumerate() {
                for (i, level) in levels.iter().enumerate() {
                    let x = (crop.x as usize) + i % crop.width as usize;
                    let y = (crop.y as usize) + i / crop.width as usize;
                    assert_eq!(*level, whole.planes[plane][y * 97 + x], "{x}, {y}");
                }
            }
        }
    }
}

#[test]
fn the_bits_are_known() {
    // From an independent script (own Philox, a standard library's normal quantile): any machine,
    // and any change of the arithmetic, must give the same.
    let camera = Camera { prnu: 0.02, ..camera(4, 2) };
    let raw = expose(&uneven(&camera), &camera, 0.3, 4);
    assert_eq!(raw.planes[0], [199, 202, 205, 210, 258, 266, 262, 269]);
}

#[test]
fn without_noise_the_levels_are_exact() {
    let camera = Camera { noise: false, prnu: 0.5, black_level: 64, bits: 12, ..camera(10, 1) };
    let mut light = flat(&camera, 0.0);
    light.planes[0].data =
        vec![0.0, 1.0, 2.0, 3.0, 1000.0, 29_999.0, 31_000.0, -5.0, f32::NAN, f32::INFINITY];
    let raw = expose(&light, &camera, 0.25, 0);
    // 64 + 0.25·e, halves up: 64, 64.25, 64.5, 64.75, 314; 12 bits end at 4095; no light is black.
    assert_eq!(raw.planes[0], [64, 64, 65, 65, 314, 4095, 4095, 64, 64, 4095]);
    // The full well clips before the converter does.
    let shallow = Camera { full_well_e: 800.0, ..camera };
    let raw = expose(&light, &shallow, 0.25, 0);
    assert_eq!(raw.planes[0], [64, 64, 65, 65, 264, 264, 264, 64, 64, 264]);
}

#[test]
fn the_full_well_clips_shot_noise_but_not_read_noise() {
    let camera = Camera { full_well_e: 1000.0, read_noise_e: 0.0, ..camera(64, 64) };
    let raw = expose(&flat(&camera, 2000.0), &camera, 1.0, 0);
    assert!(raw.planes[0].iter().all(|&v| v == 1200));
    let noisy = Camera { read_noise_e: 3.0, ..camera };
    let levels = above_black(&expose(&flat(&noisy, 2000.0), &noisy, 1.0, 0), &noisy);
    assert!((mean(&levels) - 1000.0).abs() < 0.3 && (variance(&levels).sqrt() - 3.0).abs() < 0.3);
}

#[test]
fn exposure_index_places_white_and_mid_grey() {
    // At 78/EI lx·s the highest level; at 10/EI, 1/7.8 of the way.
    let mut camera = Camera { noise: false, full_well_e: 1e9, ..camera(2, 1) };
    let yields = [14e15, 5.3e15, 38e15];
    let share = [0.25, 0.68, 0.07];
    for (mosaic, exposure_index) in [
        (Mosaic::Bayer([0, 1, 1, 2]), 800.0),
        (Mosaic::Monochrome, 800.0),
        (Mosaic::FullPlanes, 3200.0),
    ] {
        camera.mosaic = mosaic;
        camera.exposure_index = exposure_index;
        let per_lx_s = photons::electrons_per_lx_s(&camera, 1, yields, share);
        let area_m2 = 25e-12 * 0.8;
        // By hand: area · Σ row · yield · share, with the green row or the mean of the rows.
        let by_hand = match mosaic {
            Mosaic::Monochrome => (0.42 * 3.5 + 0.58 * 3.604 + 0.51 * 2.66) / 3.0,
            _ => 0.02 * 3.5 + 0.5 * 3.604 + 0.05 * 2.66,
        };
        assert!((per_lx_s / (area_m2 * by_hand * 1e15) - 1.0).abs() < 1e-12, "{per_lx_s}");
        let gain = photons::gain_dn_per_e(&camera, per_lx_s);
        let white = per_lx_s * photons::saturation_exposure_lx_s(exposure_index);
        let grey = per_lx_s * photons::mid_grey_exposure_lx_s(exposure_index);
        let level = |e: f64| expose(&flat(&camera, e as f32), &camera, gain, 0).planes[0][0];
        assert_eq!(level(white), 16383);
        assert_eq!(level(0.999 * white), (200.0 + 0.999 * 16183.0_f64).round() as u16);
        assert_eq!(level(grey), (200.0 + 16183.0 / 7.8_f64).round() as u16);
    }
    assert_eq!(photons::gain_dn_per_e(&camera, 0.0), 0.0);
    camera.black_level = 20_000;
    assert_eq!(photons::gain_dn_per_e(&camera, 1e6), 0.0);
}

#[test]
fn a_stream_is_uniform() {
    // 64 classes: the 99.9 % point of χ² with 63 degrees of freedom is 103.4 (common table value).
    let mut stream = Stream::new(11, 0, 0, Purpose::Rays);
    let n = 64_000;
    let mut histogram = [0.0_f64; 64];
    for _ in 0..n {
        histogram[(stream.uniform() * 64.0) as usize] += 1.0;
    }
    let expected = f64::from(n) / 64.0;
    let chi2: f64 = histogram.iter().map(|seen| (seen - expected).powi(2) / expected).sum();
    assert!(chi2 < 103.4, "χ² {chi2}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// Whatever the numbers, conversion gives levels within the converter's limits.
    #[test]
    fn any_light_and_camera_convert(
        data in proptest::collection::vec(any::<f32>(), 0..40),
        width in 0_usize..9,
        seed in any::<u64>(),
        frame in any::<u32>(),
        bits in 0_u32..40,
        black_level in any::<u32>(),
        (full_well_e, read_noise_e, prnu, gain) in (any::<f64>(), any::<f64>(), any::<f64>(), any::<f64>()),
        (x, y, columns, rows) in (any::<u32>(), any::<u32>(), any::<u32>(), any::<u32>()),
        noise in any::<bool>(),
    ) {
        let height = data.len().checked_div(width).unwrap_or(0);
        let crop = Window { x, y, width: width as u32, height: height as u32 };
        let camera = Camera {
            seed, bits, black_level, full_well_e, read_noise_e, prnu, noise, crop,
            columns, rows,
            ..camera(8, 8)
        };
        let plane = Plane { width, height, data: data[..width * height].to_vec() };
        let light = Electrons { window: crop, planes: vec![plane] };
        let raw = expose(&light, &camera, gain, frame);
        prop_assert_eq!(raw.planes[0].len(), width * height);
        let top = (1_u32 << bits.min(16)) - 1;
        prop_assert!(raw.planes[0].iter().all(|&v| u32::from(v) <= top));
    }

    /// More light never gives a lower level, noise or not: the same draws are used.
    #[test]
    fn levels_rise_with_light(e in 0.0_f32..40_000.0, more in 0.0_f32..5000.0, noise in any::<bool>()) {
        let camera = Camera { noise, prnu: 0.01, ..camera(3, 3) };
        let low = expose(&flat(&camera, e), &camera, 0.25, 1);
        let high = expose(&flat(&camera, e + more), &camera, 0.25, 1);
        prop_assert!(low.planes[0].iter().zip(&high.planes[0]).all(|(a, b)| a <= b));
    }
}
