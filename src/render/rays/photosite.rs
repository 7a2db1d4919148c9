//! One photosite, ray by ray: which emitters its light comes from, and when they are lit.

use super::{Engine, Lights, RaySettings, RaysError, events};
use crate::optics::Diffraction;
use crate::scene::Scene;
use crate::wall::WallImage;
use std::collections::BTreeMap;

/// An emitter that a photosite sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Column and row of its wall pixel.
    pub pixel: [u32; 2],
    /// 0 red, 1 green, 2 blue.
    pub colour: usize,
    /// Electrons that it gives the photosite in the exposure.
    pub electrons: f64,
    /// Level that its pixel is to show, 0 to 1; where pictures change during the exposure, the mean over it.
    pub level: f64,
    /// The slot in which it lights, from 0.
    pub slot: u32,
    /// Pulses of it that give light in the exposure; 0 for steady light.
    pub pulses: usize,
    /// From the exposure's start to its first light and to its last, seconds; `None` where it gives none.
    pub lit_between_s: Option<[f64; 2]>,
    /// Seconds of full light in the exposure.
    pub lit_s: f64,
}

/// A photosite's light, emitter by emitter.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced {
    /// The emitters that give it light, the strongest first.
    pub emitters: Vec<Seen>,
    /// Electrons from room light on the wall's face.
    pub reflected_e: f64,
    /// Electrons from the foreground.
    pub in_front_e: f64,
    /// Share of the photosite's view that the foreground covers: its mean opacity.
    pub covered: f64,
    /// All electrons: the sum of those.
    pub electrons: f64,
    /// Rays that were traced.
    pub rays: u32,
}

/// Light by (flat part, colour, row, column), collected while rays are traced.
#[derive(Debug, Default)]
pub(super) struct Tally {
    /// Pixels that the ray under way met, and the light of each.
    pub(super) met: Vec<(usize, usize, f64)>,
    by_emitter: BTreeMap<(usize, usize, usize, usize), f64>,
    reflected: [f64; 3],
    in_front: [f64; 3],
    /// Opacity met, and by how many rays of a colour.
    covered: f64,
    asked: f64,
}

impl Tally {
    /// Shares the light of a ray among the pixels that it met.
    pub(super) fn share(&mut self, part: usize, colour: usize, light: f64) {
        let sum: f64 = self.met.iter().map(|(.., light)| light).sum();
        for (column, row, own) in self.met.drain(..) {
            if sum > 0.0 {
                *self.by_emitter.entry((part, colour, row, column)).or_default() +=
                    light * own / sum;
            }
        }
    }

    pub(super) fn in_front(&mut self, colour: usize, light: f64, opacity: f64) {
        self.in_front[colour] += light;
        self.covered += opacity;
        self.asked += 1.0;
    }

    pub(super) fn reflect(&mut self, colour: usize, light: f64) {
        self.reflected[colour] += light;
    }
}

