use super::*;
use crate::wall::Waveform;
use crate::wall::drive::{Clock, Drive, SplitOrder};
use std::sync::Arc;

const SHARES: [f64; 3] = [0.25, 0.68, 0.07];

fn drive(kind: DriveKind, refresh_hz: f64, scan: u32) -> Drive {
    Drive {
        kind,
        refresh_hz,
        video_hz: 24.0,
        scan,
        dark_slot_s: 0.0,
        dark_refresh_s: 0.0,
        dark_frame_s: 0.0,
        rise_s: 0.0,
        fall_s: 0.0,
        delay_s: [0.0; 3],
        pulse_share: 1.0,
        clock: Clock { drift: 0.0, phase_s: 0.0 },
    }
}

fn of(drive: &Drive, level: f64) -> [Flicker; 2] {
    lights(&drive.timing(), level, SHARES)
}

#[test]
fn full_pulses_keep_the_limits_that_their_frequency_has() {
    // Handbook §7: full-depth pulses are low-risk above 1.25 kHz and without effect above 3 kHz.
    for (hz, low, no) in
        [(480.0, false, false), (1200.0, false, false), (1920.0, true, false), (3840.0, true, true)]
    {
        let [row, room] = of(&drive(DriveKind::Pwm, hz, 1), 0.18);
        assert_eq!((row.keeps_low_risk, row.keeps_no_effect), (low, no), "{hz}");
        assert_eq!(row, room);
        assert!((row.percent_flicker - 100.0).abs() < 1e-12);
        // Duty D without light between: 1 − D.
        assert!((row.flicker_index - 0.82).abs() < 1e-9, "{}", row.flicker_index);
        let counts = row.counts.expect("a frequency");
        assert!((counts.frequency_hz - hz).abs() < 1e-9);
        assert_eq!(row.lowest_hz, Some(counts.frequency_hz));
        assert!(row.keeps_seizure_limit && row.in_photosensitive_range.is_none());
    }
    let [steady, _] = of(&drive(DriveKind::Pwm, 480.0, 1), 1.0);
    assert!(steady.percent_flicker == 0.0 && steady.counts.is_none() && steady.keeps_no_effect);
    assert!(steady.stroboscopic_visibility < 1e-9);
    assert_eq!(of(&drive(DriveKind::Steady, 480.0, 1), 0.3)[1], Flicker::steady());
}

#[test]
fn rows_that_take_turns_are_even_in_the_room() {
    let [row, room] = of(&drive(DriveKind::Scanned, 480.0, 16), 1.0);
    assert!((row.flicker_index - (1.0 - 1.0 / 16.0)).abs() < 1e-9);
    assert!(!row.keeps_low_risk);
    assert_eq!((room.percent_flicker, room.flicker_index), (0.0, 0.0));
    assert!(room.counts.is_none() && room.keeps_no_effect);
    // Half as long pulses leave the turns themselves: 16 × 480 Hz.
    let [_, room] = of(&drive(DriveKind::Scanned, 480.0, 16), 0.5);
    assert!((room.flicker_index - 0.5).abs() < 1e-9);
    let counts = room.counts.expect("a frequency");
    assert!((counts.frequency_hz - 7680.0).abs() < 1e-6 && room.keeps_no_effect);
    // Darkness after each refresh is there in all rows at once.
    let dark = Drive { dark_refresh_s: 2e-4, ..drive(DriveKind::Scanned, 480.0, 16) };
    let [_, room] = of(&dark, 1.0);
    assert!((room.flicker_index - 2e-4 * 480.0).abs() < 1e-9, "{}", room.flicker_index);
    assert!(!room.keeps_no_effect);
}

#[test]
fn a_dark_split_level_flickers_with_the_video() {
    let split = DriveKind::Split { bits: 12, order: SplitOrder::Even };
    let one = drive(split, 64.0 * 24.0, 16);
    // One clock of 4095: one pulse a video frame, 24 Hz, of full depth, in every row at nearly the same moment.
    let [row, room] = of(&one, 1.0 / 4095.0);
    for light in [&row, &room] {
        let slow = light.in_photosensitive_range.expect("24 Hz");
        assert!((light.lowest_hz.expect("one") - 24.0).abs() < 1e-9);
        assert!(slow.modulation_percent > 99.0, "{slow:?}");
        assert!(!light.keeps_seizure_limit);
    }
    // 64 clocks light every refresh.
    let [row, _] = of(&one, 64.0 / 4095.0);
    assert!((row.lowest_hz.expect("one") - 1536.0).abs() < 1e-6 && row.keeps_low_risk);
    // Below half a clock nothing is lit.
    assert_eq!(of(&one, 0.4 / 4095.0)[0], Flicker::steady());
}

#[test]
fn late_colours_fill_in() {
    // Three pulses of a third of the period, one after the other: always some light, of three heights.
    let third = 1.0 / 480.0 / 3.0;
    let late = Drive { delay_s: [0.0, third, 2.0 * third], ..drive(DriveKind::Pwm, 480.0, 1) };
    let [row, _] = of(&late, 1.0 / 3.0);
    let expected = percent_flicker(0.68, 0.07);
    assert!((row.percent_flicker - expected).abs() < 1e-6, "{row:?}");
    // The mean is a third; above it is green alone.
    assert!((row.flicker_index - (0.68 - 1.0 / 3.0)).abs() < 1e-6, "{row:?}");
}

#[test]
fn a_measured_waveform_is_taken_as_it_is() {
    let samples: Vec<[f64; 2]> = (0..400)
        .map(|i| [f64::from(i) / 48_000.0, 1.0 + 0.3 * sin_pi(f64::from(i) / 200.0)])
        .collect();
    let wave = Arc::new(Waveform::new(&samples, 1.0 / 120.0).expect("a waveform"));
    let sine = drive(DriveKind::Waveform(wave), 120.0, 1);
    let [row, room] = of(&sine, 0.18);
    assert!((row.percent_flicker - 30.0).abs() < 0.01, "{row:?}");
    assert!((row.flicker_index - 0.3 / std::f64::consts::PI).abs() < 1e-4);
    // Handbook §7: SVM of a full sine at 120 Hz is 3.62734.
    assert!((row.stroboscopic_visibility / (0.3 * 3.62734) - 1.0).abs() < 1e-3);
    assert_eq!(row, room);
    // Two rows in turn, half a period apart, cancel.
    let [_, room] = of(&Drive { scan: 2, ..sine }, 0.18);
    assert!(room.percent_flicker < 0.01, "{room:?}");
}
