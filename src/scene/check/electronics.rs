//! What the wall's electronics hold, against what its sheet claims.

use super::Findings;
use crate::scene::written::{DataSentFile, DriveAdvancedFile, DriveFile};
use crate::units;
use crate::wall::drive::{Drive, DriveKind};
use crate::wall::electronics::{Clocks, DataLine, Sheet, whole_bits};

/// Clocks that fit to within so much fit: the sheet's numbers are rounded.
const ROUNDED: f64 = 1e-6;

/// What to do about a claim that does not hold.
const CHECK: &str = "rendered with what the electronics hold; check the sheet and `drive.advanced`";

/// What the electronics hold of the drive that is wanted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Held {
    pub refreshes: u32,
    pub bits: u32,
    pub dark_slot_s: f64,
    pub dark_frame_s: f64,
}

/// The wall's papers, and what their electronics hold; `None` where they say nothing of it.
pub(super) fn electronics(
    found: &mut Findings<'_>,
    file: &DriveFile,
    wanted: &Drive,
    sheet_video_hz: f64,
) -> (Sheet, Option<Held>) {
    let advanced = &file.advanced;
    let mut sheet = Sheet {
        refresh_hz: file.refresh_hz.unwrap_or(wanted.refresh_hz),
        video_hz: sheet_video_hz,
        bits: advanced.grey_bits,
        clocks: None,
        on_time_error_s: advanced.on_time_error_ns / 1e9,
        data: None,
    };
    if wanted.is_steady() || matches!(wanted.kind, DriveKind::Waveform(_)) {
        return (sheet, None);
    }
    let mut held = Held {
        refreshes: wanted.refreshes(),
        bits: advanced.grey_bits,
        dark_slot_s: wanted.dark_slot_s,
        dark_frame_s: wanted.dark_frame_s,
    };
    turns(found, file, wanted);
    sheet.clocks = clocks(found, advanced, wanted, &mut held);
    sheet.data = data_line(found, advanced, wanted, &mut held);
    let holds = sheet.clocks.is_some() || sheet.data.is_some();
    (sheet, holds.then_some(held))
}

/// Whether the turns of a row are those that the sheet's refresh speaks of.
fn turns(found: &mut Findings<'_>, file: &DriveFile, wanted: &Drive) {
    let (Some(turns), Some(claimed)) = (file.advanced.sub_periods, file.refresh_hz) else { return };
    let sheet_video_hz = file.sheet_video_hz.unwrap_or(super::drive::SHEET_VIDEO_HZ);
    let same = |video_hz: f64| (claimed / (f64::from(turns) * video_hz) - 1.0).abs() < 1e-3;
    let told_rate = file.sheet_video_hz.is_some();
    if same(sheet_video_hz) || (!told_rate && same(wanted.video_hz)) {
        return;
    }
    let message = format!(
        "the sheet's {} are not what {turns} turns of each row in a video frame give: {} at {}",
        units::frequency(claimed),
        units::frequency(f64::from(turns) * sheet_video_hz),
        units::rate(sheet_video_hz)
    );
    let hint = "rendered with the turns; check the sheet, `sub_periods` and `sheet_video_hz`";
    found.note("drive.refresh_hz", message, hint);
}

