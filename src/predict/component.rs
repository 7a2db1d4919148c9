//! What the wall's lattice and its drive put on the sensor, before photosites sample it.
//!
//! Light of emitters on a lattice, in rows of `scan` slots that take turns, over time:
//!
//! ```text
//! Σ over h, k, m: aₖ·Dₘ(k)·emitter(g)·exp(i2π·(g·(u − ½ − offset) + k·t/period)),   g = (h_x, h_y + m/scan)
//! ```
//!
//! u in wall pixels, Dₘ(k) = (1/scan)·Σⱼ exp(−i2π·j·(k·slot/period + m/scan)). Where the refresh has no dark time and k counts whole
//! refreshes, D is 1 at m = −k and 0 elsewhere: lines at (h − k/scan) of the wall's rows. An exposure T leaves sinc(k·T/period) of it, the
//! optics their transfer at g, and a row is read k·line/period turns after the one above.

use super::place::{Place, Sights};
use super::sampled::Band;
use crate::math::special::{sin_pi, sinc, turn};
use crate::optics::Diffraction;
use crate::optics::view::{on_sensor, pupil_views_at_most, pupil_views_exact};
use crate::scene::Scene;
use crate::scene::derived::white_light;
use crate::sensor::{Mosaic, photons};
use crate::wall::Emitter;
use crate::wall::drive::Timing;
use crate::wall::spectrum::Spectrum;
use glam::DVec2;
use rustfft::num_complex::{Complex32, Complex64};
use std::f64::consts::PI;
use std::sync::{Arc, Mutex};

/// exp(i2π·turns).
pub fn turned(turns: f64) -> Complex64 {
    let (re, im) = turn(turns);
    Complex64::new(re, im)
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
    /// The longest of the emitters' wavelengths, metres.
    longest_m: f64,
    slot_s: f64,
    /// Least contrast of a component that is kept.
    least: Least,
    /// The same of those that photosites fold, where it is larger.
    folded: Option<(Least, Band)>,
    /// Highest frequency on the sensor, cycles per photosite.
    highest: f64,
    /// The lattice's own harmonics, as far as any place asked for them.
    kept: Arc<Mutex<Option<Arc<Harmonics>>>>,
}

/// A least contrast, and its logarithm.
#[derive(Debug, Clone, Copy)]
struct Least {
    of: f64,
    log: f64,
}

impl Least {
    fn new(of: f64) -> Self {
        Self { of, log: libm::log(of) }
    }
}

/// Harmonics of the wall's lattice, whatever the place that sees it.
struct Harmonics {
    /// Highest harmonic across and down, and the slots of the scan's rows that are told apart.
    reach: [i32; 2],
    scan: u32,
    /// Least size that was asked for.
    least: f64,
    /// Of opposite harmonics only one: steady light has them in pairs.
    half: bool,
    /// By line of the slots, the strongest first.
    lines: Vec<Vec<Harmonic>>,
}

/// One of them.
struct Harmonic {
    h: [i32; 2],
    /// Cycles per pixel.
    g: DVec2,
    /// What each emitter colour's shape and the diffuser leave, with the phase of its place in the pixel.
    shapes: [Complex64; 3],
    /// The largest of them.
    size: f64,
    /// Logarithm of twice that: of the contrast that it makes.
    log_twice: f64,
    /// They are the same.
    alike: bool,
}

impl Harmonic {
    /// It is a harmonic of the lattice up to `most`, or nearer to one of those than to others: a line of the slots just below a
    /// harmonic is written as one far above the one before.
    fn is_around(&self, most: i32) -> bool {
        self.h[0].abs() <= most && self.g.y.abs() <= f64::from(most) + 0.5
    }
}

