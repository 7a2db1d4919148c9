//! Shutters that are clean, for the wall and for other lamps in shot.
//!
//! An exposure of a whole number of periods takes the same light from every moment on. The period is that of the level: a dark level of a
//! split drive lights only some refreshes, and repeats after frame/gcd(clocks, refreshes). Bands are judged in the middle of the
//! picture, as in [`super::verdict`].

use crate::scene::{Scene, ShutterOffered};
use crate::units::{frequency, number, shutter, stops};
use serde::Serialize;
use sources::{Setup, Source};

mod sources;

/// Levels of the wall that are looked at: name, light as a share of white.
pub const LEVELS: [(&str, f64); 3] = [("white", 1.0), ("mid-grey", 0.18), ("2 % grey", 0.02)];

/// Settings this many stops from the present one are near.
const NEAR_STOPS: f64 = 1.5;
/// Settings that are told apart.
const SAME: f64 = 1e-6;
/// Settings of our own making are left out this near to a common one.
const NEARLY_SAME: f64 = 5e-4;
/// Steps of a shutter angle that are listed one by one.
const MOST_STEPS: f64 = 60.0;
/// Shutter angles, degrees, of cameras that list none: common practice, no source.
const ANGLES_DEG: [f64; 16] = [
    45.0, 60.0, 72.0, 75.0, 90.0, 108.0, 120.0, 135.0, 144.0, 150.0, 172.8, 180.0, 216.0, 270.0,
    300.0, 360.0,
];
/// Fractions of a second of such cameras: common practice, no source.
const SPEEDS: [f64; 18] = [
    24.0, 25.0, 30.0, 48.0, 50.0, 60.0, 80.0, 96.0, 100.0, 120.0, 125.0, 150.0, 160.0, 200.0,
    240.0, 250.0, 500.0, 1000.0,
];

/// Exposure of a shutter angle, seconds: θ/(360·fps).
pub fn exposure_of_angle_s(angle_deg: f64, fps: f64) -> f64 {
    angle_deg / (360.0 * fps)
}

/// Shutter angle of an exposure, degrees: 360·fps·t.
pub fn angle_of_exposure_deg(exposure_s: f64, fps: f64) -> f64 {
    360.0 * fps * exposure_s
}

/// Bands of one source at one exposure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bands {
    /// Of what: a level of the wall, or a lamp.
    pub of: String,
    /// Amplitude of the worst wave over the mean.
    pub contrast: f64,
    /// Times the threshold of visibility; below 1 is clean.
    pub multiple: f64,
    /// Lines from band to band in the delivered picture; `None` where there are none.
    pub period_lines: Option<f64>,
    /// Bands that pass a place of the picture in a second, Hz; with no bands, changes of the whole picture.
    pub roll_hz: f64,
}

/// One setting of the shutter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Setting {
    /// As the camera has it.
    pub written: String,
    /// Exposure, seconds.
    pub exposure_s: f64,
    /// The same as a shutter angle, degrees.
    pub shutter_angle_deg: f64,
    /// Light against the present setting, stops.
    pub stops: f64,
    /// Bands of the wall's levels, then of the lamps.
    pub bands: Vec<Bands>,
    /// All of them are below the threshold.
    pub all_clean: bool,
    /// The present setting.
    pub present: bool,
    /// The nearest that is all clean, or else the one whose worst bands are least.
    pub best: bool,
}

/// A shutter that is clean for a source.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CleanSetting {
    /// As the camera has it.
    pub written: String,
    /// Whole periods that it holds.
    pub periods: u32,
    /// Exposure, seconds.
    pub exposure_s: f64,
    /// The same as a shutter angle, degrees.
    pub shutter_angle_deg: f64,
    /// How far exposure, refresh, or (with the angle kept) frame rate may be off before bands are seen, as a share; `None`
    /// where they never are.
    pub tolerance_share: Option<f64>,
    /// The same of the exposure, seconds.
    pub tolerance_exposure_s: Option<f64>,
    /// The same of the refresh or the lamp's frequency, Hz of the frequency that the period has.
    pub tolerance_frequency_hz: Option<f64>,
    /// The same of the frame rate, frames per second.
    pub tolerance_frame_rate_fps: Option<f64>,
}

/// Clean shutters for one source.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Clean {
    /// Of what.
    pub of: String,
    /// Time of which an exposure must hold a whole number, seconds: a refresh, or the level's own period where whole refreshes leave
    /// bands that are seen; `None` for steady light.
    pub period_s: Option<f64>,
    /// Time after which the level's pulses repeat, seconds: whole numbers of it leave nothing at all.
    pub own_period_s: Option<f64>,
    /// One over it, Hz.
    pub frequency_hz: Option<f64>,
    /// The nearest such settings, those the camera offers where it lists any; empty where none fits.
    pub settings: Vec<CleanSetting>,
}

