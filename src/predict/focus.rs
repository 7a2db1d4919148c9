//! Nearest focus: how close to the wall the focus may come before moiré or the wall's pixels show.
//!
//! For each stop the focus comes nearer from both sides, and the first distance at which [`super::verdict`] is no longer clean
//! ends the range: everything farther off is clean, whatever lucky focus there may be nearer. The wall counts as steady: its bands do
//! not depend on focus alone. Exposure is kept while the stop changes, as with neutral density. The lens stays where it is: of a camera that moves, where it would stand without.

use super::judge::{Prediction, Settings, verdict};
use crate::artefact::{Degree, Kind};
use crate::scene::{Scene, Tolerances};
use crate::units::{length, number};
use rayon::prelude::*;
use serde::Serialize;

/// Full stops (rounded as on lenses) that are looked at, as far as they are near the present one.
const STOPS: [f64; 8] = [1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0];
/// Stops from the present one that are near.
const NEAR_STOPS: f64 = 2.2;
/// Blur discs, in pitches of the wall on the sensor, beyond which nothing of the wall is left to be seen: a disc's transfer is at
/// most 0.29·x^−1.5, 0.1 % at 44 pitches.
const WIDEST_PITCHES: f64 = 44.0;
/// From disc to disc while the focus comes nearer, at most.
const RATIO: f64 = 1.12;
/// The same in pitches of the wall on the sensor: a disc's transfer falls to nothing and comes back with every pitch that it grows by,
/// so that a longer step may meet nothing but luck.
const STEP_PITCHES: f64 = 0.25;
/// A pitch on the sensor, photosites, below which next to nothing is left of a wall's waves: steps become no shorter.
const FINEST: f64 = 0.5;
/// Smallest disc before the focus is on the wall, photosites.
const SMALLEST: f64 = 0.25;
/// Halvings of the last step.
const HALVINGS: u32 = 4;
/// Farther than this a lens's scale has nothing but infinity, metres: common practice, no source.
const FAR_M: f64 = 50.0;
/// Nearest focus that is looked at, focal lengths from the lens.
const NEAREST_FOCALS: f64 = 4.0;

/// Where the focus must stop on its way to the wall.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stop {
    /// Distance from the wall along the lens axis, metres.
    pub from_wall_m: f64,
    /// Distance from the lens, metres.
    pub from_lens_m: f64,
    /// Distance from the sensor-plane mark, metres.
    pub from_mark_m: f64,
    /// Blur disc of the wall there, photosites.
    pub blur_disc_photosites: f64,
    /// What shows nearer to the wall.
    pub limited_by: Kind,
}

/// One side of the wall.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Side {
    /// Clean from here outwards, with all that the set may be off by; `None` where no focus on this side is clean, or all are
    /// (see `all_clean`).
    pub safe: Option<Stop>,
    /// The same were everything just as planned.
    pub planned: Option<Stop>,
    /// Clean even with the focus on the wall.
    pub all_clean: bool,
    /// No focus on this side is clean.
    pub none_clean: bool,
    /// What shows where nothing is clean.
    pub limited_by: Option<Kind>,
}

/// One stop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtStop {
    /// The f-number.
    pub f_number: f64,
    /// It is the present one.
    pub present: bool,
    /// With the focus on the camera's side of the wall, where the subject is.
    pub before_wall: Side,
    /// With the focus behind the wall.
    pub behind_wall: Side,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NearestFocus {
    /// Distance from the lens to the wall along its axis, metres.
    pub wall_from_lens_m: f64,
    /// The stops.
    pub stops: Vec<AtStop>,
}

/// The wall's disc on the sensor, in photosites, positive for a focus before the wall, and back.
struct Discs {
    aperture_m: f64,
    focal_m: f64,
    wall_m: f64,
    photosite_m: f64,
}

impl Discs {
    /// c = A·v·(1/s − 1/d), with v the image distance of the focus s and d the wall.
    fn of_focus(&self, focus_m: f64) -> f64 {
        let image_m = self.focal_m * focus_m / (focus_m - self.focal_m);
        self.aperture_m * image_m * (1.0 / focus_m - 1.0 / self.wall_m) / self.photosite_m
    }