impl Harmonics {
    fn new(scene: &Scene, reach: [i32; 2], (scan, half): (u32, bool), least: f64) -> Self {
        let wall = &scene.wall;
        let lines = (0..scan).map(|m| {
            let share = f64::from(m) / f64::from(scan);
            let from = if half { 0 } else { -reach[1] - i32::from(m > 0) };
            let mut line = Vec::new();
            for hy in from..=reach[1] {
                for hx in -reach[0]..=reach[0] {
                    if half && hy == 0 && hx <= 0 {
                        continue;
                    }
                    let g = DVec2::new(f64::from(hx), f64::from(hy) + share);
                    let spread = wall.diffuser.map_or(1.0, |d| {
                        crate::optics::transfer::gaussian(g.length() / wall.pitch_m, d.sigma_m())
                    });
                    let [red, green, blue] = &wall.emitters;
                    let alike = [green, blue]
                        .iter()
                        .all(|e| e.shape == red.shape && e.offset_m == red.offset_m);
                    let of = |e: &Emitter| {
                        let offset = e.offset_m / wall.pitch_m;
                        let back = turned(-g.dot(DVec2::new(offset.x, -offset.y)));
                        back * (e.shape.transform(g, wall.pitch_m) * spread)
                    };
                    let shapes = if alike { [of(red); 3] } else { [of(red), of(green), of(blue)] };
                    let size = shapes.iter().map(|s| s.norm_sqr()).fold(0.0, f64::max).sqrt();
                    if 2.0 * size >= least {
                        let log_twice = libm::log(2.0 * size);
                        line.push(Harmonic { h: [hx, hy], g, shapes, size, log_twice, alike });
                    }
                }
            }
            line.sort_by(|a, b| b.size.total_cmp(&a.size));
            line
        });
        Self { reach, scan, least, half, lines: lines.collect() }
    }
}

/// One frequency of the wall as a place sees it: what optics leave of each emitter colour's light there.
#[derive(Debug, Clone, Copy)]
struct Tone {
    h: [i32; 2],
    frequency: DVec2,
    /// With its phase, at the sensor's corner.
    colours: [Complex64; 3],
    /// The largest of them.
    size: f64,
}

