//! What the wall's lattice and its drive put on the sensor, before photosites sample it.
//!
//! Light of emitters on a lattice, in rows of `scan` slots that take turns, over time:
//!
//!     Σ over h, k, m: aₖ·Dₘ(k)·emitter(g)·exp(i2π·(g·(u − ½ − offset) + k·t/period)),   g = (h_x, h_y + m/scan)
//!
//! u in wall pixels, Dₘ(k) = (1/scan)·Σⱼ exp(−i2π·j·(k·slot/period + m/scan)). Where the refresh has no dark time and k counts whole
//! refreshes, D is 1 at m = −k and 0 elsewhere: lines at (h − k/scan) of the wall's rows. An exposure T leaves sinc(k·T/period) of it, the
//! optics their transfer at g, and a row is read k·line/period turns after the one above.

use super::place::{Place, Sights};
use crate::math::special::{cos_pi, sin_pi, sinc};
use crate::optics::view::{on_sensor, photosite_view_exact};
use crate::scene::Scene;
use crate::scene::derived::white_light;
use crate::sensor::{Mosaic, photons};
use crate::wall::drive::Timing;
use crate::wall::spectrum::Spectrum;
use glam::DVec2;
use rustfft::num_complex::Complex64;

/// exp(i2π·turns).
pub fn turned(turns: f64) -> Complex64 {
    Complex64::new(cos_pi(2.0 * turns), sin_pi(2.0 * turns))
}

/// Where a component comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Origin {
    /// Harmonic of the lattice, across and down the face.
    pub h: [i32; 2],
    /// Harmonic of the drive's pattern; 0 is steady light.
    pub k: u32,
    /// Line of the scan's slots, 0 to scan − 1.
    pub m: u32,
}

/// A wave of light on the sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Where it comes from.
    pub origin: Origin,
    /// Cycles per photosite of the sensor, right and down, at one moment.
    pub frequency: DVec2,
    /// Frequency in time, Hz of the camera's clock.
    pub hz: f64,
    /// Complex amplitude (crest over mean) of each photosite colour over its mean, at the sensor's corner and camera time 0, the
    /// exposure's loss included.
    pub classes: [Complex64; 3],
}

/// What does not change from place to place.
pub struct Wall<'a> {
    scene: &'a Scene,
    /// Share of each emitter colour in the light of a photosite colour, of full white.
    mix: [[f64; 3]; 3],
    falloff: [f64; 3],
    slot_s: f64,
    /// Least contrast of a component that is kept.
    least: f64,
    /// Highest frequency on the sensor, cycles per photosite.
    highest: f64,
}

impl<'a> Wall<'a> {
    /// Of a scene; components of a contrast below `least` are left out, and those above `highest` cycles per photosite.
    pub fn new(scene: &'a Scene, least: f64, highest: f64) -> Self {
        let (photons_of, shares) = white_light(scene);
        let mix = [0, 1, 2].map(|photosite| {
            let photosite = if scene.camera.mosaic == Mosaic::Monochrome { 0 } else { photosite };
            let row = photons::response(&scene.camera, photosite);
            let light = [0, 1, 2].map(|e: usize| row[e] * photons_of[e] * shares[e]);
            let sum: f64 = light.iter().sum();
            light.map(|v| if sum > 0.0 { v / sum } else { 0.0 })
        });
        let falloff = [0, 1, 2].map(|c| {
            scene.wall.emitters[c]
                .half_angle_rad
                .map_or(0.0, |a| libm::log(0.5) / libm::log(libm::cos(a)))
        });
        let slot_s = scene.drive.timing().slot_s;
        Self { scene, mix, falloff, slot_s, least, highest }
    }

    /// Light of each emitter colour in each photosite colour at a place, of mean levels `levels`, with the room light
    /// that the face reflects in `mean`.
    fn light(&self, place: &Place, levels: [f64; 3]) -> ([[f64; 3]; 3], [f64; 3]) {
        let dim = self.falloff.map(|k| if k == 0.0 { 1.0 } else { libm::pow(place.cos_wall, k) });
        let reflected = self.scene.reflected_share();
        let of = self.mix.map(|row| [0, 1, 2].map(|e: usize| row[e] * levels[e] * dim[e]));
        let mean = of.map(|row| row.iter().sum::<f64>() + reflected);
        (of, mean)
    }

