//! Bugs that hide well in time: the order of scan and readout, delays, phases, whole periods, units.
//!
//! Frames are the fast engine's. Expected numbers come from formulas written out or named here.

use crate::hidden_bugs::apart;
use crate::stage;
use crate::truth::render;
use glam::DVec2;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::{Iris, LowPass};
use gridbeat::scene::Scene;
use gridbeat::sensor::{Mosaic, Readout};
use gridbeat::wall::drive::{Clock, Drive, DriveKind, SplitOrder};
use gridbeat::wall::{EmitterShape, WallTransfer, Waveform};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

/// Reads from the bottom up, or from the top down.
fn read_upwards(scene: &mut Scene, upwards: bool) {
    let Readout::Rolling { bottom_up, .. } = &mut scene.camera.readout else { panic!("global") };
    *bottom_up = upwards;
}

/// Mean of each row of a plane.
fn row_means(frame: &Electrons, plane: usize) -> Vec<f64> {
    let plane = &frame.planes[plane];
    (0..plane.height)
        .map(|y| plane.row(y).iter().map(|&v| f64::from(v)).sum::<f64>() / plane.width as f64)
        .collect()
}

/// Largest difference from the mean, over the mean.
fn unevenness(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    assert!(mean > 1.0, "no light");
    values.iter().fold(0.0, |m: f64, v| m.max((v / mean - 1.0).abs()))
}

/// sinc(x) = sin(πx)/(πx).
fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Amplitude, over the mean, of a wave of so many cycles a row; Hann-windowed, so that other waves
/// do not leak in.
fn amplitude(rows: &[f64], cycles: f64) -> f64 {
    let n = rows.len() as f64;
    let mean = rows.iter().sum::<f64>() / n;
    let (mut re, mut im) = (0.0, 0.0);
    for (i, v) in rows.iter().enumerate() {
        let hann = 1.0 - (TAU * (i as f64 + 0.5) / n).cos();
        let (sin, cos) = (TAU * cycles * i as f64).sin_cos();
        re += hann * (v - mean) * cos;
        im += hann * (v - mean) * sin;
    }
    2.0 * f64::hypot(re, im) / n / mean
}

#[test]
fn the_scan_runs_down_the_wall_and_the_readout_down_the_picture() {
    // 3840 Hz, 1.4 photosites a pitch, scan 16, readout 16 ms over 2160 rows. The strongest band is
    // h = 0, k = 1 of (h − k/S)·∇row + (0, k·f·line) (model.md): −1/16/1.4 = −0.044643 cycles/row, plus
    // 3840 · 16 ms/2160 = 0.028444 read from the top: 0.016198, scan and readout running the same way;
    // minus that read from the bottom: 0.073087.
    for (upwards, expected) in [(false, 0.016_198), (true, 0.073_087)] {
        let mut scene = stage::plain();
        stage::gapless(&mut scene);
        (scene.wall.columns, scene.wall.rows) = (64, 1600);
        (scene.wall.panel_columns, scene.wall.panel_rows) = (64, 160);
        (scene.camera.columns, scene.camera.rows) = (32, 2160);
        scene.camera.readout = Readout::Rolling { readout_s: 16e-3, bottom_up: upwards };
        scene.camera.exposure_s = 1.0 / 500.0;
        scene.drive.kind = DriveKind::Scanned;
        scene.drive.scan = 16;
        scene.wall.transfer = WallTransfer::Gamma(1.0);
        let level = 1228.0 / 4095.0;
        scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| level));
        stage::place(&mut scene, 1.4, 0.0, DVec2::ZERO, [0.0; 3]);
        let window = Window { x: 14, y: 0, width: 4, height: 2160 };
        let rows = row_means(&render(&scene, 0, window), 0);
        let (mut strongest, mut at) = (0.0, 0.0);
        for i in 40..10_000 {
            let cycles = f64::from(i) / 20_000.0;
            let found = amplitude(&rows, cycles);
            if found > strongest {
                (strongest, at) = (found, cycles);
            }
        }
        assert!((at - expected).abs() < 1e-4, "read upwards {upwards}: {at}, not {expected}");
        // Twice c₁/c₀ of a pulse of level/16 of a refresh, the exposure, the emitter and the photosite at
        // that wave's own frequency on the sensor, 1/(16·1.4).
        let wanted = 2.0
            * sinc(3840.0 / 500.0).abs()
            * sinc(level / 16.0)
            * sinc(1.0 / 16.0)
            * sinc(1.0 / 16.0 / 1.4);
        let found = amplitude(&rows, expected);
        assert!((found / wanted - 1.0).abs() < 0.01, "amplitude {found}, not {wanted}");
    }
}

