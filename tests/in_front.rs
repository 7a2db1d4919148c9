//! What stands in front of the wall and of the lens, through rendered frames, against closed forms.

use crate::stage;
use crate::truth::{closed_form, render};
use glam::DVec2;
use gridbeat::frame::Electrons;
use gridbeat::optics::{FrontLowPass, LowPass, transfer};
use gridbeat::scene::{Edit, NoPictures, Scene, derived, parse_edited};
use gridbeat::wall::{Diffuser, EmitterShape};
use std::f64::consts::{PI, TAU};

/// Contrast may be off by this much.
const BAR: f64 = 0.01;

/// Photosites a pitch, and photosites that hold a whole number of pitches.
const PHOTOSITES: f64 = 4.3;
const WHOLE_PITCHES: u32 = 86;

/// Side of an emitter, pitches.
const SIDE: f64 = 0.4;

/// A white wall of small square emitters, one colour seen, straight on, in focus.
fn lattice(pitch_m: f64) -> Scene {
    let mut scene = stage::plain();
    scene.wall.pitch_m = pitch_m;
    for emitter in &mut scene.wall.emitters {
        emitter.shape =
            EmitterShape::Rectangle { width_m: SIDE * pitch_m, height_m: SIDE * pitch_m };
        emitter.offset_m = DVec2::ZERO;
    }
    scene.camera.matrix = [[0.0, 1.0, 0.0]; 3];
    stage::place(&mut scene, PHOTOSITES, 0.0, DVec2::ZERO, [0.0; 3]);
    scene
}

fn frame(scene: &Scene) -> Electrons {
    render(scene, 0, stage::window(scene, 7, -9, WHOLE_PITCHES, WHOLE_PITCHES))
}

fn mean(frame: &Electrons) -> f64 {
    let data = &frame.planes[0].data;
    data.iter().map(|v| f64::from(*v)).sum::<f64>() / data.len() as f64
}

/// Amplitude over mean of the sinusoid of the lattice's harmonic `h` (across, down): a whole number of its periods is
/// in the frame, so that the projection is the least-squares fit.
fn contrast(frame: &Electrons, h: [f64; 2]) -> f64 {
    let plane = &frame.planes[0];
    let (mut re, mut im) = (0.0, 0.0);
    for y in 0..plane.height {
        for x in 0..plane.width {
            let turn = TAU * (h[0] * x as f64 + h[1] * y as f64) / PHOTOSITES;
            re += f64::from(plane.at(x, y)) * turn.cos();
            im += f64::from(plane.at(x, y)) * turn.sin();
        }
    }
    2.0 * re.hypot(im) / plane.data.len() as f64 / mean(frame)
}

/// Contrast of a harmonic without anything in front: 2·sinc(hα) of the emitters and sinc(h/q) of the photosite, an axis
/// (handbook §4).
fn bare(h: [f64; 2]) -> f64 {
    let axis = |h: f64| {
        transfer::rectangle(h, 0.0, SIDE, 0.0) * transfer::aperture(h / PHOTOSITES, 0.0, 1.0)
    };
    2.0 * (axis(h[0]) * axis(h[1])).abs()
}

fn diffuser(stand_off_mm: f64, scatter_deg: f64) -> Diffuser {
    Diffuser {
        stand_off_m: stand_off_mm / 1e3,
        scatter_rad: scatter_deg.to_radians(),
        transmission: 1.0,
    }
}

