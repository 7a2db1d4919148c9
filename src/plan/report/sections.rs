//! The sections of a chapter.

use super::page::{Cell, Page, base64, escaped};
use super::shutter::{Checked, nearest};
use super::{Chapter, Shown, setup};
use crate::artefact::{Degree, Kind};
use crate::predict::focus::Side;
use crate::predict::shutters::Setting;
use crate::predict::unknowns::{KINDS, severity};
use crate::predict::{Cause, Finding, assumed};
use crate::scene::describe;
use crate::units::{angle, frequency, length, number, percent, shutter, stops, time};

/// Farther than this from the mark a lens's scale has nothing but infinity, metres: common practice, no source.
const FAR_M: f64 = 50.0;

/// Titles of a table.
pub(super) fn head(titles: &[&str]) -> Vec<String> {
    titles.iter().map(|t| (*t).to_owned()).collect()
}

/// A share as a contrast: nothing where it is next to nothing.
pub(super) fn contrast(share: f64) -> String {
    if share < 5e-5 { "0 %".into() } else { percent(share) }
}

impl Chapter {
    /// Writes the chapter.
    pub(super) fn write(&self, page: &mut Page, number: usize) {
        let first = if number == 1 { " first" } else { "" };
        page.start("article", &format!("id=\"scene-{number}\""));
        page.leaf("h2", &format!("class=\"chapter{first}\""), &self.scene.name);
        if let Some(about) = &self.about {
            page.line(about);
        }
        self.warning(page);
        self.verdicts(page);
        self.questions(page);
        self.advised(page);
        self.drawn(page);
        self.pictures(page);
        self.card(page);
        self.shutter_table(page);
        self.focus_table(page);
        self.avoided(page);
        self.levels(page);
        let mut light = self.light.lines();
        light.extend(self.room_light());
        let groups = [
            ("Exposure and light", light),
            ("The wall's pictures and the camera's frames", self.timing.lines()),
            ("People in the room", self.people.lines()),
            ("Taken for granted", assumed(&self.scene)),
        ];
        for (title, lines) in groups {
            page.start("section", "");
            page.leaf("h3", "", title);
            page.list(&lines.iter().map(|l| upper(l).replace('`', "'")).collect::<Vec<_>>());
            page.end();
        }
        page.start("section", "");
        page.leaf("h3", "", "The scene as it was understood");
        page.leaf("pre", "", &describe(&self.scene));
        page.end();
        page.end();
    }

    /// The warning of a wall that flickers slowly.
    pub(super) fn warning(&self, page: &mut Page) {
        if self.people.photosensitivity_warning {
            page.leaf(
                "p",
                "class=\"warning\"",
                "Warning: this wall itself flickers below 90 Hz, more than the limit for seizures allows (IEEE Std 1789-2015). Warn everybody on set, and have it looked at by qualified people before anybody works in it.",
            );
        }
    }

    /// Kinds, the worst first; flicker before moiré among equals.
    fn ranked(&self) -> Vec<Kind> {
        let mut kinds = KINDS.to_vec();
        let rank = |k: Kind| std::cmp::Reverse(severity(self.prediction.degree(k, false)));
        kinds.sort_by_key(|k| (rank(*k), *k));
        kinds
    }

    /// The worst degree of all.
    pub(super) fn overall(&self) -> Degree {
        let degrees = KINDS.iter().map(|k| self.prediction.degree(*k, false));
        degrees.max_by_key(|d| severity(*d)).unwrap_or(Degree::CannotSay)
    }

    fn verdicts(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Verdicts");
        if self.prediction.places == 0 {
            page.line("Can't say: the recorded picture does not see the wall.");
            page.end();
            return;
        }
        let worst = |kind: Kind| Cell::Verdict(self.prediction.degree(kind, false));
        let rows: Vec<Vec<Cell>> = self
            .ranked()
            .into_iter()
            .map(|kind| {
                let found = self.prediction.of(kind);
                let times = found.map_or("nothing".to_owned(), |f| number(f.worst.multiple));
                let planned = Cell::Verdict(self.prediction.degree(kind, true));
                vec![kind.words().into(), worst(kind), planned, times.into()]
            })
            .collect();
        page.table(
            "What will show, the worst first",
            &head(&["", "at worst", "as planned", "times what is seen"]),
            &rows,
        );
        let t = &self.scene.tolerances;
        page.leaf(
            "p",
            "class=\"quiet\"",
            &format!(
                "At worst: distance off by up to {}, focal length by {}, turns by {}, readout by {}. Watched from {} picture heights on a display whose white has {} cd/m².",
                percent(t.distance),
                percent(t.focal),
                angle(t.turn_rad),
                percent(t.readout),
                number(self.scene.viewing.distance_heights),
                number(self.scene.viewing.white_nits)
            ),
        );
        for kind in self.ranked() {
            let shown = self.prediction.of(kind).filter(|f| f.worst.degree != Degree::Clean);
            if let Some(finding) = shown {
                page.line(&format!("{}: {}", upper(kind.words()), self.finding(finding)));
            }
        }
        for unsure in &self.prediction.unsure {
            page.line(&format!(
                "{}: can't be called clean: {}.",
                upper(unsure.kind.words()),
                unsure.why
            ));
        }
        page.list(&self.extra.taken);
        page.end();
    }

