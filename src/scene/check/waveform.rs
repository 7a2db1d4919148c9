//! A measured waveform: from text to one period of light.

use super::Findings;
use crate::scene::ContentPictures;
use crate::scene::written::WaveformFile;
use crate::units;
use crate::wall::{NoWaveform, Waveform};

/// How far a file may end before its period does, in its last steps: N samples at even steps stand
/// for N of them, not for N − 1.
const LAST_STEP: f64 = 1.001;

/// Where a period does not close by more than this share of the highest light, it is said.
const OPEN: f64 = 0.05;

/// The waveform of a file; `None` after a refusal.
///
/// It repeats after `period_ms`; or after all whole refreshes that the file holds, if the refresh
/// is given; or after the whole file.
pub(super) fn waveform(
    found: &mut Findings<'_>,
    file: &WaveformFile,
    refresh_hz: Option<f64>,
    pictures: &dyn ContentPictures,
) -> Option<Waveform> {
    let key = "drive.kind.waveform.file";
    if file.file.is_empty() {
        found.refuse(key, &[], "no file is named".into(), "name a CSV file of time and light");
        return None;
    }
    let text = match pictures.text(&file.file) {
        Ok(text) => text,
        Err(problem) => {
            found.refuse(key, &[], problem, "the path counts from the scene file's folder");
            return None;
        }
    };
    let table = match samples(&text) {
        Ok(table) => table,
        Err((problem, hint)) => {
            found.refuse(key, &[], format!("'{}', {problem}", file.file), &hint);
            return None;
        }
    };
    let samples: Vec<[f64; 2]> = table.iter().map(|(_, sample)| *sample).collect();
    let span_s = match samples.as_slice() {
        [first, .., last] => last[0] - first[0],
        _ => 0.0,
    };
    let step_s = samples.windows(2).last().map_or(0.0, |w| w[1][0] - w[0][0]);
    let held_s = span_s + LAST_STEP * step_s.max(0.0);
    let period_s = match (file.period_ms, refresh_hz) {
        (Some(ms), _) => {
            let period_s = ms / 1e3;
            if period_s > held_s && span_s > 0.0 {
                let message = format!(
                    "'{}' lasts {}, shorter than a period of {}",
                    file.file,
                    units::time(span_s),
                    units::time(period_s)
                );
                let hint = "measure longer, or set `period_ms` to what repeats in it";
                found.refuse("drive.kind.waveform.period_ms", &[key], message, hint);
                return None;
            }
            period_s
        }
        (None, Some(hz)) => {
            let whole = (held_s * hz).floor();
            if whole < 1.0 && span_s > 0.0 {
                let message = format!(
                    "'{}' lasts {}, shorter than a refresh of {}",
                    file.file,
                    units::time(span_s),
                    units::time(1.0 / hz)
                );
                let hint = "measure longer, or set `period_ms` to what repeats in it";
                found.refuse(key, &["drive.refresh_hz"], message, hint);
                return None;
            }
            whole.max(1.0) / hz
        }
        (None, None) => span_s,
    };
    let wave = match Waveform::new(&samples, period_s) {
        Ok(wave) => wave,
        Err(why) => {
            let line = match why {
                NoWaveform::Backwards(i) | NoWaveform::Negative(i) => {
                    table.get(i).map_or(String::new(), |(line, _)| format!("line {line}: "))
                }
                _ => String::new(),
            };
            let hint = match why {
                NoWaveform::Negative(_) => "take the dark level off, and set what is below it to 0",
                NoWaveform::Backwards(_) => "sort the samples by time",
                NoWaveform::Dark | NoWaveform::TooShort => "check the file",
            };
            found.refuse(key, &[], format!("'{}', {line}{why}", file.file), hint);
            return None;
        }
    };
    let [end, start] = wave.join();
    if (end - start).abs() > OPEN {
        let message = format!(
            "where it repeats, after {}, the light jumps from {} to {} of its highest",
            units::time(wave.period_s()),
            units::percent(end),
            units::percent(start)
        );
        found.note(key, message, "set `period_ms`, or `refresh_hz`, to what repeats in the file");
    }
    Some(wave)
}

/// Samples, each with the number of its line: seconds and light.
type Table = Vec<(usize, [f64; 2])>;

/// The samples of a CSV text. The error is a problem and its mend.
///
/// Columns are parted by commas, semicolons or tabs; empty lines and lines that begin with `#` do not count.
fn samples(text: &str) -> Result<Table, (String, String)> {
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, line)| (i + 1, line.trim_start_matches('\u{feff}').trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let heading_hint = || {
        "the heading names a column `time_s`, `time_ms` or `time_us`, and a column `light`"
            .to_string()
    };
    let Some((number, heading)) = lines.next() else {
        return Err(("the file is empty".into(), heading_hint()));
    };
    let part = [';', '\t', ','].into_iter().find(|c| heading.contains(*c)).unwrap_or(',');
    let cells = |line: &'_ str| -> Vec<String> {
        line.split(part).map(|cell| cell.trim().trim_matches('"').to_string()).collect()
    };
    let names: Vec<String> = cells(heading).iter().map(|name| name.to_lowercase()).collect();
    let units = [("time_s", 1.0), ("time_ms", 1e3), ("time_us", 1e6)];
    let time = names.iter().enumerate().find_map(|(i, name)| {
        units.iter().find(|(unit, _)| unit == name).map(|(_, per_s)| (i, *per_s))
    });
    let light = names.iter().position(|name| name == "light");
    let (Some((time, per_s)), Some(light)) = (time, light) else {
        let message = format!("line {number}: '{heading}' is no heading of time and light");
        return Err((message, heading_hint()));
    };
    lines
        .map(|(number, line)| {
            let cells = cells(line);
            let cell = |column: usize| {
                let text = cells.get(column).map_or("", String::as_str);
                let value = text.parse::<f64>().ok().filter(|v| v.is_finite());
                value.ok_or_else(|| {
                    let hint = "plain numbers, decimals with a point".to_string();
                    (format!("line {number}: '{text}' is not a number"), hint)
                })
            };
            Ok((number, [cell(time)? / per_s, cell(light)?]))
        })
        .collect()
}
