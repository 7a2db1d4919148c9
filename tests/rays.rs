//! The slow check against closed forms, brute force and itself.

use crate::stage;
use glam::DVec2;
use gridbeat::colour;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::{Diffraction, LowPass};
use gridbeat::render::Run;
use gridbeat::render::rays::{self, RaySettings, RaysError};
use gridbeat::scene::Scene;
use gridbeat::sensor::Mosaic;
use gridbeat::wall::drive::{DriveKind, SplitOrder};
use gridbeat::wall::{EmitterShape, WallTransfer};
use std::f64::consts::PI;
use std::sync::Arc;

fn render(scene: &Scene, window: Window, samples: u32, seed: u64) -> Electrons {
    let settings = RaySettings { samples, seed };
    rays::render(scene, 0, window, &settings, &Run::default()).unwrap()
}

/// Centroid and second moments of a plane, in photosites (x right, y up) from the sensor's centre.
fn moments(scene: &Scene, frame: &Electrons) -> (DVec2, DVec2, f64) {
    let (mut sum, mut first, mut second) = (0.0, DVec2::ZERO, DVec2::ZERO);
    let plane = &frame.planes[0];
    for row in 0..plane.height {
        for column in 0..plane.width {
            let at = DVec2::new(
                f64::from(frame.window.x) + column as f64 + 0.5
                    - 0.5 * f64::from(scene.camera.columns),
                0.5 * f64::from(scene.camera.rows) - f64::from(frame.window.y) - row as f64 - 0.5,
            );
            let light = f64::from(plane.at(column, row));
            sum += light;
            first += at * light;
            second += at * at * light;
        }
    }
    let mean = first / sum;
    (mean, second / sum - mean * mean, sum)
}

/// Lights one pixel of the wall, green only, with green photosites only.
fn one_pixel(scene: &mut Scene, column: u32, row: u32) {
    let lit = |c: usize, i: u32, j: u32| if (c, i, j) == (1, column, row) { 1.0 } else { 0.0 };
    scene.content = Arc::new(stage::show(&scene.wall, lit));
    scene.camera.matrix = [[0.0, 1.0, 0.0]; 3];
}

/// The same scene, all white.
fn scene_white(scene: &Scene) -> Scene {
    let content = Arc::new(stage::show(&scene.wall, |_, _, _| 1.0));
    Scene { content, ..scene.clone() }
}

/// An emitter that many rays meet, still narrower than the pitch.
const BROAD: EmitterShape = EmitterShape::Rectangle { width_m: 2.2e-3, height_m: 1.6e-3 };

/// Where a wall point is seen, in photosites from the sensor's centre (x right, y up), by similar
/// triangles and, for a yaw only, plain trigonometry; distortion by bisection of the definition.
fn seen_at(scene: &Scene, point: DVec2, yaw_deg: f64) -> DVec2 {
    let (sin, cos) = yaw_deg.to_radians().sin_cos();
    let lens = scene.pose.lens_m;
    let (dx, dy, dz) = (point.x - lens.x, point.y - lens.y, -lens.z);
    // Camera right is (cos, 0, −sin), camera forward (−sin, 0, −cos).
    let right = dx * cos - dz * sin;
    let ahead = -dx * sin - dz * cos;
    let ideal = DVec2::new(right, dy) / ahead * scene.lens.image_m();
    let corner = 0.5
        * f64::from(scene.camera.columns).hypot(f64::from(scene.camera.rows))
        * scene.camera.photosite_m;
    let r_u = ideal.length();
    let (mut low, mut high) = (0.0, 2.0 * corner);
    for _ in 0..100 {
        let r_d: f64 = 0.5 * (low + high);
        let undistorted = r_d / (1.0 + scene.lens.distortion * (r_d / corner).powi(2));
        if undistorted < r_u { low = r_d } else { high = r_d }
    }
    let scale = if r_u > 0.0 { low / r_u } else { 1.0 };
    ideal * scale / scene.camera.photosite_m
}