/// The lattice as a place sees it, for each line of the scan's slots, the strongest tones first.
pub struct Lattice {
    /// By m; only m = 0 where the drive was not asked for.
    tones: Vec<Vec<Tone>>,
    of: [[f64; 3]; 3],
    reflected: f64,
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
        let lambdas = scene.wall.emitters.iter().map(|e| e.wavelength_m);
        let longest_m = lambdas.fold(0.0, f64::max);
        let slot_s = scene.drive.timing().slot_s;
        let highest = highest.min(ends_at(scene, least));
        let (kept, least) = (Arc::new(Mutex::new(None)), Least::new(least));
        Self { scene, mix, falloff, longest_m, slot_s, least, folded: None, highest, kept }
    }

    /// The same camera and wall, placed or focused anew.
    pub fn at<'b>(&self, scene: &'b Scene) -> Wall<'b> {
        let Self { mix, falloff, longest_m, slot_s, least, folded, highest, .. } = *self;
        Wall {
            scene,
            mix,
            falloff,
            longest_m,
            slot_s,
            least,
            folded,
            highest,
            kept: self.kept.clone(),
        }
    }

    /// The same for components of a contrast of `least` and more only.
    pub fn of_least(&self, least: f64) -> Self {
        let Self { scene, mix, falloff, longest_m, slot_s, highest, .. } = *self;
        let highest = highest.min(ends_at(scene, least));
        let (kept, least) = (self.kept.clone(), Least::new(least));
        Self { scene, mix, falloff, longest_m, slot_s, least, folded: None, highest, kept }
    }

    /// The same without components of a contrast below `least` that photosites fold, those outside `band`.
    pub(super) fn folded_from(self, least: f64, band: Band) -> Self {
        Self { folded: (least > self.least.of).then(|| (Least::new(least), band)), ..self }
    }

    /// This placing and focus with the least contrast of another, whose harmonics it shares.
    pub fn as_least_as(&self, other: &Self) -> Self {
        Self { scene: self.scene, ..other.at(self.scene) }
    }

    /// Harmonics up to a reach, at least.
    fn harmonics(&self, reach: [i32; 2], (scan, half): (u32, bool)) -> Arc<Harmonics> {
        let mut kept = self.kept.lock().unwrap_or_else(|e| e.into_inner());
        let serves = |h: &&Arc<Harmonics>| {
            let fine = h.least <= self.least.of;
            fine && (h.scan, h.half) == (scan, half)
                && h.reach[0] >= reach[0]
                && h.reach[1] >= reach[1]
        };
        if let Some(found) = kept.as_ref().filter(serves) {
            return found.clone();
        }
        // A little more, for the places to come.
        let more = reach.map(|r| r + r / 8);
        let made = Arc::new(Harmonics::new(self.scene, more, (scan, half), self.least.of));
        *kept = Some(made.clone());
        made
    }

    /// Whether two places see the same harmonics, but for their phase.
    pub fn sees_alike(&self, a: &Place, b: &Place) -> bool {
        let near = |a: DVec2, b: DVec2, size: f64| (a - b).length() <= 1e-9 * size;
        let (m, n) = (&a.local, &b.local);
        let size = m.whole.x_axis.length() + m.whole.y_axis.length();
        let geometry = [(m.whole, n.whole), (m.plain, n.plain)]
            .iter()
            .all(|(p, q)| near(p.x_axis, q.x_axis, size) && near(p.y_axis, q.y_axis, size));
        // Emitters that dim alike to the sides keep their mixture.
        let [red, green, blue] = self.falloff;
        let mixture = (red == green && green == blue) || a.cos_wall == b.cos_wall;
        geometry
            && mixture
            && a.face == b.face
            && (m.disc - n.disc).abs() <= 1e-6
            && near(m.skew, n.skew, 1.0)
    }

    /// The lattice as a place sees it; with `slots`, the lines between its harmonics that rows in turn make, too. What is around
    /// harmonics above `most` is left out.
    pub fn seen(&self, sights: &Sights<'_>, place: &Place, slots: bool, most: i32) -> Lattice {
        let scan = if slots { self.scene.drive.scan.max(1) } else { 1 };
        let [red, green, blue] = self.falloff;
        let dim = if red == green && green == blue {
            // All alike: the mixture stays.
            [libm::pow(place.cos_wall, red); 3]
        } else {
            self.falloff.map(|k| libm::pow(place.cos_wall, k))
        };
        let of = self.mix.map(|row| [0, 1, 2].map(|e: usize| row[e] * dim[e]));
        let reach = self.reach(place).map(|r| r.min(most));
        let harmonics = self.harmonics(reach, (scan, !slots));
        let tones = harmonics.lines.iter().map(|line| {
            let strong = line.partition_point(|h| 2.0 * h.size >= self.least.of);
            let mut tones: Vec<Tone> = Vec::with_capacity(strong);
            let near = line[..strong].iter().filter(|h| h.is_around(most));
            tones.extend(near.filter_map(|harmonic| self.tone(sights, place, harmonic)));
            if slots {
                tones.sort_by(|a, b| b.size.total_cmp(&a.size));
            }
            tones
        });
        Lattice { tones: tones.collect(), of, reflected: self.scene.reflected_share() }
    }

    /// Harmonics, across and down, up to which the sensor may see the lattice.
    fn reach(&self, place: &Place) -> [i32; 2] {
        // g = J⁻ᵀ·f, so |g_i| ≤ |row i of J⁻ᵀ|·|f|.
        let inverse = place.local.whole.inverse();
        [inverse.x_axis, inverse.y_axis]
            .map(|c| (c.length() * self.highest).ceil().clamp(1.0, 60.0) as i32)
    }

    fn tone(&self, sights: &Sights<'_>, place: &Place, harmonic: &Harmonic) -> Option<Tone> {
        let g = harmonic.g;
        let frequency = on_sensor(&place.local.whole, g);
        if frequency.length_squared() > self.highest * self.highest {
            return None;
        }
        let least = match self.folded {
            Some((least, band)) if !band.holds_steady(frequency) => least,
            _ => self.least,
        };
        let (sharp, wide) = sights.blur.sensor_at_most(frequency);
        if 2.0 * harmonic.size * wide < least.of || harmonic.log_twice + sharp < least.log {
            return None;
        }
        let least = least.of;
        let sensor = sights.blur.sensor_exact(frequency);
        if 2.0 * harmonic.size * sensor.abs() < least {
            return None;
        }
        let most = pupil_views_at_most(&sights.blur, &place.local, self.longest_m, g);
        if 2.0 * harmonic.size * sensor.abs() * most < least {
            return None;
        }
        let chromatic = sights.blur.is_chromatic();
        // Light at the photosite is Σ weight·light, the conjugate of the weights' transform.
        let light =
            |view: Complex32| Complex64::new(f64::from(view.re), -f64::from(view.im)) * sensor;
        let views = if g == DVec2::ZERO {
            [Complex64::ONE; 3]
        } else if chromatic {
            let lambdas = [0, 1, 2].map(|c: usize| self.scene.wall.emitters[c].wavelength_m);
            pupil_views_exact(&sights.blur, &place.local, lambdas, g).map(light)
        } else {
            [light(pupil_views_exact(&sights.blur, &place.local, [0.0], g)[0]); 3]
        };
        let sizes = [0, 1, 2].map(|c: usize| views[c].norm_sqr() * harmonic.shapes[c].norm_sqr());
        let size = sizes.into_iter().fold(0.0, f64::max).sqrt();
        if 2.0 * size < least {
            return None;
        }
        // At the place, then back to the sensor's corner along the wave.
        let at = turned(g.dot(place.wall - DVec2::splat(0.5)) - frequency.dot(place.point));
        let colours = if harmonic.alike && !chromatic {
            [views[0] * harmonic.shapes[0] * at; 3]
        } else {
            [0, 1, 2].map(|c: usize| views[c] * harmonic.shapes[c] * at)
        };
        Some(Tone { h: harmonic.h, frequency, colours, size })
    }

    /// The lattice's harmonics in steady light of mean levels `levels` (red, green, blue).
    pub fn fringes(&self, lattice: &Lattice, levels: [f64; 3]) -> Vec<Component> {
        let means = lattice.means(levels);
        let mut found = Vec::new();
        for tone in &lattice.tones[0] {
            let [hx, hy] = tone.h;
            if hy < 0 || (hy == 0 && hx <= 0) {
                continue;
            }
            let origin = Origin { h: tone.h, k: 0, m: 0 };
            let classes = lattice.classes(tone.colours, levels, means);
            found.push(Component { origin, frequency: tone.frequency, hz: 0.0, classes });
        }
        found
    }

    /// The components of a pulse of the drive, those around the lattice's harmonics too; the lattice must have been asked for
    /// with its slots. Those of a contrast below `least` are left out.
    pub fn pulsing(
        &self,
        lattice: &Lattice,
        levels: [f64; 3],
        pulse: &Pulse,
        least: f64,
    ) -> Vec<Component> {
        let scan = lattice.tones.len() as u32;
        let theta = pulse.hz * self.slot_s;
        let largest = pulse.amplitude.iter().map(|a| a.norm_sqr().sqrt()).fold(0.0, f64::max);
        let means = lattice.means(levels);
        let mut found = Vec::new();
        for (m, tones) in lattice.tones.iter().enumerate() {
            let slots = slots(theta + m as f64 / f64::from(scan), scan);
            let most = 2.0 * slots.norm_sqr().sqrt() * largest;
            for tone in tones.iter().take_while(|tone| most * tone.size >= least) {
                let colours =
                    [0, 1, 2].map(|c: usize| tone.colours[c] * pulse.amplitude[c] * slots);
                let origin = Origin { h: tone.h, k: pulse.k, m: m as u32 };
                let classes = lattice.classes(colours, levels, means);
                let (frequency, hz) = (tone.frequency, pulse.camera_hz);
                found.push(Component { origin, frequency, hz, classes });
            }
        }
        found
    }
}

