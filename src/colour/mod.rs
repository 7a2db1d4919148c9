//! Colour as numbers: the standard observer, spectra of LEDs, colour spaces and transfer curves.
//!
//! Wavelengths are in metres, chromaticities are CIE 1931 (x, y), and linear RGB has its white at
//! (1, 1, 1).
//!
//! ```
//! use gridbeat::colour;
//! // The green of a wall, from its peak wavelength and linewidth:
//! let [x, y] = colour::led_xy(525e-9, 33e-9);
//! assert!((x - 0.171).abs() < 1e-3 && (y - 0.712).abs() < 1e-3);
//! ```

mod curves;
mod led;
mod observer;
mod spaces;

pub use curves::{
    Bt1886, acescct_decode, acescct_encode, bt709_decode, bt709_encode, bt2020_decode,
    bt2020_encode, hybrid_log_gamma_decode, hybrid_log_gamma_encode, srgb_decode, srgb_encode,
};
pub use led::{led_efficacy_lm_per_w, led_photons_per_lux_second_m2, led_xy, ohno_spectrum};
pub use observer::{observer, table, wyman_fit};
pub use spaces::{
    ACES_AP0, ACES_AP1, ACES_WHITE_XY, BT709, BT2020, D65_XY, P3_D65, RgbSpace, adaptation,
    between, luminance_shares, rgb_to_xyz, xy_to_xyz, xyz_to_xy,
};
