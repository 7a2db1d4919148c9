//! Rendered frames, measured: the sum of moiré and bands, closed forms of bands, fringes against the sum over the lattice's
//! harmonics, noise.

use crate::stage;
use glam::DVec2;
use gridbeat::artefact::Wave;
use gridbeat::measure::{
    Clockwork, Field, Found, Settings, Track, Trio, Waves, again, flicker, row_bands, waves,
    waves_at,
};
use gridbeat::predict::{Sampler, Sights, Wall};
use gridbeat::render::Run;
use gridbeat::scene::Scene;
use gridbeat::sensor::{Mosaic, Readout, bands};
use gridbeat::shoot::{Engine, Shot, TwinFrame, Twins};
use gridbeat::wall::Waveform;
use gridbeat::wall::drive::{Clock, DriveKind};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

fn shot(scene: &Scene, frame: u32, noise: bool) -> TwinFrame {
    let twins = Twins::new(scene.clone());
    let mut shots = twins.shots(1, 0).expect("a scene that can be shot");
    shots.frame(frame, noise, &Run::default()).expect("rendered")
}

fn trio(frame: &TwinFrame) -> Trio<'_> {
    Trio {
        captured: &frame.captured.planes,
        lattice: &frame.lattice.planes,
        ideal: &frame.ideal.planes,
        given: &frame.given,
        white: frame.white,
    }
}

/// Moiré and bands of a frame.
fn measured(scene: &Scene, frame: u32, noise: bool) -> [Waves; 2] {
    let frame = shot(scene, frame, noise);
    let fields = trio(&frame).fields().expect("one size");
    assert!(fields[0].given_share() > 0.3, "{}", fields[0].given_share());
    fields.map(|field| waves(&field, &Settings::default()))
}

fn bayer(scene: &mut Scene) {
    scene.camera.mosaic = Mosaic::Bayer([0, 1, 1, 2]);
}

fn crop(scene: &mut Scene, width: u32, height: u32) {
    scene.camera.crop = stage::window(scene, 0, 0, width, height);
}

/// Bright enough to count, dark enough not to clip.
fn exposed(scene: &mut Scene) {
    scene.wall.brightness = 0.012;
}

fn pulsing(scene: &mut Scene, kind: DriveKind, hz: f64, scan: u32, exposure_s: f64) {
    scene.drive.kind = kind;
    scene.drive.refresh_hz = hz;
    scene.drive.scan = scan;
    scene.camera.exposure_s = exposure_s;
}

/// The bar of 1 + M + B = captured / ideal, where the ratio is given.
const SUM_BAR: f64 = 1e-5;

#[test]
fn one_and_moire_and_bands_are_captured_over_ideal() {
    let mut scene = stage::plain();
    bayer(&mut scene);
    exposed(&mut scene);
    crop(&mut scene, 96, 80);
    stage::place(&mut scene, 2.3, 1.0, DVec2::new(0.01, 0.02), [12.0, -5.0, 3.0]);
    pulsing(&mut scene, DriveKind::Scanned, 1920.0, 8, 1.0 / 700.0);
    stage::waves(&mut scene, 40.0, 0.3);
    // Photosite by photosite.
    let run = Run::default();
    let scenes = [scene.clone(), scene.steady_wall(), scene.ideal()];
    let electrons = scenes
        .each_ref()
        .map(|s| Shot::new(s, Engine::Fast).expect("a shot").electrons(0, &run).expect("rendered"));
    let frame = shot(&scene, 0, false);
    let raw = Trio {
        captured: &electrons[0].planes,
        lattice: &electrons[1].planes,
        ideal: &electrons[2].planes,
        given: &[true; 96 * 80],
        white: 1.0,
    };
    for (trio, planes) in [(raw, 1), (trio(&frame), 3)] {
        let maps = trio.maps().expect("one size");
        let mut given = 0;
        let mut most = 0.0_f64;
        for c in 0..planes {
            for i in 0..96 * 80 {
                let (m, b) = (f64::from(maps.moire[c].data[i]), f64::from(maps.bands[c].data[i]));
                if m.is_finite() {
                    let whole =
                        f64::from(trio.captured[c].data[i]) / f64::from(trio.ideal[c].data[i]);
                    assert!((1.0 + m + b - whole).abs() <= SUM_BAR * whole.max(1.0), "{i} {m} {b}");
                    most = most.max(m.abs().min(b.abs()));
                    given += 1;
                }
            }
        }
        assert!(given > 5000 && most > 0.1, "{given} {most}");
    }
}

