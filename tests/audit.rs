//! The fast engine against the slow check, on patches of 96 × 64 photosites.
//!
//! A few patches run with the ordinary tests; all of them, with and without diffraction, by
//!
//! ```text
//! cargo test --release --test all audit_all -- --ignored --nocapture
//! ```
//!
//! `AUDIT=convolved` before it takes only the rows with that in their names or diffraction.

use crate::stage;
use glam::DVec2;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::{Diffraction, FrontLowPass, Iris, LowPass};
use gridbeat::render::agree::{self, Agreement};
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::render::{Cancelled, Run};
use gridbeat::scene::Scene;
use gridbeat::sensor::{Mosaic, Readout};
use gridbeat::wall::drive::{Clock, DriveKind, SplitOrder};
use gridbeat::wall::{Diffuser, EmitterShape, WallTransfer};
use std::time::Instant;

/// The engine under audit.
fn fast(scene: &Scene, frame: u32, window: Window, run: &Run) -> Result<Electrons, Cancelled> {
    gridbeat::render::fast::render(scene, frame, window, run)
}

/// One patch: a scene, a frame of it, a window, and how many rays it needs.
pub(crate) struct Patch {
    pub name: &'static str,
    pub scene: Scene,
    pub frame: u32,
    pub window: Window,
    pub samples: u32,
}

pub(crate) const BAYER: Mosaic = Mosaic::Bayer([0, 1, 1, 2]);

pub(crate) fn patch(name: &'static str, scene: Scene, samples: u32) -> Patch {
    let window = stage::window(&scene, 21, -13, 96, 64);
    Patch { name, scene, frame: 0, window, samples }
}

/// Rows in turn, 1/16, with dead times and soft flanks.
pub(crate) fn scanned(scene: &mut Scene) {
    let drive = &mut scene.drive;
    drive.kind = DriveKind::Scanned;
    drive.scan = 16;
    drive.dark_slot_s = 1.1e-6;
    drive.dark_refresh_s = 4.0e-6;
    drive.rise_s = 0.15e-6;
    drive.fall_s = 0.35e-6;
    drive.clock.phase_s = 0.37e-3;
}

/// Taller emitters, for patches that blur the pixels away: more rays meet light, so fewer are needed.
pub(crate) fn tall(scene: &mut Scene) {
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Rectangle { width_m: 0.7e-3, height_m: 2.2e-3 };
    }
}

fn heavy_moire() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    stage::waves(&mut scene, 37.0, 0.6);
    stage::place(&mut scene, 2.03, 0.3, DVec2::ZERO, [0.0; 3]);
    patch("heavy moiré, 2 photosites a pitch", scene, 1 << 13)
}

fn oblique() -> Patch {
    // Close and wide, so that the blur disc goes from about 2 to 4 photosites inside the patch.
    let mut scene = stage::plain();
    scene.wall.pitch_m = 0.9e-3;
    for (emitter, x) in scene.wall.emitters.iter_mut().zip([-0.2e-3, 0.0, 0.2e-3]) {
        emitter.shape = EmitterShape::Rectangle { width_m: 0.15e-3, height_m: 0.3e-3 };
        emitter.offset_m = DVec2::new(x, 0.05e-3);
    }
    scene.camera.photosite_m = 12e-6;
    scene.lens.focal_m = 16e-3;
    scene.lens.f_number = 1.4;
    stage::waves(&mut scene, 23.0, 0.5);
    stage::place(&mut scene, 4.0, 3.0, DVec2::ZERO, [25.0, 0.0, 0.0]);
    patch("yaw 25°, defocus varies", scene, 1 << 13)
}

fn rolled() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    scene.low_pass = Some(LowPass { across_m: 6e-6, upright_m: 5e-6 });
    scene.lens.aberration_m = 1.5e-6;
    stage::waves(&mut scene, 40.0, 0.5);
    stage::place(&mut scene, 1.6, 0.0, DVec2::new(0.01, -0.02), [0.0, 0.0, 3.0]);
    patch("roll 3° with low-pass", scene, 1 << 14)
}

