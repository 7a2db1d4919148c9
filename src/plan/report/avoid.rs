//! Distances and focal lengths to avoid: one number of the scene through its range, each value judged.

use super::page::{escaped, paint};
use crate::artefact::Degree;
use crate::plan::sweep::{Cell, Sweep, Vary};
use crate::predict::unknowns::{KINDS, severity};
use crate::scene::{ContentPictures, Edit, Input};
use crate::units::{number, parse_length_m};
use serde_json::Value;
use std::fmt::Write as _;

/// From so many times the present value to its inverse.
const TO: f64 = 2.0;
/// Values that are looked at.
const STEPS: usize = 121;
/// So many clean values between others count, 3.5 % together: fewer are luck, and less than a set is off by.
const LUCK: usize = 4;
/// Zones that are listed.
const MOST_ZONES: usize = 5;
/// Of [`KINDS`], those that hang on distance and focal length: moiré and pixel structure; then those that hardly do.
const FRINGES: [usize; 2] = [2, 3];
const TIMES: [usize; 2] = [0, 1];

/// One number through its range.
#[derive(Debug, Clone)]
pub struct Swept {
    /// The values and their key.
    pub sweep: Sweep,
    /// What is found at each.
    pub cells: Vec<Cell>,
    /// The value of the scene.
    pub present: f64,
}

/// A number through its range, or why not.
#[derive(Debug, Clone)]
pub struct Avoid {
    /// What is varied, in words.
    pub what: &'static str,
    /// The answer.
    pub found: Result<Swept, String>,
}

/// A scene as text, to be varied.
pub(super) struct Varied<'a> {
    pub text: &'a str,
    pub name: &'a str,
    pub edits: &'a [Edit],
    pub inputs: &'a [Input],
    pub pictures: &'a (dyn ContentPictures + Sync),
}

/// Distance and focal length from half to twice what they are.
pub(super) fn avoid(scene: &Varied<'_>, moves: bool) -> Vec<Avoid> {
    let numbers = [
        (
            "distance from the camera to the wall",
            &["placement.distance_m", "placement.distance"][..],
        ),
        ("focal length", &["lens.focal_mm"][..]),
    ];
    numbers
        .into_iter()
        .map(|(what, keys)| {
            let found = if moves {
                Err("the camera moves: the verdicts above are those of the whole move".to_owned())
            } else {
                swept(scene, keys)
            };
            Avoid { what, found }
        })
        .collect()
}

/// A key's value, metres for a length.
fn value(input: &Input) -> Option<f64> {
    match &input.value {
        Value::Number(number) => number.as_f64(),
        Value::String(text) => parse_length_m(text).ok(),
        _ => input.in_its_place.as_ref().and_then(Value::as_f64),
    }
}

fn swept(scene: &Varied<'_>, keys: &[&str]) -> Result<Swept, String> {
    let found = keys.iter().find_map(|key| {
        let input = scene.inputs.iter().find(|i| i.key == *key && !i.value.is_null())?;
        Some((*key, value(input)?))
    });
    let Some((key, present)) = found.filter(|(_, v)| *v > 0.0) else {
        return Err(format!("the scene gives no number for {}", keys.join(" or ")));
    };
    let unit = if key == "placement.distance" { " m" } else { "" };
    let end = |value: f64| format!("{value:.4}{unit}");
    let vary = Vary {
        key: key.into(),
        from: end(present / TO),
        to: end(present * TO),
        steps: Some(STEPS),
        is_log: true,
    };
    let sweep = Sweep::new(scene.text, scene.name, scene.edits, &[vary]).map_err(|problems| {
        problems.first().map_or_else(String::new, |p| format!("{}: {}", p.key, p.message))
    })?;
    let shown = sweep.shown(scene.pictures);
    let cells = sweep.row(0, scene.pictures, shown.as_ref());
    Ok(Swept { sweep, cells, present })
}

/// The worst degree of some kinds; `None` where the scene cannot be set up.
fn degree(cell: &Cell, kinds: [usize; 2]) -> Option<Degree> {
    kinds.into_iter().filter_map(|k| cell.degree(k)).max_by_key(|d| severity(*d))
}

/// Neighbouring values alike in whether they are clean.
struct Zone {
    first: usize,
    last: usize,
    clean: bool,
    kinds: Vec<usize>,
}

