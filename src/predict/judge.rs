//! Everything found in a scene, judged: as planned, and at worst within what a set may be off by.

use super::assumed::Unsure;
use super::bands::bands;
use super::component::Wall;
use super::moves::{Around, Eyes};
use super::place::{Off, Place, Sights};
use super::sampled::{Sampler, Seen};
use super::stands;
use crate::artefact::{Degree, Judged, Kind};
use crate::scene::derived::{gain_dn_per_e, white_light};
use crate::scene::{Scene, Tolerances};
use crate::sensor::photons;
use glam::{DVec2, DVec3};
use serde::Serialize;
use std::f64::consts::PI;

/// How thoroughly a scene is looked through.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Places across and down the frame.
    pub grid: [u32; 2],
    /// The same, where the set is off its plan.
    pub grid_off: [u32; 2],
    /// Contrast below which a wave is left out.
    pub least: f64,
    /// Contrast below which the drive's harmonics, and what they make, are left out.
    pub least_pulse: f64,
    /// Highest frequency on the sensor that is followed, cycles per photosite.
    pub highest: f64,
    /// Levels of grey that are judged, as shares of white light.
    pub levels: Vec<f64>,
    /// Multiples of the threshold below which what shows only off the plan does not matter.
    pub matters: f64,
    /// All corners of the tolerances, or their main ones.
    pub thorough: bool,
}

impl Settings {
    /// The whole answer.
    pub fn full() -> Self {
        Self {
            grid: [5, 3],
            grid_off: [3, 2],
            least: 5e-5,
            least_pulse: 2e-4,
            highest: 4.0,
            levels: vec![0.01, 0.02, 0.05, 0.1, 0.18, 0.5, 1.0],
            matters: HARDLY,
            thorough: true,
        }
    }

    /// The verdict alone, for looking through many scenes.
    pub fn quick() -> Self {
        Self {
            grid: [3, 3],
            grid_off: [3, 1],
            least: 1e-4,
            least_pulse: 5e-4,
            highest: 1.5,
            levels: vec![0.01, 0.05, 0.18, 1.0],
            matters: 0.3,
            thorough: false,
        }
    }
}

/// What makes an artefact.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// A wave of the lattice or of the drive.
    Wave,
    /// Cabinets whose clocks differ: steps where they meet, of at most the wave's contrast either way.
    CabinetEdges,
    /// Pictures of the wall that the camera's frames tear, repeat or leave out: neighbours differ by at most the wave's contrast.
    Pictures,
}

/// An artefact at one place and level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    /// What it is.
    pub kind: Kind,
    /// The wave.
    pub seen: Seen,
    /// Where, photosites of the sensor.
    pub point: DVec2,
    /// Level of grey, as a share of white light.
    pub level: f64,
    /// As planned.
    pub planned: Judged,
    /// At worst within the tolerances.
    pub worst: Judged,
    /// What makes it.
    pub cause: Cause,
    /// The camera's frame in which it was found, where the camera moves; else 0.
    pub frame: u32,
    /// Quarter turns, clockwise, of the cabinets in which it was found.
    pub quarter_turns: u8,
}

impl Finding {
    /// Of the whole picture, as bad as planned as at worst.
    pub(super) fn of_cause(cause: Cause, kind: Kind, seen: Seen, judged: Judged) -> Self {
        let (planned, worst) = (judged, judged);
        let (point, level) = (DVec2::ZERO, 1.0);
        Self { kind, seen, point, level, planned, worst, cause, frame: 0, quarter_turns: 0 }
    }
}

/// What is predicted of a scene's fringes and bands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Prediction {
    /// The worst of each kind, the worst first, flicker before moiré among equals; kinds that were not found are left out.
    pub worst: Vec<Finding>,
    /// The strongest fringes as planned, strongest contrast first.
    pub fringes: Vec<Finding>,
    /// The strongest bands of every level as planned.
    pub bands: Vec<Finding>,
    /// Places that saw the wall.
    pub places: usize,
    /// Kinds that cannot be called clean.
    pub unsure: Vec<Unsure>,
}

impl Prediction {
    /// The finding of a kind.
    pub fn of(&self, kind: Kind) -> Option<&Finding> {
        self.worst.iter().find(|f| f.kind == kind)
    }

