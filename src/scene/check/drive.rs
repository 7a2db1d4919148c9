//! The drive.

use super::Findings;
use crate::scene::written::{DriveFile, DriveKindFile, GenlockFile, SplitOrderFile};
use crate::units;
use crate::wall::drive::{Clock, Drive, DriveKind, SplitOrder};

/// A refresh that is this near to a whole number of times the video rate was rounded when it was
/// written (3836.16 for 160 times 24000/1001).
const WHOLE: f64 = 2e-3;

pub(super) fn drive(found: &mut Findings<'_>, file: &DriveFile, fps: f64) -> Drive {
    let video_hz = file.video_hz.unwrap_or(fps);
    let kind = match file.kind {
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
    };
    let refresh_hz = refresh_hz(found, file, kind, video_hz);
    let drive = Drive {
        kind,
        refresh_hz,
        video_hz,
        scan: scan(found, file, kind),
        dark_slot_s: file.advanced.dark_per_slot_us / 1e6,
        dark_refresh_s: file.advanced.dark_per_refresh_us / 1e6,
        dark_frame_s: file.advanced.dark_per_frame_us / 1e6,
        rise_s: file.rise_ns / 1e9,
        fall_s: file.fall_ns / 1e9,
        delay_s: file.delay_ns.map(|ns| ns / 1e9),
        clock: clock(file, video_hz),
    };
    if kind == DriveKind::Steady {
        for (key, lacks) in [
            ("refresh_hz", "refresh"),
            ("scan", "refresh"),
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
    } else {
        dark_times(found, &drive);
    }
    drive
}

fn refresh_hz(found: &mut Findings<'_>, file: &DriveFile, kind: DriveKind, video_hz: f64) -> f64 {
    let bit_reversed = matches!(kind, DriveKind::Split { order: SplitOrder::BitReversed, .. });
    let Some(written) = file.refresh_hz else {
        let count = (3840.0 / video_hz).round().clamp(1.0, 65_536.0);
        let count = if bit_reversed { nearest_power_of_two(count) } else { count };
        return count * video_hz;
    };
    if kind == DriveKind::Steady {
        return written;
    }
    let also = ["drive.video_hz", "camera.frame_rate_fps", "drive.kind"];
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
    if (ratio - count).abs() > WHOLE {
        let near = units::frequency(count * video_hz);
        let message = format!(
            "{} is {} times the video rate of {video}, not a whole number of times",
            units::frequency(written),
            units::number(ratio)
        );
        let dark_frame = file.advanced.dark_per_frame_us > 0.0;
        if split || dark_frame {
            let hint = format!("{near} is {count} times; or set `video_hz`");
            found.refuse("drive.refresh_hz", &also, message, &hint);
            return count * video_hz;
        }
        let hint = format!(
            "rendered as a refresh that runs on across video frames; many walls would use {near}"
        );
        found.note("drive.refresh_hz", message, &hint);
        return written;
    }
    if count > 1e6 {
        found.refuse(
            "drive.refresh_hz",
            &also,
            format!("{count} refreshes a video frame; allowed: up to 1000000"),
            "",
        );
        return video_hz;
    }
    if bit_reversed && !(count as u32).is_power_of_two() {
        let near = nearest_power_of_two(count);
        found.refuse(
            "drive.refresh_hz",
            &also,
            format!("bit_reversed needs a power of two of refreshes a video frame, not {count}"),
            &format!("{} gives {near}", units::frequency(near * video_hz)),
        );
    }
    count * video_hz
}

fn nearest_power_of_two(count: f64) -> f64 {
    libm::exp2(libm::round(libm::log2(count)))
}

fn scan(found: &mut Findings<'_>, file: &DriveFile, kind: DriveKind) -> u32 {
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
