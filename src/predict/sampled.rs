//! What photosites, demosaic and scaling make of waves of light: where they fold to, and how much is left.
//!
//! A photosite colour samples the light at every second recorded photosite; a wave at F then stands at F + (a/2, b/2) as well, for a, b
//! of 0 and 1, with the phase of that colour's place in the mosaic. Bilinear demosaic weighs each by cos²(πφ_x)·cos²(πφ_y) (red, blue)
//! or (1 + (cos 2πφ_x + cos 2πφ_y)/2)/2 (green), φ being where it stands. Every scaling folds once more.

use super::component::{Component, Origin, turned};
use crate::artefact::{LUMA, Wave};
use crate::develop::{ColourSpace, ScaleFilter, filter_transform};
use crate::math::matrix3::{self, Matrix3};
use crate::math::special::{cos_pi, sinc};
use crate::scene::Scene;
use crate::scene::derived::colour_transform;
use crate::sensor::{Mosaic, Readout};
use glam::DVec2;
use rustfft::num_complex::Complex64;

/// A wave in the delivered picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// The wave.
    pub wave: Wave,
    /// The largest of the components that it is made of.
    pub origin: Origin,
    /// True where it stands as the wall has it: neither the photosites nor scaling folded it.
    pub resolved: bool,
    /// Changes of its phase from frame to frame, times the frame rate: Hz, of either sign; a wave that rises with it rolls up
    /// the picture.
    pub roll_hz: f64,
    /// Cycles per delivered pixel that a change of 1 in each sensor frequency, and of the readout, would move it.
    pub moved: Moved,
}

/// How a wave's place in the picture's frequencies moves with what a set may be off by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moved {
    /// The wave of light on the sensor, in delivered cycles per pixel, without folding and without the readout's part.
    pub light: DVec2,
    /// What the readout adds upright.
    pub readout: f64,
}

/// One photosite of the mosaic's block.
struct Site {
    /// Which colour it records.
    colour: usize,
    /// Recorded column and row.
    at: [u32; 2],
    /// Sensor points of the photosites that are joined in it, across and down.
    members: [Vec<f64>; 2],
    /// Camera times at which the members down open in frame 0, seconds.
    times_s: Vec<f64>,
}

/// One scaling.
struct Stage {
    filter: ScaleFilter,
    ratio: DVec2,
}

/// Sampling, demosaic, colour and scaling of a scene's first delivery, in linear light.
pub struct Sampler {
    sites: Vec<Site>,
    /// Recorded photosites after which the mosaic repeats: 2, or 1 without a mosaic.
    block: u32,
    /// Sensor photosites that one block takes, across and down.
    step: DVec2,
    /// Time from a recorded row to the next below it, seconds; 0 for a global shutter.
    pub line_s: f64,
    fps: f64,
    crop: DVec2,
    stages: Vec<Stage>,
    /// From balanced photosite colours to the picture's red, green and blue.
    matrix: Matrix3,
    /// Rows and columns of the delivered picture.
    pub size: [u32; 2],
    /// Contrast below which a wave is left out.
    least: f64,
}

impl Sampler {
    /// Of a scene; waves of a contrast below `least` are left out.
    pub fn new(scene: &Scene, least: f64) -> Self {
        let camera = &scene.camera;
        let (block, colours): (u32, Vec<usize>) = match camera.mosaic {
            Mosaic::Bayer(colours) => (2, colours.map(usize::from).to_vec()),
            Mosaic::Monochrome => (1, vec![0]),
            Mosaic::FullPlanes => (1, vec![0, 1, 2]),
        };
        let sites = colours.iter().enumerate().map(|(i, &colour)| {
            let i = i as u32;
            let at = if block == 2 { [i % 2, i / 2] } else { [0, 0] };
            let members = [0, 1].map(|axis| {
                let members = camera.sensor_members(axis, at[axis]);
                members.into_iter().map(|p| f64::from(p) + 0.5).collect::<Vec<f64>>()
            });
            let times_s = camera
                .sensor_members(1, at[1])
                .into_iter()
                .map(|row| camera.row_start_s(0, row))
                .collect();
            Site { colour, at, members, times_s }
        });
        let step = [0, 1].map(|axis| {
            let at = |i: u32| camera.sensor_members(axis, i)[0];
            f64::from(at(block).saturating_sub(at(0)))
        });
        let line_s = match camera.readout {
            Readout::Global => 0.0,
            Readout::Rolling { bottom_up, .. } => {
                camera.recorded_line_s() * if bottom_up { -1.0 } else { 1.0 }
            }
        };
        let mut size = [camera.crop.width, camera.crop.height];
        let mut stages = Vec::new();
        let delivery = &scene.deliveries[0].delivery;
        let in_camera = delivery.in_camera.map(|s| (s.size, s.filter));
        for (to, filter) in in_camera.into_iter().chain(delivery.size.map(|s| (s, delivery.filter)))
        {
            let ratio = |axis: usize, to: u32| f64::from(size[axis]) / f64::from(to.max(1));
            let ratio = DVec2::new(ratio(0, to.0), ratio(1, to.1));
            if ratio != DVec2::ONE {
                stages.push(Stage { filter, ratio });
            }
            size = [to.0, to.1];
        }
        let matrix = match camera.mosaic {
            Mosaic::Monochrome => matrix3::IDENTITY,
            _ => {
                colour_transform(scene, ColourSpace::Bt709).map_or(matrix3::IDENTITY, |t| t.matrix)
            }
        };
        Self {
            sites: sites.collect(),
            block,
            step: DVec2::new(step[0], step[1]),
            line_s,
            fps: camera.fps,
            crop: DVec2::new(f64::from(camera.crop.x), f64::from(camera.crop.y)),
            stages,
            matrix,
            size,
            least,
        }
    }

