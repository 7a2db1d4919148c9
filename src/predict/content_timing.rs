//! What becomes of moving content between the wall's video and the camera's frames, and how the wall's scan meets the readout.
//!
//! The wall changes its picture at the starts of its video frames. Row r of frame n is open over [n/fps + r·line, … + T]; what changes
//! in it is mixed in that row. Rows that are open before show the old picture, rows after it the new one.

use crate::math::special::sinc;
use crate::scene::Scene;
use crate::sensor::Readout;
use crate::units::{frequency, number, percent, rate, time};
use serde::Serialize;

/// Camera frames that are looked at, at most.
const MOST_FRAMES: u32 = 1000;
/// A moment this near to an edge of an exposure, as a share of a video frame, is at the edge.
const HAIR: f64 = 1e-6;

/// One change of the picture inside a captured frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tear {
    /// The camera's frame.
    pub frame: u32,
    /// Where rows begin that hold both pictures, share of the frame's height in the order of readout.
    pub mixed_from_share: f64,
    /// Where they end, and rows of the new picture alone begin.
    pub mixed_to_share: f64,
}

/// Content and camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ContentTiming {
    /// Video frames of the wall a second of the camera's time, Hz.
    pub video_hz: f64,
    /// Pictures of the content a second, Hz; the video rate where it stands still.
    pub pictures_hz: f64,
    /// Content does move.
    pub content_moves: bool,
    /// Frames of the camera a second.
    pub frame_rate_fps: f64,
    /// Video frames of the wall in a frame of the camera.
    pub video_frames_per_captured_frame: f64,
    /// Video frames that each picture stays for.
    pub video_frames_per_picture: f64,
    /// Wall and camera share a clock.
    pub one_clock: bool,
    /// Captured frames that were looked at.
    pub frames: u32,
    /// Of these, those that hold more than one picture, one above the other or mixed.
    pub torn_frames: u32,
    /// Of these, those that show the same picture as the frame before.
    pub doubled_frames: u32,
    /// Pictures that no frame shows in its middle.
    pub dropped_pictures: u32,
    /// Height of the part of a torn frame that mixes two pictures, share of the frame: exposure over readout, at most 1.
    pub mixed_height_share: f64,
    /// The first changes of the picture inside frames, up to eight.
    pub tears: Vec<Tear>,
    /// Time after which the pattern comes again, seconds; `None` where it stays as it is.
    pub beat_s: Option<f64>,
    /// How the wall's scan meets the readout; `None` without either.
    pub scan: Option<ScanAndReadout>,
}

/// Scan and readout.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScanAndReadout {
    /// The readout runs down the picture, as rows of a cabinet light one after the other.
    pub same_way: bool,
    /// Turn of the wall's rows in the picture, degrees, anticlockwise: steps of the bands are slanted by it.
    pub slant_deg: f64,
    /// Refreshes while the readout passes the rows that take turns once.
    pub refreshes_per_turn_of_rows: f64,
    /// Contrast that the exposure leaves of the refresh.
    pub left_share: f64,
    /// Some cabinets are turned a quarter: in them rows of the wall run upright.
    pub quarter_turns: bool,
}

/// Time after which two rates come round to each other, seconds: one over the distance of the faster from the nearest multiple of
/// the slower; `None` where it is one.
pub fn beat_s(a_hz: f64, b_hz: f64) -> Option<f64> {
    let (slow, fast) = (a_hz.min(b_hz), a_hz.max(b_hz));
    let off = (fast - libm::round(fast / slow) * slow).abs();
    (off > 1e-6 * slow).then(|| 1.0 / off)
}

