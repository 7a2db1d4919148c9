//! The drive: how a level becomes light over time.
//!
//! One idea serves every drive: the *cumulative on-time* F(t) of an emitter, exact, so that the
//! light of an exposure is F(t₁) − F(t₀) without time steps. [`Timing::edge`] reduces a moment to
//! whole pulses plus at most one pulse that the moment cuts, and [`Timing::on_time_s`] turns two
//! such edges into seconds of full light.

use super::Waveform;
use std::sync::Arc;

/// How light is spread over a refresh.
#[derive(Debug, Clone, PartialEq)]
pub enum DriveKind {
    /// Constant light.
    Steady,
    /// Constant light at the long-run mean of a split drive of so many bits (its grey steps kept).
    HeldMean {
        /// Bits of grey of the split drive.
        bits: u32,
    },
    /// One pulse a refresh, every row at once.
    Pwm,
    /// One pulse a refresh, rows in turn.
    Scanned,
    /// A frame's grey clocks spread over its refreshes.
    Split {
        /// Bits of grey: total = ⌊level·(2^bits − 1) + ½⌋ clocks a video frame.
        bits: u32,
        /// In which refreshes the remainder lands.
        order: SplitOrder,
    },
    /// As measured: light is level times this, whatever the level. It starts with the wall's clock, runs on across video
    /// frames, and is late by its turn in rows that take turns. Dark times, rise and fall are in it.
    Waveform(Arc<Waveform>),
}

/// In which refreshes the remainder of a split level lands (rem of M).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SplitOrder {
    /// Refresh m gets one more when ⌊(m+1)·rem/M⌋ > ⌊m·rem/M⌋.
    Even,
    /// Refresh m gets one more when the bits of m reversed are < rem; M a power of two.
    BitReversed,
}

/// The wall's clock against the camera's: wall time = camera time · (1 + drift) + phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Relative drift (0 when genlocked).
    pub drift: f64,
    /// Seconds.
    pub phase_s: f64,
}

/// The drive of a wall.
///
/// A video frame lasts 1/`video_hz`. It holds `refreshes()` refreshes and then `dark_frame_s` of
/// darkness. A refresh holds `scan` slots and then `dark_refresh_s` of darkness. A slot ends with
/// `dark_slot_s` of darkness. Pulses start at the start of their slot. Wall row y lights in slot
/// (y mod panel rows) mod scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// How light is spread over a refresh.
    pub kind: DriveKind,
    /// Refreshes per second (a whole number per video frame).
    pub refresh_hz: f64,
    /// Video frames per second on the wall.
    pub video_hz: f64,
    /// Slots a refresh (1 when not scanned).
    pub scan: u32,
    /// Dark time at the end of each slot, seconds.
    pub dark_slot_s: f64,
    /// Dark time at the end of each refresh, seconds.
    pub dark_refresh_s: f64,
    /// Dark time at the end of each video frame, seconds.
    pub dark_frame_s: f64,
    /// Linear rise from dark to full, seconds.
    pub rise_s: f64,
    /// Linear fall from full to dark, seconds.
    pub fall_s: f64,
    /// Delay of each colour's pulses, seconds.
    pub delay_s: [f64; 3],
    /// Share of a full pulse that level 1 has, above 0 to 1: below 1 where the wall dims by shorter
    /// pulses. Light is counted in that of level 1, whatever this share.
    pub pulse_share: f64,
    /// The clocks.
    pub clock: Clock,
}

impl Drive {
    /// True when the light does not change over time.
    pub fn is_steady(&self) -> bool {
        matches!(self.kind, DriveKind::Steady | DriveKind::HeldMean { .. })
    }

    /// Refreshes in a video frame: `refresh_hz`/`video_hz`, to the nearest whole number, at least 1.
    pub fn refreshes(&self) -> u32 {
        (self.refresh_hz / self.video_hz).round().max(1.0) as u32
    }

    /// The same wall, its light held at the long-run mean.
    pub fn held_steady(&self) -> Self {
        let kind = match self.kind {
            DriveKind::Split { bits, .. } | DriveKind::HeldMean { bits } => {
                DriveKind::HeldMean { bits }
            }
            _ => DriveKind::Steady,
        };
        Self { kind, ..self.clone() }
    }

