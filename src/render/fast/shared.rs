//! What all faces of a frame share: the blur, the emitters as kernels need them, the light of a photosite.

use super::far::{self, Tails};
use super::kernel::{self, Kernels, TileShape};
use super::light::Lighting;
use super::plan::ALLOWED;
use super::source::{Outline, Source};
use crate::colour;
use crate::frame::Window;
use crate::math::fft::Inverse2d;
use crate::optics::blur::Blur;
use crate::optics::projection::Projection;
use crate::optics::transfer;
use crate::scene::{Scene, projection_of_face};
use crate::sensor::Mosaic;
use crate::wall::{EmitterShape, Face};
use fearless_simd::Level;
use glam::DVec2;
use std::collections::HashMap;
use std::f64::consts::PI;
use std::sync::{Arc, Mutex};

/// Sets of kernels that are kept for other tiles.
const KEPT: usize = 4;

/// Kernels of a local geometry and a lot.
pub(super) type Made = (TileShape, usize, Arc<Kernels>);

/// Kernels that stay from frame to frame.
#[derive(Default)]
pub(super) struct Stay {
    /// Bytes that may still be filled.
    pub budget: usize,
    made: HashMap<(Place, usize), Arc<Kernels>>,
}

/// A local geometry by the bits of its numbers.
type Place = Vec<u64>;

impl Stay {
    fn find(&self, shape: &TileShape, lot: usize) -> Option<Arc<Kernels>> {
        if self.made.is_empty() {
            return None;
        }
        self.made.get(&(shape.bits(), lot)).cloned()
    }

    /// Whether there was room.
    fn keep(&mut self, shape: &TileShape, lot: usize, kernels: &Arc<Kernels>) -> bool {
        let bytes = kernels.bytes();
        if bytes > self.budget {
            return false;
        }
        // Two threads may have made the same.
        if self.made.insert((shape.bits(), lot), kernels.clone()).is_none() {
            self.budget -= bytes;
        }
        true
    }
}

/// Everything that is the same for all faces of a frame.
pub(super) struct Shared<'a> {
    pub scene: &'a Scene,
    pub window: Window,
    pub blur: Blur,
    /// The blur of a wall askew is seen to grow across the pupil.
    pub skewed: bool,
    /// How the tails of diffraction are parted from the rest.
    pub tails: Tails,
    /// All emitters, then what a face's outline changes, then what a surface that shines evenly is made of.
    pub lots: Vec<Lot>,
    /// How many of the lots are about emitters.
    pub emitter_lots: usize,
    /// Electrons of a photosite class (row) from steady full light of an emitter colour (column), on axis.
    pub electrons: Vec<[f32; 3]>,
    /// Light that the wall's surface reflects, as a share of steady full light.
    pub reflected: f64,
    /// Exponent of the viewing-angle falloff per colour.
    pub falloff: [f64; 3],
    /// The vectors that taps are summed with: the widest at hand.
    pub level: Level,
    pub fft: Inverse2d,
    /// Kernels of the latest local geometries; a camera that faces the wall has one for all tiles.
    pub kept: Mutex<Vec<Made>>,
    /// Kernels that stay for the frames to come, as far as the budget goes.
    pub stay: Mutex<Stay>,
}

impl<'a> Shared<'a> {
    pub(super) fn new(scene: &'a Scene, window: Window) -> Self {
        let (camera, wall, lens) = (&scene.camera, &scene.wall, &scene.lens);
        let shortest = wall.emitters.iter().map(|e| e.wavelength_m).fold(f64::INFINITY, f64::min);
        let faces = wall.faces();
        let (mut widest, mut skewed) = (0.0_f64, false);
        for face in &faces {
            let own = widest_disc(scene, &view(scene, face), faces.len() > 1);
            widest = widest.max(own.0);
            skewed |= own.1;
        }
        // The blur is tabulated as far as the widest disc needs: that of a foreground may be wider than the wall's.
        if let Some(foreground) = &scene.foreground {
            let disc_m = foreground.blur_disc_m(lens, &scene.pose).abs();
            widest = widest.max(disc_m / camera.photosite_m);
        }
        let blur = Blur::new(
            lens,
            (scene.low_pass.as_ref(), scene.front_low_pass.as_ref()),
            camera.photosite_m,
            camera.fill_factor,
            widest,
            shortest,
        );
        let mut lots = Lot::all(wall, blur.is_chromatic());
        let emitter_lots = lots.len();
        lots.push(Lot::even(wall, blur.is_chromatic()));
        let falloff = [0, 1, 2].map(|c| {
            wall.emitters[c]
                .half_angle_rad
                .map_or(0.0, |a| libm::log(0.5) / libm::log(libm::cos(a)))
        });
        let longest = wall.emitters.iter().map(|e| e.wavelength_m).fold(0.0, f64::max);
        let tails = Tails::new(&blur, longest);
        Self {
            scene,
            window,
            blur,
            skewed,
            tails,
            lots,
            emitter_lots,
            electrons: electrons_of_white(scene),
            reflected: scene.reflected_share(),
            falloff,
            fft: Inverse2d::default(),
            level: Level::new(),
            kept: Mutex::new(Vec::new()),
            stay: Mutex::new(Stay::default()),
        }
    }

