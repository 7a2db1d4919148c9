//! Components where they land in a picture: those that land on one place and roll alike are one wave.

use super::component::Component;
use super::sampled::{Sampler, Seen};
use crate::artefact::Wave;
use glam::DVec2;
use rustfft::num_complex::Complex64;

/// What becomes of a component at one place of the picture's frequencies.
pub(super) struct Image {
    /// Number of the component.
    pub(super) number: u32,
    /// Cycles per delivered pixel, of either sign.
    pub(super) frequency: DVec2,
    /// Amplitude of each plane over the mean luma.
    pub(super) planes: [Complex64; 3],
    pub(super) resolved: bool,
}

/// Components where they land in the picture.
pub(super) struct Landed<'a> {
    sampler: &'a Sampler,
    components: &'a [Component],
    images: Vec<Image>,
    /// Place, roll and number of the images: those of one place and roll stand together.
    order: Vec<(u64, u64, u32)>,
}

/// Images that land on one place and roll alike.
struct Together {
    /// Where they stand in the order of images.
    range: std::ops::Range<usize>,
    /// What they may add up to, of luma or colour, where no component is weighed by more than 1.
    most: f64,
    /// What counts of it, by two measures.
    counts: [f64; 2],
}

/// A wave's colour over the largest of its planes, at most: √((2·(1 − Y_R))² + (2·(1 − Y_B))²), Y_R and Y_B being [`LUMA`]'s.
const COLOUR_OF_PLANES: f64 = 2.5;

/// Images that land on one place and roll alike, as far as they matter, those that may be strongest first.
pub(super) struct Strongest<'a, 'b> {
    landed: &'b Landed<'a>,
    all: Vec<Together>,
}

impl Strongest<'_, '_> {
    /// The waves with their contrasts of luma or colour, the strongest first; each component is weighed by a factor of its own, of at
    /// most `largest`. The first `listed` are there whatever they are, further ones where what counts of them by one of the measures
    /// may be above its bound in `above`.
    pub(super) fn waves(
        &self,
        weights: &[Complex64],
        largest: f64,
        (above, listed): ([f64; 2], usize),
    ) -> impl Iterator<Item = (f64, Seen)> {
        let mut sums: Vec<Sum<'_>> = Vec::new();
        let mut found: Vec<(f64, usize, usize)> = Vec::new();
        // The largest contrasts, that are listed.
        let mut top: Vec<f64> = Vec::with_capacity(listed + 1);
        for Together { range, most, counts } in &self.all {
            let last = top.get(listed.wrapping_sub(1)).copied();
            let last = last.unwrap_or(if listed > 0 { 0.0 } else { f64::INFINITY });
            let may_be_listed = most * largest >= last;
            if !may_be_listed && most * largest < above[0].min(above[1]) {
                break;
            }
            if !may_be_listed && (0..2).all(|i| counts[i] * largest < above[i]) {
                continue;
            }
            let Some(sum) = self.landed.added(&self.landed.order[range.clone()], weights) else {
                continue;
            };
            let wave = Wave { frequency: sum.largest.frequency, planes: sum.planes };
            let contrast = wave.luma().max(wave.chroma());
            found.push((contrast, range.start, sums.len()));
            sums.push(sum);
            top.insert(top.partition_point(|c| *c >= contrast), contrast);
            top.truncate(listed);
        }
        found.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        found.into_iter().map(move |(contrast, _, i)| (contrast, self.landed.seen(&sums[i])))
    }
}

/// What one image adds to a wave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Apart {
    /// Frequency in the camera's time, Hz.
    pub(super) hz: f64,
    /// Amplitude of each plane over the mean luma, in the wave's half plane.
    pub(super) planes: [Complex64; 3],
    /// The image lies in the other half plane: what turns its light forward turns the wave back.
    pub(super) turned_over: bool,
}

impl Apart {
    /// No less than its contrast of luma or colour.
    pub(super) fn contrast_at_most(&self) -> f64 {
        COLOUR_OF_PLANES * size(&self.planes)
    }
}

/// Images added up.
struct Sum<'b> {
    /// The largest of them.
    largest: &'b Image,
    /// Amplitude of each plane over the mean luma: of the one image as it stands, of several in a wave's half plane.
    planes: [Complex64; 3],
    /// Several.
    joined: bool,
}

