//! The drive.

use super::Findings;
use super::electronics::{Held, electronics};
use super::waveform::waveform;
use crate::scene::ContentPictures;
use crate::scene::written::{
    DimmingFile, DriveFile, DriveKindFile, GenlockFile, RefreshLockFile, SceneFile, SplitOrderFile,
    WallFile,
};
use crate::units;
use crate::wall::drive::{Clock, Drive, DriveKind, SplitOrder};
use crate::wall::electronics::Sheet;
use std::sync::Arc;

/// Video rate for which sheets give their refresh unless they say so, Hz.
pub(super) const SHEET_VIDEO_HZ: f64 = 60.0;

/// Refresh of a wall whose refresh is not given, Hz: common today.
const COMMON_REFRESH_HZ: f64 = 3840.0;

/// A refresh that is this near to a whole number of times the video rate was rounded when it was
/// written (3836.16 for 160 times 24000/1001).
const WHOLE: f64 = 2e-3;

pub(super) fn drive(
    found: &mut Findings<'_>,
    file: &SceneFile,
    fps: f64,
    pictures: &dyn ContentPictures,
) -> (Drive, Sheet) {
    let (wall, file) = (&file.wall, &file.drive);
    let video_hz = file.video_hz.unwrap_or(fps);
    let kind = match &file.kind {
        DriveKindFile::Steady => DriveKind::Steady,
        DriveKindFile::Pwm => DriveKind::Pwm,
        DriveKindFile::Scanned => DriveKind::Scanned,
        DriveKindFile::Split(split) => DriveKind::Split {
            bits: file.advanced.grey_bits,
            order: match split.order {
                SplitOrderFile::Even => SplitOrder::Even,
                SplitOrderFile::BitReversed => SplitOrder::BitReversed,
            },
        },
        // After a refusal any drive will do.
        DriveKindFile::Waveform(measured) => waveform(found, measured, file.refresh_hz, pictures)
            .map_or(DriveKind::Steady, |wave| DriveKind::Waveform(Arc::new(wave))),
    };
    let sheet_video_hz = file.sheet_video_hz.unwrap_or(SHEET_VIDEO_HZ);
    let refresh_hz = refresh_hz(found, file, &kind, video_hz, sheet_video_hz);
    let wanted = Drive {
        kind: kind.clone(),
        refresh_hz,
        video_hz,
        scan: scan(found, file, &kind),
        dark_slot_s: file.advanced.dark_per_slot_us / 1e6,
        dark_refresh_s: file.advanced.dark_per_refresh_us / 1e6,
        dark_frame_s: file.advanced.dark_per_frame_us / 1e6,
        rise_s: file.rise_ns / 1e9,
        fall_s: file.fall_ns / 1e9,
        delay_s: file.delay_ns.map(|ns| ns / 1e9),
        pulse_share: pulse_share(found, wall, &kind),
        clock: clock(file, video_hz),
    };
    let (sheet, held) = electronics(found, file, &wanted, sheet_video_hz);
    let drive = match held {
        Some(held) => hold(&wanted, held),
        None => wanted,
    };
    if kind == DriveKind::Steady {
        for (key, lacks) in [
            ("refresh_hz", "refresh"),
            ("refresh_lock", "refresh"),
            ("scan", "refresh"),
            ("advanced.grey_clock_mhz", "pulses"),
            ("advanced.sub_periods", "refresh"),
            ("rise_ns", "pulses"),
            ("fall_ns", "pulses"),
            ("delay_ns", "pulses"),
        ] {
            let key = format!("drive.{key}");
            if found.given(&key) {
                found.note(
                    &key,
                    format!("steady light has no {lacks}: this key has no effect"),
                    "choose another `kind`, or take the key out",
                );
            }
        }
    } else if let DriveKind::Waveform(_) = kind {
        without_effect_on_waveform(found);
    } else {
        dark_times(found, &drive);
    }
    (drive, sheet)
}

/// Share of a full pulse that is left where the wall dims by shorter pulses; what is missing of the
/// brightness then, the current does.
fn pulse_share(found: &mut Findings<'_>, wall: &WallFile, kind: &DriveKind) -> f64 {
    let brightness = wall.brightness_percent / 100.0;
    if matches!(kind, DriveKind::Steady | DriveKind::Waveform(_)) {
        return 1.0;
    }
    match wall.dimming {
        DimmingFile::Current => 1.0,
        DimmingFile::Mixed(mixed) => (brightness / (mixed.pulse_below_percent / 100.0)).min(1.0),
        DimmingFile::Pulse => brightness,
        DimmingFile::Unknown => {
            if brightness < 1.0 {
                let message = format!(
                    "how the wall dims to {} is not told: taken as by shorter pulses, the worse case",
                    units::percent(brightness)
                );
                let hint = "ask whether it dims by current or by pulse, and write `dimming`";
                found.note("wall.brightness_percent", message, hint);
            }
            brightness
        }
    }
}

