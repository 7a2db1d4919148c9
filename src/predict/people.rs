//! Flicker of the wall's light for the people in the room. Information for the set's safety officer; it certifies nothing.
//!
//! Two lights are told apart: that of one row of emitters, which is what somebody sees who looks at the wall from near by, and that of all
//! rows together, which falls on the set. In a scanned wall rows take turns, and much that pulses in a row is even in the room.
//! Pulses are taken as rectangles; rise and fall make them less deep. Cabinets are taken to be in step.

use super::flicker::{
    flicker_index, low_risk_limit_percent, no_effect_limit_percent, percent_flicker,
    seizure_limit_percent, stroboscopic_visibility,
};
use crate::math::special::{cos_pi, sin_pi};
use crate::scene::Scene;
use crate::scene::derived::white_light;
use crate::units::{frequency, number};
use crate::wall::drive::{DriveKind, Timing};
use crate::wall::spectrum::Spectrum;
use rustfft::num_complex::Complex64;
use serde::Serialize;

/// Levels that are looked at: name, light as a share of white.
pub const LEVELS: [(&str, f64); 3] = [("white", 1.0), ("mid-grey", 0.18), ("1 % grey", 0.01)];

/// Harmonics of the drive's pattern that are looked at, at most.
const MOST_LINES: u32 = 1000;
/// Modulation, percent, from which a frequency counts as one.
const LEAST_PERCENT: f64 = 0.1;
/// Switchings of all rows and colours in a pattern up to which colours that are late are followed one by one.
const MOST_SWITCHINGS: u32 = 20_000;
/// Samples of a measured waveform's period for the light of all rows.
const SAMPLES: u32 = 512;
/// Frequencies that trouble photosensitive people, Hz: A. Wilkins, J. Veitch, B. Lehman, IEEE ECCE 2010 (numbers from memory).
pub const PHOTOSENSITIVE_HZ: (f64, f64) = (3.0, 65.0);

/// A frequency in light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Component {
    /// Hz.
    pub frequency_hz: f64,
    /// Amplitude over the mean, percent, at most the percent flicker.
    pub modulation_percent: f64,
    /// Most of it by IEEE Std 1789-2015, practice 1, low risk; `None` where it has no limit.
    pub low_risk_limit_percent: Option<f64>,
    /// By practice 2, no observable effect.
    pub no_effect_limit_percent: Option<f64>,
}

/// The flicker of one light.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Flicker {
    /// 100·(highest − lowest)/(highest + lowest).
    pub percent_flicker: f64,
    /// Area above the mean over the whole area.
    pub flicker_index: f64,
    /// The frequency that counts: of those with a limit the one that uses most of it, else the lowest. `None` for steady light.
    pub counts: Option<Component>,
    /// The lowest frequency of at least 0.1 %, Hz.
    pub lowest_hz: Option<f64>,
    /// The strongest frequency from 3 to 65 Hz, if there is one of at least 0.1 %.
    pub in_photosensitive_range: Option<Component>,
    /// Stroboscopic visibility measure, 80 to 2000 Hz; half of the people notice 1.
    pub stroboscopic_visibility: f64,
    /// Every frequency keeps practice 1 of IEEE Std 1789-2015, low risk.
    pub keeps_low_risk: bool,
    /// Every frequency keeps practice 2, no observable effect.
    pub keeps_no_effect: bool,
    /// Every frequency keeps practice 3, seizures.
    pub keeps_seizure_limit: bool,
}

/// The light of one level of grey.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AtLevel {
    /// Its name.
    pub level: &'static str,
    /// Light that was asked for, as a share of white.
    pub level_share: f64,
    /// Luminance in front of the wall, cd/m²; 0 where the drive cannot show the level.
    pub luminance_nits: f64,
    /// Of one row.
    pub row: Flicker,
    /// Of all rows together.
    pub room: Flicker,
}

/// Flicker for people.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct People {
    /// White, mid-grey and 1 %.
    pub levels: Vec<AtLevel>,
    /// Something between 3 and 65 Hz is stronger than practice 3 of IEEE Std 1789-2015 allows.
    pub photosensitivity_warning: bool,
}

