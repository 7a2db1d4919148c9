//! Bands and flicker: the waves of the drive, judged at every level of grey.

use super::component::{Component, Lattice, Pulse, Wall, pulses};
use super::judge::{Cause, Finding, HARDLY, Settings, Stand, keep, noise};
use super::place::Place;
use super::sampled::{Sampler, Seen};
use crate::artefact::{Judged, Kind, Seeing};
use crate::scene::Scene;
use crate::sensor::Readout;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Harmonics of the refresh that are followed: beyond, nothing new comes.
pub(super) const REFRESH_HARMONICS: u32 = 24;

/// Of the waves of a level so many are listed, the strongest.
const LISTED: usize = 6;

/// What a level of grey shows, and how it is seen.
struct Level {
    level: f64,
    pulses: Vec<Pulse>,
    seeing: Seeing,
}

/// What every place shares.
struct Bands<'a> {
    scene: &'a Scene,
    settings: &'a Settings,
    sampler: Sampler,
    levels: Vec<Level>,
    /// Each line of the drive as strong as at the level where it is strongest.
    strongest: Vec<Pulse>,
    /// Least contrast of a pulse and of a wave.
    least_pulse: f64,
    /// Least contrast of a component: several may land on one wave.
    least: f64,
    /// Multiples of the threshold, at most, of a contrast of 1: at the brightest level.
    most: f64,
}

/// Judges bands and flicker where all is as planned, and where the size of the wall's image and its blur, `off`, are not: optics
/// matter to them where blur spans the rows of a scan. Few places serve. `most` is [`Seeing::most`] of the brightest level.
pub(super) fn bands(
    scene: &Scene,
    (settings, most): (&Settings, f64),
    (plan, off): (&Stand<'_>, &[Stand<'_>]),
    best: &mut Vec<Finding>,
    mut list: Option<&mut Vec<Finding>>,
) {
    let bands = Bands::new(scene, settings, most);
    let largest = bands.strongest.iter().map(strength).fold(0.0, f64::max);
    if largest == 0.0 {
        return;
    }
    let n = plan.places.len();
    let mut numbers = vec![n / 2];
    if settings.thorough && n > 2 && plan.unlike().len() > 1 {
        numbers.extend([0, n - 1]);
    }
    let wall = plan.wall.of_least(bands.least / largest);
    let seen: Vec<Lattice> = numbers
        .iter()
        .map(|&i| wall.seen(&plan.sights, &plan.places[i], true, bands.around()))
        .collect();
    for (&i, lattice) in numbers.iter().zip(&seen) {
        let at = (&wall, &plan.places[i], lattice);
        bands.judge(at, true, &bands.strongest, best, list.as_deref_mut());
    }
    // What blur takes away by luck, with all that the set may be off by.
    let found = |kind| best.iter().find(|f| f.kind == kind).map_or(HARDLY, |f| f.worst.multiple);
    let bar = found(Kind::Bands).min(found(Kind::Flicker)).max(settings.matters.max(0.3)) / most;
    let at = (&plan.places[n / 2], &seen[0]);
    let hidden = |pulse: &&Pulse| wall.hides(&plan.sights, at, bands.around(), (pulse, bar));
    let hidden: Vec<Pulse> = bands.strongest.iter().filter(hidden).copied().collect();
    if hidden.is_empty() {
        return;
    }
    for stand in off {
        if let Some(middle) = stand.places.get(stand.places.len() / 2) {
            let wall = stand.wall.as_least_as(&wall);
            let lattice = wall.seen(&stand.sights, middle, true, bands.around());
            bands.judge((&wall, middle, &lattice), false, &hidden, best, None);
        }
    }
}

fn strength(pulse: &Pulse) -> f64 {
    pulse.amplitude[0].norm_sqr().sqrt()
}

