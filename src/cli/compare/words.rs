//! What the terminal says of variants, and phrases that the sheet uses too.

use crate::artefact::Degree;
use crate::plan::compare::{Measured, Row, Verdict, Wave};
use crate::plan::price::{DepthOfField, Price, SHARP_OVER_DIAGONAL, Sharpness};
use crate::scene::Scene;
use crate::units;
use std::fmt::Write as _;

/// What all variants have in common.
pub(super) struct About<'a> {
    /// The scene's name.
    pub(super) name: &'a str,
    /// The frame that was rendered.
    pub(super) frame: u32,
    /// The scene as it is.
    pub(super) scene: &'a Scene,
}

impl About<'_> {
    /// Heading of sheet and table.
    pub(super) fn title(&self, count: usize) -> String {
        format!("{}, frame {}: {count} ways", self.name, self.frame)
    }

    /// What the answers rest on.
    pub(super) fn foot(&self) -> Vec<String> {
        let t = &self.scene.tolerances;
        vec![
            "The scene as it is comes first, then the others: flicker first, worst first. Ring and brackets: where the worst artefact is predicted. \
             Frame: the part shown at 1:1. Look at it at 100 %: a viewer that scales the sheet makes a moiré of its own."
                .into(),
            format!(
                "Predicted, in times what is seen, at worst (as planned): distance off by up to {}, focal length by {}, turns by {}, readout by {}; \
                 watched from {} picture heights at {} cd/m²; tolerances and viewing of the scene as it is.",
                units::percent(t.distance),
                units::percent(t.focal),
                units::angle(t.turn_rad),
                units::percent(t.readout),
                units::number(self.scene.viewing.distance_heights),
                units::number(self.scene.viewing.white_nits)
            ),
            format!(
                "Sharpness: line pairs per mm on the sensor at which half of the contrast is left, across, in green light; and contrast at half \
                 the photosites' Nyquist frequency. In focus: blur up to 1/{SHARP_OVER_DIAGONAL} of the picture's diagonal; distances from the sensor plane."
            ),
            "'Clean' speaks of pictures, not of people: flicker can trigger seizures in photosensitive people. Take a test shot with this wall and \
             this camera mode before the day."
                .into(),
        ]
    }
}

/// Three digits at most: `0.07`, `5.35`, `37.5`, `112`.
fn short(value: f64) -> String {
    match value {
        v if v < 0.005 => "0".into(),
        v if v < 9.995 => format!("{v:.2}"),
        v if v < 99.95 => format!("{v:.1}"),
        v => format!("{v:.0}"),
    }
}

/// `5.2 (4.8)`: times what is seen, at worst and as planned.
pub(super) fn times(v: &Verdict) -> String {
    format!("{} ({})", short(v.times_at_worst), short(v.times_as_planned))
}

/// Contrast of a measured wave: the larger of luma and colour.
pub(super) fn contrast(measured: &Measured, wave: Option<&Wave>) -> String {
    match wave {
        None if !measured.says_something() => "can't say".into(),
        None => "none".into(),
        Some(w) if w.contrast() < 5e-5 => "under 0.01 %".into(),
        Some(w) => {
            let of = if w.colour > w.luma { "colour" } else { "grey" };
            format!("{} % {of}", short(w.contrast() * 100.0))
        }
    }
}

/// `62 line pairs/mm`.
pub(super) fn mtf50(sharp: &Sharpness) -> String {
    match sharp.mtf50_lines_per_mm {
        None => "all".into(),
        Some(lines) if lines < 9.95 => format!("{lines:.1}"),
        Some(lines) => format!("{lines:.0}"),
    }
}

/// `55 %`, of contrast at half Nyquist.
pub(super) fn half_nyquist(sharp: &Sharpness) -> String {
    format!("{:.0} %", sharp.at_half_nyquist_share * 100.0)
}

/// How much of the part could be compared, where that is not all of it.
pub(super) fn compared(measured: &Measured) -> String {
    let share = measured.compared_share;
    if share > 0.95 {
        return "all".into();
    }
    format!("{:.0} %; the rest is clipped, dark, an edge or not the wall", share * 100.0)
}

/// Stops lost, as people say it; what differs by less than a fiftieth of a stop is the same.
pub(super) fn lost(stops: f64) -> String {
    if stops.abs() < 0.02 {
        "same".into()
    } else if stops > 0.0 {
        format!("{stops:.2} stops less")
    } else {
        format!("{:.2} stops more", -stops)
    }
}