impl Flicker {
    fn steady() -> Self {
        Self::of(0.0, 0.0, &[])
    }

    /// `components` by frequency, Hz, and amplitude over the mean.
    fn of(percent_flicker: f64, flicker_index: f64, components: &[(f64, f64)]) -> Self {
        let all: Vec<Component> = components
            .iter()
            .map(|&(frequency_hz, share)| Component {
                frequency_hz,
                modulation_percent: (100.0 * share).min(percent_flicker),
                low_risk_limit_percent: low_risk_limit_percent(frequency_hz),
                no_effect_limit_percent: no_effect_limit_percent(frequency_hz),
            })
            .filter(|c| c.modulation_percent >= LEAST_PERCENT)
            .collect();
        let used = |c: &Component| c.no_effect_limit_percent.map(|l| c.modulation_percent / l);
        let limited = all.iter().filter(|c| used(c).is_some());
        let counts = limited.max_by(|a, b| {
            let [a, b] = [a, b].map(|c| used(c).unwrap_or(0.0));
            a.total_cmp(&b)
        });
        let keeps = |limit: fn(f64) -> Option<f64>| {
            let within = |c: &Component| {
                limit(c.frequency_hz).is_none_or(|most| c.modulation_percent <= most)
            };
            all.iter().all(within)
        };
        let (from, to) = PHOTOSENSITIVE_HZ;
        let slow = all.iter().filter(|c| (from..=to).contains(&c.frequency_hz));
        Self {
            percent_flicker,
            flicker_index,
            counts: counts.or(all.first()).copied(),
            lowest_hz: all.first().map(|c| c.frequency_hz),
            in_photosensitive_range: slow
                .max_by(|a, b| a.modulation_percent.total_cmp(&b.modulation_percent))
                .copied(),
            stroboscopic_visibility: stroboscopic_visibility(components.iter().copied()),
            keeps_low_risk: keeps(low_risk_limit_percent),
            keeps_no_effect: keeps(no_effect_limit_percent),
            keeps_seizure_limit: keeps(seizure_limit_percent),
        }
    }
}

/// The flicker of a scene's wall.
pub fn people(scene: &Scene) -> People {
    let timing = scene.drive.timing();
    let (_, shares) = white_light(scene);
    let passed = scene.wall.diffuser.map_or(1.0, |d| d.transmission);
    let white_nits = scene.wall.white_nits * scene.wall.brightness * passed;
    let levels: Vec<AtLevel> = LEVELS
        .into_iter()
        .map(|(level, level_share)| {
            let [row, room] = lights(&timing, level_share, shares);
            let mean = scene.drive.mean_level(level_share);
            AtLevel { level, level_share, luminance_nits: white_nits * mean, row, room }
        })
        .collect();
    let warns = |l: &AtLevel| !(l.row.keeps_seizure_limit && l.room.keeps_seizure_limit);
    let photosensitivity_warning = levels.iter().any(warns);
    People { levels, photosensitivity_warning }
}

/// The light of one row, and of all.
fn lights(timing: &Timing, level: f64, shares: [f64; 3]) -> [Flicker; 2] {
    let drive = &timing.drive;
    let spectrum = Spectrum::new(timing, level);
    let mean = spectrum.mean();
    if drive.is_steady() || mean <= 0.0 {
        return [Flicker::steady(), Flicker::steady()];
    }
    let period_s = spectrum.period_s();
    let highest = (super::flicker::NO_EFFECT_TO_HZ * period_s).floor().min(f64::from(MOST_LINES));
    let mut ks: Vec<u32> = (1..=highest as u32).collect();
    // What pulses with every refresh, and with every row's turn, even where it is faster than any limit.
    for k in [timing.refreshes, timing.refreshes.saturating_mul(drive.scan)] {
        if ks.last().is_none_or(|last| *last < k) {
            ks.push(k);
        }
    }
    let mut rows: [Vec<(f64, f64)>; 2] = [Vec::new(), Vec::new()];
    for k in ks {
        let hz = f64::from(k) / period_s;
        let late = |s: f64| Complex64::new(cos_pi(2.0 * hz * s), -sin_pi(2.0 * hz * s));
        let colours: Complex64 = (0..3).map(|c: usize| late(drive.delay_s[c]) * shares[c]).sum();
        let share = 2.0 * spectrum.amplitude(k).norm() / mean * colours.norm();
        let turns = share_of_turns(hz * spectrum.slot_s(), drive.scan);
        rows[0].push((hz, share));
        rows[1].push((hz, share * turns));
    }
    let shapes = shapes(timing, level, shares);
    [0, 1].map(|i: usize| Flicker::of(shapes[i].0, shapes[i].1, &rows[i]))
}

