//! When an emitter is lit: an explicit list of its pulses, written down from the definition of the
//! drive, and their area inside an exposure. No closed form over many pulses is used anywhere.

use crate::wall::Waveform;
use crate::wall::drive::{Drive, DriveKind, SplitOrder};

/// One pulse of light: a trapezoid, or a triangle where it is too short to reach full light.
///
/// Corners in wall time: dark until `start_s`, rising to `height` at `start_s + rise_s`, level until
/// `start_s + fall_at_s`, dark again from `start_s + end_s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulse {
    /// Wall time of the first light, seconds.
    pub start_s: f64,
    /// Highest light, 1 for fully lit.
    pub height: f64,
    /// Time from the start to the highest light, seconds.
    pub rise_s: f64,
    /// Time from the start to the beginning of the fall, seconds.
    pub fall_at_s: f64,
    /// Time from the start to darkness, seconds.
    pub end_s: f64,
}

impl Pulse {
    /// The pulse that starts at `start_s` and carries the light of `on_s` seconds of full light,
    /// with straight flanks that would take `rise_s` and `fall_s` between dark and full.
    ///
    /// The flanks keep the charge: the area is `on_s` whatever their length. `None` for no light.
    pub fn new(start_s: f64, on_s: f64, rise_s: f64, fall_s: f64) -> Option<Self> {
        if on_s <= 0.0 || on_s.is_nan() {
            return None;
        }
        let flanks_s = rise_s + fall_s;
        if on_s >= 0.5 * flanks_s {
            let fall_at_s = on_s + 0.5 * rise_s - 0.5 * fall_s;
            return Some(Self {
                start_s,
                height: 1.0,
                rise_s,
                fall_at_s,
                end_s: fall_at_s + fall_s,
            });
        }
        // Too short to reach full light: area of the triangle = height² · (rise + fall) / 2.
        let height = (2.0 * on_s / flanks_s).sqrt();
        Some(Self {
            start_s,
            height,
            rise_s: height * rise_s,
            fall_at_s: height * rise_s,
            end_s: height * flanks_s,
        })
    }

    /// Light between two moments of wall time, in seconds of full light.
    pub fn area_s(&self, from_s: f64, to_s: f64) -> f64 {
        // Relative to the start, so that steep flanks late in a take lose no digits.
        let (from, to) = (from_s - self.start_s, to_s - self.start_s);
        let h = self.height;
        segment(0.0, 0.0, self.rise_s, h, from, to)
            + segment(self.rise_s, h, self.fall_at_s, h, from, to)
            + segment(self.fall_at_s, h, self.end_s, 0.0, from, to)
    }
}

/// Area under the straight line from (t0, v0) to (t1, v1) inside [from, to].
fn segment(t0: f64, v0: f64, t1: f64, v1: f64, from: f64, to: f64) -> f64 {
    let (a, b) = (t0.max(from), t1.min(to));
    if a >= b {
        return 0.0;
    }
    let value = |t: f64| v0 + (v1 - v0) * ((t - t0) / (t1 - t0));
    0.5 * (value(a) + value(b)) * (b - a)
}

/// The lengths that a drive is made of, from its definition.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Lengths {
    /// Refreshes a video frame; `None` where refreshes simply follow one another.
    refreshes: Option<u32>,
    /// Video frame, seconds.
    frame_s: f64,
    /// Refresh with its dark time, seconds.
    refresh_s: f64,
    /// Slot with its dark time, seconds.
    slot_s: f64,
    /// Longest pulse, seconds.
    longest_s: f64,
    /// One grey clock of a split drive, seconds.
    clock_s: f64,
}