/// A lattice blurred until nothing is left: what is measured then is the tent's own error.
#[test]
fn a_lattice_blurred_away_leaves_nothing() {
    let mut scene = stage::plain();
    exposed(&mut scene);
    stage::place(&mut scene, 1.4, 60.0, DVec2::ZERO, [0.0; 3]);
    scene.lens.aberration_m = 20e-6;
    crop(&mut scene, 128, 96);
    let frame = shot(&scene, 0, false);
    let [moire, _] = trio(&frame).fields().expect("one size");
    assert!(moire.given_share() > 0.3, "{}", moire.given_share());
    let most = moire.planes.iter().flat_map(|p| &p.data).filter(|v| v.is_finite());
    let most = most.fold(0.0_f32, |m, v| m.max(v.abs()));
    assert!(most <= 1e-4, "{most}");
}

/// What a place's harmonics, folded, say of the wave that was found there: the strongest within a bin, or, where others lie so near
/// that no window tells them apart, what measuring makes of all of them.
fn said(scene: &Scene, found: &Found) -> Wave {
    let sights = Sights::new(scene);
    let wall = Wall::new(scene, 1e-7, 4.0);
    let crop = scene.camera.crop;
    let at = found.at + DVec2::new(f64::from(crop.x), f64::from(crop.y));
    let place = sights.at(at).expect("on the wall");
    let lattice = wall.seen(&sights, &place, false, i32::MAX);
    let components = wall.fringes(&lattice, [1.0; 3]);
    let seen = Sampler::new(scene, 1e-7).waves(&components, lattice.means([1.0; 3]));
    let bin = 1.0 / found.window_px.min_element();
    let wrapped = |d: DVec2| (d - d.round()).length();
    let apart = |a: DVec2, b: DVec2| wrapped(a - b).min(wrapped(a + b));
    let near = seen.iter().filter(|s| apart(s.wave.frequency, found.wave.frequency) < bin);
    let strongest = near
        .max_by(|a, b| a.wave.largest().total_cmp(&b.wave.largest()))
        .unwrap_or_else(|| panic!("no such wave there: {found:?}"));
    let beside = seen.iter().any(|s| {
        let apart = apart(s.wave.frequency, strongest.wave.frequency);
        apart > 1e-6 && apart < 2.5 * bin && s.wave.largest() > 0.02 * strongest.wave.largest()
    });
    if !beside {
        return strongest.wave;
    }
    let field = Field::from_fn(crop.width as usize, crop.height as usize, |x, y| {
        let at = DVec2::new(x as f64 + 0.5, y as f64 + 0.5);
        if (at - found.at).abs().cmpgt(found.window_px / 2.0 + 1.0).any() {
            return [f64::NAN; 3];
        }
        [0, 1, 2].map(|c: usize| {
            let one = |s: &gridbeat::predict::Seen| {
                let turn = TAU * s.wave.frequency.dot(at);
                (s.wave.planes[c] * Complex64::from_polar(1.0, turn)).re
            };
            seen.iter().map(one).sum()
        })
    });
    again(&field, found, &Settings::default()).expect("still there").wave
}

/// Fringes of the accuracy that prediction and measurement are held to: period 1 %, direction 1°, contrast 5 % from 0.5 % on,
/// 0.05 % below.
fn agrees(scene: &Scene, found: &Found) {
    let want = said(scene, found);
    let got = found.wave;
    assert!((got.period_px() / want.period_px() - 1.0).abs() < 0.01, "{found:?} {want:?}");
    let turn = (got.direction_deg() - want.direction_deg()).abs();
    assert!(turn.min(180.0 - turn) < 1.0, "{found:?} {want:?}");
    for (got, want) in [(got.luma(), want.luma()), (got.chroma(), want.chroma())] {
        let bar = (0.05 * want).max(5e-4);
        assert!((got - want).abs() < bar, "{got} {want}: {found:?}");
    }
}

