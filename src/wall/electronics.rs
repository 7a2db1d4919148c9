//! What the electronics of a wall can hold, from their clocks and data lines, and what its sheet claims.
//!
//! In a video frame every row gets `sub_periods` turns, rows one after the other; a turn is
//! `grey_clocks` cycles of light and `switch_clocks` of darkness (see [`super::arithmetic`]).

use super::arithmetic;

/// The papers of a wall, as far as they speak of its drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    /// Refreshes a second that it claims, Hz; those that are rendered where it claims none.
    pub refresh_hz: f64,
    /// Video rate at which it claims them, Hz.
    pub video_hz: f64,
    /// Bits of grey that it claims.
    pub bits: u32,
    /// The drivers' clocks.
    pub clocks: Option<Clocks>,
    /// Error of a pulse's lit time, seconds.
    pub on_time_error_s: f64,
    /// The data lines.
    pub data: Option<DataLine>,
}

/// The drivers' clocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clocks {
    /// Grey clock, Hz, above 0.
    pub clock_hz: f64,
    /// Turns of a row in a video frame that are asked for, at least 1.
    pub sub_periods: u32,
    /// Grey clocks of a turn, at least 1.
    pub grey_clocks: u32,
    /// Clocks of darkness after each turn.
    pub switch_clocks: u32,
}

/// A data line: values of one colour, one after the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DataLine {
    /// Pixels that it serves, at least 1.
    pub pixels: u32,
    /// Bits a second, above 0.
    pub rate_hz: f64,
    /// Values are sent every refresh, not only every video frame.
    pub each_refresh: bool,
}

impl Clocks {
    /// Clocks of a turn, its darkness included.
    fn turn_clocks(&self) -> f64 {
        f64::from(self.grey_clocks) + f64::from(self.switch_clocks)
    }

    /// Length of a turn, seconds.
    pub fn turn_s(&self) -> f64 {
        self.turn_clocks() / self.clock_hz
    }

    /// Darkness after a turn, seconds.
    pub fn switch_s(&self) -> f64 {
        f64::from(self.switch_clocks) / self.clock_hz
    }

    /// Turns a second of each of `scan` rows when turns follow one another without pause, Hz.
    pub fn refresh_limit_hz(&self, scan: u32) -> f64 {
        self.clock_hz / (f64::from(scan) * self.turn_clocks())
    }

    /// Whole rounds of turns that fit a video frame.
    pub fn sub_periods_that_fit(&self, video_hz: f64, scan: u32) -> u32 {
        // A hair more, so that an exact fit is one.
        (self.refresh_limit_hz(scan) / video_hz * (1.0 + 1e-9)).floor().min(f64::from(u32::MAX))
            as u32
    }

    /// Share of the clock in use; above 1 it does not fit.
    pub fn clock_use(&self, video_hz: f64, scan: u32) -> f64 {
        arithmetic::clock_use(
            self.clock_hz,
            video_hz,
            self.sub_periods,
            scan,
            self.grey_clocks,
            self.switch_clocks,
        )
    }

    /// Clock that `refresh_hz` of these turns needs, Hz.
    pub fn clock_needed_hz(&self, refresh_hz: f64, scan: u32) -> f64 {
        refresh_hz * f64::from(scan) * self.turn_clocks()
    }

    /// Clocks of light that a turn can have at most when all asked-for turns are to fit; below 1
    /// when not even the darkness fits.
    pub fn most_grey_clocks(&self, video_hz: f64, scan: u32) -> f64 {
        let turns = video_hz * f64::from(scan) * f64::from(self.sub_periods);
        (self.clock_hz / turns * (1.0 + 1e-9)).floor() - f64::from(self.switch_clocks)
    }

    /// Grey levels above black of a video frame of `sub_periods` turns.
    pub fn levels(&self) -> u64 {
        arithmetic::grey_levels(self.sub_periods, self.grey_clocks)
    }

    /// Time until every level is complete, turns following one another without pause, seconds.
    pub fn all_levels_s(&self, scan: u32) -> f64 {
        f64::from(self.sub_periods) * f64::from(scan) * self.turn_s()
    }
}

/// Whole bits that so many levels above black hold: 2^bits − 1 of them are needed.
pub fn whole_bits(levels: f64) -> u32 {
    (libm::log2(levels.max(0.0) + 1.0) + 1e-9).floor().max(0.0) as u32
}

impl DataLine {
    /// Times a second that all values are sent, Hz.
    fn sendings_hz(&self, video_hz: f64, refresh_hz: f64) -> f64 {
        if self.each_refresh { refresh_hz } else { video_hz }
    }

    /// Share of the line in use at so many bits a value; above 1 it does not fit.
    pub fn line_use(&self, bits: u32, video_hz: f64, refresh_hz: f64) -> f64 {
        let values_hz = f64::from(self.pixels) * self.sendings_hz(video_hz, refresh_hz);
        values_hz * f64::from(bits) / self.rate_hz
    }

    /// Times a second that values of so many bits can be sent at most, Hz: video frames, or
    /// refreshes where they are sent with each.
    pub fn most_sendings_hz(&self, bits: u32) -> f64 {
        self.rate_hz / (f64::from(self.pixels) * f64::from(bits))
    }

    /// Whole bits a value that can be sent.
    pub fn most_bits(&self, video_hz: f64, refresh_hz: f64) -> u32 {
        let values_hz = f64::from(self.pixels) * self.sendings_hz(video_hz, refresh_hz);
        (self.rate_hz / values_hz * (1.0 + 1e-9)).floor().min(1e6) as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_whole_only_when_the_last_level_is_there() {
        for (levels, bits) in
            [(0.0, 0), (1.0, 1), (2.0, 1), (3.0, 2), (16_383.0, 14), (16_382.0, 13), (38_400.0, 15)]
        {
            assert_eq!(whole_bits(levels), bits, "{levels}");
        }
    }

    #[test]
    fn a_data_line_that_is_just_full_fits() {
        // 512 pixels of 16 bits at 60 Hz: 491 520 bits a second.
        let line = DataLine { pixels: 512, rate_hz: 491_520.0, each_refresh: false };
        assert_eq!(line.most_bits(60.0, 3840.0), 16);
        assert!((line.line_use(16, 60.0, 3840.0) - 1.0).abs() < 1e-12);
        assert!((line.most_sendings_hz(16) - 60.0).abs() < 1e-9);
        // Sent with each of 64 refreshes a quarter of a bit is left.
        let each = DataLine { each_refresh: true, ..line };
        assert_eq!(each.most_bits(60.0, 3840.0), 0);
        assert!((each.line_use(16, 60.0, 3840.0) - 64.0).abs() < 1e-9);
    }

    #[test]
    fn turns_fit_up_to_the_last_clock() {
        // 80 MHz, 60 Hz, 1/32 scan, 600 + 50 clocks: 64.1 turns.
        let clocks =
            Clocks { clock_hz: 80e6, sub_periods: 64, grey_clocks: 600, switch_clocks: 50 };
        assert_eq!(clocks.sub_periods_that_fit(60.0, 32), 64);
        // 651.04 clocks a turn are there.
        assert_eq!(clocks.most_grey_clocks(60.0, 32), 601.0);
        let exact = Clocks { clock_hz: 64.0 * 60.0 * 32.0 * 650.0, ..clocks };
        assert_eq!(exact.sub_periods_that_fit(60.0, 32), 64);
        assert_eq!(exact.most_grey_clocks(60.0, 32), 600.0);
    }
}