    /// Long-run mean light of a level (0 to 1), as a share of the light of level 1.
    pub fn mean_level(&self, level: f64) -> f64 {
        match self.kind {
            DriveKind::Split { bits, .. } | DriveKind::HeldMean { bits } => {
                let top = f64::from((1_u32 << bits) - 1) * self.pulse_share;
                f64::from(grey_clocks(level * self.pulse_share, bits)) / top
            }
            _ => level,
        }
    }

    /// Everything derived about the drive's clockwork.
    pub fn timing(&self) -> Timing {
        if let DriveKind::Waveform(wave) = &self.kind {
            let (period_s, refresh_s) = (wave.period_s(), 1.0 / self.refresh_hz);
            return Timing {
                drive: self.clone(),
                frame_s: period_s,
                refreshes: 1,
                refresh_s,
                slot_s: refresh_s / f64::from(self.scan),
                pulse_s: period_s,
                clock_s: 0.0,
                top_s: period_s,
            };
        }
        let whole = (self.refresh_hz / self.video_hz - f64::from(self.refreshes())).abs() < 1e-9;
        let split = matches!(self.kind, DriveKind::Split { .. });
        let (frame_s, refreshes) = if split || whole || self.dark_frame_s > 0.0 {
            (1.0 / self.video_hz, self.refreshes())
        } else {
            (1.0 / self.refresh_hz, 1)
        };
        let refresh_s = (frame_s - self.dark_frame_s) / f64::from(refreshes);
        let slot_s = (refresh_s - self.dark_refresh_s) / f64::from(self.scan);
        let pulse_s = slot_s - self.dark_slot_s;
        let (clock_s, top_s) = match self.kind {
            DriveKind::Split { bits, .. } => {
                let top = (1_u32 << bits) - 1;
                let clock_s = pulse_s / f64::from(top.div_ceil(refreshes));
                (clock_s, clock_s * f64::from(top) * self.pulse_share)
            }
            _ => (0.0, pulse_s * self.pulse_share * f64::from(refreshes)),
        };
        Timing {
            drive: self.clone(),
            frame_s,
            refreshes,
            refresh_s,
            slot_s,
            pulse_s,
            clock_s,
            top_s,
        }
    }
}

/// Grey clocks a video frame of a level: ⌊level·(2^bits − 1) + ½⌋.
pub fn grey_clocks(level: f64, bits: u32) -> u32 {
    (level * f64::from((1_u32 << bits) - 1) + 0.5).floor() as u32
}

/// The clockwork of a drive, derived once. Times in seconds of wall time.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// The drive itself.
    pub drive: Drive,
    /// Period after which the pattern of pulses repeats: a video frame, or one refresh where the
    /// refresh rate is not a whole number of times the video rate; of a measured waveform its own.
    pub frame_s: f64,
    /// Refreshes in `frame_s`.
    pub refreshes: u32,
    /// A refresh, its dark time included.
    pub refresh_s: f64,
    /// A slot, its dark time included.
    pub slot_s: f64,
    /// The longest pulse that a slot has room for.
    pub pulse_s: f64,
    /// One grey clock of a split drive, else 0.
    pub clock_s: f64,
    /// On-time of the top level in `frame_s`.
    pub top_s: f64,
}

/// A moment seen from one emitter: pulses complete before it, and the pulse it cuts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Whole repeats of the pattern before the moment.
    pub frames: i64,
    /// Complete pulses of this repeat, 0 to `refreshes`.
    pub pulses: u32,
    /// Age of the pulse under way (number `pulses`), seconds, if it is cut.
    pub cut_s: Option<f64>,
    /// Age of the pulse before that, if its fall is not yet over.
    pub tail_s: Option<f64>,
}

impl Timing {
    /// Share of time that the top level is lit.
    pub fn top_duty(&self) -> f64 {
        if self.drive.is_steady() { 1.0 } else { self.top_s / self.frame_s }
    }

    /// Length of the pulse of level 1 of a drive whose pulses are all alike, seconds.
    pub fn top_pulse_s(&self) -> f64 {
        self.pulse_s * self.drive.pulse_share
    }

    /// The slot in which a wall row lights.
    pub fn slot_of_row(&self, row: u32, panel_rows: u32) -> u32 {
        (row % panel_rows) % self.drive.scan
    }

    /// Wall time of a camera time.
    pub fn wall_time_s(&self, camera_s: f64) -> f64 {
        camera_s * (1.0 + self.drive.clock.drift) + self.drive.clock.phase_s
    }

