//! Variants of a scene side by side: what is predicted and measured of each, what it costs, and their order.

use super::price::Price;
use super::variants::Variant;
use crate::artefact::{Degree, Kind};
use crate::predict::unknowns::{KINDS, severity};
use crate::predict::{Cause, Finding, Prediction};
use serde::Serialize;
use std::cmp::Ordering;

/// What is predicted of one kind of artefact.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Verdict {
    /// The kind.
    pub kind: Kind,
    /// At worst within the tolerances.
    pub at_worst: Degree,
    /// As planned.
    pub as_planned: Degree,
    /// Times the threshold of visibility, at worst.
    pub times_at_worst: f64,
    /// As planned.
    pub times_as_planned: f64,
}

/// A wave measured in a rendered frame against its ideal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Wave {
    /// Contrast of luma: amplitude over the mean.
    pub luma: f64,
    /// Contrast of colour.
    pub colour: f64,
    /// Pixels from crest to crest; `None` for what is even.
    pub period_px: Option<f64>,
    /// Times the threshold of visibility where the wall is white and the frame free of noise.
    pub times_threshold: f64,
    /// Where in the delivered picture, pixels.
    pub at_px: [f64; 2],
}

impl Wave {
    /// The larger contrast.
    pub fn contrast(&self) -> f64 {
        self.luma.max(self.colour)
    }
}

/// What was measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// Part of the delivered picture that was measured: column, row, columns, rows.
    pub part_px: [usize; 4],
    /// Share of it that could be compared: neither clipped, nor too dark, nor beside the wall.
    pub compared_share: f64,
    /// The strongest wave of each of bands, moiré and pixel structure; `None` for none.
    pub bands: Option<Wave>,
    /// See `bands`.
    pub moire: Option<Wave>,
    /// See `bands`.
    pub pixel_structure: Option<Wave>,
}

impl Measured {
    /// Less than this share says nothing of the part.
    const TOO_LITTLE: f64 = 0.05;

    /// Whether there is enough of the wall's light to say what is in it.
    pub fn says_something(&self) -> bool {
        self.compared_share >= Self::TOO_LITTLE
    }

    /// Kinds and what was found of each, in the order of [`KINDS`].
    pub fn kinds(&self) -> [(Kind, Option<Wave>); 3] {
        [
            (Kind::Bands, self.bands),
            (Kind::Moire, self.moire),
            (Kind::PixelStructure, self.pixel_structure),
        ]
    }
}

/// A variant and everything known of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The variant.
    pub variant: Variant,
    /// Its place among those given; 0 for the scene as it is.
    pub given: usize,
    /// By [`KINDS`], flicker first.
    pub verdicts: [Verdict; 4],
    /// Where its worst artefact is.
    pub worst: Option<Finding>,
    /// What it pays.
    pub price: Price,
    /// What was measured.
    pub measured: Measured,
}

/// What is predicted of each kind.
pub fn verdicts(found: &Prediction) -> [Verdict; 4] {
    KINDS.map(|kind| {
        let of = found.of(kind);
        Verdict {
            kind,
            at_worst: found.degree(kind, false),
            as_planned: found.degree(kind, true),
            times_at_worst: of.map_or(0.0, |f| f.worst.multiple),
            times_as_planned: of.map_or(0.0, |f| f.planned.multiple),
        }
    })
}

/// The artefact to look at: the most seen as planned, since the picture shows the plan; of equals the one that comes first in
/// [`KINDS`]. `None` where nothing has a fifth of the threshold.
pub fn worst_seen(found: &Prediction) -> Option<Finding> {
    let mut all: Vec<&Finding> = found.worst.iter().collect();
    all.sort_by(|a, b| b.planned.multiple.total_cmp(&a.planned.multiple).then(a.kind.cmp(&b.kind)));
    all.first().filter(|f| f.planned.multiple >= 0.2).map(|f| **f)
}

/// Whether a finding has a place in the picture, or is of all of it.
pub fn has_place(finding: &Finding) -> bool {
    finding.cause == Cause::Wave && finding.kind != Kind::Flicker
}

impl Row {
    /// The degree over all kinds, at worst: what is known to be bad counts before what cannot be said.
    pub fn degree(&self) -> Degree {
        let all = self.verdicts.iter().map(|v| v.at_worst);
        all.max_by_key(|degree| severity(*degree)).unwrap_or(Degree::Clean)
    }

    /// Worse first: by flicker's degree, which can hardly be repaired; then by the worst degree of all kinds, and by the multiple of
    /// the threshold.
    fn worse_first(&self, other: &Self) -> Ordering {
        let key = |row: &Self| (severity(row.verdicts[0].at_worst), severity(row.degree()));
        let most = |row: &Self| row.verdicts.iter().map(|v| v.times_at_worst).fold(0.0, f64::max);
        key(other).cmp(&key(self)).then(most(other).total_cmp(&most(self)))
    }
}

/// The order in which variants are told: the scene as it is, then the others, flicker first, worst first; of equals the one given first.
pub fn order(rows: &mut [Row]) {
    rows.sort_by(|a, b| {
        (a.given != 0).cmp(&(b.given != 0)).then(a.worse_first(b)).then(a.given.cmp(&b.given))
    });
}