    /// The degree of a kind, at worst or as planned: *can't say* where it would be clean but for what was not looked at.
    pub fn degree(&self, kind: Kind, planned: bool) -> Degree {
        let found = self.of(kind).map(|f| if planned { f.planned } else { f.worst });
        let degree = found.map_or(Degree::Clean, |j| j.degree);
        let unsure = self.places == 0 || self.unsure.iter().any(|u| u.kind == kind);
        if degree == Degree::Clean && unsure { Degree::CannotSay } else { degree }
    }

    /// As planned, over all kinds.
    pub fn planned(&self) -> Judged {
        Judged::of(self.worst.iter().map(|f| f.planned.multiple).fold(0.0, f64::max))
    }

    /// At worst, over all kinds.
    pub fn judged(&self) -> Judged {
        Judged::of(self.worst.iter().map(|f| f.worst.multiple).fold(0.0, f64::max))
    }
}

/// A scene as it may stand.
pub(super) struct Stand<'a> {
    pub(super) sights: Sights<'a>,
    pub(super) wall: Wall<'a>,
    pub(super) places: Vec<Place>,
}

impl<'a> Stand<'a> {
    fn new(scene: &'a Scene, wall: Wall<'a>, grid: [u32; 2]) -> Self {
        let sights = Sights::new(scene);
        let places = sights.grid(grid[0], grid[1]);
        Self { sights, wall, places }
    }

    /// The places whose fringes differ: where a camera stands straight before the wall, one serves for all.
    pub(super) fn unlike(&self) -> Vec<&Place> {
        let mut unlike: Vec<&Place> = Vec::new();
        for place in &self.places {
            if unlike.iter().all(|other| !self.wall.sees_alike(place, other)) {
                unlike.push(place);
            }
        }
        unlike
    }

    /// Fringes at a place: those that photosites fold from a contrast of `folded` on, and others from `resolved` on.
    fn fringes(&self, sampler: &Sampler, place: &Place, [folded, resolved]: [f64; 2]) -> Vec<Seen> {
        let levels = [1.0; 3];
        let least = folded.min(resolved);
        let wall = self.wall.of_least(least).folded_from(folded, sampler.band);
        let lattice = wall.seen(&self.sights, place, false, i32::MAX);
        sampler.of_least(least).waves(&wall.fringes(&lattice, levels), lattice.means(levels))
    }
}

/// Of the offsets, at most so many come first that change the size of the wall's image and its blur.
const SCALED: usize = 4;
/// Of these so many come first that make the largest and the smallest image.
const EXTREMES: usize = 2;
/// Blur discs, in pitches of the wall, that take nothing away by luck: the first such is of 1.22 pitches, or half or a third of this
/// for the lattice's next harmonics.
const SHARP: f64 = 0.35;

/// The offsets that stand for the box of tolerances.
fn offsets(t: &Tolerances, thorough: bool) -> Vec<Off> {
    let mut all = Vec::new();
    let of = |distance: f64, focal: f64| Off { distance, focal, ..Off::default() };
    if t.distance > 0.0 || t.focal > 0.0 {
        // The smallest and the largest image of the wall; frequencies between are swept from each. Then the widest and the narrowest
        // blur, counted in the wall's pixels: it goes with the aperture and with the distance.
        all.push(of(t.distance, -t.focal));
        all.push(of(-t.distance, t.focal));
        all.push(of(t.distance, t.focal));
        all.push(of(-t.distance, -t.focal));
    }
    if t.turn_rad > 0.0 {
        let turn = |x: f64, y: f64, z: f64| Off {
            turn_rad: DVec3::new(x, y, z) * t.turn_rad,
            ..Off::default()
        };
        all.extend([turn(1.0, 1.0, 1.0), turn(-1.0, -1.0, -1.0)]);
        if thorough {
            all.extend([turn(1.0, -1.0, 1.0), turn(-1.0, 1.0, -1.0)]);
        }
    }
    all
}

