//! gridbeat predicts what a camera will record of an LED video wall.
//!
//! (The tour is written when the rooms stand.)

pub mod cli;
pub mod colour;
pub mod develop;
pub mod diag;
pub mod frame;
pub mod input;
pub mod math;
pub mod optics;
pub mod output;
pub mod render;
pub mod scene;
pub mod sensor;
pub mod shoot;
pub mod units;
pub mod wall;