#[test]
fn a_gapless_steady_white_wall_gives_the_closed_form() {
    // H = (π/4)·L·t·T/[N²(1+m)²] lx·s on the axis (reference/physics.md § 9), times electrons.
    for (f_number, yaw, disc) in
        [(1.4, 0.0, 6.0), (2.8, 40.0, 0.0), (4.0, 20.0, 3.0), (16.0, 0.0, 0.0), (16.0, 40.0, 2.0)]
    {
        for diffraction in [Diffraction::Off, Diffraction::Convolved] {
            let mut scene = stage::plain();
            stage::gapless(&mut scene);
            scene.lens.f_number = f_number;
            scene.lens.diffraction = diffraction;
            scene.camera.mosaic = Mosaic::FullPlanes;
            scene.camera.fill_factor = 0.8;
            stage::place(&mut scene, 2.0, disc, DVec2::ZERO, [yaw, 0.0, 0.0]);
            let window = stage::window(&scene, 0, 0, 4, 2);
            let frame = render(&scene, window, 4096, 5);
            let (wall, lens, camera) = (&scene.wall, &scene.lens, &scene.camera);
            let shares =
                colour::luminance_shares(wall.emitters.map(|e| e.xy), wall.white_xy).unwrap();
            let m = lens.focal_m / (lens.focus_m - lens.focal_m);
            let stop = f_number * (1.0 + m);
            for k in 0..3 {
                let mut expected = 0.0;
                for (c, e) in wall.emitters.iter().enumerate() {
                    let lux_s = PI / 4.0 * 1000.0 * 0.8 * shares[c] * camera.exposure_s * 0.9
                        / (stop * stop);
                    expected += lux_s
                        * colour::led_photons_per_lux_second_m2(e.wavelength_m, e.linewidth_m)
                        * (6e-6 * 6e-6 * 0.8)
                        * camera.matrix[k][c];
                }
                // Diffraction throws a little light past the wall's edge: 2/(πx) of it, x = πr/λN,
                // r at least 150 photosites; 0.5 % at f/16.
                let tail = match diffraction {
                    Diffraction::Off => 1e-6,
                    _ => 2.0 * 0.65e-6 * stop / (PI * PI * 150.0 * 6e-6),
                };
                for &value in &frame.planes[k].data {
                    let ratio = f64::from(value) / expected;
                    assert!(
                        ratio < 1.0 + 1e-6 && ratio > 1.0 - tail.max(1e-6) * 1.5,
                        "f/{f_number}, yaw {yaw}, {diffraction:?}, plane {k}: {ratio}"
                    );
                }
            }
        }
    }
}

#[test]
fn vignetting_and_viewing_angle_follow_their_powers_of_the_cosine() {
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.lens.f_number = 16.0;
    scene.lens.focal_m = 8e-3;
    stage::place(&mut scene, 2.0, 0.0, DVec2::ZERO, [0.0; 3]);
    let window = stage::window(&scene, 180, 60, 1, 1);
    let plain = render(&scene, window, 256, 1).planes[0].data[0];
    let (x, y) = (180.5 * 6e-6, 60.5 * 6e-6);
    let v = scene.lens.image_m();
    let cos2 = v * v / (v * v + x * x + y * y);
    scene.lens.vignetting = true;
    let dark = render(&scene, window, 256, 1).planes[0].data[0];
    assert!((f64::from(dark / plain) - cos2 * cos2).abs() < 1e-6, "cos⁴");
    scene.lens.vignetting = false;
    // Half at the half angle: choose it as the angle at which this photosite looks.
    for emitter in &mut scene.wall.emitters {
        emitter.half_angle_rad = Some(cos2.sqrt().acos());
    }
    let dark = render(&scene, window, 256, 1).planes[0].data[0];
    assert!((f64::from(dark / plain) - 0.5).abs() < 1e-3, "falloff");
}

