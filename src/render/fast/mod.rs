//! The fast engine: every photosite gathers the light of the wall pixels it sees, through tabulated
//! blur, with the exact on-time of each emitter during the exposure of the photosite's row.
//!
//! The wall is a sum of flat faces ([`crate::wall::Face`]), each with a plan of its own. For each of them the sensor is cut
//! into tiles, inside which the local perspective and the blur disc may be taken as constant for the *shape* of the blur (its
//! place is exact for every photosite). Each photosite depends on nothing but itself and its tiles, tiles are laid on the full
//! sensor, and faces are added in order: a crop equals the cropped full frame, and the bits do not depend on the number of
//! threads.

mod far;
mod gather;
mod kernel;
mod light;
mod plan;
mod shared;
mod source;
mod taps;
#[cfg(test)]
mod tests;
mod tile;

use super::{Cancelled, Run};
use crate::frame::{Electrons, Plane, Window};
use crate::scene::Scene;
use plan::{Plan, TILE, Tile};
use rayon::prelude::*;
use shared::Shared;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Noise-free photoelectrons of every photosite of `window` in frame `frame`.
///
/// `window` is in full-sensor photosites and must lie on the sensor. Rows that the camera's mode does not read stay dark.
///
/// # Errors
/// [`Cancelled`] when `run` was cancelled.
pub fn render(
    scene: &Scene,
    frame: u32,
    window: Window,
    run: &Run,
) -> Result<Electrons, Cancelled> {
    let shared = Shared::new(scene, window);
    let (plans, places) = work(&shared, frame);
    let (width, height) = (window.width as usize, window.height as usize);
    let planes = scene.camera.mosaic.planes();
    let out = Mutex::new(vec![Plane::filled(width, height, 0.0); planes]);
    let count: usize = places.iter().map(Vec::len).sum();
    let done = AtomicUsize::new(0);
    places.par_iter().for_each(|tiles| {
        let parts: Vec<_> = tiles
            .par_iter()
            .map(|(plan, tile)| {
                if run.is_cancelled() {
                    return None;
                }
                let part = plans[*plan].render_tile(tile);
                let share = (done.fetch_add(1, Ordering::Relaxed) + 1) as f64 / count as f64;
                if let Some(progress) = &run.progress {
                    progress(share);
                }
                part
            })
            .collect();
        // Places do not overlap, and the faces of a place are added in order.
        let mut out = out.lock().unwrap_or_else(|e| e.into_inner());
        for (part, values) in parts.into_iter().flatten() {
            for (plane, values) in out.iter_mut().zip(&values) {
                for (y, row) in values.chunks_exact(part.width as usize).enumerate() {
                    let start =
                        ((part.y - window.y) as usize + y) * width + (part.x - window.x) as usize;
                    let sums = &mut plane.data[start..start + row.len()];
                    sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
                }
            }
        }
    });
    if run.is_cancelled() {
        return Err(Cancelled);
    }
    Ok(Electrons { window, planes: out.into_inner().unwrap_or_else(|e| e.into_inner()) })
}

/// The plans of all faces, and the tiles to be rendered for each place of the sensor, each with the number of its plan.
fn work<'s>(shared: &'s Shared<'s>, frame: u32) -> (Vec<Plan<'s>>, Vec<Vec<(usize, Tile)>>) {
    let mut plans = Plan::all(shared);
    let mut tiles: Vec<(usize, Tile)> = Vec::new();
    for (number, plan) in plans.iter_mut().enumerate() {
        let own = plan.tiles();
        plan.light(frame, &own);
        tiles.extend(own.into_iter().map(|tile| (number, tile)));
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
    (plans, places)
}

/// Bytes that the tables of blur of a frame take at their peak, for the threads at hand: an upper estimate made
/// before anything is allocated. They grow with the square of a wall pixel's size on the sensor.
pub fn table_bytes(scene: &Scene, window: Window) -> f64 {
    let shared = Shared::new(scene, window);
    let plans = Plan::all(&shared);
    let tiles: Vec<Tile> = plans.iter().flat_map(|plan| plan.tiles()).collect();
    let shapes = tiles.iter().filter_map(|tile| tile.shape);
    let busy = rayon::current_num_threads().min(tiles.len()) as f64;
    // What a face's outline changes has kernels of the same size, kept once each.
    let lots = shared.lots.len();
    let held = (shared.kept_most() + rayon::current_num_threads()).min(tiles.len() * lots) as f64;
    shapes
        .map(|shape| {
            let [making, kept] =
                kernel::bytes(&shared.blur, &shape, &shared.lots[0].sources, &shared.tails);
            // What is being made counts as held already.
            (making - kept) * busy + kept * held
        })
        .fold(0.0, f64::max)
}
