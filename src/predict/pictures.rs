//! Content that changes: what torn, repeated and lost pictures may do, at most.
//!
//! Timing says which frames of the camera hold two pictures or break the cadence. Where none does, changing content is as clean as a still.
//! Where some do, what is seen of it is at most what neighbouring pictures differ by, and that is read off the pictures.

use super::content_timing::{ContentTiming, content_timing};
use super::judge::{Cause, Finding};
use super::sampled::{Moved, Sampler, Seen};
use crate::artefact::{Degree, Judged, Kind, LUMA, Wave};
use crate::scene::{Moving, Scene};
use crate::wall::WallImage;
use glam::DVec2;
use rustfft::num_complex::Complex64;

/// Neighbouring pictures that are compared, at most.
const PAIRS: u32 = 12;
/// Parts across and down in which pictures are compared.
const PARTS: u32 = 8;
/// Parts darker than this share of white are compared as if they were that bright: nobody sees a change in black.
const DARK: f64 = 0.01;

/// What changing content does.
pub(super) enum Content {
    /// Nothing that a still would not do.
    Clean,
    /// This, at most.
    Seen(Finding),
    /// That hangs on what was not looked at.
    Unsure(&'static str),
}

/// Whether every frame of the camera shows one picture and pictures come evenly.
pub(super) fn is_even(timing: &ContentTiming) -> bool {
    // All of the pattern must have been looked at.
    let whole = timing.beat_s.is_none_or(|s| s * timing.frame_rate_fps <= f64::from(timing.frames));
    let ratio = timing.pictures_hz / timing.frame_rate_fps;
    let (slow, fast) = (ratio.min(1.0 / ratio), ratio.max(1.0 / ratio));
    let evenly = (fast - libm::round(fast)).abs() < 1e-6 * fast && slow > 0.0;
    let one_each = timing.doubled_frames == 0 && timing.dropped_pictures == 0;
    whole && timing.torn_frames == 0 && (evenly || one_each)
}

/// Judges what a scene's wall shows over time; without `read`, from the timing alone.
pub(super) fn content(scene: &Scene, read: bool) -> Content {
    let Some(moving) = &scene.moving else { return Content::Clean };
    let timing = content_timing(scene);
    if moving.pictures < 2 || is_even(&timing) {
        return Content::Clean;
    }
    if !read {
        return Content::Unsure(
            "the wall's pictures tear or stutter in the camera's frames: how much shows hangs on how unlike they are",
        );
    }
    // Of pictures that the camera leaves out, the next that it shows is compared.
    let apart = (timing.pictures_hz / timing.frame_rate_fps).ceil().max(1.0) as u32;
    let Ok((differ, all)) = differ(scene, moving, apart) else {
        return Content::Unsure(
            "the wall's pictures tear or stutter in the camera's frames, and they cannot be read",
        );
    };
    let sampler = Sampler::new(scene, 1e-4);
    let seeing = scene.viewing.seeing(f64::from(sampler.size[1]), 1.0, 0.0);
    let judged = Judged::of(differ * seeing.most());
    if judged.degree == Degree::Clean && !all {
        return Content::Unsure(
            "the wall's pictures tear or stutter in the camera's frames; those that were compared are alike, others may not be",
        );
    }
    let seen = Seen {
        wave: Wave::new(DVec2::ZERO, [Complex64::new(differ, 0.0); 3]),
        origin: super::Origin { h: [0; 2], k: 0, m: 0 },
        resolved: false,
        roll_hz: timing.beat_s.map_or(0.0, |s| 1.0 / s),
        moved: Moved { light: DVec2::ZERO, readout: 0.0 },
    };
    Content::Seen(Finding::of_cause(Cause::Pictures, Kind::Flicker, seen, judged))
}

/// The most that a part of one picture differs from the same of one that comes `apart` later: RMS of the light, or of colour, over the
/// mean of both, at most 1; and whether all were compared.
fn differ(scene: &Scene, moving: &Moving, apart: u32) -> Result<(f64, bool), String> {
    let pictures = moving.pictures;
    let last = if moving.repeats { pictures } else { pictures.saturating_sub(apart).max(1) };
    let count = last.min(PAIRS);
    let levels = scene.wall.levels();
    let mut most = 0.0_f64;
    for i in 0..count {
        let first = (u64::from(i) * u64::from(last) / u64::from(count)) as u32;
        let second = u64::from(first) + u64::from(apart);
        let second = if moving.repeats {
            (second % u64::from(pictures)) as u32
        } else {
            second.min(u64::from(pictures - 1)) as u32
        };
        let (a, b) = (moving.picture(first)?, moving.picture(second)?);
        most = most.max(pair(&a, &b, &levels));
    }
    Ok((most, count == last))
}

/// The same of two pictures.
fn pair(a: &WallImage, b: &WallImage, levels: &[f64]) -> f64 {
    let light = |image: &WallImage, at: usize| {
        [0, 1, 2].map(|c: usize| {
            let code = image.codes[c].get(at).copied().unwrap_or(0);
            levels.get(usize::from(code)).copied().unwrap_or(0.0)
        })
    };
    let luma = |v: [f64; 3]| v.iter().zip(LUMA).map(|(v, share)| v * share).sum::<f64>();
    let edge = |size: u32, i: u32| (u64::from(size) * u64::from(i) / u64::from(PARTS)) as usize;
    let mut most = 0.0_f64;
    for j in 0..PARTS {
        for i in 0..PARTS {
            let (mut sum, mut squares, mut count) = (0.0, [0.0; 2], 0.0);
            for row in edge(a.rows, j)..edge(a.rows, j + 1) {
                for column in edge(a.columns, i)..edge(a.columns, i + 1) {
                    let at = row * a.columns as usize + column;
                    let (x, y) = (light(a, at), light(b, at));
                    let off = [0, 1, 2].map(|c: usize| x[c] - y[c]);
                    let grey = luma(off);
                    sum += luma(x) + luma(y);
                    squares[0] += grey * grey;
                    squares[1] +=
                        (off[0] - grey) * (off[0] - grey) + (off[2] - grey) * (off[2] - grey);
                    count += 1.0;
                }
            }
            if count > 0.0 {
                let mean = (sum / 2.0 / count).max(DARK);
                let differs = (squares[0].max(squares[1]) / count).sqrt() / mean;
                // A part that is all there, or all gone.
                most = most.max(differs.min(1.0));
            }
        }
    }
    most
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::predict::{Settings, predict, verdict};
    use crate::scene::{NoPictures, parse};
    use std::sync::Arc;

    /// Pictures of an even grey in which a bar of another code steps on by a column a picture.
    fn scene(drive: &str, fps: &str, rate_hz: f64, pictures: u32, bar: u16) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [160, 80]}}\nlens: {{focal_mm: 35, f_number: 2.8}}\n\
             placement: {{distance_m: 5}}\ndrive: {drive}\ncamera: {{frame_rate_fps: {fps}, shutter_speed: 1/100, readout: global}}\n"
        );
        let mut scene =
            parse(&text, "pictures", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"));
        let make = move |number: u32| {
            if number == 7 && bar == 13 {
                return Err("picture 7 is not there".to_owned());
            }
            let code = |i: u32| if i % 160 / 10 == number % 16 { bar } else { 2000 };
            let codes = [0, 1, 2].map(|_| (0..160 * 80).map(code).collect());
            Ok(WallImage { columns: 160, rows: 80, codes })
        };
        scene.wall.bits = 12;
        let video_hz = scene.drive.video_hz;
        let moving = Moving::new("bar".into(), (rate_hz, video_hz), pictures, true, Box::new(make));
        scene.moving = Some(Arc::new(moving));
        scene
    }

    const LOCKED: &str = "{kind: steady, video_hz: 48, genlock: {locked: {phase_deg: 0}}}";
    const FREE: &str = "{kind: steady, video_hz: 60, genlock: {locked: {phase_deg: 0}}}";

    #[test]
    fn pictures_that_come_evenly_are_no_artefact() {
        // 24 pictures a second, each for two video frames and one frame of the camera.
        let even = scene(LOCKED, "24", 24.0, 8, 3000);
        assert!(is_even(&content_timing(&even)), "{:?}", content_timing(&even));
        assert!(matches!(content(&even, true), Content::Clean));
        let prediction = predict(&even, &Settings::full());
        assert_eq!(prediction.degree(Kind::Flicker, false), Degree::Clean);
        // Each for two frames of the camera.
        let twice = scene(LOCKED, "48", 24.0, 8, 3000);
        assert!(is_even(&content_timing(&twice)), "{:?}", content_timing(&twice));
    }

    #[test]
    fn torn_pictures_are_as_bad_as_they_are_unlike() {
        // 60 pictures a second before a camera of 25 frames.
        let of = |bar| scene(FREE, "25", 60.0, 8, bar);
        assert!(!is_even(&content_timing(&of(2400))));
        let flicker = |scene: &Scene| predict(scene, &Settings::full());
        let plain = flicker(&of(2400));
        assert_eq!(plain.of(Kind::Flicker).map(|f| f.cause), Some(Cause::Pictures));
        assert_eq!(plain.degree(Kind::Flicker, false), Degree::Spoils);
        // Pictures that are all alike cannot tear.
        let alike = flicker(&of(2000));
        assert_eq!(alike.degree(Kind::Flicker, false), Degree::Clean);
        // A bar of 2000 codes in 4095 against 2001: γ·1/2000 in a fifth of the codes.
        let Content::Seen(hardly) = content(&of(2001), true) else { panic!("something") };
        let contrast = hardly.seen.wave.luma();
        assert!(contrast > 1e-4 && contrast < 2e-3, "{contrast}");
        // The quick verdict reads no pictures, and says so.
        let quick = verdict(&of(2400), &Settings::quick());
        assert_eq!(quick.degree(Kind::Flicker, false), Degree::CannotSay);
        // Nor can it be said of what cannot be read.
        let lost = flicker(&of(13));
        assert_eq!(lost.degree(Kind::Flicker, false), Degree::CannotSay);
    }

    #[test]
    fn what_was_not_compared_is_not_called_alike() {
        let many = |bar| scene(FREE, "25", 60.0, 40, bar);
        assert!(matches!(content(&many(2000), true), Content::Unsure(_)));
        assert!(matches!(content(&many(3000), true), Content::Seen(_)));
    }

    #[test]
    fn parts_differ_by_what_is_in_them() {
        // One part of the 8 × 8 goes from light 0.5 to 0.25: RMS 0.25 over a mean of 0.375.
        let levels = [0.0, 0.25, 0.5];
        let image = |first: u16| WallImage {
            columns: 16,
            rows: 8,
            codes: [0, 1, 2].map(|_| {
                (0..128).map(|i| if i % 16 < 2 && i / 16 == 0 { first } else { 2 }).collect()
            }),
        };
        let found = pair(&image(2), &image(1), &levels);
        assert!((found - 0.25 / 0.375).abs() < 1e-12, "{found}");
        assert_eq!(pair(&image(1), &image(1), &levels), 0.0);
    }
}
