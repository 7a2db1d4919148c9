//! What was measured, in a few lines for the crew: flicker and bands first, then fringes.

use super::Args;
use super::report::{Line, Readout, Report};
use crate::artefact::Kind;
use crate::units;
use std::fmt::Write;

/// Width of the column of words.
const WORDS: usize = 16;
/// Waves of a kind that are told.
const TOLD: usize = 3;

/// The summary, aligned.
pub(super) fn summary(args: &Args, report: &Report) -> String {
    let mut out = format!("{}: {}\n", report.title, head(report));
    let mut line = |what: &str, text: String| {
        let _ = writeln!(out, "  {what:<WORDS$}{text}");
    };
    for (what, text) in report.readout.iter().flat_map(readout) {
        line(what, text);
    }
    line("flicker", flicker(report));
    // Of a picture alone nobody knows what a wave comes from.
    let known = report.against == "ideal";
    for (kind, none) in [
        (Some(Kind::Bands), Some("none")),
        (None, None),
        (Some(Kind::Moire), Some("none")),
        (Some(Kind::PixelStructure), None),
    ] {
        let word = kind.map_or("waves", Kind::words);
        let lines = strongest(report, kind);
        if lines.is_empty()
            && known
            && let Some(none) = none
        {
            line(word, none.into());
        }
        for (i, (frame, found)) in lines.iter().enumerate() {
            line(if i == 0 { word } else { "" }, wave(report, *frame, found));
        }
    }
    if report.noise
        && let Some(frame) = report.frames.first()
    {
        let floors = format!(
            "{} in light, {} in colour: weaker waves drown in it",
            units::percent(frame.luma_floor),
            units::percent(frame.chroma_floor)
        );
        line("noise floor", floors);
    }
    for note in &report.notes {
        line("note", note.clone());
    }
    if let (Some(out), Some((frame, _))) = (&args.picture, &report.shown) {
        line("picture", format!("{}, frame {frame}", out.display()));
    }
    if let Some(out) = &args.json {
        line("numbers", out.display().to_string());
    }
    out
}

fn head(report: &Report) -> String {
    let (width, height) = report.size;
    let frames = match report.frames.as_slice() {
        [one] => match &one.file {
            Some(_) => "measured".to_owned(),
            None => format!("frame {} measured", one.number),
        },
        [first, ..] if first.file.is_some() => format!("{} measured", report.frames.len()),
        [first, .., last] => format!("frames {} to {} measured", first.number, last.number),
        [] => "nothing measured".into(),
    };
    let noise = if report.noise { "with noise" } else { "free of noise" };
    let given = report.frames.iter().map(|f| f.given).fold(f64::INFINITY, f64::min);
    let given = if given.is_finite() { given } else { 0.0 };
    format!(
        "{frames} against {}, {width} × {height} px, {:.0} % of them comparable, {noise}",
        match report.against {
            "ideal" => "its ideal",
            _ => "its own shading",
        },
        (given * 100.0).floor()
    )
}

fn readout(readout: &Readout) -> Vec<(&'static str, String)> {
    let mut lines = vec![(
        "bands",
        format!(
            "{:.3} ± {:.3} in the picture's height, {} of the light",
            readout.bands,
            2.0 * readout.bands_error,
            units::percent(readout.contrast)
        ),
    )];
    // Two standard errors: 95 %.
    let share = 2.0 * readout.relative_error();
    if let (Some(t), Some(hz)) = (readout.fitted_readout_s(), readout.lamp_hz) {
        let text = format!(
            "{:.3} ± {:.3} ms, {} a line, if the light flickers at exactly {}",
            t * 1e3,
            t * share * 1e3,
            units::time(t / readout.rows as f64),
            units::frequency(hz)
        );
        lines.push(("readout", text));
    }
    if let (Some(hz), Some(t)) = (readout.light_hz(), readout.readout_s) {
        let text = format!(
            "{:.1} ± {:.1} Hz, if the readout takes exactly {}",
            hz,
            hz * share,
            units::time(t)
        );
        lines.push(("light's rate", text));
    }
    lines
}

