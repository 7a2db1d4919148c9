//! The truth table: rendered frames and exposures against numbers that come from elsewhere.
//!
//! Frames are the fast engine's. The source of each expected number stands beside it.

use crate::slanted_edge::{find_edge, slanted_edge_sfr};
use crate::stage;
use glam::DVec2;
use gridbeat::colour;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::{Diffraction, Iris, LowPass, lens_transfer, transfer};
use gridbeat::render::rays::events;
use gridbeat::render::{Run, fast};
use gridbeat::scene::Scene;
use gridbeat::sensor::emva::LinearSensor;
use gridbeat::sensor::{Mosaic, convert, photons};
use gridbeat::wall::drive::{Clock, Drive, DriveKind, SplitOrder};
use gridbeat::wall::{WallImage, WallTransfer};
use std::f64::consts::{FRAC_PI_4, TAU};
use std::sync::Arc;

/// A frame of the fast engine.
pub fn render(scene: &Scene, frame: u32, window: Window) -> Electrons {
    fast::render(scene, frame, window, &Run::default()).unwrap()
}

/// Numbers without pattern, the same on every run.
pub struct Dice(u64);

impl Dice {
    /// Dice of a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number from 0 to 1 (splitmix64: Steele, Lea and Flood 2014).
    pub fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// From `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }

    /// One of several.
    pub fn pick<T: Clone>(&mut self, of: &[T]) -> T {
        of[(self.roll() * of.len() as f64) as usize].clone()
    }
}

/// A drive of any kind, any lengths that a checked scene may have.
fn any_drive(dice: &mut Dice) -> Drive {
    let bits = dice.pick(&[1, 4, 8, 12, 14, 16]);
    let kind = dice.pick(&[
        DriveKind::Steady,
        DriveKind::HeldMean { bits },
        DriveKind::Pwm,
        DriveKind::Scanned,
        DriveKind::Scanned,
        DriveKind::Split { bits, order: SplitOrder::Even },
        DriveKind::Split { bits, order: SplitOrder::BitReversed },
    ]);
    let split = matches!(kind, DriveKind::Split { .. });
    let power_of_two = matches!(kind, DriveKind::Split { order: SplitOrder::BitReversed, .. });
    let video_hz = dice.pick(&[24_000.0 / 1001.0, 24.0, 25.0, 50.0, 60.0]);
    let count = if power_of_two {
        f64::from(1_u32 << (dice.between(0.0, 8.0) as u32))
    } else {
        dice.between(1.0, 200.0).floor()
    };
    // Where refreshes need not fit the video frame they sometimes do not.
    let part = if split || dice.roll() < 0.5 { 0.0 } else { dice.between(0.05, 0.95) };
    let refresh_hz = (count + part) * video_hz;
    let scan = match kind {
        DriveKind::Scanned | DriveKind::Split { .. } => dice.pick(&[1, 2, 5, 8, 16, 33]),
        _ => 1,
    };
    let sometimes = |dice: &mut Dice, high: f64| {
        if dice.roll() < 0.5 { 0.0 } else { dice.between(0.0, high) }
    };
    let dark_frame_s = if part > 0.0 { 0.0 } else { sometimes(dice, 0.5 / video_hz) };
    let refresh_s =
        if part > 0.0 { 1.0 / refresh_hz } else { (1.0 / video_hz - dark_frame_s) / count };
    let dark_refresh_s = sometimes(dice, 0.5 * refresh_s);
    let slot_s = (refresh_s - dark_refresh_s) / f64::from(scan);
    let dark_slot_s = sometimes(dice, 0.9 * slot_s);
    // Rise and fall together up to a refresh; mostly much shorter, as real ones are.
    let flank_s = dice.pick(&[0.0, 0.01 * slot_s, slot_s, refresh_s]);
    let rise_share = dice.pick(&[0.0, 0.3, 1.0]);
    Drive {
        kind,
        refresh_hz,
        video_hz,
        scan,
        dark_slot_s,
        dark_refresh_s,
        dark_frame_s,
        rise_s: flank_s * rise_share,
        fall_s: flank_s * (1.0 - rise_share),
        delay_s: [0.0, sometimes(dice, slot_s), sometimes(dice, refresh_s)],
        // A wall at full brightness, dimmed by pulse, or so far down that few grey clocks are left.
        pulse_share: dice.pick(&[1.0, 1.0, 0.6, 0.031]),
        clock: Clock {
            drift: sometimes(dice, 200e-6) - 100e-6,
            phase_s: dice.between(-1.0, 1.0) / video_hz,
        },
    }
}

