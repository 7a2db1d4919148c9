//! Quantities as people write them ⇄ SI, and SI quantities in words for people.

mod length;
mod rate;
mod show;

pub use length::{LengthError, parse_length_m};
pub use rate::{exact_rate, parse_rate, parse_shutter_s};
pub use show::{angle, frequency, length, number, percent, rate, shutter, stops, time};

/// σ of a Gaussian blur (in the length unit of 1/`cycles`) whose transfer function is ½ at
/// `cycles`: exp(−2π²σ²f²) = ½. Valid for `cycles` > 0.
pub fn sigma_of_mtf50(cycles: f64) -> f64 {
    libm::sqrt(std::f64::consts::LN_2 / 2.0) / (std::f64::consts::PI * cycles)
}