#[test]
fn fringes_are_those_of_the_folded_lattice() {
    for (mosaic, photosites, disc, turn) in [
        (true, 2.06, 0.0, [0.0, 0.0, 0.5]),
        (true, 2.3, 1.5, [0.0, 0.0, -4.0]),
        (true, 1.37, 0.5, [0.0, 0.0, 1.0]),
        (false, 1.04, 1.0, [0.0, 0.0, 1.5]),
        (true, 2.15, 0.5, [14.0, 3.0, 2.0]),
        (false, 3.1, 2.0, [-20.0, 8.0, 1.0]),
    ] {
        let mut scene = stage::plain();
        if mosaic {
            bayer(&mut scene);
        }
        exposed(&mut scene);
        scene.lens.aberration_m = 2e-6;
        stage::place(&mut scene, photosites, disc, DVec2::ZERO, turn);
        let (w, h) = if photosites < 1.2 { (200, 140) } else { (300, 220) };
        crop(&mut scene, w, h);
        let [moire, _] = measured(&scene, 0, false);
        assert!(moire.found.len() > 1, "{photosites} {turn:?} {moire:?}");
        assert!(moire.found[0].contrast() > 0.001, "{photosites} {turn:?} {:?}", moire.found[0]);
        let told = moire
            .found
            .iter()
            .filter(|f| f.drift_bins.is_some_and(|d| d < 1.0) && f.contrast() > 1e-4);
        for found in told.take(3) {
            agrees(&scene, found);
        }
    }
}

/// A place asked for is the place looked at, and the wave there is the one of that place.
#[test]
fn a_place_can_be_asked_for() {
    let mut scene = stage::plain();
    bayer(&mut scene);
    exposed(&mut scene);
    stage::place(&mut scene, 2.12, 0.3, DVec2::ZERO, [25.0, 0.0, 0.0]);
    crop(&mut scene, 360, 200);
    let frame = shot(&scene, 0, false);
    let [moire, _] = trio(&frame).fields().expect("one size");
    let mut periods = Vec::new();
    for x in [90.0, 180.0, 270.0] {
        let found = waves_at(&moire, DVec2::new(x, 100.0), &Settings::default());
        let given = moire.given_share();
        let best = *found.found.first().unwrap_or_else(|| panic!("{x} {given} {found:?}"));
        assert!((best.at.x - x).abs() < 40.0, "{best:?}");
        agrees(&scene, &best);
        periods.push(best.wave.period_px());
    }
    assert!((periods[2] / periods[0] - 1.0).abs() > 0.05, "the frame is not oblique: {periods:?}");
}

