//! A scene's twins: what the same camera would record of a wall without one or both of its faults.

use super::Scene;
use crate::wall::EmitterShape;

impl Scene {
    /// The steady-wall frame's scene: the same emitters, held at their long-run mean light.
    ///
    /// Against it, scan bands and flicker show.
    pub fn steady_wall(&self) -> Self {
        Self { drive: self.drive.held_steady(), ..self.clone() }
    }

    /// The ideal frame's scene: steady light, and each colour's light spread between its emitters
    /// by bilinear interpolation, on its own lattice, so that neither lattice nor drive shows. A diffuser stays, as the
    /// lens does: it blurs that light too, and what content it softens counts as no artefact.
    pub fn ideal(&self) -> Self {
        let mut ideal = self.steady_wall();
        for emitter in &mut ideal.wall.emitters {
            emitter.shape = EmitterShape::Tent;
        }
        ideal
    }
}