impl Swept {
    /// Runs of values. Of what is clean between two runs that are not, at least [`LUCK`] values make a run of their own: less is luck.
    fn zones(&self, kinds: [usize; 2]) -> Vec<Zone> {
        let mut zones: Vec<Zone> = Vec::new();
        let add = |zones: &mut Vec<Zone>, zone: Zone| match zones.last_mut() {
            Some(last) if last.clean == zone.clean && last.last + 1 == zone.first => {
                last.last = zone.last;
                for kind in zone.kinds {
                    if !last.kinds.contains(&kind) {
                        last.kinds.push(kind);
                    }
                }
            }
            _ => zones.push(zone),
        };
        for (i, cell) in self.cells.iter().enumerate() {
            if cell.worst().is_none() {
                continue;
            }
            let shows = |k: &usize| {
                // What cannot be said of flicker hangs on the plate, and is told elsewhere.
                let degree = cell.degree(*k);
                let unsaid = degree == Some(Degree::CannotSay) && kinds == TIMES;
                degree != Some(Degree::Clean) && !unsaid
            };
            let shown: Vec<usize> = kinds.into_iter().filter(shows).collect();
            add(&mut zones, Zone { first: i, last: i, clean: shown.is_empty(), kinds: shown });
        }
        let lucky = |i: usize| {
            let (zone, touches) = (&zones[i], |a: &Zone, b: &Zone| a.last + 1 == b.first);
            let between = i > 0
                && i + 1 < zones.len()
                && touches(&zones[i - 1], zone)
                && touches(zone, &zones[i + 1]);
            zone.clean && between && zone.last - zone.first + 1 < LUCK
        };
        let luck: Vec<bool> = (0..zones.len()).map(lucky).collect();
        let mut merged: Vec<Zone> = Vec::new();
        for (mut zone, lucky) in zones.into_iter().zip(luck) {
            zone.clean &= !lucky;
            add(&mut merged, zone);
        }
        merged
    }

    fn words(&self, value: f64) -> String {
        let unit = self.sweep.axes[0].value.unit;
        let unit = if unit.is_empty() { "m" } else { unit };
        format!("{} {unit}", number(libm::round(value * 100.0) / 100.0))
    }

    fn range(&self, zone: &Zone) -> String {
        let steps = &self.sweep.axes[0].steps;
        let [first, last] = [zone.first, zone.last].map(|i| self.words(steps[i]));
        if first == last { format!("around {first}") } else { format!("{first} to {last}") }
    }

    /// A list of zones, not too long.
    fn listed(&self, zones: &[&Zone], kinds: bool) -> String {
        let words = |zone: &&Zone| {
            let names: Vec<&str> = zone.kinds.iter().map(|k| KINDS[*k].words()).collect();
            let range = self.range(zone);
            if kinds { format!("{range} ({})", names.join(" and ")) } else { range }
        };
        let mut all: Vec<String> = zones.iter().take(MOST_ZONES).map(words).collect();
        if zones.len() > MOST_ZONES {
            all.push(format!("and {} more", zones.len() - MOST_ZONES));
        }
        all.join("; ")
    }

    /// The answer in lines.
    pub fn lines(&self) -> Vec<String> {
        let steps = &self.sweep.axes[0].steps;
        let zones = self.zones(FRINGES);
        let (clean, avoid): (Vec<&Zone>, Vec<&Zone>) = zones.iter().partition(|z| z.clean);
        let (Some(low), Some(high)) = (steps.first(), steps.last()) else { return Vec::new() };
        let whole = format!("{} to {}", self.words(*low), self.words(*high));
        let mut lines = Vec::new();
        if zones.is_empty() {
            lines.push(format!("{whole}: the scene cannot be set up at any of them"));
        } else if avoid.is_empty() {
            lines.push(format!("nothing to avoid from {whole}: no moiré and no pixel structure"));
        } else {
            lines.push(format!("avoid {}", self.listed(&avoid, true)));
            lines.push(match clean.is_empty() {
                true => "nothing in between is clean".to_owned(),
                false => format!("clean: {}", self.listed(&clean, false)),
            });
        }
        if self.cells.iter().any(|c| matches!(c, Cell::Refused(_))) {
            lines.push("solid grey: the scene cannot be set up there".to_owned());
        }
        let bands = self.zones(TIMES);
        let bands: Vec<&Zone> = bands.iter().filter(|z| !z.clean).collect();
        if !bands.is_empty() {
            lines.push(format!("besides, by the shutter: {}", self.listed(&bands, true)));
        }
        lines
    }