#[test]
fn every_drive_has_the_light_of_its_list_of_switchings() {
    // The bar: 1e-9 · T. The list writes every pulse down; the drive counts whole ones.
    const BAR: f64 = 1e-9;
    let mut dice = Dice::new(2026);
    let mut worst = 0.0_f64;
    for _ in 0..6000 {
        let drive = any_drive(&mut dice);
        let timing = drive.timing();
        let duty = events::top_duty(&drive);
        assert!((timing.top_duty() / duty - 1.0).abs() < BAR, "top duty of {drive:?}");
        for _ in 0..4 {
            // Often in the dark end, where split drives light only some refreshes.
            let (any, dark) = (dice.roll(), dice.between(0.0, 0.01));
            let level = dice.pick(&[0.0, 1e-4, dark, dark, any, any, any, 1.0]);
            let colour = dice.pick(&[0, 1, 2]);
            let slot = (dice.roll() * f64::from(drive.scan)) as u32;
            let start_s = dice.between(0.0, 3.0);
            let exposure_s = dice.pick(&[1.0 / 8000.0, 1.0 / 1000.0, 1.0 / 150.0, 1.0 / 48.0]);
            let (from_s, to_s) =
                (timing.wall_time_s(start_s), timing.wall_time_s(start_s + exposure_s));
            let listed_s = events::lit_s(&drive, level, colour, slot, from_s, to_s);
            let case = || {
                format!(
                    "{drive:?}, level {level}, colour {colour}, slot {slot}, {start_s} + {exposure_s}"
                )
            };
            if !drive.is_steady() {
                let from = timing.edge(from_s, slot, colour);
                let to = timing.edge(to_s, slot, colour);
                let counted_s = timing.on_time_s(level, &from, &to);
                let off = (counted_s - listed_s).abs() / exposure_s;
                worst = worst.max(off);
                assert!(off <= BAR, "{counted_s} s, not {listed_s} s: {off:e} of T: {}", case());
            }
            // As a share of full light, where the duty takes part.
            let listed = listed_s / (to_s - from_s) / duty;
            let light = timing.light(level, start_s, exposure_s, slot, colour);
            assert!((light - listed).abs() * duty <= BAR, "{light}, not {listed}: {}", case());
        }
    }
    println!("worst: {worst:e} of T");
}