/// Drives of every kind, not scanned, with flanks and delays.
fn unscanned() -> Vec<Drive> {
    let base = Drive {
        rise_s: 3e-6,
        fall_s: 8e-6,
        delay_s: [0.0, 40e-6, 90e-6],
        refresh_hz: 960.0,
        clock: Clock { drift: 0.0, phase_s: 1.1e-3 },
        ..stage::plain().drive
    };
    vec![
        Drive { kind: DriveKind::Pwm, ..base },
        Drive { kind: DriveKind::Pwm, rise_s: 0.0, fall_s: 0.0, refresh_hz: 1003.0, ..base },
        Drive { kind: DriveKind::Split { bits: 10, order: SplitOrder::Even }, ..base },
        Drive { kind: DriveKind::Split { bits: 8, order: SplitOrder::BitReversed }, ..base },
    ]
}

#[test]
fn a_wall_one_line_late_shows_its_bands_one_row_on() {
    for drive in unscanned() {
        for (upwards, by) in [(false, 1), (true, -1)] {
            let mut scene = stage::plain();
            stage::gapless(&mut scene);
            scene.drive = drive.clone();
            scene.camera.exposure_s = 1.0 / 1500.0;
            scene.camera.mosaic = Mosaic::FullPlanes;
            scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 0.6));
            read_upwards(&mut scene, upwards);
            let mut window = stage::window(&scene, 0, 0, 4, 200);
            let frame = render(&scene, 1, window);
            assert!(unevenness(&row_means(&frame, 0)) > 0.1, "no bands: {drive:?}");
            // Late by a line: at any time the wall shows what it showed a line earlier.
            scene.drive.clock.phase_s -= scene.camera.line_s();
            window.y = u32::try_from(i64::from(window.y) + by).unwrap();
            let off = apart(&frame, &render(&scene, 1, window));
            assert!(off < 1e-6, "{drive:?}, upwards {upwards}: {off:e}");
            window.y = u32::try_from(i64::from(window.y) - 2 * by).unwrap();
            let other_way = apart(&frame, &render(&scene, 1, window));
            assert!(other_way > 1e-4, "the other way looks the same: {other_way}");
        }
    }
}

/// Every kind of drive with everything switched on.
fn all_drives() -> Vec<Drive> {
    let mut drives = unscanned();
    let base = Drive {
        scan: 16,
        refresh_hz: 3840.0,
        dark_slot_s: 1.1e-6,
        dark_refresh_s: 5e-6,
        rise_s: 0.2e-6,
        fall_s: 0.3e-6,
        ..drives[0].clone()
    };
    let many = Drive {
        scan: 2,
        refresh_hz: 2048.0 * base.video_hz,
        dark_slot_s: 0.0,
        dark_refresh_s: 0.0,
        rise_s: 0.0,
        fall_s: 0.0,
        ..base
    };
    drives.extend([
        Drive { kind: DriveKind::Scanned, ..base },
        Drive { kind: DriveKind::Scanned, refresh_hz: 3700.0, ..base },
        Drive { kind: DriveKind::Scanned, dark_frame_s: 0.7e-3, ..base },
        Drive { kind: DriveKind::Split { bits: 12, order: SplitOrder::Even }, ..base },
        Drive { kind: DriveKind::Split { bits: 14, order: SplitOrder::BitReversed }, ..base },
        // More refreshes a video frame than the fast engine keeps a table for.
        Drive { kind: DriveKind::Split { bits: 14, order: SplitOrder::BitReversed }, ..many },
        Drive { kind: DriveKind::Split { bits: 14, order: SplitOrder::Even }, ..many },
        // As measured: a hump with a step, of its own length.
        Drive {
            kind: DriveKind::Waveform(Arc::new(
                Waveform::new(&[[0.0, 0.0], [80e-6, 3.0], [80e-6, 1.0], [260e-6, 0.1]], 270e-6)
                    .unwrap(),
            )),
            refresh_hz: 1.0 / 270e-6,
            ..base
        },
        // Dimmed by shorter pulses.
        Drive { kind: DriveKind::Scanned, pulse_share: 0.37, ..base },
        Drive {
            kind: DriveKind::Split { bits: 14, order: SplitOrder::Even },
            pulse_share: 0.21,
            ..base
        },
        Drive { kind: DriveKind::Steady, scan: 1, ..base },
        Drive { kind: DriveKind::HeldMean { bits: 8 }, scan: 1, ..base },
    ]);
    drives
}

