//! Degrees of trouble.

use serde::Serialize;

/// How bad an artefact is, the worst last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Degree {
    /// Nobody will see it under the viewing condition.
    Clean,
    /// Seen by who looks for it; a matter of taste, and of what else is in the picture.
    Noticeable,
    /// Everybody sees it.
    Spoils,
    /// The scene does not say enough.
    CannotSay,
}

impl Degree {
    /// Multiple of the threshold from which an artefact spoils the shot. Calibrated on rendered frames: see the README.
    pub const SPOILS_FROM: f64 = 2.5;

    /// Of a multiple of the threshold of visibility.
    pub fn of(multiple: f64) -> Self {
        if multiple.is_nan() {
            Self::CannotSay
        } else if multiple < 1.0 {
            Self::Clean
        } else if multiple < Self::SPOILS_FROM {
            Self::Noticeable
        } else {
            Self::Spoils
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Noticeable => "noticeable",
            Self::Spoils => "spoils the shot",
            Self::CannotSay => "can't say",
        }
    }
}

/// Kinds of artefacts, in the order in which they matter: flicker can hardly be repaired.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The whole picture, or most of it, changes from frame to frame.
    Flicker,
    /// Bands of the drive across the picture, standing or rolling.
    Bands,
    /// The wall's lattice folded at the photosites' or by scaling.
    Moire,
    /// The emitters themselves, resolved.
    PixelStructure,
}

impl Kind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Flicker => "flicker",
            Self::Bands => "scan bands",
            Self::Moire => "moiré",
            Self::PixelStructure => "pixel structure",
        }
    }
}

/// An artefact's size against what can be seen, and the degree of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Judged {
    /// Times the threshold of visibility.
    pub multiple: f64,
    /// The degree.
    pub degree: Degree,
}

impl Judged {
    /// Of a multiple of the threshold.
    pub fn of(multiple: f64) -> Self {
        Self { multiple, degree: Degree::of(multiple) }
    }
}
