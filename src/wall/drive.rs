//! The drive: how a level becomes light over time.

/// How light is spread over a refresh.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriveKind {
    /// Constant light.
    Steady,
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
#[derive(Debug, Clone, Copy, PartialEq)]
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
    /// The clocks.
    pub clock: Clock,
}
