//! The words of a variant on the contact sheet.

use super::frames::Shown;
use super::words::{self, About, contrast, depth, half_nyquist, lost, mtf50, times};
use crate::plan::compare::{Row, has_place};
use crate::plan::price::Sharpness;
use crate::plan::sheet::Card;

/// A variant as it stands on the sheet.
pub(super) fn card(about: &About<'_>, row: &Row, bare: &Row, shown: &Shown) -> Card {
    let (width, height) = (shown.size.0 as f64, shown.size.1 as f64);
    let to_small = [shown.overview.width() as f64 / width, shown.overview.height() as f64 / height];
    let [x, y, w, h] = shown.part;
    let framed = [
        x as f64 * to_small[0],
        y as f64 * to_small[1],
        w as f64 * to_small[0],
        h as f64 * to_small[1],
    ];
    let small = |[u, v]: [f64; 2]| [u * to_small[0], v * to_small[1]];
    let in_crop = |[u, v]: [f64; 2]| {
        let at = [u - x as f64, v - y as f64];
        let inside = at[0] >= 0.0 && at[1] >= 0.0 && at[0] < w as f64 && at[1] < h as f64;
        inside.then_some(at)
    };
    let mut text = vec![row.variant.words()];
    text.extend(row.variant.note.clone());
    let shrink = 1.0 / to_small[0];
    let overview_words = if shrink > 1.0 {
        format!("whole frame, scaled down {shrink:.1} times: not for judging")
    } else {
        "whole frame, 1:1".into()
    };
    Card {
        name: row.variant.name.clone(),
        about: text,
        overview: shown.overview.clone(),
        overview_words,
        framed,
        mark: shown.mark.map(small),
        crop: shown.crop.clone(),
        crop_words: format!("{}{}", crop_words(shown, about.frame), worst_words(row, shown)),
        crop_mark: shown.mark.and_then(in_crop),
        verdicts: verdicts(row),
        price: price(row, bare),
    }
}

fn crop_words(shown: &Shown, frame: u32) -> String {
    let [x, y, w, h] = shown.part;
    format!("1:1, {w} × {h} pixels from column {x}, row {y} of frame {frame}. ")
}

/// What the mark is of.
fn worst_words(row: &Row, shown: &Shown) -> String {
    match &row.worst {
        None => "Nothing to mark.".into(),
        Some(f) if !has_place(f) => format!("Worst: {}, all of the picture.", f.kind.words()),
        Some(f) if shown.mark.is_none() => {
            format!("Worst: {}, in frame {}.", f.kind.words(), f.frame)
        }
        Some(f) => format!("Worst, marked: {}.", f.kind.words()),
    }
}

/// The verdict, and a line for each kind, flicker first.
fn verdicts(row: &Row) -> Vec<String> {
    let mut lines = vec![format!("VERDICT: {}", row.degree().words())];
    for v in &row.verdicts {
        let found = v.times_at_worst >= 0.005;
        let times =
            if found { format!(", {} times what is seen", times(v)) } else { String::new() };
        lines.push(format!("{}: {}{times}", v.kind.words(), v.at_worst.words()));
    }
    lines
}

fn sharp(name: &str, now: Option<&Sharpness>, bare: Option<&Sharpness>, is_bare: bool) -> String {
    let Some(now) = now else { return format!("{name}: not in the middle of the frame") };
    let at = now.distance_m.map_or_else(String::new, |m| format!(" at {m:.2} m"));
    let before = match bare.filter(|_| !is_bare) {
        Some(b) => format!(" (bare {}, {})", mtf50(b), half_nyquist(b)),
        None => String::new(),
    };
    format!("{name}{at}: {} lp/mm, {}{before}", mtf50(now), half_nyquist(now))
}

/// What was measured, and what it costs.
fn price(row: &Row, bare: &Row) -> Vec<String> {
    let is_bare = row.given == 0;
    let measured: Vec<String> = row
        .measured
        .kinds()
        .iter()
        .map(|(kind, wave)| format!("{} {}", kind.words(), contrast(&row.measured, wave.as_ref())))
        .collect();
    let (now, before) = (&row.price, &bare.price);
    let name = format!("sharp, {}", now.subject_is.words());
    let mut lines = vec![
        format!("measured: {}", measured.join("; ")),
        format!("compared with its ideal: {}", words::compared(&row.measured)),
        sharp(&name, Some(&now.subject), Some(&before.subject), is_bare),
        sharp("sharp, wall", now.wall.as_ref(), before.wall.as_ref(), is_bare),
        format!("in focus: {}", depth(&now.depth_of_field)),
    ];
    if !is_bare {
        lines.push(format!(
            "light: wall {}, all else {}",
            lost(now.wall_stops_lost(before)),
            lost(now.subject_stops_lost(before))
        ));
    }
    if row.variant.price_per_day.is_some() {
        lines.push(format!("price a day: {}", words::money(row)));
    }
    lines
}
