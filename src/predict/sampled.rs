//! What photosites, demosaic and scaling make of waves of light: where they fold to, and how much is left.
//!
//! A photosite colour samples the light at every second recorded photosite; a wave at F then stands at F + (a/2, b/2) as well, for a, b
//! of 0 and 1, with the phase of that colour's place in the mosaic. Bilinear demosaic weighs each by cos²(πφ_x)·cos²(πφ_y) (red, blue)
//! or (1 + (cos 2πφ_x + cos 2πφ_y)/2)/2 (green), φ being where it stands. Every scaling folds once more.

use super::component::{Component, Origin, turned};
use super::landed::{Image, Landed};
use crate::artefact::{LUMA, Wave};
use crate::develop::{ColourSpace, ScaleFilter, filter_transform};
use crate::math::matrix3::{self, Matrix3};
use crate::math::special::{nearest, sinc, turn};
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

/// Balanced mean light of each photosite colour, and the luma of it.
struct Means {
    of: [f64; 3],
    luma: f64,
}

/// A value times exp(iπ·quarters/2).
fn quarter_turned(value: Complex64, quarters: i64) -> Complex64 {
    match quarters & 3 {
        0 => value,
        1 => Complex64::new(-value.im, value.re),
        2 => -value,
        _ => Complex64::new(value.im, -value.re),
    }
}

/// One photosite of the mosaic's block.
#[derive(Clone)]
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
#[derive(Clone)]
struct Stage {
    filter: ScaleFilter,
    ratio: DVec2,
}

/// The frequencies that photosites hold without folding them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Band {
    /// Recorded photosites that a sensor's photosite is, across and down.
    scale: DVec2,
    /// Under a mosaic green's count: luma is carried by it.
    mosaic: bool,
}

impl Band {
    /// Whether it holds steady light of a frequency in cycles per photosite of the sensor.
    pub(super) fn holds_steady(&self, frequency: DVec2) -> bool {
        self.holds(frequency * self.scale)
    }

    /// Whether it holds a frequency in cycles per recorded photosite.
    fn holds(&self, recorded: DVec2) -> bool {
        let [x, y] = recorded.abs().to_array();
        if self.mosaic { x + y < 0.5 } else { x.max(y) < 0.5 }
    }
}

/// Sampling, demosaic, colour and scaling of a scene's first delivery, in linear light.
#[derive(Clone)]
pub struct Sampler {
    sites: Vec<Site>,
    /// Sums of the sites' signs in each image of the folding, by photosite colour; the first is that of the light itself.
    combs: [[f64; 3]; 4],
    /// True where every recorded photosite is one of the sensor's and all are read at even steps: sites then differ by their place alone.
    even: bool,
    /// Recorded photosites after which the mosaic repeats: 2, or 1 without a mosaic.
    block: u32,
    /// Sensor photosites that one block takes, across and down.
    step: DVec2,
    /// What is seen as it is.
    pub(super) band: Band,
    /// Time from a recorded row to the next below it, seconds; 0 for a global shutter.
    pub line_s: f64,
    pub(super) fps: f64,
    crop: DVec2,
    stages: Vec<Stage>,
    /// From balanced photosite colours to the picture's red, green and blue.
    matrix: Matrix3,
    /// Rows and columns of the delivered picture.
    pub size: [u32; 2],
    /// Contrast below which a wave is left out.
    pub(super) least: f64,
}

