//! What can go wrong in a picture, as numbers: waves of light and how much the eye makes of them. Prediction and measurement
//! both end here, so that one word means one thing.

mod degree;
mod eye;
mod wave;

pub use degree::{Degree, Judged, Kind};
pub use eye::{Rate, Seeing, Viewing, chroma_sensitivity, elevation, luma_sensitivity};
pub use wave::{LUMA, Wave};