fn disc(name: &'static str, photosites: f64, samples: u32) -> Patch {
    let mut scene = stage::plain();
    tall(&mut scene);
    scene.lens.f_number = 2.0;
    scene.camera.mosaic = BAYER;
    // A wide disc needs wide content, or nothing is left to compare.
    stage::waves(&mut scene, (photosites * 0.9).max(19.0), 0.1);
    stage::place(&mut scene, 1.9, photosites, DVec2::ZERO, [0.0; 3]);
    patch(name, scene, samples)
}

fn fast_shutter() -> Patch {
    let mut scene = stage::plain();
    scanned(&mut scene);
    tall(&mut scene);
    // 1.28 refreshes; read against the scan, so that several bands cross the patch.
    scene.camera.exposure_s = 1.0 / 3000.0;
    if let Readout::Rolling { bottom_up, .. } = &mut scene.camera.readout {
        *bottom_up = true;
    }
    scene.camera.mosaic = BAYER;
    scene.lens.aberration_m = 2e-6;
    stage::waves(&mut scene, 31.0, 0.4);
    stage::place(&mut scene, 1.7, 1.5, DVec2::ZERO, [0.0; 3]);
    patch("scan 1/16 at a fast shutter", scene, 1 << 14)
}

fn split(name: &'static str, order: SplitOrder) -> Patch {
    let mut scene = stage::plain();
    scene.drive.kind = DriveKind::Split { bits: 14, order };
    scene.drive.scan = 8;
    scene.drive.dark_slot_s = 0.5e-6;
    scene.drive.rise_s = 20e-9;
    scene.drive.fall_s = 45e-9;
    scene.drive.clock.phase_s = 1.3e-3;
    scene.wall.bits = 14;
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    scene.camera.exposure_s = 1.0 / 400.0;
    // About 20 of the 16383 grey clocks, over 64 refreshes.
    let wall = &scene.wall;
    let image = stage::show(wall, |c, i, j| {
        let wave = (f64::from(i) * 0.21).sin() + (f64::from(j) * 0.17 + c as f64).cos();
        (20.0 + 3.0 * wave + 2.0 * (stage::speck(c, i, j) - 0.5)) / 16383.0
    });
    scene.content = std::sync::Arc::new(image);
    stage::place(&mut scene, 2.3, 2.0, DVec2::ZERO, [0.0; 3]);
    patch(name, scene, 1 << 13)
}

fn edge() -> Patch {
    let mut scene = stage::plain();
    stage::waves(&mut scene, 29.0, 0.5);
    let corner = DVec2::new(120.0 * 2.6e-3, 80.0 * 2.6e-3);
    stage::place(&mut scene, 2.2, 5.0, corner, [4.0, -3.0, 1.0]);
    let mut patch = patch("wall edge", scene, 1 << 14);
    patch.window = stage::window(&patch.scene, -17, 11, 96, 64);
    patch
}

fn global() -> Patch {
    let mut scene = stage::plain();
    scene.camera.readout = Readout::Global;
    scene.camera.mosaic = Mosaic::FullPlanes;
    scene.camera.exposure_s = 1.0 / 1100.0;
    scene.drive.kind = DriveKind::Pwm;
    scene.drive.refresh_hz = 1920.0;
    scene.drive.delay_s = [0.0, 21e-6, 55e-6];
    scene.drive.clock = Clock { drift: 40e-6, phase_s: 0.1e-3 };
    stage::waves(&mut scene, 26.0, 0.3);
    stage::place(&mut scene, 2.6, -2.0, DVec2::ZERO, [0.0; 3]);
    Patch { frame: 5, ..patch("global shutter", scene, 1 << 13) }
}

fn coarse() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Disc { diameter_m: 0.8e-3 };
    }
    scene.wall.emitters[1].offset_m.y = 0.4e-3;
    scene.lens.f_number = 5.6;
    scene.lens.aberration_m = 3e-6;
    stage::waves(&mut scene, 9.0, 0.5);
    stage::place(&mut scene, 19.0, 1.0, DVec2::ZERO, [0.0, 0.0, 0.5]);
    patch("coarse emitters", scene, 1 << 14)
}