/// Whether bands stand or roll.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sync {
    /// Refreshes of the wall a second of the camera's time, Hz.
    pub refresh_hz: f64,
    /// Refreshes in a frame of the camera.
    pub refreshes_per_frame: f64,
    /// How fast bands of the refresh roll, Hz; 0 when they stand.
    pub roll_hz: f64,
    /// Wall and camera share a clock.
    pub one_clock: bool,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shutters {
    /// True where the scene lists what the camera offers.
    pub offered: bool,
    /// `None` for a steady wall.
    pub sync: Option<Sync>,
    /// Clean shutters for each level of the wall and each lamp.
    pub clean: Vec<Clean>,
    /// Settings near the present one, shortest first.
    pub table: Vec<Setting>,
}

struct Candidate {
    exposure_s: f64,
    written: String,
}

struct Named {
    of: String,
    source: Source,
}

/// Shutters of a scene.
pub fn shutters(scene: &Scene) -> Shutters {
    let camera = &scene.camera;
    let (present_s, fps) = (camera.exposure_s, camera.fps);
    let setup = Setup::new(scene);
    let shortest_s = present_s / libm::exp2(NEAR_STOPS);
    let mut sources: Vec<Named> = Vec::new();
    for (name, level) in LEVELS {
        if let Some(source) = setup.wall(level, shortest_s) {
            sources.push(Named { of: name.into(), source });
        }
    }
    for lamp in &scene.other_light {
        sources.push(Named { of: lamp.name.clone(), source: setup.lamp(lamp) });
    }
    let mut periods: Vec<f64> =
        sources.iter().flat_map(|s| [s.source.period_s, s.source.refresh_s]).collect();
    periods.sort_by(f64::total_cmp);
    periods.dedup();
    let candidates = candidates(scene, &periods);
    let mut table: Vec<Setting> =
        candidates.iter().map(|c| setting(c, &sources, present_s, fps)).collect();
    let worst = |s: &Setting| s.bands.iter().map(|b| b.multiple).fold(0.0, f64::max);
    let best = (0..table.len()).min_by(|&a, &b| {
        let [a, b] = [&table[a], &table[b]];
        let by_clean = b.all_clean.cmp(&a.all_clean);
        let by_stops = a.stops.abs().total_cmp(&b.stops.abs());
        let by_worst = worst(a).total_cmp(&worst(b));
        by_clean.then(if a.all_clean { by_stops.then(by_worst) } else { by_worst.then(by_stops) })
    });
    if let Some(best) = best {
        table[best].best = true;
    }
    let drive = &scene.drive;
    let refresh_hz = drive.refresh_hz * (1.0 + drive.clock.drift);
    Shutters {
        offered: scene.shutter_offered.is_some(),
        sync: (!drive.is_steady()).then(|| Sync {
            refresh_hz,
            refreshes_per_frame: refresh_hz / fps,
            roll_hz: crate::sensor::bands::roll_hz(refresh_hz, fps),
            one_clock: drive.clock.drift == 0.0,
        }),
        clean: sources.iter().map(|s| clean(s, &candidates, scene)).collect(),
        table,
    }
}

/// Settings near the present one, shortest first, without repeats; the present one is among them.
fn candidates(scene: &Scene, periods: &[f64]) -> Vec<Candidate> {
    let (present_s, fps) = (scene.camera.exposure_s, scene.camera.fps);
    let frame_s = 1.0 / fps;
    let (low, high) =
        (present_s / libm::exp2(NEAR_STOPS), (present_s * libm::exp2(NEAR_STOPS)).min(frame_s));
    let by_angle = |angle: f64| Candidate {
        exposure_s: exposure_of_angle_s(angle, fps),
        written: format!("{}°", number(angle)),
    };
    let by_speed = |s: f64| Candidate { exposure_s: s, written: shutter(s) };
    let mut all: Vec<Candidate> = Vec::new();
    // The present one first: of two alike the first stays.
    all.push(Candidate {
        exposure_s: present_s,
        written: format!("{}°", number(angle_of_exposure_deg(present_s, fps))),
    });
    let near_whole = nearest_whole(periods, present_s, high);
    match &scene.shutter_offered {
        Some(ShutterOffered { angles_deg, angle_step_deg, speeds_s }) => {
            all.extend(angles_deg.iter().map(|a| by_angle(*a)));
            all.extend(speeds_s.iter().map(|s| by_speed(*s)));
            if let Some(step) = angle_step_deg {
                let [first, last] = [low, high].map(|s| angle_of_exposure_deg(s, fps) / step);
                if last - first <= MOST_STEPS {
                    let (first, last) = (first.ceil() as u32, (last + SAME).floor() as u32);
                    all.extend((first..=last).map(|n| by_angle(f64::from(n) * step)));
                } else {
                    // Those next to a whole number of periods, and to common angles.
                    let wanted = near_whole.iter().map(|s| angle_of_exposure_deg(*s, fps));
                    let steps = wanted.chain(ANGLES_DEG).map(|a| libm::round(a / step) * step);
                    all.extend(steps.filter(|a| *a > 0.0).map(by_angle));
                }
            }
        }
        None => {
            all.extend(ANGLES_DEG.iter().map(|a| by_angle(*a)));
            all.extend(SPEEDS.iter().map(|s| by_speed(1.0 / s)));
            // Beside a common setting that is nearly the same it says nothing new.
            let new = |s: &&f64| all.iter().all(|c| (c.exposure_s / **s - 1.0).abs() > NEARLY_SAME);
            let new: Vec<f64> = near_whole.iter().filter(new).copied().collect();
            all.extend(new.into_iter().map(|s| by_angle(angle_of_exposure_deg(s, fps))));
        }
    }
    all.retain(|c| {
        c.exposure_s >= low * (1.0 - SAME)
            && c.exposure_s <= (high * (1.0 + SAME)).max(present_s * (1.0 + SAME))
    });
    all.sort_by(|a, b| a.exposure_s.total_cmp(&b.exposure_s));
    all.dedup_by(|a, b| (a.exposure_s / b.exposure_s - 1.0).abs() <= SAME);
    all
}