    /// Mean light of the photosite colours at a place, of full white.
    pub fn means(&self, place: &Place, levels: [f64; 3]) -> [f64; 3] {
        self.light(place, levels).1
    }

    /// The lattice's harmonics at a place, steady light, of mean levels `levels` (red, green, blue).
    pub fn lattice(&self, sights: &Sights<'_>, place: &Place, levels: [f64; 3]) -> Vec<Component> {
        let mut found = Vec::new();
        let reach = self.reach(place);
        for hy in 0..=reach[1] {
            let from = if hy == 0 { 1 } else { -reach[0] };
            for hx in from..=reach[0] {
                let g = DVec2::new(f64::from(hx), f64::from(hy));
                let origin = Origin { h: [hx, hy], k: 0, m: 0 };
                found.extend(self.component(sights, place, levels, g, origin, None));
            }
        }
        found
    }

    /// The components of a pulse of the drive at a place; with `lattice`, those around the lattice's harmonics too.
    pub fn pulsing(
        &self,
        sights: &Sights<'_>,
        place: &Place,
        levels: [f64; 3],
        pulse: &Pulse,
        lattice: bool,
    ) -> Vec<Component> {
        let scan = self.scene.drive.scan.max(1);
        let theta = pulse.hz * self.slot_s;
        let largest = pulse.amplitude.iter().map(|a| a.norm()).fold(0.0, f64::max);
        let mut found = Vec::new();
        let reach = if lattice { self.reach(place) } else { [0, 0] };
        for m in 0..scan {
            let share = f64::from(m) / f64::from(scan);
            let slots = slots(theta + share, scan);
            if 2.0 * slots.norm() * largest < self.least {
                continue;
            }
            // Lines lie above and below every harmonic.
            let below = if m == 0 { 0 } else { 1 };
            for hy in -reach[1] - below..=reach[1] {
                for hx in -reach[0]..=reach[0] {
                    let g = DVec2::new(f64::from(hx), f64::from(hy) + share);
                    let origin = Origin { h: [hx, hy], k: pulse.k, m };
                    let time = Some((pulse, slots));
                    found.extend(self.component(sights, place, levels, g, origin, time));
                }
            }
        }
        found
    }

    /// Harmonics, across and down, up to which the sensor may see the lattice.
    fn reach(&self, place: &Place) -> [i32; 2] {
        // |f| ≥ |g|·(smallest stretch): f = Jᵀ·g.
        let j = place.local.whole;
        let step = |i: usize| {
            let inverse = j.inverse();
            DVec2::new(inverse.x_axis[i], inverse.y_axis[i])
        };
        // g = J⁻ᵀ·f, so |g_i| ≤ |column i of J⁻¹|·|f|.
        let columns =
            [DVec2::new(step(0).x, step(1).x).length(), DVec2::new(step(0).y, step(1).y).length()];
        columns.map(|c| (c * self.highest).ceil().clamp(1.0, 60.0) as i32)
    }

