//! Bugs that hide well in space: signs, halves, crops, sums. Frames are the fast engine's.
//!
//! Expected numbers come from formulas written out here or named beside them.

use crate::stage;
use crate::truth::render;
use glam::{DMat3, DVec2, DVec3};
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::{Diffraction, LowPass, transfer};
use gridbeat::render::Run;
use gridbeat::scene::Scene;
use gridbeat::sensor::{Mosaic, convert};
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::drive::DriveKind;
use gridbeat::wall::{EmitterShape, WallTransfer};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

const PHOTOSITE_M: f64 = 6e-6;
const IDENTITY: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// Lights one pixel, all colours.
fn one_pixel(scene: &mut Scene, column: u32, row: u32) {
    let lit = |_: usize, i: u32, j: u32| if (i, j) == (column, row) { 1.0 } else { 0.0 };
    scene.content = Arc::new(stage::show(&scene.wall, lit));
}

/// Sum, centroid and second moments of a plane, in photosites (x right, y up) from the sensor's middle.
fn moments(scene: &Scene, frame: &Electrons, plane: usize) -> (f64, DVec2, DVec2) {
    let (mut sum, mut first, mut second) = (0.0, DVec2::ZERO, DVec2::ZERO);
    let middle = DVec2::new(f64::from(scene.camera.columns), f64::from(scene.camera.rows)) / 2.0;
    for row in 0..frame.window.height {
        for column in 0..frame.window.width {
            let x = f64::from(frame.window.x + column) + 0.5 - middle.x;
            let y = middle.y - f64::from(frame.window.y + row) - 0.5;
            let light = f64::from(frame.planes[plane].at(column as usize, row as usize));
            sum += light;
            first += DVec2::new(x, y) * light;
            second += DVec2::new(x * x, y * y) * light;
        }
    }
    let mean = first / sum;
    (sum, mean, second / sum - mean * mean)
}

/// Where a wall point is seen, photosites from the sensor's middle (x right, y up): a pinhole at the
/// lens, turned by yaw, then pitch, then roll about its own axes (model.md, "camera turn"), and
/// r_u = r_d/(1 + k·(r_d/r_corner)²) solved by bisection.
fn seen_at(scene: &Scene, point: DVec2, [yaw, pitch, roll]: [f64; 3]) -> DVec2 {
    let lens = scene.pose.lens_m;
    let (x, y, z) = (point.x - lens.x, point.y - lens.y, -lens.z);
    // Undo the yaw about y, the pitch about x, the roll about z, one after the other.
    let (s, c) = yaw.to_radians().sin_cos();
    let (x, z) = (c * x - s * z, s * x + c * z);
    let (s, c) = pitch.to_radians().sin_cos();
    let (y, z) = (c * y + s * z, -s * y + c * z);
    let (s, c) = roll.to_radians().sin_cos();
    let (x, y) = (c * x + s * y, -s * x + c * y);
    let image_m =
        scene.lens.focal_m * scene.lens.focus_m / (scene.lens.focus_m - scene.lens.focal_m);
    let ideal = DVec2::new(x, y) * image_m / -z / scene.camera.photosite_m;
    let corner = 0.5 * f64::from(scene.camera.columns).hypot(f64::from(scene.camera.rows));
    let (mut low, mut high) = (0.0, 2.0 * corner);
    for _ in 0..100 {
        let r: f64 = 0.5 * (low + high);
        let undistorted = r / (1.0 + scene.lens.distortion * (r / corner) * (r / corner));
        if undistorted < ideal.length() { low = r } else { high = r }
    }
    if ideal.length() > 0.0 { ideal * (low / ideal.length()) } else { ideal }
}

/// Centroid of the image of a rectangle on the wall: the mean of where its points are seen, each
/// weighted by how large its surroundings are seen (an image is as bright as its object).
fn seen_centroid(scene: &Scene, middle: DVec2, size: DVec2, turn: [f64; 3]) -> DVec2 {
    const N: u32 = 9;
    let (mut sum, mut weight) = (DVec2::ZERO, 0.0);
    for i in 0..N * N {
        let share = DVec2::new(f64::from(i % N) + 0.5, f64::from(i / N) + 0.5) / f64::from(N) - 0.5;
        let point = middle + size * share;
        let step = 1e-5;
        let at = seen_at(scene, point, turn);
        let right = seen_at(scene, point + DVec2::new(step, 0.0), turn) - at;
        let up = seen_at(scene, point + DVec2::new(0.0, step), turn) - at;
        let area = right.perp_dot(up);
        assert!(area > 0.0, "mirrored");
        sum += at * area;
        weight += area;
    }
    sum / weight
}