fn everything() -> Patch {
    let mut scene = stage::plain();
    scanned(&mut scene);
    tall(&mut scene);
    scene.drive.dark_frame_s = 0.4e-3;
    scene.drive.delay_s = [0.0, 0.2e-6, 0.5e-6];
    scene.drive.clock.drift = -25e-6;
    for (emitter, half_deg) in scene.wall.emitters.iter_mut().zip([60.0_f64, 55.0, 52.0]) {
        emitter.half_angle_rad = Some(half_deg.to_radians());
    }
    scene.wall.emitters[0].shape = EmitterShape::Disc { diameter_m: 1.4e-3 };
    scene.lens.f_number = 2.0;
    scene.lens.aberration_m = 2.5e-6;
    scene.lens.iris = Iris::Bladed { blades: 7, rotation_rad: 0.2 };
    scene.lens.distortion = -0.06;
    scene.lens.vignetting = true;
    scene.low_pass = Some(LowPass { across_m: 6e-6, upright_m: 6e-6 });
    scene.camera.mosaic = Mosaic::Bayer([1, 2, 0, 1]);
    scene.camera.fill_factor = 0.7;
    scene.camera.exposure_s = 1.0 / 1500.0;
    if let Readout::Rolling { bottom_up, .. } = &mut scene.camera.readout {
        *bottom_up = true;
    }
    stage::waves(&mut scene, 33.0, 0.3);
    stage::place(&mut scene, 1.8, 8.0, DVec2::new(0.03, 0.02), [22.0, -8.0, 5.0]);
    let mut patch = Patch { frame: 3, ..patch("everything at once", scene, 1 << 15) };
    patch.window = stage::window(&patch.scene, 101, -77, 96, 64);
    patch
}

/// A wide blur askew: kernels change over the patch, and the blur grows across the pupil.
fn wide_askew() -> Patch {
    let mut scene = stage::plain();
    tall(&mut scene);
    scene.lens.focal_m = 35e-3;
    scene.lens.f_number = 1.4;
    scene.camera.mosaic = BAYER;
    stage::waves(&mut scene, 41.0, 0.1);
    stage::place(&mut scene, 1.9, 45.0, DVec2::ZERO, [25.0, 0.0, 3.0]);
    patch("blur disc of 45, yaw 25°, roll 3°", scene, 1 << 14)
}

/// A diffuser over emitters of two shapes, seen askew, up to the wall's edge and past it.
fn diffused() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Rectangle { width_m: 1.0e-3, height_m: 2.2e-3 };
    }
    scene.wall.emitters[0].shape = EmitterShape::Disc { diameter_m: 1.7e-3 };
    scene.wall.diffuser =
        Some(Diffuser { stand_off_m: 3e-3, scatter_rad: 0.45, transmission: 0.62 });
    stage::waves(&mut scene, 11.0, 0.2);
    let edge = DVec2::new(120.0 * 2.6e-3, 0.0);
    stage::place(&mut scene, 3.3, 1.0, edge, [18.0, -5.0, 2.0]);
    let mut patch = patch("diffuser, wall edge, yaw 18°", scene, 1 << 14);
    patch.window = stage::window(&patch.scene, -31, 7, 96, 64);
    patch
}

/// The ideal frame of a wall behind a diffuser, at a corner.
fn diffused_ideal() -> Patch {
    let Patch { mut scene, window, .. } = ideal_corner();
    scene.wall.diffuser = Some(Diffuser { stand_off_m: 5e-3, scatter_rad: 0.5, transmission: 0.8 });
    Patch { window, ..patch("ideal frame, corner, diffuser", scene, 1 << 13) }
}

/// Low-pass filters at the sensor and in front of the lens, each with its own split.
fn two_filters() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    scene.low_pass = Some(LowPass { across_m: 5e-6, upright_m: 3e-6 });
    // At 50 mm: 9.8 and 14.2 µm on photosites of 6 µm.
    scene.front_low_pass = Some(FrontLowPass { across_rad: 1.9e-4, upright_rad: 2.75e-4 });
    stage::waves(&mut scene, 17.0, 0.3);
    stage::place(&mut scene, 3.7, 1.5, DVec2::new(0.02, 0.01), [12.0, 4.0, 3.0]);
    patch("low-pass in front and at the sensor", scene, 1 << 14)
}

