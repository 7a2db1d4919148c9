//! Frames of a camera that stands still: what does not change from one to the next is worked out once.

use super::edges::Edges;
use super::foreground::Veil;
use super::light::{Lighting, MadeFrom, phase_s};
use super::plan::{Plan, TILE, Tile};
use super::shared::Shared;
use crate::frame::{Electrons, Plane, Window};
use crate::render::{Cancelled, Run};
use crate::scene::Scene;
use rayon::prelude::*;
use std::collections::{BTreeMap, VecDeque};
use std::ops::RangeInclusive;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock};

/// Bytes of kernels that stay for the frames to come.
const KERNELS: usize = 256 << 20;

/// Bytes that frames may take that are kept, for others that have the same light or until they are asked for: 6 of UHD, so
/// that a camera at 25 frames a second meets the pattern of most drives again.
const FRAME_BYTES: usize = 320 << 20;

/// Most frames that are rendered at once, and most bytes that they may take.
const AT_ONCE: usize = 4;
const AT_ONCE_BYTES: usize = 640 << 20;

/// The light of every face, in order; `None` for surfaces that shine evenly.
type Light = Vec<Option<Arc<Lighting>>>;

/// What a [`Light`] is made from.
type LightMadeFrom = Vec<Option<Arc<MadeFrom>>>;

/// A frame that may be asked for, or whose light may come again.
struct Kept {
    number: u32,
    made_from: LightMadeFrom,
    electrons: Electrons,
}

/// Frames of one scene and window. Each has the bits that it has alone, whatever was rendered before or with it.
pub struct Sequence<'a> {
    shared: Arc<Shared<'a>>,
    plans: Vec<Plan<'a>>,
    /// The tiles to be rendered for each place of the sensor, each with the number of its plan.
    places: Vec<Vec<(usize, Tile)>>,
    /// The frames that will be asked for, where frames are kept.
    keeps: Option<RangeInclusive<u32>>,
    /// For each of them, the last that starts at the same time within the drive's pattern; `None` where light does not depend
    /// on that time alone.
    last_like: Option<Vec<u32>>,
    /// What stands before the wall, worked out when first needed.
    veil: OnceLock<(Veil, Edges)>,
    /// The latest last.
    kept: Mutex<VecDeque<Kept>>,
}

impl<'a> Sequence<'a> {
    /// For one frame, or for frames that have nothing to do with each other.
    ///
    /// `window` is in full-sensor photosites and must lie on the sensor.
    pub fn new(scene: &'a Scene, window: Window) -> Self {
        Self::of(Arc::new(Shared::new(scene, window)))
    }