    /// What the lens sees of the plane of a face.
    pub(super) fn projection(&self, face: &Face) -> Projection {
        view(self.scene, face)
    }

    /// Most sets of kernels that are kept.
    pub(super) fn kept_most(&self) -> usize {
        KEPT + self.lots.len() - 1
    }

    /// The light of a frame over the window's rows, of faces whose drive runs on time.
    pub(super) fn lighting(&self, frame: u32) -> Lighting {
        let window = self.window;
        // The far light's rows lie around the window's.
        let last = window.y + window.height - 1;
        let end = far::node(last, self.tails.stride, self.scene.camera.rows)[1];
        let rows = window.y / self.tails.stride * self.tails.stride..end + 1;
        Lighting::new(self.scene, frame, rows, 0.0)
    }

    /// Kernels of the set `lot`, of [`Shared::lots`], over a tile.
    pub(super) fn kernels(&self, shape: &TileShape, lot: usize) -> Arc<Kernels> {
        if let Some(kernels) = self.stay.lock().unwrap_or_else(|e| e.into_inner()).find(shape, lot)
        {
            return kernels;
        }
        if let Some((_, _, kernels)) = self
            .kept
            .lock()
            .unwrap_or_else(|e| e.into_inner())
            .iter()
            .find(|(s, l, _)| s == shape && *l == lot)
        {
            return kernels.clone();
        }
        let sources = &self.lots[lot].sources;
        let at_outline = (1..self.emitter_lots).contains(&lot);
        let tails = if at_outline { self.tails.folded() } else { self.tails };
        let kernels = kernel::kernels(&self.blur, shape, sources, &tails, &self.fft);
        let kernels = Arc::new(kernels);
        if self.stay.lock().unwrap_or_else(|e| e.into_inner()).keep(shape, lot, &kernels) {
            return kernels;
        }
        let mut kept = self.kept.lock().unwrap_or_else(|e| e.into_inner());
        if kept.len() == self.kept_most() {
            kept.remove(0);
        }
        kept.push((*shape, lot, kernels.clone()));
        kernels
    }
}

/// Emitters of some of the wall's pixels.
pub(super) struct Lot {
    /// Emitters that need kernels of their own, and which of them each colour uses.
    pub sources: Vec<Source>,
    pub source_of: [usize; 3],
    /// Offset of each colour's lattice, pixels right and down.
    pub offsets: [DVec2; 3],
    /// Columns and rows of a face's pixels.
    pub parts: [Part; 2],
}

impl Lot {
    fn new(each: [Source; 3], offsets: [DVec2; 3], parts: [Part; 2]) -> Self {
        let mut sources: Vec<Source> = Vec::new();
        let source_of = each.map(|source| {
            sources.iter().position(|s| *s == source).unwrap_or_else(|| {
                sources.push(source);
                sources.len() - 1
            })
        });
        Self { sources, source_of, offsets, parts }
    }

    /// All emitters of a face; and, where light is a tent around every pixel, what its outline changes of the
    /// outermost pixels, side by side and corner by corner.
    fn all(wall: &crate::wall::Wall, is_chromatic: bool) -> Vec<Self> {
        let offsets = [0, 1, 2].map(|c| {
            let o = wall.emitters[c].offset_m / wall.pitch_m;
            DVec2::new(o.x, -o.y)
        });
        let each = |across: fn(f64) -> Outline, down: fn(f64) -> Outline| {
            [0, 1, 2].map(|c| {
                let emitter = &wall.emitters[c];
                let o = emitter.offset_m / wall.pitch_m;
                Source {
                    shape: emitter.shape,
                    pitch_m: wall.pitch_m,
                    wavelength_m: if is_chromatic { emitter.wavelength_m } else { 0.0 },
                    spread: wall.diffuser.map_or(0.0, |d| d.sigma_m()) / wall.pitch_m,
                    outline: [across(o.x), down(-o.y)],
                }
            })
        };
        let whole: fn(f64) -> Outline = |_| Outline::Whole;
        let mut lots = vec![Self::new(each(whole, whole), offsets, [Part::All; 2])];
        if wall.emitters.iter().any(|e| e.shape != EmitterShape::Tent) {
            return lots;
        }
        let first: fn(f64) -> Outline = |o| Outline::First((0.5 + o).clamp(0.0, 1.0));
        let last: fn(f64) -> Outline = |o| Outline::Last((0.5 - o).clamp(0.0, 1.0));
        let parts = [(whole, Part::All), (first, Part::First), (last, Part::Last)];
        for (i, (x, columns)) in parts.into_iter().enumerate() {
            for (j, (y, rows)) in parts.into_iter().enumerate() {
                if i + j > 0 {
                    lots.push(Self::new(each(x, y), offsets, [columns, rows]));
                }
            }
        }
        lots
    }

