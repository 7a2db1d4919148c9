//! Test material: captures with known truth, for software that finds, measures or removes bands, flicker and moiré.
//!
//! A [`Recipe`] draws scenes ([`Drawing`]), each a pure function of recipe and number; a [`Sample`] is a scene rendered with its
//! twins, its artefact maps and masks, and its truth. Writing and going on after a stop are the command's.

mod condition;
mod degrade;
mod draw;
mod masks;
mod recipe;
mod sample;
mod score;
mod split;
mod truth;

pub use condition::{Condition, Foreseen, foreseen};
pub use degrade::{Degradation, Degraded};
pub use draw::{Draw, Drawing, Drawn, NotDrawn};
pub use masks::{Mask, MaskKind};
pub use recipe::{Choice, FileKind, Group, Measured, Part, Recipe, Stage, Written};
pub use sample::{Content, Piece, Sample, SampleError, sample};
pub use score::{Repaired, Score, Together, together};
pub use split::{Split, SplitName};

/// Version of the physics, in every truth: it rises when the same scene gives other numbers.
pub const PHYSICS: u32 = 1;
