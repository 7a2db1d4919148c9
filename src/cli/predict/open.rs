//! The answer for a scene whose values are not all known.

use super::{details, numbers};
use crate::artefact::{Degree, Judged};
use crate::cli::{REFUSED, check};
use crate::diag;
use crate::input::{PictureFiles, SceneText};
use crate::predict::unknowns::{Influence, Unknowns, severity, unknowns};
use crate::predict::{Prediction, Settings, predict};
use crate::scene::{OpenScene, Scene};
use crate::units::number;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;
use std::io::Write;
use std::process::ExitCode;

/// What stands below the answer.
const CHOICE: &str = "\
Shutters, light, people in the room and the rest need a number for each: --unknowns worst, best or middle, or --set KEY=VALUE";

/// Answers.
pub(super) fn run(source: &SceneText, open: &OpenScene, as_json: bool) -> anyhow::Result<ExitCode> {
    let pictures = PictureFiles::in_folder(&source.folder);
    let found = match unknowns(open, &pictures) {
        Ok(found) => found,
        Err(problems) => {
            check::refuse(&problems, source);
            return Ok(ExitCode::from(REFUSED));
        }
    };
    let at = |worst: bool| -> Option<(Scene, Prediction)> {
        let scene = open.at(found.point(worst), &pictures).ok()?;
        let prediction = predict(&scene, &Settings::full());
        Some((scene, prediction))
    };
    let mut out = std::io::stdout().lock();
    if as_json {
        serde_json::to_writer_pretty(&mut out, &data(open, &found, &at))?;
        writeln!(out)?;
    } else {
        let mut text = words(open, &found);
        if let Some((scene, prediction)) = at(true) {
            if prediction.worst.iter().any(|f| f.worst.degree != Degree::Clean) {
                text.push_str("\nat the worst point\n");
            }
            details(&mut text, &scene, &prediction);
        }
        // Writing to a string does not fail.
        let _ = writeln!(text, "\n{CHOICE}");
        out.write_all(text.as_bytes())?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The numbers of the best and the worst point, a line each value.
fn points(out: &mut String, open: &OpenScene, found: &Unknowns) {
    let rows: Vec<[String; 3]> = open
        .values
        .iter()
        .zip(found.best.values.iter().zip(&found.worst.values))
        .map(|(v, (best, worst))| [v.key.clone(), v.words(*best), v.words(*worst)])
        .collect();
    let width = |i: usize, title: &str| {
        let all = rows.iter().map(|row| row[i].chars().count()).chain([title.chars().count()]);
        all.max().unwrap_or(0) + 2
    };
    let title = "these numbers";
    let (w, b) = (width(0, title), width(1, "at best"));
    // Writing to a string does not fail.
    let _ = writeln!(out, "\n{title:w$}  {:b$}at worst", "at best");
    for [key, best, worst] in &rows {
        let _ = writeln!(out, "  {key:w$}{best:b$}{worst}");
    }
}

fn times(best: Judged, worst: Judged) -> String {
    let [low, high] = [best.multiple, worst.multiple].map(number);
    match (best.multiple, worst.multiple) {
        (_, 0.0) => "nothing".into(),
        _ if low == high => low,
        _ => format!("{low} to {high}"),
    }
}

fn words(open: &OpenScene, found: &Unknowns) -> String {
    let mut out = String::new();
    let count = match open.values.len() {
        1 => "1 value is".to_owned(),
        n => format!("{n} values are"),
    };
    // Writing to a string does not fail.
    let _ = writeln!(
        out,
        "{}\n  {count} not known: verdicts over the ranges, {} points of them looked at",
        open.name, found.looked_at
    );
    let _ = writeln!(
        out,
        "  {:<17}{:<18}{:<18}{:<18}times what is seen",
        "", "verdict", "at best", "at worst"
    );
    let mut kinds: Vec<_> = found.kinds.iter().collect();
    kinds.sort_by_key(|k| (std::cmp::Reverse(severity(k.worst.degree)), k.kind));
    for k in kinds {
        let [verdict, best, worst] = [k.degree(), k.best.degree, k.worst.degree].map(Degree::words);
        let times = times(k.best, k.worst);
        let _ = writeln!(out, "  {:<17}{verdict:<18}{best:<18}{worst:<18}{times}", k.kind.words());
        if k.is_nearly() && !k.is_open() {
            let _ = writeln!(out, "  {:<17}(so near what is seen that clean is not sure)", "");
        }
    }
    if let Some(problem) = &found.refusal {
        let _ = writeln!(
            out,
            "  left out: {} more, which no scene can have; of the first: {}",
            found.refused,
            diag::summary(problem)
        );
    }
    let (decide, rest): (Vec<&Influence>, Vec<&Influence>) =
        found.influences.iter().partition(|i| i.matters());
    let _ = writeln!(out, "\nask, what decides most first");
    if decide.is_empty() {
        let _ = writeln!(out, "  nothing: the verdicts are the same over all of the ranges");
    }
    for (i, influence) in decide.iter().enumerate() {
        let v = &open.values[influence.value];
        let usually = if v.is_unknown { "usually " } else { "" };
        let (help, range) = (lower(&v.help), v.range_words());
        let _ = writeln!(out, "  {}. {}: {help} ({usually}{range})", i + 1, v.key);
        let swings: Vec<String> =
            influence.decides().map(|s| format!("{}: {}", s.kind.words(), s.words())).collect();
        let _ = writeln!(out, "     decides {}. {}", swings.join("; "), upper(v.ask));
    }
    if !rest.is_empty() {
        let _ = writeln!(out, "\nchanges no verdict here");
        for influence in rest {
            let v = &open.values[influence.value];
            let _ = writeln!(out, "  {} ({})", v.key, v.range_words());
        }
    }
    points(&mut out, open, found);
    out
}

/// With a small first letter, for the middle of a line.
fn lower(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_lowercase).collect();
    first + letters.as_str()
}

/// With a large first letter.
fn upper(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    first + letters.as_str()
}

/// Keys and numbers of a point.
fn point_data(open: &OpenScene, values: &[f64]) -> Value {
    let all: Map<String, Value> =
        open.values.iter().zip(values).map(|(v, at)| (v.key.clone(), json!(at))).collect();
    Value::Object(all)
}

fn data(
    open: &OpenScene,
    found: &Unknowns,
    at: &dyn Fn(bool) -> Option<(Scene, Prediction)>,
) -> Value {
    let unknowns = found.influences.iter().map(|influence| {
        let v = &open.values[influence.value];
        let decides = influence
            .decides()
            .map(|s| json!({ "kind": s.kind, "best": s.best, "worst": s.worst }));
        json!({
            "key": v.key,
            "line": v.place.as_ref().map(|p| p.line),
            "low": v.low,
            "high": v.high,
            "unit": v.unit,
            "written_unknown": v.is_unknown,
            "whole": v.is_whole,
            "what": v.help,
            "ask": v.ask,
            "decides": decides.collect::<Vec<_>>(),
            "times_more_at_worst": influence.ratio(),
        })
    });
    let kinds = found.kinds.iter().map(|k| {
        json!({
            "kind": k.kind,
            "degree": k.degree(),
            "best": k.best,
            "worst": k.worst,
            "best_at": point_data(open, &k.best_at),
            "worst_at": point_data(open, &k.worst_at),
        })
    });
    let end = |worst: bool| {
        let prediction = at(worst).map(|(scene, prediction)| numbers(&scene, &prediction));
        json!({ "at": point_data(open, found.point(worst)), "prediction": prediction })
    };
    json!({
        "name": open.name,
        "unknowns": unknowns.collect::<Vec<_>>(),
        "degrees": kinds.collect::<Vec<_>>(),
        "best": end(false),
        "worst": end(true),
        "points_looked_at": found.looked_at,
        "points_refused": found.refused,
        "first_refusal": found.refusal.as_ref().map(diag::summary),
    })
}
