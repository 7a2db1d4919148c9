//! Light that pulses, the wall's and that of lamps, as waves of the picture that only wait for a shutter.

use crate::artefact::{LUMA, Seeing, Wave};
use crate::math::special::sinc;
use crate::predict::bands::judge_band;
use crate::predict::component::{Lattice, Origin, Pulse, Wall, turned};
use crate::predict::judge::noise;
use crate::predict::landed::Apart;
use crate::predict::place::Sights;
use crate::predict::sampled::{Moved, Sampler, Seen};
use crate::scene::{Lamp, Scene};
use crate::wall::arithmetic::lowest_frequency_hz;
use crate::wall::drive::{DriveKind, Timing, grey_clocks};
use crate::wall::spectrum::Spectrum;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Contrast below which a wave is left out.
const LEAST: f64 = 5e-4;
/// Steps of a search for a tolerance.
const MOST_STEPS: f64 = 4096.0;
/// Components, each weaker than that, of which so many may land on one wave.
const TOGETHER: f64 = 4.0;
/// Highest frequency of the wall's lattice that is followed on the sensor, cycles per photosite.
const HIGHEST: f64 = 4.0;
/// Refreshes' harmonics that are followed.
const HARMONICS: u32 = 24;
/// The same of split levels, which have lines between those.
const SPLIT_HARMONICS: u32 = 4;
/// Lamps' harmonics that are followed.
const LAMP_HARMONICS: u32 = 24;
/// Level at which bands of lamps are judged: mid-grey.
const LAMP_LEVEL: f64 = 0.18;

/// A wave before the shutter, with everything of the drive that lands on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is made of, before an exposure that opens at camera time 0: an exposure T leaves sinc(hz·T) of each, half an exposure later.
    pub(super) parts: Vec<Apart>,
    /// Times the threshold of visibility of a contrast of 1, of luma and of colour.
    pub per_contrast: [f64; 2],
    /// Lines from band to band in the delivered picture; `None` for what has none (a global shutter).
    pub period_lines: Option<f64>,
    /// Bands that pass a place of the picture in a second, Hz; 0 when they stand.
    pub roll_hz: f64,
}

impl Line {
    /// What an exposure leaves: times its threshold, and contrast, the larger of luma and colour, amplitude over mean.
    fn at(&self, exposure_s: f64) -> (f64, f64) {
        let mut planes = [Complex64::ZERO; 3];
        for part in &self.parts {
            let waves = part.hz * exposure_s;
            let late = if part.turned_over { -waves } else { waves } / 2.0;
            let left = turned(late) * sinc(waves);
            planes = [0, 1, 2].map(|c: usize| planes[c] + part.planes[c] * left);
        }
        let wave = Wave { frequency: DVec2::ZERO, planes };
        let (luma, chroma) = (wave.luma(), wave.chroma());
        let [per_luma, per_chroma] = self.per_contrast;
        ((luma * per_luma).max(chroma * per_chroma), luma.max(chroma))
    }

    /// Times its threshold, of one part alone, before an exposure.
    fn multiple(&self, part: &Apart) -> f64 {
        let wave = Wave { frequency: DVec2::ZERO, planes: part.planes };
        (wave.luma() * self.per_contrast[0]).max(wave.chroma() * self.per_contrast[1])
    }

    /// How far an exposure may be off, as a share, before bands pass their threshold; `None` where they never do.
    ///
    /// Around a whole x₀ = f·T, m·|sinc| reaches 1 where |sin πx| = πx/m: asin(πx/m)/π away. Of that goes what x is from a whole number
    /// already. Several parts on one wave are tried step by step, up to half a turn of the slowest.
    fn tolerance(&self, exposure_s: f64) -> Option<f64> {
        if let [part] = &self.parts[..] {
            return self.tolerance_of_one(part, exposure_s);
        }
        let rates = self.parts.iter().map(|p| p.hz * exposure_s);
        let (slowest, fastest) =
            rates.fold((f64::INFINITY, 0.0_f64), |(a, b), r| (a.min(r), b.max(r)));
        if !(slowest > 0.0 && self.parts.iter().map(|p| self.multiple(p)).sum::<f64>() >= 1.0) {
            return None;
        }
        let seen = |off: f64| {
            let at = |off: f64| self.at(exposure_s * (1.0 + off)).0;
            at(off).max(at(-off)) >= 1.0
        };
        // Between zeros of the fastest there are so many steps.
        let step = 1.0 / (32.0 * fastest);
        let end = (0.5 / slowest).min(0.5);
        let count = (end / step).ceil();
        let tried = count.min(MOST_STEPS);
        let Some(first) = (0..=tried as u32).find(|i| seen(f64::from(*i) * step)) else {
            // Where the search ends early, so far at least.
            return (tried < count).then_some(tried * step);
        };
        if first == 0 {
            return Some(0.0);
        }
        let (mut low, mut high) = (f64::from(first - 1) * step, f64::from(first) * step);
        for _ in 0..20 {
            let middle = (low + high) / 2.0;
            if seen(middle) { high = middle } else { low = middle }
        }
        Some(low)
    }

