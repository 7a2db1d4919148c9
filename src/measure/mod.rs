//! Pictures → numbers: what artefacts a frame has, how strong they are, which way they run.
//!
//! Measuring knows nothing of lenses and walls. It takes planes of light and gives [`crate::artefact::Wave`]s with the place
//! where they were found.

mod bands;
mod field;
mod fit;
mod maps;
mod patch;
mod readout;
mod shading;
mod spectrum;
mod waves;

pub use bands::{Clockwork, Flicker, Roll, Track, flicker, worst};
pub use field::Field;
pub use maps::{LEAST_SHARE_OF_WHITE, Maps, MapsError, Trio};
pub use readout::{NoBands, RowBands, row_bands};
pub use shading::{Alone, LEAST_PERIODS, SHADING_DEGREE, alone};
pub use waves::{FLOOR_OVER_RMS, Found, Settings, Waves, again, waves, waves_at};
