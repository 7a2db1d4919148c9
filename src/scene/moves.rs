//! A camera that moves: where it is in each frame.

use super::Scene;
use super::check::placed;
use super::written::{FocusFile, SceneFile, SubjectFile};
use crate::math::track::Track;
use crate::optics::Lens;
use std::borrow::Cow;

/// A value that moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moved {
    /// The tape to the wall, metres.
    Distance,
    /// Right of the wall's centre, metres.
    Lateral,
    /// Above it, metres.
    Vertical,
    /// Where the lens axis meets the wall, to the right, metres.
    AimRight,
    /// The same upwards.
    AimUp,
    /// Turn to the right, degrees.
    Pan,
    /// Turn upwards, degrees.
    Tilt,
    /// Turn clockwise, degrees.
    Roll,
    /// Focal length, millimetres.
    Focal,
    /// The tape to what is in focus, metres.
    Focus,
}

impl Moved {
    /// Every value that may move.
    pub const ALL: [Self; 10] = [
        Self::Distance,
        Self::Lateral,
        Self::Vertical,
        Self::AimRight,
        Self::AimUp,
        Self::Pan,
        Self::Tilt,
        Self::Roll,
        Self::Focal,
        Self::Focus,
    ];

    /// Its name and unit, as in the keys of the file.
    pub fn key(self) -> &'static str {
        match self {
            Self::Distance => "distance_m",
            Self::Lateral => "lateral_m",
            Self::Vertical => "vertical_m",
            Self::AimRight => "aim_right_m",
            Self::AimUp => "aim_up_m",
            Self::Pan => "pan_deg",
            Self::Tilt => "tilt_deg",
            Self::Roll => "roll_deg",
            Self::Focal => "focal_mm",
            Self::Focus => "focus_m",
        }
    }

    /// Its name and unit, as people say them.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Distance => ("distance", " m"),
            Self::Lateral => ("to the right", " m"),
            Self::Vertical => ("up", " m"),
            Self::AimRight => ("aim to the right", " m"),
            Self::AimUp => ("aim up", " m"),
            Self::Pan => ("pan", "°"),
            Self::Tilt => ("tilt", "°"),
            Self::Roll => ("roll", "°"),
            Self::Focal => ("focal length", " mm"),
            Self::Focus => ("focus", " m"),
        }
    }
}

/// The moves of a shot: values over the number of the frame. Between frames there is nothing: a camera holds still during each,
/// where it is half-way through the frame's light.
#[derive(Debug, Clone)]
pub struct Moves {
    pub(super) tracks: Vec<(Moved, Track)>,
    pub(super) smooth: bool,
    /// The scene as written, its subject told from the wall, which does not move.
    pub(super) file: SceneFile,
}

impl Moves {
    /// What moves, and how: values over the number of the frame.
    pub fn tracks(&self) -> &[(Moved, Track)] {
        &self.tracks
    }

    /// Whether it moves gently, or in straight lines.
    pub fn is_smooth(&self) -> bool {
        self.smooth
    }

    /// The frames of the first and of the last keyframe (parts of frames too).
    pub fn span(&self) -> (f64, f64) {
        let ends = self
            .tracks
            .iter()
            .filter_map(|(_, t)| Some((t.points().first()?.0, t.points().last()?.0)));
        ends.fold((f64::INFINITY, 0.0), |(a, b), (first, last)| (a.min(first), b.max(last)))
    }

    /// Frames at or next to a keyframe.
    pub fn key_frames(&self) -> Vec<u32> {
        let mut frames: Vec<u32> = self
            .tracks
            .iter()
            .flat_map(|(_, track)| track.points())
            .map(|(frame, _)| frame.round().clamp(0.0, 1e6) as u32)
            .collect();
        frames.sort_unstable();
        frames.dedup();
        frames
    }

    /// The scene as written, with the values of a moment, in frames.
    pub(super) fn file_at(&self, frame: f64) -> SceneFile {
        let mut file = self.file.clone();
        let (place, lens) = (&mut file.placement, &mut file.lens);
        for (moved, track) in &self.tracks {
            let value = track.at(frame);
            match moved {
                Moved::Distance => (place.distance_m, place.distance) = (Some(value), None),
                Moved::Lateral => (place.lateral_m, place.lateral) = (Some(value), None),
                Moved::Vertical => (place.vertical_m, place.vertical) = (Some(value), None),
                Moved::AimRight => place.aim_m.get_or_insert([0.0; 2])[0] = value,
                Moved::AimUp => place.aim_m.get_or_insert([0.0; 2])[1] = value,
                Moved::Pan => place.pan_deg = Some(value),
                Moved::Tilt => place.tilt_deg = Some(value),
                Moved::Roll => place.roll_deg = value,
                Moved::Focal => lens.focal_mm = Some(value),
                Moved::Focus => {
                    let measured_from = lens.focus.measured_from;
                    lens.focus = FocusFile {
                        distance_m: Some(value),
                        measured_from,
                        ..FocusFile::default()
                    };
                }
            }
        }
        file
    }
}

/// The subject as told from the wall: `in_front_m` along the lens axis.
pub(super) fn standing_still(in_front_m: Option<f64>) -> SubjectFile {
    SubjectFile { in_front_of_wall_m: in_front_m, ..SubjectFile::default() }
}

impl Scene {
    /// The scene of one frame, with lens and camera where they are half-way through its light; the scene itself if nothing
    /// moves. What it gives does not move.
    pub fn at_frame(&self, frame: u32) -> Cow<'_, Self> {
        let Some(moves) = &self.moves else { return Cow::Borrowed(self) };
        let mut scene = Self { moves: None, ..self.clone() };
        // The checks have seen every frame; if one cannot be placed all the same, the camera stays where it began.
        if let Ok(placed) = placed(moves.file_at(f64::from(frame)), &self.wall) {
            let (focal_m, focus_m) = (placed.lens.focal_m, placed.lens.focus_m);
            scene.lens = Lens { focal_m, focus_m, ..scene.lens };
            (scene.pose, scene.subject_m) = (placed.pose, placed.subject_m);
        }
        Cow::Owned(scene)
    }
}
