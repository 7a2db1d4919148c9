//! How the picture is watched and how exact the plan is.

use crate::artefact::Viewing;
use crate::scene::Tolerances;
use crate::scene::written::{TolerancesFile, ViewingFile};
use std::f64::consts::PI;

pub(super) fn viewing(file: &ViewingFile) -> Viewing {
    Viewing {
        distance_heights: file.distance_picture_heights,
        white_nits: file.display_white_nits,
        picture_contrast: file.picture_contrast_percent / 100.0,
    }
}

pub(super) fn tolerances(file: &TolerancesFile) -> Tolerances {
    Tolerances {
        distance: file.distance_percent / 100.0,
        focal: file.focal_percent / 100.0,
        turn_rad: file.turn_deg * PI / 180.0,
        readout: file.readout_percent / 100.0,
    }
}
