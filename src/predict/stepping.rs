//! Stepping: whether grey levels of dark plates lie near enough to each other. Crews call it banding too; it is no scan band.
//!
//! Levels are those that codes, the wall's curve and the drive's grey clocks leave at the brightness in use. A step is judged as
//! the edge of a square wave at the frequency that the eye sees best, in the picture as watched, the wall's white being shown as
//! the display's white: its first harmonic is 4/π of (b − a)/(b + a). Noise, texture and dithering hide steps; they are not counted.

use crate::artefact::luma_sensitivity;
use crate::scene::Scene;
use crate::units::{number, percent, time};
use crate::wall::drive::{DriveKind, grey_clocks};
use serde::Serialize;
use std::f64::consts::PI;

/// Ranges of light that are looked at, as shares of white.
pub const RANGES: [(f64, f64); 3] = [(0.001, 0.01), (0.01, 0.05), (0.05, 0.18)];

/// Darkest luminance to which the eye is taken to be adapted, cd/m²; as in [`crate::artefact::Viewing`].
const DARKEST_NITS: f64 = 1.0;

/// One range of light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    /// From this share of white.
    pub from_share: f64,
    /// To this share.
    pub to_share: f64,
    /// Different levels of light in it.
    pub levels: u32,
    /// The largest step that reaches into it: (b − a)/(b + a).
    pub largest_step_contrast: f64,
    /// The darker level of that step, as a share of white.
    pub largest_step_at_share: f64,
    /// The step that is just seen there.
    pub threshold_contrast: f64,
    /// The largest of step over threshold in the range, which need not be that of the largest step.
    pub multiple: f64,
}

/// Where grey levels come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// Codes of the video.
    Codes,
    /// Clocks of the drive as rendered.
    DriveBits,
    /// Clocks on the wall's sheet.
    SheetClocks,
    /// Bits on the wall's sheet.
    SheetBits,
}

/// Stepping.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stepping {
    /// What the drive's own steps follow from; `Codes` where it has none.
    pub limit: Limit,
    /// Bits of a code.
    pub code_bits: u32,
    /// The drive's levels above black up to white at the brightness in use; `None` where it has no steps of its own.
    pub drive_levels: Option<u32>,
    /// The ranges.
    pub ranges: Vec<Range>,
    /// From this share of white up to the top of the last range no step is seen; `None` where even the last one is.
    pub smooth_from_share: Option<f64>,
    /// The lowest level above black, as a share of white.
    pub lowest_share: Option<f64>,
    /// The shortest pulse, one clock, seconds.
    pub shortest_pulse_s: Option<f64>,
    /// What its lit time is off by, seconds.
    pub on_time_error_s: f64,
    /// The shortest pulse gives no light.
    pub shortest_pulse_dark: bool,
}

/// The contrast of a step, (b − a)/(b + a), that is just seen at a level of light: π/4 over the peak of the eye's sensitivity.
///
/// P. G. J. Barten's formula (see [`luma_sensitivity`]), at the best of 24 frequencies from ¼ to 16 cycles per degree; Report ITU-R
/// BT.2246 judges steps of grey in the same way (its factor 1.27 from memory).
pub fn step_threshold(scene: &Scene, level_share: f64) -> f64 {
    let viewing = &scene.viewing;
    let nits = (viewing.white_nits * level_share).max(DARKEST_NITS);
    let best = (0..24)
        .map(|i| 0.25 * libm::exp2(f64::from(i) * 6.0 / 23.0))
        .map(|u| luma_sensitivity(nits, viewing.height_deg(), u, 0.0))
        .fold(0.0, f64::max);
    PI / 4.0 / best
}

/// The drive's own levels above black up to white, and what they follow from.
fn drive_levels(scene: &Scene) -> (Limit, Option<f64>) {
    let (drive, sheet) = (&scene.drive, &scene.sheet);
    match drive.kind {
        DriveKind::Split { bits, .. } | DriveKind::HeldMean { bits } => {
            (Limit::DriveBits, Some(f64::from(grey_clocks(drive.pulse_share, bits))))
        }
        DriveKind::Pwm | DriveKind::Scanned => match sheet.clocks {
            Some(clocks) => {
                (Limit::SheetClocks, Some((clocks.levels() as f64 * drive.pulse_share).floor()))
            }
            None => {
                let top = libm::exp2(f64::from(sheet.bits.min(32))) - 1.0;
                (Limit::SheetBits, Some((top * drive.pulse_share).floor()))
            }
        },
        DriveKind::Steady | DriveKind::Waveform(_) => (Limit::Codes, None),
    }
}

/// The levels of light that can be shown, as shares of white, darkest first, black left out; up to a little above `to`.
fn levels(scene: &Scene, drive_levels: Option<f64>, to: f64) -> Vec<f64> {
    let wall = &scene.wall;
    let top = f64::from((1_u32 << wall.bits) - 1);
    let mut all: Vec<f64> = Vec::new();
    for code in 1..1_u32 << wall.bits {
        let level = wall.transfer.level(f64::from(code) / top);
        let light = match drive_levels {
            Some(n) if n >= 1.0 => (level * n + 0.5).floor() / n,
            _ => level,
        };
        if light > 0.0 && all.last().is_none_or(|last| light > *last) {
            all.push(light);
            if light > to {
                break;
            }
        }
    }
    all
}