/// A pulse-width wall without lattice under a rolling shutter: the band's fundamental is 2·|sinc(D)·sinc(f·T)| of the mean, its
/// period 1/(f·line) (reference section 5), and it rolls by the beat of refresh and frame rate.
#[test]
fn bands_are_those_of_the_closed_form() {
    for (hz, shutter, drift) in
        [(1000.0, 1.0 / 60.0, 0.0), (3840.0, 1.0 / 1000.0, 0.0), (240.0, 1.0 / 125.0, 2e-3)]
    {
        let mut scene = stage::plain();
        stage::gapless(&mut scene);
        exposed(&mut scene);
        scene.camera.readout = Readout::Rolling { readout_s: 0.016, bottom_up: false };
        pulsing(&mut scene, DriveKind::Pwm, hz, 1, shutter);
        scene.drive.video_hz = hz / 16.0;
        scene.drive.clock = Clock { drift, phase_s: 0.0 };
        let duty = 0.5;
        let code = scene.wall.transfer.code(duty);
        scene.content = std::sync::Arc::new(stage::show(&scene.wall, |_, _, _| code));
        crop(&mut scene, 160, 440);
        let got = measured(&scene, 0, false);
        let best = got[1].found[0];
        let top = f64::from((1_u32 << scene.wall.bits) - 1);
        let duty = scene.wall.transfer.level((code * top + 0.5).floor() / top);
        let camera_hz = hz * (1.0 + drift);
        let want = bands::band_extremes(camera_hz, shutter, duty);
        let depth = best.wave.luma();
        assert!(
            (depth / want.fundamental_over_mean - 1.0).abs() < 0.03,
            "{hz} {depth} {want:?} {:#?}",
            got[1]
        );
        let line = 0.016 / 640.0;
        let clock =
            Clockwork { lines_per_row: 1.0, lines: 640.0, fps: Some(25.0), readout_s: Some(0.016) };
        let period = clock.period_lines(&best).expect("down the picture");
        assert!((period * camera_hz * line - 1.0).abs() < 0.005, "{hz} {period}");
        assert!((best.wave.direction_deg().abs() - 90.0).abs() < 0.45, "{best:?}");
        assert!((clock.light_hz(&best).expect("known") / camera_hz - 1.0).abs() < 0.005);
        // From frame to frame.
        let mut track = Track::new(0, best);
        for n in 1..3 {
            let frame = shot(&scene, n, false);
            let [_, bands] = trio(&frame).fields().expect("one size");
            track.follow(n, &bands, &Settings::default());
        }
        let roll = track.roll(&clock).expect("two frames");
        // Light that beats faster than the frames comes earlier each time: bands run up.
        let beat = bands::roll_hz(camera_hz, 25.0);
        let got = roll.hz.expect("a rate");
        let off = (got + beat).abs();
        assert!(off.min((25.0 - off).abs()) < 0.02, "{hz}: {got} {beat}");
    }
}

/// A rolled camera tilts the bands of a scanned wall.
#[test]
fn a_rolled_camera_tilts_scan_bands() {
    let mut scene = stage::plain();
    exposed(&mut scene);
    stage::place(&mut scene, 2.4, 14.0, DVec2::ZERO, [0.0, 0.0, 8.0]);
    pulsing(&mut scene, DriveKind::Scanned, 1200.0, 4, 1.0 / 800.0);
    scene.drive.video_hz = 60.0;
    crop(&mut scene, 260, 300);
    let [_, bands] = measured(&scene, 0, false);
    let best = bands.found[0];
    let sights = Sights::new(&scene);
    let wall = Wall::new(&scene, 1e-7, 4.0);
    let crop = scene.camera.crop;
    let at = best.at + DVec2::new(f64::from(crop.x), f64::from(crop.y));
    let place = sights.at(at).expect("on the wall");
    let pulses = gridbeat::predict::pulses(&scene, &scene.drive.timing(), [1.0; 3], 1e-7, 24);
    let lattice = wall.seen(&sights, &place, true, i32::MAX);
    let components: Vec<_> =
        pulses.iter().flat_map(|p| wall.pulsing(&lattice, [1.0; 3], p, 1e-7)).collect();
    let seen = Sampler::new(&scene, 1e-7).waves(&components, lattice.means([1.0; 3]));
    let strongest =
        seen.iter().max_by(|a, b| a.wave.luma().total_cmp(&b.wave.luma())).expect("one");
    let (got, want) = (best.wave, strongest.wave);
    assert!((got.luma() / want.luma() - 1.0).abs() < 0.03, "{got:?} {want:?}");
    assert!((got.period_px() / want.period_px() - 1.0).abs() < 0.005, "{got:?} {want:?}");
    assert!((got.direction_deg() - want.direction_deg()).abs() < 0.5, "{got:?} {want:?}");
    assert!((got.direction_deg().abs() - 90.0).abs() > 0.5, "not tilted: {got:?}");
}

