//! The slow check's list of pulses against the light of a drive summed tick by tick.

use gridbeat::render::rays::events;
use gridbeat::wall::drive::{Clock, Drive, DriveKind, SplitOrder};

/// Light of a drive at one moment, straight from its definition, in whole ticks.
///
/// Every length of the drive is a whole number of ticks, so that between two ticks the light is a
/// straight line, and the value half way between them is its mean: exact, whatever the drive.
struct Ticks {
    frame: i64,
    refreshes: i64,
    refresh: i64,
    slot: i64,
    offset: i64,
    rise: i64,
    fall: i64,
    on: fn(i64) -> f64,
}

impl Ticks {
    /// Light at `t` ticks.
    fn light(&self, t: f64) -> f64 {
        let mut sum = 0.0;
        for frame in (t as i64).div_euclid(self.frame) - 2..=(t as i64).div_euclid(self.frame) + 1 {
            for m in 0..self.refreshes {
                let start = frame * self.frame + m * self.refresh + self.slot + self.offset;
                let (on, rise, fall) = ((self.on)(m), self.rise as f64, self.fall as f64);
                let x = t - start as f64;
                let height =
                    if on >= 0.5 * (rise + fall) { 1.0 } else { (2.0 * on / (rise + fall)).sqrt() };
                let fall_at = if height < 1.0 { height * rise } else { on + 0.5 * (rise - fall) };
                let up = if x < 0.0 {
                    0.0
                } else if rise > 0.0 {
                    x / rise
                } else {
                    1.0
                };
                let down = if x < fall_at {
                    1.0
                } else if fall > 0.0 {
                    height - (x - fall_at) / fall
                } else {
                    0.0
                };
                if on > 0.0 {
                    sum += up.min(height).min(down).max(0.0);
                }
            }
        }
        sum
    }

    /// Light between two ticks, in ticks.
    fn area(&self, from: i64, to: i64) -> f64 {
        (from..to).map(|t| self.light(t as f64 + 0.5)).sum()
    }
}

