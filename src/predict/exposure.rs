//! Exposure of the wall, and the light that it throws on who stands in front of it.
//!
//! The subject is a small surface on the lens axis. The wall counts as an even face, facet by facet, of white or of the mean of
//! what it shows; emitters' falloff to the sides and the diffuser's loss are in it, room light and other lamps are not.

use super::form_factor::Rectangle;
use crate::scene::Scene;
use crate::scene::derived::{ExposureNumbers, exposure as numbers, white_light};
use crate::sensor::photons::{focal_plane_exposure_lx_s, stops_about_mid_grey};
use crate::units::{length, number, percent, stops};
use glam::DVec3;
use serde::Serialize;
use std::f64::consts::PI;

/// Share of light that a grey card reflects: common practice.
pub const CARD: f64 = 0.18;
/// A minute of arc, radians: what normal sight (20/20) resolves.
const ARC_MINUTE_RAD: f64 = PI / 10_800.0;
/// Stops about mid-grey of a white that reflects all, where mid-grey reflects 18 %: log₂(1/0.18).
const WHITE_STOPS: f64 = 2.473_931_188_332_412;

/// Light on one side of the subject.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SideLight {
    /// Which side.
    pub side: &'static str,
    /// Illuminance from a wall all white, lux.
    pub white_lx: f64,
    /// From what it shows, lux.
    pub content_lx: f64,
    /// What a grey card of 18 % on that side reads against mid-grey at the camera's exposure with the wall all white, stops; `None` in the dark.
    pub white_card_stops: Option<f64>,
    /// The same with what it shows.
    pub content_card_stops: Option<f64>,
}

/// Light on the subject.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SubjectLight {
    /// Distance from the subject to the wall along the lens axis, metres; `None` where the axis misses the wall.
    pub before_wall_m: Option<f64>,
    /// On its back, on its side, on its front.
    pub sides: Vec<SideLight>,
}

/// Exposure and light.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Light {
    /// The wall's light at the sensor.
    pub exposure: ExposureNumbers,
    /// Luminance of white in front of the wall, cd/m².
    pub white_nits: f64,
    /// Mean luminance of what it shows, cd/m².
    pub content_nits: f64,
    /// Neutral density, stops.
    pub neutral_density_stops: f64,
    /// f-number.
    pub f_number: f64,
    /// Exposure index.
    pub exposure_index: f64,
    /// Light on the subject; `None` where the scene has none.
    pub subject: Option<SubjectLight>,
    /// Distance from which on normal sight, a minute of arc, no longer resolves the pitch, metres.
    pub pitch_unresolved_from_m: f64,
}

/// Distance at which a pitch spans a minute of arc, metres.
pub fn unresolved_from_m(pitch_m: f64) -> f64 {
    pitch_m / libm::tan(ARC_MINUTE_RAD)
}

/// Illuminance of a small surface at `place_m` that faces `facing` from the whole wall, all of it at `nits`, lux.
pub fn illuminance_lx(scene: &Scene, place_m: DVec3, facing: DVec3, nits: f64) -> f64 {
    let wall = &scene.wall;
    let (_, shares) = white_light(scene);
    let falloffs = wall.emitters.map(|e| {
        let of = |a: f64| (libm::log(0.5) / libm::log(libm::cos(a))).max(0.0);
        e.half_angle_rad.map_or(0.0, of)
    });
    let mut sum = 0.0;
    for (face, size_m) in wall.sheets() {
        let axes = face.axes;
        let rectangle = Rectangle {
            centre_m: face.centre_m,
            right: axes.x_axis,
            up: axes.y_axis,
            front: axes.z_axis,
            size_m,
        };
        let mut known: Vec<(f64, f64)> = Vec::new();
        for (falloff, share) in falloffs.into_iter().zip(shares) {
            // Colours are mostly alike.
            let found = known.iter().find(|(k, _)| *k == falloff).map(|(_, light)| *light);
            let light = found.unwrap_or_else(|| rectangle.falling(place_m, facing, falloff));
            known.push((falloff, light));
            sum += share * light;
        }
    }
    sum * nits
}

/// What a grey card under so many lux reads against mid-grey, stops; `None` in the dark.
pub fn card_stops(scene: &Scene, lux: f64) -> Option<f64> {
    let (camera, lens) = (&scene.camera, &scene.lens);
    let lx_s = focal_plane_exposure_lx_s(
        CARD * lux / PI,
        camera.exposure_s,
        lens.transmission,
        lens.working_f_number(),
        1.0,
    );
    let stops = stops_about_mid_grey(lx_s, camera.exposure_index);
    stops.is_finite().then_some(stops)
}

