//! What the drive comes to, and what its electronics hold.

use crate::scene::Scene;
use crate::units::{frequency, number, percent, rate, time};
use crate::wall::arithmetic;
use crate::wall::drive::{DriveKind, grey_clocks};
use serde::Serialize;

/// The drive in numbers; `None` where a steady wall has no such number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DriveNumbers {
    /// Refresh that is rendered, Hz.
    pub refresh_hz: Option<f64>,
    /// Refreshes in a video frame; a whole number unless `refresh_lock` is `none`.
    pub refreshes_per_video_frame: Option<f64>,
    /// Refresh on the sheet, Hz; the rendered one where none is given.
    pub sheet_refresh_hz: Option<f64>,
    /// Video rate for which the sheet gives it, Hz.
    pub sheet_video_hz: f64,
    /// Grey levels above black of a split drive, as rendered: fewer where the wall dims by shorter
    /// pulses.
    pub grey_levels: Option<u32>,
    /// Share of a full pulse that full white has at this brightness.
    pub white_pulse_share: Option<f64>,
    /// The drivers' clocks, if given.
    pub clocks: Option<ClockNumbers>,
    /// The data lines, if given.
    pub data_line: Option<DataLineNumbers>,
}

/// What the drivers' clocks come to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClockNumbers {
    /// Grey clocks of light in a row's turn.
    pub clocks_per_turn: u32,
    /// Turns of each row in a video frame.
    pub turns_per_video_frame: u32,
    /// Highest refresh of such turns, one after the other without pause, Hz.
    pub refresh_limit_hz: f64,
    /// Whole turns that fit a video frame.
    pub turns_that_fit: u32,
    /// Refresh that they make, Hz.
    pub refresh_held_hz: f64,
    /// Share of the clock in use.
    pub clock_use_share: f64,
    /// Clock that the sheet's refresh, or else the rendered one, needs with such turns, Hz.
    pub clock_needed_hz: f64,
    /// Grey levels above black of a video frame.
    pub grey_levels: u64,
    /// The same in bits: their binary logarithm.
    pub grey_levels_bits: f64,
    /// Whole clocks that a row gets in a video frame without darkness between turns.
    pub clocks_per_row_and_frame: f64,
    /// Most bits of grey without darkness between turns.
    pub bits_limit: f64,
    /// Time until every level is complete, seconds.
    pub all_levels_s: f64,
    /// Share of the time that a row is lit at full white.
    pub lit_share: f64,
    /// Lit time of a pulse of one clock, with the drivers' error, seconds; dark when not above 0.
    pub shortest_pulse_s: f64,
    /// Pulses of up to so many clocks give no light.
    pub dark_clocks: u32,
}

/// What the data lines come to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DataLineNumbers {
    /// Share of the line in use.
    pub use_share: f64,
    /// Highest rate at which all values can be sent, Hz: video frames, or refreshes where they
    /// are sent with each.
    pub most_sendings_hz: f64,
    /// Most bits a value.
    pub most_bits: u32,
}

/// The numbers of a scene's drive.
pub(super) fn drive(scene: &Scene) -> DriveNumbers {
    let (drive, sheet) = (&scene.drive, &scene.sheet);
    let pulsed = !drive.is_steady();
    let levels = match drive.kind {
        DriveKind::Split { bits, .. } | DriveKind::HeldMean { bits } => {
            Some(grey_clocks(drive.pulse_share, bits))
        }
        _ => None,
    };
    DriveNumbers {
        refresh_hz: pulsed.then_some(drive.refresh_hz),
        refreshes_per_video_frame: pulsed.then_some(drive.refresh_hz / drive.video_hz),
        sheet_refresh_hz: pulsed.then_some(sheet.refresh_hz),
        sheet_video_hz: sheet.video_hz,
        grey_levels: levels,
        white_pulse_share: pulsed.then_some(drive.pulse_share),
        clocks: clocks(scene),
        data_line: sheet.data.map(|line| {
            let bits = match drive.kind {
                DriveKind::Split { bits, .. } | DriveKind::HeldMean { bits } => bits,
                _ => sheet.bits,
            };
            DataLineNumbers {
                use_share: line.line_use(bits, drive.video_hz, drive.refresh_hz),
                most_sendings_hz: line.most_sendings_hz(bits),
                most_bits: line.most_bits(drive.video_hz, drive.refresh_hz),
            }
        }),
    }
}

