//! What was rendered, in a few lines for the crew.

use super::files::Take;
use super::sidecar::{FrameRecord, Made};
use crate::scene::derived::{CleanShutter, Derived, PlaceNumbers};
use crate::scene::{self, Delivered};
use crate::units;
use std::fmt::Write;

/// Width of the column of words.
const WORDS: usize = 16;

/// The summary, aligned, a line a subject.
pub(super) fn summary(made: &Made<'_>, records: &[FrameRecord], numbers: &Derived) -> String {
    let (scene, camera) = (made.scene, &made.scene.camera);
    let mut out = String::new();
    let mut line = |what: &str, text: String| {
        // Writing to a string does not fail.
        let _ = writeln!(out, "  {what:<WORDS$}{text}");
    };
    let files: usize = records.iter().map(|r| r.files.len()).sum();
    line("files", format!("{} in {}", files + 1, made.files.folder().display()));
    let crop = camera.crop;
    line("recorded", format!("{} × {} photosites, {}", crop.width, crop.height, engine(made)));
    for delivered in scene.deliveries.iter().filter(|d| d.name.is_some()) {
        line("delivery", delivery(delivered, (crop.width, crop.height)));
    }
    let e = &numbers.exposure;
    line(
        "exposure",
        format!(
            "{} ({}°), f/{}, exposure index {}",
            units::shutter(e.exposure_s),
            units::number(e.shutter_angle_deg),
            units::number(scene.lens.f_number),
            units::number(camera.exposure_index)
        ),
    );
    line("light", light(made.scene, numbers));
    if let Some(share) = clipped(records) {
        line("clipped", format!("{} of the photosites", units::percent(share)));
    }
    if let Some(over) = e.full_white_stops_over_clipping.filter(|over| *over > 0.0) {
        let stops = units::number((over * 10.0).ceil() / 10.0);
        line(
            "",
            format!(
                "(full white clips: {stops} stops of `filters.neutral_density_stops` prevent it)"
            ),
        );
    }
    if let Some((middle, corners)) = numbers.wall_on_sensor.split_first() {
        line("pixel pitch", pitch(middle, corners));
        if camera.spacing() != [1, 1] {
            let recorded = span(middle.pitch_recorded_photosites.into_iter()).unwrap_or_default();
            line(
                "",
                format!("{recorded} photosites as recorded, after what the mode skips or joins"),
            );
        }
        line("blur disc", disc(middle, corners));
    }
    if let Some(diffuser) = &numbers.diffuser {
        line(
            "diffuser",
            format!(
                "leaves {} of the contrast of the wall's pixels, passes {} of the light",
                units::percent(diffuser.lattice_contrast_share),
                units::percent(diffuser.transmission_share)
            ),
        );
    }
    line("view", view(numbers));
    for (what, text) in shutter(numbers) {
        line(what, text);
    }
    if scene.moves.is_some() {
        let first = made.args.frames.first;
        line("moves", format!("the camera moves; the numbers here are those of frame {first}"));
    }
    for text in made.chosen.lines() {
        line("not known", text);
    }
    if !scene.notes.is_empty() {
        let count = scene.notes.len();
        let word = if count == 1 { "note" } else { "notes" };
        line("notes", format!("{count} {word}, printed above and kept in the shot's JSON file"));
    }
    format!("{}: {}\n{out}", scene.name, frames(records))
}

/// A delivery in a line: name, size, colours, curve.
fn delivery(delivered: &Delivered, recorded: (u32, u32)) -> String {
    let d = &delivered.delivery;
    let (width, height) = d.size.unwrap_or(recorded);
    let mut text = format!(
        "{}: {width} × {height} px, {}, {}",
        delivered.name.as_deref().unwrap_or_default(),
        scene::space_words(d.colour_space),
        scene::curve_words(d.transfer)
    );
    if d.push_stops != 0.0 {
        text += &format!(", push {}", units::stops(d.push_stops));
    }
    if let Some(format) = delivered.format {
        text += &format!(", {}", scene::format_words(format));
    }
    text
}

fn frames(records: &[FrameRecord]) -> String {
    match (records.first(), records.last()) {
        (Some(first), Some(last)) if first.frame != last.frame => {
            format!("frames {} to {} rendered", first.frame, last.frame)
        }
        (Some(first), _) => format!("frame {} rendered", first.frame),
        _ => "nothing rendered".into(),
    }
}

fn engine(made: &Made<'_>) -> String {
    match made.args.engine() {
        crate::shoot::Engine::Fast => "fast engine".into(),
        crate::shoot::Engine::SlowCheck(rays) => {
            format!("slow check with {} rays a photosite", rays.samples)
        }
    }
}