    /// For several frames, best asked for in order: keeps kernels, and frames whose light may come again, in up to 0.6 GiB.
    /// Where light does not come again, the first frame that is asked for brings the next ones along: weights are found
    /// once for all of them.
    pub fn keeping(scene: &'a Scene, window: Window, frames: RangeInclusive<u32>) -> Self {
        let sequence = Self::new(scene, window);
        sequence.shared.stay.lock().unwrap_or_else(|e| e.into_inner()).budget = KERNELS;
        let last_like = scene.moving.is_none().then(|| last_like(scene, &frames));
        Self { keeps: Some(frames), last_like, ..sequence }
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
            keeps: None,
            last_like: None,
            veil: OnceLock::new(),
            kept: Mutex::new(VecDeque::new()),
        }
    }

    /// Whether a frame is there already.
    pub fn has(&self, frame: u32) -> bool {
        self.lock().iter().any(|kept| kept.number == frame)
    }

    /// Noise-free photoelectrons of every photosite of a frame.
    ///
    /// # Errors
    /// [`Cancelled`] when `run` was cancelled.
    pub fn frame(&self, frame: u32, run: &Run) -> Result<Electrons, Cancelled> {
        let there = |electrons| {
            if let Some(progress) = &run.progress {
                progress(1.0);
            }
            Ok(electrons)
        };
        if let Some(electrons) = self.find(|kept| kept.number == frame) {
            return there(electrons);
        }
        let light = self.light(frame);
        let made_from = made_from(&light);
        if let Some(electrons) = self.find(|kept| kept.made_from == made_from) {
            return there(electrons);
        }
        let Some(frames) = &self.keeps else {
            return Ok(self.render(&[light], run)?.remove(0));
        };
        let own = self.bytes(&made_from);
        let most = (AT_ONCE_BYTES / own.max(1)).clamp(1, AT_ONCE);
        let mut made_froms = vec![made_from];
        let mut lights = vec![light];
        for next in (frame + 1..=*frames.end()).take(most - 1) {
            // A picture that is gone is told of when the turn of its frame comes.
            if self.shared.scene.pictures_of_frame(next).is_err() {
                break;
            }
            let light = self.light(next);
            let made_from = self::made_from(&light);
            let comes_again = made_froms.contains(&made_from)
                || self.lock().iter().any(|kept| kept.made_from == made_from);
            if comes_again {
                break;
            }
            made_froms.push(made_from);
            lights.push(light);
        }
        // As many as are gathered at once.
        lights.truncate(1 << lights.len().ilog2());
        // Those that are yet to be asked for stay in any case.
        let room = FRAME_BYTES.max(lights.len() * own);
        let mut kept = self.lock();
        // The latest stays: light that starts at another time may be the same nevertheless.
        let latest = kept.back().map(|kept| kept.number);
        kept.retain(|kept| latest == Some(kept.number) || self.may_serve(kept.number, frame));
        while !kept.is_empty() && (kept.len() + lights.len()) * own > room {
            kept.pop_front();
        }
        drop(kept);
        let rendered = self.render(&lights, run)?;
        let first = rendered[0].clone();
        let found = (frame..).zip(made_froms).zip(rendered);
        self.lock().extend(found.map(|((number, made_from), electrons)| Kept {
            number,
            made_from,
            electrons,
        }));
        Ok(first)
    }

    /// Whether frame `number` may serve when frame `asked` is rendered, or later: it is yet to be asked for, or another one
    /// starts at the same time within the drive's pattern, when a still wall's light is the same.
    fn may_serve(&self, number: u32, asked: u32) -> bool {
        let (Some(frames), Some(last_like)) = (&self.keeps, &self.last_like) else { return true };
        let place = number.checked_sub(*frames.start()).map(|place| place as usize);
        place.and_then(|place| last_like.get(place)).is_some_and(|&last| last > asked)
    }

    /// A frame, and beside it the same wall held steady, `steady` being the scene of that ([`Scene::steady_wall`]): weights are found once
    /// for both. Each has the bits that it has alone. Neither is kept. The wall must show one picture.
    ///
    /// # Errors
    /// [`Cancelled`] when `run` was cancelled.
    pub fn beside_steady(
        &self,
        frame: u32,
        steady: &Scene,
        run: &Run,
    ) -> Result<[Electrons; 2], Cancelled> {
        // Steady light is the same for all rows and faces.
        let even = Arc::new(Lighting::new(steady, 0, 0..1, 0.0));
        let held = self.plans.iter().map(|plan| (!plan.is_even()).then(|| even.clone())).collect();
        let mut frames = self.render(&[self.light(frame), held], run)?.into_iter();
        match (frames.next(), frames.next()) {
            (Some(own), Some(held)) => Ok([own, held]),
            _ => Err(Cancelled),
        }
    }

    /// The first kept frame of some kind.
    fn find(&self, is_it: impl Fn(&Kept) -> bool) -> Option<Electrons> {
        self.lock().iter().find(|kept| is_it(kept)).map(|kept| kept.electrons.clone())
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Kept>> {
        self.kept.lock().unwrap_or_else(|e| e.into_inner())
    }

    /// Bytes that a kept frame takes.
    fn bytes(&self, made_from: &LightMadeFrom) -> usize {
        // Faces in step share one light.
        let on_time = made_from.iter().zip(&self.plans).filter(|(_, p)| p.face.clock_s == 0.0);
        let late = made_from.iter().zip(&self.plans).filter(|(_, p)| p.face.clock_s != 0.0);
        let lights = on_time.filter(|(light, _)| light.is_some()).take(1).chain(late);
        let clocks: usize = lights.filter_map(|(light, _)| Some(light.as_ref()?.bytes())).sum();
        let (window, planes) = (self.shared.window, self.shared.scene.camera.mosaic.planes());
        clocks + 4 * planes * window.width as usize * window.height as usize
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

    /// The photoelectrons of frames of some lights: of tiles, added up.
    fn render(&self, lights: &[Light], run: &Run) -> Result<Vec<Electrons>, Cancelled> {
        let window = self.shared.window;
        let (width, height) = (window.width as usize, window.height as usize);
        let planes = self.shared.scene.camera.mosaic.planes();
        let out = Mutex::new(vec![vec![Plane::filled(width, height, 0.0); planes]; lights.len()]);
        let by_plan = by_plan(lights);
        let count: usize = self.places.iter().map(Vec::len).sum();
        let done = AtomicUsize::new(0);
        self.places.par_iter().for_each(|tiles| {
            let render = |(number, tile): &(usize, Tile)| {
                if run.is_cancelled() {
                    return None;
                }
                let part = self.plans[*number].render_tile(tile, &by_plan[*number]);
                let share = (done.fetch_add(1, Ordering::Relaxed) + 1) as f64 / count as f64;
                if let Some(progress) = &run.progress {
                    progress(share);
                }
                part
            };
            let parts: Vec<_> = tiles.par_iter().map(render).collect();
            // Places do not overlap, and the faces of a place are added in order.
            let mut out = out.lock().unwrap_or_else(|e| e.into_inner());
            for (part, frames) in parts.into_iter().flatten() {
                // What shines evenly does so in all frames.
                let frames = frames.iter().cycle();
                for (plane, values) in
                    out.iter_mut().zip(frames).flat_map(|(o, v)| o.iter_mut().zip(v))
                {
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
        let frames = out.into_inner().unwrap_or_else(|e| e.into_inner());
        let mut frames: Vec<_> =
            frames.into_iter().map(|planes| Electrons { window, planes }).collect();
        if let Some(foreground) = &self.shared.scene.foreground {
            let (veil, edges) = match self.veil.get() {
                Some(made) => made,
                None => {
                    let veil = Veil::new(&self.shared, foreground, run)?;
                    let edges = Edges::new(&self.shared, foreground);
                    self.veil.get_or_init(|| (veil, edges))
                }
            };
            for (electrons, light) in frames.iter_mut().zip(lights) {
                veil.cover(electrons);
                edges.add(electrons, veil, (&self.plans, light), run)?;
            }
        }
        Ok(frames)
    }

    /// Photoelectrons as bits, tile by tile.
    #[cfg(test)]
    pub(super) fn tile_bits(&self, frame: u32) -> Vec<u32> {
        let lights = [self.light(frame)];
        let lights = by_plan(&lights);
        let parts =
            self.places.iter().flatten().filter_map(|(number, tile)| {
                self.plans[*number].render_tile(tile, &lights[*number])
            });
        parts.flat_map(|(_, frames)| frames.concat().concat()).map(f32::to_bits).collect()
    }

    /// The shapes of all tiles.
    #[cfg(test)]
    pub(super) fn shapes(&self) -> impl Iterator<Item = super::kernel::TileShape> {
        self.places.iter().flatten().filter_map(|(_, tile)| tile.shape)
    }
}

/// For each frame, the last that starts at the same time within the drive's pattern.
fn last_like(scene: &Scene, frames: &RangeInclusive<u32>) -> Vec<u32> {
    let timing = scene.drive.timing();
    let phases = frames.clone().map(|frame| phase_s(scene, &timing, frame).to_bits());
    let phases: Vec<u64> = phases.collect();
    let last: BTreeMap<u64, u32> = phases.iter().copied().zip(frames.clone()).collect();
    phases.iter().map(|phase| last[phase]).collect()
}

/// What the light of every face is made from.
fn made_from(light: &Light) -> LightMadeFrom {
    light.iter().map(|l| Some(l.as_ref()?.made_from().clone())).collect()
}

/// The lights of frames, face by face; one for all frames where a surface shines evenly.
fn by_plan(lights: &[Light]) -> Vec<Vec<Option<&Lighting>>> {
    let plans = lights.first().map_or(0, Vec::len);
    let of = |plan: usize| match lights[0][plan] {
        None => vec![None],
        Some(_) => lights.iter().map(|light| light[plan].as_deref()).collect(),
    };
    (0..plans).map(of).collect()
}