    fn tolerance_of_one(&self, part: &Apart, exposure_s: f64) -> Option<f64> {
        let multiple = self.multiple(part);
        if multiple < 1.0 {
            return None;
        }
        let waves = part.hz * exposure_s;
        let whole = libm::round(waves).max(1.0);
        let mut off = 0.0;
        for _ in 0..4 {
            // The shorter side: there sinc falls more slowly.
            let sine = PI * (whole - off) / multiple;
            if sine >= 1.0 {
                return None;
            }
            off = libm::asin(sine.max(0.0)) / PI;
        }
        Some((off - (waves - whole).abs()).max(0.0) / waves)
    }
}

/// One source of light at one level.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Its waves.
    pub lines: Vec<Line>,
    /// Exposures of a whole number of this time are free of its bands, seconds of camera time; 0 for steady light.
    pub period_s: f64,
    /// A shorter time of which the same holds nearly: a refresh; at most `period_s`.
    pub refresh_s: f64,
}

impl Source {
    /// The worst wave at an exposure: times its threshold, contrast, and the wave.
    pub fn worst(&self, exposure_s: f64) -> Option<(f64, f64, &Line)> {
        let left = self.lines.iter().map(|line| {
            let (multiple, contrast) = line.at(exposure_s);
            (multiple, contrast, line)
        });
        left.max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Times its threshold, at worst, at an exposure.
    pub fn multiple(&self, exposure_s: f64) -> f64 {
        self.worst(exposure_s).map_or(0.0, |w| w.0)
    }

    /// How far exposure or frequency may be off, as a share, before bands pass their threshold, around an exposure that is
    /// clean: the smallest over the waves. `None` where they never do.
    pub fn tolerance(&self, exposure_s: f64) -> Option<f64> {
        let of = |line: &Line| line.tolerance(exposure_s);
        self.lines.iter().filter_map(of).min_by(f64::total_cmp)
    }
}

/// Lines of the drive's pattern between those that a level has: it repeats this many times in a pattern.
fn step(timing: &Timing, level: f64) -> u32 {
    let n = timing.refreshes;
    match timing.drive.kind {
        DriveKind::Waveform(_) => 1,
        _ if timing.drive.dark_frame_s > 0.0 => 1,
        DriveKind::Split { bits, .. } => {
            let clocks = grey_clocks(level * timing.drive.pulse_share, bits);
            lowest_frequency_hz(u64::from(clocks), u64::from(n), 1.0).max(1.0) as u32
        }
        _ => n,
    }
}

/// Harmonics of the lattice, either way, that lines are looked for around, as the full verdict does.
const AROUND: i32 = 2;

/// What the wall and the camera are to a source.
pub struct Setup<'a> {
    scene: &'a Scene,
    timing: Timing,
    wall: Wall<'a>,
    sampler: Sampler,
    /// Lines of the rows' turns, around the lattice's first harmonics too, at one place; `None` where the wall is not seen.
    lattice: Option<Lattice>,
}

impl<'a> Setup<'a> {
    /// Of a scene: the place is the middle of the picture, or the first that sees the wall.
    pub fn new(scene: &'a Scene) -> Self {
        let sights = Sights::new(scene);
        let window = scene.camera.sensor_window();
        let corner = DVec2::new(f64::from(window.x), f64::from(window.y));
        let size = DVec2::new(f64::from(window.width), f64::from(window.height));
        let place = sights.at(corner + size / 2.0);
        let place = place.or_else(|| sights.grid(5, 3).into_iter().next());
        let wall = Wall::new(scene, LEAST, HIGHEST);
        let lattice = place.map(|place| wall.seen(&sights, &place, true, AROUND));
        let (timing, sampler) = (scene.drive.timing(), Sampler::new(scene, LEAST));
        Self { scene, timing, wall, sampler, lattice }
    }

    /// Rows of the delivered picture.
    pub fn lines(&self) -> f64 {
        f64::from(self.sampler.size[1])
    }