/// The ten kinds of patch, and some more; blur discs and split orders count once each.
fn all() -> Vec<Patch> {
    let mut patches = vec![
        heavy_moire(),
        oblique(),
        rolled(),
        disc("blur disc of 3", 3.0, 1 << 13),
        disc("blur disc of 20", 20.0, 1 << 14),
        disc("blur disc of 60", 60.0, 1 << 14),
        wide_askew(),
        fast_shutter(),
        split("split, 20 clocks, even", SplitOrder::Even),
        split("split, 20 clocks, bit-reversed", SplitOrder::BitReversed),
        edge(),
        stopped_down(),
        ideal_corner(),
        diffused(),
        diffused_ideal(),
        two_filters(),
        global(),
        coarse(),
        everything(),
    ];
    patches.extend(crate::audit_walls::patches());
    patches.extend(crate::anamorphic::patches());
    patches.extend(crate::foreground::patches());
    patches
}

/// Renders a patch by both engines (the slow check with its rays divided by `share`), prints one
/// line of the table, and compares.
pub(crate) fn audit(patch: &Patch, diffraction: Diffraction, share: u32) -> Agreement {
    let mut scene = patch.scene.clone();
    scene.lens.diffraction = diffraction;
    let run = Run::default();
    let half = |seed| {
        let settings = RaySettings { samples: patch.samples / share, seed };
        rays::render(&scene, patch.frame, patch.window, &settings, &run).unwrap()
    };
    let start = Instant::now();
    let (a, b) = (half(1), half(2));
    let rays_s = start.elapsed().as_secs_f64();
    let start = Instant::now();
    let frame = fast(&scene, patch.frame, patch.window, &run).unwrap();
    let fast_s = start.elapsed().as_secs_f64();
    let found = agree::compare(&frame, &a, &b, scene.camera.mosaic).unwrap();
    println!(
        "| {:<34} | {:<9} | {:7.4} ≤ {:6.4} | {:6.3} ≤ {:6.3} | {:.6} ≥ {:.6} | {:6.2} | {:6.3} | {:6.1} | {:6.2} | {} |",
        patch.name,
        format!("{diffraction:?}").to_lowercase(),
        100.0 * found.rms_of_mean(),
        100.0 * found.rms_of_mean_at_most(),
        100.0 * found.rms_of_sd(),
        100.0 * found.rms_of_sd_at_most(),
        found.correlation,
        found.correlation_at_least(),
        100.0 * found.reference_sd,
        100.0 * found.half_noise,
        rays_s,
        fast_s,
        if found.agrees() { "agrees" } else { "NO" },
    );
    found
}

/// Whether a row is among those that the environment asks for; all are without it.
pub(crate) fn asked(patch: &Patch, diffraction: Diffraction) -> bool {
    let row = format!("{}, {diffraction:?}", patch.name).to_lowercase();
    std::env::var("AUDIT").map_or(true, |wanted| row.contains(&wanted.to_lowercase()))
}

