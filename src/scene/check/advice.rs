//! How far advice may go.

use super::Findings;
use crate::scene::Limits;
use crate::scene::written::LimitsFile;
use crate::units::number;
use serde::Serialize;
use std::f64::consts::PI;

/// The word of an option in the file.
fn name<T: Serialize>(option: &T) -> String {
    let value = serde_json::to_value(option).ok();
    value.and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

/// Refuses ranges that run backwards.
pub(super) fn check(found: &mut Findings<'_>, file: &LimitsFile) {
    let ranges = [
        ("limits.distance_m", file.distance_m, "m"),
        ("limits.focal_mm", file.focal_mm, "mm"),
        ("limits.f_numbers", file.f_numbers, ""),
    ];
    for (key, range, unit) in ranges {
        if let Some([low, high]) = range
            && low > high
        {
            let message = format!(
                "from {} to {} {unit} is no range; allowed: the smaller number first",
                number(low),
                number(high)
            );
            found.refuse(key, &[], message.replace("  ", " "), "swap the two");
        }
    }
}

/// In SI units.
pub(in crate::scene) fn limits_of(file: &LimitsFile) -> Limits {
    let prices = &file.prices_per_day;
    let prices = [
        ("low_pass", prices.low_pass),
        ("front_low_pass", prices.front_low_pass),
        ("diffuser", prices.diffuser),
        ("other_wall", prices.other_wall),
        ("other_camera", prices.other_camera),
    ];
    let millimetres = |range: [f64; 2]| range.map(|mm| mm / 1e3);
    Limits {
        distance_m: file.distance_m,
        focal_m: file.focal_mm.map(millimetres),
        framing: file.framing_percent / 100.0,
        turn_rad: file.turn_deg * PI / 180.0,
        subject_blur: file.subject_blur_photosites,
        f_numbers: file.f_numbers,
        light_stops: file.light_stops,
        frame_rates_fps: file.frame_rates_fps.clone().unwrap_or_default(),
        wall_pitches_m: file.wall_pitches_mm.iter().flatten().map(|mm| mm / 1e3).collect(),
        cameras: file.cameras.iter().flatten().map(name).collect(),
        without: file.without.iter().flatten().map(name).collect(),
        money_per_day: file.money_per_day,
        prices_per_day: prices
            .into_iter()
            .filter_map(|(name, price)| Some((name.to_owned(), price?)))
            .collect(),
    }
}
