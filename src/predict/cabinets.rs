//! Cabinets that hang turned, and cabinets whose clocks differ.
//!
//! A turned cabinet is a wall of its own whose lattice and scan are turned; each turn that is there is judged as if all cabinets had it.
//! A clock that runs late moves the phase of a cabinet's bands and nothing else: they are as deep as ever, but break at its edges.

use super::bands::REFRESH_HARMONICS;
use super::component::pulses;
use super::judge::{Cause, Finding, Settings};
use super::sampled::{Moved, Sampler, Seen};
use crate::artefact::{Judged, Kind, Wave};
use crate::math::special::{nearest, sin_pi};
use crate::scene::Scene;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// The quarter turns, clockwise, that cabinets of a wall have, each once, in order.
pub(super) fn turns(scene: &Scene) -> Vec<u8> {
    let [across, down] = scene.wall.cabinet_count();
    let turned = &scene.wall.build.turned;
    let count = (u64::from(across) * u64::from(down)).max(1) as usize;
    let mut turns: Vec<u8> = turned.iter().take(count).map(|t| t % 4).collect();
    if turned.len() < count {
        turns.push(0);
    }
    turns.sort_unstable();
    turns.dedup();
    turns
}

/// The scene with all of its cabinets turned alike.
pub(super) fn all_turned(scene: &Scene, quarter_turns: u8) -> Scene {
    let mut scene = scene.clone();
    let [across, down] = scene.wall.cabinet_count();
    let count = u64::from(across) * u64::from(down);
    scene.wall.build.turned =
        if quarter_turns == 0 { Vec::new() } else { vec![quarter_turns; count as usize] };
    scene
}

/// Clocks are drawn within so many standard deviations either way.
const CLOCK_RANGE: f64 = 6.0;
/// A square wave's first harmonic over its height either way.
const SQUARE: f64 = 4.0 / PI;
/// Contrast of colour of red, green and blue that each have a contrast of at most 1, at most, and what other primaries add to it.
const COLOUR: f64 = 2.5;

/// Steps at the edges of cabinets whose clocks differ; `None` where none do.
///
/// Light of two cabinets differs by at most 2·Σ cₖ·|sin(π·fₖ·Δ)| of its mean, cₖ being the contrast that the exposure leaves of the drive's
/// harmonic at fₖ and Δ the difference of the clocks. Of the widest that clocks are drawn with the worst is taken, and of the eye what
/// it sees best, standing or not: the true steps are seen less.
pub(super) fn edges(scene: &Scene, settings: &Settings) -> Option<Finding> {
    let wall = &scene.wall;
    let [across, down] = wall.cabinet_count();
    let apart_s = CLOCK_RANGE * wall.build.spread.clock_s;
    if scene.drive.is_steady() || apart_s <= 0.0 || across * down < 2 {
        return None;
    }
    let timing = scene.drive.timing();
    let sampler = Sampler::new(scene, settings.least);
    let lines = f64::from(sampler.size[1]);
    let mut worst: Option<Finding> = None;
    for &level in settings.levels.iter().filter(|l| scene.drive.mean_level(**l) > 0.0) {
        let (mut sum, mut strongest) = (0.0, (0.0, 0, 0.0));
        for pulse in pulses(scene, &timing, [level; 3], settings.least_pulse, REFRESH_HARMONICS) {
            let size = pulse.amplitude.iter().map(|a| a.norm_sqr().sqrt()).fold(0.0, f64::max);
            let turns = pulse.hz * apart_s;
            let part = if turns < 0.5 { sin_pi(turns) } else { 1.0 };
            let contrast = 2.0 * size * part;
            sum += contrast;
            if contrast > strongest.0 {
                strongest = (contrast, pulse.k, pulse.camera_hz);
            }
        }
        let coloured = scene.drive.delay_s.iter().any(|d| *d != scene.drive.delay_s[0]);
        let contrast = sum * if coloured { COLOUR } else { 1.0 };
        // Noise and light of other colours only hide.
        let multiple = SQUARE * contrast * scene.viewing.seeing(lines, level, 0.0).most();
        if sum == 0.0 || worst.as_ref().is_some_and(|w| w.worst.multiple >= multiple) {
            continue;
        }
        let cycles = strongest.2 / scene.camera.fps;
        let origin = super::Origin { h: [0; 2], k: strongest.1, m: 0 };
        let seen = Seen {
            wave: Wave::new(DVec2::ZERO, [Complex64::new(sum, 0.0); 3]),
            origin,
            resolved: false,
            roll_hz: (cycles - nearest(cycles)) * scene.camera.fps,
            moved: Moved { light: DVec2::ZERO, readout: 0.0 },
        };
        let judged = Judged::of(multiple);
        worst = Some(Finding {
            level,
            ..Finding::of_cause(Cause::CabinetEdges, Kind::Bands, seen, judged)
        });
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::predict::predict;
    use crate::scene::{NoPictures, parse};

    fn scene(wall: &str, drive: &str) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [400, 200], cabinet_px: [100, 100]{wall}}}\n\
             lens: {{focal_mm: 35, f_number: 2.8}}\nplacement: {{distance_m: 5}}\n\
             camera: {{shutter_speed: 1/50, frame_rate_fps: 25, readout: global}}\ndrive: {drive}\n"
        );
        parse(&text, "cabinets", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
    }

    #[test]
    fn turns_are_told_once() {
        assert_eq!(turns(&scene("", "{}")), [0]);
        let mut some = scene("", "{}");
        some.wall.build.turned = vec![0, 1, 3, 1, 0, 0, 5, 3];
        assert_eq!(turns(&some), [0, 1, 3]);
        // Those that are not told of hang upright.
        some.wall.build.turned = vec![2];
        assert_eq!(turns(&some), [0, 2]);
        assert_eq!(turns(&all_turned(&some, 2)), [2]);
        assert_eq!(turns(&all_turned(&some, 0)), [0]);
    }

    #[test]
    fn late_clocks_show_at_the_cabinets_edges() {
        // A global shutter of 1/50 s on 240 Hz, of which 4.8 fit: one light all over the picture, as long as the clocks are one.
        let drive = "{kind: pwm, refresh_hz: 240, video_hz: 60}";
        let settings = Settings::full();
        let alike = scene("", drive);
        assert!(edges(&alike, &settings).is_none());
        let late = scene(", cabinet_spread: {clock_us: 300}", drive);
        let found = edges(&late, &settings).expect("edges");
        let bands = predict(&late, &settings);
        assert_eq!(bands.of(Kind::Bands).map(|f| f.cause), Some(Cause::CabinetEdges));
        assert_eq!(found.worst.degree, crate::artefact::Degree::Spoils);
        // Clocks a hundredth as far apart leave about a hundredth of it: sin(x) for small x.
        let mut near = late.clone();
        near.wall.build.spread.clock_s = 3e-9;
        let small = edges(&near, &settings).expect("edges").worst.multiple;
        near.wall.build.spread.clock_s = 3e-8;
        let tenfold = edges(&near, &settings).expect("edges").worst.multiple;
        assert!((tenfold / small - 10.0).abs() < 0.1, "{small} {tenfold}");
        assert!(small < 0.01 * found.worst.multiple);
        // A shutter of whole refreshes leaves nothing to differ.
        let mut whole = late.clone();
        whole.camera.exposure_s = 5.0 / 240.0;
        assert!(edges(&whole, &settings).is_none_or(|f| f.worst.multiple < 0.01));
        // Steady light has no clock.
        let steady = scene(", cabinet_spread: {clock_us: 300}", "{kind: steady}");
        assert!(edges(&steady, &settings).is_none());
    }
}
