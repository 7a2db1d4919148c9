//! Lamps in shot and offered shutters: what a scene says of them, and what it may not.

use crate::bad_scenes::{hold, more};
use gridbeat::scene::{LampShape, NoPictures, Scene, ShutterOffered, describe, parse, resolved};

const BASE: &str = "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200]}\n\
                    lens: {focal_mm: 35, f_number: 2.8}\n\
                    placement: {distance_m: 3}\n";

fn scene(more: &str) -> Scene {
    parse(&format!("{BASE}{more}"), "lamps", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"))
}

#[test]
fn lamps_are_read_and_told() {
    let found = scene(
        "other_light:\n\
         - {name: reading lamp, frequency_hz: 100, depth_percent: 30, shape: rectified_sine}\n\
         - {name: sign, frequency_hz: 400, shape: {pwm: {duty_percent: 25}}}\n\
         - {name: strip, frequency_hz: 1000, shape: pwm}\n\
         - {name: tube, frequency_hz: 120}\n\
         camera: {shutter_offered: {angles_deg: [180], speeds: [1/50]}}\n",
    );
    let shapes: Vec<LampShape> = found.other_light.iter().map(|l| l.shape).collect();
    assert_eq!(
        shapes,
        [
            LampShape::RectifiedSine,
            LampShape::Pulses { duty: 0.25 },
            LampShape::Pulses { duty: 0.5 },
            LampShape::Sine
        ]
    );
    assert_eq!(found.other_light[0].depth, 0.3);
    assert_eq!(found.other_light[1].depth, 1.0);
    let offered =
        ShutterOffered { angles_deg: vec![180.0], angle_step_deg: None, speeds_s: vec![0.02] };
    assert_eq!(found.shutter_offered, Some(offered));
    let words = describe(&found);
    assert!(words.contains("reading lamp           100 Hz, 30 % deep, half waves"), "{words}");
    assert!(words.contains("180°, 1/50 s"), "{words}");
    let data = resolved(&found);
    assert_eq!(data["other_light"][1]["shape"]["pwm"]["duty_share"], 0.25);
    assert_eq!(data["shutter_offered"]["speeds_s"][0], 0.02);
    let none = scene("");
    assert!(none.other_light.is_empty() && none.shutter_offered.is_none());
}

#[test]
fn the_mains_frequency_is_asked_about() {
    let found = scene("other_light: [{name: lamp, frequency_hz: 50}]\n");
    let notes: Vec<String> = found
        .notes
        .iter()
        .filter(|n| n.key.starts_with("other_light"))
        .map(gridbeat::diag::summary)
        .collect();
    assert_eq!(
        notes,
        [
            "line 4, other_light[1].frequency_hz: 50 Hz is the mains' frequency; the light of most lamps at it pulses twice a period, 100 Hz (count pulses of light, not periods of the mains)"
        ]
    );
}

#[test]
fn broken_lamps() {
    hold(vec![
        more(
            "other_light: [{frequency_hz: 100}]",
            &["line 4, other_light[1].name: missing (add `name:` under `other_light[1]`)"],
        ),
        more(
            "other_light: [{name: lamp}]",
            &[
                "line 4, other_light[1].frequency_hz: missing; allowed: 0.1 to 1000000 Hz (add `frequency_hz:` under `other_light[1]`)",
            ],
        ),
        more(
            "other_light: [{name: lamp, frequency_hz: 0}]",
            &["line 4, other_light[1].frequency_hz: 0 is too small; allowed: 0.1 to 1000000 Hz"],
        ),
        more(
            "other_light: [{name: lamp, frequency_hz: 100, depth_percent: 120}]",
            &["line 4, other_light[1].depth_percent: 120 is too large; allowed: 0 to 100 %"],
        ),
        more(
            "other_light: [{name: lamp, frequency_hz: 100, shape: square}]",
            &[
                "line 4, other_light[1].shape: 'square' is not known; allowed: sine, rectified_sine, pwm",
            ],
        ),
        more(
            "other_light: [{name: lamp, frequency_hz: 100, shape: {pwm: {duty_percent: 0}}}]",
            &[
                "line 4, other_light[1].shape.pwm.duty_percent: 0 is too small; allowed: 0.1 to 100 %",
            ],
        ),
        more(
            "other_light: [{name: lamp, frequency_hz: 100}, {name: lamp, frequency_hz: 120}]",
            &[
                "line 4, other_light[2].name: 'lamp' names another lamp already (choose another name)",
            ],
        ),
        more(
            "other_light: [{name: '', frequency_hz: 100}]",
            &[
                "line 4, other_light[1].name: '' is no name; allowed: 1 to 32 letters (name it as the crew does)",
            ],
        ),
        more(
            "other_light: []",
            &[
                "line 4, other_light: a list of 0 found; allowed: a list of 1 to 16 groups of keys (name, frequency_hz, depth_percent, shape) (write `other_light: […]`)",
            ],
        ),
        more(
            "other_light: {name: lamp, frequency_hz: 100}",
            &[
                "line 4, other_light: a group of keys found; allowed: a list of 1 to 16 groups of keys (name, frequency_hz, depth_percent, shape) (write `other_light: […]`)",
            ],
        ),
    ]);
}