#[test]
fn one_lit_pixel_lands_upright_in_its_quadrant() {
    for (columns, rows) in [(960, 640), (961, 641)] {
        for (distortion, yaw) in
            [(0.0, 0.0), (-0.08, 0.0), (0.08, 0.0), (0.0, 25.0), (-0.05, -20.0)]
        {
            let mut scene = stage::plain();
            (scene.camera.columns, scene.camera.rows) = (columns, rows);
            scene.lens.distortion = distortion;
            // Blur enough that sampling by whole photosites leaves the centroid alone.
            scene.lens.aberration_m = 0.8 * 6e-6;
            // Up and to the right of the middle as a viewer sees it, with an offset emitter.
            one_pixel(&mut scene, 180, 50);
            scene.wall.emitters[1].offset_m = DVec2::new(0.5e-3, -0.8e-3);
            scene.wall.emitters[1].shape = BROAD;
            stage::place(&mut scene, 2.0, 0.0, DVec2::ZERO, [yaw, 0.0, 0.0]);
            scene.lens.defocus = false;
            let pitch = scene.wall.pitch_m;
            let point =
                DVec2::new((180.5 - 120.0) * pitch + 0.5e-3, (80.0 - 50.5) * pitch - 0.8e-3);
            let expected = seen_at(&scene, point, yaw);
            let (x, y) = (expected.x.round() as i32, -expected.y.round() as i32);
            let window = stage::window(&scene, x, y, 12, 12);
            let (centre, _, light) = moments(&scene, &render(&scene, window, 1 << 16, 3));
            assert!(light > 0.0);
            assert!(
                expected.x > 30.0 && expected.y > 20.0,
                "right and up: {expected} (photosites, yaw {yaw})"
            );
            assert!(
                (centre - expected).abs().max_element() < 2e-3,
                "{columns}×{rows}, distortion {distortion}, yaw {yaw}: {centre}, not {expected}"
            );
        }
    }
}

#[test]
fn the_second_moment_of_an_emitter_is_the_sum_of_its_blurs() {
    // c²/16 + d²/4 + w²/12 + σ² + the emitter's own, photosites²: blur disc c, low-pass d,
    // aperture w, aberration σ; an emitter of side a has a²/12, a disc of diameter a has a²/16.
    let mut scene = stage::plain();
    scene.camera.fill_factor = 0.64;
    scene.lens.f_number = 2.0;
    scene.lens.aberration_m = 0.7 * 6e-6;
    scene.low_pass = Some(LowPass { across_m: 1.5 * 6e-6, upright_m: 0.9 * 6e-6 });
    one_pixel(&mut scene, 123, 82);
    for disc in [0.0, 5.0, -4.0] {
        stage::place(&mut scene, 2.0, disc, DVec2::ZERO, [0.0; 3]);
        let scale = 2.0 / 2.6e-3;
        for (shape, own) in [
            (BROAD, DVec2::new(2.2e-3 * scale, 1.6e-3 * scale).powf(2.0) / 12.0),
            (
                EmitterShape::Disc { diameter_m: 2.4e-3 },
                DVec2::splat((2.4e-3 * scale).powi(2) / 16.0),
            ),
        ] {
            scene.wall.emitters[1].shape = shape;
            let window = stage::window(&scene, 7, 5, 18, 18);
            let (_, second, _) = moments(&scene, &render(&scene, window, 1 << 15, 4));
            let low_pass = DVec2::new(1.5 * 1.5, 0.9 * 0.9) / 4.0;
            let expected = own + low_pass + DVec2::splat(disc * disc / 16.0 + 0.64 / 12.0 + 0.49);
            let off = (second / expected - 1.0).abs().max_element();
            assert!(off < 4e-3, "disc {disc}, {shape:?}: {second}, not {expected}");
        }
    }
}