fn clocks(
    found: &mut Findings<'_>,
    file: &DriveAdvancedFile,
    wanted: &Drive,
    held: &mut Held,
) -> Option<Clocks> {
    let Some(mhz) = file.grey_clock_mhz else {
        for key in ["clocks_per_turn", "switch_clocks", "on_time_error_ns"] {
            let key = format!("drive.advanced.{key}");
            if found.given(&key) {
                let message = "without a grey clock this key has no effect".to_string();
                found.note(&key, message, "add `grey_clock_mhz`, or take the key out");
            }
        }
        return None;
    };
    let split = matches!(wanted.kind, DriveKind::Split { .. });
    let (video_hz, scan) = (wanted.video_hz, wanted.scan);
    let clock_hz = mhz * 1e6;
    let wanted_turns = held.refreshes;
    let mut clocks = Clocks {
        clock_hz,
        sub_periods: wanted_turns,
        grey_clocks: 1,
        switch_clocks: file.switch_clocks,
    };
    let most = clocks.most_grey_clocks(video_hz, scan);
    let claims_bits = found.given("drive.advanced.grey_bits");
    // Clocks of a turn that the claimed bits ask for.
    let asked = if split {
        ((1_u32 << file.grey_bits) - 1).div_ceil(wanted_turns)
    } else {
        1_u32 << file.grey_bits
    };
    clocks.grey_clocks = match file.clocks_per_turn {
        Some(given) => given,
        None if split || claims_bits => asked,
        None => most.max(1.0) as u32,
    };
    if clocks.clock_use(video_hz, scan) > 1.0 + ROUNDED {
        if !fit(found, file, wanted, &mut clocks, most) {
            return Some(clocks);
        }
        held.refreshes = clocks.sub_periods;
    }
    let levels = clocks.levels() as f64;
    if split {
        let bits = whole_bits(levels).clamp(1, 20);
        if claims_bits && bits < file.grey_bits && clocks.sub_periods == wanted_turns {
            let needed = f64::from(asked) + f64::from(file.switch_clocks);
            let message = format!(
                "{} bits at {} need a grey clock of {}; {} holds {levels} levels, {bits} bits",
                file.grey_bits,
                units::frequency(wanted.refresh_hz),
                units::frequency(wanted.refresh_hz * f64::from(scan) * needed),
                units::frequency(clock_hz)
            );
            found.note("drive.advanced.grey_bits", message, CHECK);
        }
        held.bits = if claims_bits { bits.min(file.grey_bits) } else { bits };
    }
    unlit_pulses(found, file, clock_hz);
    if clocks.switch_clocks > 0 {
        held.dark_slot_s = clocks.switch_s();
    }
    // With turns that are known to the clock, the rest of the video frame is dark.
    let known = file.clocks_per_turn.is_some() && file.sub_periods.is_some();
    if known && !found.given("drive.advanced.dark_per_frame_us") {
        let busy_s = clocks.all_levels_s(scan) + f64::from(held.refreshes) * wanted.dark_refresh_s;
        let idle_s = 1.0 / video_hz - busy_s;
        held.dark_frame_s = if idle_s * video_hz > ROUNDED { idle_s } else { 0.0 };
    }
    Some(clocks)
}

/// Says so when the shortest pulses give no light.
fn unlit_pulses(found: &mut Findings<'_>, file: &DriveAdvancedFile, clock_hz: f64) {
    let missing_s = -file.on_time_error_ns / 1e9;
    if missing_s * clock_hz >= 1.0 {
        let message = format!(
            "pulses of up to {} clocks, {}, stay dark: the darkest greys of this wall are black",
            (missing_s * clock_hz).floor(),
            units::time(missing_s)
        );
        let hint = "rendered as if they were lit: look at dark content on the wall itself";
        found.note("drive.advanced.on_time_error_ns", message, hint);
    }
}

