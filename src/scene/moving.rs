//! Content that changes: numbered pictures, shown one after the other on the wall's clock.

use crate::wall::WallImage;
use std::sync::{Arc, Mutex};

/// Makes the codes of a picture, by its number counted from 0. The error is a sentence for people.
pub type MakePicture = dyn Fn(u32) -> Result<WallImage, String> + Send + Sync;

/// A sequence of pictures on a wall.
///
/// In video frame v of the wall, which starts at wall time v/`video_hz`, it shows the picture of that moment, number
/// ⌊v·`rate_hz`/`video_hz`⌋, all frame long: 24 pictures a second on a wall of 60 Hz stay for 3 and 2 video frames in turn.
/// Before wall time 0 the sequence has run already. Pictures are made when they are first needed, and those of the
/// latest moments are kept.
pub struct Moving {
    make: Box<MakePicture>,
    /// Name for people, such as the pattern of the files' names.
    pub name: String,
    /// Pictures a second, above 0.
    pub rate_hz: f64,
    /// Video frames a second of the wall, above 0.
    pub video_hz: f64,
    /// How many pictures there are, at least 1.
    pub pictures: u32,
    /// After the last comes the first again; else the last stays, and the first stays before it all.
    pub repeats: bool,
    kept: Mutex<Vec<(u32, Arc<WallImage>)>>,
}

impl std::fmt::Debug for Moving {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Moving")
            .field("name", &self.name)
            .field("rate_hz", &self.rate_hz)
            .field("video_hz", &self.video_hz)
            .field("pictures", &self.pictures)
            .field("repeats", &self.repeats)
            .finish_non_exhaustive()
    }
}

/// A picture, and the video frames of the wall that show it.
#[derive(Debug, Clone)]
pub struct Shown {
    /// Its number, from 0.
    pub picture: u32,
    /// First video frame.
    pub first: i64,
    /// First video frame after it.
    pub end: i64,
    /// Its codes.
    pub image: Arc<WallImage>,
}

/// Video frames on both sides of a stretch of time whose pictures may take part in it: a row's turn, a late colour and
/// the fall of the last pulse reach over.
const MARGIN: i64 = 2;

impl super::Scene {
    /// The pictures that the wall shows around a frame of the camera; none for a still.
    ///
    /// # Errors
    /// A picture that cannot be had, in a sentence.
    pub fn pictures_of_frame(&self, frame: u32) -> Result<Vec<Shown>, String> {
        let Some(moving) = &self.moving else { return Ok(Vec::new()) };
        let (camera, timing) = (&self.camera, self.drive.timing());
        let starts = [0, camera.rows.saturating_sub(1)].map(|row| camera.row_start_s(frame, row));
        let (low, high) = (starts[0].min(starts[1]), starts[0].max(starts[1]));
        let late = self.wall.faces().iter().fold((0.0_f64, 0.0_f64), |(least, most), face| {
            (least.min(face.clock_s), most.max(face.clock_s))
        });
        let from_s = timing.wall_time_s(low) - late.1;
        let to_s = timing.wall_time_s(high + camera.exposure_s) - late.0;
        moving.shown(from_s, to_s)
    }
}

impl Moving {
    /// A sequence of at least one picture.
    pub fn new(
        name: String,
        (rate_hz, video_hz): (f64, f64),
        pictures: u32,
        repeats: bool,
        make: Box<MakePicture>,
    ) -> Self {
        let pictures = pictures.max(1);
        Self { make, name, rate_hz, video_hz, pictures, repeats, kept: Mutex::new(Vec::new()) }
    }

    /// The picture of a video frame, its number from 0.
    pub fn picture_of(&self, video_frame: i64) -> u32 {
        // A hair more, so that a frame that begins with a picture shows it.
        let number = (video_frame as f64 * (self.rate_hz / self.video_hz) + 1e-6).floor() as i64;
        let count = i64::from(self.pictures);
        let number =
            if self.repeats { number.rem_euclid(count) } else { number.clamp(0, count - 1) };
        number as u32
    }

    /// A picture by its number, made anew.
    ///
    /// # Errors
    /// A picture that cannot be made, in a sentence.
    pub fn picture(&self, number: u32) -> Result<WallImage, String> {
        (self.make)(number)
    }