#[test]
fn a_tilted_wall_is_blurred_by_the_disc_of_each_depth() {
    // The exact radiance of every point of the wall comes through every point of the pupil: from a
    // wall point at depth z the light lands on a disc of diameter aperture·v·|1/focus − 1/z| about
    // the chief ray, so the second moment is that disc's, and the emitter's, by its depth.
    let mut scene = stage::plain();
    scene.lens.f_number = 2.0;
    scene.lens.aberration_m = 0.5 * 6e-6;
    scene.wall.emitters[1].shape = BROAD;
    let yaw = 25.0_f64;
    for column in [60, 120, 180] {
        one_pixel(&mut scene, column, 80);
        stage::place(&mut scene, 2.0, 4.0, DVec2::ZERO, [yaw, 0.0, 0.0]);
        let pitch = scene.wall.pitch_m;
        let point = DVec2::new((f64::from(column) + 0.5 - 120.0) * pitch, -0.5 * pitch);
        let (sin, cos) = yaw.to_radians().sin_cos();
        let depth = -(point.x - scene.pose.lens_m.x) * sin + scene.pose.lens_m.z * cos;
        let (lens, photosite) = (&scene.lens, scene.camera.photosite_m);
        let v = lens.image_m();
        let disc = lens.focal_m / lens.f_number * v * (1.0 / lens.focus_m - 1.0 / depth).abs();
        let centre = seen_at(&scene, point, yaw);
        // The emitter's image: width by the derivative of the exact projection, height by v/z.
        let half = DVec2::new(1.1e-3, 0.0);
        let width = (seen_at(&scene, point + half, yaw) - seen_at(&scene, point - half, yaw)).x;
        let height = 1.6e-3 * v / depth / photosite;
        let c = disc / photosite;
        let expected = DVec2::new(width * width, height * height) / 12.0
            + DVec2::splat(c * c / 16.0 + 1.0 / 12.0 + 0.25);
        let window =
            stage::window(&scene, centre.x.round() as i32, -centre.y.round() as i32, 14, 14);
        let (_, second, _) = moments(&scene, &render(&scene, window, 1 << 15, 6));
        let off = (second / expected - 1.0).abs().max_element();
        assert!(off < 6e-3, "column {column}: disc {c:.3}: {second}, not {expected}");
    }
}

#[test]
fn an_edge_is_blurred_by_the_light_an_airy_pattern_throws_over_it() {
    // Beyond a straight edge at x_t falls ∫ (2 J1²(x)/x) · acos(x_t/x)/π dx from x_t on: the energy of
    // each ring (the derivative of 1 − J0² − J1²) times the part of the ring beyond the edge.
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.lens.f_number = 11.0;
    scene.lens.diffraction = Diffraction::Convolved;
    scene.camera.matrix = [[0.0, 1.0, 0.0]; 3];
    let window = stage::window(&scene, 0, 0, 40, 4);
    let white = f64::from(render(&scene, window, 1 << 14, 8).planes[0].data[0]);
    let half = |_: usize, i: u32, _: u32| if i < 120 { 1.0 } else { 0.0 };
    scene.content = Arc::new(stage::show(&scene.wall, half));
    let frame = render(&scene, window, 1 << 15, 8);
    let unit = PI * 6e-6 / (525e-9 * scene.lens.working_f_number());
    let beyond = |photosites: f64| {
        let x_t = photosites * unit;
        // x = x_t + s², so that the square root at the start does not cost digits.
        let (n, last) = (60_000, 1500.0_f64.sqrt());
        let mut sum = 0.0;
        for i in 0..n {
            let s = (f64::from(i) + 0.5) * last / f64::from(n);
            let x = x_t + s * s;
            let j = libm::j1(x);
            sum += 2.0 * j * j / x * (x_t / x).acos() / PI * 2.0 * s * last / f64::from(n);
        }
        sum
    };
    for right in [0, 1, 2, 3, 5, 8] {
        // Mean over the photosite.
        let expected =
            (0..8).map(|k| beyond(right as f64 + (k as f64 + 0.5) / 8.0)).sum::<f64>() / 8.0;
        let seen = (0..4).map(|y| f64::from(frame.planes[0].at(20 + right, y))).sum::<f64>() / 4.0;
        let off = seen / white / expected - 1.0;
        // The ends of the lit half, 160 photosites away and more, take up to 0.0006 of white.
        assert!((off * expected).abs() < 7e-4 && off.abs() < 0.04, "{right}: {seen} {expected}");
    }
}