    /// Time from a pulse's start to the end of its fall, for the longest pulse.
    fn longest_s(&self) -> f64 {
        let ramps = self.drive.rise_s + self.drive.fall_s;
        if ramps == 0.0 { self.pulse_s } else { self.pulse_s.max(ramps / 2.0) + ramps / 2.0 }
    }

    /// What an emitter of a slot and colour has behind it at a wall time.
    pub fn edge(&self, wall_s: f64, slot: u32, colour: usize) -> Edge {
        let t = wall_s - f64::from(slot) * self.slot_s - self.drive.delay_s[colour];
        let mut frames = (t / self.frame_s).floor();
        let mut rest = t - frames * self.frame_s;
        // One rounding step below a boundary is the boundary.
        let grain = 1e-12 * self.refresh_s;
        if rest >= self.frame_s - grain {
            frames += 1.0;
            rest = 0.0;
        }
        if matches!(self.drive.kind, DriveKind::Waveform(_)) {
            let cut_s = (rest > 0.0).then_some(rest.max(0.0));
            return Edge { frames: frames as i64, pulses: 0, cut_s, tail_s: None };
        }
        let mut pulses = (rest / self.refresh_s + 1e-12).floor().min(f64::from(self.refreshes));
        let mut age = (rest - pulses * self.refresh_s).max(0.0);
        if pulses >= f64::from(self.refreshes) {
            // In the dark at the frame's end: the last pulse is the youngest.
            pulses = f64::from(self.refreshes - 1);
            age = rest - pulses * self.refresh_s;
        }
        let longest = self.longest_s();
        let before = if pulses > 0.0 {
            self.refresh_s
        } else {
            self.frame_s - f64::from(self.refreshes - 1) * self.refresh_s
        };
        let tail_s = (age + before < longest).then_some(age + before);
        let mut edge = Edge { frames: frames as i64, pulses: pulses as u32, cut_s: None, tail_s };
        if age >= longest - grain {
            edge.pulses += 1;
            edge.tail_s = None;
        } else if age > grain {
            edge.cut_s = Some(age);
        }
        if edge.pulses == self.refreshes && edge.cut_s.is_none() && edge.tail_s.is_none() {
            edge.pulses = 0;
            edge.frames += 1;
        }
        edge
    }

    /// Length of pulse number `m` of a repeat, seconds, for a level.
    pub fn pulse_length_s(&self, level: f64, m: u32) -> f64 {
        match self.drive.kind {
            DriveKind::Split { bits, order } => {
                let total = grey_clocks(level * self.drive.pulse_share, bits);
                let more = extra_before(order, self.refreshes, total % self.refreshes, m + 1)
                    - extra_before(order, self.refreshes, total % self.refreshes, m);
                self.clock_s * f64::from(total / self.refreshes + more)
            }
            _ => level * self.top_pulse_s(),
        }
    }

    /// Sum of the lengths of the first `m` pulses of a repeat, seconds.
    fn first_pulses_s(&self, level: f64, m: u32) -> f64 {
        match self.drive.kind {
            DriveKind::Split { bits, order } => {
                let total = grey_clocks(level * self.drive.pulse_share, bits);
                let more = extra_before(order, self.refreshes, total % self.refreshes, m);
                self.clock_s * (f64::from(total / self.refreshes) * f64::from(m) + f64::from(more))
            }
            _ => level * self.top_pulse_s() * f64::from(m),
        }
    }

    /// Light of one pulse of length `on_s` up to an age, seconds of full light.
    ///
    /// Rise and fall are straight and conserve charge: the pulse rises with slope 1/rise, stays,
    /// and falls with slope 1/fall, its area being `on_s`; a pulse shorter than half of rise plus
    /// fall is a triangle of the same slopes.
    pub fn pulse_light_s(&self, on_s: f64, age_s: f64) -> f64 {
        let (rise, fall) = (self.drive.rise_s, self.drive.fall_s);
        if age_s <= 0.0 || on_s <= 0.0 {
            return 0.0;
        }
        if rise + fall == 0.0 {
            return age_s.min(on_s);
        }
        let height = (2.0 * on_s / (rise + fall)).sqrt().min(1.0);
        let rise_end = height * rise;
        let fall_start = if height < 1.0 { rise_end } else { on_s + rise / 2.0 - fall / 2.0 };
        let fall_end = fall_start + height * fall;
        if age_s >= fall_end {
            on_s
        } else if age_s < rise_end {
            age_s * age_s / (2.0 * rise)
        } else if age_s < fall_start {
            rise_end * height / 2.0 + (age_s - rise_end) * height
        } else {
            let left = fall_end - age_s;
            on_s - left * left / (2.0 * fall)
        }
    }