/// Traces the rays of one photosite (full-sensor column and row) and says where they end.
///
/// The sum is what [`super::render`] gives for this photosite and these settings. With three full planes it is the mean of
/// them.
///
/// # Errors
/// [`RaysError::Wave`] for wave diffraction.
pub fn trace(
    scene: &Scene,
    frame: u32,
    (x, y): (u32, u32),
    settings: &RaySettings,
) -> Result<Traced, RaysError> {
    if scene.lens.diffraction == Diffraction::Wave {
        return Err(RaysError::Wave);
    }
    let engine = Engine::new(scene, frame, settings);
    let mut lights = Lights::new(&engine);
    let (from_s, to_s) = engine.exposure_s(y);
    lights.expose(from_s, to_s);
    lights.tally = Some(Tally::default());
    let nits = engine.photosite(&mut lights, x, y);
    let tally = lights.tally.take().unwrap_or_default();
    let matrix = match scene.camera.mosaic.colour_at(x, y) {
        Some(k) => engine.electrons_per_nit[usize::from(k).min(2)],
        None => engine.mean_of_rows(),
    };
    let mut met = [0, 1, 2].map(|c| tally.reflected[c] + tally.in_front[c]);
    for ((_, colour, ..), light) in &tally.by_emitter {
        met[*colour] += light;
    }
    // What was met, in the tally's unit, is nits · matrix electrons.
    let electrons_of = |colour: usize, light: f64| match met[colour] > 0.0 {
        true => matrix[colour] * nits[colour] * light / met[colour],
        false => 0.0,
    };
    let mut emitters: Vec<Seen> = tally
        .by_emitter
        .iter()
        .map(|(&(part, colour, row, column), &light)| {
            let electrons = electrons_of(colour, light);
            engine.seen_emitter(part, colour, (column, row), electrons, (from_s, to_s))
        })
        .collect();
    emitters.sort_by(|a, b| b.electrons.total_cmp(&a.electrons));
    let reflected_e = (0..3).map(|c| electrons_of(c, tally.reflected[c])).sum();
    let in_front_e = (0..3).map(|c| electrons_of(c, tally.in_front[c])).sum();
    let electrons = reflected_e + in_front_e + emitters.iter().map(|e| e.electrons).sum::<f64>();
    let covered = if tally.asked > 0.0 { tally.covered / tally.asked } else { 0.0 };
    let rays = settings.samples.max(1);
    Ok(Traced { emitters, reflected_e, in_front_e, covered, electrons, rays })
}

impl Engine<'_> {
    /// Start and end of a row's exposure, wall time.
    pub(super) fn exposure_s(&self, y: u32) -> (f64, f64) {
        let (camera, clock) = (&self.scene.camera, &self.scene.drive.clock);
        let start = camera.row_start_s(self.frame, y);
        let wall_time = |camera_s: f64| camera_s * (1.0 + clock.drift) + clock.phase_s;
        (wall_time(start), wall_time(start + camera.exposure_s))
    }

    fn seen_emitter(
        &self,
        part: usize,
        colour: usize,
        (column, row): (usize, usize),
        electrons: f64,
        (from_s, to_s): (f64, f64),
    ) -> Seen {
        let (scene, part) = (self.scene, &self.parts[part]);
        let pixel = part.face.pixel(column as u32, row as u32);
        let place = pixel[1] as usize * scene.wall.columns as usize + pixel[0] as usize;
        let level_in = |image: &WallImage| {
            let code = image.codes[colour].get(place).copied().unwrap_or(0);
            self.levels.get(usize::from(code)).copied().unwrap_or(0.0)
        };
        let slot = part.slot_of_row.get(row).copied().unwrap_or(0) as u32;
        let (from_s, to_s) = (from_s - part.face.clock_s, to_s - part.face.clock_s);
        let drive = &scene.drive;
        let (mut level, mut lit_s, mut pulses) = (0.0, 0.0, Vec::new());
        if self.shown.is_empty() {
            level = level_in(&scene.content);
            lit_s = events::lit_s(drive, level, colour, slot, from_s, to_s);
            pulses = events::pulses(drive, level, colour, slot, from_s, to_s);
        }
        for (image, while_s) in &self.shown {
            let (own, emitter, exposure_s) = (level_in(image), (colour, slot), (from_s, to_s));
            let shown_s = (to_s.min(while_s.1) - from_s.max(while_s.0)).max(0.0);
            level += own * shown_s / (to_s - from_s);
            lit_s += events::lit_while_s(drive, own, emitter, exposure_s, *while_s);
            pulses.extend(events::pulses_while(drive, own, emitter, exposure_s, *while_s));
        }
        pulses.retain(|p| p.area_s(from_s, to_s) > 0.0);
        let first = pulses.iter().map(|p| p.start_s).fold(f64::INFINITY, f64::min);
        let last = pulses.iter().map(|p| p.start_s + p.end_s).fold(f64::NEG_INFINITY, f64::max);
        let lit_between_s = match (pulses.is_empty(), lit_s > 0.0) {
            (false, _) => Some([first.max(from_s) - from_s, last.min(to_s) - from_s]),
            (true, true) => Some([0.0, to_s - from_s]),
            (true, false) => None,
        };
        Seen { pixel, colour, electrons, level, slot, pulses: pulses.len(), lit_between_s, lit_s }
    }
}