/// With noise the numbers are within 10 % of those without, from three floors on.
#[test]
fn noise_changes_little_of_what_stands_out_of_it() {
    let mut scene = stage::plain();
    bayer(&mut scene);
    exposed(&mut scene);
    scene.camera.noise = true;
    scene.camera.read_noise_e = 4.0;
    scene.lens.aberration_m = 3e-6;
    stage::place(&mut scene, 2.2, 2.2, DVec2::ZERO, [0.0, 0.0, 1.0]);
    pulsing(&mut scene, DriveKind::Scanned, 3840.0, 8, 1.0 / 510.0);
    crop(&mut scene, 300, 260);
    let clean = measured(&scene, 0, false);
    let noisy_frame = shot(&scene, 0, true);
    let trio = trio(&noisy_frame);
    let noisy = waves(
        &trio.whole_field().expect("three planes"),
        &Settings { most: 8, ..Settings::default() },
    );
    let mut compared = 0;
    for clean in clean.iter().flat_map(|w| &w.found).filter(|f| f.drift_bins.is_some()) {
        for got in &noisy.found {
            let bin = 1.0 / got.window_px.min_element();
            if (got.wave.frequency - clean.wave.frequency).length() > 0.7 * bin {
                continue;
            }
            if clean.wave.luma() >= 3.0 * got.luma_floor {
                assert!(
                    (got.wave.luma() / clean.wave.luma() - 1.0).abs() < 0.1,
                    "{got:?} {clean:?}"
                );
                compared += 1;
            }
            if clean.wave.chroma() >= 3.0 * got.chroma_floor {
                assert!(
                    (got.wave.chroma() / clean.wave.chroma() - 1.0).abs() < 0.1,
                    "{got:?} {clean:?}"
                );
                compared += 1;
            }
        }
    }
    assert!(compared >= 3, "{compared} {clean:#?} {noisy:#?}");
}

/// A global shutter turns a free clock into flicker: frames differ as their exposures' shares of pulses do.
#[test]
fn flicker_is_the_change_of_exposures() {
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    exposed(&mut scene);
    scene.camera.readout = Readout::Global;
    pulsing(&mut scene, DriveKind::Pwm, 110.0, 1, 1.0 / 80.0);
    scene.drive.video_hz = 110.0;
    crop(&mut scene, 64, 64);
    scene.content = std::sync::Arc::new(stage::show(&scene.wall, |_, _, _| 0.6));
    let means: Vec<(u32, [f64; 3])> = (0..5)
        .map(|n| {
            let frame = shot(&scene, n, false);
            let [moire, bands] = trio(&frame).fields().expect("one size");
            let settings = Settings { most: 0, ..Settings::default() };
            let (m, b) = (waves(&moire, &settings).mean, waves(&bands, &settings).mean);
            (n, [0, 1, 2].map(|c: usize| m[c] + b[c]))
        })
        .collect();
    let got = flicker(&means).expect("five frames");
    // By hand, from the on-time of a pulse that starts each period.
    let top = f64::from((1_u32 << scene.wall.bits) - 1);
    let duty = scene.wall.transfer.level((0.6 * top + 0.5).floor() / top);
    let on = |t: f64| {
        let turns = t * 110.0;
        (turns.floor() * duty + (turns - turns.floor()).min(duty)) / 110.0
    };
    let light: Vec<f64> = (0..5)
        .map(|n| f64::from(n) / 25.0)
        .map(|t| (on(t + 1.0 / 80.0) - on(t)) * 80.0 / duty)
        .collect();
    let mean = light.iter().sum::<f64>() / 5.0;
    for ((_, got), want) in got.luma.iter().zip(&light) {
        assert!((got - want / mean).abs() < 1e-4, "{got} {want}");
    }
    let steps = light.windows(2).map(|w| (w[1] - w[0]).abs() / mean).fold(0.0, f64::max);
    assert!(steps > 0.02 && (got.largest_step - steps).abs() < 1e-4, "{got:?} {steps}");
}