    /// Seconds of full light of a level from the start of repeat 0 to an edge.
    fn cumulative_s(&self, level: f64, edge: &Edge) -> f64 {
        if let DriveKind::Waveform(wave) = &self.drive.kind {
            let whole_s = edge.frames as f64 * wave.period_s();
            return level * (whole_s + edge.cut_s.map_or(0.0, |age| wave.integral_s(age)));
        }
        let mut sum = edge.frames as f64 * self.first_pulses_s(level, self.refreshes)
            + self.first_pulses_s(level, edge.pulses);
        if let Some(age) = edge.cut_s {
            sum += self.pulse_light_s(self.pulse_length_s(level, edge.pulses), age);
        }
        if let Some(age) = edge.tail_s {
            let m = if edge.pulses > 0 { edge.pulses - 1 } else { self.refreshes - 1 };
            let on_s = self.pulse_length_s(level, m);
            sum -= on_s - self.pulse_light_s(on_s, age);
        }
        sum
    }

    /// Seconds of full light of a level between two edges, exact.
    pub fn on_time_s(&self, level: f64, from: &Edge, to: &Edge) -> f64 {
        let frames = Edge { frames: 0, ..*from };
        let to = Edge { frames: to.frames - from.frames, ..*to };
        self.cumulative_s(level, &to) - self.cumulative_s(level, &frames)
    }

    /// Light of an exposure as a share of the light of the steady top level: the on-time over
    /// `exposure_s` and the top level's duty.
    pub fn light(
        &self,
        level: f64,
        start_s: f64,
        exposure_s: f64,
        slot: u32,
        colour: usize,
    ) -> f64 {
        if self.drive.is_steady() {
            return self.drive.mean_level(level);
        }
        let from = self.edge(self.wall_time_s(start_s), slot, colour);
        let to = self.edge(self.wall_time_s(start_s + exposure_s), slot, colour);
        let wall_s = exposure_s * (1.0 + self.drive.clock.drift);
        self.on_time_s(level, &from, &to) / (wall_s * self.top_duty())
    }
}

/// How many of the refreshes before `m` get one clock more, of a remainder `rem` over `refreshes`.
pub fn extra_before(order: SplitOrder, refreshes: u32, rem: u32, m: u32) -> u32 {
    match order {
        SplitOrder::Even => (u64::from(m) * u64::from(rem) / u64::from(refreshes.max(1))) as u32,
        SplitOrder::BitReversed => bit_reversed_below(refreshes, rem, m),
    }
}

/// How many of the numbers below `m` are below `rem` when their bits are reversed, within the width of `n`, a power of two.
///
/// The numbers below `m` are those that share the leading bits of `m` down to one of its ones, have a zero there, and
/// anything behind it: reversed, the lower bits are given and the upper ones run through all values.
fn bit_reversed_below(n: u32, rem: u32, m: u32) -> u32 {
    let bits = n.trailing_zeros();
    if m >= n {
        return rem.min(n);
    }
    (0..bits)
        .filter(|free| m >> free & 1 == 1)
        .map(|free| {
            let lower = bit_reversed(m >> free << free ^ 1 << free, n);
            rem.saturating_sub(lower).div_ceil(1 << (bits - free)).min(1 << free)
        })
        .sum()
}

/// The bits of `m` reversed within the width of `refreshes`, a power of two.
fn bit_reversed(m: u32, refreshes: u32) -> u32 {
    let bits = refreshes.trailing_zeros();
    if bits == 0 { 0 } else { m.reverse_bits() >> (32 - bits) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bit_reversed_portions_are_those_that_counting_finds() {
        for n in [1, 2, 4, 8, 64] {
            for rem in 0..n {
                let mut counted = 0;
                for m in 0..=n {
                    let found = extra_before(SplitOrder::BitReversed, n, rem, m);
                    assert_eq!(found, counted, "{rem} of {n}, before {m}");
                    counted += u32::from(m < n && bit_reversed(m, n) < rem);
                }
                assert_eq!(counted, rem);
            }
        }
    }
}
