//! From answers to a plan for the shoot: keys of a scene varied, judged side by side, and drawn.
//!
//! No files here and no terminal: data in, data and drawings (as text) out.

pub mod advise;
pub mod compare;
pub mod kit;
pub mod map;
pub mod price;
pub mod remedies;
pub mod report;
pub mod sheet;
pub mod shortlist;
pub mod sweep;
pub mod variants;
pub mod verify;