/// Noise of a delivered pixel over its mean at a level, where the scene has noise: photon and read noise of a green photosite.
pub(super) fn noise(scene: &Scene, sampler: &Sampler, level: f64) -> f64 {
    let camera = &scene.camera;
    if !camera.noise {
        return 0.0;
    }
    let n = scene.lens.working_f_number();
    let passed = scene.wall.diffuser.map_or(1.0, |d| d.transmission);
    let nits = scene.wall.white_nits * scene.wall.brightness * passed * level;
    let lux_s = PI / (4.0 * n * n) * scene.lens.transmission * camera.exposure_s * nits;
    let (photons_of, shares) = white_light(scene);
    let electrons = photons::electrons_per_lx_s(camera, 1, photons_of, shares) * lux_s;
    let electrons = electrons.min(camera.full_well_e);
    if electrons <= 0.0 || gain_dn_per_e(scene) <= 0.0 {
        return 0.0;
    }
    let variance = electrons + camera.read_noise_e * camera.read_noise_e;
    let single = variance.sqrt() / electrons;
    // Scaling down averages.
    single * sampler.lines_per_recorded().min(1.0)
}

/// The kind of a wave without pulses.
fn kind_of_fringe(seen: &Seen) -> Kind {
    if seen.resolved { Kind::PixelStructure } else { Kind::Moire }
}

/// Levels of light that what the wall shows is made of, green's: those below and above which 2 % of it lie, and its middle.
fn levels_shown(scene: &Scene) -> Vec<f64> {
    let codes = &scene.content.codes[1];
    let levels = scene.wall.levels();
    let step = codes.len().div_ceil(1 << 14).max(1);
    // A step that shares no factor with the width would be better still; an odd one does for what walls show.
    let mut some: Vec<u16> = codes.iter().step_by(step | 1).copied().collect();
    some.sort_unstable();
    let at = |share: f64| some.get((share * (some.len().max(1) - 1) as f64) as usize);
    let found = [0.02, 0.5, 0.98].into_iter().filter_map(at);
    found.filter_map(|code| levels.get(usize::from(*code)).copied()).collect()
}

/// Predicts a scene; beside the levels of `settings`, those that the wall shows are judged.
pub fn predict(scene: &Scene, settings: &Settings) -> Prediction {
    let mut settings = settings.clone();
    for level in levels_shown(scene) {
        if level > 0.0 && settings.levels.iter().all(|l| (l / level - 1.0).abs() > 0.02) {
            settings.levels.push(level);
        }
    }
    stands::over(scene, &settings, true, |scene, around| judge(scene, &settings, true, around))
}

/// The verdict alone: [`Prediction::worst`].
pub fn verdict(scene: &Scene, settings: &Settings) -> Prediction {
    stands::over(scene, settings, false, |scene, around| judge(scene, settings, false, around))
}

