//! Photometry at the sensor: exposure, photons, electrons, exposure index and gain.
//!
//! Everything that belongs to the wall or the lens comes in as an argument.
//!
//! The definition of the exposure index here, after ISO 12232 (saturation speed 78/H_sat, exposure
//! index 10/H_m): at exposure index EI, the highest raw level is reached by a green photosite that
//! sees the wall's own white at H_sat = 78/EI lx·s, and mid-grey is at H_m = 10/EI lx·s, a ratio of
//! 7.8. Makers place mid-grey as they like; this is one definition, used throughout.

use super::{Camera, Mosaic, convert};
use std::f64::consts::PI;

/// Planck's constant, J·s (SI, exact).
pub const PLANCK_J_S: f64 = 6.626_070_15e-34;
/// Speed of light, m/s (SI, exact).
pub const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// Saturation exposure times exposure index, lx·s (ISO 12232).
pub const SATURATION_LX_S: f64 = 78.0;
/// Mid-grey exposure times exposure index, lx·s (ISO 12232).
pub const MID_GREY_LX_S: f64 = 10.0;

/// Exposure of the sensor by a uniform surface, lx·s: H = (π/4)·L·t·T·cos⁴θ/N_w².
///
/// `luminance_nits` L in cd/m², `exposure_s` t, `transmission` T of the lens, `working_f_number`
/// N_w = N(1 + m), `cos_field` the cosine of the field angle (1 on axis, or with natural vignetting
/// off). Thin lens; ISO 12232 gives the same form.
pub fn focal_plane_exposure_lx_s(
    luminance_nits: f64,
    exposure_s: f64,
    transmission: f64,
    working_f_number: f64,
    cos_field: f64,
) -> f64 {
    let cos2 = cos_field * cos_field;
    PI / 4.0 * luminance_nits * exposure_s * transmission * cos2 * cos2
        / (working_f_number * working_f_number)
}

/// Photons per square metre and lux-second of light with mean wavelength `mean_wavelength_m`
/// (weighted by power) and luminous efficacy of radiation `efficacy_lm_per_w`: λ/(h·c·K).
///
/// For one wavelength K is 683.002·V(λ). Both arguments above 0.
pub fn photons_per_lx_s_m2(mean_wavelength_m: f64, efficacy_lm_per_w: f64) -> f64 {
    mean_wavelength_m / (PLANCK_J_S * LIGHT_M_PER_S * efficacy_lm_per_w)
}

/// Electrons: exposure (lx·s) · photons per lx·s and m² · area (m²) · electrons per photon.
pub fn electrons(
    exposure_lx_s: f64,
    photons_per_lx_s_m2: f64,
    area_m2: f64,
    electrons_per_photon: f64,
) -> f64 {
    exposure_lx_s * photons_per_lx_s_m2 * area_m2 * electrons_per_photon
}

/// Photons in an exposure of irradiance at one wavelength: E·t·A·λ/(h·c) (EMVA 1288).
///
/// `irradiance_w_m2` E in W/m².
pub fn photons(irradiance_w_m2: f64, exposure_s: f64, area_m2: f64, wavelength_m: f64) -> f64 {
    irradiance_w_m2 * exposure_s * area_m2 * wavelength_m / (PLANCK_J_S * LIGHT_M_PER_S)
}

/// ISO 12232 saturation speed of a photosite: 78·Φ·A·QE/n_sat, with Φ photons per lx·s and m².
pub fn saturation_speed(
    full_well_e: f64,
    photons_per_lx_s_m2: f64,
    area_m2: f64,
    electrons_per_photon: f64,
) -> f64 {
    electrons(SATURATION_LX_S, photons_per_lx_s_m2, area_m2, electrons_per_photon) / full_well_e
}

/// Exposure at the highest raw level, lx·s: 78/EI.
pub fn saturation_exposure_lx_s(exposure_index: f64) -> f64 {
    SATURATION_LX_S / exposure_index
}

/// Exposure of mid-grey, lx·s: 10/EI.
pub fn mid_grey_exposure_lx_s(exposure_index: f64) -> f64 {
    MID_GREY_LX_S / exposure_index
}

/// Stops above (positive) or below mid-grey: log₂(H·EI/10). −∞ without light.
pub fn stops_about_mid_grey(exposure_lx_s: f64, exposure_index: f64) -> f64 {
    libm::log2(exposure_lx_s / mid_grey_exposure_lx_s(exposure_index))
}

/// Light-sensitive area of a photosite, m².
pub fn photosite_area_m2(camera: &Camera) -> f64 {
    camera.photosite_m * camera.photosite_m * camera.fill_factor
}

/// Electrons per photon of each emitter colour in a photosite of colour `photosite` (0 red, 1 green,
/// 2 blue; above 2 counts as blue): a row of the camera's matrix, or the mean of the rows for a
/// monochrome sensor.
pub fn response(camera: &Camera, photosite: usize) -> [f64; 3] {
    match camera.mosaic {
        Mosaic::Monochrome => {
            let m = &camera.matrix;
            std::array::from_fn(|emitter| (m[0][emitter] + m[1][emitter] + m[2][emitter]) / 3.0)
        }
        Mosaic::Bayer(_) | Mosaic::FullPlanes => camera.matrix[photosite.min(2)],
    }
}

/// Electrons per lx·s of the wall's own white in a photosite of colour `photosite`.
///
/// `photons_per_lx_s_m2` is, per emitter colour, the photons per lux-second *of that colour*;
/// `luminance_share` the share of each colour in the luminance of white (adding to 1).
pub fn electrons_per_lx_s(
    camera: &Camera,
    photosite: usize,
    photons_per_lx_s_m2: [f64; 3],
    luminance_share: [f64; 3],
) -> f64 {
    let row = response(camera, photosite);
    let per_area = (0..3).fold(0.0, |sum, colour| {
        sum + row[colour] * photons_per_lx_s_m2[colour] * luminance_share[colour]
    });
    per_area * photosite_area_m2(camera)
}

/// Raw levels per electron at the camera's exposure index.
///
/// `green_electrons_per_lux_second` is what a green photosite (a photosite, if monochrome) collects
/// per lx·s of the wall's white ([`electrons_per_lx_s`]). The highest raw level above black divided
/// by the electrons at 78/EI lx·s. 0 when there is no response or no room above black. A full well
/// smaller than those electrons clips before the highest level, as it does in a camera pulled below
/// its base speed.
pub fn gain_dn_per_e(camera: &Camera, green_electrons_per_lux_second: f64) -> f64 {
    let room = f64::from(convert::top_level(camera)) - f64::from(camera.black_level);
    let at_white_e =
        green_electrons_per_lux_second * saturation_exposure_lx_s(camera.exposure_index);
    if room > 0.0 && at_white_e > 0.0 { room / at_white_e } else { 0.0 }
}