    /// A surface that shines evenly: pixels without gaps.
    fn even(wall: &crate::wall::Wall, is_chromatic: bool) -> Self {
        let each = [0, 1, 2].map(|c| Source {
            shape: EmitterShape::Rectangle { width_m: wall.pitch_m, height_m: wall.pitch_m },
            pitch_m: wall.pitch_m,
            wavelength_m: if is_chromatic { wall.emitters[c].wavelength_m } else { 0.0 },
            spread: wall.diffuser.map_or(0.0, |d| d.sigma_m()) / wall.pitch_m,
            outline: [Outline::Whole; 2],
        });
        Self::new(each, [DVec2::ZERO; 3], [Part::All; 2])
    }
}

/// Columns or rows of a face that a lot is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    All,
    First,
    Last,
}

fn view(scene: &Scene, face: &Face) -> Projection {
    projection_of_face(&scene.lens, &scene.pose, &scene.camera, face, scene.wall.pitch_m)
}

/// The widest blur disc over the frame, photosites (of a face that is a part of the wall, over the face), and whether the growth of the blur across the pupil
/// ([`Projection::skew`]) moves its edge by more than 0.3 of what a constant kernel may hide.
fn widest_disc(scene: &Scene, projection: &Projection, is_part: bool) -> (f64, bool) {
    let (w, h) = (f64::from(scene.camera.columns), f64::from(scene.camera.rows));
    let lens = &scene.lens;
    let (mut widest, mut skewed) = (0.0_f64, false);
    for j in 0..=8 {
        for i in 0..=8 {
            let share = DVec2::new(f64::from(i), f64::from(j)) / 8.0;
            let point =
                if is_part { projection.seen_at(share) } else { Some(share * DVec2::new(w, h)) };
            let Some(point) = point else { continue };
            if let Some(sight) = projection.sight(point) {
                let disc = transfer::blur_disc_m(lens, sight.depth_m).abs();
                let disc = disc / scene.camera.photosite_m;
                widest = widest.max(disc);
                let skew = projection.skew(point, lens.focal_m / lens.f_number, lens.focus_m);
                let moved = skew.length() * disc / 2.0;
                skewed |= moved > 0.3 * ALLOWED * (disc + 1.0).sqrt();
            }
        }
    }
    (widest, skewed)
}

/// Electrons that a photosite of each class collects from steady full light of each emitter colour
/// that fills its view, on axis.
fn electrons_of_white(scene: &Scene) -> Vec<[f32; 3]> {
    let wall = &scene.wall;
    let shares = colour::luminance_shares(wall.emitters.map(|e| e.xy), wall.white_xy)
        .unwrap_or([1.0 / 3.0; 3]);
    let passed = wall.diffuser.map_or(1.0, |d| d.transmission);
    let white_nits = wall.white_nits * wall.brightness * passed;
    let rows = electrons_per_nit(scene).into_iter();
    rows.map(|row| [0, 1, 2].map(|e| (row[e] * white_nits * shares[e]) as f32)).collect()
}

/// Electrons that a photosite of each class collects from 1 cd/m² of each emitter colour that fills its view, on axis:
/// π/(4N_w²)·transmission·time·photons per lx·s·area·matrix.
pub(super) fn electrons_per_nit(scene: &Scene) -> Vec<[f64; 3]> {
    let (camera, lens) = (&scene.camera, &scene.lens);
    let n = lens.working_f_number();
    let lux_seconds = PI / (4.0 * n * n) * lens.transmission * camera.exposure_s;
    let area = camera.photosite_m * camera.photosite_m * camera.fill_factor;
    let full = |row: [f64; 3]| {
        [0, 1, 2].map(|e| {
            let emitter = &scene.wall.emitters[e];
            let photons =
                colour::led_photons_per_lux_second_m2(emitter.wavelength_m, emitter.linewidth_m);
            lux_seconds * photons * area * row[e]
        })
    };
    match camera.mosaic {
        Mosaic::Monochrome => {
            let mean = |e: usize| camera.matrix.iter().map(|row| row[e]).sum::<f64>() / 3.0;
            vec![full([mean(0), mean(1), mean(2)])]
        }
        _ => camera.matrix.iter().map(|&row| full(row)).collect(),
    }
}