fn light(scene: &scene::Scene, numbers: &Derived) -> String {
    let e = &numbers.exposure;
    let above = |stops: f64| {
        let side = if stops < 0.0 { "below" } else { "above" };
        format!("{:.2} stops {side} mid-grey", stops.abs())
    };
    match (e.full_white_stops_about_mid_grey, e.content_mean_stops_about_mid_grey) {
        (Some(white), Some(mean)) => format!(
            "the wall's full white {}; the mean of {} {}",
            above(white),
            // Pictures are read as their frames come: only the first is known before.
            if scene.moving.is_some() { "the first picture it shows" } else { "what it shows" },
            above(mean)
        ),
        (Some(white), None) => {
            let starts = if scene.moving.is_some() { "its first picture is" } else { "it shows" };
            format!("the wall's full white {}; {starts} black", above(white))
        }
        _ => "the wall gives no light".into(),
    }
}

/// The clipped share of the frames as recorded, all frames together.
fn clipped(records: &[FrameRecord]) -> Option<f64> {
    let shares: Vec<f64> = records
        .iter()
        .flat_map(|r| &r.levels)
        .filter(|(take, _)| *take == Take::Captured)
        .map(|(_, levels)| levels.clipped_share_of_all)
        .collect();
    (!shares.is_empty()).then(|| shares.iter().sum::<f64>() / shares.len() as f64)
}

/// Lowest and highest of some numbers, as `a` or `a to b`.
fn span(values: impl Iterator<Item = f64>) -> Option<String> {
    let (low, high) =
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    let (low, high) = (low <= high).then(|| (units::number(low), units::number(high)))?;
    Some(if low == high { low } else { format!("{low} to {high}") })
}

fn pitch(middle: &PlaceNumbers, corners: &[PlaceNumbers]) -> String {
    let both = |p: &PlaceNumbers| [p.pitch_across_photosites, p.pitch_upright_photosites];
    let here = span(both(middle).into_iter()).unwrap_or_default();
    let there = span(corners.iter().flat_map(both)).unwrap_or_default();
    format!("{here} photosites on the sensor in the middle, {there} in the corners")
}

fn disc(middle: &PlaceNumbers, corners: &[PlaceNumbers]) -> String {
    let there = span(corners.iter().map(|p| p.blur_disc_photosites)).unwrap_or_default();
    format!(
        "{} photosites ({} µm) in the middle, {there} in the corners; {} mm on the wall",
        units::number(middle.blur_disc_photosites),
        units::number(middle.blur_disc_um),
        units::number(middle.blur_disc_on_wall_mm)
    )
}

fn view(numbers: &Derived) -> String {
    let v = &numbers.view;
    let angles = format!("{:.1}° × {:.1}°", v.across_deg, v.upright_deg);
    match (v.width_at_wall_m, v.height_at_wall_m) {
        (Some(width), Some(height)) => {
            format!("{angles}, {} × {} at the wall", units::length(width), units::length(height))
        }
        _ => angles,
    }
}

/// Refresh and clean shutters.
fn shutter(numbers: &Derived) -> Vec<(&'static str, String)> {
    let t = &numbers.timing;
    let Some(refreshes) = t.refreshes_per_exposure else {
        return vec![("refresh", "a steady wall: no scan bands at any shutter".into())];
    };
    let mut text = format!("{} in an exposure", units::number(refreshes));
    if let Some(bands) = t.bands_per_frame {
        text += &format!("; room for {} scan bands in the sensor's height", units::number(bands));
    }
    let mut lines = vec![("refreshes", text)];
    let exposure_s = numbers.exposure.exposure_s;
    let (every, some) = (&t.clean_shutters_for_every_grey, &t.clean_shutters);
    match (some.is_empty(), every.is_empty() && t.pattern_repeats_s.is_some()) {
        (true, _) => lines
            .push(("clean shutter", "none: a refresh lasts longer than the camera's frame".into())),
        (false, _) => lines.push(("clean shutter", clean(some, exposure_s))),
    }
    if !every.is_empty() {
        lines.push(("  at every grey", clean(every, exposure_s)));
    }
    lines
}

/// The nearest clean shutters at both sides, or that the present one is clean.
fn clean(shutters: &[CleanShutter], exposure_s: f64) -> String {
    let same = |s: &&CleanShutter| (s.exposure_s / exposure_s - 1.0).abs() < 1e-6;
    if shutters.iter().any(|s| same(&s)) {
        return "this one is".into();
    }
    let shorter = shutters.iter().rfind(|s| s.exposure_s < exposure_s);
    let longer = shutters.iter().find(|s| s.exposure_s > exposure_s);
    let words: Vec<String> = [shorter, longer]
        .into_iter()
        .flatten()
        .map(|s| format!("{} ({:.2}°)", units::shutter(s.exposure_s), s.shutter_angle_deg))
        .collect();
    words.join(" or ")
}