    /// Everything that a component becomes in the picture. `means` is the balanced mean of each photosite colour.
    fn spread(&self, component: &Component, means: [f64; 3], out: &mut Vec<Seen>) {
        let mono = self.sites.len() == 1;
        let block = f64::from(self.block);
        let light = component.frequency * self.step / block;
        let readout = component.hz * self.line_s;
        let recorded = light + DVec2::new(0.0, readout);
        // Every site's wave at the recorded grid's first photosite.
        let of_sites = self.sites.iter().map(|site| {
            let class = component.classes[if mono { 0 } else { site.colour }];
            let across: Complex64 =
                site.members[0].iter().map(|x| turned(component.frequency.x * x)).sum();
            let down: Complex64 = site.members[1]
                .iter()
                .zip(&site.times_s)
                .map(|(y, t)| turned(component.frequency.y * y + component.hz * t))
                .sum();
            let count = (site.members[0].len() * site.members[1].len()) as f64;
            let at = DVec2::new(f64::from(site.at[0]), f64::from(site.at[1]));
            class * across * down / count * turned(-recorded.dot(at))
        });
        let of_sites: Vec<Complex64> = of_sites.collect();
        let balanced = matrix3::apply(&self.matrix, means);
        let luma: f64 = balanced.iter().zip(LUMA).map(|(v, share)| v * share).sum();
        if luma <= 0.0 {
            return;
        }
        let images = if self.block == 2 { 0..4 } else { 0..1 };
        for image in images {
            let (a, b) = (f64::from(image % 2), f64::from(image / 2));
            let raw = recorded + DVec2::new(a, b) / 2.0;
            let whole = DVec2::new(libm::round(raw.x), libm::round(raw.y));
            let at = raw - whole;
            let mut planes = [Complex64::ZERO; 3];
            for (site, value) in self.sites.iter().zip(&of_sites) {
                let [x, y] = site.at.map(f64::from);
                // exp(−iπ(a·x + b·y)): the site's own comb.
                let sign = cos_pi(a * x + b * y);
                if mono {
                    planes = [*value; 3];
                } else {
                    planes[site.colour] += *value * sign;
                }
            }
            if self.block == 2 {
                let tent = |f: f64| (1.0 + cos_pi(2.0 * f)) / 2.0;
                let chroma = tent(at.x) * tent(at.y);
                let green = (1.0 + (cos_pi(2.0 * at.x) + cos_pi(2.0 * at.y)) / 2.0) / 4.0;
                // A comb of one site in four, filled in with a total weight of four.
                planes = [planes[0] * chroma, planes[1] * green, planes[2] * chroma];
            }
            if planes.iter().all(|p| p.norm_sqr().sqrt() < self.least) {
                continue;
            }
            let planes = [0, 1, 2].map(|c: usize| planes[c] * means[c]);
            let picture = [0, 1, 2].map(|r: usize| {
                let row = self.matrix[r];
                let sum: Complex64 = (0..3).map(|c| planes[c] * row[c]).sum();
                sum / luma
            });
            // To pixels of the crop, whose first centre is at ½.
            let picture =
                picture.map(|p| p * turned(at.dot(self.crop) - at.dot(DVec2::splat(0.5))));
            let resolved = image == 0 && whole == DVec2::ZERO && self.holds(recorded);
            self.scale(0, at, picture, &mut |frequency, planes, kept| {
                let ratio = self.stages.iter().fold(DVec2::ONE, |r, s| r * s.ratio);
                let cycles = component.hz / self.fps;
                let roll = (cycles - libm::round(cycles)) * self.fps;
                let turned_over = frequency.y < 0.0 || (frequency.y == 0.0 && frequency.x < 0.0);
                let seen = Seen {
                    wave: Wave::new(frequency, planes),
                    origin: component.origin,
                    resolved: resolved && kept,
                    roll_hz: if turned_over { -roll } else { roll },
                    moved: Moved { light: light * ratio, readout: readout * ratio.y },
                };
                out.push(seen);
            });
        }
    }