#[test]
fn one_pixel_lands_upright_in_its_quadrant() {
    // The bar: 1e-3 photosites. Three emitters in an L: red left, green right, blue above red.
    const BAR: f64 = 1e-3;
    let offsets = [(-0.8e-3, -0.6e-3), (0.7e-3, -0.6e-3), (-0.8e-3, 0.9e-3)];
    let size = DVec2::new(0.7e-3, 1.1e-3);
    let mut worst = 0.0_f64;
    for (columns, rows) in [(960, 640), (961, 641), (960, 641)] {
        for (distortion, turn) in [
            (0.0, [0.0, 0.0, 0.0]),
            (-0.08, [0.0, 0.0, 0.0]),
            (0.08, [0.0, 0.0, 0.0]),
            (0.0, [25.0, 0.0, 0.0]),
            (0.0, [0.0, -20.0, 0.0]),
            (0.0, [0.0, 0.0, 30.0]),
            (-0.05, [-20.0, 12.0, -7.0]),
        ] {
            let mut scene = stage::plain();
            (scene.camera.columns, scene.camera.rows) = (columns, rows);
            scene.camera.mosaic = Mosaic::FullPlanes;
            scene.camera.matrix = IDENTITY;
            scene.lens.distortion = distortion;
            scene.lens.defocus = false;
            // Enough blur that reading whole photosites leaves the centroid alone:
            // exp(−2π²·0.8²) = 3e-6 at one cycle a photosite.
            scene.lens.aberration_m = 0.8 * PHOTOSITE_M;
            for (emitter, (x, y)) in scene.wall.emitters.iter_mut().zip(offsets) {
                emitter.offset_m = DVec2::new(x, y);
                emitter.shape = EmitterShape::Rectangle { width_m: size.x, height_m: size.y };
            }
            // Column 190 of 240 from the left and row 44 of 160 from the top: right and up.
            one_pixel(&mut scene, 190, 44);
            stage::place(&mut scene, 2.0, 0.0, DVec2::ZERO, turn);
            let pitch = scene.wall.pitch_m;
            let pixel = DVec2::new((190.5 - 120.0) * pitch, (80.0 - 44.5) * pitch);
            let mut seen = [DVec2::ZERO; 3];
            for (c, (x, y)) in offsets.into_iter().enumerate() {
                let expected = seen_centroid(&scene, pixel + DVec2::new(x, y), size, turn);
                let (right, down) = (expected.x.round() as i32, -expected.y.round() as i32);
                let window = stage::window(&scene, right, down, 17, 18);
                let (light, centre, _) = moments(&scene, &render(&scene, 0, window), c);
                assert!(light > 0.0);
                let off = (centre - expected).abs().max_element();
                worst = worst.max(off);
                assert!(
                    off < BAR,
                    "{columns}×{rows}, distortion {distortion}, {turn:?}, colour {c}: {centre}, not {expected}"
                );
                seen[c] = centre;
            }
            // In words, for a camera that stands upright.
            if turn[2].abs() < 10.0 {
                assert!(seen[0].x > 50.0 && seen[0].y > 30.0, "up and to the right: {seen:?}");
                assert!(seen[1].x > seen[0].x + 0.5, "green to the right of red: {seen:?}");
                assert!(seen[2].y > seen[0].y + 0.5, "blue above red: {seen:?}");
            }
            // Barrel (below 0) draws in, pincushion (above 0) pushes out.
            if turn == [0.0; 3] && distortion != 0.0 {
                let straight = Scene {
                    lens: gridbeat::optics::Lens { distortion: 0.0, ..scene.lens.clone() },
                    ..scene.clone()
                };
                let ideal = seen_at(&straight, pixel, turn).length();
                let moved = seen_at(&scene, pixel, turn).length() - ideal;
                assert!(moved * distortion > 0.0 && moved.abs() > 0.5, "{moved}");
            }
        }
    }
    println!("worst: {worst:.2e} photosites");
}

