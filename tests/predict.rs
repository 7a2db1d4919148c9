//! Prediction against rendered frames: every wave that is told, fitted to the pixels.

use crate::stage;
use crate::truth::render;
use glam::DVec2;
use gridbeat::artefact::{LUMA, Wave};
use gridbeat::develop::{
    ColourSpace, Delivery, DeliveryTransfer, Layout, Samples, ScaleFilter, develop,
};
use gridbeat::frame::{Electrons, Picture, Window};
use gridbeat::optics::{Diffraction, Iris, LowPass};
use gridbeat::predict::{Component, Sampler, Seen, Sights, Wall, pulses};
use gridbeat::scene::Scene;
use gridbeat::scene::derived::colour_transform;
use gridbeat::sensor::Mosaic;
use gridbeat::wall::drive::{DriveKind, SplitOrder};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::sync::Arc;

/// The linear picture of the recorded part of a frame, noise-free, as the first delivery scales it.
pub(crate) fn picture(scene: &Scene, frame: u32) -> Picture {
    developed(scene, render(scene, frame, scene.camera.sensor_window()))
}

/// The linear picture of a frame's electrons.
pub(crate) fn developed(scene: &Scene, electrons: Electrons) -> Picture {
    let read = scene.camera.read(electrons);
    let electrons = scene.camera.joined(&read);
    let samples = Samples::from_electrons(&electrons, 1e9).expect("samples");
    let (layout, colour) = match scene.camera.mosaic {
        Mosaic::Bayer(b) => (Layout::Bayer(b), colour_transform(scene, ColourSpace::Bt709)),
        Mosaic::Monochrome => (Layout::Monochrome, Ok(gridbeat::develop::ColourTransform::NEUTRAL)),
        Mosaic::FullPlanes => (Layout::FullPlanes, colour_transform(scene, ColourSpace::Bt709)),
    };
    let delivery = Delivery {
        transfer: DeliveryTransfer::Linear,
        colour_space: ColourSpace::Bt709,
        ..scene.deliveries[0].delivery.clone()
    };
    develop(&samples, layout, &colour.expect("colours"), &delivery).expect("a picture")
}

/// (a − b) over the mean luma of c, three planes.
pub(crate) fn over(a: &Picture, b: &Picture, c: &Picture) -> ([Vec<f64>; 3], usize) {
    let mean = |p: &Picture, k: usize| {
        p.planes[k].data.iter().map(|v| f64::from(*v)).sum::<f64>() / p.planes[k].data.len() as f64
    };
    let luma: f64 = (0..3).map(|k| LUMA[k] * mean(c, k)).sum();
    let planes = [0, 1, 2].map(|k: usize| {
        let pairs = a.planes[k].data.iter().zip(&b.planes[k].data);
        pairs.map(|(a, b)| f64::from(a - b) / luma).collect()
    });
    (planes, a.width())
}

/// What told waves leave of a picture, all of it, RMS over that of the picture.
fn hold(name: &str, told: &[Seen], planes: &[Vec<f64>; 3], width: usize) -> f64 {
    let (mut left, mut all) = (0.0, 0.0);
    for (c, plane) in planes.iter().enumerate() {
        for (i, v) in plane.iter().enumerate() {
            let (column, row) = (i % width, i / width);
            // Demosaic and filters end at the border.
            let border = 8;
            if column.min(row) < border
                || column + border >= width
                || row + border >= plane.len() / width
            {
                continue;
            }
            let x = DVec2::new(column as f64 + 0.5, row as f64 + 0.5);
            let sum: f64 = told
                .iter()
                .map(|s| {
                    (s.wave.planes[c] * Complex64::from_polar(1.0, TAU * s.wave.frequency.dot(x)))
                        .re
                })
                .sum();
            left += (v - sum).powi(2);
            all += v * v;
        }
    }
    let off = (left / all).sqrt();
    let size = (all / (3 * planes[0].len()) as f64).sqrt();
    println!("{name}: {} waves of {size:.5} RMS, off by {off:.4} of it", told.len());
    off
}

fn grey(scene: &mut Scene, level: f64) {
    let code = scene.wall.transfer.code(level);
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| code));
}

/// The level that the content's code really has.
fn level_shown(scene: &Scene) -> f64 {
    scene.wall.levels()[usize::from(scene.content.codes[0][0])]
}

fn crop(scene: &mut Scene, width: u32, height: u32) {
    let (x, y) = ((960 - width) / 4 * 2, (640 - height) / 4 * 2);
    scene.camera.crop = Window { x, y, width, height };
}