#[test]
fn a_later_frame_is_the_first_with_its_time_as_phase() {
    for drive in all_drives() {
        for drift in [0.0, -80e-6] {
            let mut scene = stage::plain();
            scene.drive = drive.clone();
            scene.drive.clock.drift = drift;
            // Far from a whole number of any refresh.
            scene.camera.exposure_s = 1.0 / 2300.0;
            scene.camera.fps = 24_000.0 / 1001.0;
            stage::waves(&mut scene, 17.0, 0.2);
            let window = stage::window(&scene, 5, 9, 16, 64);
            let later = render(&scene, 7, window);
            if !drive.is_steady() {
                assert!(apart(&later, &render(&scene, 0, window)) > 1e-3, "{drive:?} stands still");
            }
            scene.drive.clock.phase_s += 7.0 * 1001.0 / 24_000.0 * (1.0 + drift);
            let off = apart(&later, &render(&scene, 0, window));
            assert!(off < 1e-6, "{drive:?}, drift {drift}: {off:e}");
        }
    }
}

#[test]
fn one_short_pulse_lights_the_rows_that_were_open() {
    // Wall time is camera time + 10 ms; the pulse at 1/60 s of wall time lasts 20 µs from 6.667 ms on.
    const PHASE_S: f64 = 10e-3;
    let level = 79.0 / 65_535.0;
    let (start_s, length_s) = (1.0 / 60.0 - PHASE_S, level / 60.0);
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    scene.wall.bits = 16;
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| level));
    scene.drive.kind = DriveKind::Pwm;
    scene.drive.refresh_hz = 60.0;
    scene.drive.clock.phase_s = PHASE_S;
    scene.camera.exposure_s = 1.0 / 1000.0;
    // Electrons of the whole pulse, from a steady wall: light is the mean, so T steady = 1/60 s pulsed.
    let mut steady = scene.clone();
    steady.drive.kind = DriveKind::Steady;
    let whole =
        row_means(&render(&steady, 0, stage::window(&steady, 0, 0, 2, 2)), 0)[0] / 60.0 * 1000.0;
    for upwards in [false, true] {
        scene.camera.readout = Readout::Rolling { readout_s: 16e-3, bottom_up: upwards };
        read_upwards(&mut scene, upwards);
        let line_s = 16e-3 / 640.0;
        // All rows that see the wall at two photosites a pitch: 320 of them.
        let window = stage::window(&scene, 0, 0, 2, 300);
        let rows = row_means(&render(&scene, 0, window), 0);
        let (mut lit, mut part) = (0, 0);
        for (i, light) in rows.iter().enumerate() {
            let row = f64::from(window.y) + i as f64;
            let open_s = if upwards { 639.0 - row } else { row } * line_s;
            let close_s = open_s + 1e-3;
            let share = ((close_s.min(start_s + length_s) - open_s.max(start_s)) / length_s)
                .clamp(0.0, 1.0);
            if share == 0.0 {
                assert_eq!(*light, 0.0, "row {row}, upwards {upwards}");
            } else {
                let off = (light / whole - share).abs();
                assert!(off < 1e-5, "row {row}, upwards {upwards}: {} not {share}", light / whole);
                lit += 1;
                part += usize::from(share < 1.0);
            }
        }
        // (T + length)/line = 40.8 rows.
        assert!((40..=41).contains(&lit) && part >= 1, "{lit} rows, {part} in part");
    }
    scene.camera.readout = Readout::Global;
    let dark = row_means(&render(&scene, 0, stage::window(&scene, 0, 0, 2, 300)), 0);
    assert!(dark.iter().all(|&v| v == 0.0), "a global shutter is shut by then");
}

