//! A scene as it stands over a shot: every moment of a move, and every turn that its cabinets have, judged one by one.

use super::assumed::Unsure;
use super::cabinets::{all_turned, edges, turns};
use super::judge::{Finding, Prediction, Settings, by_contrast, in_order, keep};
use super::moves::{Around, NEARLY, moments};
use super::pictures::{Content, content};
use crate::artefact::Kind;
use crate::scene::Scene;
use std::borrow::Cow;

/// The scene in which a finding was made: its frame of a move, its cabinets turned as those were.
pub fn scene_of<'a>(scene: &'a Scene, finding: &Finding) -> Cow<'a, Scene> {
    let at = scene.at_frame(finding.frame);
    if turns(&at) == [finding.quarter_turns] {
        at
    } else {
        Cow::Owned(all_turned(&at, finding.quarter_turns))
    }
}

/// Judges every stand of a scene by `one`, and takes the worst.
pub(super) fn over(
    scene: &Scene,
    settings: &Settings,
    lists: bool,
    one: impl Fn(&Scene, &Around<'_>) -> Prediction,
) -> Prediction {
    let (frames, turns) = (moments(scene), turns(scene));
    let mut whole = if scene.moves.is_none() && turns.len() == 1 {
        let mut found = one(scene, &Around::nothing());
        mark(&mut found, 0, turns[0]);
        found
    } else {
        let mut whole: Option<Prediction> = None;
        for &turn in &turns {
            let stood: Vec<(u32, Scene)> =
                frames.iter().map(|&f| (f, all_turned(&scene.at_frame(f), turn))).collect();
            for (number, (frame, at)) in stood.iter().enumerate() {
                let mut found = one(at, &Around::of(&stood, number));
                mark(&mut found, *frame, turn);
                whole = Some(match whole {
                    Some(whole) => joined(whole, found),
                    None => found,
                });
            }
        }
        whole.unwrap_or_default()
    };
    if whole.places > 0 {
        if let Some(found) = edges(scene, settings) {
            keep(&mut whole.worst, found);
        }
        match content(scene, lists) {
            Content::Clean => {}
            Content::Seen(found) => keep(&mut whole.worst, found),
            Content::Unsure(why) => whole.unsure.push(Unsure { kind: Kind::Flicker, why }),
        }
        if scene.moves.is_some() {
            let nearly = whole.worst.iter().filter(|f| (NEARLY..1.0).contains(&f.worst.multiple));
            whole.unsure.extend(nearly.map(|f| Unsure {
                kind: f.kind,
                why: "nearly seen in the frames that were judged: between them the move may bring a little more",
            }));
        }
        in_order(&mut whole.worst);
    }
    whole
}

/// Writes down where findings were made.
fn mark(prediction: &mut Prediction, frame: u32, quarter_turns: u8) {
    let Prediction { worst, fringes, bands, .. } = prediction;
    for finding in worst.iter_mut().chain(fringes).chain(bands) {
        (finding.frame, finding.quarter_turns) = (frame, quarter_turns);
    }
}

/// The worst of two.
fn joined(mut a: Prediction, b: Prediction) -> Prediction {
    for finding in b.worst {
        keep(&mut a.worst, finding);
    }
    a.fringes.extend(b.fringes);
    by_contrast(&mut a.fringes);
    a.bands.extend(b.bands);
    // Where the wall is out of sight for a while, nothing of it shows.
    a.places = a.places.max(b.places);
    a
}
