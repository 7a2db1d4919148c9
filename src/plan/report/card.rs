//! The card for the set: one page, in the order in which a set asks.

use super::Chapter;
use super::hold::room_light_lx;
use super::page::Page;
use super::sections::upper;
use super::shutter::nearest;
use crate::artefact::Degree;
use crate::sensor::Readout;
use crate::units::{frequency, length, number, percent, rate, shutter, stops, time};

/// The headings of the card, in their order.
pub const HEADINGS: [&str; 7] = [
    "Clean shutters",
    "Genlock",
    "Nearest focus to the wall",
    "Distances and focal lengths to avoid",
    "Darkest plate level that holds",
    "Lighting limits",
    "Test shot before the day",
];

impl Chapter {
    /// Writes the card.
    pub(super) fn card(&self, page: &mut Page) {
        page.start("section", "class=\"card\"");
        page.leaf("h3", "", &format!("Card for the set: {}", self.scene.name));
        page.leaf("p", "class=\"quiet\"", &self.set());
        self.warning(page);
        if let Some(line) = self.first_change() {
            page.leaf("p", "class=\"now\"", &line);
        }
        let parts: [fn(&Self, &mut Page); 7] = [
            Self::card_shutters,
            Self::card_genlock,
            Self::card_focus,
            Self::strips,
            Self::card_dark,
            Self::card_light,
            Self::card_test,
        ];
        for (title, part) in HEADINGS.into_iter().zip(parts) {
            page.leaf("h4", "", title);
            part(self, page);
        }
        page.end();
    }

    /// What the card holds for, in a line.
    fn set(&self) -> String {
        let (lens, camera) = (&self.scene.lens, &self.scene.camera);
        let known = if self.extra.questions.is_some() || !self.extra.taken.is_empty() {
            " Some values are not known: see the questions."
        } else {
            ""
        };
        format!(
            "Holds for: {} mm at f/{}, focus {} from the lens; {}, {} ({}°), exposure index {}; wall {} from pixel to pixel. Verdict at worst: {}.{known}",
            number(lens.focal_m * 1e3),
            number(lens.f_number),
            length(libm::round(lens.focus_m * 1e3) / 1e3),
            rate(camera.fps),
            shutter(camera.exposure_s),
            number(360.0 * camera.fps * camera.exposure_s),
            number(camera.exposure_index),
            length(self.scene.wall.pitch_m),
            self.overall().words()
        )
    }

    fn card_shutters(&self, page: &mut Page) {
        page.list(&self.clean_lines());
    }

    fn card_genlock(&self, page: &mut Page) {
        let mut lines = Vec::new();
        match &self.shutters.sync {
            None => lines.push("the wall's light is steady: no bands whatever the clocks; genlock still keeps its pictures from tearing".to_owned()),
            Some(sync) => {
                let clock = match sync.one_clock {
                    true => "planned with genlock: feed wall and camera one reference, and check on both that they are locked",
                    false => "planned without genlock: wall and camera run on clocks of their own, bands roll and pictures tear; ask for genlock",
                };
                lines.push(clock.to_owned());
                let roll = match sync.roll_hz.abs() {
                    hz if hz < 0.01 => "bands of the refresh, if any, stand still".to_owned(),
                    hz => format!("bands of the refresh, if any, roll at {}", frequency(hz)),
                };
                lines.push(format!(
                    "the wall refreshes {} times in a frame ({}); {roll}",
                    number(sync.refreshes_per_frame),
                    frequency(sync.refresh_hz)
                ));
            }
        }
        let t = &self.timing;
        lines.push(format!(
            "wall fed {}, camera {}: {} of {} frames hold two pictures",
            frequency(t.video_hz),
            rate(t.frame_rate_fps),
            t.torn_frames,
            t.frames
        ));
        page.list(&lines.iter().map(|l| upper(l)).collect::<Vec<_>>());
    }

    fn card_focus(&self, page: &mut Page) {
        self.focus_rows(page, false);
    }

    fn card_dark(&self, page: &mut Page) {
        let hold = &self.hold;
        let level = |share: f64| {
            let top = f64::from((1_u32 << self.scene.wall.bits) - 1);
            format!(
                "{} of white ({} cd/m², code {} of {})",
                percent(share),
                number(share * self.light.white_nits),
                libm::round(self.scene.wall.transfer.code(share) * top),
                top
            )
        };
        let steps = "steps between greys can be seen in smooth gradients up to 18 % of white: grain or dither in the plate hides them";
        let lines = match (hold.steady_from_share, hold.smooth_from_share) {
            (None, _) => vec![
                "no plate holds with this shutter: flicker or bands are seen even at white"
                    .to_owned(),
                match hold.smooth_from_share {
                    Some(share) => {
                        format!("steps between greys: none seen from {} up", level(share))
                    }
                    None => steps.to_owned(),
                },
            ],
            (Some(steady), None) => {
                vec![
                    format!("neither flicker nor bands from {} up", level(steady)),
                    steps.to_owned(),
                ]
            }
            (Some(steady), Some(smooth)) => vec![
                format!(
                    "plates hold from {} up: no flicker, no bands, no steps between greys",
                    level(steady.max(smooth))
                ),
                match steady < smooth {
                    true => format!("flicker and bands alone: none from {} up", level(steady)),
                    false => format!("steps alone: none seen from {} up", level(smooth)),
                },
            ],
        };
        page.list(&lines.iter().map(|l| upper(l)).collect::<Vec<_>>());
        let looked: Vec<String> = hold.levels.iter().map(|l| number(l.share * 100.0)).collect();
        let looked = format!(
            "Levels that were looked at for flicker and bands: {} % of white.",
            looked.join(", ")
        );
        page.leaf("p", "class=\"quiet\"", &looked);
    }

