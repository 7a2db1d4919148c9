//! The fast engine: every photosite gathers the light of the wall pixels it sees, through tabulated
//! blur, with the exact on-time of each emitter during the exposure of the photosite's row.
//!
//! The wall is a sum of flat faces ([`crate::wall::Face`]), each with a plan of its own. For each of them the sensor is cut
//! into tiles, inside which the local perspective and the blur disc may be taken as constant for the *shape* of the blur (its
//! place is exact for every photosite). Each photosite depends on nothing but itself and its tiles, tiles are laid on the full
//! sensor, and faces are added in order: a crop equals the cropped full frame, and the bits do not depend on the number of
//! threads.

mod far;
mod foreground;
mod gather;
mod kernel;
mod light;
mod plan;
mod sequence;
mod shared;
mod source;
mod strip;
mod taps;
#[cfg(test)]
mod tests;
mod tile;

use super::{Cancelled, Run};
use crate::frame::{Electrons, Window};
use crate::scene::Scene;
use plan::{Plan, Tile};
pub use sequence::Sequence;
use shared::Shared;
use std::sync::Arc;

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
    Sequence::new(scene, window).frame(frame, run)
}

/// Bytes that the tables of blur of a frame take at their peak, for the threads at hand: an upper estimate made
/// before anything is allocated. They grow with the square of a wall pixel's size on the sensor.
pub fn table_bytes(scene: &Scene, window: Window) -> f64 {
    let shared = Arc::new(Shared::new(scene, window));
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

/// Bytes that working out what stands before the wall takes at its peak, for the threads at hand; 0 without a foreground.
pub fn foreground_bytes(scene: &Scene, window: Window) -> f64 {
    let bytes = |foreground| foreground::bytes(&Shared::new(scene, window), foreground);
    scene.foreground.as_ref().map_or(0.0, bytes)
}