/// A lamp, here a wall without rows that take turns or gaps: its bands tell the readout, from one and a half of them on; and with the
/// readout known, the light's rate.
#[test]
fn a_lamp_tells_the_readout() {
    for (hz, readout_s, vignetting, pulsed) in [
        (100.0, 0.016, false, false),
        (120.0, 0.0183, true, false),
        (100.0, 0.0151, true, false),
        (480.0, 0.012, true, true),
    ] {
        let mut scene = stage::plain();
        stage::gapless(&mut scene);
        exposed(&mut scene);
        stage::place(&mut scene, 4.2, 6.0, DVec2::ZERO, [0.0; 3]);
        scene.lens.vignetting = vignetting;
        scene.camera.readout = Readout::Rolling { readout_s, bottom_up: false };
        scene.camera.noise = true;
        let kind = if pulsed {
            DriveKind::Pwm
        } else {
            // A third of its light swells and fades.
            let sample = |i: i32| {
                let t = f64::from(i) / 40.0;
                [t / hz, 1.0 + 0.33 * (std::f64::consts::TAU * t).cos()]
            };
            let samples: Vec<[f64; 2]> = (0..=40).map(sample).collect();
            DriveKind::Waveform(std::sync::Arc::new(
                Waveform::new(&samples, 1.0 / hz).expect("a wave"),
            ))
        };
        pulsing(&mut scene, kind, hz, 1, 1.0 / 500.0);
        scene.drive.video_hz = hz;
        let code = scene.wall.transfer.code(0.5);
        scene.content = std::sync::Arc::new(stage::show(&scene.wall, |_, _, _| code));
        crop(&mut scene, 160, 640);
        let picture = shot(&scene, 0, true).captured;
        let found = row_bands(&picture.planes).expect("bands");
        let want = hz * readout_s;
        let off = (found.bands - want).abs();
        assert!(off < 0.02 * want, "{hz}: {found:?} {want}");
        assert!(off < 3.0 * found.standard_error + 2e-3, "{hz}: {found:?} {want}");
        assert!(found.standard_error < 0.02 * want, "{hz}: {found:?}");
    }
}

/// What people of the trade say, in rendered frames (common practice, no source): a finer pitch, a low-pass filter, defocus and a
/// diffuser each lessen moiré; a faster drive flickers less at one shutter.
#[test]
fn facts_of_the_trade_hold_in_what_is_measured() {
    let base = || {
        let mut scene = stage::plain();
        bayer(&mut scene);
        exposed(&mut scene);
        scene.lens.aberration_m = 2e-6;
        stage::place(&mut scene, 2.2, 0.5, DVec2::ZERO, [0.0, 0.0, 1.0]);
        crop(&mut scene, 220, 160);
        scene
    };
    let moire =
        |scene: &Scene| measured(scene, 0, false)[0].found.first().map_or(0.0, Found::contrast);
    let plain = moire(&base());
    let mut finer = base();
    stage::place(&mut finer, 1.5, 0.5, DVec2::ZERO, [0.0, 0.0, 1.0]);
    let mut filtered = base();
    filtered.low_pass = Some(gridbeat::optics::LowPass { across_m: 6e-6, upright_m: 6e-6 });
    let mut soft = base();
    stage::place(&mut soft, 2.2, 4.0, DVec2::ZERO, [0.0, 0.0, 1.0]);
    let mut diffused = base();
    diffused.wall.diffuser =
        Some(gridbeat::wall::Diffuser { stand_off_m: 3e-3, scatter_rad: 0.4, transmission: 0.8 });
    for (name, scene) in
        [("finer", &finer), ("filtered", &filtered), ("soft", &soft), ("diffused", &diffused)]
    {
        let got = moire(scene);
        assert!(got < 0.8 * plain, "{name}: {got} of {plain}");
    }
    let band = |hz: f64| {
        let mut scene = base();
        stage::gapless(&mut scene);
        pulsing(&mut scene, DriveKind::Pwm, hz, 1, 1.0 / 50.0 + 0.4 / hz);
        scene.drive.video_hz = 50.0;
        scene.camera.readout = Readout::Rolling { readout_s: 0.016, bottom_up: false };
        let code = scene.wall.transfer.code(0.5);
        scene.content = std::sync::Arc::new(stage::show(&scene.wall, |_, _, _| code));
        measured(&scene, 0, false)[1].found.first().map_or(0.0, |f| f.wave.luma())
    };
    let depths = [200.0, 400.0, 1000.0, 2000.0, 4000.0].map(band);
    assert!(depths.windows(2).all(|d| d[1] < d[0]), "{depths:?}");
    assert!(depths[0] > 0.03 && depths[4] < 0.01, "{depths:?}");
}