fn heading() {
    println!(
        "| patch | diffraction | RMS, % of mean ≤ at most | RMS, % of SD ≤ at most \
         | correlation ≥ at least | SD, % of mean | noise of a half, % | rays, s | fast, s | |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
}

#[test]
fn every_patch_has_structure() {
    // Few rays: the structure is plain long before the rest is.
    for patch in all() {
        let settings = RaySettings { samples: 64, seed: 1 };
        let other = RaySettings { seed: 2, ..settings };
        // A quarter of the patch, from its corner on.
        let window = Window {
            width: patch.window.width / 2,
            height: patch.window.height / 2,
            ..patch.window
        };
        let half = |s| rays::render(&patch.scene, patch.frame, window, s, &Run::default()).unwrap();
        let (a, b) = (half(&settings), half(&other));
        let found = agree::compare(&a, &a, &b, patch.scene.camera.mosaic).unwrap();
        assert!(found.reference_sd > 0.05, "{}: SD {}", patch.name, found.reference_sd);
    }
}

#[test]
fn the_drive_shows_in_every_patch_that_has_one() {
    for patch in all() {
        if patch.scene.drive.is_steady() {
            continue;
        }
        // The same seed, so that the only difference is the light.
        let settings = RaySettings { samples: 64, seed: 1 };
        let frame = |scene: &Scene| {
            rays::render(scene, patch.frame, patch.window, &settings, &Run::default()).unwrap()
        };
        let mut held = patch.scene.clone();
        held.drive = held.drive.held_steady();
        let (driven, held) = (frame(&patch.scene), frame(&held));
        let pairs = || {
            let each = driven.planes.iter().zip(&held.planes);
            each.flat_map(|(p, q)| p.data.iter().zip(&q.data)).filter(|(_, h)| **h > 0.0)
        };
        let n = pairs().count() as f64;
        let mean = pairs().map(|(d, h)| f64::from(d / h)).sum::<f64>() / n;
        let spread = pairs().map(|(d, h)| (f64::from(d / h) / mean - 1.0).powi(2)).sum::<f64>() / n;
        println!("{}: bands and flicker of {:.1} %", patch.name, 100.0 * spread.sqrt());
        assert!(spread.sqrt() > 0.02, "{}: {spread}", patch.name);
    }
}

/// A fault put into a scene before the engine under audit sees it.
type Fault = (&'static str, fn(&mut Scene));

#[test]
fn the_audit_finds_faults_of_a_few_percent() {
    let faults: [Fault; 8] = [
        ("a stop of 4 % more, as bright", |s| {
            s.lens.f_number *= 1.04;
            s.lens.transmission *= 1.04 * 1.04;
        }),
        ("0.5 % brighter", |s| s.wall.brightness *= 1.005),
        ("aberration 10 % wider", |s| s.lens.aberration_m *= 1.1),
        ("the wall 40 µs late", |s| s.drive.clock.phase_s -= 40e-6),
        ("readout the other way", |s| {
            if let Readout::Rolling { bottom_up, .. } = &mut s.camera.readout {
                *bottom_up = !*bottom_up;
            }
        }),
        ("camera 0.05 mm to the right", |s| s.pose.lens_m.x += 0.05e-3),
        ("red and blue change places", |s| {
            let red = s.wall.emitters[0].offset_m;
            s.wall.emitters[0].offset_m = s.wall.emitters[2].offset_m;
            s.wall.emitters[2].offset_m = red;
        }),
        ("refresh 1 % faster", |s| s.drive.refresh_hz *= 1.01),
    ];
    let Patch { scene, frame, window, .. } = fast_shutter();
    let run = Run::default();
    let half = |seed| {
        rays::render(&scene, frame, window, &RaySettings { samples: 1 << 12, seed }, &run).unwrap()
    };
    let (a, b) = (half(1), half(2));
    for (name, fault) in faults {
        let mut faulty = scene.clone();
        fault(&mut faulty);
        let seen = fast(&faulty, frame, window, &run).unwrap();
        let found = agree::compare(&seen, &a, &b, scene.camera.mosaic).unwrap();
        // Not just "unsure": above the bar by more than the sampling error.
        let least = found.mean_square - agree::SIGMAS * found.mean_square_error;
        println!("{name}: RMS {:.3} %", 100.0 * found.rms_of_mean());
        assert!(least > agree::MOST_RMS_OF_MEAN.powi(2), "{name} went unseen: {found:?}");
    }
}

#[test]
fn the_fast_engine_agrees_on_heavy_moire() {
    let found = audit(&heavy_moire(), Diffraction::Off, 2);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_on_an_oblique_view() {
    let found = audit(&oblique(), Diffraction::Convolved, 1);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_glow_beside_the_wall_has_no_step() {
    // Right of the border of tiles at column 512 only the tails of diffraction reach.
    let mut patch = stopped_down();
    patch.scene.lens.diffraction = Diffraction::Convolved;
    patch.scene.content = std::sync::Arc::new(stage::show(&patch.scene.wall, |_, _, _| 1.0));
    let frame = fast(&patch.scene, 0, patch.window, &Run::default()).unwrap();
    let column = |x: usize| {
        let rows = 0..patch.window.height as usize;
        rows.map(|y| f64::from(frame.planes[0].at(x, y))).sum::<f64>()
    };
    let border = (512 - patch.window.x) as usize;
    assert!(column(border) > 1.0, "{}", column(border));
    for x in border - 4..border + 40 {
        let step = column(x + 1) / column(x);
        assert!((0.7..1.0).contains(&step), "column {x}: {step}");
    }
}

#[test]
fn the_fast_engine_agrees_at_a_fast_shutter() {
    let found = audit(&fast_shutter(), Diffraction::Off, 2);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_behind_a_diffuser() {
    let found = audit(&diffused(), Diffraction::Off, 4);
    assert!(found.agrees(), "{found:?}");
    let found = audit(&diffused_ideal(), Diffraction::Off, 2);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_behind_two_low_pass_filters() {
    let found = audit(&two_filters(), Diffraction::Off, 4);
    assert!(found.agrees(), "{found:?}");
}

#[test]
#[ignore = "minutes of rays: run it by the command above in a release build"]
fn audit_all() {
    heading();
    let (mut failed, mut rows) = (Vec::new(), 0);
    for patch in all() {
        let both = [Diffraction::Off, Diffraction::Convolved].into_iter();
        for diffraction in both.filter(|d| asked(&patch, *d)) {
            rows += 1;
            if !audit(&patch, diffraction, 1).agrees() {
                failed.push(format!("{}, {diffraction:?}", patch.name));
            }
        }
    }
    assert!(failed.is_empty() && rows > 0, "disagreement on {failed:#?} of {rows} rows");
}

/// The glow of diffraction beside the wall's edge: small photosites, a small stop, and a border of tiles just off the wall.
fn stopped_down() -> Patch {
    let mut scene = stage::plain();
    scene.camera.photosite_m = 2e-6;
    scene.lens.f_number = 16.0;
    stage::waves(&mut scene, 29.0, 0.5);
    // The right edge of the wall lies 8 photosites left of the border of tiles in column 512, on average.
    let aside = DVec2::new(120.0 * 2.6e-3 - 24.0 / 3.0 * 2.6e-3, 0.0);
    stage::place(&mut scene, 3.0, 0.0, aside, [0.0, 0.0, 1.0]);
    let mut patch = patch("wall edge at f/16", scene, 1 << 16);
    patch.window = Window { x: 464, y: 300, width: 96, height: 64 };
    patch
}

/// The ideal frame at a corner of the wall: light that is held up to the outline and ends there.
fn ideal_corner() -> Patch {
    let mut scene = stage::plain();
    stage::waves(&mut scene, 23.0, 0.4);
    for (emitter, y) in scene.wall.emitters.iter_mut().zip([0.5e-3, -0.3e-3, 0.8e-3]) {
        emitter.offset_m.y = y;
    }
    let corner = DVec2::new(120.0 * 2.6e-3, 80.0 * 2.6e-3);
    stage::place(&mut scene, 3.1, 2.0, corner, [4.0, -3.0, 2.0]);
    let mut patch = patch("ideal frame, corner of the wall", scene.ideal(), 1 << 13);
    patch.window = stage::window(&patch.scene, 0, 0, 48, 48);
    patch
}

#[test]
fn the_fast_engine_agrees_on_the_ideal_frame_of_a_corner() {
    let patch = ideal_corner();
    let found = audit(&patch, Diffraction::Off, 1);
    assert!(found.agrees(), "{found:?}");
    let frame = fast(&patch.scene, 0, patch.window, &Run::default()).unwrap();
    let dark = frame.planes[0].data.iter().filter(|v| **v < 1.0).count();
    assert!(dark > 300, "part of the patch lies beyond the wall");
}