/// Exposures of a whole number of each period, the nearest two at or below and two above the present one.
fn nearest_whole(periods: &[f64], present_s: f64, longest_s: f64) -> Vec<f64> {
    let mut all = Vec::new();
    for &period_s in periods.iter().filter(|p| **p > 0.0) {
        let most = (longest_s / period_s * (1.0 + SAME)).floor();
        let now = (present_s / period_s * (1.0 + SAME)).floor().min(most);
        let numbers = [-1.0, 0.0, 1.0, 2.0].map(|i| now + i);
        let fits = |n: &f64| *n >= 1.0 && *n <= most;
        all.extend(numbers.into_iter().filter(fits).map(|n| n * period_s));
    }
    all
}

fn setting(c: &Candidate, sources: &[Named], present_s: f64, fps: f64) -> Setting {
    let bands: Vec<Bands> = sources
        .iter()
        .map(|s| {
            let worst = s.source.worst(c.exposure_s);
            Bands {
                of: s.of.clone(),
                contrast: worst.map_or(0.0, |w| w.1),
                multiple: worst.map_or(0.0, |w| w.0),
                period_lines: worst.and_then(|w| w.2.period_lines),
                roll_hz: worst.map_or(0.0, |w| w.2.roll_hz),
            }
        })
        .collect();
    Setting {
        written: c.written.clone(),
        exposure_s: c.exposure_s,
        shutter_angle_deg: angle_of_exposure_deg(c.exposure_s, fps),
        stops: libm::log2(c.exposure_s / present_s),
        all_clean: bands.iter().all(|b| b.multiple < 1.0),
        bands,
        present: (c.exposure_s / present_s - 1.0).abs() <= SAME,
        best: false,
    }
}

fn clean(named: &Named, candidates: &[Candidate], scene: &Scene) -> Clean {
    let (present_s, fps) = (scene.camera.exposure_s, scene.camera.fps);
    let own_s = named.source.period_s;
    if own_s <= 0.0 {
        return Clean {
            of: named.of.clone(),
            period_s: None,
            own_period_s: None,
            frequency_hz: None,
            settings: Vec::new(),
        };
    }
    // A level whose own period is longer than a refresh may leave too little to be seen at whole refreshes.
    let refresh_s = named.source.refresh_s;
    let whole = nearest_whole(&[refresh_s], present_s, 1.0 / fps);
    let refreshes_do = !whole.is_empty() && whole.iter().all(|s| named.source.multiple(*s) < 1.0);
    let period_s = if refreshes_do { refresh_s } else { own_s };
    let make =
        |written: String, exposure_s: f64, periods: f64, tolerance: Option<f64>| CleanSetting {
            written,
            periods: periods as u32,
            exposure_s,
            shutter_angle_deg: angle_of_exposure_deg(exposure_s, fps),
            tolerance_share: tolerance,
            tolerance_exposure_s: tolerance.map(|t| t * exposure_s),
            tolerance_frequency_hz: tolerance.map(|t| t / period_s),
            tolerance_frame_rate_fps: tolerance.map(|t| t * fps),
        };
    let mut settings: Vec<CleanSetting> = if scene.shutter_offered.is_some() {
        let of = |c: &Candidate| {
            let periods = libm::round(c.exposure_s / period_s);
            let off = (c.exposure_s / period_s / periods - 1.0).abs();
            // Nearly whole, and what is missing is not seen.
            let fits = periods >= 1.0 && off * periods <= 0.25;
            (fits && named.source.multiple(c.exposure_s) < 1.0).then(|| {
                let tolerance = named.source.tolerance(c.exposure_s);
                make(c.written.clone(), c.exposure_s, periods, tolerance)
            })
        };
        candidates.iter().filter_map(of).collect()
    } else {
        let whole = nearest_whole(&[period_s], present_s, 1.0 / fps);
        let of = |s: f64| make(shutter(s), s, libm::round(s / period_s), named.source.tolerance(s));
        whole.into_iter().map(of).collect()
    };
    settings.sort_by(|a, b| {
        let far = |s: &CleanSetting| libm::log2(s.exposure_s / present_s).abs();
        far(a).total_cmp(&far(b))
    });
    settings.truncate(4);
    Clean {
        of: named.of.clone(),
        period_s: Some(period_s),
        own_period_s: Some(own_s),
        frequency_hz: Some(1.0 / period_s),
        settings,
    }
}

mod words;

#[cfg(test)]
mod tests;