#[test]
fn whole_periods_leave_no_bands() {
    for drive in all_drives() {
        for drift in [0.0, 150e-6] {
            let mut scene = stage::plain();
            stage::gapless(&mut scene);
            scene.drive = drive.clone();
            scene.drive.clock.drift = drift;
            // The pattern repeats after a video frame where frames matter, else after a refresh.
            let framed = matches!(drive.kind, DriveKind::Split { .. }) || drive.dark_frame_s > 0.0;
            let period_s = if framed { 1.0 / drive.video_hz } else { 1.0 / drive.refresh_hz };
            let periods = if framed { 1.0 } else { 3.0 };
            scene.wall.transfer = WallTransfer::Gamma(1.0);
            scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 0.37));
            scene.camera.mosaic = Mosaic::FullPlanes;
            let window = stage::window(&scene, 0, 0, 2, 256);
            // That long on the wall's clock.
            scene.camera.exposure_s = periods * period_s / (1.0 + drift);
            let frame = render(&scene, 3, window);
            let mut held = scene.clone();
            held.drive = drive.held_steady();
            let mean = apart(&frame, &render(&held, 3, window));
            assert!(mean < 1e-6, "{drive:?}: {mean:e} off the mean");
            for plane in 0..3 {
                let bands = unevenness(&row_means(&frame, plane));
                assert!(bands < 1e-6, "{drive:?}: bands of {bands:e}");
            }
            if !drive.is_steady() {
                // Half a refresh more does band, or the test would not notice anything.
                scene.camera.exposure_s = 1.5 / drive.refresh_hz;
                let bands = unevenness(&row_means(&render(&scene, 3, window), 0));
                assert!(bands > 0.01, "{drive:?}: bands of {bands:e} only");
            }
        }
    }
}

/// A scene with most things switched on that have a length or a time.
fn rich() -> Scene {
    let mut scene = stage::plain();
    scene.drive = Drive { dark_frame_s: 0.3e-3, ..all_drives()[4].clone() };
    scene.camera.exposure_s = 1.0 / 1400.0;
    scene.lens.f_number = 2.0;
    scene.lens.aberration_m = 2e-6;
    scene.lens.iris = Iris::Bladed { blades: 6, rotation_rad: 0.1 };
    scene.lens.distortion = 0.03;
    scene.lens.vignetting = true;
    scene.low_pass = Some(LowPass { across_m: 5e-6, upright_m: 4e-6 });
    scene.wall.emitters[1].shape = EmitterShape::Disc { diameter_m: 0.9e-3 };
    scene.wall.emitters[2].half_angle_rad = Some(1.0);
    stage::waves(&mut scene, 23.0, 0.3);
    stage::place(&mut scene, 2.2, 5.0, DVec2::new(0.01, 0.02), [12.0, -5.0, 3.0]);
    scene
}

#[test]
fn the_unit_of_length_does_not_matter() {
    let scene = rich();
    let window = stage::window(&scene, 33, -21, 48, 40);
    let frame = render(&scene, 1, window);
    for k in [2.0, 0.3] {
        let mut other = scene.clone();
        other.wall.pitch_m *= k;
        for emitter in &mut other.wall.emitters {
            emitter.offset_m *= k;
            match &mut emitter.shape {
                EmitterShape::Rectangle { width_m, height_m } => {
                    *width_m *= k;
                    *height_m *= k;
                }
                EmitterShape::Disc { diameter_m } => *diameter_m *= k,
                EmitterShape::Tent => {}
            }
        }
        other.lens.focal_m *= k;
        other.lens.focus_m *= k;
        other.lens.aberration_m *= k;
        other.pose.lens_m *= k;
        other.camera.photosite_m *= k;
        let filter = other.low_pass.as_mut().unwrap();
        filter.across_m *= k;
        filter.upright_m *= k;
        // Photosites of k² times the area, under a wall that shines that much less.
        other.wall.white_nits /= k * k;
        let off = apart(&frame, &render(&other, 1, window));
        assert!(off < 1e-6, "times {k}: {off:e}");
    }
}

#[test]
fn the_unit_of_time_does_not_matter() {
    let scene = rich();
    let window = stage::window(&scene, 33, -21, 48, 40);
    let frame = render(&scene, 1, window);
    for k in [2.0, 0.3] {
        let mut other = scene.clone();
        let drive = &mut other.drive;
        drive.refresh_hz /= k;
        drive.video_hz /= k;
        for time in [
            &mut drive.dark_slot_s,
            &mut drive.dark_refresh_s,
            &mut drive.dark_frame_s,
            &mut drive.rise_s,
            &mut drive.fall_s,
            &mut drive.clock.phase_s,
        ] {
            *time *= k;
        }
        drive.delay_s = drive.delay_s.map(|d| d * k);
        other.camera.fps /= k;
        other.camera.exposure_s *= k;
        let Readout::Rolling { readout_s, .. } = &mut other.camera.readout else {
            panic!("global")
        };
        *readout_s *= k;
        // Open k times as long, under a wall that shines that much less.
        other.wall.white_nits /= k;
        let off = apart(&frame, &render(&other, 1, window));
        assert!(off < 1e-6, "times {k}: {off:e}");
    }
}