#[test]
fn a_diffuser_leaves_the_contrast_of_its_gaussian() {
    // Handbook §14: stand-off mm, scatter °, pitch mm, contrast left of the first harmonic.
    let rows = [
        (3.0, 30.0, 2.5, 0.229440),
        (5.0, 30.0, 2.5, 0.016752),
        (10.0, 10.0, 2.5, 0.174854),
        (2.0, 40.0, 2.5, 0.299028),
        (5.0, 20.0, 1.5, 0.007307),
    ];
    let mut worst = 0.0_f64;
    for (stand_off_mm, scatter_deg, pitch_mm, left) in rows {
        let mut scene = lattice(pitch_mm / 1e3);
        let plain = frame(&scene);
        let diffuser = diffuser(stand_off_mm, scatter_deg);
        // The formula of the table, exp(−2π²σ²f²), from the product's σ.
        let sigma = diffuser.sigma_m() / scene.wall.pitch_m;
        assert!(((-2.0 * (PI * sigma).powi(2)).exp() - left).abs() < 1e-6, "{stand_off_mm} mm");
        scene.wall.diffuser = Some(diffuser);
        let diffused = frame(&scene);
        for h in [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, -1.0]] {
            let both = left.powf(h[0] * h[0] + h[1] * h[1]);
            let off = [
                contrast(&plain, h) - bare(h),
                contrast(&diffused, h) - bare(h) * both,
                contrast(&diffused, h) / contrast(&plain, h) - both,
            ];
            println!("{stand_off_mm} mm, {scatter_deg}°, {pitch_mm} mm, {h:?}: {off:.6?}");
            worst = off.iter().fold(worst, |worst, off| worst.max(off.abs()));
        }
    }
    assert!(worst < BAR, "{worst}");
}

#[test]
fn a_diffuser_takes_no_light_but_what_it_does_not_pass() {
    // Against the closed form of the level (model.md, "exposure"). A frame of whole pitches sees the lattice at 43 phases
    // only, so that images of the table's steps do not average out over it when nothing softens an edge; frames shifted
    // by shares of a photosite see the phases between. Then the weights left out as negligible take 4e-5 of a bare
    // lattice; behind a diffuser only single precision is left.
    const SHIFTS: u32 = 7;
    let mut scene = lattice(2.6e-3);
    let white = closed_form(&scene).into_iter().sum::<f64>() / 3.0;
    for (stand_off_mm, scatter_deg, bar) in
        [(0.0, 30.0, 1e-4), (3.0, 30.0, 1e-5), (30.0, 40.0, 1e-5)]
    {
        for transmission in [1.0, 0.62] {
            scene.wall.diffuser =
                Some(Diffuser { transmission, ..diffuser(stand_off_mm, scatter_deg) });
            let mut share = 0.0;
            for shift in 0..SHIFTS {
                let part = scene.wall.pitch_m / PHOTOSITES / f64::from(SHIFTS);
                let aim = part * DVec2::new(f64::from(shift), f64::from(3 * shift % SHIFTS));
                stage::place(&mut scene, PHOTOSITES, 0.0, aim, [0.0; 3]);
                share += mean(&frame(&scene)) / white / f64::from(SHIFTS);
            }
            println!("{stand_off_mm} mm, {scatter_deg}°, {transmission}: {share}");
            assert!(
                (share / transmission - 1.0).abs() < bar,
                "{stand_off_mm} mm, {scatter_deg}°, {transmission}: {share}"
            );
        }
    }
}

const SCENE: &str = "
wall: {pixel_pitch_mm: 2.5, size_px: [64, 48], diffuser: {stand_off_mm: 3, scatter_fwhm_deg: 30}}
lens: {focal_mm: 35, f_number: 4}
camera: {photosites: [160, 120]}
placement: {distance_m: 2}
";

fn scene(edits: &[&str]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(SCENE, "in front", &edits, &NoPictures).expect("a valid scene")
}

#[test]
fn a_scene_file_s_diffuser_arrives_in_si_and_has_a_switch() {
    let found = scene(&[]);
    let diffuser = found.wall.diffuser.expect("a diffuser");
    assert!((diffuser.stand_off_m - 3e-3).abs() < 1e-15);
    assert!((diffuser.scatter_rad - PI / 6.0).abs() < 1e-12);
    assert!((diffuser.transmission - 0.7).abs() < 1e-12, "the documented default");
    let numbers = derived::derived(&found);
    let diffuser = numbers.diffuser.expect("numbers of a diffuser");
    // Handbook §14, first row.
    assert!((diffuser.sigma_mm - 0.682725).abs() < 1e-6, "{diffuser:?}");
    assert!((diffuser.sigma_pixels - 0.682725 / 2.5).abs() < 1e-6, "{diffuser:?}");
    assert!((diffuser.lattice_contrast_share - 0.229440).abs() < 1e-6, "{diffuser:?}");

    let off = scene(&["effects.diffuser=off"]);
    assert_eq!(off.wall.diffuser, None);
    let bare = derived::derived(&off);
    assert_eq!(bare.diffuser, None);
    let darker = numbers.exposure.full_white_lx_s / bare.exposure.full_white_lx_s;
    assert!((darker - 0.7).abs() < 1e-12, "{darker}");
    // The ideal frame is seen through it too.
    assert_eq!(found.ideal().wall.diffuser, found.wall.diffuser);
}