/// |Σ exp(−i2π·j·x)|/scan: what rows that take turns, x periods apart, leave of a wave.
fn share_of_turns(x: f64, scan: u32) -> f64 {
    let (n, rest) = (f64::from(scan.max(1)), x - libm::round(x));
    if rest.abs() < 1e-9 { 1.0 } else { (sin_pi(n * rest) / (n * sin_pi(rest))).abs() }
}

/// Percent flicker and flicker index of one row, and of all.
fn shapes(timing: &Timing, level: f64, shares: [f64; 3]) -> [(f64, f64); 2] {
    let drive = &timing.drive;
    if let DriveKind::Waveform(wave) = &drive.kind {
        let row = shape(wave.points());
        if drive.scan <= 1 {
            return [row, row];
        }
        // Means over short stretches, exact.
        let period_s = wave.period_s();
        let cell_s = period_s / f64::from(SAMPLES);
        let until = |t: f64| {
            let whole = (t / period_s).floor();
            whole * period_s + wave.integral_s(t - whole * period_s)
        };
        let light = |i: u32| {
            let at = |j: u32| f64::from(i) * cell_s - f64::from(j) * timing.slot_s;
            let turns = (0..drive.scan).map(|j| (until(at(j) + cell_s) - until(at(j))) / cell_s);
            turns.sum::<f64>() / f64::from(drive.scan)
        };
        let points: Vec<[f64; 2]> = (0..=SAMPLES).map(|i| [f64::from(i), light(i)]).collect();
        return [row, shape(&points)];
    }
    let lit = drive.mean_level(level) * timing.top_duty();
    let rows = [1, drive.scan.max(1)];
    let together = drive.delay_s.iter().all(|d| *d == drive.delay_s[0]);
    let switchings = rows.map(|n| timing.refreshes.saturating_mul(n).saturating_mul(6));
    [0, 1].map(|i: usize| {
        if together || switchings[i] > MOST_SWITCHINGS {
            // Pulses of rows that take turns do not meet: light is on or off.
            let lit = (lit * f64::from(rows[i])).min(1.0);
            if lit > 1.0 - 1e-9 { (0.0, 0.0) } else { (100.0, 1.0 - lit) }
        } else {
            shape(&switched(timing, level, rows[i], shares))
        }
    })
}

/// Percent flicker and flicker index of light that goes straight from point to point.
fn shape(points: &[[f64; 2]]) -> (f64, f64) {
    let period = points.last().map_or(0.0, |p| p[0]);
    let (mut highest, mut lowest) = (0.0_f64, f64::INFINITY);
    for piece in points.windows(2) {
        // Edges that meet but for rounding leave no gap.
        if piece[1][0] - piece[0][0] > 1e-9 * period {
            highest = highest.max(piece[0][1]).max(piece[1][1]);
            lowest = lowest.min(piece[0][1]).min(piece[1][1]);
        }
    }
    // What rounding leaves of a sum.
    let lowest = if lowest < 1e-9 * highest { 0.0 } else { lowest };
    (percent_flicker(highest, lowest), flicker_index(points))
}