/// Exposure and light of a scene.
pub fn light(scene: &Scene) -> Light {
    let exposure = numbers(scene);
    let passed = scene.wall.diffuser.map_or(1.0, |d| d.transmission);
    let white_nits = scene.wall.white_nits * scene.wall.brightness * passed;
    let content_nits = white_nits * exposure.content_mean_share;
    let forward = -scene.pose.turn.z_axis;
    let subject = scene.subject_m.map(|subject_m| {
        let place_m = scene.pose.lens_m + forward * subject_m;
        let side = |side: &'static str, per_nit: f64| {
            let [white_lx, content_lx] = [white_nits, content_nits].map(|nits| per_nit * nits);
            let card = |lux: f64| card_stops(scene, lux);
            let (white_card_stops, content_card_stops) = (card(white_lx), card(content_lx));
            SideLight { side, white_lx, content_lx, white_card_stops, content_card_stops }
        };
        let of = |facing: DVec3| illuminance_lx(scene, place_m, facing, 1.0);
        let right = scene.pose.turn.x_axis;
        SubjectLight {
            before_wall_m: scene.wall.met(scene.pose.lens_m, forward).map(|(m, _)| m - subject_m),
            sides: vec![
                side("towards the wall", of(DVec3::NEG_Z)),
                side("side-on, the brighter side", of(right).max(of(-right))),
                side("towards the camera", of(-forward)),
            ],
        }
    });
    Light {
        exposure,
        white_nits,
        content_nits,
        neutral_density_stops: scene.neutral_density_stops,
        f_number: scene.lens.f_number,
        exposure_index: scene.camera.exposure_index,
        subject,
        pitch_unresolved_from_m: unresolved_from_m(scene.wall.pitch_m),
    }
}

impl Light {
    /// The answer in lines.
    pub fn lines(&self) -> Vec<String> {
        let e = &self.exposure;
        let mut lines = Vec::new();
        let set = format!(
            "f/{}, index {}{}",
            number(self.f_number),
            number(self.exposure_index),
            match self.neutral_density_stops {
                0.0 => String::new(),
                nd => format!(", {} stops of neutral density", number(nd)),
            }
        );
        if let Some(about) = e.full_white_stops_about_mid_grey {
            let clip = match e.full_white_stops_over_clipping {
                Some(over) if over > 0.0 => {
                    format!("clips, {} over what a photosite holds", stops(over))
                }
                Some(over) => format!("clipping is {} stops higher", number(-over)),
                None => "clipping not known".into(),
            };
            lines.push(format!(
                "wall white, {} cd/m², at {set}: {} about mid-grey, {clip}",
                number(self.white_nits),
                stops(about)
            ));
            if let Some(content) = e.content_mean_stops_about_mid_grey {
                lines.push(format!(
                    "what it shows, {} of white on the mean: {} about mid-grey",
                    percent(e.content_mean_share),
                    stops(content)
                ));
            }
            lines.push(self.brighter(about));
        }
        if let Some(subject) = &self.subject {
            for side in &subject.sides {
                let card = |s: Option<f64>| s.map_or("dark".into(), stops);
                lines.push(format!(
                    "subject, {}: {} lx from a white wall (grey card {}), {} lx from what it shows ({})",
                    side.side,
                    number(side.white_lx),
                    card(side.white_card_stops),
                    number(side.content_lx),
                    card(side.content_card_stops)
                ));
            }
            lines.push("A bright wall dazzles those who face it for long, and sudden white more so: keep it low while people work, and follow local rules.".into());
        } else {
            lines
                .push("light on the subject: the scene has none; give `subject.distance_m`".into());
        }
        lines.push(format!(
            "normal sight resolves the pitch up to {}",
            length(self.pitch_unresolved_from_m)
        ));
        lines
    }