impl<'a> Bands<'a> {
    fn new(scene: &'a Scene, settings: &'a Settings, most: f64) -> Self {
        let timing = scene.drive.timing();
        let least_pulse = settings.least_pulse.max(settings.matters / most);
        let least = least_pulse / 4.0;
        let sampler = Sampler::new(scene, least);
        let lines = f64::from(sampler.size[1]);
        let shown = settings.levels.iter().copied().filter(|l| scene.drive.mean_level(*l) > 0.0);
        let levels: Vec<Level> = shown
            .map(|level| {
                let seeing = scene.viewing.seeing(lines, level, noise(scene, &sampler, level));
                let of = [level; 3];
                let pulses = pulses(scene, &timing, of, least_pulse, REFRESH_HARMONICS);
                Level { level, pulses, seeing }
            })
            .collect();
        // A line of the drive pulses with its own strength at every level; where it lands is the same for all.
        let mut strongest: Vec<Pulse> = Vec::new();
        for pulse in levels.iter().flat_map(|l| &l.pulses) {
            match strongest.binary_search_by_key(&pulse.k, |p| p.k) {
                Err(place) => strongest.insert(place, *pulse),
                Ok(place) if strength(pulse) > strength(&strongest[place]) => {
                    strongest[place] = *pulse;
                }
                Ok(_) => {}
            }
        }
        Self { scene, settings, sampler, levels, strongest, least_pulse, least, most }
    }

    /// Harmonics of the lattice, either way, that bands are looked for around.
    fn around(&self) -> i32 {
        if self.settings.thorough { 2 } else { 1 }
    }

    /// Judges a place; as planned, what is found counts as such and may be listed.
    fn judge(
        &self,
        (wall, place, lattice): (&Wall<'_>, &Place, &Lattice),
        planned: bool,
        pulses: &[Pulse],
        best: &mut Vec<Finding>,
        mut list: Option<&mut Vec<Finding>>,
    ) {
        let mut components: Vec<Component> = Vec::new();
        // Number of the pulse that makes each.
        let mut made_by: Vec<usize> = Vec::new();
        for (number, pulse) in pulses.iter().enumerate() {
            components.extend(wall.pulsing(lattice, [1.0; 3], pulse, self.least));
            made_by.resize(components.len(), number);
        }
        let landed = self.sampler.landed(&components, lattice.means([1.0; 3]));
        let strongest = landed.strongest(self.least_pulse, |seen| {
            let shows = Shows::of(self.scene, &self.sampler, seen);
            [f64::from(u8::from(shows.bands)), if shows.slow { 0.0 } else { shows.flicker() }]
        });
        let white = self.sampler.luma(lattice.means([1.0; 3]));
        for Level { level, pulses: here, seeing } in &self.levels {
            // Room light that the face reflects dilutes dark levels.
            let share = level * white / self.sampler.luma(lattice.means([*level; 3]));
            let of_pulse = |pulse: &Pulse| {
                let found = here.binary_search_by_key(&pulse.k, |p| p.k);
                found.map_or(Complex64::ZERO, |i| here[i].amplitude[0] / pulse.amplitude[0] * share)
            };
            let of_pulses: Vec<Complex64> = pulses.iter().map(of_pulse).collect();
            let largest = of_pulses.iter().map(|w| w.norm_sqr()).fold(0.0, f64::max).sqrt();
            let weights: Vec<Complex64> = made_by.iter().map(|&pulse| of_pulses[pulse]).collect();
            // Whether it may be the worst of a kind.
            let least_of = |best: &[Finding], kind| {
                let found = best.iter().find(|f| f.kind == kind);
                let least = |f: &Finding| match planned {
                    true => f.planned.multiple.min(f.worst.multiple),
                    false => f.worst.multiple,
                };
                found.map_or(HARDLY, least).max(HARDLY) / self.most
            };
            let matter = |best: &[Finding]| [Kind::Bands, Kind::Flicker].map(|k| least_of(best, k));
            // Bands are those of a contrast of `least_pulse`; what flickers of such may be less.
            let [bands, flicker] = matter(best);
            let above = [bands.max(self.least_pulse), flicker];
            let count = if list.is_some() { LISTED } else { 0 };
            let waves = strongest.waves(&weights, largest, (above, count));
            let waves = waves.take_while(|(contrast, _)| *contrast >= self.least_pulse);
            for (number, (contrast, seen)) in waves.enumerate() {
                let listed = number < count;
                let matters = if listed { [0.0; 2] } else { matter(best) };
                if matters.iter().all(|least| contrast <= *least) {
                    break;
                }
                for found in judge_band(self.scene, &self.sampler, &seen, (*level, seeing), matters)
                {
                    let as_planned = if planned { found.planned } else { Judged::of(0.0) };
                    let found = Finding { point: place.point, planned: as_planned, ..found };
                    keep(best, found);
                    if listed && let Some(list) = list.as_deref_mut() {
                        list.push(found);
                    }
                }
            }
        }
    }
}

/// As what a wave of the drive shows, however strong it is.
struct Shows {
    /// It stands, or nearly.
    slow: bool,
    /// As bands: there is half a wave of it in the picture, or it stands.
    bands: bool,
    /// Cycles per delivered pixel by which it may lie elsewhere, with what the set may be off by.
    by: f64,
    /// What the picture's mean keeps of it, as planned and with another readout.
    share: f64,
    other: f64,
}

impl Shows {
    fn of(scene: &Scene, sampler: &Sampler, seen: &Seen) -> Self {
        let lines = f64::from(sampler.size[1]);
        let f = seen.wave.frequency.length();
        let slow = seen.roll_hz.abs() < 0.01;
        let tolerances = &scene.tolerances;
        let rolling = matches!(scene.camera.readout, Readout::Rolling { .. });
        let by = tolerances.readout * if rolling { seen.moved.readout.abs() } else { 0.0 }
            + (tolerances.distance + tolerances.focal + tolerances.turn_rad)
                * seen.moved.light.length();
        let share = sampler.whole_frame_share(&seen.wave);
        // A readout that is longer or shorter lets another share through; a wave is at most 1/(π·waves) of itself.
        let most = (f - by).max(0.0) * lines;
        let other = if by <= 0.0 {
            share
        } else if most < 0.5 {
            1.0
        } else {
            (1.0 / (PI * most)).min(1.0)
        };
        Self { slow, bands: f * lines >= 0.5 || slow, by, share, other }
    }