    /// The wall at a level, for exposures from `shortest_s` on. `None` where it is not seen, or shows no light.
    pub fn wall(&self, level: f64, shortest_s: f64) -> Option<Source> {
        let lattice = self.lattice.as_ref()?;
        let (timing, drive) = (&self.timing, &self.scene.drive);
        let spectrum = Spectrum::new(timing, level);
        let mean = spectrum.mean();
        if mean <= 0.0 {
            return None;
        }
        if drive.is_steady() {
            return Some(Source { lines: Vec::new(), period_s: 0.0, refresh_s: 0.0 });
        }
        let rate = 1.0 + drive.clock.drift;
        let step = step(timing, level);
        let harmonics = if step == timing.refreshes { HARMONICS } else { SPLIT_HARMONICS };
        let most = spectrum
            .last(shortest_s, LEAST)
            .min(timing.refreshes.saturating_mul(harmonics).max(harmonics));
        let seeing = self.seeing(level);
        let levels = [level; 3];
        let mut components = Vec::new();
        let mut k = step;
        while k <= most {
            let hz = f64::from(k) / spectrum.period_s();
            let amplitude = spectrum.amplitude(k) / mean;
            let left = (1.0 / (PI * hz * shortest_s)).min(1.0);
            if 2.0 * amplitude.norm() * left >= LEAST {
                let late =
                    drive.delay_s.map(|s| amplitude * turned(hz * (drive.clock.phase_s - s)));
                let pulse = Pulse { k, hz, camera_hz: hz * rate, amplitude: late };
                // Several may land on one wave.
                let least = LEAST.max(LEAST / (TOGETHER * left));
                components.extend(self.wall.pulsing(lattice, levels, &pulse, least));
            }
            k += step;
        }
        let landed = self.sampler.landed(&components, lattice.means(levels));
        // What any of the exposures may leave of it.
        let left = |part: &Apart| part.contrast_at_most() / (PI * part.hz * shortest_s).max(1.0);
        let matter =
            landed.apart().filter(|(_, parts)| parts.iter().map(left).sum::<f64>() >= LEAST);
        let lines = matter.map(|(seen, parts)| self.line(parts, &seen, level, &seeing)).collect();
        let period_s = spectrum.period_s() / f64::from(step) / rate;
        let refresh_s = timing.refresh_s.min(spectrum.period_s()) / rate;
        Some(Source { lines, period_s, refresh_s: refresh_s.min(period_s) })
    }

    /// A lamp.
    pub fn lamp(&self, lamp: &Lamp) -> Source {
        let seeing = self.seeing(LAMP_LEVEL);
        let line_s = self.sampler.line_s;
        let down = 1.0 / self.sampler.lines_per_recorded();
        let of = |k: u32| {
            let contrast = lamp.harmonic(k);
            let hz = f64::from(k) * lamp.frequency_hz;
            let recorded = hz * line_s;
            let recorded = recorded - libm::round(recorded);
            let picture = recorded * down;
            let frequency = DVec2::new(0.0, picture - libm::round(picture));
            let cycles = hz / self.scene.camera.fps;
            let roll = (cycles - libm::round(cycles)) * self.scene.camera.fps;
            let seen = Seen {
                wave: Wave::new(frequency, [Complex64::from(contrast); 3]),
                origin: Origin { h: [0, 0], k, m: 0 },
                resolved: true,
                roll_hz: if frequency.y < 0.0 { -roll } else { roll },
                moved: Moved { light: DVec2::ZERO, readout: hz * line_s * down },
            };
            let part = Apart { hz, planes: seen.wave.planes, turned_over: frequency.y < 0.0 };
            (contrast >= LEAST).then(|| self.line(vec![part], &seen, LAMP_LEVEL, &seeing))
        };
        let lines = (1..=LAMP_HARMONICS).filter_map(of).collect();
        let period_s = 1.0 / lamp.frequency_hz;
        Source { lines, period_s, refresh_s: period_s }
    }

    fn seeing(&self, level: f64) -> Seeing {
        let noise = noise(self.scene, &self.sampler, level);
        self.scene.viewing.seeing(self.lines(), level, noise)
    }

    fn line(&self, parts: Vec<Apart>, seen: &Seen, level: f64, seeing: &Seeing) -> Line {
        // A contrast of 1 of luma without colour, and of colour without luma.
        let red_for_green = [1.0, -LUMA[0] / LUMA[1], 0.0];
        let per_contrast = [[1.0; 3], red_for_green].map(|planes: [f64; 3]| {
            let wave = Wave { planes: planes.map(Complex64::from), ..seen.wave };
            let one = Seen { wave, ..*seen };
            let found = judge_band(self.scene, &self.sampler, &one, (level, seeing), [0.0; 2]);
            found.map(|f| f.worst.multiple).fold(0.0, f64::max)
        });
        let upright = seen.wave.frequency.y.abs();
        let still = seen.roll_hz.abs() < 0.01 && seen.wave.frequency.length() * self.lines() < 0.25;
        Line {
            parts,
            // What is even over the picture and the same in every frame is nothing to be seen.
            per_contrast: if still { [0.0; 2] } else { per_contrast },
            period_lines: (upright * self.lines() >= 0.25).then(|| 1.0 / upright),
            roll_hz: seen.roll_hz,
        }
    }
}