/// The light of `rows` rows that take turns over a repeat of the pattern, colours being late.
fn switched(timing: &Timing, level: f64, rows: u32, shares: [f64; 3]) -> Vec<[f64; 2]> {
    let frame_s = timing.frame_s;
    let mut switchings: Vec<(f64, f64)> = Vec::new();
    let mut now = 0.0;
    for m in 0..timing.refreshes {
        let on_s = timing.pulse_length_s(level, m);
        for row in 0..rows {
            for (share, delay_s) in shares.iter().zip(timing.drive.delay_s) {
                let start_s =
                    f64::from(m) * timing.refresh_s + f64::from(row) * timing.slot_s + delay_s;
                let start_s = start_s - (start_s / frame_s).floor() * frame_s;
                switchings.push((start_s, *share));
                let end_s = start_s + on_s;
                if end_s < frame_s {
                    switchings.push((end_s, -share));
                } else {
                    switchings.push((end_s - frame_s, -share));
                    now += share;
                }
            }
        }
    }
    switchings.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut points = vec![[0.0, now]];
    for (at_s, step) in switchings {
        points.push([at_s, now]);
        now += step;
        points.push([at_s, now]);
    }
    points.push([frame_s, now]);
    points
}

impl Component {
    fn words(&self) -> String {
        let limit =
            |limit: Option<f64>| limit.map_or("none".into(), |l| format!("{} %", number(l)));
        format!(
            "{} at {} (limits: low risk {}, no effect {})",
            percent(self.modulation_percent),
            frequency(self.frequency_hz),
            limit(self.low_risk_limit_percent),
            limit(self.no_effect_limit_percent)
        )
    }
}

fn percent(value: f64) -> String {
    format!("{} %", number(value))
}

impl Flicker {
    fn words(&self) -> String {
        let Some(counts) = &self.counts else { return "steady".into() };
        let kept = match (self.keeps_seizure_limit, self.keeps_low_risk, self.keeps_no_effect) {
            (true, true, true) => "no observable effect",
            (true, true, false) => "low risk",
            (true, false, _) => "above low risk",
            (false, ..) => "above the limit for seizures",
        };
        format!(
            "{kept}: percent flicker {}, index {:.3}, counts {}, stroboscopic visibility {:.2}",
            number(self.percent_flicker),
            self.flicker_index,
            counts.words(),
            self.stroboscopic_visibility
        )
    }
}

impl People {
    /// The answer in lines.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for at in &self.levels {
            if at.luminance_nits <= 0.0 {
                lines.push(format!("{}: this drive shows no light", at.level));
                continue;
            }
            let nits = number(at.luminance_nits);
            lines.push(format!("{}, {nits} cd/m², one row: {}", at.level, at.row.words()));
            lines.push(format!("{}, {nits} cd/m², the room: {}", at.level, at.room.words()));
        }
        if self.photosensitivity_warning {
            // Of the brightest level that has it.
            let slow = |l: &AtLevel| {
                let of = [&l.row, &l.room].into_iter().filter(|f| !f.keeps_seizure_limit);
                of.filter_map(|f| f.in_photosensitive_range).map(|c| (l.level, c)).next()
            };
            let what = self.levels.iter().find_map(slow).map_or(String::new(), |(level, c)| {
                format!(
                    " ({} at {} in {level})",
                    percent(c.modulation_percent),
                    frequency(c.frequency_hz)
                )
            });
            lines.push(format!(
                "WARNING: the wall itself flickers below 90 Hz{what}: warn everybody on set, and have it looked at before people work in it"
            ));
        }
        lines.extend(CAUTION.map(str::to_owned));
        lines
    }
}

/// What goes with every answer.
pub const CAUTION: [&str; 3] = [
    "Limits: IEEE Std 1789-2015, clause 8.1.1, for each frequency by itself. Constants of the stroboscopic measure (CIE TN 006) are from memory.",
    "Photosensitive people can have seizures from flicker of 3 to 65 Hz, most at 15 to 20 Hz, and from more than 3 flashes a second. What is shown may flash too: it is not judged here.",
    "Information for the set's safety officer, not a certificate. Local rules and the advice of qualified people come first.",
];

#[cfg(test)]
mod tests;
