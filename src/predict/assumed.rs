//! What a prediction takes for granted, and what it therefore cannot say.

use crate::artefact::Kind;
use crate::develop::Demosaic;
use crate::scene::Scene;

/// A kind that cannot be called clean, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unsure {
    /// The kind.
    pub kind: Kind,
    /// Why, for people.
    pub why: &'static str,
}

/// What this scene has that prediction does not look at.
pub(super) fn unsure(scene: &Scene) -> Vec<Unsure> {
    let mut list = Vec::new();
    let mut add = |kind, why| list.push(Unsure { kind, why });
    let build = &scene.wall.build;
    if !scene.drive.is_steady() {
        if build.turned.iter().any(|t| *t > 0) {
            add(Kind::Bands, "some cabinets are turned: bands run another way in them");
        }
        if build.spread.clock_s > 0.0 {
            add(Kind::Bands, "the clocks of the cabinets differ: bands break at their edges");
        }
    }
    if scene.moving.is_some() {
        add(Kind::Flicker, "the wall's picture changes: torn and doubled frames are not judged");
    }
    if scene.moves.is_some() {
        add(Kind::Moire, "the camera moves: it is judged where the shot begins");
        add(Kind::PixelStructure, "the camera moves: it is judged where the shot begins");
    }
    list
}

/// What is taken for granted, in sentences.
pub fn assumed(scene: &Scene) -> Vec<String> {
    let mut list = vec!["even greys on the wall: detail in the picture hides artefacts".to_owned()];
    let delivered = &scene.deliveries[0];
    let delivery = &delivered.delivery;
    if scene.deliveries.len() > 1 {
        let name = delivered.name.as_deref().unwrap_or("without a name");
        list.push(format!("the first of the deliveries ({name}); the others may fold differently"));
    }
    if delivery.demosaic != Demosaic::Bilinear {
        list.push("bilinear demosaic; yours may show up to twice as much or as little".to_owned());
    }
    if delivery.size.is_some() && !delivery.scale_in_linear_light {
        list.push(
            "scaling in linear light; after the curve it differs where contrast is high".to_owned(),
        );
    }
    if scene.wall.build.seam_m > 0.0 || scene.wall.build.spread.gain > 0.0 {
        list.push(
            "cabinets that are alike and join without gaps: their edges show besides".to_owned(),
        );
    }
    if scene.foreground.is_some() {
        list.push("nobody before the wall".to_owned());
    }
    list
}