    /// The range as a strip, hatched as the verdicts are.
    pub(super) fn strip(&self, what: &str) -> String {
        let steps = &self.sweep.axes[0].steps;
        let (Some(low), Some(high)) = (steps.first(), steps.last()) else { return String::new() };
        let (left, width) = (12.0, 336.0);
        let x = |value: f64| left + width * libm::log(value / low) / libm::log(high / low);
        // Edges half-way between the values.
        let edge = |i: usize| match i {
            0 => left,
            i if i >= steps.len() => left + width,
            i => x((steps[i - 1] * steps[i]).sqrt()),
        };
        let mut fills = String::new();
        let mut i = 0;
        while i < self.cells.len() {
            let (start, fill) = (i, degree(&self.cells[i], FRINGES));
            while i < self.cells.len() && degree(&self.cells[i], FRINGES) == fill {
                i += 1;
            }
            // Writing to a string does not fail, here and below.
            let _ = write!(
                fills,
                "<rect x=\"{:.2}\" y=\"16\" width=\"{:.2}\" height=\"16\" fill=\"{}\"/>",
                edge(start),
                edge(i) - edge(start),
                paint(fill)
            );
        }
        let about = escaped(&format!(
            "{what} from {} to {}, now {}: {}",
            self.words(*low),
            self.words(*high),
            self.words(self.present),
            self.lines().join("; ")
        ));
        let now = x(self.present);
        let mut out = format!(
            "<svg class=\"strip\" viewBox=\"0 0 360 48\" role=\"img\" aria-label=\"{about}\" font-size=\"11\">{fills}\
             <rect x=\"{left}\" y=\"16\" width=\"{width}\" height=\"16\" fill=\"none\" stroke=\"#000000\"/>\
             <path d=\"M{now:.1} 35V13l-4 -5h8l-4 5\" stroke=\"#000000\" stroke-width=\"1.6\" fill=\"#000000\"/>"
        );
        let mut text = |x: f64, y: f64, anchor: &str, words: &str| {
            let _ = write!(
                out,
                "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
                escaped(words)
            );
        };
        text(now + 8.0, 11.0, "start", &format!("now {}", self.words(self.present)));
        text(left, 45.0, "start", &self.words(*low));
        text(left + width, 45.0, "end", &self.words(*high));
        out.push_str("</svg>\n");
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A range with so many times the threshold of moiré at each value.
    fn swept(moire: &[f64]) -> Swept {
        let text = "wall: {pixel_pitch_mm: 2.6, size_px: [120, 80]}\nlens: {focal_mm: 35}\nplacement: {distance_m: 4}\n";
        let vary = "placement.distance_m=2..8"
            .parse::<Vary>()
            .map(|v| Vary { steps: Some(moire.len()), ..v });
        let vary = vary.unwrap_or_else(|e| panic!("{e}"));
        let sweep = Sweep::new(text, "avoid", &[], &[vary]).unwrap_or_else(|e| panic!("{e:?}"));
        let cell = |m: &f64| match m.is_nan() {
            true => Cell::Refused("nowhere to stand".into()),
            false => {
                let worst = [0.0, 0.0, *m, 0.0];
                Cell::Judged { planned: worst, worst, unsure: [true, false, false, false] }
            }
        };
        Swept { sweep, cells: moire.iter().map(cell).collect(), present: 4.0 }
    }

    #[test]
    fn zones_are_told_and_luck_is_not() {
        // 2 to 8 m in 13 steps of half a metre.
        let none = f64::NAN;
        let found = swept(&[none, 3.0, 3.0, 0.1, 3.0, 1.2, 0.1, 0.1, 0.1, 0.1, 3.0, 0.1, 0.1]);
        assert_eq!(
            found.lines(),
            [
                "avoid 2.5 m to 4.5 m (moiré); around 7 m (moiré)",
                "clean: 5 m to 6.5 m; 7.5 m to 8 m",
                "solid grey: the scene cannot be set up there",
            ]
        );
        let clean = swept(&[0.1, 0.2, 0.9]);
        assert_eq!(
            clean.lines(),
            ["nothing to avoid from 2 m to 8 m: no moiré and no pixel structure"]
        );
        let dirty = swept(&[1.1, 2.0, 9.0]);
        assert_eq!(dirty.lines(), ["avoid 2 m to 8 m (moiré)", "nothing in between is clean"]);
        let strip = found.strip("distance");
        assert!(strip.contains("now 4 m") && strip.contains("url(#spoils)"), "{strip}");
    }
}
