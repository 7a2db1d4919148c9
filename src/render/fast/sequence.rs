//! Frames of a camera that stands still: what does not change from one to the next is worked out once.

use super::edges::Edges;
use super::foreground::Veil;
use super::light::Lighting;
use super::plan::{Plan, TILE, Tile};
use super::shared::Shared;
use crate::frame::{Electrons, Plane, Window};
use crate::render::{Cancelled, Run};
use crate::scene::Scene;
use rayon::prelude::*;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock};

/// Bytes of kernels that stay for the frames to come.
const KERNELS: usize = 256 << 20;

/// Bytes that frames may take that are kept for others that have the same light: 6 of UHD, so that a camera at 25 frames a
/// second meets the pattern of most drives again.
const FRAME_BYTES: usize = 320 << 20;

/// The light of every face, in order; `None` for surfaces that shine evenly.
type Light = Vec<Option<Arc<Lighting>>>;

/// Frames of one scene and window. Each has the bits that it has alone, whatever was rendered before.
pub struct Sequence<'a> {
    shared: Arc<Shared<'a>>,
    plans: Vec<Plan<'a>>,
    /// The tiles to be rendered for each place of the sensor, each with the number of its plan.
    places: Vec<Vec<(usize, Tile)>>,
    keeps: bool,
    /// What stands before the wall, worked out when first needed.
    veil: OnceLock<(Veil, Edges)>,
    /// Frames with the light that they have, the latest last.
    frames: Mutex<VecDeque<(Light, Electrons)>>,
}

impl<'a> Sequence<'a> {
    /// For one frame, or for frames that have nothing to do with each other.
    ///
    /// `window` is in full-sensor photosites and must lie on the sensor.
    pub fn new(scene: &'a Scene, window: Window) -> Self {
        Self::of(Arc::new(Shared::new(scene, window)))
    }

    /// For several frames: keeps kernels, and frames whose light may come again, in up to 0.6 GiB.
    pub fn keeping(scene: &'a Scene, window: Window) -> Self {
        let sequence = Self::new(scene, window);
        sequence.shared.stay.lock().unwrap_or_else(|e| e.into_inner()).budget = KERNELS;
        Self { keeps: true, ..sequence }
    }

    pub(super) fn of(shared: Arc<Shared<'a>>) -> Self {
        let plans = Plan::all(&shared);
        let mut tiles: Vec<(usize, Tile)> = Vec::new();
        for (number, plan) in plans.iter().enumerate() {
            tiles.extend(plan.tiles().into_iter().map(|tile| (number, tile)));
        }
        let place = |tile: &Tile| (tile.area.y / TILE, tile.area.x / TILE);
        // Stable: the faces of a place stay in order.
        tiles.sort_by_key(|(_, tile)| place(tile));
        let mut places: Vec<Vec<(usize, Tile)>> = Vec::new();
        for (number, tile) in tiles {
            match places.last_mut() {
                Some(last) if last.last().is_some_and(|(_, t)| place(t) == place(&tile)) => {
                    last.push((number, tile));
                }
                _ => places.push(vec![(number, tile)]),
            }
        }
        Self {
            shared,
            plans,
            places,
            keeps: false,
            veil: OnceLock::new(),
            frames: Mutex::new(VecDeque::new()),
        }
    }

    /// Noise-free photoelectrons of every photosite of a frame.
    ///
    /// # Errors
    /// [`Cancelled`] when `run` was cancelled.
    pub fn frame(&self, frame: u32, run: &Run) -> Result<Electrons, Cancelled> {
        let light = self.light(frame);
        if let Some(same) = self.seen_before(&light) {
            if let Some(progress) = &run.progress {
                progress(1.0);
            }
            return Ok(same);
        }
        let electrons = self.render(&light, run)?;
        if self.keeps {
            let mut frames = self.frames.lock().unwrap_or_else(|e| e.into_inner());
            let own = self.bytes(&light, &electrons);
            let held = |frames: &VecDeque<(Light, Electrons)>| -> usize {
                frames.iter().map(|(light, electrons)| self.bytes(light, electrons)).sum()
            };
            while !frames.is_empty() && held(&frames) + own > FRAME_BYTES {
                frames.pop_front();
            }
            frames.push_back((light, electrons.clone()));
        }
        Ok(electrons)
    }

