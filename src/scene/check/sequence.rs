//! A numbered image sequence.

use super::Findings;
use super::content::{fitted, mapping};
use crate::scene::ContentPictures;
use crate::scene::moving::Moving;
use crate::scene::written::{AtEndFile, SequenceFile};
use crate::units;
use crate::wall::content::Content;
use crate::wall::{Wall, WallImage};
use std::sync::Arc;

/// Most pictures of a sequence.
const MOST_PICTURES: u32 = 1_000_000;

/// The file names of a sequence: what stands before and after the number, and its digits.
struct Pattern {
    before: String,
    digits: usize,
    after: String,
}

impl Pattern {
    /// From `frames/train_####.png` or `frames/train_%04d.png`.
    fn read(text: &str) -> Option<Self> {
        let at = |start: usize, end: usize, digits: usize| Self {
            before: text[..start].to_string(),
            digits,
            after: text[end..].to_string(),
        };
        let pattern = if let Some(start) = text.find('%') {
            let end = start + text[start..].find('d')? + 1;
            let width = &text[start + 1..end - 1];
            let digits = match width {
                "" => 1,
                _ => width
                    .strip_prefix('0')?
                    .parse::<usize>()
                    .ok()
                    .filter(|n| (1..=9).contains(n))?,
            };
            at(start, end, digits)
        } else {
            let start = text.find('#')?;
            let digits = text[start..].chars().take_while(|c| *c == '#').count();
            at(start, start + digits, digits)
        };
        let more = |part: &str| part.contains(['#', '%']);
        (!more(&pattern.before) && !more(&pattern.after)).then_some(pattern)
    }

    fn path(&self, number: u64) -> String {
        format!("{}{number:0digits$}{}", self.before, self.after, digits = self.digits)
    }
}

/// The first picture's codes and the sequence; `None` after a refusal or when the wall's size is not sure.
pub(super) fn sequence(
    found: &mut Findings<'_>,
    file: &SequenceFile,
    wall: &Wall,
    video_hz: f64,
    pictures: &dyn ContentPictures,
    size_is_sure: bool,
) -> Option<(WallImage, Arc<Moving>)> {
    let key = "content.sequence.files";
    if file.files.is_empty() {
        found.refuse(
            key,
            &[],
            "no files are named".into(),
            "name them like `frames/train_####.png`",
        );
        return None;
    }
    let Some(pattern) = Pattern::read(&file.files) else {
        let message = format!("'{}' has no place for the number, or more than one", file.files);
        let hint = "write `####` or `%04d` where the number stands";
        found.refuse(key, &[], message, hint);
        return None;
    };
    let first = u64::from(file.first);
    let is_there = |number: u64| pictures.is_there(&pattern.path(number));
    let wanted = file.pictures.unwrap_or(MOST_PICTURES);
    let there = (0..u64::from(wanted)).take_while(|n| is_there(first + n)).count() as u32;
    if there == 0 || file.pictures.is_some_and(|wanted| there < wanted) {
        let missing = pattern.path(first + u64::from(there));
        // The loader says best why.
        let problem =
            pictures.load(&missing).err().unwrap_or_else(|| format!("'{missing}' is not there"));
        let hint = match there {
            0 => "the path counts from the scene file's folder; `first` is the first number"
                .to_string(),
            n => format!("{n} pictures are there: set `pictures: {n}`"),
        };
        found.refuse(key, &["content.sequence.pictures"], problem, &hint);
        return None;
    }
    let rate_hz = file.frame_rate_fps.unwrap_or(video_hz);
    let border = [file.border_percent / 100.0; 3];
    let (picture, map) = match pictures.load(&pattern.path(first)) {
        Ok(picture) => {
            let map = fitted(found, key, &picture, file.map, wall, size_is_sure);
            (picture, map)
        }
        Err(problem) => {
            found.refuse(key, &[], problem, "the path counts from the scene file's folder");
            return None;
        }
    };
    let Some(source) = pictures.later() else {
        found.refuse(key, &[], "no pictures can be read later here".into(), "show a still");
        return None;
    };
    if !size_is_sure {
        return None;
    }
    let held = video_hz / rate_hz;
    if (held - held.round()).abs() > 1e-6 * held || held < 0.999 {
        let message = if held < 0.999 {
            format!(
                "{} pictures a second are more than the wall's {} video frames: some are left out",
                units::number(rate_hz),
                units::number(video_hz)
            )
        } else {
            format!(
                "the wall runs at {}: each picture stays for {} or {} video frames, in turn",
                units::rate(video_hz),
                held.floor(),
                held.ceil()
            )
        };
        let hint = "motion will look uneven; feed the wall a whole multiple of `frame_rate_fps`";
        found.note("content.sequence.frame_rate_fps", message, hint);
    }
    let still = Content::Picture { picture, mapping: map, border }.paint(wall);
    let (map, painted) = (file.map, wall.clone());
    let make = move |number: u32| {
        let picture = source.load(&pattern.path(first + u64::from(number)))?;
        let content = Content::Picture { picture, mapping: mapping(map), border };
        let mut image = content.paint(&painted);
        painted.put_out_dead(&mut image);
        Ok(image)
    };
    let repeats = matches!(file.at_end, AtEndFile::Repeat);
    let moving =
        Moving::new(file.files.clone(), (rate_hz, video_hz), there, repeats, Box::new(make));
    Some((still, Arc::new(moving)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_stand_where_the_pattern_says() {
        for (text, path) in [
            ("a/train_####.png", "a/train_0007.png"),
            ("a/train_%04d.png", "a/train_0007.png"),
            ("%d.jpg", "7.jpg"),
            ("#.jpg", "7.jpg"),
            ("x%02d", "x07"),
        ] {
            assert_eq!(Pattern::read(text).map(|p| p.path(7)).as_deref(), Some(path), "{text}");
        }
        assert_eq!(Pattern::read("##").expect("a pattern").path(12_345), "12345");
        for text in ["a.png", "a_#_#.png", "%04d_%d", "%4d", "%0xd", "%04", "%", "#%d"] {
            assert!(Pattern::read(text).is_none(), "{text}");
        }
    }
}