/// A set of blurs: a name and what it changes in the plain scene.
type Blurs = (&'static str, f64, fn(&mut Scene));

#[test]
fn a_slanted_edge_has_the_product_of_the_transfer_functions() {
    slanted_edges(|diffraction| diffraction == Diffraction::Off);
}

#[test]
fn a_slanted_edge_has_it_with_diffraction_too() {
    slanted_edges(|diffraction| diffraction != Diffraction::Off);
}

fn slanted_edges(wanted: fn(Diffraction) -> bool) {
    // The bar: 0.01 from 0.02 to 0.45 cycles/photosite, by the ISO 12233 method with bin correction.
    // The edge lies along a column of pixels, and the camera is rolled by 5°: straight, whatever the pitch.
    const BAR: f64 = 0.01;
    const PHOTOSITE_M: f64 = 6e-6;
    let sets: [Blurs; 14] = [
        ("photosite alone", 0.0, |_| {}),
        ("small photosite", 0.0, |s| s.camera.fill_factor = 0.49),
        ("low-pass of one photosite", 0.0, |s| {
            s.low_pass = Some(LowPass { across_m: PHOTOSITE_M, upright_m: PHOTOSITE_M });
        }),
        ("low-pass of 1.6, across only", 0.0, |s| {
            s.low_pass = Some(LowPass { across_m: 1.6 * PHOTOSITE_M, upright_m: 0.0 });
        }),
        ("aberration", 0.0, |s| s.lens.aberration_m = 0.5 * PHOTOSITE_M),
        ("blur disc of 1.5", 1.5, |_| {}),
        ("blur disc of 4", 4.0, |_| {}),
        ("blur disc of −4, low-pass", -4.0, |s| {
            s.lens.f_number = 2.0;
            s.low_pass = Some(LowPass { across_m: PHOTOSITE_M, upright_m: PHOTOSITE_M });
        }),
        ("blur disc of 24", 24.0, |_| {}),
        ("five blades", 3.0, |s| s.lens.iris = Iris::Bladed { blades: 5, rotation_rad: 0.4 }),
        ("convolved, f/8", 0.0, |s| {
            s.lens.f_number = 8.0;
            s.lens.diffraction = Diffraction::Convolved;
        }),
        ("convolved, f/4, disc of 2", 2.0, |s| s.lens.diffraction = Diffraction::Convolved),
        ("wave, f/4, disc of 2, low-pass", 2.0, |s| {
            s.lens.diffraction = Diffraction::Wave;
            s.low_pass = Some(LowPass { across_m: PHOTOSITE_M, upright_m: PHOTOSITE_M });
        }),
        ("wave, f/8, disc of 5, aberration", 5.0, |s| {
            s.lens.f_number = 8.0;
            s.lens.diffraction = Diffraction::Wave;
            s.lens.aberration_m = 0.3 * PHOTOSITE_M;
        }),
    ];
    let mut failed = Vec::new();
    for photosites in [2.0, 0.8, 7.3] {
        for (name, disc, change) in sets {
            let mut scene = stage::plain();
            stage::gapless(&mut scene);
            scene.wall.columns = (1000.0 / photosites) as u32 / 2 * 2;
            scene.wall.rows = (800.0 / photosites) as u32 / 2 * 2;
            let middle = scene.wall.columns / 2;
            let half = |_: usize, column: u32, _: u32| if column < middle { 1.0 } else { 0.0 };
            scene.content = Arc::new(stage::show(&scene.wall, half));
            // Green alone, so that there is one wavelength.
            scene.camera.matrix = [[0.0, 1.0, 0.0]; 3];
            change(&mut scene);
            if !wanted(scene.lens.diffraction) {
                continue;
            }
            stage::place(&mut scene, photosites, disc, DVec2::ZERO, [0.0, 0.0, 5.0]);
            // The method's window weighs the flanks of a blur down, so wide blurs and the tails of
            // diffraction need long rows.
            let wide = disc.abs() > 10.0 || scene.lens.diffraction != Diffraction::Off;
            let width = if wide { 320 } else { 112 };
            let window = stage::window(&scene, 3, -2, width, 104);
            let plane = &render(&scene, 0, window).planes[0];
            let edge = find_edge(plane).unwrap();
            // Rolled anticlockwise, the camera sees the wall turned clockwise: the top leans right.
            assert!((edge.slope + 5.0_f64.to_radians().tan()).abs() < 1e-3, "{name}: {edge:?}");
            let found = slanted_edge_sfr(plane);
            assert!(found.len() > 20, "{name}");
            let mut worst = (0.0, 0.0, 0.0, 0.0);
            for &(f, response) in found.iter().filter(|(f, _)| (0.02..=0.45).contains(f)) {
                // Along a row the edge's frequency is f, and it stands square to the edge; y up.
                let (fx, fy) = (f / PHOTOSITE_M, f * edge.slope / PHOTOSITE_M);
                let depth_m = scene.pose.lens_m.z;
                let (re, im) = lens_transfer::lens(
                    &scene.lens,
                    depth_m,
                    scene.wall.emitters[1].wavelength_m,
                    fx,
                    fy,
                );
                let filter = scene
                    .low_pass
                    .map_or(1.0, |l| transfer::low_pass(fx, fy, l.across_m, l.upright_m));
                let side_m = PHOTOSITE_M * scene.camera.fill_factor.sqrt();
                let expected = (re.hypot(im) * filter * transfer::aperture(fx, fy, side_m)).abs();
                let off = (response - expected).abs();
                if off > worst.0 {
                    worst = (off, f, response, expected);
                }
            }
            println!("{name}, {photosites} photosites a pitch: {worst:.4?}");
            if worst.0 > BAR {
                failed.push(format!("{name}, {photosites} photosites a pitch: {worst:.4?}"));
            }
        }
    }
    assert!(failed.is_empty(), "(off, frequency, found, expected): {failed:#?}");
}

/// A white picture for walls that reach far beyond the frame, made once.
fn white(columns: u32, rows: u32, code: u16) -> Arc<WallImage> {
    let plane = vec![code; (columns * rows) as usize];
    Arc::new(WallImage { columns, rows, codes: [plane.clone(), plane.clone(), plane] })
}

/// Electrons of each photosite colour from a white wall that fills its view: H = (π/4)·L·t·T/N_w² lx·s
/// (model.md, "exposure"), times photons per lx·s and m², area and electrons per photon, by colour.
pub fn closed_form(scene: &Scene) -> [f64; 3] {
    let (wall, lens, camera) = (&scene.wall, &scene.lens, &scene.camera);
    let shares = colour::luminance_shares(wall.emitters.map(|e| e.xy), wall.white_xy).unwrap();
    // Working f-number N·(1 + m), m = f/(focus − f) at the plane in focus.
    let stop = lens.f_number * (1.0 + lens.focal_m / (lens.focus_m - lens.focal_m));
    let lux_s =
        FRAC_PI_4 * wall.white_nits * wall.brightness * camera.exposure_s * lens.transmission
            / (stop * stop)
            * wall.diffuser.map_or(1.0, |d| d.transmission);
    let area_m2 = camera.photosite_m * camera.photosite_m * camera.fill_factor;
    [0, 1, 2].map(|k| {
        wall.emitters.iter().enumerate().fold(0.0, |sum, (c, e)| {
            let photons = colour::led_photons_per_lux_second_m2(e.wavelength_m, e.linewidth_m);
            sum + lux_s * shares[c] * photons * area_m2 * camera.matrix[k][c]
        })
    })
}

#[test]
fn a_white_wall_has_the_closed_form_s_level() {
    // The bar: 0.1 %.
    const BAR: f64 = 1e-3;
    let (columns, rows) = (1200, 900);
    let content = white(columns, rows, 4095);
    let mut worst = 0.0_f64;
    for f_number in [1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0] {
        for yaw in [0.0, 10.0, 25.0, 40.0] {
            for diffraction in [Diffraction::Off, Diffraction::Convolved, Diffraction::Wave] {
                let mut scene = stage::plain();
                (scene.wall.columns, scene.wall.rows) = (columns, rows);
                scene.content = content.clone();
                scene.lens.f_number = f_number;
                scene.lens.diffraction = diffraction;
                scene.lens.vignetting = true;
                scene.camera.fill_factor = 0.8;
                scene.camera.mosaic = Mosaic::FullPlanes;
                scene.camera.exposure_s = 1.0 / 200.0;
                scene.camera.full_well_e = 1e9;
                scene.camera.bits = 16;
                scene.camera.black_level = 512;
                // Gaps between emitters where a wide disc wipes out all pixels, none elsewhere.
                let disc = if f_number < 3.0 { 37.0 } else { 2.0 };
                if disc < 10.0 {
                    stage::gapless(&mut scene);
                }
                stage::place(&mut scene, 2.0, disc, DVec2::ZERO, [yaw, 0.0, 0.0]);
                let window = stage::window(&scene, 140, -60, 24, 16);
                let frame = render(&scene, 0, window);
                // cos⁴ of the field angle at the window's middle, which changes by < 1e-4 inside it.
                let image_m = scene.lens.image_m();
                let (x, y) = (140.0 * 6e-6, 60.0 * 6e-6);
                let cos2 = image_m * image_m / (image_m * image_m + x * x + y * y);
                let expected = closed_form(&scene).map(|e| e * cos2 * cos2);
                // Levels around 20000, so that rounding them costs nothing.
                let gain = 20_000.0 / expected[1];
                let raw = convert::expose(&frame, &scene.camera, gain, 0);
                for (k, expected) in expected.iter().enumerate() {
                    let data = &frame.planes[k].data;
                    let mean = data.iter().map(|&v| f64::from(v)).sum::<f64>() / data.len() as f64;
                    let off = mean / expected - 1.0;
                    worst = worst.max(off.abs());
                    let case = format!("f/{f_number}, yaw {yaw}°, {diffraction:?}, plane {k}");
                    assert!(off.abs() <= BAR, "{case}: electrons {off:+.5}");
                    let levels = &raw.planes[k];
                    let level =
                        levels.iter().map(|&v| f64::from(v)).sum::<f64>() / levels.len() as f64;
                    let off = (level - 512.0) / (gain * expected) - 1.0;
                    assert!(off.abs() <= BAR, "{case}: level {off:+.5}");
                }
            }
        }
    }
    println!("worst: {:.5} %", 100.0 * worst);
}

#[test]
fn a_gapless_uniform_wall_is_constant_whatever_looks_at_it() {
    gapless_walls(&[Diffraction::Off], 60);
}

#[test]
fn a_gapless_uniform_wall_is_constant_with_diffraction_too() {
    gapless_walls(&[Diffraction::Convolved, Diffraction::Wave], 40);
}

fn gapless_walls(diffraction: &[Diffraction], cases: u32) {
    // The bar: 1e-4 of the mean, and the mean is the closed form's (0.1 %).
    const BAR: f64 = 1e-4;
    let (columns, rows) = (2400, 2000);
    let content = white(columns, rows, 4095);
    let mut dice = Dice::new(41);
    let mut worst = 0.0_f64;
    let mut failed = Vec::new();
    for case in 0..cases {
        let mut scene = stage::plain();
        (scene.wall.columns, scene.wall.rows) = (columns, rows);
        scene.content = content.clone();
        stage::gapless(&mut scene);
        scene.lens.focal_m = dice.pick(&[0.016, 0.024, 0.05, 0.1]);
        scene.lens.f_number = dice.pick(&[1.4, 2.0, 4.0, 11.0]);
        scene.lens.diffraction = dice.pick(diffraction);
        let bladed = Iris::Bladed { blades: 3 + case % 7, rotation_rad: dice.between(0.0, TAU) };
        scene.lens.iris = dice.pick(&[Iris::Round, bladed]);
        scene.lens.distortion = dice.between(-0.05, 0.05);
        scene.lens.aberration_m = dice.pick(&[0.0, 2e-6, 9e-6]);
        let separation = |dice: &mut Dice| dice.between(0.0, 9e-6);
        let filter = LowPass { across_m: separation(&mut dice), upright_m: separation(&mut dice) };
        scene.low_pass = dice.pick(&[None, Some(filter)]);
        scene.camera.fill_factor = dice.pick(&[1.0, 0.6, 0.1]);
        scene.camera.mosaic = dice.pick(&[Mosaic::Monochrome, Mosaic::FullPlanes]);
        let photosites = dice.pick(&[1.1, 2.0, 3.7, 9.0]);
        let disc: f64 = dice.pick(&[0.0, 1.0, 3.0, 12.0, 26.0, 60.0]);
        let turn =
            [dice.between(-45.0, 45.0), dice.between(-35.0, 35.0), dice.between(-180.0, 180.0)];
        // An iris in waves has no table: a narrow blur then, and coarse pixels, to keep this short.
        let slow = scene.lens.diffraction == Diffraction::Wave && scene.lens.iris != Iris::Round;
        let (photosites, disc) = if slow { (2.0, disc.min(3.0)) } else { (photosites, disc) };
        stage::place(&mut scene, photosites, disc, DVec2::ZERO, turn);
        let expected = closed_form(&scene);
        let expected = match scene.camera.mosaic {
            Mosaic::Monochrome => vec![expected.iter().sum::<f64>() / 3.0],
            _ => expected.to_vec(),
        };
        let mut values = Vec::new();
        for (right, down) in [(0, 0), (-460, -305), (455, 310), (130, -220)] {
            let window = stage::window(&scene, right, down, 20, 10);
            for (plane, expected) in render(&scene, 0, window).planes.iter().zip(&expected) {
                values.extend(plane.data.iter().map(|&v| f64::from(v) / expected));
            }
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let off = values.iter().fold(0.0_f64, |m, v| m.max((v / mean - 1.0).abs()));
        worst = worst.max(off);
        if off > BAR || (mean - 1.0).abs() > 1e-3 {
            let Scene { lens, low_pass, camera, .. } = &scene;
            failed.push(format!(
                "off by {off:.2e}, mean {mean:.6}: disc {disc}, {photosites} a pitch, turn {turn:.1?}, \
                 fill {}, {low_pass:?}, {lens:?}",
                camera.fill_factor
            ));
        }
    }
    println!("worst: {worst:e}");
    assert!(failed.is_empty(), "{} of {cases}: {failed:#?}", failed.len());
}

#[test]
fn rendered_flat_frames_follow_the_emva_line() {
    // The bar: slope and intercept within 2 % of the photon-transfer line (EMVA 1288 release 4.0,
    // linear model): variance = K²·σ_d² + 1/12 + K·mean. Half the variance of the difference of two frames.
    const BAR: f64 = 0.02;
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.camera.noise = true;
    scene.camera.bits = 14;
    scene.camera.black_level = 400;
    scene.camera.prnu = 0.01;
    scene.camera.seed = 77;
    scene.camera.exposure_s = 1.0 / 75.0;
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    scene.wall.bits = 16;
    let expected = closed_form(&scene).iter().sum::<f64>() / 3.0;
    // At this gain a quarter of a level is one electron, as a camera near base speed has it.
    let gain = photons::gain_dn_per_e(&scene.camera, 4.0 * 15_983.0 / (78.0 / 800.0));
    assert!((gain - 0.25).abs() < 1e-12, "{gain}");
    assert!(expected > 20_000.0 && expected < 60_000.0, "a bright wall: {expected} electrons");
    scene.camera.full_well_e = 1e6;
    let model =
        LinearSensor { gain_dn_per_e: gain, quantum_efficiency: 1.0, dark_e: 2.5, prnu: 0.0 };
    let (mut s, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, code) in [0.0, 0.0003, 0.001, 0.003, 0.01, 0.03, 0.1, 0.3].into_iter().enumerate() {
        scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| code));
        let window = stage::window(&scene, 0, 0, 320, 240);
        let pair = [2 * i as u32, 2 * i as u32 + 1].map(|frame| {
            let light = render(&scene, frame, window);
            let raw = convert::expose(&light, &scene.camera, gain, frame);
            raw.planes[0].iter().map(|&v| f64::from(v) - 400.0).collect::<Vec<_>>()
        });
        let n = pair[0].len() as f64;
        let mean = pair.iter().flatten().sum::<f64>() / (2.0 * n);
        let differences = || pair[0].iter().zip(&pair[1]).map(|(a, b)| a - b);
        let offset = differences().sum::<f64>() / n;
        let variance = differences().map(|d| (d - offset).powi(2)).sum::<f64>() / (n - 1.0) / 2.0;
        let weight = 1.0 / (variance * variance);
        s += weight;
        sx += weight * mean;
        sy += weight * variance;
        sxx += weight * mean * mean;
        sxy += weight * mean * variance;
        // The code that is shown, of 65535.
        let light = gain * expected * (code * 65535.0_f64).round() / 65535.0;
        assert!((mean - light).abs() < 1e-3 * light + 0.02, "{mean} levels, not {light}");
    }
    let slope = (s * sxy - sx * sy) / (s * sxx - sx * sx);
    let intercept = (sy - slope * sx) / s;
    assert!((slope / gain - 1.0).abs() < BAR, "slope {slope}");
    let dark = model.variance_dn2(0.0);
    assert!((intercept / dark - 1.0).abs() < BAR, "intercept {intercept}, not {dark}");
}