impl<'a> Landed<'a> {
    /// Images of components, ordered by where they land.
    pub(super) fn new(
        sampler: &'a Sampler,
        components: &'a [Component],
        images: Vec<Image>,
    ) -> Self {
        /// Cycles per pixel within which waves are one.
        const NEAR: f64 = 1e-7;
        // By frequency, in the half plane of a wave, and by how they roll.
        let step = |f: f64| libm::floor(f / NEAR + 0.382) as i64 as u32 ^ 1 << 31;
        let mut order: Vec<(u64, u64, u32)> = (0..)
            .zip(&images)
            .map(|(i, image)| {
                let f = image.frequency;
                let over = f.y < 0.0 || (f.y == 0.0 && f.x < 0.0);
                let roll = sampler.roll_hz(&components[image.number as usize]);
                let (f, roll) = if over { (-f, -roll) } else { (f, roll) };
                let roll = libm::floor(roll / (1e-6 * sampler.fps) + 0.382) as i64 as u64 ^ 1 << 63;
                (u64::from(step(f.y)) << 32 | u64::from(step(f.x)), roll, i)
            })
            .collect();
        order.sort_unstable();
        Self { sampler, components, images, order }
    }

    /// The waves.
    pub(super) fn waves(&self) -> Vec<Seen> {
        let weights = vec![Complex64::ONE; self.components.len()];
        let together = self.order.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1));
        let sums = together.filter_map(|together| self.added(together, &weights));
        sums.map(|sum| self.seen(&sum)).collect()
    }

    /// The waves, each with the images that it is made of, the largest of them first told in full.
    pub(super) fn apart(&self) -> impl Iterator<Item = (Seen, Vec<Apart>)> {
        let together = self.order.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1));
        together.map(move |together| {
            let images = together.iter().map(|&(_, _, i)| &self.images[i as usize]);
            let parts: Vec<Apart> = images
                .clone()
                .map(|image| {
                    let f = image.frequency;
                    Apart {
                        hz: self.components[image.number as usize].hz,
                        planes: Wave::new(f, image.planes).planes,
                        turned_over: f.y < 0.0 || (f.y == 0.0 && f.x < 0.0),
                    }
                })
                .collect();
            let largest = images.max_by(|a, b| size(&a.planes).total_cmp(&size(&b.planes)));
            let largest = largest.unwrap_or(&self.images[together[0].2 as usize]);
            (self.seen(&Sum { largest, planes: largest.planes, joined: false }), parts)
        })
    }

    /// A sum in full.
    fn seen(&self, sum: &Sum<'_>) -> Seen {
        let component = &self.components[sum.largest.number as usize];
        let mut seen = self.sampler.seen(sum.largest, component, sum.planes);
        if sum.joined {
            seen.wave.planes = sum.planes;
        }
        seen
    }

    /// Those that may have a contrast of `above` or more where no component is weighed by more than 1; `counts_of` tells what share
    /// of a wave's contrast counts by two measures, of at most 1.
    pub(super) fn strongest(
        &self,
        above: f64,
        counts_of: impl Fn(&Seen) -> [f64; 2],
    ) -> Strongest<'a, '_> {
        let (mut all, mut start) = (Vec::new(), 0);
        for together in self.order.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            let range = start..start + together.len();
            start = range.end;
            let images = together.iter().map(|&(_, _, i)| &self.images[i as usize]);
            let most = COLOUR_OF_PLANES * images.clone().map(|i| size(&i.planes)).sum::<f64>();
            if most >= above {
                // The sum is told as the largest of its images, whichever that will be.
                let counts = images.fold([0.0_f64; 2], |counts, image| {
                    let component = &self.components[image.number as usize];
                    let of = counts_of(&self.sampler.seen(image, component, image.planes));
                    [counts[0].max(of[0]), counts[1].max(of[1])]
                });
                all.push(Together { range, most, counts: counts.map(|c| most * c) });
            }
        }
        all.sort_unstable_by(|a, b| {
            b.most.total_cmp(&a.most).then(a.range.start.cmp(&b.range.start))
        });
        Strongest { landed: self, all }
    }

    /// Images of one place and roll as a wave, each component weighed by a factor of its own; none where it is too weak.
    fn added(&self, together: &[(u64, u64, u32)], weights: &[Complex64]) -> Option<Sum<'_>> {
        let least = self.sampler.least;
        let weighed = |&(_, _, i): &(u64, u64, u32)| {
            let image = &self.images[i as usize];
            let weight = weights[image.number as usize];
            (image, image.planes.map(|p| p * weight))
        };
        let (mut largest, mut planes) = weighed(together.first()?);
        let mut most = size(&planes);
        if together.len() == 1 && most < least {
            return None;
        }
        if together.len() > 1 {
            // As waves of one half plane.
            let mut sum = Wave::new(largest.frequency, planes).planes;
            for image in &together[1..] {
                let (image, planes) = weighed(image);
                let more = Wave::new(image.frequency, planes).planes;
                sum = [0, 1, 2].map(|c: usize| sum[c] + more[c]);
                if size(&planes) > most {
                    (largest, most) = (image, size(&planes));
                }
            }
            if size(&sum) < least {
                return None;
            }
            planes = sum;
        }
        Some(Sum { largest, planes, joined: together.len() > 1 })
    }
}

