//! What a driver can do with its clock: refresh rate, grey levels, bits, duty.
//!
//! A video frame is `sub_periods` sub-periods; each visits all `scan` lines in turn; each visit
//! lasts `grey_clocks` cycles of pulse and `switch_clocks` cycles of line switching. Definitions as
//! in public application literature of LED-driver circuits. All rates in Hz and above 0.

/// Refreshes per second: frames per second times sub-periods.
pub fn refresh_hz(fps: f64, sub_periods: u32) -> f64 {
    fps * f64::from(sub_periods)
}

/// Share of the clock that a timing uses: fps·n_sub·scan·(grey + switch)/clock; above 1 it does not fit.
pub fn clock_use(
    clock_hz: f64,
    fps: f64,
    sub_periods: u32,
    scan: u32,
    grey_clocks: u32,
    switch_clocks: u32,
) -> f64 {
    let visit = f64::from(grey_clocks) + f64::from(switch_clocks);
    refresh_hz(fps, sub_periods) * f64::from(scan) * visit / clock_hz
}

/// Levels above black that the clocks of a frame give: n_sub·grey clocks.
pub fn grey_levels(sub_periods: u32, grey_clocks: u32) -> u64 {
    u64::from(sub_periods) * u64::from(grey_clocks)
}

/// Whole clocks a line gets in one video frame without dead time: ⌊clock/(fps·scan)⌋.
pub fn clocks_per_line(clock_hz: f64, fps: f64, scan: u32) -> f64 {
    (clock_hz / (fps * f64::from(scan))).floor()
}

/// Bits available without dead time: log₂ of the clocks that a line gets in one video frame.
pub fn bits_available(clock_hz: f64, fps: f64, scan: u32) -> f64 {
    libm::log2(clock_hz / (fps * f64::from(scan)))
}

/// Refresh rate when each line counts through all 2^bits clocks at once: clock/(2^bits·scan).
pub fn unsplit_refresh_hz(clock_hz: f64, bits: u32, scan: u32) -> f64 {
    clock_hz / (libm::ldexp(1.0, whole(bits)) * f64::from(scan))
}

/// Clock needed for an unsplit refresh rate: refresh·2^bits·scan.
pub fn unsplit_clock_hz(refresh_hz: f64, bits: u32, scan: u32) -> f64 {
    refresh_hz * libm::ldexp(1.0, whole(bits)) * f64::from(scan)
}

/// Clocks of one segment when 2^bits clocks are split into 2^split_bits segments: 2^(bits − split).
pub fn segment_clocks(bits: u32, split_bits: u32) -> f64 {
    libm::ldexp(1.0, whole(bits) - whole(split_bits))
}

/// Refresh rate when the clocks of a level are split into 2^split_bits segments.
pub fn split_refresh_hz(clock_hz: f64, bits: u32, split_bits: u32, scan: u32) -> f64 {
    clock_hz / (segment_clocks(bits, split_bits) * f64::from(scan))
}

/// Time until every level is complete: 2^bits·scan/clock, seconds.
pub fn all_levels_s(clock_hz: f64, bits: u32, scan: u32) -> f64 {
    1.0 / unsplit_refresh_hz(clock_hz, bits, scan)
}

/// Share of time a line is lit at full drive: grey/(scan·(grey + switch)); peak over mean luminance
/// is its inverse.
pub fn lit_duty(scan: u32, grey_clocks: u32, switch_clocks: u32) -> f64 {
    let grey = f64::from(grey_clocks);
    grey / (f64::from(scan) * (grey + f64::from(switch_clocks)))
}

/// On-time of a code of `clocks` clocks with a fixed error of the driver, seconds: clocks/clock +
/// error, and 0 (dark) when that is not above 0.
pub fn on_time_s(clocks: f64, clock_hz: f64, error_s: f64) -> f64 {
    (clocks / clock_hz + error_s).max(0.0)
}

/// Lowest frequency in the light of a level whose `clocks` are spread as evenly as possible over
/// `refreshes` in a video frame, Hz: gcd(clocks, refreshes)·fps; 0 when nothing is lit.
///
/// A dark level lights only some refreshes, so it flickers far below the refresh rate; an exposure is
/// free of bands when it is a whole number of periods of *this* frequency.
pub fn lowest_frequency_hz(clocks: u64, refreshes: u64, fps: f64) -> f64 {
    if clocks == 0 {
        return 0.0;
    }
    let (mut a, mut b) = (clocks, refreshes);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    fps * a as f64
}

/// An exponent that `ldexp` takes.
fn whole(bits: u32) -> i32 {
    i32::try_from(bits).unwrap_or(i32::MAX / 2)
}
