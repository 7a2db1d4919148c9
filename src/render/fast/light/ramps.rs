//! Light of pulses that rise and fall, for a row of pixels: without branches, so that many are made at a time.

use super::Lit;
use crate::wall::drive::Drive;

/// Rise and fall, as shares of the exposure's steady full light.
pub(super) struct Ramps {
    rise: Ramp,
    fall: Ramp,
    /// 2/(rise + fall).
    steepness: f32,
}

/// A change from dark to full light.
struct Ramp {
    length: f32,
    /// 1/(2·length); 0 for none.
    slope: f32,
}

impl Ramp {
    fn new(length: f64) -> Self {
        let slope = if length > 0.0 { 0.5 / length } else { 0.0 };
        Self { length: length as f32, slope: slope as f32 }
    }

    /// Light at time `t` of something that has risen from 0 since time 0, up to a height.
    #[inline(always)]
    fn light(&self, t: f32, height: f32) -> f32 {
        let end = height * self.length;
        let rising = t.max(0.0).min(end);
        rising * rising * self.slope + height * (t - end).max(0.0)
    }
}

impl Ramps {
    /// Of a drive that has a rise or a fall.
    pub(super) fn new(drive: &Drive, per_second: f64) -> Self {
        let (rise, fall) = (drive.rise_s * per_second, drive.fall_s * per_second);
        let steepness = (2.0 / (rise + fall)) as f32;
        Self { rise: Ramp::new(rise), fall: Ramp::new(fall), steepness }
    }

    /// Light of a pulse of area `on` up to an age: what has risen less what has fallen
    /// ([`crate::wall::drive::Timing::pulse_light_s`]).
    #[inline(always)]
    fn pulse(&self, on: f32, age: f32) -> f32 {
        let height = (on * self.steepness).sqrt().min(1.0);
        let whole = on + 0.5 * (self.rise.length - self.fall.length);
        let falls = if height < 1.0 { height * self.rise.length } else { whole };
        self.rise.light(age, height) - self.fall.light(age - falls, height)
    }

    /// Light of pixels of some levels, whose top pulse is `scale` long.
    pub(super) fn fill(
        &self,
        (lit, per_second): (&Lit, f64),
        scale: f32,
        levels: &[f32],
        out: &mut [f32],
    ) {
        let pulses = lit.frames as f32;
        let ages = |ages: [Option<f64>; 2]| ages.map(|a| (a.unwrap_or(0.0) * per_second) as f32);
        // A pulse of age 0 has given nothing.
        let [start, end] = ages(lit.cut);
        for (o, level) in out.iter_mut().zip(levels) {
            let on = scale * level;
            *o = pulses * on + self.pulse(on, end) - self.pulse(on, start);
        }
        if lit.tail == [None; 2] {
            return;
        }
        let [start, end] = ages(lit.tail);
        let [at_start, at_end] = lit.tail.map(|t| if t.is_some() { 1.0 } else { 0.0 });
        for (o, level) in out.iter_mut().zip(levels) {
            let on = scale * level;
            *o += at_start * (on - self.pulse(on, start)) - at_end * (on - self.pulse(on, end));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wall::drive::{Clock, DriveKind};

    /// Against the integral of the drive itself, for ages before, in and after the ramps and for pulses too short to reach
    /// full light: to a few units in the last place of the longest pulse.
    #[test]
    fn a_row_of_pulses_is_each_pulse() {
        for (rise_s, fall_s) in [(2e-6, 3e-6), (0.0, 4e-6), (1e-9, 0.0), (30e-6, 10e-6)] {
            let drive = Drive {
                kind: DriveKind::Scanned,
                refresh_hz: 3840.0,
                video_hz: 60.0,
                scan: 8,
                dark_slot_s: 0.0,
                dark_refresh_s: 0.0,
                dark_frame_s: 0.0,
                rise_s,
                fall_s,
                delay_s: [0.0; 3],
                pulse_share: 1.0,
                clock: Clock { drift: 0.0, phase_s: 0.0 },
            };
            let timing = drive.timing();
            let per_second = 1.0 / timing.top_pulse_s();
            let ramps = Ramps::new(&drive, per_second);
            for i in 0..=40 {
                let level = f64::from(i) / 40.0;
                let on_s = level * timing.top_pulse_s();
                for k in 0..200 {
                    let age_s = f64::from(k) / 150.0 * timing.top_pulse_s();
                    let lit = |cut, tail| Lit { frames: 3, from: 0, to: 0, cut, tail };
                    let light = timing.pulse_light_s(on_s, age_s);
                    let expected = [
                        (lit([None, Some(age_s)], [None; 2]), 3.0 * on_s + light),
                        (lit([Some(age_s), None], [None; 2]), 3.0 * on_s - light),
                        (lit([None; 2], [Some(age_s), None]), 3.0 * on_s + (on_s - light)),
                        (lit([None; 2], [None, Some(age_s)]), 3.0 * on_s - (on_s - light)),
                    ];
                    for (lit, expected_s) in expected {
                        let mut out = [0.0];
                        ramps.fill((&lit, per_second), 1.0, &[level as f32], &mut out);
                        let off = f64::from(out[0]) - expected_s * per_second;
                        assert!(off.abs() < 1e-6, "{rise_s} {fall_s}, {level}, {age_s}: {off}");
                    }
                }
            }
        }
    }
}