fn flicker(report: &Report) -> String {
    let Some(flicker) = report.flicker() else {
        return if report.frames.len() < 2 {
            match report.frames.first().and_then(|f| f.file.as_ref()) {
                Some(_) => "one picture cannot tell; give several of a take, in order".into(),
                None => "one frame cannot tell; measure several, such as --frames 0..5".into(),
            }
        } else {
            "nothing comparable in two frames".into()
        };
    };
    if flicker.largest_step < 5e-6 && flicker.largest_step_of_a_colour < 5e-6 {
        return "none from frame to frame".into();
    }
    format!(
        "{} brightest to darkest; at most {} from a frame to the next (frame {}); one colour {}",
        units::percent(2.0 * flicker.amplitude),
        units::percent(flicker.largest_step),
        flicker.step_at,
        units::percent(flicker.largest_step_of_a_colour),
    )
}

/// The strongest waves of a kind, of the frame in which the strongest of all is.
fn strongest(report: &Report, kind: Option<Kind>) -> Vec<(u32, Line)> {
    let Some((frame, _)) = report.worst(|k| k == kind) else { return Vec::new() };
    let counts = |l: &&Line| {
        l.kind == kind && !(report.noise && l.found.below_noise()) && l.found.contrast() > 1e-5
    };
    frame.lines.iter().filter(counts).take(TOLD).map(|l| (frame.number, *l)).collect()
}

/// A wave in words.
fn wave(report: &Report, frame: u32, line: &Line) -> String {
    let (found, wave) = (&line.found, &line.found.wave);
    let part = |contrast: f64, floor: f64, what: &str| {
        if report.noise && contrast <= floor {
            format!("{what} below noise ({})", units::percent(floor))
        } else {
            format!("{} {what}", units::percent(contrast))
        }
    };
    let mut text = format!(
        "{}, {}; ",
        part(wave.luma(), found.luma_floor, "light"),
        part(wave.chroma(), found.chroma_floor, "colour")
    );
    if line.kind == Some(Kind::Bands) {
        // Stripes that stand upright are not counted in lines.
        let flat = 3.0 * wave.frequency.y.abs() > wave.frequency.x.abs();
        match report.clock.period_lines(found).filter(|_| flat) {
            Some(period) => {
                let _ = write!(
                    text,
                    "{} lines apart, {} a frame",
                    units::number(period),
                    units::number(report.clock.bands_per_frame(found))
                );
            }
            None => {
                let _ = write!(text, "{} px apart", units::number(wave.period_px()));
            }
        }
    } else {
        let _ = write!(
            text,
            "{} px apart ({} of the width)",
            units::number(wave.period_px()),
            units::percent(wave.period_px() / report.size.0.max(1) as f64)
        );
    }
    let _ = write!(text, ", direction {:.1}°", wave.direction_deg());
    if found.periods < 1.0 {
        text += ", less than one in view: uncertain";
    }
    if let Some(track) = report.track_of(line) {
        text += &track.roll(&report.clock).map(rolling).unwrap_or_default();
        let (low, high) = track.luma_range();
        if high > 1.05 * low && high > 1e-5 {
            let (low, high) = (units::percent(low), units::percent(high));
            let _ = write!(text, "; from {low} to {high} over the frames");
        }
    }
    if report.frames.len() > 1 {
        let _ = write!(text, " (frame {frame})");
    }
    text
}

fn rolling(roll: crate::measure::Roll) -> String {
    if roll.periods_per_frame.abs() < 1e-4 {
        return "; stands still".into();
    }
    let hz = roll.hz.map_or(String::new(), |hz| format!(" ({} Hz)", units::number(hz.abs())));
    match roll.lines_per_frame {
        Some(lines) => {
            let way = if lines > 0.0 { "down" } else { "up" };
            format!("; rolls {way} {} lines a frame{hz}", units::number(lines.abs()))
        }
        None => {
            format!("; moves {} of a period a frame{hz}", units::number(roll.periods_per_frame))
        }
    }
}