    /// Share of its contrast that flickers, at most.
    fn flicker(&self) -> f64 {
        self.share.max(self.other)
    }
}

/// A wave of the drive as bands, as flicker, or both, where that has a contrast above what `matters` for bands and for flicker.
pub(super) fn judge_band(
    scene: &Scene,
    sampler: &Sampler,
    seen: &Seen,
    (level, seeing): (f64, &Seeing),
    matters: [f64; 2],
) -> impl Iterator<Item = Finding> + use<> {
    let lines = f64::from(sampler.size[1]);
    let hz = seen.roll_hz.abs();
    let (luma, chroma) = (seen.wave.luma(), seen.wave.chroma());
    let f = seen.wave.frequency.length();
    let shows = Shows::of(scene, sampler, seen);
    let make = |kind, planned: f64, worst: f64| Finding {
        kind,
        seen: *seen,
        point: DVec2::ZERO,
        level,
        planned: Judged::of(planned),
        worst: Judged::of(worst.max(planned)),
        cause: Cause::Wave,
        frame: 0,
        quarter_turns: 0,
    };
    let (mut bands, mut flicker) = (None, None);
    let contrast = luma.max(chroma);
    let rate = seeing.rate(hz);
    let multiple = |luma: f64, chroma: f64, f: f64| seeing.multiple(luma, chroma, f, &rate);
    if shows.bands && contrast > matters[0] {
        let by = shows.by;
        let planned = multiple(luma, chroma, f);
        let worst = [(f - by).max(0.25 / lines), f + by]
            .into_iter()
            .map(|f| multiple(luma, chroma, f))
            .fold(planned, f64::max);
        bands = Some(make(Kind::Bands, planned, worst));
    }
    if !shows.slow && contrast * shows.flicker() > matters[1] {
        let one = multiple(luma, chroma, 0.5 / lines);
        flicker = Some(make(Kind::Flicker, one * shows.share, one * shows.other));
    }
    bands.into_iter().chain(flicker)
}