#[test]
fn whole_periods_give_the_mean_whatever_the_drive() {
    // An exposure of a whole number of periods: as much light as a steady wall.
    let level = |s: &mut Scene| {
        s.wall.transfer = WallTransfer::Gamma(1.0);
        s.wall.bits = 8;
        s.content = Arc::new(stage::show(&s.wall, |_, _, _| 0.6));
        stage::gapless(s);
        s.camera.exposure_s = 1.0 / 60.0;
    };
    let mut steady = stage::plain();
    level(&mut steady);
    let window = stage::window(&steady, 0, 0, 3, 5);
    let expected = render(&steady, window, 64, 1);
    for kind in [
        DriveKind::Pwm,
        DriveKind::Scanned,
        DriveKind::Split { bits: 8, order: SplitOrder::Even },
        DriveKind::Split { bits: 8, order: SplitOrder::BitReversed },
    ] {
        let mut scene = steady.clone();
        scene.drive.kind = kind.clone();
        scene.drive.scan = if kind == DriveKind::Pwm { 1 } else { 16 };
        scene.drive.dark_slot_s = 0.6e-6;
        scene.drive.rise_s = 0.2e-6;
        scene.drive.fall_s = 0.5e-6;
        let frame = render(&scene, window, 64, 1);
        for (a, b) in frame.planes[0].data.iter().zip(&expected.planes[0].data) {
            assert!((a / b - 1.0).abs() < 1e-6, "{kind:?}: {a} not {b}");
        }
    }
}

#[test]
fn a_tent_wall_is_the_interpolated_content() {
    // A checked-in-the-head content: codes rise by column, so the interpolation is a plane, which
    // every symmetric blur leaves alone away from the outline.
    let mut scene = stage::plain();
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    let image = stage::show(&scene.wall, |_, i, j| (f64::from(i) + 2.0 * f64::from(j)) / 640.0);
    scene.content = Arc::new(image);
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Tent;
    }
    scene.lens.f_number = 2.0;
    stage::place(&mut scene, 6.0, 4.0, DVec2::ZERO, [0.0; 3]);
    scene.camera.matrix = [[0.0, 1.0, 0.0]; 3]; // green, which has no offset
    let window = stage::window(&scene, 100, 40, 6, 6);
    let frame = render(&scene, window, 4096, 2);
    let top = render(&scene_white(&scene), window, 64, 2).planes[0].data[0];
    for row in 0..6_u32 {
        for column in 0..6_u32 {
            // Lattice coordinates: 6 photosites a pitch about the wall's middle (120, 80).
            let across = 120.0 + (f64::from(window.x + column) + 0.5 - 480.0) / 6.0 - 0.5;
            let down = 80.0 + (f64::from(window.y + row) + 0.5 - 320.0) / 6.0 - 0.5;
            let expected = (across + 2.0 * down) / 640.0;
            let value = f64::from(frame.planes[0].at(column as usize, row as usize) / top);
            assert!((value / expected - 1.0).abs() < 6e-4, "{column},{row}: {value} {expected}");
        }
    }
    // At the outline: clamped inside (the outer half pixel is flat), dark outside.
    let corner = DVec2::new(-120.0 * 2.6e-3, 80.0 * 2.6e-3);
    stage::place(&mut scene, 20.0, 0.0, corner, [0.0; 3]);
    let single = |s: &mut Scene| {
        s.content =
            Arc::new(stage::show(&s.wall, |_, i, j| if (i, j) == (0, 0) { 1.0 } else { 0.0 }));
    };
    let top =
        render(&scene_white(&scene), stage::window(&scene, 30, 30, 1, 1), 64, 2).planes[0].data[0];
    single(&mut scene);
    let frame = render(&scene, stage::window(&scene, 0, 0, 40, 40), 64, 2);
    let at = |x: usize, y: usize| f64::from(frame.planes[0].at(x, y) / top);
    assert!((at(24, 24) - 1.0).abs() < 1e-3, "{}", at(24, 24));
    assert_eq!(at(18, 24), 0.0);
    assert_eq!(at(24, 18), 0.0);
    // 19.5 photosites in: 0.475 pitches past the first centre.
    assert!((at(39, 24) - (1.0 - 0.475)).abs() < 1e-3, "{}", at(39, 24));
}

