//! The answer without pixels: fringes, bands and flicker from the optics' and the drive's transfer functions, and how bad they are.
//!
//! It shares the optics with the renderers ([`crate::optics`]) and nothing else with them: rendered frames, measured, hold it.
//!
//! What it assumes: even grey content (fringes of textured content are weaker, hidden by it), the scene's first delivery developed with
//! bilinear demosaic and scaled in linear light, whatever the scene says, and cabinets that are alike and join without gaps.

mod assumed;
mod bands;
mod cabinets;
mod component;
pub mod content_timing;
pub mod exposure;
mod eye;
pub mod flicker;
pub mod focus;
pub mod form_factor;
mod judge;
mod landed;
mod moves;
mod parts;
pub mod people;
mod pictures;
mod place;
mod sampled;
pub mod shutters;
mod stands;
pub mod stepping;
pub mod unknowns;

pub use assumed::{Unsure, assumed};
pub use component::{Component, Lattice, Origin, Pulse, Wall, pulses};
pub use judge::{Cause, Finding, Prediction, Settings, predict, verdict};
pub use parts::{Part, parts};
pub use place::{Off, Place, Sights};
pub use sampled::{Moved, Sampler, Seen};
pub use stands::scene_of;