impl Wall<'_> {
    /// Whether a blur disc takes so much of a pulse's components away that another, of much the same size, may leave a contrast above
    /// `bar` of one, and notably more than this one does; the lattice must be this wall's, of this place, with its slots, and its
    /// harmonics up to `reach`.
    pub(super) fn hides(
        &self,
        sights: &Sights<'_>,
        (place, lattice): (&Place, &Lattice),
        reach: i32,
        (pulse, bar): (&Pulse, f64),
    ) -> bool {
        /// What colours may add to a wave's contrast.
        const COLOURS: f64 = 2.0;
        /// What is left that is not notably more: photosites and filters, too, leave more or less where the image grows or shrinks.
        const ALIKE: f64 = 1.15;
        /// Discs as they may be, of this one.
        const OTHERS: [f64; 2] = [0.94, 1.06];
        let kept = self.kept.lock().unwrap_or_else(|e| e.into_inner()).clone();
        let Some(harmonics) = kept.filter(|h| h.lines.len() == lattice.tones.len()) else {
            return true;
        };
        let scan = lattice.tones.len() as u32;
        let amplitude = pulse.amplitude.iter().map(|a| a.norm_sqr().sqrt()).fold(0.0, f64::max);
        let theta = pulse.hz * self.slot_s;
        let (local, blur) = (&place.local, &sights.blur);
        let green = self.scene.wall.emitters[1].wavelength_m;
        harmonics.lines.iter().zip(&lattice.tones).enumerate().any(|(m, (line, tones))| {
            let slots = slots(theta + m as f64 / f64::from(scan), scan).norm_sqr().sqrt();
            let most = COLOURS * 2.0 * slots * amplitude;
            line.iter().take_while(|h| most * h.size > bar).any(|harmonic| {
                let f = on_sensor(&local.whole, harmonic.g);
                let far = f.length_squared() > self.highest * self.highest;
                if far || !harmonic.is_around(reach) {
                    return false;
                }
                let tone = tones.iter().find(|tone| tone.h == harmonic.h);
                let now = tone.map_or(0.0, |tone| tone.size / harmonic.size);
                let sensor = blur.sensor_exact(f).abs();
                if most * harmonic.size * sensor <= bar || sensor <= ALIKE * now {
                    return false;
                }
                let plain = on_sensor(&local.plain, harmonic.g);
                OTHERS.iter().any(|other| {
                    let (re, im) = blur.pupil(plain, local.disc * other, green);
                    let left = sensor * libm::hypot(f64::from(re), f64::from(im));
                    left > ALIKE * now && most * harmonic.size * left > bar
                })
            })
        })
    }
}