    /// Whether a brighter wall would help.
    fn brighter(&self, white_stops: f64) -> String {
        let lacks = WHITE_STOPS - white_stops;
        let picture = if lacks <= 0.0 {
            format!(
                "brighter wall for the picture: not needed, its white is {} stops above a white card's",
                number(-lacks)
            )
        } else {
            format!(
                "brighter wall for the picture: its white is {} stops below a white card's; enough for dusk and night, for a day open up, raise \
                 the index or take out neutral density before renting more light",
                number(lacks)
            )
        };
        let best = self.subject.as_ref().and_then(|s| {
            let of = |s: &SideLight| s.content_card_stops;
            s.sides.iter().filter_map(of).max_by(f64::total_cmp)
        });
        match best {
            Some(card) if card < 0.0 => format!(
                "{picture}; to light a grey card on the subject's brightest side to mid-grey by itself it would need {} times as much",
                number(libm::exp2(-card))
            ),
            Some(card) => {
                format!("{picture}; it lights the subject's brightest side to {}", stops(card))
            }
            None => picture,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{NoPictures, parse};
    use crate::wall::Diffuser;

    fn scene(more: &str) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [1600, 800], white_nits: 1000}}\n\
             lens: {{focal_mm: 35, f_number: 2.8}}\n\
             placement: {{distance_m: 6, measured_from: lens}}\n{more}\n"
        );
        parse(&text, "light", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
    }

    #[test]
    fn a_card_reads_what_the_handbook_says() {
        // Handbook §9: L 1000, t 1/48, N 2.8, T 0.9, m 0: 1.878344 lx·s.
        let lx_s = focal_plane_exposure_lx_s(1000.0, 1.0 / 48.0, 0.9, 2.8, 1.0);
        assert!((lx_s - 1.878344).abs() < 1e-6);
        let lx_s = focal_plane_exposure_lx_s(1000.0, 1.0 / 48.0, 0.9, 2.8 * 1.01, 1.0);
        assert!((lx_s - 1.841333).abs() < 1e-6);
        // A card of 18 % under π·1000/0.18 lx has 1000 cd/m²: as bright as the wall.
        let scene = scene("effects: {viewing_angle: off}");
        let light = light(&scene);
        let card = card_stops(&scene, PI * light.white_nits / CARD).expect("light");
        let white = light.exposure.full_white_stops_about_mid_grey.expect("light");
        assert!((card - white).abs() < 1e-9, "{card} {white}");
        assert_eq!(card_stops(&scene, 0.0), None);
        assert!((WHITE_STOPS - libm::log2(1.0 / CARD)).abs() < 1e-12);
    }

    #[test]
    fn light_on_the_subject_is_that_of_a_rectangle() {
        let scene = scene("subject: {in_front_of_wall_m: 2}\neffects: {viewing_angle: off}");
        let light = light(&scene);
        let subject = light.subject.as_ref().expect("a subject");
        assert!((subject.before_wall_m.expect("met") - 2.0).abs() < 1e-9);
        // 4 m × 2 m, 2 m before its middle: four times the corner's form factor with X = 1, Y = ½.
        let corner = |x: f64, y: f64| {
            let (p, q) = ((1.0 + x * x).sqrt(), (1.0 + y * y).sqrt());
            (x / p * libm::atan(y / p) + y / q * libm::atan(x / q)) / 2.0
        };
        let expected = 4.0 * corner(1.0, 0.5) * light.white_nits;
        let found = subject.sides[0].white_lx;
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
        let share = light.exposure.content_mean_share;
        assert!((subject.sides[0].content_lx / (found * share) - 1.0).abs() < 1e-12);
        // The side that faces the camera sees nothing of a flat wall straight ahead.
        assert_eq!(subject.sides[2].white_lx, 0.0);
        assert_eq!(subject.sides[2].white_card_stops, None);
        assert!(subject.sides[1].white_lx > 0.1 * found);
    }

    #[test]
    fn falloff_and_diffuser_are_in_it() {
        let at = |more: &str| {
            let scene = scene(&format!("subject: {{in_front_of_wall_m: 2}}\n{more}"));
            let subject = light(&scene).subject.expect("a subject");
            subject.sides.iter().map(|s| s.white_lx).collect::<Vec<_>>()
        };
        let even = at("effects: {viewing_angle: off}");
        let falling = at("");
        assert!(falling[0] < 0.95 * even[0], "{falling:?} {even:?}");
        // The far wall gives less to the side than to the front when it falls off.
        assert!(falling[1] / even[1] < falling[0] / even[0]);
        let mut behind = scene("subject: {in_front_of_wall_m: 2}\neffects: {viewing_angle: off}");
        behind.wall.diffuser =
            Some(Diffuser { stand_off_m: 0.01, scatter_rad: 0.5, transmission: 0.7 });
        let dimmed = light(&behind).subject.expect("a subject").sides[0].white_lx;
        assert!((dimmed / even[0] - 0.7).abs() < 1e-12);
    }

    #[test]
    fn an_arc_reaches_around() {
        let text = "wall: {pixel_pitch_mm: 5, size_px: [1600, 400], cabinet_px: [100, 100], white_nits: 1000, arc: {radius_m: 2.2}}\n\
                    lens: {focal_mm: 35, f_number: 2.8}\n\
                    placement: {distance_m: 3}\nsubject: {in_front_of_wall_m: 2.2}\n\
                    effects: {viewing_angle: off}\n";
        let Ok(scene) = parse(text, "arc", &NoPictures) else {
            panic!("{:?}", parse(text, "arc", &NoPictures).err());
        };
        let subject = light(&scene).subject.expect("a subject");
        assert!(subject.sides[2].white_lx > 0.0, "{subject:?}");
        // Most of it lies behind the subject.
        assert!(subject.sides[0].white_lx > subject.sides[2].white_lx);
    }

    #[test]
    fn sight_of_a_minute_of_arc_ends_where_it_should() {
        // 1 mm at 3.4377 m: 1/tan(1′) = 3437.75 (handbook §8 has 1/(N·tan 1′) for picture lines: 3.183 for 1080).
        assert!((unresolved_from_m(1e-3) - 3.43775).abs() < 1e-5);
        assert!((unresolved_from_m(1.0 / 1080.0) - 3.183).abs() < 5e-4);
        let lines = light(&scene("")).lines();
        assert!(lines.iter().any(|l| l.contains("up to 8.594 m")), "{lines:#?}");
    }
}