    fn component(
        &self,
        sights: &Sights<'_>,
        place: &Place,
        levels: [f64; 3],
        g: DVec2,
        origin: Origin,
        time: Option<(&Pulse, Complex64)>,
    ) -> Option<Component> {
        let scene = self.scene;
        let wall = &scene.wall;
        let frequency = on_sensor(&place.local.whole, g);
        if frequency.length() > self.highest {
            return None;
        }
        let (of, mean) = self.light(place, levels);
        let (pulse, hz) = match time {
            None => ([Complex64::ONE; 3], 0.0),
            Some((pulse, slots)) => (pulse.amplitude.map(|a| a * slots), pulse.camera_hz),
        };
        let largest = pulse.iter().map(|a| a.norm()).fold(0.0, f64::max);
        let even = g == DVec2::ZERO;
        let emitters = [0, 1, 2].map(|c| {
            let emitter = &wall.emitters[c];
            let shape = emitter.shape.transform(g, wall.pitch_m);
            let spread = wall.diffuser.map_or(1.0, |d| {
                crate::optics::transfer::gaussian(g.length() / wall.pitch_m, d.sigma_m())
            });
            shape * spread
        });
        if emitters.iter().all(|e| 2.0 * e.abs() * largest < self.least) {
            return None;
        }
        let chromatic = sights.blur.is_chromatic();
        let mut seen = [Complex64::ONE; 3];
        if !even {
            let first = |c: usize| {
                let lambda = if chromatic { wall.emitters[c].wavelength_m } else { 0.0 };
                let view = photosite_view_exact(&sights.blur, &place.local, lambda, g);
                // Light at the photosite is Σ weight·light, the conjugate of the weights' transform.
                Complex64::new(f64::from(view.re), -f64::from(view.im))
            };
            if chromatic {
                seen = [0, 1, 2].map(first);
            } else {
                seen = [first(0); 3];
            }
        }
        let colours = [0, 1, 2].map(|c: usize| {
            let offset = wall.emitters[c].offset_m / wall.pitch_m;
            let from = DVec2::splat(0.5) + DVec2::new(offset.x, -offset.y);
            // At the place, then back to the sensor's corner along the wave.
            let turns = g.dot(place.wall - from) - frequency.dot(place.point);
            seen[c] * emitters[c] * turned(turns) * pulse[c]
        });
        let classes = [0, 1, 2].map(|s: usize| {
            let sum: Complex64 = (0..3).map(|c| colours[c] * of[s][c]).sum();
            if mean[s] > 0.0 { sum * 2.0 / mean[s] } else { Complex64::ZERO }
        });
        (classes.iter().any(|v| v.norm() >= self.least)).then_some(Component {
            origin,
            frequency,
            hz,
            classes,
        })
    }
}

/// (1/scan)·Σⱼ exp(−i2π·j·x).
fn slots(x: f64, scan: u32) -> Complex64 {
    let n = f64::from(scan);
    let rest = x - libm::round(x);
    if rest.abs() < 1e-12 {
        return Complex64::ONE;
    }
    // A geometric sum.
    let ratio = sin_pi(n * rest) / sin_pi(rest) / n;
    turned(-rest * (n - 1.0) / 2.0) * ratio
}

/// A harmonic of the drive's pattern, as an exposure leaves it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulse {
    /// Harmonic of the pattern.
    pub k: u32,
    /// Frequency, Hz of the wall's clock.
    pub hz: f64,
    /// The same, Hz of the camera's clock.
    pub camera_hz: f64,
    /// aₖ over the mean of each emitter colour, times what the exposure leaves of it, at the middle of the exposure of a row that
    /// opens at camera time 0.
    pub amplitude: [Complex64; 3],
}

/// The harmonics of the drive at levels of red, green and blue, of those that leave `least` of the mean or more.
pub fn pulses(scene: &Scene, timing: &Timing, levels: [f64; 3], least: f64) -> Vec<Pulse> {
    if scene.drive.is_steady() {
        return Vec::new();
    }
    let drive = &scene.drive;
    let rate = 1.0 + drive.clock.drift;
    let exposure_s = scene.camera.exposure_s * rate;
    let mut found: Vec<Pulse> = Vec::new();
    let alike = levels[0] == levels[1] && levels[1] == levels[2];
    for colours in if alike { vec![vec![0, 1, 2]] } else { vec![vec![0], vec![1], vec![2]] } {
        let spectrum = Spectrum::new(timing, levels[colours[0]]);
        let mean = spectrum.mean();
        // Beyond some refreshes nothing new comes; below, every line counts.
        let most =
            spectrum.last(exposure_s, least).min(timing.refreshes.saturating_mul(24).max(24));
        for line in spectrum.lines(exposure_s, least, most) {
            let left = line.amplitude / mean * sinc(line.hz * exposure_s);
            let late = exposure_s / 2.0 + drive.clock.phase_s;
            let at = |c: usize| left * turned(line.hz * (late - drive.delay_s[c]));
            let place = found.partition_point(|p| p.k < line.k);
            if found.get(place).is_none_or(|p| p.k != line.k) {
                let (hz, camera_hz) = (line.hz, line.hz * rate);
                let amplitude = [Complex64::ZERO; 3];
                found.insert(place, Pulse { k: line.k, hz, camera_hz, amplitude });
            }
            for &c in &colours {
                found[place].amplitude[c] = at(c);
            }
        }
    }
    found
}