    /// What is seen, in a sentence or two.
    fn finding(&self, finding: &Finding) -> String {
        let wave = &finding.seen.wave;
        match finding.cause {
            Cause::CabinetEdges => {
                return format!(
                    "steps of up to {} in light where cabinets meet whose clocks differ.",
                    percent(wave.luma())
                );
            }
            Cause::Pictures => {
                let t = &self.timing;
                return format!(
                    "the wall's pictures do not come in step with the camera: of {} frames {} hold two pictures, {} repeat one; neighbours differ by up to {} in some part.",
                    t.frames,
                    t.torn_frames,
                    t.doubled_frames,
                    percent(wave.luma())
                );
            }
            Cause::Wave => {}
        }
        let delivery = &self.scene.deliveries[0].delivery;
        let width = f64::from(delivery.size.map_or(self.scene.camera.crop.width, |s| s.0));
        let period = wave.period_px();
        let strong = match wave.chroma() > wave.luma() {
            true => {
                format!("{} in light, {} in colour", percent(wave.luma()), percent(wave.chroma()))
            }
            false => percent(wave.luma()),
        };
        let size = match period < 4.0 * width {
            true => format!(
                "{} px from crest to crest, {} of the picture's width",
                number(period),
                percent(period / width)
            ),
            false => "longer than the picture".to_owned(),
        };
        match finding.kind {
            Kind::Flicker | Kind::Bands => {
                let hz = finding.seen.roll_hz.abs();
                let moves = match (finding.kind, hz < 0.01) {
                    (_, true) => "they stand still".to_owned(),
                    (Kind::Bands, false) => {
                        format!("{} bands pass a place in a second", number(hz))
                    }
                    (_, false) => {
                        format!("the light goes up and down {} times a second", number(hz))
                    }
                };
                let drive_hz = f64::from(finding.seen.origin.k) / self.scene.drive.timing().frame_s;
                format!(
                    "waves of {strong}, {size}; {moves}. Worst where the wall shows {} of its white. They come from the wall's pulses, {} a second: {} of them fall into one exposure, and a whole number would be clean.",
                    percent(finding.level),
                    frequency(drive_hz).trim_end_matches(" Hz"),
                    number(drive_hz * self.scene.camera.exposure_s)
                )
            }
            Kind::Moire => format!("waves of {strong}, {size}."),
            Kind::PixelStructure => {
                format!("the wall's own pixels, with a contrast of {strong}, {size}.")
            }
        }
    }

    fn questions(&self, page: &mut Page) {
        let Some((open, found)) = &self.extra.questions else { return };
        page.start("section", "");
        page.leaf("h3", "", "Questions");
        page.line(&format!(
            "{} not known. The verdicts over their ranges ({} points looked at); everything else in this report is worked out at the worst point that was found.",
            if open.values.len() == 1 { "One value is".to_owned() } else { format!("{} values are", open.values.len()) },
            found.looked_at
        ));
        let mut kinds: Vec<_> = found.kinds.iter().collect();
        kinds.sort_by_key(|k| (std::cmp::Reverse(severity(k.worst.degree)), k.kind));
        let rows: Vec<Vec<Cell>> = kinds
            .iter()
            .map(|k| {
                vec![
                    k.kind.words().into(),
                    Cell::Verdict(k.degree()),
                    Cell::Verdict(k.best.degree),
                    Cell::Verdict(k.worst.degree),
                ]
            })
            .collect();
        page.table("Over the ranges", &head(&["", "verdict", "at best", "at worst"]), &rows);
        let (decide, rest): (Vec<_>, Vec<_>) = found.influences.iter().partition(|i| i.matters());
        if decide.is_empty() {
            page.line("Nothing to ask: the verdicts are the same over all of the ranges.");
        } else {
            page.line("To ask, what decides most first:");
            page.start("ol", "");
            for influence in decide {
                let v = &open.values[influence.value];
                let usually = if v.is_unknown { "usually " } else { "" };
                let swings: Vec<String> = influence
                    .decides()
                    .map(|s| format!("{} ({})", s.kind.words(), s.words()))
                    .collect();
                let words = format!(
                    "{} ({usually}{}). Decides {}. {}. ",
                    v.help.trim_end_matches('.').replace('`', "'"),
                    v.range_words(),
                    swings.join("; "),
                    upper(v.ask.trim_end_matches('.'))
                );
                let key = escaped(&v.key);
                page.raw(&format!("<li>{}<code>{key}</code></li>\n", escaped(&words)));
            }
            page.end();
        }
        if !rest.is_empty() {
            let names: Vec<String> = rest
                .iter()
                .map(|i| {
                    let v = &open.values[i.value];
                    format!("{} ({})", v.key, v.range_words())
                })
                .collect();
            page.line(&format!("Changes no verdict here, no need to ask: {}.", names.join("; ")));
        }
        page.end();
    }