    /// The focus of a disc: from 1/s = 1/f − 1/v, v = (1 + c/A)/(1/f − 1/d). `None` beyond infinity.
    fn focus_m(&self, disc: f64) -> Option<f64> {
        let image_m = (1.0 + disc * self.photosite_m / self.aperture_m)
            / (1.0 / self.focal_m - 1.0 / self.wall_m);
        let focus_m = self.focal_m * image_m / (image_m - self.focal_m);
        (image_m > self.focal_m && focus_m > self.focal_m && focus_m.is_finite()).then_some(focus_m)
    }
}

/// The nearest focus of a scene; `None` where the lens axis does not meet the wall or the recorded picture does not see it.
///
/// It looks at some hundreds of focus distances, in parallel; the answer does not depend on the number of threads.
pub fn nearest_focus(scene: &Scene) -> Option<NearestFocus> {
    let forward = -scene.pose.turn.z_axis;
    let (wall_m, _) = scene.wall.met(scene.pose.lens_m, forward)?;
    if wall_m <= scene.lens.focal_m {
        return None;
    }
    let steady = Scene { moves: None, moving: None, ..scene.steady_wall() };
    let present = scene.lens.f_number;
    let mut f_numbers: Vec<f64> = STOPS
        .into_iter()
        .filter(|n| (2.0 * libm::log2(n / present)).abs() <= NEAR_STOPS)
        .filter(|n| (n / present - 1.0).abs() > 0.03)
        .collect();
    f_numbers.push(present);
    f_numbers.sort_by(f64::total_cmp);
    let jobs: Vec<(f64, bool)> = f_numbers.iter().flat_map(|n| [(*n, true), (*n, false)]).collect();
    let sides: Vec<Option<Side>> =
        jobs.par_iter().map(|&(n, before)| side(&steady, n, wall_m, before)).collect();
    let stops = f_numbers.iter().zip(sides.chunks_exact(2)).map(|(n, sides)| {
        Some(AtStop {
            f_number: *n,
            present: *n == present,
            before_wall: sides[0]?,
            behind_wall: sides[1]?,
        })
    });
    Some(NearestFocus { wall_from_lens_m: wall_m, stops: stops.collect::<Option<_>>()? })
}

/// The verdict of fringes alone. Of a wall whose pixels the sensor resolves well, harmonics above the sixth are left out: where they show,
/// the lower ones do.
fn settings(pitch_photosites: f64) -> Settings {
    let quick = Settings::quick();
    let highest = (6.0 / pitch_photosites).clamp(0.6, quick.highest);
    Settings { levels: vec![1.0], highest, ..quick }
}

fn side(scene: &Scene, f_number: f64, wall_m: f64, before: bool) -> Option<Side> {
    let mut scene = scene.clone();
    let kept = f_number / scene.lens.f_number;
    scene.lens.transmission *= kept * kept;
    scene.lens.f_number = f_number;
    let lens = &scene.lens;
    let discs = Discs {
        aperture_m: lens.focal_m / f_number,
        focal_m: lens.focal_m,
        wall_m,
        photosite_m: scene.camera.photosite_m,
    };
    let pitch = scene.wall.pitch_m * lens.focal_m / wall_m / scene.camera.photosite_m;
    let sign = if before { 1.0 } else { -1.0 };
    // As far as the focus goes: a few focal lengths from the lens, or infinity.
    let most = if before {
        discs.of_focus((NEAREST_FOCALS * lens.focal_m).min(wall_m))
    } else {
        // A hair short of infinity.
        discs.aperture_m * lens.focal_m / wall_m / discs.photosite_m * 0.999
    };
    let most = most.min(WIDEST_PITCHES * pitch.max(1.0));
    let settings = settings(pitch);
    let at = |disc: f64| -> Option<(Prediction, f64)> {
        let focus_m = discs.focus_m(sign * disc)?;
        let mut focused = scene.clone();
        focused.lens.focus_m = focus_m;
        Some((verdict(&focused, &settings), focus_m))
    };
    let mut found = Walk { steps: [None, None], last: [None, None] };
    let mut disc = most;
    loop {
        if let Some((prediction, _)) = at(disc) {
            if prediction.places == 0 {
                return None;
            }
            if found.step(disc, &prediction) {
                break;
            }
        }
        if disc == 0.0 {
            break;
        }
        let next = (disc / RATIO).max(disc - STEP_PITCHES * pitch.max(FINEST));
        disc = if next < SMALLEST { 0.0 } else { next };
    }
    let stop = |i: usize| -> Option<Stop> {
        let (clean, dirty, mut limited_by) = found.steps[i]?;
        let (mut clean, mut dirty) = (clean?, dirty);
        for _ in 0..HALVINGS {
            let middle = (clean + dirty) / 2.0;
            let Some((prediction, _)) = at(middle) else { break };
            match worst(&prediction, i) {
                None => clean = middle,
                Some(kind) => (dirty, limited_by) = (middle, kind),
            }
        }
        let from_lens_m = discs.focus_m(sign * clean)?;
        let image_m = discs.focal_m * from_lens_m / (from_lens_m - discs.focal_m);
        Some(Stop {
            from_wall_m: (wall_m - from_lens_m).abs(),
            from_lens_m,
            from_mark_m: from_lens_m + image_m,
            blur_disc_photosites: clean,
            limited_by,
        })
    };
    let none_clean = found.steps[0].is_some_and(|s| s.0.is_none());
    Some(Side {
        safe: stop(0),
        planned: stop(1),
        all_clean: found.steps[0].is_none(),
        none_clean,
        limited_by: found.steps[0].map(|s| s.2),
    })
}