#[test]
fn second_moments_of_all_blurs_add() {
    // c²/16 + d²/4 + w²/12 + σ² + the emitter's own, photosites² on each axis: blur disc c, low-pass
    // separation d, aperture w, aberration σ; a side a has a²/12, a disc of diameter a has a²/16.
    const BAR: f64 = 3e-3;
    let mut worst = 0.0_f64;
    for (disc, sigma) in [(0.0, 0.7), (1.3, 0.7), (5.0, 0.5), (-5.0, 0.5), (14.0, 0.6), (30.0, 0.6)]
    {
        for (across, upright, fill) in [(0.0, 0.0, 1.0), (1.5, 0.9, 0.64), (0.0, 2.4, 0.3)] {
            for photosites in [2.0, 5.3] {
                let mut scene = stage::plain();
                scene.camera.fill_factor = fill;
                scene.camera.matrix = IDENTITY;
                scene.camera.mosaic = Mosaic::FullPlanes;
                scene.lens.f_number = 1.4;
                scene.lens.aberration_m = sigma * PHOTOSITE_M;
                scene.low_pass = Some(LowPass {
                    across_m: across * PHOTOSITE_M,
                    upright_m: upright * PHOTOSITE_M,
                });
                // Red wide, green round, blue high.
                let shapes = [
                    EmitterShape::Rectangle { width_m: 2.2e-3, height_m: 0.6e-3 },
                    EmitterShape::Disc { diameter_m: 1.9e-3 },
                    EmitterShape::Rectangle { width_m: 0.4e-3, height_m: 1.8e-3 },
                ];
                for (emitter, shape) in scene.wall.emitters.iter_mut().zip(shapes) {
                    emitter.shape = shape;
                }
                one_pixel(&mut scene, 121, 79);
                stage::place(&mut scene, photosites, disc, DVec2::ZERO, [0.0; 3]);
                let size = 2 * (disc.abs() / 2.0 + 2.0 * photosites + 9.0) as u32;
                let frame = render(&scene, 0, stage::window(&scene, 2, 1, size, size));
                for (c, shape) in shapes.into_iter().enumerate() {
                    let own = match shape {
                        EmitterShape::Rectangle { width_m, height_m } => {
                            DVec2::new(width_m * width_m, height_m * height_m) / 12.0
                        }
                        EmitterShape::Disc { diameter_m } => {
                            DVec2::splat(diameter_m * diameter_m / 16.0)
                        }
                        EmitterShape::Tent => unreachable!("not among the shapes"),
                    };
                    let scale = photosites / scene.wall.pitch_m;
                    let expected = own * scale * scale
                        + DVec2::new(across * across, upright * upright) / 4.0
                        + DVec2::splat(disc * disc / 16.0 + fill / 12.0 + sigma * sigma);
                    let (_, _, second) = moments(&scene, &frame, c);
                    let off = (second / expected - 1.0).abs().max_element();
                    worst = worst.max(off);
                    assert!(
                        off < BAR,
                        "disc {disc}, low-pass {across}, {upright}, fill {fill}, {photosites} a pitch, \
                         colour {c}: {second}, not {expected}"
                    );
                }
            }
        }
    }
    println!("worst: {worst:.2e}");
}

/// Amplitude and phase (real, imaginary) of a wave of `cycles` a photosite along a line of values,
/// by least squares with a mean.
fn wave_in(values: &[f64], cycles: f64) -> DVec2 {
    // Normal equations of v = m + a·cos + b·sin.
    let (mut matrix, mut right) = (DMat3::ZERO, DVec3::ZERO);
    for (i, &v) in values.iter().enumerate() {
        let (sin, cos) = (TAU * cycles * i as f64).sin_cos();
        let basis = DVec3::new(1.0, cos, sin);
        matrix += DMat3::from_cols(basis * basis.x, basis * basis.y, basis * basis.z);
        right += basis * v;
    }
    let found = matrix.inverse() * right;
    DVec2::new(found.y, found.z)
}