#[test]
fn a_front_low_pass_s_split_grows_with_the_focal_length() {
    // Handbook §3: four equal spots leave cos(π·d_x·f_x)·cos(π·d_y·f_y), zero at f = 1/(2d); d = v·tan(angle).
    let mut worst = 0.0_f64;
    for focal_m in [0.024, 0.05, 0.1] {
        for (across, upright) in [(1.7, 0.8), (0.6, 0.0), (5.2, 3.3)] {
            let mut scene = lattice(2.6e-3);
            scene.lens.focal_m = focal_m;
            stage::place(&mut scene, PHOTOSITES, 0.0, DVec2::ZERO, [0.0; 3]);
            scene.front_low_pass =
                Some(FrontLowPass { across_rad: across * 1e-4, upright_rad: upright * 1e-4 });
            let found = frame(&scene);
            // Thin lens: v = f·(1 + magnification), and a pitch is 4.3 photosites of 6 µm.
            let image_m = focal_m * (1.0 + PHOTOSITES * 6e-6 / 2.6e-3);
            let split = [across, upright].map(|a: f64| image_m * (a * 1e-4).tan() / 6e-6);
            for h in [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]] {
                let turn = |axis: usize| (PI * split[axis] * h[axis] / PHOTOSITES).cos();
                let off = contrast(&found, h) - bare(h) * (turn(0) * turn(1)).abs();
                println!("{focal_m} m, {split:.3?} photosites, {h:?}: {off:.6}");
                worst = worst.max(off.abs());
            }
        }
    }
    assert!(worst < BAR, "{worst}");
}

#[test]
fn filters_at_the_sensor_and_in_front_multiply() {
    // At the null of either one, one half of a pitch apart, the other makes no contrast of it.
    let mut scene = lattice(2.6e-3);
    let half_pitch_m = 0.5 * PHOTOSITES * 6e-6;
    let angle_rad = (half_pitch_m / scene.lens.image_m()).atan();
    let thirds_m = half_pitch_m * 2.0 / 3.0;
    scene.front_low_pass = Some(FrontLowPass { across_rad: 0.0, upright_rad: angle_rad });
    scene.low_pass = Some(LowPass { across_m: thirds_m, upright_m: thirds_m });
    let found = frame(&scene);
    // A third of a pitch: cos 60°.
    for (h, left) in [([1.0, 0.0], 0.5), ([0.0, 1.0], 0.0), ([1.0, 1.0], 0.0)] {
        let off = contrast(&found, h) - bare(h) * left;
        assert!(off.abs() < BAR, "{h:?}: {off}");
    }
}

#[test]
fn a_scene_file_s_front_low_pass_arrives_in_si_and_has_a_switch() {
    let given =
        ["filters.front_low_pass.split_arcmin=0.6", "filters.front_low_pass.upright_arcmin=1.2"];
    let found = scene(&given);
    let filter = found.front_low_pass.expect("a filter");
    assert!((filter.across_rad - 0.01 * PI / 180.0).abs() < 1e-15, "{filter:?}");
    assert!((filter.upright_rad - 0.02 * PI / 180.0).abs() < 1e-15, "{filter:?}");
    assert_eq!(found.low_pass, None);
    let numbers = derived::derived(&found).lens;
    let [across_um, upright_um] = numbers.front_low_pass_split_um.expect("numbers of a filter");
    assert!((across_um - numbers.image_distance_m * 1e6 * filter.across_rad).abs() < 1e-6);
    assert!((upright_um - 2.0 * across_um).abs() < 1e-6);
    let off = scene(&[given[0], "effects.front_low_pass=off", "filters.low_pass.separation_um=4"]);
    assert_eq!(off.front_low_pass, None);
    assert!(off.low_pass.is_some());
}