/// Largest amplitude of the planes.
fn size(planes: &[Complex64; 3]) -> f64 {
    planes.iter().map(|p| p.norm_sqr()).fold(0.0, f64::max).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::predict::{Sights, Wall, pulses};
    use crate::scene::{self, NoPictures};

    /// The waves without any bound, strongest first.
    fn every(landed: &Landed<'_>, weights: &[Complex64]) -> Vec<(f64, Seen)> {
        let together = landed.order.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1));
        let sums = together.filter_map(|t| landed.added(t, weights));
        let contrast = |seen: Seen| (seen.wave.luma().max(seen.wave.chroma()), seen);
        let mut all: Vec<(f64, Seen)> = sums.map(|sum| contrast(landed.seen(&sum))).collect();
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        all
    }

    #[test]
    fn the_strongest_are_the_strongest_of_all() {
        let text = "wall: {pixel_pitch_mm: 3.9, cabinets: [4, 2], cabinet_px: [128, 128]}\n\
            drive: {kind: scanned, refresh_hz: 960, scan: 16}\n\
            lens: {focal_mm: 35, f_number: 4, focus: {distance_m: 4}}\n\
            camera: {frame_rate_fps: 25, shutter_speed: 1/400}\n\
            placement: {distance_m: 4.2, pan_deg: 20}\n";
        let scene = scene::parse(text, "strongest", &NoPictures).expect("a scene");
        let (wall, sights) = (Wall::new(&scene, 1e-4, 1.5), Sights::new(&scene));
        let place = &sights.grid(1, 1)[0];
        let lattice = wall.seen(&sights, place, true, 2);
        let timing = scene.drive.timing();
        let found = pulses(&scene, &timing, [0.2; 3], 2e-4, 24);
        let of = |pulse| wall.pulsing(&lattice, [1.0; 3], pulse, 1e-5);
        let components: Vec<Component> = found.iter().flat_map(of).collect();
        let sampler = Sampler::new(&scene, 1e-5);
        let landed = sampler.landed(&components, lattice.means([1.0; 3]));
        // Weights without pattern, the largest 0.6.
        let weights: Vec<Complex64> = (0..components.len())
            .map(|i| {
                let (re, im) = crate::math::special::turn((i * 7919 % 101) as f64 / 101.0);
                Complex64::new(re, im) * (0.6 * (i * 613 % 97) as f64 / 96.0)
            })
            .collect();
        let all = every(&landed, &weights);
        let half_counts = |seen: &Seen| [0.0, if seen.wave.frequency.y > 0.1 { 1.0 } else { 0.3 }];
        for (least, above, listed) in
            [(0.0, 0.0, 0), (1e-4, 1e-3, 0), (1e-4, 1e-2, 6), (2e-4, 3.0, 6), (0.0, 0.05, 1)]
        {
            for (even, counts_of) in [
                (true, &(|_: &Seen| [1.0, 0.0]) as &dyn Fn(&Seen) -> [f64; 2]),
                (false, &half_counts),
            ] {
                let strongest = landed.strongest(least, counts_of);
                let bounds = if even { [above, f64::INFINITY] } else { [f64::INFINITY, above] };
                let told: Vec<(f64, Seen)> =
                    strongest.waves(&weights, 0.6, (bounds, listed)).collect();
                assert!(told.is_sorted_by(|a, b| a.0 >= b.0));
                let listed_of_all = all.iter().take(listed).filter(|(c, _)| *c >= least);
                for (_, seen) in listed_of_all.clone() {
                    assert!(told.iter().take(listed).any(|(_, t)| t == seen), "{seen:?}");
                }
                let counts = |c: f64, seen: &Seen| {
                    let [a, b] = counts_of(seen);
                    c >= least && (c * a >= bounds[0] || c * b >= bounds[1])
                };
                for (c, seen) in all.iter().filter(|(c, seen)| counts(*c, seen)) {
                    assert!(told.iter().any(|(_, t)| t == seen), "{c} of {seen:?}");
                }
                // Much is left out where little counts.
                assert!(above < 1e-2 || told.len() < all.len() / 3, "{above}: {}", told.len());
            }
        }
        assert!(all.len() > 1000 && all[0].0 > 0.05 && all[20].0 > 1e-3, "{}", all.len());
    }
}