/// What a measured waveform has in it already.
fn without_effect_on_waveform(found: &mut Findings<'_>) {
    for key in [
        "rise_ns",
        "fall_ns",
        "refresh_lock",
        "advanced.dark_per_slot_us",
        "advanced.dark_per_refresh_us",
        "advanced.dark_per_frame_us",
        "advanced.grey_bits",
        "advanced.grey_clock_mhz",
        "advanced.sub_periods",
    ] {
        let key = format!("drive.{key}");
        if found.given(&key) {
            let message = "a measured waveform is taken as it is: this key has no effect".into();
            found.note(&key, message, "choose another `kind`, or take the key out");
        }
    }
}

/// The drive with what its electronics hold.
fn hold(wanted: &Drive, held: Held) -> Drive {
    let kind = match &wanted.kind {
        DriveKind::Split { order, .. } => DriveKind::Split { bits: held.bits, order: *order },
        kind => kind.clone(),
    };
    let refresh_hz = match held.refreshes == wanted.refreshes() {
        true => wanted.refresh_hz,
        false => f64::from(held.refreshes) * wanted.video_hz,
    };
    Drive {
        kind,
        refresh_hz,
        dark_slot_s: held.dark_slot_s,
        dark_frame_s: held.dark_frame_s,
        ..wanted.clone()
    }
}

/// The refresh that the wall runs at, Hz: a whole number of times the video rate, unless
/// `refresh_lock` is `none`.
fn refresh_hz(
    found: &mut Findings<'_>,
    file: &DriveFile,
    kind: &DriveKind,
    video_hz: f64,
    sheet_video_hz: f64,
) -> f64 {
    let bit_reversed = matches!(kind, DriveKind::Split { order: SplitOrder::BitReversed, .. });
    if *kind == DriveKind::Steady {
        return file.refresh_hz.unwrap_or(COMMON_REFRESH_HZ);
    }
    if let DriveKind::Waveform(wave) = kind {
        return file.refresh_hz.unwrap_or(1.0 / wave.period_s());
    }
    let also = ["drive.video_hz", "camera.frame_rate_fps", "drive.kind"];
    if let Some(turns) = file.advanced.sub_periods {
        if bit_reversed && !turns.is_power_of_two() {
            found.refuse(
                "drive.advanced.sub_periods",
                &also,
                format!(
                    "bit_reversed needs a power of two of refreshes a video frame, not {turns}"
                ),
                "",
            );
        }
        return f64::from(turns) * video_hz;
    }
    let same_count = file.refresh_lock == RefreshLockFile::SameCount;
    let Some(written) = file.refresh_hz else {
        let at_hz = if same_count { sheet_video_hz } else { video_hz };
        let count = (COMMON_REFRESH_HZ / at_hz).round().clamp(1.0, 65_536.0);
        let count = if bit_reversed { nearest_power_of_two(count) } else { count };
        return count * video_hz;
    };
    if same_count {
        let count = (written / sheet_video_hz).round().clamp(1.0, MOST_REFRESHES);
        return followed(found, written, count, video_hz, sheet_video_hz, bit_reversed);
    }
    let ratio = written / video_hz;
    let count = ratio.round();
    let split = matches!(kind, DriveKind::Split { .. });
    let video = units::frequency(video_hz);
    if ratio < 1.0 - WHOLE {
        found.refuse(
            "drive.refresh_hz",
            &also,
            format!("{} is below the video rate of {video}", units::frequency(written)),
            "a wall refreshes at least once a video frame",
        );
        return video_hz;
    }
    if (ratio - count).abs() > WHOLE && file.refresh_lock == RefreshLockFile::None {
        if split || file.advanced.dark_per_frame_us > 0.0 {
            let near = units::frequency(count * video_hz);
            let message = format!(
                "{} is {} times the video rate of {video}, not a whole number of times",
                units::frequency(written),
                units::number(ratio)
            );
            let hint = format!("{near} is {count} times; or leave out `refresh_lock: none`");
            found.refuse("drive.refresh_hz", &also, message, &hint);
            return count * video_hz;
        }
        return written;
    }
    if count > MOST_REFRESHES {
        found.refuse(
            "drive.refresh_hz",
            &also,
            format!("{count} refreshes a video frame; allowed: up to {MOST_REFRESHES}"),
            "",
        );
        return video_hz;
    }
    followed(found, written, count, video_hz, sheet_video_hz, bit_reversed)
}

