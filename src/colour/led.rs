//! Spectra of LEDs, and what follows from them: chromaticity, efficacy, photons per lux-second.

use super::observer::{FIRST_NM, LAST_NM, at_nm};
use std::sync::Mutex;

/// Luminous efficacy of monochromatic radiation at the peak of V(λ), lm/W (CIE; 683 at 540 THz).
const LUMENS_PER_WATT: f64 = 683.002;
/// Planck's constant times the speed of light, J·m (CODATA 2018, both exact).
const HC_J_M: f64 = 6.626_070_15e-34 * 299_792_458.0;
/// True full width at half maximum of the Ohno spectrum over its Δ, from solving (g + 2g⁵)/3 = ½.
const OHNO_WIDTH: f64 = 0.921823;
/// Narrowest linewidth that is told apart, nanometres; narrower ones count as this.
const NARROWEST_NM: f64 = 0.1;

/// Relative spectral power of an LED at a wavelength; 1 at its peak.
///
/// S = (g + 2g⁵)/3, g = exp(−((λ − λ₀)/Δ)²), with Δ = FWHM/0.921823 so that `fwhm_m` is the true
/// full width at half maximum. Source: Y. Ohno, "Spectral design considerations for white LED
/// color rendering", Opt. Eng. 44(11) 111302, 2005. Wavelengths in metres, `fwhm_m` > 0.
pub fn ohno_spectrum(wavelength_m: f64, peak_m: f64, fwhm_m: f64) -> f64 {
    let t = (wavelength_m - peak_m) * OHNO_WIDTH / fwhm_m;
    let g = libm::exp(-t * t);
    let g2 = g * g;
    (g + 2.0 * g2 * g2 * g) / 3.0
}

/// Sums over the spectrum: X, Y, Z, power, and power × wavelength in metres.
struct Sums {
    xyz: [f64; 3],
    power: f64,
    power_m: f64,
}

/// Sums at 1 nm from 360 to 830 nm, or finer where the line is narrower than about 3 nm.
///
/// The peak is held inside the table's range and the width between 0.1 and 200 nm, so that the
/// result is finite for any finite input.
fn sums(peak_m: f64, fwhm_m: f64) -> Sums {
    let peak_nm = (peak_m * 1e9).clamp(FIRST_NM as f64, LAST_NM as f64);
    let fwhm_nm = (fwhm_m * 1e9).clamp(NARROWEST_NM, 200.0);
    // Whole steps a nanometre keep the table's own points in the sum.
    let per_nm = (3.0 / fwhm_nm).ceil().max(1.0) as usize;
    let mut sums = Sums { xyz: [0.0; 3], power: 0.0, power_m: 0.0 };
    for i in 0..=(LAST_NM - FIRST_NM) * per_nm {
        let nm = FIRST_NM as f64 + i as f64 / per_nm as f64;
        let power = ohno_spectrum(nm, peak_nm, fwhm_nm);
        let eye = at_nm(nm);
        for (sum, e) in sums.xyz.iter_mut().zip(eye) {
            *sum += power * e;
        }
        sums.power += power;
        sums.power_m += power * nm * 1e-9;
    }
    sums
}

/// CIE 1931 chromaticity (x, y) of an LED from its peak wavelength and its full width at half
/// maximum, both in metres.
///
/// Spectrum: [`ohno_spectrum`], summed at 1 nm over 360–830 nm. Valid for peaks of 380–780 nm and
/// widths of 0.1–200 nm; values outside 360–830 nm and 0.1–200 nm count as the nearest inside.
/// NaN in, NaN out. (*Peak*, not dominant, wavelength: for red they differ by up to 6 nm.)
pub fn led_xy(peak_m: f64, fwhm_m: f64) -> [f64; 2] {
    let [x, y, z] = sums(peak_m, fwhm_m).xyz;
    [x / (x + y + z), y / (x + y + z)]
}

/// Photons per square metre in one lux-second of an LED's light.
///
/// Φ = Σ S λ / (h c · Km · Σ S V). Arguments and range as in [`led_xy`]. At 555 nm and no
/// linewidth it is 4.0907e15; for a blue LED nine times that.
pub fn led_photons_per_lux_second_m2(peak_m: f64, fwhm_m: f64) -> f64 {
    // The last few are kept: predictions of many scenes ask for the same again and again.
    static LAST: Mutex<Vec<([u64; 2], f64)>> = Mutex::new(Vec::new());
    let key = [peak_m.to_bits(), fwhm_m.to_bits()];
    let found = |last: &Vec<([u64; 2], f64)>| last.iter().find(|(k, _)| *k == key).map(|l| l.1);
    if let Some(value) = found(&LAST.lock().unwrap_or_else(|e| e.into_inner())) {
        return value;
    }
    let sums = sums(peak_m, fwhm_m);
    let value = sums.power_m / (HC_J_M * LUMENS_PER_WATT * sums.xyz[1]);
    let mut last = LAST.lock().unwrap_or_else(|e| e.into_inner());
    if last.len() >= 32 {
        last.remove(0);
    }
    last.push((key, value));
    value
}

/// Luminous efficacy of an LED's radiation, lm/W. Arguments and range as in [`led_xy`].
pub fn led_efficacy_lm_per_w(peak_m: f64, fwhm_m: f64) -> f64 {
    let sums = sums(peak_m, fwhm_m);
    LUMENS_PER_WATT * sums.xyz[1] / sums.power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn width_is_the_true_half_maximum() {
        for side in [-0.5, 0.5] {
            let s = ohno_spectrum(525e-9 + side * 33e-9, 525e-9, 33e-9);
            assert!((s - 0.5).abs() < 1e-6, "{s}");
        }
        assert!((ohno_spectrum(5e-7, 5e-7, 1e-8) - 1.0).abs() < 1e-15);
    }

    /// 555 nm: 4.0907e15 photons/(m² lx s) (handbook, section 9); a narrow line tends to it. The
    /// line is 0.1 nm wide, over which V is flat to 1e-6 at its peak.
    #[test]
    fn narrow_line_is_monochromatic() {
        let photons = led_photons_per_lux_second_m2(555e-9, 0.0);
        assert!((photons / 4.0907e15 - 1.0).abs() < 2e-5, "{photons}");
        // Spectrum locus at 465 nm from the table itself.
        let [x, y, z] = [0.2511, 0.0739, 1.5281];
        let got = led_xy(465e-9, 0.0);
        assert!((got[0] - x / (x + y + z)).abs() < 1e-4 && (got[1] - y / (x + y + z)).abs() < 1e-4);
    }

    #[test]
    fn strange_input_stays_finite() {
        for (peak, width) in [(0.0, 0.0), (1.0, 1.0), (-1.0, -1.0), (360e-9, 1e-12)] {
            assert!(led_xy(peak, width).iter().all(|v| v.is_finite()));
            assert!(led_photons_per_lux_second_m2(peak, width).is_finite());
        }
        assert!(led_xy(f64::NAN, 1e-8)[0].is_nan());
    }
}