#[test]
fn the_back_of_the_wall_and_the_sky_are_dark() {
    let mut scene = stage::plain();
    let window = stage::window(&scene, 0, 0, 4, 4);
    assert!(render(&scene, window, 64, 1).planes[0].data.iter().any(|&v| v > 0.0));
    // Behind the wall, looking at its back.
    scene.pose.lens_m.z = -scene.pose.lens_m.z;
    scene.pose.turn = glam::DMat3::from_rotation_y(PI);
    assert!(render(&scene, window, 64, 1).planes[0].data.iter().all(|&v| v == 0.0));
    // In front of it, looking away.
    scene.pose.lens_m.z = -scene.pose.lens_m.z;
    assert!(render(&scene, window, 64, 1).planes[0].data.iter().all(|&v| v == 0.0));
}

#[test]
fn seeds_differ_threads_and_windows_do_not() {
    let mut scene = stage::plain();
    stage::waves(&mut scene, 20.0, 0.3);
    scene.low_pass = Some(LowPass { across_m: 6e-6, upright_m: 6e-6 });
    scene.lens.diffraction = Diffraction::Convolved;
    scene.camera.mosaic = Mosaic::Bayer([0, 1, 1, 2]);
    stage::place(&mut scene, 1.9, 4.0, DVec2::ZERO, [10.0, 5.0, 2.0]);
    let window = stage::window(&scene, 31, 7, 24, 12);
    let settings = RaySettings { samples: 64, seed: 1 };
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| rays::render(&scene, 0, window, &settings, &Run::default()).unwrap())
    };
    let one = with(1);
    assert_eq!(one, with(3));
    assert_ne!(one, render(&scene, window, 64, 2));
    let part = Window { x: window.x + 5, y: window.y + 3, width: 7, height: 4 };
    let crop = render(&scene, part, 64, 1);
    for y in 0..4 {
        assert_eq!(crop.planes[0].row(y), &one.planes[0].row(y + 3)[5..12]);
    }
    // Independent halves: their errors against many rays do not correlate.
    let truth = render(&scene, window, 1 << 12, 77);
    let (a, b) = (render(&scene, window, 64, 11), render(&scene, window, 64, 12));
    let error = |f: &Electrons| -> Vec<f64> {
        let pairs = f.planes[0].data.iter().zip(&truth.planes[0].data);
        pairs.map(|(v, t)| f64::from(v - t)).collect()
    };
    let (a, b) = (error(&a), error(&b));
    let dot = |p: &[f64], q: &[f64]| p.iter().zip(q).map(|(x, y)| x * y).sum::<f64>();
    let correlation = dot(&a, &b) / (dot(&a, &a) * dot(&b, &b)).sqrt();
    assert!(correlation.abs() < 0.25, "{correlation}");
}

#[test]
fn waves_are_refused_and_a_stopped_check_says_so() {
    let mut scene = stage::plain();
    let window = stage::window(&scene, 0, 0, 2, 2);
    let settings = RaySettings { samples: 4, seed: 1 };
    let run = Run::default();
    run.cancel.store(true, std::sync::atomic::Ordering::Relaxed);
    let stopped = rays::render(&scene, 0, window, &settings, &run);
    assert!(matches!(stopped, Err(RaysError::Cancelled(_))));
    scene.lens.diffraction = Diffraction::Wave;
    let refused = rays::render(&scene, 0, window, &settings, &Run::default()).unwrap_err();
    assert_eq!(
        refused.to_string(),
        "the slow check traces rays and cannot do `diffraction: wave`; \
         set `diffraction` to `off` or `convolved` to compare"
    );
}
