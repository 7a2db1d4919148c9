//! What a fringe of a rendered frame is: the wall's pixels as they are, or their lattice folded.

use crate::artefact::Kind;
use crate::measure::Found;
use crate::predict::{Sampler, Sights, Wall};
use crate::scene::Scene;
use glam::DVec2;

/// Tells fringes apart by where the wall's lattice stands on the sensor.
pub(in crate::cli) struct Fringes<'a> {
    sights: Sights<'a>,
    wall: Wall<'a>,
    sampler: Sampler,
    /// Sensor photosites of a pixel of the picture, and the sensor place of the picture's corner.
    step: DVec2,
    corner: DVec2,
}

/// Contrast below which a harmonic is no candidate.
const LEAST: f64 = 1e-6;

impl<'a> Fringes<'a> {
    /// For a scene's picture of a size.
    pub(in crate::cli) fn new(scene: &'a Scene, size: (usize, usize)) -> Self {
        let camera = &scene.camera;
        let spacing = camera.spacing().map(f64::from);
        let spacing = DVec2::new(spacing[0], spacing[1]);
        let (crop, area) = (camera.crop, camera.mode().area);
        let recorded = DVec2::new(f64::from(crop.width), f64::from(crop.height));
        let start = DVec2::new(f64::from(crop.x), f64::from(crop.y));
        Self {
            sights: Sights::new(scene),
            wall: Wall::new(scene, LEAST, 4.0),
            sampler: Sampler::new(scene, LEAST),
            step: recorded / DVec2::new(size.0.max(1) as f64, size.1.max(1) as f64) * spacing,
            corner: DVec2::new(f64::from(area.x), f64::from(area.y)) + start * spacing,
        }
    }

    /// The kind of a fringe: pixel structure if the lattice stands there as the wall has it, moiré if it was folded.
    pub(in crate::cli) fn kind(&self, found: &Found) -> Kind {
        let at = self.corner + found.at * self.step;
        let Some(place) = self.sights.at(at) else { return Kind::Moire };
        let levels = [1.0; 3];
        let lattice = self.wall.seen(&self.sights, &place, false, i32::MAX);
        let fringes = self.wall.fringes(&lattice, levels);
        let seen = self.sampler.waves(&fringes, lattice.means(levels));
        let wrapped = |d: DVec2| (d - d.round()).length();
        let away =
            |f: DVec2| wrapped(f - found.wave.frequency).min(wrapped(f + found.wave.frequency));
        let bin = 1.5 / found.window_px.min_element();
        let near = seen.iter().filter(|s| away(s.wave.frequency) < bin);
        let strongest = near.max_by(|a, b| a.wave.largest().total_cmp(&b.wave.largest()));
        match strongest {
            Some(seen) if seen.resolved => Kind::PixelStructure,
            _ => Kind::Moire,
        }
    }
}