fn fringes(scene: &Scene) -> Vec<Seen> {
    let (sights, wall) = (Sights::new(scene), Wall::new(scene, 1e-5, 5.0));
    let window = scene.camera.sensor_window();
    let middle = DVec2::new(
        f64::from(window.x) + f64::from(window.width) / 2.0,
        f64::from(window.y) + f64::from(window.height) / 2.0,
    );
    let place = sights.at(middle).expect("the wall in sight");
    let lattice = wall.seen(&sights, &place, false, i32::MAX);
    Sampler::new(scene, 1e-5).waves(&wall.fringes(&lattice, [1.0; 3]), lattice.means([1.0; 3]))
}

fn check_fringes(name: &str, scene: &Scene) -> f64 {
    let ideal = picture(&scene.ideal(), 0);
    let lattice = picture(&scene.steady_wall(), 0);
    let (planes, width) = over(&lattice, &ideal, &ideal);
    hold(name, &fringes(scene), &planes, width)
}

fn check_bands(name: &str, scene: &Scene, frame: u32) -> f64 {
    let level = level_shown(scene);
    let ideal = picture(&scene.ideal(), frame);
    let lattice = picture(&scene.steady_wall(), frame);
    let captured = picture(scene, frame);
    let (planes, width) = over(&captured, &lattice, &ideal);
    let (sights, wall) = (Sights::new(scene), Wall::new(scene, 1e-5, 5.0));
    let window = scene.camera.sensor_window();
    let middle = DVec2::new(
        f64::from(window.x) + f64::from(window.width) / 2.0,
        f64::from(window.y) + f64::from(window.height) / 2.0,
    );
    let place = sights.at(middle).expect("the wall in sight");
    let timing = scene.drive.timing();
    let lattice = wall.seen(&sights, &place, true, i32::MAX);
    let mut components: Vec<Component> = Vec::new();
    for pulse in pulses(scene, &timing, [level; 3], 1e-4, 400) {
        components.extend(wall.pulsing(&lattice, [level; 3], &pulse, 1e-5));
    }
    let mut told = Sampler::new(scene, 1e-5).waves(&components, lattice.means([level; 3]));
    // From frame 0 on, waves roll.
    for seen in &mut told {
        let turn = TAU * seen.roll_hz * f64::from(frame) / scene.camera.fps;
        let planes = seen.wave.planes.map(|p| p * Complex64::from_polar(1.0, turn));
        seen.wave = Wave { planes, ..seen.wave };
    }
    hold(name, &told, &planes, width)
}

fn straight(mosaic: Mosaic) -> Scene {
    let mut scene = stage::plain();
    scene.camera.mosaic = mosaic;
    scene.lens.aberration_m = 2e-6;
    stage::place(&mut scene, 2.13, 0.0, DVec2::new(0.01, 0.02), [0.0, 0.0, 3.0]);
    crop(&mut scene, 180, 160);
    grey(&mut scene, 0.5);
    scene
}

const BAYER: Mosaic = Mosaic::Bayer([0, 1, 1, 2]);

#[test]
fn fringes_are_where_they_are_told_with_amplitude_and_phase() {
    let mut bad = Vec::new();
    let mut run = |name: &str, scene: &Scene| {
        let off = check_fringes(name, scene);
        if off > 0.02 {
            bad.push(format!("{name}: {off}"));
        }
    };
    for mosaic in [Mosaic::Monochrome, BAYER, Mosaic::Bayer([1, 2, 0, 1]), Mosaic::FullPlanes] {
        run(&format!("{mosaic:?}"), &straight(mosaic));
    }
    for diffraction in [Diffraction::Convolved, Diffraction::Wave] {
        let mut scene = straight(BAYER);
        scene.lens.diffraction = diffraction;
        stage::place(&mut scene, 1.93, 3.0, DVec2::ZERO, [0.0; 3]);
        run(&format!("{diffraction:?}"), &scene);
    }
    let mut filtered = straight(BAYER);
    filtered.low_pass = Some(LowPass { across_m: 4e-6, upright_m: 4e-6 });
    run("low-pass", &filtered);
    let mut bladed = straight(BAYER);
    bladed.lens.iris = Iris::Bladed { blades: 5, rotation_rad: 0.4 };
    stage::place(&mut bladed, 2.3, 4.0, DVec2::ZERO, [0.0, 0.0, -7.0]);
    run("five blades, out of focus", &bladed);
    for filter in
        [ScaleFilter::Box, ScaleFilter::Bilinear, ScaleFilter::Cubic, ScaleFilter::Lanczos3]
    {
        let mut scaled = straight(BAYER);
        scaled.deliveries[0].delivery.size = Some((120, 80));
        scaled.deliveries[0].delivery.filter = filter;
        run(&format!("scaled {filter:?}"), &scaled);
    }
    assert!(bad.is_empty(), "{bad:#?}");
}