/// Whether sites are single photosites of the sensor, read at even steps in place and time.
fn is_even(sites: &[Site], step: [f64; 2], block: f64, line_s: f64) -> bool {
    let single = |site: &Site| site.members.iter().all(|m| m.len() == 1);
    if !sites.iter().all(single) {
        return false;
    }
    let first = &sites[0];
    sites.iter().all(|site| {
        let [across, down] = [0, 1].map(|axis| {
            let should = f64::from(site.at[axis]) * step[axis] / block;
            site.members[axis][0] - first.members[axis][0] == should
        });
        let late_s = site.times_s[0] - first.times_s[0];
        across && down && (late_s - f64::from(site.at[1]) * line_s).abs() < 1e-12
    })
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
        let sites: Vec<Site> = sites.collect();
        let combs = [0_u32, 1, 2, 3].map(|image| {
            let mut comb = [0.0; 3];
            for site in &sites {
                let odd = (image % 2 * site.at[0] + image / 2 * site.at[1]) % 2 == 1;
                comb[site.colour] += if odd { -1.0 } else { 1.0 };
            }
            comb
        });
        let even = is_even(&sites, step, f64::from(block), line_s);
        Self {
            sites,
            combs,
            even,
            block,
            step: DVec2::new(step[0], step[1]),
            band: Band {
                scale: DVec2::new(step[0], step[1]) / f64::from(block),
                mosaic: block == 2,
            },
            line_s,
            fps: camera.fps,
            crop: DVec2::new(f64::from(camera.crop.x), f64::from(camera.crop.y)),
            stages,
            matrix,
            size,
            least,
        }
    }

    /// The same; waves of a contrast below `least` are left out.
    pub(super) fn of_least(&self, least: f64) -> Self {
        Self { least, ..self.clone() }
    }

    /// Everything that a component becomes in the picture, added to `out`; `number` is the component's.
    fn spread(&self, number: u32, component: &Component, light: &Means, out: &mut Vec<Image>) {
        let bound = self.least * self.least;
        if component.classes.iter().all(|c| c.norm_sqr() < bound) {
            return;
        }
        let mono = self.sites.len() == 1;
        let block = f64::from(self.block);
        let recorded =
            component.frequency * self.step / block + DVec2::new(0.0, component.hz * self.line_s);
        // Along the wave from the recorded grid's first photosite to the crop's first pixel, whose centre is at ½.
        let to_crop = recorded.dot(self.crop - 0.5);
        // Sums over the sites of each image and colour, to be weighed by the demosaic.
        let mut combed = [[Complex64::ZERO; 3]; 4];
        let images = if self.block == 2 { 4 } else { 1 };
        if self.even {
            let site = &self.sites[0];
            let opens = component.hz * site.times_s[0];
            let at = component.frequency.dot(DVec2::new(site.members[0][0], site.members[1][0]));
            let first = turned(at + opens + to_crop);
            let values = component.classes.map(|class| class * first);
            for (of_image, comb) in combed.iter_mut().zip(&self.combs).take(images) {
                *of_image = [0, 1, 2].map(|c: usize| values[c] * comb[c]);
            }
        } else {
            for site in &self.sites {
                let value = self.of_site(component, site, recorded) * turned(to_crop);
                let [x, y] = site.at;
                for (image, of_image) in combed.iter_mut().enumerate().take(images) {
                    // exp(−iπ(a·x + b·y)): the site's own comb.
                    let odd = (image as u32 % 2 * x + image as u32 / 2 * y) % 2 == 1;
                    of_image[site.colour] += if odd { -value } else { value };
                }
            }
        }
        let (cx, cy) = (turn(recorded.x).0, turn(recorded.y).0);
        for (image, planes) in combed.iter().enumerate().take(images) {
            let (a, b) = (image as i64 % 2, image as i64 / 2);
            let mut planes = *planes;
            if mono {
                planes = [planes[0]; 3];
            }
            if self.block == 2 {
                let cx = if a == 1 { -cx } else { cx };
                let cy = if b == 1 { -cy } else { cy };
                let chroma = (1.0 + cx) * (1.0 + cy) / 4.0;
                let green = (1.0 + (cx + cy) / 2.0) / 4.0;
                // A comb of one site in four, filled in with a total weight of four.
                planes = [planes[0] * chroma, planes[1] * green, planes[2] * chroma];
            }
            if planes.iter().all(|p| p.norm_sqr() < bound) {
                continue;
            }
            let raw = recorded + DVec2::new(a as f64, b as f64) / 2.0;
            let whole = DVec2::new(nearest(raw.x), nearest(raw.y));
            let at = raw - whole;
            // What half a cycle more and whole cycles less do on the way to the crop's first centre: quarter turns.
            let quarters = |half: i64, whole: f64, crop: f64| {
                half * (2 * (crop as i64) - 1) + 2 * (whole as i64)
            };
            let quarters = quarters(a, whole.x, self.crop.x) + quarters(b, whole.y, self.crop.y);
            let planes =
                [0, 1, 2].map(|c: usize| quarter_turned(planes[c], quarters) * light.of[c]);
            let picture = self.matrix.map(|row| {
                let sum = planes[0] * row[0] + planes[1] * row[1] + planes[2] * row[2];
                sum / light.luma
            });
            let resolved = image == 0 && whole == DVec2::ZERO && self.band.holds(recorded);
            self.scale_from(0, at, picture, resolved, &mut |frequency, planes, resolved| {
                out.push(Image { number, frequency, planes, resolved });
            });
        }
    }

    /// One site's wave at the recorded grid's first photosite.
    fn of_site(&self, component: &Component, site: &Site, recorded: DVec2) -> Complex64 {
        let class = component.classes[if self.sites.len() == 1 { 0 } else { site.colour }];
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
    }

    /// A component's image in full.
    pub(super) fn seen(
        &self,
        image: &Image,
        component: &Component,
        planes: [Complex64; 3],
    ) -> Seen {
        let ratio = self.stages.iter().fold(DVec2::ONE, |r, s| r * s.ratio);
        let light = component.frequency * self.step / f64::from(self.block);
        let f = image.frequency;
        let turned_over = f.y < 0.0 || (f.y == 0.0 && f.x < 0.0);
        let roll = self.roll_hz(component);
        Seen {
            wave: Wave::new(f, planes),
            origin: component.origin,
            resolved: image.resolved,
            roll_hz: if turned_over { -roll } else { roll },
            moved: Moved { light: light * ratio, readout: component.hz * self.line_s * ratio.y },
        }
    }

    pub(super) fn roll_hz(&self, component: &Component) -> f64 {
        let cycles = component.hz / self.fps;
        (cycles - nearest(cycles)) * self.fps
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
        let left = |f: f64, ratio: f64| {
            [-2.0, -1.0, 0.0, 1.0, 2.0].map(|n| filter_transform(stage.filter, ratio, f - n))
        };
        let (across, down) = (left(at.x, stage.ratio.x), left(at.y, stage.ratio.y));
        let largest = planes.iter().map(|p| p.norm_sqr()).fold(0.0, f64::max);
        for (ny, down) in (-2..=2_i64).zip(down) {
            for (nx, across) in (-2..=2_i64).zip(across) {
                let left = across * down;
                if largest * left * left < self.least * self.least {
                    continue;
                }
                let to = (at - DVec2::new(nx as f64, ny as f64)) * stage.ratio;
                let whole = DVec2::new(nearest(to.x), nearest(to.y));
                let odd = (nx + ny + whole.x as i64 + whole.y as i64) & 1 == 1;
                let stays = kept && (nx, ny) == (0, 0) && whole == DVec2::ZERO;
                let scaled = planes.map(|p| p * if odd { -left } else { left });
                self.scale_from(number + 1, to - whole, scaled, stays, out);
            }
        }
    }

    /// Luma of balanced mean light of each photosite colour.
    pub fn luma(&self, means: [f64; 3]) -> f64 {
        let balanced = matrix3::apply(&self.matrix, means);
        balanced.iter().zip(LUMA).map(|(v, share)| v * share).sum()
    }

    /// The waves of a picture that components make, those that land on one frequency and roll alike added up, in no order.
    pub fn waves(&self, components: &[Component], means: [f64; 3]) -> Vec<Seen> {
        self.landed(components, means).waves()
    }

    /// Where components land in the picture.
    pub(super) fn landed<'a>(&'a self, components: &'a [Component], means: [f64; 3]) -> Landed<'a> {
        let luma = self.luma(means);
        let mut images = Vec::new();
        if luma > 0.0 {
            let light = Means { of: means, luma };
            images.reserve(components.len());
            for (number, component) in (0..).zip(components) {
                self.spread(number, component, &light, &mut images);
            }
        }
        Landed::new(self, components, images)
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