    fn drawn(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Set-up");
        page.start("div", "class=\"side\"");
        for (title, svg) in setup::drawings(&self.scene) {
            page.start("figure", "");
            page.raw(&svg);
            page.leaf("figcaption", "", &format!("{title}. To scale, both drawings in the same."));
            page.end();
        }
        page.end();
        page.start("ul", "class=\"legend\"");
        for (sample, words) in setup::legend(&self.scene) {
            page.raw(&format!("<li>{sample}<span>{}</span></li>\n", escaped(&upper(&words))));
        }
        page.end();
        if self.scene.moves.is_some() {
            page.line("The camera moves: drawn is where it stands without its move.");
        }
        page.end();
    }

    fn pictures(&self, page: &mut Page) {
        if self.extra.shown.is_empty() {
            return;
        }
        page.start("section", "");
        page.leaf("h3", "", "Predicted frame");
        let (exact, scaled): (Vec<_>, Vec<_>) = self.extra.shown.iter().partition(|s| s.exact);
        for shown in scaled {
            picture(page, shown);
        }
        page.start("div", "class=\"pair\"");
        for shown in exact {
            picture(page, shown);
        }
        page.end();
        page.end();
    }
    fn shutter_table(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Shutters");
        let Some(first) = self.shutters.table.first() else {
            page.end();
            return;
        };
        let mut titles = head(&["shutter", "angle", "whole picture, at worst", "light"]);
        titles.extend(first.bands.iter().map(|b| format!("bands on {}", b.of)));
        let settings = self.shutters.table.iter().zip(&self.checked);
        let rows: Vec<Vec<Cell>> = settings.map(|(s, c)| shutter_row(s, c)).collect();
        page.table("Shutters near the planned one, shortest first", &titles, &rows);
        page.leaf(
            "p",
            "class=\"quiet\"",
            "Bands as a share of the light in the middle of the picture, '!' where they are seen; what they do together with the wall's rows of pixels, and what the set may be off by, is in the verdict of the whole picture. A moving plate that tears is told under the wall's pictures. Light is told against the planned shutter.",
        );
        page.list(&self.clean_lines());
        page.end();
    }

    fn focus_table(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Nearest focus to the wall");
        page.line("How near to the wall the focus may come before moiré or the wall's pixels show. Everything farther off is clean; nearer, a distance may look clean by luck.");
        self.focus_rows(page, true);
        page.end();
    }

    /// The table of the nearest focus, stop by stop; all of them, or those next to the planned one.
    pub(super) fn focus_rows(&self, page: &mut Page, all: bool) {
        let Some(focus) = &self.focus else {
            page.line("Can't say: the lens axis does not meet the wall.");
            return;
        };
        let present = focus.stops.iter().position(|s| s.present).unwrap_or(0);
        let near = |i: usize| all || i.abs_diff(present) <= 1;
        let rows: Vec<Vec<Cell>> = focus
            .stops
            .iter()
            .enumerate()
            .filter(|(i, _)| near(*i))
            .map(|(_, s)| {
                let now = if s.present { " (planned)" } else { "" };
                vec![
                    format!("f/{}{now}", number(s.f_number)).into(),
                    side(&s.before_wall).into(),
                    side(&s.behind_wall).into(),
                ]
            })
            .collect();
        page.table(
            &format!(
                "Focus at least so far from the wall; wall {} from the lens",
                length(focus.wall_from_lens_m)
            ),
            &head(&["stop", "focus before the wall", "focus behind it"]),
            &rows,
        );
    }

    fn avoided(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Distances and focal lengths to avoid");
        page.line("For moiré and pixel structure, everything else as in the scene, focus as the scene has it. Between the values nothing was looked at.");
        self.strips(page);
        page.end();
    }

    /// The ranges as strips with words.
    pub(super) fn strips(&self, page: &mut Page) {
        for avoid in &self.avoid {
            match &avoid.found {
                Ok(swept) => {
                    page.raw(&swept.strip(avoid.what));
                    page.line(&format!("{}: {}.", upper(avoid.what), swept.lines().join("; ")));
                }
                Err(why) => {
                    page.line(&format!("{}: not looked through: {why}.", upper(avoid.what)))
                }
            }
        }
    }