#[test]
fn bands_are_where_they_are_told_with_amplitude_and_phase() {
    let mut bad = Vec::new();
    // The shortest pulses go on to frequencies without end, of which the lines above 24 times the refresh are left out.
    let mut run = |name: &str, scene: &Scene, frame: u32, bound: f64| {
        let off = check_bands(name, scene, frame);
        if off > bound {
            bad.push(format!("{name}: {off}"));
        }
    };
    let mut pwm = straight(BAYER);
    crop(&mut pwm, 112, 100);
    pwm.drive.kind = DriveKind::Pwm;
    pwm.drive.refresh_hz = 960.0;
    pwm.camera.exposure_s = 1.0 / 77.0;
    pwm.camera.readout = gridbeat::sensor::Readout::Rolling { readout_s: 0.02, bottom_up: false };
    run("pwm", &pwm, 0, 0.02);
    run("pwm, frame 3", &pwm, 3, 0.02);
    let mut up = pwm.clone();
    up.camera.readout = gridbeat::sensor::Readout::Rolling { readout_s: 0.02, bottom_up: true };
    up.drive.clock.drift = 3e-4;
    up.drive.clock.phase_s = 1.7e-4;
    run("bottom up, drifting", &up, 2, 0.02);
    let mut delayed = pwm.clone();
    delayed.drive.delay_s = [0.0, 1e-4, 3e-4];
    run("delayed colours", &delayed, 0, 0.02);
    let mut scanned = pwm.clone();
    scanned.drive.kind = DriveKind::Scanned;
    scanned.drive.scan = 8;
    scanned.drive.dark_slot_s = 1e-6;
    stage::place(&mut scanned, 2.13, 5.0, DVec2::ZERO, [0.0, 0.0, 8.0]);
    run("scanned, rolled", &scanned, 1, 0.02);
    scanned.drive.dark_refresh_s = 1e-4;
    run("scanned, dark at the end", &scanned, 1, 0.02);
    let mut split = scanned.clone();
    split.drive.kind = DriveKind::Split { bits: 10, order: SplitOrder::Even };
    grey(&mut split, 0.011);
    run("split, dark", &split, 1, 0.12);
    split.drive.kind = DriveKind::Split { bits: 10, order: SplitOrder::BitReversed };
    run("split, bits reversed", &split, 1, 0.12);
    let mut global = scanned.clone();
    global.camera.readout = gridbeat::sensor::Readout::Global;
    run("global shutter", &global, 1, 0.02);
    let mut turned = scanned;
    turned.wall.diffuser = None;
    turned.deliveries[0].delivery.size = Some((80, 60));
    run("scaled", &turned, 0, 0.02);
    assert!(bad.is_empty(), "{bad:#?}");
}

#[test]
fn turned_cabinets_have_their_bands_and_fringes_turned() {
    let mut bad = Vec::new();
    let mut scene = straight(BAYER);
    crop(&mut scene, 112, 100);
    scene.drive.kind = DriveKind::Scanned;
    scene.drive.refresh_hz = 960.0;
    scene.drive.scan = 8;
    scene.drive.dark_refresh_s = 1e-4;
    scene.camera.exposure_s = 1.0 / 77.0;
    scene.camera.readout = gridbeat::sensor::Readout::Rolling { readout_s: 0.02, bottom_up: false };
    stage::place(&mut scene, 2.13, 3.0, DVec2::ZERO, [0.0, 0.0, 5.0]);
    for turn in 1..4 {
        // Cabinets of 80 × 80 and slots of 8: turned alike, their scans go on from one to the next.
        scene.wall.build.turned = vec![turn; 6];
        for (what, off) in [
            ("fringes", check_fringes(&format!("turned {turn}, fringes"), &scene)),
            ("bands", check_bands(&format!("turned {turn}, bands"), &scene, 1)),
        ] {
            if off > 0.02 {
                bad.push(format!("{turn}, {what}: {off}"));
            }
        }
    }
    assert!(bad.is_empty(), "{bad:#?}");
}

#[test]
fn a_wave_is_told_from_its_mirror() {
    let wave = Wave::new(DVec2::new(0.2, 0.1), [Complex64::new(0.0, 1.0); 3]);
    assert!(wave.frequency.y > 0.0);
}
