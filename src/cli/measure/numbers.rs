//! One wave as JSON.

use super::report::{Line, Report, finite};
use serde_json::{Value, json};
use std::f64::consts::PI;

/// A wave's numbers, units in the keys.
pub(super) fn line_json(report: &Report, line: &Line) -> Value {
    let (f, wave) = (&line.found, &line.found.wave);
    let clock = &report.clock;
    let names = ["red", "green", "blue"];
    let planes: serde_json::Map<String, Value> = names
        .iter()
        .zip(wave.planes)
        .map(|(name, p)| {
            let value = json!({ "amplitude": p.norm(), "phase_deg": p.arg() * 180.0 / PI });
            ((*name).to_owned(), value)
        })
        .collect();
    json!({
        "kind": line.kind,
        "luma_contrast": wave.luma(),
        "chroma_contrast": wave.chroma(),
        "luma_floor": f.luma_floor,
        "chroma_floor": f.chroma_floor,
        "below_noise": report.noise && f.below_noise(),
        "period_px": finite(wave.period_px()),
        "period_share_of_width": finite(wave.period_px() / report.size.0.max(1) as f64),
        "direction_deg": wave.direction_deg(),
        "frequency_cycles_per_px": wave.frequency.to_array(),
        "planes": planes,
        "period_lines": clock.period_lines(f),
        "bands_per_frame": clock.bands_per_frame(f),
        "at_px": f.at.to_array(),
        "window_px": f.window_px.to_array(),
        "periods_in_window": f.periods,
        "drift_bins": f.drift_bins,
    })
}