    /// Bytes that a kept frame takes.
    fn bytes(&self, light: &Light, electrons: &Electrons) -> usize {
        // Faces in step share one light.
        let on_time = light.iter().zip(&self.plans).filter(|(_, plan)| plan.face.clock_s == 0.0);
        let late = light.iter().zip(&self.plans).filter(|(_, plan)| plan.face.clock_s != 0.0);
        let lights = on_time.filter(|(light, _)| light.is_some()).take(1).chain(late);
        let clocks: usize = lights.filter_map(|(light, _)| Some(light.as_ref()?.bytes())).sum();
        clocks + 4 * electrons.planes.iter().map(|plane| plane.data.len()).sum::<usize>()
    }

    /// The light of a frame.
    fn light(&self, frame: u32) -> Light {
        let on_time = Arc::new(self.shared.lighting(frame));
        let own = |number: usize, plan: &Plan<'_>| {
            if plan.is_even() {
                return None;
            }
            if plan.face.clock_s == 0.0 {
                return Some(on_time.clone());
            }
            let tiles = self.places.iter().flatten().filter(|(n, _)| *n == number);
            let tiles: Vec<&Tile> = tiles.map(|(_, tile)| tile).collect();
            (!tiles.is_empty()).then(|| Arc::new(plan.own_light(frame, &tiles)))
        };
        self.plans.par_iter().enumerate().map(|(number, plan)| own(number, plan)).collect()
    }

    /// A kept frame that has the same light.
    fn seen_before(&self, light: &Light) -> Option<Electrons> {
        let same = |a: &Light| {
            a.iter().zip(light).all(|pair| match pair {
                (Some(a), Some(b)) => a.is_same(b),
                (a, b) => a.is_none() && b.is_none(),
            })
        };
        let frames = self.frames.lock().unwrap_or_else(|e| e.into_inner());
        frames.iter().find(|(kept, _)| same(kept)).map(|(_, electrons)| electrons.clone())
    }

    /// The tiles' photoelectrons, added up.
    fn render(&self, light: &Light, run: &Run) -> Result<Electrons, Cancelled> {
        let window = self.shared.window;
        let (width, height) = (window.width as usize, window.height as usize);
        let planes = self.shared.scene.camera.mosaic.planes();
        let out = Mutex::new(vec![Plane::filled(width, height, 0.0); planes]);
        let count: usize = self.places.iter().map(Vec::len).sum();
        let done = AtomicUsize::new(0);
        self.places.par_iter().for_each(|tiles| {
            let render = |(number, tile): &(usize, Tile)| {
                if run.is_cancelled() {
                    return None;
                }
                let part = self.plans[*number].render_tile(tile, light[*number].as_deref());
                let share = (done.fetch_add(1, Ordering::Relaxed) + 1) as f64 / count as f64;
                if let Some(progress) = &run.progress {
                    progress(share);
                }
                part
            };
            let parts: Vec<_> = tiles.par_iter().map(render).collect();
            // Places do not overlap, and the faces of a place are added in order.
            let mut out = out.lock().unwrap_or_else(|e| e.into_inner());
            for (part, values) in parts.into_iter().flatten() {
                for (plane, values) in out.iter_mut().zip(&values) {
                    for (y, row) in values.chunks_exact(part.width as usize).enumerate() {
                        let row_start = ((part.y - window.y) as usize + y) * width;
                        let start = row_start + (part.x - window.x) as usize;
                        let sums = &mut plane.data[start..start + row.len()];
                        sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
                    }
                }
            }
        });
        if run.is_cancelled() {
            return Err(Cancelled);
        }
        let planes = out.into_inner().unwrap_or_else(|e| e.into_inner());
        let mut electrons = Electrons { window, planes };
        if let Some(foreground) = &self.shared.scene.foreground {
            let (veil, edges) = match self.veil.get() {
                Some(made) => made,
                None => {
                    let veil = Veil::new(&self.shared, foreground, run)?;
                    let edges = Edges::new(&self.shared, foreground);
                    self.veil.get_or_init(|| (veil, edges))
                }
            };
            veil.cover(&mut electrons);
            edges.add(&mut electrons, veil, (&self.plans, light), run)?;
        }
        Ok(electrons)
    }

    /// Photoelectrons as bits, tile by tile.
    #[cfg(test)]
    pub(super) fn tile_bits(&self, frame: u32) -> Vec<u32> {
        let light = self.light(frame);
        let parts = self.places.iter().flatten().filter_map(|(number, tile)| {
            self.plans[*number].render_tile(tile, light[*number].as_deref())
        });
        parts.flat_map(|(_, planes)| planes.into_iter().flatten()).map(f32::to_bits).collect()
    }

    /// The shapes of all tiles.
    #[cfg(test)]
    pub(super) fn shapes(&self) -> impl Iterator<Item = super::kernel::TileShape> {
        self.places.iter().flatten().filter_map(|(_, tile)| tile.shape)
    }
}