/// Makes turns fit that ask for more than the clock has: with fewer clocks where the levels can be
/// fewer, else with fewer turns. Says what gave way; false after a refusal.
fn fit(
    found: &mut Findings<'_>,
    file: &DriveAdvancedFile,
    wanted: &Drive,
    clocks: &mut Clocks,
    most: f64,
) -> bool {
    let (video_hz, scan) = (wanted.video_hz, wanted.scan);
    let split = matches!(wanted.kind, DriveKind::Split { .. });
    let clock = units::frequency(clocks.clock_hz);
    let needed = units::frequency(clocks.clock_needed_hz(wanted.refresh_hz, scan));
    let turn = format!("{} + {} clocks", clocks.grey_clocks, clocks.switch_clocks);
    let round = format!("{} rows of {turn}", clocks.sub_periods.max(1) as u64 * u64::from(scan));
    let fitting = clocks.sub_periods_that_fit(video_hz, scan);
    let also = ["drive", "camera.frame_rate_fps"];
    let given = (file.sub_periods, file.clocks_per_turn);
    if let (Some(turns), Some(_)) = given {
        let message = format!(
            "{turns} turns of {scan} rows of {turn} at {} need {needed}, not {clock}",
            units::rate(video_hz)
        );
        let hint = match fitting {
            0 => "not even one turn fits a video frame: check `drive.advanced`".to_string(),
            n => format!("{n} turns fit: check `drive.advanced` and the video rate"),
        };
        found.refuse("drive.advanced.grey_clock_mhz", &also, message, &hint);
        return false;
    }
    let bits_give = given.1.is_none() && (split || given.0.is_some()) && most >= 1.0;
    if bits_give {
        clocks.grey_clocks = most as u32;
        if !split {
            let message = format!(
                "{} bits in every refresh of {} need a grey clock of {needed}; {clock} holds {} bits",
                file.grey_bits,
                units::frequency(wanted.refresh_hz),
                whole_bits(most)
            );
            found.note("drive.advanced.grey_bits", message, CHECK);
        }
        return true;
    }
    if fitting == 0 {
        let message =
            format!("{clock} does not hold one refresh a video frame: {round} need {needed}");
        let hint = "check `drive.advanced`, `scan` and the video rate";
        found.refuse("drive.advanced.grey_clock_mhz", &also, message, hint);
        return false;
    }
    clocks.sub_periods = match wanted.kind {
        DriveKind::Split { order: crate::wall::drive::SplitOrder::BitReversed, .. } => {
            1 << fitting.ilog2()
        }
        _ => fitting,
    };
    let message = format!(
        "{} needs a grey clock of {needed} ({scan} rows of {turn}); {clock} holds {}",
        units::frequency(wanted.refresh_hz),
        units::frequency(f64::from(clocks.sub_periods) * video_hz)
    );
    found.note("drive.refresh_hz", message, CHECK);
    true
}

fn data_line(
    found: &mut Findings<'_>,
    file: &DriveAdvancedFile,
    wanted: &Drive,
    held: &mut Held,
) -> Option<DataLine> {
    let (Some(pixels), Some(mhz)) = (file.pixels_per_data_line, file.data_rate_mhz) else {
        for (key, lacks) in
            [("pixels_per_data_line", "data_rate_mhz"), ("data_rate_mhz", "pixels_per_data_line")]
        {
            let key = format!("drive.advanced.{key}");
            if found.given(&key) {
                let message = format!("without `{lacks}` this key has no effect");
                found.note(&key, message, &format!("add `{lacks}`, or take the key out"));
            }
        }
        return None;
    };
    let line = DataLine {
        pixels,
        rate_hz: mhz * 1e6,
        each_refresh: matches!(file.data_sent, DataSentFile::EachRefresh),
    };
    let refresh_hz = f64::from(held.refreshes) * wanted.video_hz;
    if line.line_use(held.bits, wanted.video_hz, refresh_hz) > 1.0 + ROUNDED {
        let most = line.most_bits(wanted.video_hz, refresh_hz);
        let sent = if line.each_refresh {
            format!("{} refreshes a second", units::number(refresh_hz))
        } else {
            units::rate(wanted.video_hz)
        };
        let message = format!(
            "{pixels} pixels of {} bits at {sent} are {} of a data line's {} million bits a second; it holds \
             {} a second, or {most} bits",
            held.bits,
            units::percent(line.line_use(held.bits, wanted.video_hz, refresh_hz)),
            units::number(mhz),
            units::number(line.most_sendings_hz(held.bits))
        );
        if most == 0 {
            let hint = "check `pixels_per_data_line`, `data_rate_mhz` and `data_sent`";
            found.refuse(
                "drive.advanced.data_rate_mhz",
                &["drive", "camera.frame_rate_fps"],
                message,
                hint,
            );
        } else {
            held.bits = most.clamp(1, held.bits);
            found.note("drive.advanced.data_rate_mhz", message, CHECK);
        }
    }
    Some(line)
}