    /// Whether every colour's photosites hold a frequency without folding.
    fn holds(&self, recorded: DVec2) -> bool {
        if self.block == 1 {
            return recorded.abs().max_element() < 0.5;
        }
        // Green's: luma is carried by it.
        recorded.x.abs() + recorded.y.abs() < 0.5
    }

    fn scale(
        &self,
        stage: usize,
        at: DVec2,
        planes: [Complex64; 3],
        out: &mut impl FnMut(DVec2, [Complex64; 3], bool),
    ) {
        self.scale_from(stage, at, planes, true, out);
    }

    fn scale_from(
        &self,
        number: usize,
        at: DVec2,
        planes: [Complex64; 3],
        kept: bool,
        out: &mut impl FnMut(DVec2, [Complex64; 3], bool),
    ) {
        let Some(stage) = self.stages.get(number) else {
            out(at, planes, kept);
            return;
        };
        for ny in -2..=2 {
            for nx in -2..=2 {
                let n = DVec2::new(f64::from(nx), f64::from(ny));
                let from = at - n;
                let left = filter_transform(stage.filter, stage.ratio.x, from.x)
                    * filter_transform(stage.filter, stage.ratio.y, from.y);
                if planes.iter().all(|p| (p * left).norm_sqr().sqrt() < self.least) {
                    continue;
                }
                let to = from * stage.ratio;
                let whole = DVec2::new(libm::round(to.x), libm::round(to.y));
                let sign = cos_pi(n.x + n.y + whole.x + whole.y);
                let stays = kept && n == DVec2::ZERO && whole == DVec2::ZERO;
                let scaled = planes.map(|p| p * left * sign);
                self.scale_from(number + 1, to - whole, scaled, stays, out);
            }
        }
    }

    /// The waves of a picture that components make, those that land on one frequency and roll alike added up, in no order.
    pub fn waves(&self, components: &[Component], means: [f64; 3]) -> Vec<Seen> {
        let mut all = Vec::new();
        for component in components {
            self.spread(component, means, &mut all);
        }
        let near = 1e-7;
        let key = |s: &Seen| {
            let f = s.wave.frequency;
            (libm::round(f.y / near) as i64, libm::round(f.x / near) as i64)
        };
        all.sort_by(|a, b| key(a).cmp(&key(b)).then(a.roll_hz.total_cmp(&b.roll_hz)));
        let mut out: Vec<Seen> = Vec::new();
        for seen in all {
            match out.last_mut() {
                Some(last)
                    if (last.wave.frequency - seen.wave.frequency).abs().max_element() < near
                        && (last.roll_hz - seen.roll_hz).abs() < 1e-6 * self.fps =>
                {
                    let sum = [0, 1, 2].map(|c: usize| last.wave.planes[c] + seen.wave.planes[c]);
                    let larger = seen.wave.largest() > last.wave.largest();
                    let keep = if larger { seen } else { *last };
                    *last = Seen { wave: Wave { planes: sum, ..keep.wave }, ..keep };
                }
                _ => out.push(seen),
            }
        }
        // What is even over the picture is no wave of it, unless it changes over time.
        out.retain(|s| s.wave.largest() >= self.least);
        out
    }

    /// What a wave's mean over the picture's height keeps of it.
    pub fn whole_frame_share(&self, wave: &Wave) -> f64 {
        let height = f64::from(self.size[1]);
        let width = f64::from(self.size[0]);
        (sinc(wave.frequency.y * height) * sinc(wave.frequency.x * width)).abs()
    }

    /// Delivered pixels a recorded one, down.
    pub fn lines_per_recorded(&self) -> f64 {
        1.0 / self.stages.iter().fold(1.0, |r, s| r * s.ratio.y)
    }
}