impl Lengths {
    fn of(drive: &Drive) -> Self {
        let split = matches!(drive.kind, DriveKind::Split { .. });
        let framed = split || drive.dark_frame_s > 0.0;
        let frame_s = 1.0 / drive.video_hz;
        let refreshes =
            framed.then(|| (drive.refresh_hz / drive.video_hz).round().clamp(1.0, 1e6) as u32);
        let refresh_s = match refreshes {
            Some(m) => (frame_s - drive.dark_frame_s) / f64::from(m),
            None => 1.0 / drive.refresh_hz,
        };
        let slot_s = (refresh_s - drive.dark_refresh_s) / f64::from(drive.scan.max(1));
        let longest_s = slot_s - drive.dark_slot_s;
        let clock_s = match (&drive.kind, refreshes) {
            (DriveKind::Split { bits, .. }, Some(m)) => {
                longest_s / top_clocks(*bits).div_ceil(u64::from(m)) as f64
            }
            _ => 0.0,
        };
        Self { refreshes, frame_s, refresh_s, slot_s, longest_s, clock_s }
    }
}

/// Grey clocks a video frame at top code.
fn top_clocks(bits: u32) -> u64 {
    (1_u64 << bits.min(40)) - 1
}

/// Light of a drive that does not change over time, from 0 to 1; `None` for a drive with pulses.
fn held(drive: &Drive, level: f64) -> Option<f64> {
    match drive.kind {
        DriveKind::Steady => Some(level),
        DriveKind::HeldMean { bits } => {
            let top = top_clocks(bits) as f64;
            Some((level * drive.pulse_share * top + 0.5).floor() / (top * drive.pulse_share))
        }
        _ => None,
    }
}

/// Long-run mean light of top code, as a share of light that never goes out: on-time over period.
///
/// A wall that dims by shorter pulses is that much less lit.
pub fn top_duty(drive: &Drive) -> f64 {
    let l = Lengths::of(drive);
    let full = match drive.kind {
        DriveKind::Steady | DriveKind::HeldMean { .. } | DriveKind::Waveform(_) => return 1.0,
        DriveKind::Pwm | DriveKind::Scanned => match l.refreshes {
            Some(m) => f64::from(m) * l.longest_s / l.frame_s,
            None => l.longest_s / l.refresh_s,
        },
        DriveKind::Split { bits, .. } => top_clocks(bits) as f64 * l.clock_s / l.frame_s,
    };
    full * drive.pulse_share
}

/// Every pulse of one emitter that can give light between two moments of wall time.
///
/// `level` is from 0 to 1, `colour` 0 to 2, `slot` the slot its row lights in (from 0). A steady
/// light and a measured waveform have no pulses: the list is empty.
pub fn pulses(
    drive: &Drive,
    level: f64,
    colour: usize,
    slot: u32,
    from_s: f64,
    to_s: f64,
) -> Vec<Pulse> {
    let mut list = Vec::new();
    let lit = level > 0.0 && to_s > from_s;
    if held(drive, level).is_some() || matches!(drive.kind, DriveKind::Waveform(_)) || !lit {
        return list;
    }
    let l = Lengths::of(drive);
    let level = level * drive.pulse_share;
    let offset_s = f64::from(slot) * l.slot_s + drive.delay_s[colour];
    // A pulse lives at most this long after the start of its refresh, and not before this long.
    let tail_s = offset_s.abs() + l.longest_s + drive.rise_s + drive.fall_s;
    let mut add = |refresh_start_s: f64, on_s: f64| {
        if let Some(p) = Pulse::new(refresh_start_s + offset_s, on_s, drive.rise_s, drive.fall_s)
            && p.start_s < to_s
            && p.start_s + p.end_s > from_s
        {
            list.push(p);
        }
    };
    match l.refreshes {
        None => {
            let first = ((from_s - tail_s) / l.refresh_s).floor() as i64 - 1;
            let last = ((to_s + tail_s) / l.refresh_s).ceil() as i64 + 1;
            for k in first..=last {
                add(k as f64 * l.refresh_s, level * l.longest_s);
            }
        }
        Some(m) => {
            let first = ((from_s - tail_s) / l.frame_s).floor() as i64 - 1;
            let last = ((to_s + tail_s) / l.frame_s).ceil() as i64 + 1;
            for frame in first..=last {
                for r in 0..m {
                    let on_s = match drive.kind {
                        DriveKind::Split { bits, order } => {
                            split_clocks(level, bits, order, r, m) as f64 * l.clock_s
                        }
                        _ => level * l.longest_s,
                    };
                    add(frame as f64 * l.frame_s + f64::from(r) * l.refresh_s, on_s);
                }
            }
        }
    }
    list
}