/// The timing of a scene's content.
pub fn content_timing(scene: &Scene) -> ContentTiming {
    let (camera, drive) = (&scene.camera, &scene.drive);
    let pace = 1.0 + drive.clock.drift;
    let (fps, video_hz) = (camera.fps, drive.video_hz * pace);
    let readout_s = match camera.readout {
        Readout::Global => 0.0,
        Readout::Rolling { readout_s, .. } => readout_s,
    };
    let exposure_s = camera.exposure_s;
    // What picture a video frame shows, counted on without end.
    let per_picture = scene.moving.as_ref().map_or(1.0, |m| m.video_hz / m.rate_hz);
    let picture_of = |video: f64| (video / per_picture + 1e-6).floor();
    let video_at = |camera_s: f64| (camera_s * pace + drive.clock.phase_s) * drive.video_hz;
    let pictures_hz = video_hz / per_picture;
    // The camera against video, then video against pictures.
    let beats = [beat_s(video_hz, fps), beat_s(pictures_hz, fps)];
    let beat = beats.into_iter().flatten().reduce(f64::max);
    let wanted = beat.map_or(0.0, |s| (s * fps).ceil()).max((pictures_hz / fps).ceil()).max(24.0);
    let frames = wanted.min(f64::from(MOST_FRAMES)) as u32;
    let (mut torn, mut doubled, mut dropped, mut tears) = (0, 0, 0, Vec::new());
    let mut last: Option<f64> = None;
    for frame in 0..frames {
        let start_s = f64::from(frame) / fps;
        let end_s = start_s + readout_s + exposure_s;
        let (first, end) = (video_at(start_s), video_at(end_s));
        let mut is_torn = false;
        // Changes of the picture strictly inside.
        let mut video = (first + HAIR).floor() + 1.0;
        while video < end - HAIR {
            if picture_of(video) != picture_of(video - 1.0) {
                is_torn = true;
                let at_s = (video / drive.video_hz - drive.clock.phase_s) / pace - start_s;
                if tears.len() < 8 && readout_s > 0.0 {
                    let row = |s: f64| (s / readout_s).clamp(0.0, 1.0);
                    let (mixed_from_share, mixed_to_share) = (row(at_s - exposure_s), row(at_s));
                    tears.push(Tear { frame, mixed_from_share, mixed_to_share });
                }
            }
            video += 1.0;
        }
        torn += u32::from(is_torn);
        let middle = video_at(start_s + (readout_s + exposure_s) / 2.0);
        let picture = picture_of((middle + HAIR).floor());
        if let Some(last) = last {
            doubled += u32::from(picture <= last);
            dropped += (picture - last - 1.0).max(0.0) as u32;
        }
        last = Some(picture);
    }
    ContentTiming {
        video_hz,
        pictures_hz,
        content_moves: scene.moving.is_some(),
        frame_rate_fps: fps,
        video_frames_per_captured_frame: video_hz / fps,
        video_frames_per_picture: per_picture,
        one_clock: drive.clock.drift == 0.0,
        frames,
        torn_frames: torn,
        doubled_frames: doubled,
        dropped_pictures: dropped,
        mixed_height_share: if readout_s > 0.0 { (exposure_s / readout_s).min(1.0) } else { 1.0 },
        tears,
        beat_s: beat,
        scan: scan(scene),
    }
}

fn scan(scene: &Scene) -> Option<ScanAndReadout> {
    let (camera, drive) = (&scene.camera, &scene.drive);
    let Readout::Rolling { bottom_up, .. } = camera.readout else { return None };
    if drive.is_steady() || drive.scan <= 1 {
        return None;
    }
    let axes = scene.pose.turn;
    // The wall's right as the camera sees it.
    let slant = libm::atan2(axes.y_axis.x, axes.x_axis.x) * 180.0 / std::f64::consts::PI;
    let depth_m = scene.wall.met(scene.pose.lens_m, -axes.z_axis).map(|(far, _)| far)?;
    let pitch = scene.wall.pitch_m * scene.lens.image_m() / depth_m / camera.photosite_m;
    let [_, down] = camera.spacing();
    let rows = f64::from(drive.scan) * pitch / f64::from(down);
    Some(ScanAndReadout {
        same_way: !bottom_up,
        slant_deg: slant,
        refreshes_per_turn_of_rows: rows * camera.recorded_line_s() * drive.refresh_hz,
        left_share: sinc(drive.refresh_hz * camera.exposure_s).abs(),
        quarter_turns: scene.wall.build.turned.iter().any(|t| t % 2 == 1),
    })
}

impl ContentTiming {
    /// The answer in lines.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let count = self.video_frames_per_captured_frame;
        let clock = if self.one_clock { "" } else { ", on clocks of their own" };
        let frames = match number(count).as_str() {
            "1" => "one video frame".to_owned(),
            n => format!("{n} video frames"),
        };
        lines.push(format!(
            "wall at {}, camera at {}{clock}: {frames} in each captured frame",
            frequency(self.video_hz),
            rate(self.frame_rate_fps)
        ));
        let whole = libm::round(count);
        if whole >= 2.0 && (count - whole).abs() < 1e-6 * count {
            let times = if whole == 2.0 { "twice".into() } else { format!("{whole} times") };
            lines.push(format!(
                "content of {} pictures a second is shown {times} each",
                number(self.frame_rate_fps)
            ));
        }
        if !self.content_moves {
            lines.push("what the wall shows stands still; for content that changes with every video frame:".into());
        }
        let of = |n: u32| percent(f64::from(n) / f64::from(self.frames.max(1)));
        lines.push(match self.torn_frames {
            0 => "no captured frame holds two pictures".into(),
            n => format!(
                "{} of the captured frames hold two pictures; rows that mix them are {} of the height",
                of(n),
                percent(self.mixed_height_share)
            ),
        });
        if let (None, Some(tear)) = (self.beat_s, self.tears.first()) {
            lines.push(format!(
                "the change stays at {} to {} of the height, in the order of readout",
                percent(tear.mixed_from_share),
                percent(tear.mixed_to_share)
            ));
        }
        if self.doubled_frames + self.dropped_pictures > 0 {
            lines.push(format!(
                "{} captured frames in {} repeat the picture before, {} pictures are shown in none",
                self.doubled_frames, self.frames, self.dropped_pictures
            ));
        }
        if let Some(beat_s) = self.beat_s {
            lines.push(format!("the pattern comes again every {}", time(beat_s)));
        }
        if let Some(scan) = &self.scan {
            lines.extend(scan.lines());
        }
        lines
    }
}