impl Lattice {
    /// Mean light of each photosite colour, of full white: levels of red, green and blue, and room light that the face reflects.
    pub fn means(&self, levels: [f64; 3]) -> [f64; 3] {
        self.of.map(|row| row.iter().zip(levels).map(|(o, l)| o * l).sum::<f64>() + self.reflected)
    }

    /// Amplitude (crest over mean) of photosite colours from complex shares of emitter colours.
    fn classes(
        &self,
        colours: [Complex64; 3],
        levels: [f64; 3],
        means: [f64; 3],
    ) -> [Complex64; 3] {
        [0, 1, 2].map(|s: usize| {
            let sum: Complex64 = (0..3).map(|c| colours[c] * (self.of[s][c] * levels[c])).sum();
            if means[s] > 0.0 { sum * 2.0 / means[s] } else { Complex64::ZERO }
        })
    }
}

/// Frequency, cycles per photosite, above which lens blur and diffraction leave less than `least` of anything: where the
/// Gaussian has fallen to half of it, or the cutoff of the shortest wavelength.
fn ends_at(scene: &Scene, least: f64) -> f64 {
    let photosite_m = scene.camera.photosite_m;
    let sigma = scene.lens.aberration_m / photosite_m;
    let gaussian = if sigma > 0.0 {
        (libm::log(2.0 / least) / (2.0 * PI * PI)).sqrt() / sigma
    } else {
        f64::INFINITY
    };
    let cutoff = if scene.lens.diffraction == Diffraction::Off {
        f64::INFINITY
    } else {
        let shortest =
            scene.wall.emitters.iter().map(|e| e.wavelength_m).fold(f64::INFINITY, f64::min);
        photosite_m / (shortest * scene.lens.working_f_number())
    };
    gaussian.min(cutoff)
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

/// The harmonics of the drive at levels of red, green and blue, of those that leave `least` of the mean or more, up to the
/// `highest` harmonic of the refresh.
pub fn pulses(
    scene: &Scene,
    timing: &Timing,
    levels: [f64; 3],
    least: f64,
    highest: u32,
) -> Vec<Pulse> {
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
        let most = timing.refreshes.saturating_mul(highest).max(highest);
        let most = spectrum.last(exposure_s, least).min(most);
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