fn judge(scene: &Scene, settings: &Settings, lists: bool, around: &Around<'_>) -> Prediction {
    let sampler = Sampler::new(scene, settings.least);
    let plan = Stand::new(scene, Wall::new(scene, settings.least, settings.highest), settings.grid);
    let lines = f64::from(sampler.size[1]);
    let mut prediction = Prediction {
        worst: Vec::new(),
        fringes: Vec::new(),
        bands: Vec::new(),
        places: plan.places.len(),
        unsure: Vec::new(),
    };
    if plan.places.is_empty() {
        return prediction;
    }
    // The brightest level shows fringes best: contrast is the same at all of them, and noise and a dark display hide it.
    let bright = settings.levels.iter().fold(0.0_f64, |a, b| a.max(*b));
    let bright = if bright > 0.0 { bright } else { 1.0 };
    let seeing = scene.viewing.seeing(lines, bright, noise(scene, &sampler, bright));
    let (eyes, most) = (Eyes::new(&seeing, lines, around.moves()), seeing.most());
    let tolerances = &scene.tolerances;
    let mut best: Vec<Finding> = Vec::new();

    // Fringes.
    let half = (tolerances.distance + tolerances.focal + tolerances.turn_rad) / 2.0 + around.half;
    let mut fringes = |stand: &Stand<'_>, best: &mut Vec<Finding>, planned_here: bool| {
        // What may be the worst of its kind.
        let bar = |best: &[Finding], kind| {
            best.iter().find(|f| f.kind == kind).map_or(HARDLY, |f| match planned_here {
                true => f.planned.multiple.min(f.worst.multiple),
                false => f.worst.multiple,
            })
        };
        // Places that see alike are passed by a moving wall at unlike rates.
        let places = if around.moves() { stand.places.iter().collect() } else { stand.unlike() };
        for place in places {
            let shift = around.shift(place.point);
            // Several waves may add up, and colours.
            let least = [Kind::Moire, Kind::PixelStructure].map(|kind| match planned_here {
                true if lists => settings.least,
                true => settings.least.max(bar(best, kind) / most / TOGETHER),
                false => {
                    let matters = bar(best, kind).max(settings.matters);
                    settings.least.max(matters / most / TOGETHER)
                }
            });
            for seen in stand.fringes(&sampler, place, least) {
                let (luma, chroma) = (seen.wave.luma(), seen.wave.chroma());
                let listed = planned_here && lists && luma.max(chroma) >= 5e-4;
                if !listed && luma.max(chroma) * most <= bar(best, kind_of_fringe(&seen)) {
                    continue;
                }
                let f = seen.wave.frequency.length();
                let hz = around.fastest_hz(&seen, shift);
                // What has less than a quarter of a wave in the frame is no fringe, as planned.
                let planned = if planned_here && f * lines >= 0.25 {
                    eyes.multiple(luma, chroma, f, hz)
                } else {
                    0.0
                };
                let by = half * seen.moved.light.length();
                let worst = if half > 0.0 {
                    eyes.most(luma, chroma, ((f - by).max(0.0), f + by), hz)
                } else {
                    planned
                };
                let finding = Finding {
                    kind: kind_of_fringe(&seen),
                    seen,
                    point: place.point,
                    level: bright,
                    planned: Judged::of(planned),
                    worst: Judged::of(worst.max(planned)),
                    cause: Cause::Wave,
                    frame: 0,
                    quarter_turns: 0,
                };
                keep(best, finding);
                if listed {
                    prediction.fringes.push(finding);
                }
            }
        }
    };
    fringes(&plan, &mut best, true);
    let sharp = !settings.thorough && plan.places.iter().all(|p| p.disc_pitches() < SHARP);
    let scenes: Vec<Scene> =
        offsets(tolerances, settings.thorough).iter().map(|off| off.of(scene)).collect();
    let stands: Vec<Stand<'_>> =
        scenes.iter().map(|s| Stand::new(s, plan.wall.at(s), settings.grid_off)).collect();
    for (number, stand) in stands.iter().enumerate() {
        if sharp && (EXTREMES..SCALED).contains(&number) {
            continue;
        }
        // Off the plan only what may be worse counts.
        fringes(stand, &mut best, false);
    }

    if !scene.drive.is_steady() {
        let off = &stands[..stands.len().min(SCALED)];
        bands(
            scene,
            (settings, most),
            (&plan, off),
            &mut best,
            lists.then_some(&mut prediction.bands),
        );
    }
    in_order(&mut best);
    prediction.worst = best;
    by_contrast(&mut prediction.fringes);
    prediction
}

/// The worst first, flicker before moiré among equals.
pub(super) fn in_order(worst: &mut [Finding]) {
    worst.sort_by(|a, b| {
        let (da, db) = (a.worst.degree, b.worst.degree);
        db.cmp(&da).then(a.kind.cmp(&b.kind))
    });
}

/// The strongest first, and not too many.
pub(super) fn by_contrast(fringes: &mut Vec<Finding>) {
    let contrast = |f: &Finding| f.seen.wave.luma().max(f.seen.wave.chroma());
    let mut order: Vec<(f64, usize)> = fringes.iter().map(contrast).zip(0..).collect();
    order.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    *fringes = order.iter().take(400).map(|(_, i)| fringes[*i]).collect();
}

/// Waves, each too weak to matter, of which so many may land on one, or show in so much stronger colours.
const TOGETHER: f64 = 4.0;

/// Multiples of the threshold that hardly matter: where nothing worse is found, what is certainly below is left out.
pub(super) const HARDLY: f64 = 0.02;

/// Keeps the worst of each kind; what is planned and what is at worst may come from different places.
pub(super) fn keep(best: &mut Vec<Finding>, finding: Finding) {
    match best.iter_mut().find(|f| f.kind == finding.kind) {
        None => best.push(finding),
        Some(old) => {
            let planned = old.planned.multiple.max(finding.planned.multiple);
            let worse = finding.worst.multiple > old.worst.multiple;
            if worse {
                *old = finding;
            }
            old.planned = Judged::of(planned);
        }
    }
}
