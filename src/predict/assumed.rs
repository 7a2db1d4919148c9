//! What a prediction takes for granted, and what it therefore cannot say.

use super::cabinets::turns;
use crate::artefact::Kind;
use crate::develop::Demosaic;
use crate::scene::Scene;
use crate::scene::derived::exposure;

/// A kind that cannot be called clean, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unsure {
    /// The kind.
    pub kind: Kind,
    /// Why, for people.
    pub why: &'static str,
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
    if scene.wall.build.spread.clock_s > 0.0 && !scene.drive.is_steady() {
        list.push(
            "clocks of cabinets apart as far as the spread goes, and steps at their edges seen as well as anything is: they may show less"
                .to_owned(),
        );
    }
    if turns(scene).len() > 1 {
        list.push(
            "every turn of cabinets in sight, whichever of them the picture shows".to_owned(),
        );
    }
    if scene.moves.is_some() {
        list.push(
            "of the move its keyframes, what lies half-way between them and the sharpest frame; each stands for what it leads to"
                .to_owned(),
        );
    }
    if scene.moving.is_some() {
        list.push(
            "pictures that are torn or repeated as bad as neighbours differ; what flashes in the pictures themselves is not judged"
                .to_owned(),
        );
    }
    if exposure(scene).full_white_stops_over_clipping.is_some_and(|over| over > 0.0) {
        list.push(
            "bright levels that clip judged as if they were recorded: what clips hides some of it"
                .to_owned(),
        );
    }
    if scene.foreground.is_some() {
        list.push("nobody before the wall".to_owned());
    }
    list
}