#[test]
fn the_list_of_pulses_has_the_area_of_the_light_summed_tick_by_tick() {
    const TICK_S: f64 = 1e-6;
    let base = Drive {
        kind: DriveKind::Pwm,
        refresh_hz: 1000.0,
        video_hz: 250.0,
        scan: 1,
        dark_slot_s: 0.0,
        dark_refresh_s: 0.0,
        dark_frame_s: 0.0,
        rise_s: 0.0,
        fall_s: 0.0,
        delay_s: [0.0, 7.0 * TICK_S, 300.0 * TICK_S],
        pulse_share: 1.0,
        clock: Clock { drift: 0.0, phase_s: 0.0 },
    };
    // Plain PWM, 1000 ticks a refresh, level ½ with long flanks, and full with overlapping ones.
    let pwm = Drive { rise_s: 20e-6, fall_s: 40e-6, ..base.clone() };
    // Scan 4: refreshes of (4000 − 200)/4 = 950 ticks, slots of (950 − 150)/4 = 200, pulses to 180.
    let scanned = Drive {
        kind: DriveKind::Scanned,
        scan: 4,
        dark_slot_s: 20e-6,
        dark_refresh_s: 150e-6,
        dark_frame_s: 200e-6,
        rise_s: 8e-6,
        fall_s: 4e-6,
        ..base.clone()
    };
    // Split over M = 4, 4 bits: 15 clocks, at most 4 a refresh: (1000 − 40)/4 = 240 ticks a clock.
    let split = Drive {
        kind: DriveKind::Split { bits: 4, order: SplitOrder::Even },
        dark_slot_s: 40e-6,
        rise_s: 16e-6,
        fall_s: 4e-6,
        ..base.clone()
    };
    let mirrored = Drive {
        kind: DriveKind::Split { bits: 4, order: SplitOrder::BitReversed },
        ..split.clone()
    };
    // A triangle: on-time 10 = (rise + fall)/8, so half as high, with flanks half as long.
    let triangle = Drive { rise_s: 60e-6, fall_s: 20e-6, ..base.clone() };
    let ticks = |refresh, slot, offset, rise, fall, on| Ticks {
        frame: 4000,
        refreshes: 4,
        refresh,
        slot,
        offset,
        rise,
        fall,
        on,
    };
    let cases: [(&str, &Drive, f64, usize, u32, Ticks); 9] = [
        ("pwm ½", &pwm, 0.5, 0, 0, ticks(1000, 0, 0, 20, 40, |_| 500.0)),
        ("pwm 1", &pwm, 1.0, 1, 0, ticks(1000, 0, 7, 20, 40, |_| 1000.0)),
        ("triangle", &triangle, 0.01, 2, 0, ticks(1000, 0, 300, 60, 20, |_| 10.0)),
        ("scan 0", &scanned, 0.5, 0, 0, ticks(950, 0, 0, 8, 4, |_| 90.0)),
        ("scan 3", &scanned, 1.0, 2, 3, ticks(950, 600, 300, 8, 4, |_| 180.0)),
        // 6 clocks of 15 over 4: one each, and of the rest of 2, even: m = 1 and 3.
        (
            "split even",
            &split,
            0.4,
            0,
            0,
            ticks(1000, 0, 0, 16, 4, |m| [240.0, 480.0][m as usize % 2]),
        ),
        // Bits of 0 1 2 3 mirrored are 0 2 1 3: those below 2 are m = 0 and 2.
        (
            "split mirrored",
            &mirrored,
            0.4,
            1,
            0,
            ticks(1000, 0, 7, 16, 4, |m| [480.0, 240.0][m as usize % 2]),
        ),
        (
            "split 1 clock",
            &split,
            0.07,
            0,
            0,
            ticks(1000, 0, 0, 16, 4, |m| if m == 3 { 240.0 } else { 0.0 }),
        ),
        (
            "split 3 mirrored",
            &mirrored,
            0.2,
            0,
            0,
            ticks(1000, 0, 0, 16, 4, |m| if m == 3 { 0.0 } else { 240.0 }),
        ),
    ];
    for (name, drive, level, colour, slot, brute) in &cases {
        for (from, to) in [(0, 4000), (-1234, 777), (480, 530), (3990, 9001), (1005, 1030), (3, 4)]
        {
            let (from_s, to_s) = (from as f64 * TICK_S, to as f64 * TICK_S);
            let list = events::lit_s(drive, *level, *colour, *slot, from_s, to_s);
            let sum = brute.area(from, to) * TICK_S;
            let off = (list - sum).abs() / (to_s - from_s);
            assert!(off < 1e-9, "{name}, {from} to {to}: {list} not {sum}");
        }
    }
    // Held light, and the duty that the photometry divides by.
    let held = |kind| events::lit_s(&Drive { kind, ..base.clone() }, 0.4, 0, 0, 1.0, 3.0);
    assert!((held(DriveKind::Steady) - 0.8).abs() < 1e-12);
    assert!((held(DriveKind::HeldMean { bits: 1 }) - 0.0).abs() < 1e-12);
    assert!((held(DriveKind::HeldMean { bits: 4 }) - 2.0 * 6.0 / 15.0).abs() < 1e-12);
    assert!((events::top_duty(&scanned) - 4.0 * 180.0 / 4000.0).abs() < 1e-12);
    assert!((events::top_duty(&split) - 15.0 * 240.0 / 4000.0).abs() < 1e-12);
    // Where refreshes do not divide the video frame, they simply follow one another.
    let free = Drive { refresh_hz: 1100.0, video_hz: 60.0, ..base.clone() };
    let period = 1.0 / 1100.0;
    let lit = events::lit_s(&free, 0.25, 0, 0, 20.5 * period, 23.1 * period);
    assert!((lit - (0.25 + 0.25 + 0.1) * period).abs() < 1e-12, "{lit}");
    // The longest level's duty, over a long time, is the mean.
    for drive in [pwm, scanned, split, mirrored] {
        let lit = events::lit_s(&drive, 1.0, 0, 0, 0.01, 0.01 + 0.4) / 0.4;
        assert!((lit - events::top_duty(&drive)).abs() < 1e-4, "{drive:?}: {lit}");
    }
}