/// Grey clocks of refresh `r` of `m` in a split drive.
fn split_clocks(level: f64, bits: u32, order: SplitOrder, r: u32, m: u32) -> u64 {
    let total = (level * top_clocks(bits) as f64 + 0.5).floor() as u64;
    let (r, m) = (u64::from(r), u64::from(m));
    let (each, rest) = (total / m, total % m);
    let extra = match order {
        SplitOrder::Even => (r + 1) * rest / m > r * rest / m,
        SplitOrder::BitReversed => {
            // m is a power of two; its logarithm is the number of bits that are reversed.
            let width = m.trailing_zeros();
            let mut mirrored = 0;
            for bit in 0..width {
                mirrored |= (r >> bit & 1) << (width - 1 - bit);
            }
            mirrored < rest
        }
    };
    each + u64::from(extra)
}

/// Area under a repeated waveform between two moments, line by line, seconds of its mean light.
fn under_lines_s(wave: &Waveform, from_s: f64, to_s: f64) -> f64 {
    let period_s = wave.period_s();
    let (first, last) = ((from_s / period_s).floor() as i64, (to_s / period_s).ceil() as i64);
    let mut sum = 0.0;
    for repeat in first..=last {
        let start_s = repeat as f64 * period_s;
        let (from, to) = (from_s - start_s, to_s - start_s);
        for line in wave.points().windows(2) {
            let [[t0, v0], [t1, v1]] = [line[0], line[1]];
            sum += segment(t0, v0, t1, v1, from, to);
        }
    }
    sum
}

/// [`lit_s`] of a picture that the wall shows between two moments (`shown`, wall time): steady and measured light while it
/// is shown, and the whole of all pulses whose refresh starts in that time.
pub fn lit_while_s(
    drive: &Drive,
    level: f64,
    (colour, slot): (usize, u32),
    (from_s, to_s): (f64, f64),
    (first_s, end_s): (f64, f64),
) -> f64 {
    if held(drive, level).is_some() || matches!(drive.kind, DriveKind::Waveform(_)) {
        let (from_s, to_s) = (from_s.max(first_s), to_s.min(end_s));
        return if to_s > from_s { lit_s(drive, level, colour, slot, from_s, to_s) } else { 0.0 };
    }
    pulses_while(drive, level, (colour, slot), (from_s, to_s), (first_s, end_s))
        .iter()
        .map(|p| p.area_s(from_s, to_s))
        .sum()
}

/// The [`pulses`] whose refresh starts between two moments (`shown`, wall time).
pub fn pulses_while(
    drive: &Drive,
    level: f64,
    (colour, slot): (usize, u32),
    (from_s, to_s): (f64, f64),
    (first_s, end_s): (f64, f64),
) -> Vec<Pulse> {
    let l = Lengths::of(drive);
    let offset_s = f64::from(slot) * l.slot_s + drive.delay_s[colour];
    // A refresh that starts with the picture shows it, whatever the rounding.
    let grain_s = 1e-6 * l.refresh_s;
    let mut list = pulses(drive, level, colour, slot, from_s, to_s);
    list.retain(|p| (first_s..end_s).contains(&(p.start_s - offset_s + grain_s)));
    list
}

/// Light of one emitter between two moments of wall time, in seconds of full light.
///
/// The sum over the list of [`pulses`]; overlapping pulses add. For a steady light, that light · time; for a measured
/// waveform the area under each of its lines.
pub fn lit_s(drive: &Drive, level: f64, colour: usize, slot: u32, from_s: f64, to_s: f64) -> f64 {
    if let DriveKind::Waveform(wave) = &drive.kind {
        let turn_s = 1.0 / drive.refresh_hz / f64::from(drive.scan.max(1));
        let late_s = f64::from(slot) * turn_s + drive.delay_s[colour];
        return level * under_lines_s(wave, from_s - late_s, to_s - late_s);
    }
    if let Some(light) = held(drive, level) {
        return light * (to_s - from_s);
    }
    pulses(drive, level, colour, slot, from_s, to_s).iter().map(|p| p.area_s(from_s, to_s)).sum()
}
