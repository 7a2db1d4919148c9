//! Variants as data, for programs and spreadsheets.

use super::words::About;
use crate::plan::compare::{Row, Wave, has_place};
use crate::plan::price::{SHARP_OVER_DIAGONAL, Sharpness};
use serde_json::{Map, Value, json};
use std::fmt::Write as _;

/// Everything, for programs.
pub(super) fn data(about: &About<'_>, rows: &[Row]) -> Value {
    let variants = rows.iter().map(|row| {
        let set: Map<String, Value> =
            row.variant.edits.iter().map(|e| (e.key.clone(), json!(e.value))).collect();
        let bare = &rows[0].price;
        let lines = |s: &Sharpness| s.mtf50_lines_per_mm;
        let change = |now: Option<f64>, before: Option<f64>| {
            now.zip(before).filter(|(_, before)| *before > 0.0).map(|(now, before)| now / before - 1.0)
        };
        let wall = |price: &crate::plan::price::Price| price.wall.as_ref().and_then(lines);
        json!({
            "name": row.variant.name,
            "given": row.given,
            "set": set,
            "note": row.variant.note,
            "price_per_day": row.variant.price_per_day,
            "verdict": row.degree(),
            "by_kind": row.verdicts,
            "worst_marked": row.worst.as_ref().map(|f| json!({
                "kind": f.kind,
                "cause": f.cause,
                "frame": f.frame,
                "at_photosites": has_place(f).then(|| f.point.to_array()),
            })),
            "measured": row.measured,
            "price": row.price,
            "against_bare": {
                "wall_light_lost_stops": row.price.wall_stops_lost(bare),
                "other_light_lost_stops": row.price.subject_stops_lost(bare),
                "subject_mtf50_change_share": change(lines(&row.price.subject), lines(&bare.subject)),
                "wall_mtf50_change_share": change(wall(&row.price), wall(bare)),
            },
        })
    });
    json!({
        "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
        "scene": about.name,
        "frame": about.frame,
        "order": "bare, then flicker first, worst first",
        "sharp_blur_is_diagonal_over": SHARP_OVER_DIAGONAL,
        "variants": variants.collect::<Vec<_>>(),
    })
}

/// Text for a table of commas.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.into()
    }
}

/// A line a variant, for spreadsheets.
pub(super) fn table(rows: &[Row]) -> String {
    let Some(bare) = rows.first() else { return String::new() };
    let mut out = String::from("variant,changes,verdict");
    // Writing to a string does not fail, here and below.
    for how in ["at worst", "as planned"] {
        for v in &bare.verdicts {
            let _ = write!(out, ",\"{}, times threshold, {how}\"", v.kind.words());
        }
    }
    for (kind, _) in bare.measured.kinds() {
        let name = kind.words();
        let _ = write!(
            out,
            ",\"{name}, measured, luma contrast\",\"{name}, measured, colour contrast\""
        );
    }
    out.push_str(
        ",subject distance (m),subject MTF50 (line pairs/mm),subject MTF at half Nyquist\
         ,wall MTF50 (line pairs/mm),wall MTF at half Nyquist\
         ,wall's light lost (stops),other light lost (stops),in focus from (m),in focus to (m),price a day,note\n",
    );
    let some = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
    for row in rows {
        let v = &row.variant;
        let _ = write!(out, "{},{},{}", quoted(&v.name), quoted(&v.words()), row.degree().words());
        for verdict in &row.verdicts {
            let _ = write!(out, ",{}", verdict.times_at_worst);
        }
        for verdict in &row.verdicts {
            let _ = write!(out, ",{}", verdict.times_as_planned);
        }
        for (_, wave) in row.measured.kinds() {
            let of = |value: fn(&Wave) -> f64| some(wave.as_ref().map(value));
            let _ = write!(out, ",{},{}", of(|w| w.luma), of(|w| w.colour));
        }
        let (price, wall) = (&row.price, row.price.wall.as_ref());
        let depth = &price.depth_of_field;
        let cells = [
            some(price.subject.distance_m),
            some(price.subject.mtf50_lines_per_mm),
            price.subject.at_half_nyquist_share.to_string(),
            some(wall.and_then(|w| w.mtf50_lines_per_mm)),
            some(wall.map(|w| w.at_half_nyquist_share)),
            price.wall_stops_lost(&bare.price).to_string(),
            price.subject_stops_lost(&bare.price).to_string(),
            depth.near_m.to_string(),
            some(depth.far_m),
            some(v.price_per_day),
            quoted(v.note.as_deref().unwrap_or_default()),
        ];
        let _ = writeln!(out, ",{}", cells.join(","));
    }
    out
}