    /// What is shown around a stretch of wall time, in order, without gaps.
    ///
    /// # Errors
    /// A picture that cannot be made, in a sentence.
    pub fn shown(&self, from_s: f64, to_s: f64) -> Result<Vec<Shown>, String> {
        let first = (from_s * self.video_hz).floor() as i64 - MARGIN;
        let last = (to_s * self.video_hz).floor() as i64 + MARGIN;
        let mut pieces: Vec<(u32, i64, i64)> = Vec::new();
        for frame in first..=last {
            let picture = self.picture_of(frame);
            match pieces.last_mut() {
                Some(piece) if piece.0 == picture => piece.2 = frame + 1,
                _ => pieces.push((picture, frame, frame + 1)),
            }
        }
        // Not held while pictures are made: that runs on many threads, one of which may come here again.
        let kept = self.kept.lock().unwrap_or_else(|e| e.into_inner()).clone();
        let mut now: Vec<(u32, Arc<WallImage>)> = Vec::new();
        let mut shown = Vec::with_capacity(pieces.len());
        for (picture, first, end) in pieces {
            let found = now.iter().chain(kept.iter()).find(|(number, _)| *number == picture);
            let image = match found {
                Some((_, image)) => image.clone(),
                None => Arc::new((self.make)(picture)?),
            };
            if now.iter().all(|(number, _)| *number != picture) {
                now.push((picture, image.clone()));
            }
            shown.push(Shown { picture, first, end, image });
        }
        *self.kept.lock().unwrap_or_else(|e| e.into_inner()) = now;
        Ok(shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sequence(rate_hz: f64, video_hz: f64, pictures: u32, repeats: bool) -> Moving {
        let make = |number: u32| {
            let codes = [0, 1, 2].map(|_| vec![number as u16]);
            match number {
                13 => Err("picture 13 is not there".to_string()),
                _ => Ok(WallImage { columns: 1, rows: 1, codes }),
            }
        };
        Moving::new("####".into(), (rate_hz, video_hz), pictures, repeats, Box::new(make))
    }

    #[test]
    fn pictures_stay_for_whole_video_frames() {
        let film = sequence(24.0, 60.0, 100, true);
        let first: Vec<u32> = (0..10).map(|v| film.picture_of(v)).collect();
        assert_eq!(first, [0, 0, 0, 1, 1, 2, 2, 2, 3, 3]);
        assert_eq!((film.picture_of(-1), film.picture_of(250)), (99, 0));
        let broadcast = sequence(24_000.0 / 1001.0, 60_000.0 / 1001.0, 100, true);
        assert_eq!((0..10).map(|v| broadcast.picture_of(v)).collect::<Vec<_>>(), first);
        let once = sequence(25.0, 50.0, 3, false);
        assert_eq!([-5, 0, 1, 2, 5, 6, 99].map(|v| once.picture_of(v)), [0, 0, 0, 1, 2, 2, 2]);
        let fast = sequence(60.0, 24.0, 100, true);
        assert_eq!([0, 1, 2, 3].map(|v| fast.picture_of(v)), [0, 2, 5, 7]);
    }

    #[test]
    fn what_is_shown_has_no_gaps_and_is_kept_no_longer_than_needed() {
        let film = sequence(24.0, 60.0, 12, true);
        let shown = film.shown(0.02, 0.10).expect("pictures");
        // Video frames 1 to 6, two more on each side.
        let parts: Vec<(u32, i64, i64)> =
            shown.iter().map(|s| (s.picture, s.first, s.end)).collect();
        assert_eq!(parts, [(11, -1, 0), (0, 0, 3), (1, 3, 5), (2, 5, 8), (3, 8, 9)]);
        assert_eq!(film.kept.lock().expect("kept").len(), 5);
        let later = film.shown(0.10, 0.11).expect("pictures");
        assert!(Arc::ptr_eq(&later[0].image, &shown[2].image), "made once");
        assert_eq!(film.kept.lock().expect("kept").len(), 3);
        let broken = sequence(60.0, 60.0, 20, true);
        assert_eq!(broken.shown(0.2, 0.3).err().as_deref(), Some("picture 13 is not there"));
    }
}