/// `1.83 to 2.21 m`.
pub(super) fn depth(of: &DepthOfField) -> String {
    let number = |m: f64| if m < 0.995 { format!("{m:.3}") } else { format!("{m:.2}") };
    match of.far_m {
        Some(far) => format!("{} to {} m", number(of.near_m), number(far)),
        None => format!("{} m to infinity", number(of.near_m)),
    }
}

/// A price as it was written.
pub(super) fn money(row: &Row) -> String {
    row.variant.price_per_day.map_or_else(String::new, |p| format!("{p}"))
}

fn degree(v: &Verdict) -> &'static str {
    match v.at_worst {
        Degree::CannotSay => " ?",
        Degree::Clean => "",
        Degree::Noticeable => " !",
        Degree::Spoils => " !!",
    }
}

/// A table with a first column to the left and the others below their titles.
fn table(out: &mut String, rows: &[Vec<String>]) {
    let columns = rows.first().map_or(0, Vec::len);
    let widths: Vec<usize> = (0..columns)
        .map(|c| rows.iter().map(|row| row[c].chars().count()).max().unwrap_or(0))
        .collect();
    for row in rows {
        let mut line = String::new();
        for (text, width) in row.iter().zip(&widths) {
            let gap = width + 2 - text.chars().count();
            line.push_str(text);
            line.push_str(&" ".repeat(gap));
        }
        // Writing to a string does not fail.
        let _ = writeln!(out, "  {}", line.trim_end());
    }
}

/// The answer.
pub(super) fn words(about: &About<'_>, rows: &[Row]) -> String {
    let mut out = String::new();
    // Writing to a string does not fail, here and below.
    let _ = writeln!(out, "{}", about.title(rows.len()));
    let _ = writeln!(
        out,
        "\nwhat shows: times what is seen, at worst (as planned); ! noticeable, !! spoils the shot, ? can't say"
    );
    let mut all = vec![
        ["", "verdict", "flicker", "scan bands", "moiré", "pixel structure"]
            .map(String::from)
            .to_vec(),
    ];
    for row in rows {
        let mut line = vec![row.variant.name.clone(), row.degree().words().to_owned()];
        line.extend(row.verdicts.iter().map(|v| format!("{}{}", times(v), degree(v))));
        all.push(line);
    }
    table(&mut out, &all);
    let part = rows.first().map_or([0; 4], |row| row.measured.part_px);
    let _ = writeln!(
        out,
        "\nmeasured: the rendered frame against its ideal, contrast in {} × {} pixels from column {}, row {} on",
        part[2], part[3], part[0], part[1]
    );
    let mut all =
        vec![["", "scan bands", "moiré", "pixel structure", "compared"].map(String::from).to_vec()];
    for row in rows {
        let mut line = vec![row.variant.name.clone()];
        line.extend(
            row.measured.kinds().iter().map(|(_, wave)| contrast(&row.measured, wave.as_ref())),
        );
        line.push(compared(&row.measured));
        all.push(line);
    }
    table(&mut out, &all);
    let _ = writeln!(
        out,
        "\nwhat it costs: sharpness in line pairs/mm with half of the contrast left, and contrast at half Nyquist"
    );
    out.push_str(&costs(rows));
    out
}

fn costs(rows: &[Row]) -> String {
    let Some(bare) = rows.first() else { return String::new() };
    let subject = bare.price.subject_is.words();
    let with_money = rows.iter().any(|row| row.variant.price_per_day.is_some());
    let mut titles = vec![
        String::new(),
        subject.to_owned(),
        "wall".into(),
        "wall's light".into(),
        "other light".into(),
        "in focus".into(),
    ];
    titles.extend(with_money.then(|| "a day".to_owned()));
    let mut all = vec![titles];
    for row in rows {
        let price: &Price = &row.price;
        let sharp = |s: &Sharpness| format!("{}, {}", mtf50(s), half_nyquist(s));
        let mut line = vec![
            row.variant.name.clone(),
            sharp(&price.subject),
            price.wall.as_ref().map_or_else(|| "not in the middle".into(), sharp),
            lost(price.wall_stops_lost(&bare.price)),
            lost(price.subject_stops_lost(&bare.price)),
            depth(&price.depth_of_field),
        ];
        line.extend(with_money.then(|| money(row)));
        all.push(line);
    }
    let mut out = String::new();
    table(&mut out, &all);
    out
}