    /// What room light does to the wall's black.
    pub(super) fn room_light(&self) -> Vec<String> {
        let share = self.hold.steady_from_share.unwrap_or(0.01).min(0.02);
        let reflectance = self.scene.wall.build.reflection.reflectance;
        let Some(lux) = room_light_lx(&self.scene, share) else {
            return vec!["room light: the scene's wall reflects none".to_owned()];
        };
        vec![format!(
            "room light on the wall's face: {} lx lift its black to {} of white (a face that reflects {}); keep it well below, flag lamps off the wall",
            number(libm::round(lux * 10.0) / 10.0),
            percent(share),
            percent(reflectance)
        )]
    }

    fn card_light(&self, page: &mut Page) {
        let mut lines = self.room_light();
        if let Some(over) = self.light.exposure.full_white_stops_over_clipping {
            lines.push(match over > 0.0 {
                true => format!(
                    "the wall's white clips, {} over: keep the plate or the wall's brightness down",
                    stops(over)
                ),
                false => format!(
                    "the wall's white is {} below clipping",
                    stops(-over).trim_start_matches('+')
                ),
            });
        }
        if let Some(subject) = &self.light.subject {
            let sides: Vec<String> = subject
                .sides
                .iter()
                .map(|s| {
                    format!("{} {} lx", s.side, number(libm::round(s.content_lx * 10.0) / 10.0))
                })
                .collect();
            lines.push(format!("the plate lights the subject: {}", sides.join(", ")));
        }
        for lamp in &self.scene.other_light {
            lines.push(format!(
                "{}: its light pulses at {}; its clean shutters are above",
                lamp.name,
                frequency(lamp.frequency_hz)
            ));
        }
        lines.push(format!(
            "full white is {} cd/m²: come up slowly, keep it low while people work, follow local rules",
            number(self.light.white_nits)
        ));
        page.list(&lines.iter().map(|l| upper(l)).collect::<Vec<_>>());
    }

    fn card_test(&self, page: &mut Page) {
        let scene = &self.scene;
        let camera = &scene.camera;
        let readout = match camera.readout {
            Readout::Global => "all rows at once".to_owned(),
            Readout::Rolling { readout_s, .. } => format!("readout {}", time(readout_s)),
        };
        page.line(&format!(
            "Before the day, with this very wall, its processor and settings, and this camera in this mode ({} × {} recorded, {}, {readout}): a prediction is no promise, this shot settles it. Warn everybody first: test pictures are bright and may flicker.",
            camera.crop.width,
            camera.crop.height,
            rate(camera.fps)
        ));
        let mut shutters = vec![shutter(camera.exposure_s)];
        let clean = nearest(&self.checked).into_iter().filter(|c| !c.present);
        shutters.extend(clean.take(2).map(|c| c.written.clone()));
        let t = &scene.tolerances;
        let wall = &scene.wall;
        let points = [
            format!(
                "Show even greys of 100, 50, 18, 5, 2 and 1 % of white, then the darkest plate of the shoot ('gridbeat test-pictures --size {}x{}' makes the greys).",
                wall.columns, wall.rows
            ),
            format!("Record 10 s of each at {}, lens, stop and distance as on this card.", shutters.join(", ")),
            format!(
                "At the planned shutter move the camera {} nearer and farther, pan and roll it by {}°, and pull focus slowly from the subject to the wall.",
                percent(t.distance.max(0.02)),
                number((t.turn_rad * 180.0 / std::f64::consts::PI).max(2.0))
            ),
            "Play the recording back 1:1, not from the camera's own screen: look for bands and steps on the greys, step through frames for flicker and torn pictures, look for waves while the camera moves.".to_owned(),
            self.verdict_of_test(),
        ];
        page.start("ol", "");
        for point in points {
            page.leaf("li", "", &point);
        }
        page.end();
    }

    /// What the test should show if the prediction holds.
    fn verdict_of_test(&self) -> String {
        match self.overall() {
            Degree::Clean => "Predicted is a clean picture. If anything shows, the wall is not as its papers say: write down what, and change the plan.".to_owned(),
            Degree::CannotSay => "The prediction cannot say: the test decides.".to_owned(),
            _ => {
                let kinds: Vec<&str> = self
                    .prediction
                    .worst
                    .iter()
                    .filter(|f| f.worst.degree != Degree::Clean)
                    .map(|f| f.kind.words())
                    .collect();
                format!("Predicted is that it shows {}: mend the plan before the test, and test what was mended.", kinds.join(" and "))
            }
        }
    }
}