/// What shows, at worst (0) or as planned (1); `None` where it is clean.
fn worst(prediction: &Prediction, which: usize) -> Option<Kind> {
    let judged = |f: &super::Finding| if which == 0 { f.worst } else { f.planned };
    let shown = prediction.worst.iter().filter(|f| judged(f).degree > Degree::Clean);
    shown.max_by(|a, b| judged(a).multiple.total_cmp(&judged(b).multiple)).map(|f| f.kind)
}

/// The way to the wall: for what is at worst and what is planned, the last clean disc, the first that is not, and why.
struct Walk {
    steps: [Option<(Option<f64>, f64, Kind)>; 2],
    last: [Option<f64>; 2],
}

impl Walk {
    /// Takes a step; true when both have ended.
    fn step(&mut self, disc: f64, prediction: &Prediction) -> bool {
        for which in 0..2 {
            if self.steps[which].is_some() {
                continue;
            }
            match worst(prediction, which) {
                None => self.last[which] = Some(disc),
                Some(kind) => self.steps[which] = Some((self.last[which], disc, kind)),
            }
        }
        self.steps.iter().all(Option::is_some)
    }
}

impl Side {
    fn words(&self, side: &str) -> String {
        let why = self.limited_by.map_or("", Kind::words);
        match (self.safe, self.planned) {
            _ if self.all_clean => format!("{side}: clean even in focus on the wall"),
            (Some(safe), planned) => {
                let range = match planned {
                    Some(p) if p.from_wall_m < safe.from_wall_m => {
                        format!(" ({} if all is as planned)", length(p.from_wall_m))
                    }
                    None => " (on the wall itself if all is as planned)".into(),
                    Some(_) => String::new(),
                };
                let mark = match safe.from_mark_m {
                    m if m > FAR_M => "near infinity".into(),
                    m => format!("{} from the mark", length(m)),
                };
                format!(
                    "{side}: keep the focus {} from the wall{range}, {mark}; nearer {why} shows",
                    length(safe.from_wall_m)
                )
            }
            _ => format!("{side}: no focus is clean, {why} shows"),
        }
    }
}

impl NearestFocus {
    /// The answer in lines.
    pub fn lines(&self, tolerances: &Tolerances) -> Vec<String> {
        let mut lines = Vec::new();
        for at in &self.stops {
            let now = if at.present { " (now)" } else { "" };
            let stop = format!("f/{}{now}", number(at.f_number));
            lines.push(format!("{stop}, {}", at.before_wall.words("focus before the wall")));
            lines.push(format!("{stop}, {}", at.behind_wall.words("focus behind the wall")));
        }
        lines.push(format!(
            "with distance off by {} %, focal length by {} %, turns by {}°; nearer foci may look clean by luck",
            number(tolerances.distance * 100.0),
            number(tolerances.focal * 100.0),
            number(tolerances.turn_rad * 180.0 / std::f64::consts::PI)
        ));
        lines
    }
}

#[cfg(test)]
mod tests;