    fn levels(&self, page: &mut Page) {
        page.start("section", "");
        page.leaf("h3", "", "Dark plates");
        let rows: Vec<Vec<Cell>> = self
            .hold
            .levels
            .iter()
            .map(|l| {
                vec![
                    percent(l.share).into(),
                    format!("{} cd/m²", number(l.share * self.light.white_nits)).into(),
                    Cell::Verdict(Degree::of(l.multiple)),
                    if l.multiple > 0.0 { number(l.multiple) } else { "nothing".into() }.into(),
                ]
            })
            .collect();
        page.table(
            "Flicker and bands by the level that the wall shows, at worst",
            &head(&["level, of white", "light", "verdict", "times what is seen"]),
            &rows,
        );
        page.line("Steps between neighbouring greys:");
        page.list(&self.stepping.lines().iter().map(|l| upper(l)).collect::<Vec<_>>());
        page.end();
    }
}

impl Chapter {
    /// What is clean: the periods of which an exposure should hold a whole number, then the settings.
    pub(super) fn clean_lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        let planned = self.checked.iter().find(|c| c.present);
        if let Some(c) = planned.filter(|c| !c.clean) {
            lines.push(format!(
                "The planned {} ({}) is not clean",
                c.written,
                shutter(c.exposure_s)
            ));
        }
        let clean: Vec<String> = nearest(&self.checked).iter().map(|c| c.words()).collect();
        lines.push(match clean.is_empty() {
            true => "No shutter within 1½ stops of the planned one is clean".to_owned(),
            false => format!("Clean, the nearest in light first: {}", clean.join("; ")),
        });
        // Sources of one period in one line.
        let mut periods: Vec<(String, Vec<&str>)> = Vec::new();
        for c in &self.shutters.clean {
            let rule = match (c.period_s, c.frequency_hz) {
                (Some(s), Some(hz)) => {
                    format!("clean at whole numbers of {} ({})", time(s), frequency(hz))
                }
                _ => "steady, clean at every shutter".to_owned(),
            };
            match periods.iter_mut().find(|(r, _)| *r == rule) {
                Some((_, of)) => of.push(&c.of),
                None => periods.push((rule, vec![&c.of])),
            }
        }
        lines.extend(periods.iter().map(|(rule, of)| upper(&format!("{}: {rule}", of.join(", ")))));
        lines
    }
}

fn shutter_row(s: &Setting, checked: &Checked) -> Vec<Cell> {
    let planned = if s.present { " (planned)" } else { "" };
    let mut row: Vec<Cell> = vec![
        format!("{}{planned}", s.written).into(),
        format!("{}°", number(s.shutter_angle_deg)).into(),
        Cell::Verdict(checked.wall),
        stops(s.stops).into(),
    ];
    row.extend(s.bands.iter().map(|b| {
        let seen = if b.multiple < 1.0 { "" } else { " !" };
        Cell::from(format!("{}{seen}", contrast(b.contrast)))
    }));
    row
}

/// A picture with what stands below it. The figure is as wide as a picture that must not be scaled.
fn picture(page: &mut Page, shown: &Shown) {
    let (width, height) = shown.size;
    let exact = format!("class=\"exact\" style=\"max-width:{width}px\"");
    page.start("figure", if shown.exact { &exact } else { "" });
    page.raw(&format!(
        "<img {}alt=\"{}\" width=\"{width}\" height=\"{height}\" src=\"data:image/png;base64,{}\">\n",
        if shown.exact { "" } else { "class=\"whole\" " },
        escaped(&shown.alt),
        base64(&shown.png)
    ));
    page.leaf("figcaption", "", &shown.caption);
    page.end();
}

/// One side of the wall, in a few words.
pub(super) fn side(side: &Side) -> String {
    let why = side.limited_by.map_or("", Kind::words);
    match (side.safe, side.planned) {
        _ if side.all_clean => "clean even on the wall".into(),
        (Some(clean), planned) => {
            let mark = match clean.from_mark_m {
                m if m > FAR_M => "near infinity".into(),
                m => format!("{} from the mark", length(m)),
            };
            let planned = match planned {
                Some(p) if p.from_wall_m < clean.from_wall_m => {
                    format!("; {} if all is as planned", length(p.from_wall_m))
                }
                None => "; on the wall itself if all is as planned".into(),
                Some(_) => String::new(),
            };
            format!("{} ({mark}{planned}); nearer {why} shows", length(clean.from_wall_m))
        }
        _ => format!("no focus is clean: {why}"),
    }
}

/// With a large first letter.
pub(super) fn upper(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    first + letters.as_str()
}