/// Stepping of a scene's wall.
pub fn stepping(scene: &Scene) -> Stepping {
    let (limit, own) = drive_levels(scene);
    let end = RANGES[RANGES.len() - 1].1;
    let all = levels(scene, own, end);
    // Thresholds change slowly: a few, joined by lines.
    let least = all.first().copied().unwrap_or(end).min(RANGES[0].0);
    let table: Vec<(f64, f64)> = (0..=16)
        .map(|i| least * libm::pow(1.2 * end / least, f64::from(i) / 16.0))
        .map(|level| (level, step_threshold(scene, level)))
        .collect();
    let threshold = |level: f64| {
        let i = table.partition_point(|t| t.0 <= level).clamp(1, table.len() - 1);
        let (a, b) = (table[i - 1], table[i]);
        let share = ((level - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
        a.1 + (b.1 - a.1) * share
    };
    let steps = |from: f64, to: f64| {
        let before = std::iter::once(0.0).chain(all.iter().copied());
        before.zip(all.iter().copied()).filter(move |(a, b)| *b > from && *a < to)
    };
    let contrast = |a: f64, b: f64| (b - a) / (b + a);
    let multiple = |a: f64, b: f64| contrast(a, b) / threshold((a + b) / 2.0);
    let ranges = RANGES.map(|(from, to)| {
        let largest = steps(from, to).fold((0.0, 0.0, to), |most: (f64, f64, f64), (a, b)| {
            if contrast(a, b) > most.0 { (contrast(a, b), a, b) } else { most }
        });
        Range {
            from_share: from,
            to_share: to,
            levels: all.iter().filter(|l| **l >= from && **l < to).count() as u32,
            largest_step_contrast: largest.0,
            largest_step_at_share: largest.1,
            threshold_contrast: threshold((largest.1 + largest.2) / 2.0),
            multiple: steps(from, to).map(|(a, b)| multiple(a, b)).fold(0.0, f64::max),
        }
    });
    let seen = steps(0.0, end).filter(|(a, b)| multiple(*a, *b) >= 1.0).last();
    let smooth_from_share = match seen {
        None => all.first().copied(),
        Some((_, b)) if b < end => Some(b),
        Some(_) => None,
    };
    let clock_s = match (scene.drive.timing().clock_s, scene.sheet.clocks) {
        (s, _) if s > 0.0 => Some(s),
        (_, Some(clocks)) => Some(1.0 / clocks.clock_hz),
        _ => None,
    };
    let error_s = scene.sheet.on_time_error_s;
    Stepping {
        limit,
        code_bits: scene.wall.bits,
        drive_levels: own.map(|n| n as u32),
        ranges: ranges.to_vec(),
        smooth_from_share,
        lowest_share: all.first().copied(),
        shortest_pulse_s: clock_s,
        on_time_error_s: error_s,
        shortest_pulse_dark: clock_s.is_some_and(|s| s + error_s <= 0.0),
    }
}

impl Stepping {
    /// The answer in lines.
    pub fn lines(&self) -> Vec<String> {
        let own = |from: &str| {
            let levels = self.drive_levels.unwrap_or(0);
            format!(
                "{levels} levels above black at this brightness ({from}), codes of {} bits",
                self.code_bits
            )
        };
        let mut lines = vec![match self.limit {
            Limit::Codes => {
                format!("codes of {} bits; steps of the drive are not known", self.code_bits)
            }
            Limit::DriveBits => own("the drive's bits"),
            Limit::SheetClocks => own("the sheet's clocks"),
            Limit::SheetBits => own("the sheet's bits"),
        }];
        for r in &self.ranges {
            lines.push(format!(
                "{} to {} of white: {} levels, largest step {} where {} is seen, at worst {} times what is seen",
                percent(r.from_share),
                percent(r.to_share),
                r.levels,
                percent(r.largest_step_contrast),
                percent(r.threshold_contrast),
                number(r.multiple)
            ));
        }
        lines.push(match self.smooth_from_share {
            Some(share) => format!("no step is seen from {} of white on", percent(share)),
            None => "steps are seen up to 18 % of white".into(),
        });
        if let Some(shortest_s) = self.shortest_pulse_s {
            let error_s = self.on_time_error_s;
            lines.push(match (error_s, self.shortest_pulse_dark) {
                (0.0, _) => format!("shortest pulse {}; the error of its lit time is not given", time(shortest_s)),
                (_, true) => format!(
                    "shortest pulse {}, off by {}: it stays dark, and the darkest levels are missing or uneven",
                    time(shortest_s),
                    time(error_s)
                ),
                (_, false) => format!(
                    "shortest pulse {}, off by {}, {} of it: the darkest levels are that much off",
                    time(shortest_s),
                    time(error_s),
                    percent((error_s / shortest_s).abs())
                ),
            });
        }
        lines.push(
            "assumed: the wall's white shown as the display's white, no noise or texture over it"
                .into(),
        );
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{NoPictures, parse};

    fn scene(wall: &str, drive: &str) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [400, 200]{wall}}}\n\
             lens: {{focal_mm: 35, f_number: 2.8}}\nplacement: {{distance_m: 5}}\ndrive: {drive}\n"
        );
        parse(&text, "steps", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
    }

    const SPLIT: &str = "{kind: split, refresh_hz: 1536, scan: 8, advanced: {grey_bits: 12}}";

    #[test]
    fn levels_are_counted() {
        // Codes of 16 bits, linear, on 4095 clocks: every clock is a level.
        let found = stepping(&scene(", transfer: {gamma: 1}, bits: 16", SPLIT));
        assert_eq!(found.drive_levels, Some(4095));
        let counts: Vec<u32> = found.ranges.iter().map(|r| r.levels).collect();
        // 0.1 %: clock 5 is the first at or above 4.095; 1 %: 41; 5 %: 205; 18 %: 738.
        assert_eq!(counts, [41 - 5, 205 - 41, 738 - 205]);
        // The largest step that reaches above 0.1 % is from 4 clocks to 5, above 1 % from 40 to 41.
        assert!((found.ranges[0].largest_step_contrast - 1.0 / 9.0).abs() < 1e-9);
        assert!((found.ranges[1].largest_step_contrast - 1.0 / 81.0).abs() < 1e-9);
        assert!((found.ranges[1].largest_step_at_share - 40.0 / 4095.0).abs() < 1e-12);
        assert!(found.ranges[0].multiple > found.ranges[1].multiple);
        assert_eq!(found.limit, Limit::DriveBits);
    }

    #[test]
    fn dimming_by_pulse_takes_levels_away_and_by_current_does_not() {
        let at = |wall: &str| stepping(&scene(wall, SPLIT)).drive_levels;
        assert_eq!(at(", brightness_percent: 25, dimming: pulse"), Some(1024));
        assert_eq!(at(", brightness_percent: 25, dimming: current"), Some(4095));
    }

    #[test]
    fn codes_alone_step_too() {
        // 8 bits of gamma 2.2: from code 12 on above 0.1 % of white, to 32 below 1 %.
        let found = stepping(&scene(", transfer: {gamma: 2.2}, bits: 8", "{kind: steady}"));
        assert_eq!((found.limit, found.drive_levels), (Limit::Codes, None));
        let level = |c: f64| libm::pow(c / 255.0, 2.2);
        assert!(level(12.0) >= 0.001 && level(11.0) < 0.001);
        assert!(level(32.0) >= 0.01 && level(31.0) < 0.01);
        assert_eq!(found.ranges[0].levels, 32 - 12);
        let (a, b) = (level(11.0), level(12.0));
        assert!((found.ranges[0].largest_step_contrast - (b - a) / (b + a)).abs() < 1e-12);
    }

    #[test]
    fn more_bits_are_smoother_and_enough_are_smooth() {
        let multiple = |bits: u32| {
            let drive = format!(
                "{{kind: split, refresh_hz: 1536, scan: 8, advanced: {{grey_bits: {bits}}}}}"
            );
            stepping(&scene(", transfer: {gamma: 2.4}, bits: 16", &drive))
        };
        let [coarse, fine] = [multiple(10), multiple(16)];
        for (a, b) in coarse.ranges.iter().zip(&fine.ranges) {
            assert!(a.multiple > 4.0 * b.multiple, "{a:?} {b:?}");
        }
        // 1023 clocks are too few even at 18 %: 184 of them, steps of 0.27 %.
        assert_eq!(coarse.smooth_from_share, None);
        let from = fine.smooth_from_share.expect("smooth");
        assert!(from < 0.01, "{from}");
        assert!(fine.ranges[2].multiple < 1.0);
    }

    #[test]
    fn the_threshold_is_that_of_the_eye() {
        let scene = scene("", SPLIT);
        // Handbook §8, Barten 1999, L 100, X0 10: S(4) = 668.522 is near the peak; here the field is 17.7°.
        let found = PI / 4.0 / step_threshold(&scene, 1.0);
        assert!((600.0..800.0).contains(&found), "{found}");
        assert!(step_threshold(&scene, 0.01) > 1.5 * step_threshold(&scene, 1.0));
    }

    #[test]
    fn short_pulses_are_held_against_their_error() {
        // Handbook §6: 30 MHz, one clock, −50 ns: dark.
        let drive = "{kind: scanned, refresh_hz: 960, scan: 8, advanced: {grey_clock_mhz: 30, sub_periods: 40, on_time_error_ns: -50}}";
        let found = stepping(&scene("", drive));
        assert!(found.shortest_pulse_dark, "{found:?}");
        assert!((found.shortest_pulse_s.expect("a clock") - 1.0 / 30e6).abs() < 1e-15);
        assert_eq!(found.limit, Limit::SheetClocks);
        assert!(found.lines().iter().any(|l| l.contains("stays dark")));
    }
}