fn clocks(scene: &Scene) -> Option<ClockNumbers> {
    let (drive, sheet) = (&scene.drive, &scene.sheet);
    let c = sheet.clocks?;
    let (video_hz, scan) = (drive.video_hz, drive.scan);
    let fitting = c.sub_periods_that_fit(video_hz, scan);
    let held = fitting.min(c.sub_periods);
    let dark = -sheet.on_time_error_s * c.clock_hz;
    Some(ClockNumbers {
        clocks_per_turn: c.grey_clocks,
        turns_per_video_frame: c.sub_periods,
        refresh_limit_hz: c.refresh_limit_hz(scan),
        turns_that_fit: fitting,
        refresh_held_hz: arithmetic::refresh_hz(video_hz, held),
        clock_use_share: c.clock_use(video_hz, scan),
        clock_needed_hz: c.clock_needed_hz(sheet.refresh_hz, scan),
        grey_levels: c.levels(),
        grey_levels_bits: libm::log2(c.levels() as f64),
        clocks_per_row_and_frame: arithmetic::clocks_per_line(c.clock_hz, video_hz, scan),
        bits_limit: arithmetic::bits_available(c.clock_hz, video_hz, scan),
        all_levels_s: c.all_levels_s(scan),
        lit_share: arithmetic::lit_duty(scan, c.grey_clocks, c.switch_clocks),
        shortest_pulse_s: 1.0 / c.clock_hz + sheet.on_time_error_s,
        // A hair more, so that a pulse of exactly the error is dark.
        dark_clocks: (dark * (1.0 + 1e-9)).floor().clamp(0.0, 1e9) as u32,
    })
}

/// Tells what the sheet claims and the electronics hold, in lines of what and value.
pub(in crate::scene) fn tell(scene: &Scene, mut line: impl FnMut(&str, String)) {
    let numbers = drive(scene);
    let differs = |hz: &f64| (hz - scene.drive.refresh_hz).abs() > 1e-9 * hz;
    if let Some(hz) = numbers.sheet_refresh_hz.filter(differs) {
        line("on the sheet", format!("{} at {}", frequency(hz), rate(numbers.sheet_video_hz)));
    }
    if let Some(share) = numbers.white_pulse_share.filter(|share| *share < 1.0) {
        let left = match numbers.grey_levels {
            Some(levels) => format!(", {levels} levels above black are left"),
            None => String::new(),
        };
        line("dimmed", format!("to pulses {} as long{left}", percent(share)));
    }
    if let (Some(c), Some(clocks)) = (&numbers.clocks, &scene.sheet.clocks) {
        line(
            "grey clock",
            format!(
                "{}, {} turns a video frame of {} + {} clocks: {} in use, up to {}",
                frequency(clocks.clock_hz),
                c.turns_per_video_frame,
                c.clocks_per_turn,
                clocks.switch_clocks,
                percent(c.clock_use_share),
                frequency(c.refresh_limit_hz)
            ),
        );
        let mut levels =
            format!("{} above black, {} bits", c.grey_levels, number(c.grey_levels_bits));
        if c.dark_clocks > 0 {
            levels.push_str(&format!("; pulses of up to {} clocks stay dark", c.dark_clocks));
        }
        line("grey levels held", levels);
        line("all levels complete", format!("after {}", time(c.all_levels_s)));
    }
    if let Some(data) = &numbers.data_line {
        line(
            "data line",
            format!(
                "{} in use, up to {} sendings a second or {} bits",
                percent(data.use_share),
                number(data.most_sendings_hz),
                data.most_bits
            ),
        );
    }
}