/// Most refreshes in a video frame.
const MOST_REFRESHES: f64 = 1e6;

/// The refresh of `count` a video frame, Hz; says so where that is not what the sheet gives.
fn followed(
    found: &mut Findings<'_>,
    written: f64,
    count: f64,
    video_hz: f64,
    sheet_video_hz: f64,
    bit_reversed: bool,
) -> f64 {
    let key = "drive.refresh_hz";
    if bit_reversed && !(count as u32).is_power_of_two() {
        let near = nearest_power_of_two(count);
        found.refuse(
            key,
            &["drive.video_hz", "camera.frame_rate_fps", "drive.kind"],
            format!("bit_reversed needs a power of two of refreshes a video frame, not {count}"),
            &format!("{} gives {near}", units::frequency(near * video_hz)),
        );
    }
    if (written / video_hz - count).abs() > WHOLE {
        let at_sheet = written / sheet_video_hz;
        let at = match (at_sheet - at_sheet.round()).abs() <= WHOLE {
            true => format!(" at {}", units::rate(sheet_video_hz)),
            false => String::new(),
        };
        let message = format!(
            "the sheet's {}{at} become {}: fed {}, the wall refreshes {count} times a video frame",
            units::frequency(written),
            units::frequency(count * video_hz),
            units::rate(video_hz)
        );
        let hint = "a wall refreshes a whole number of times a video frame; \
                    `refresh_lock` says how this one counts";
        found.note(key, message, hint);
    }
    count * video_hz
}

fn nearest_power_of_two(count: f64) -> f64 {
    libm::exp2(libm::round(libm::log2(count)))
}

fn scan(found: &mut Findings<'_>, file: &DriveFile, kind: &DriveKind) -> u32 {
    match (kind, file.scan) {
        (DriveKind::Pwm, Some(scan)) if scan != 1 => {
            found.refuse(
                "drive.scan",
                &["drive.kind"],
                format!("pwm lights all rows at once; a scan of {scan} contradicts that"),
                "write `kind: scanned`, or take `scan` out",
            );
            1
        }
        (DriveKind::Pwm | DriveKind::Steady | DriveKind::HeldMean { .. }, _) => 1,
        (DriveKind::Waveform(_), scan) => scan.unwrap_or(1),
        (_, scan) => scan.unwrap_or(16),
    }
}

fn clock(file: &DriveFile, video_hz: f64) -> Clock {
    let (drift_ppm, phase_deg) = match file.genlock {
        GenlockFile::Locked(locked) => (0.0, locked.phase_deg),
        GenlockFile::Free(free) => (free.drift_ppm, free.phase_deg),
    };
    Clock { drift: drift_ppm / 1e6, phase_s: phase_deg / 360.0 / video_hz }
}

/// Dark times must leave light, and edges must fit between pulses.
fn dark_times(found: &mut Findings<'_>, drive: &Drive) {
    let timing = drive.timing();
    let also = ["drive", "camera.frame_rate_fps"];
    let mut refuse = |key: &str, dark_s: f64, what: &str, room_s: f64| {
        found.refuse(
            &format!("drive.advanced.{key}"),
            &also,
            format!(
                "{} of darkness leave no light in {what} of {}",
                units::time(dark_s),
                units::time(room_s)
            ),
            "shorten the dark time, or lower `refresh_hz` or `scan`",
        );
    };
    let whole_refresh_s = timing.frame_s / f64::from(timing.refreshes);
    if drive.dark_frame_s >= timing.frame_s {
        refuse("dark_per_frame_us", drive.dark_frame_s, "a video frame", timing.frame_s);
    } else if drive.dark_refresh_s >= timing.refresh_s {
        refuse("dark_per_refresh_us", drive.dark_refresh_s, "a refresh", timing.refresh_s);
    } else if drive.dark_slot_s >= timing.slot_s {
        refuse("dark_per_slot_us", drive.dark_slot_s, "a row's turn", timing.slot_s);
    } else if drive.rise_s + drive.fall_s > whole_refresh_s.min(timing.refresh_s) {
        found.refuse(
            if drive.rise_s > drive.fall_s { "drive.rise_ns" } else { "drive.fall_ns" },
            &also,
            format!(
                "rise and fall take {} together, longer than a refresh of {}",
                units::time(drive.rise_s + drive.fall_s),
                units::time(timing.refresh_s)
            ),
            "shorten them or lower `refresh_hz`",
        );
    }
}
