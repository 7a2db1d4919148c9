//! What is foreseen of a drawn scene, and conditions on it.

use crate::artefact::{Degree, Kind};
use crate::predict::unknowns::KINDS;
use crate::predict::{Finding, Settings, verdict};
use crate::scene::{Scene, Tolerances};
use crate::units;

/// What prediction tells of a scene just as it stands, at the level that its wall shows on average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foreseen {
    /// Contrast (crest over mean, luma or colour, whichever is more) of the strongest wave of each of [`KINDS`].
    pub contrast: [f64; 4],
    /// Multiple of the threshold of visibility, by kind.
    pub multiple: [f64; 4],
    /// Degree over all kinds.
    pub degree: Degree,
}

/// Mean light of what the wall shows, as a share of white.
pub(super) fn mean_level(scene: &Scene) -> f64 {
    let levels = scene.wall.levels();
    let codes = &scene.content.codes[1];
    // Some thousand pixels tell.
    let step = (codes.len() / 4096).max(1);
    let seen = codes.iter().step_by(step);
    let (sum, count) = seen.fold((0.0, 0_u32), |(sum, count), code| {
        (sum + levels.get(usize::from(*code)).copied().unwrap_or(0.0), count + 1)
    });
    sum / f64::from(count.max(1))
}

/// Foresees a scene. Its tolerances do not count: a sample stands where it stands.
pub fn foreseen(scene: &Scene) -> Foreseen {
    let mut still = scene.clone();
    still.tolerances = Tolerances::NONE;
    let level = mean_level(scene).max(0.001);
    let settings = Settings { levels: vec![level], ..Settings::quick() };
    let found = verdict(&still, &settings);
    let of = |kind: Kind| {
        let all = found.worst.iter().chain(&found.fringes).chain(&found.bands);
        let size = |f: &Finding| f.seen.wave.luma().max(f.seen.wave.chroma());
        all.filter(|f| f.kind == kind).map(size).fold(0.0, f64::max)
    };
    let multiple = KINDS.map(|kind| found.of(kind).map_or(0.0, |f| f.planned.multiple));
    let degrees = KINDS.map(|kind| found.degree(kind, true));
    let degree = if degrees.contains(&Degree::Spoils) {
        Degree::Spoils
    } else if degrees.contains(&Degree::Noticeable) {
        Degree::Noticeable
    } else if degrees.contains(&Degree::CannotSay) {
        Degree::CannotSay
    } else {
        Degree::Clean
    };
    Foreseen { contrast: KINDS.map(of), multiple, degree }
}

/// A condition that a sample must meet.
#[derive(Debug, Clone, PartialEq)]
pub enum Condition {
    /// Contrast of a kind, by its number in [`KINDS`], between two shares.
    Contrast(usize, f64, f64),
    /// One of some degrees.
    Verdict(Vec<Degree>),
}

/// Keys of the conditions on contrast, by [`KINDS`].
pub(super) const KEYS: [&str; 4] =
    ["flicker_percent", "bands_percent", "moire_percent", "pixel_structure_percent"];

impl Condition {
    /// Whether it is met.
    pub fn holds(&self, foreseen: &Foreseen) -> bool {
        match self {
            Self::Contrast(kind, low, high) => (*low..=*high).contains(&foreseen.contrast[*kind]),
            Self::Verdict(degrees) => degrees.contains(&foreseen.degree),
        }
    }

    /// In a few words.
    pub fn words(&self) -> String {
        match self {
            Self::Contrast(kind, low, high) => format!(
                "{} of {} to {}",
                KINDS[*kind].words(),
                units::percent(*low),
                units::percent(*high)
            ),
            Self::Verdict(degrees) => {
                let words: Vec<&str> = degrees.iter().map(|d| d.words()).collect();
                format!("verdict {}", words.join(" or "))
            }
        }
    }
}