impl ScanAndReadout {
    fn lines(&self) -> Vec<String> {
        let way = if self.same_way { "runs the same way" } else { "runs against it" };
        let mut lines = vec![format!(
            "rows of a cabinet light from the top down, the readout {way}: {} refreshes while it passes the rows that take turns, so what bands \
             there are go {}",
            number(self.refreshes_per_turn_of_rows),
            if self.refreshes_per_turn_of_rows < 1.0 {
                "in steps of such groups of rows"
            } else {
                "through such a group several times"
            }
        )];
        if self.slant_deg.abs() > 0.5 {
            lines.push(format!(
                "the wall's rows lie {}° askew in the picture: the steps are slanted, the readout's own bands stay level",
                number(self.slant_deg)
            ));
        }
        if self.quarter_turns {
            lines.push("in cabinets turned a quarter the steps stand upright".into());
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{NoPictures, parse};

    fn timing(drive: &str, camera: &str) -> ContentTiming {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [400, 200]}}\nlens: {{focal_mm: 35, f_number: 2.8}}\n\
             placement: {{distance_m: 5}}\ndrive: {drive}\ncamera: {camera}\n"
        );
        let scene = parse(&text, "timing", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"));
        content_timing(&scene)
    }

    #[test]
    fn one_clock_and_one_rate_tear_nothing() {
        let found = timing("{}", "{frame_rate_fps: 24}");
        assert_eq!((found.torn_frames, found.doubled_frames, found.dropped_pictures), (0, 0, 0));
        assert_eq!(found.beat_s, None);
        // Half a frame late, the change lies in the middle of every frame's exposure. 12 ms are read, 1/48 s is open; the change
        // 1/48 s after the start is seen by every row: mixed from 0 to the end.
        let late = timing("{genlock: {locked: {phase_deg: 180}}}", "{frame_rate_fps: 24}");
        assert_eq!(late.torn_frames, late.frames);
        assert!((late.tears[0].mixed_from_share, late.tears[0].mixed_to_share) == (0.0, 1.0));
        // A short shutter leaves a small part: 1 ms of 12.
        let short =
            timing("{genlock: {locked: {phase_deg: 300}}}", "{frame_rate_fps: 24, exposure_ms: 1}");
        // 60° of 41.667 ms are left until the change: 6.944 ms.
        let tear = short.tears[0];
        assert!((tear.mixed_to_share - 6.944_444 / 12.0).abs() < 1e-6, "{tear:?}");
        assert!((tear.mixed_to_share - tear.mixed_from_share - 1.0 / 12.0).abs() < 1e-9);
        assert!((short.mixed_height_share - 1.0 / 12.0).abs() < 1e-12);
    }

    #[test]
    fn at_24_fps_a_48_hz_display_shows_each_frame_twice() {
        let found = timing("{video_hz: 48}", "{frame_rate_fps: 24}");
        assert!((found.video_frames_per_captured_frame - 2.0).abs() < 1e-12);
        let wanted = "content of 24 pictures a second is shown twice each";
        assert!(found.lines().iter().any(|l| l == wanted), "{:#?}", found.lines());
        // Were every video frame another picture, every second one would be lost.
        assert_eq!(found.dropped_pictures, found.frames - 1);
        assert_eq!(found.doubled_frames, 0);
    }

    #[test]
    fn unlike_rates_double_drop_and_beat() {
        // 25 Hz on a camera of 24: one picture a second is lost.
        let found = timing("{video_hz: 25}", "{frame_rate_fps: 24}");
        assert!((found.beat_s.expect("a beat") - 1.0).abs() < 1e-9);
        assert_eq!((found.frames, found.dropped_pictures, found.doubled_frames), (24, 1, 0));
        // 24 Hz on a camera of 30: six frames a second show the picture before again.
        let found = timing("{video_hz: 24}", "{frame_rate_fps: 30}");
        assert!((found.beat_s.expect("a beat") - 1.0 / 6.0).abs() < 1e-9);
        assert!((f64::from(found.doubled_frames) / f64::from(found.frames) - 0.2).abs() < 0.05);
        assert_eq!(found.dropped_pictures, 0);
        // 24 against 23.976: 41.7 s, 1001 frames and then 1000.
        let found = timing("{video_hz: 24}", "{frame_rate_fps: 23.976}");
        assert!((found.beat_s.expect("a beat") - 1001.0 / 24.0).abs() < 1e-6);
        assert_eq!(beat_s(60.0, 60.0), None);
        assert_eq!(beat_s(120.0, 24.0), None);
    }

    #[test]
    fn scan_and_readout_are_told() {
        let down = timing("{scan: 16}", "{}").scan.expect("a scan");
        assert!(down.same_way && down.slant_deg.abs() < 1e-9 && !down.quarter_turns);
        let up = timing("{scan: 16}", "{readout: {rolling: {direction: bottom_up}}}");
        assert!(!up.scan.expect("a scan").same_way);
        assert!(up.lines().iter().any(|l| l.contains("runs against it")));
        assert!(timing("{scan: 16}", "{readout: global}").scan.is_none());
        assert!(timing("{kind: pwm}", "{}").scan.is_none());
    }
}