#[test]
fn the_low_pass_filter_erases_and_turns_over_the_right_waves() {
    // cos(π·f·d): exactly 0 at 1/(2d) and −1 at 1/d. Half of d, or d for d/2, would give 0.71 or 0.
    for d in [1e-6, 4.5e-6, 6e-6] {
        assert_eq!(transfer::low_pass(1.0 / (2.0 * d), 0.0, d, 0.0), 0.0);
        assert_eq!(transfer::low_pass(1.0 / d, 0.0, d, 0.0), -1.0);
        assert_eq!(transfer::low_pass(0.0, 1.0 / (2.0 * d), 0.0, d), 0.0);
        assert_eq!(transfer::low_pass(0.0, 1.0 / d, 0.0, d), -1.0);
    }
    // The same through a frame: a wave of eight photosites on a wall of two pixels a photosite.
    const BAR: f64 = 1e-3;
    for upright in [false, true] {
        let mut scene = stage::plain();
        stage::gapless(&mut scene);
        (scene.wall.columns, scene.wall.rows) = (480, 480);
        scene.wall.transfer = WallTransfer::Gamma(1.0);
        scene.wall.bits = 16;
        let image = stage::show(&scene.wall, |_, i, j| {
            0.5 + 0.4 * (TAU / 16.0 * f64::from(if upright { j } else { i })).cos()
        });
        scene.content = Arc::new(image);
        stage::place(&mut scene, 0.5, 0.0, DVec2::ZERO, [0.0; 3]);
        let window = stage::window(&scene, 0, 0, 64, 64);
        let mut seen = |separation: f64, other: f64| {
            let (along, across) = (separation * PHOTOSITE_M, other * PHOTOSITE_M);
            scene.low_pass = Some(if upright {
                LowPass { across_m: across, upright_m: along }
            } else {
                LowPass { across_m: along, upright_m: across }
            });
            let plane = &render(&scene, 0, window).planes[0];
            let line: Vec<f64> = (0..64)
                .map(|i| f64::from(if upright { plane.at(9, i) } else { plane.at(i, 9) }))
                .collect();
            wave_in(&line, 1.0 / 8.0)
        };
        let plain = seen(0.0, 0.0);
        for (separation, other, expected) in [
            (4.0, 0.0, 0.0),
            (8.0, 0.0, -1.0),
            (2.0, 0.0, (PI / 4.0).cos()),
            (0.0, 8.0, 1.0),
            (16.0, 3.0, 1.0),
        ] {
            let found = seen(separation, other);
            let off = (found - plain * expected).length() / plain.length();
            assert!(
                off < BAR,
                "separation {separation} ({other}): {found}, not {expected} of {plain}"
            );
        }
    }
}

#[test]
fn a_red_wall_lights_red_photosites_only() {
    for block in [[0, 1, 1, 2], [1, 0, 2, 1], [1, 2, 0, 1], [2, 1, 1, 0]] {
        for (right, down) in [(0, 0), (1, 0), (0, 1), (1, 1), (-35, 47)] {
            for disc in [0.0, 30.0] {
                let mut scene = stage::plain();
                scene.camera.mosaic = Mosaic::Bayer(block);
                scene.camera.matrix = IDENTITY;
                let red = |c: usize, _: u32, _: u32| if c == 0 { 1.0 } else { 0.0 };
                scene.content = Arc::new(stage::show(&scene.wall, red));
                scene.lens.f_number = 2.0;
                // Soft enough that no photosite looks between the emitters.
                scene.lens.aberration_m = 0.3 * PHOTOSITE_M;
                stage::place(&mut scene, 2.0, disc, DVec2::ZERO, [0.0, 0.0, 2.0]);
                let window = stage::window(&scene, right, down, 7, 5);
                let frame = render(&scene, 0, window);
                let raw = convert::expose(&frame, &scene.camera, 0.05, 0);
                for y in 0..window.height {
                    for x in 0..window.width {
                        // The mosaic counts from the top left of the full sensor.
                        let place = 2 * ((window.y + y) % 2) + (window.x + x) % 2;
                        let light = frame.planes[0].at(x as usize, y as usize);
                        let level = raw.planes[0][(y * window.width + x) as usize];
                        let case = format!("{block:?}, {window:?}, photosite {x}, {y}");
                        if block[place as usize] == 0 {
                            assert!(
                                light > 10.0 && u32::from(level) > 64,
                                "{case}: {light}, {level}"
                            );
                        } else {
                            assert_eq!((light, level), (0.0, 64), "{case}");
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn light_is_never_below_zero() {
    // Between emitters there is no light, and nothing blurs here but the photosite: tables overshoot at the corners of
    // such kernels, and a photosite must not show it.
    for (disc, roll) in [(0.0, 0.0), (0.3, 0.0), (0.0, 2.0), (0.3, 2.0)] {
        let mut scene = stage::plain();
        scene.camera.mosaic = Mosaic::FullPlanes;
        scene.camera.matrix = IDENTITY;
        scene.lens.f_number = 2.0;
        stage::place(&mut scene, 2.0, disc, DVec2::ZERO, [0.0, 0.0, roll]);
        scene.camera.crop = stage::window(&scene, 0, 0, 64, 64);
        let shot = Shot::new(&scene, Engine::Fast).unwrap();
        for plane in &shot.electrons(0, &Run::default()).unwrap().planes {
            let most = plane.data.iter().copied().fold(0.0, f32::max);
            let least = plane.data.iter().copied().fold(most, f32::min);
            assert!(least >= 0.0 && most > 0.0, "disc {disc}, roll {roll}°: {least} of {most}");
        }
    }
}

/// Scenes that take different ways through the engine, on a small sensor with noise.
fn varied() -> Vec<(&'static str, Scene)> {
    let scene = |disc: f64, turn: [f64; 3], change: fn(&mut Scene)| {
        let mut scene = stage::plain();
        (scene.camera.columns, scene.camera.rows) = (301, 283);
        scene.camera.mosaic = Mosaic::Bayer([1, 2, 0, 1]);
        scene.camera.noise = true;
        scene.camera.prnu = 0.01;
        scene.camera.exposure_s = 1.0 / 700.0;
        scene.drive.kind = DriveKind::Scanned;
        scene.drive.scan = 16;
        scene.drive.clock.phase_s = 0.3e-3;
        scene.lens.f_number = 2.0;
        scene.lens.vignetting = true;
        stage::waves(&mut scene, 21.0, 0.2);
        change(&mut scene);
        stage::place(&mut scene, 1.7, disc, DVec2::ZERO, turn);
        scene
    };
    vec![
        ("straight, in focus", scene(0.0, [0.0; 3], |_| {})),
        ("tilted, defocused", scene(6.0, [21.0, -9.0, 4.0], |s| s.lens.distortion = -0.05)),
        ("straight, wide disc", scene(33.0, [0.0; 3], |_| {})),
        (
            "tilted, wide disc, full planes",
            scene(26.0, [-15.0, 6.0, 33.0], |s| {
                s.camera.mosaic = Mosaic::FullPlanes;
                for emitter in &mut s.wall.emitters {
                    emitter.half_angle_rad = Some(1.0);
                }
            }),
        ),
        (
            "waves, at a wall's edge",
            scene(3.0, [0.0, 0.0, 3.0], |s| {
                (s.wall.columns, s.wall.rows) = (96, 80);
                s.lens.diffraction = Diffraction::Wave;
                stage::waves(s, 21.0, 0.2);
            }),
        ),
    ]
}

#[test]
fn a_crop_equals_the_cropped_full_frame() {
    for (name, scene) in varied() {
        let full = Window { x: 0, y: 0, width: scene.camera.columns, height: scene.camera.rows };
        let whole = render(&scene, 2, full);
        let whole_raw = convert::expose(&whole, &scene.camera, 0.1, 2);
        for crop in [
            Window { x: 3, y: 1, width: 41, height: 29 },
            Window { x: 131, y: 77, width: 1, height: 1 },
            Window { x: 250, y: 249, width: 51, height: 34 },
        ] {
            let part = render(&scene, 2, crop);
            let raw = convert::expose(&part, &scene.camera, 0.1, 2);
            for plane in 0..part.planes.len() {
                for y in 0..crop.height {
                    for x in 0..crop.width {
                        let light = part.planes[plane].at(x as usize, y as usize);
                        let (fx, fy) = ((crop.x + x) as usize, (crop.y + y) as usize);
                        let wanted = whole.planes[plane].at(fx, fy);
                        assert_eq!(light.to_bits(), wanted.to_bits(), "{name}, {crop:?}, {x}, {y}");
                        assert_eq!(
                            raw.planes[plane][(y * crop.width + x) as usize],
                            whole_raw.planes[plane][fy * full.width as usize + fx],
                            "{name}, {crop:?}, {x}, {y}: noise"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn the_bits_do_not_depend_on_threads() {
    for (name, scene) in varied() {
        let window = Window { x: 201, y: 190, width: 90, height: 80 };
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| render(&scene, 0, window))
        };
        let (one, two, five) = (with(1), with(2), with(5));
        let bits = |frame: &Electrons| -> Vec<u32> {
            frame.planes.iter().flat_map(|p| p.data.iter().map(|v| v.to_bits())).collect()
        };
        assert_eq!(bits(&one), bits(&two), "{name}");
        assert_eq!(bits(&one), bits(&five), "{name}");
    }
}

/// RMS difference of two frames over their mean, planes one after the other.
pub fn apart(a: &Electrons, b: &Electrons) -> f64 {
    let values = |f: &Electrons| -> Vec<f64> {
        f.planes.iter().flat_map(|p| p.data.iter().map(|&v| f64::from(v))).collect()
    };
    let (a, b) = (values(a), values(b));
    assert_eq!(a.len(), b.len());
    let n = a.len() as f64;
    let mean = a.iter().sum::<f64>() / n;
    assert!(mean > 1.0, "no light");
    (a.iter().zip(&b).map(|(x, y)| (x - y).powi(2)).sum::<f64>() / n).sqrt() / mean
}

#[test]
fn light_adds_over_colours_levels_and_places() {
    const BAR: f64 = 1e-6;
    for (kind, linear, disc) in [
        (DriveKind::Steady, true, 2.0),
        (DriveKind::Steady, true, 30.0),
        (DriveKind::Scanned, false, 2.0),
        (DriveKind::Scanned, false, 30.0),
    ] {
        let mut scene = stage::plain();
        scene.drive.kind = kind.clone();
        scene.drive.scan = if linear { 1 } else { 16 };
        scene.camera.exposure_s = 1.0 / 900.0;
        scene.camera.mosaic = Mosaic::FullPlanes;
        scene.wall.transfer = WallTransfer::Gamma(1.0);
        scene.lens.f_number = 2.0;
        stage::place(&mut scene, 1.9, disc, DVec2::ZERO, [9.0, 3.0, -4.0]);
        let window = stage::window(&scene, -20, 33, 48, 32);
        let code = |c: usize, i: u32, j: u32| (stage::speck(c, i, j) * 4095.0).floor();
        let frame = |part: &dyn Fn(usize, u32, u32) -> f64| {
            let mut scene = scene.clone();
            scene.content = Arc::new(stage::show(&scene.wall, |c, i, j| part(c, i, j) / 4095.0));
            render(&scene, 0, window)
        };
        let sum = |frames: &[Electrons]| {
            let mut total = frames[0].clone();
            for frame in &frames[1..] {
                for (to, from) in total.planes.iter_mut().zip(&frame.planes) {
                    to.data.iter_mut().zip(&from.data).for_each(|(t, f)| *t += f);
                }
            }
            total
        };
        let all = frame(&code);
        let only =
            |k: usize| move |c: usize, i: u32, j: u32| if c == k { code(c, i, j) } else { 0.0 };
        let colours = sum(&[frame(&only(0)), frame(&only(1)), frame(&only(2))]);
        assert!(apart(&all, &colours) < BAR, "{kind:?}, colours: {:e}", apart(&all, &colours));
        let places = [0, 1].map(|k| {
            frame(&move |c, i, j| if (i / 5 + j / 3) % 2 == k { code(c, i, j) } else { 0.0 })
        });
        let off = apart(&all, &sum(&places));
        assert!(off < BAR, "{kind:?}, disc {disc}, places: {off:e}");
        if linear {
            let third = |c: usize, i: u32, j: u32| (code(c, i, j) / 3.0).floor();
            let levels = sum(&[frame(&third), frame(&|c, i, j| code(c, i, j) - third(c, i, j))]);
            assert!(apart(&all, &levels) < BAR, "{kind:?}, levels: {:e}", apart(&all, &levels));
        }
    }
}
