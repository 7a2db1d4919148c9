//! How much contrast the eye needs: thresholds of luma and colour over place and time, and what hides them.

use super::Wave;
use std::f64::consts::PI;

/// Degrees of an angle's tangent.
fn atan_deg(x: f64) -> f64 {
    libm::atan(x) * 180.0 / PI
}

/// Contrast sensitivity of the eye to luma: one over the threshold contrast (amplitude over mean) of a pattern of
/// `cycles_per_deg` that comes and goes `hz` times a second, on a field of `field_deg` × `field_deg` of `nits` cd/m².
///
/// P. G. J. Barten, *Contrast Sensitivity of the Human Eye and Its Effects on Image Quality*, SPIE 1999, chapter 3 (both eyes, the
/// constants of Report ITU-R BT.2246), and for `hz` above 0 its chapter 5: photoreceptors filter by H₁, lateral inhibition by H₂
/// (time constants and formula of chapter 5 from memory). At 0 Hz it is the formula of chapter 3.
/// Zero and negative frequencies count as 0.02 cycles per degree.
pub fn luma_sensitivity(nits: f64, field_deg: f64, cycles_per_deg: f64, hz: f64) -> f64 {
    let (u, l, x0) = (cycles_per_deg.max(0.02), nits.max(1e-4), field_deg.clamp(0.1, 180.0));
    let pupil_mm = 5.0 - 3.0 * libm::tanh(0.4 * libm::log10(l * x0 * x0 / 1600.0));
    let sigma_arcmin = libm::hypot(0.5, 0.08 * pupil_mm);
    let sigma_deg = sigma_arcmin / 60.0;
    let trolands = PI * pupil_mm * pupil_mm / 4.0
        * l
        * (1.0 - (pupil_mm / 9.7) * (pupil_mm / 9.7) + libm::pow(pupil_mm / 12.4, 4.0));
    let optics = libm::exp(-2.0 * PI * PI * sigma_deg * sigma_deg * u * u);
    let inhibited = 1.0 - libm::exp(-(u / 7.0) * (u / 7.0));
    let passed = if hz == 0.0 {
        inhibited
    } else {
        let turn = 2.0 * PI * hz;
        let seen = 1.0 + libm::pow(1.0 + x0, 0.6) * trolands / 3.5;
        let receptors_s = 0.032 / (1.0 + 0.55 * libm::log(seen));
        let seen = 1.0 + libm::pow(1.0 + x0 / 3.2, 5.0) * trolands / 120.0;
        let inhibition_s = 0.018 / (1.0 + 0.37 * libm::log(seen));
        let filter = |tau: f64, n: f64| libm::pow(1.0 + (turn * tau) * (turn * tau), -n / 2.0);
        let share =
            filter(receptors_s, 7.0) * (1.0 - filter(inhibition_s, 4.0) * (1.0 - inhibited.sqrt()));
        share * share
    };
    let photons = 1.0 / (0.03 * 1.2274e6 * trolands);
    let area = 1.0 / (x0 * x0) + 1.0 / 144.0 + u * u / 225.0;
    optics / 3.0 / (2.0 / 0.1 * area * (photons + 3e-8 / passed)).sqrt()
}

/// Sensitivity to colour without luma, of [`Wave::chroma`]: one over its threshold.
///
/// Lowpass in place and in time, at most 100, a third of it at 4 cycles per degree, nothing left at 12. The course is that of K. T.
/// Mullen, J. Physiol. 359, 381–400, 1985 (from memory); the height, in this measure of colour, is an estimate.
pub fn chroma_sensitivity(cycles_per_deg: f64, hz: f64) -> f64 {
    100.0 * libm::exp(-cycles_per_deg.max(0.0) / 4.0 - hz.abs() / 10.0)
}

/// How many times its threshold a pattern must have where other contrast hides it; `mask` is that other contrast in multiples of
/// its own threshold. S. Daly, "The visible differences predictor", in *Digital Images and Human Vision*, MIT Press 1993, with W = 6, Q = 0.7, slope
/// 0.7, b = 4 (from memory): (1 + mask^2.8)^¼.
pub fn elevation(mask: f64) -> f64 {
    libm::pow(1.0 + libm::pow(mask.max(0.0), 2.8), 0.25)
}

/// How a picture is watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Viewing {
    /// Distance of the viewer, picture heights.
    pub distance_heights: f64,
    /// Luminance of the display's white, cd/m².
    pub white_nits: f64,
    /// Contrast (RMS over mean) of the picture itself in every octave of frequency: what it hides. 0 for a flat field.
    pub picture_contrast: f64,
}

impl Default for Viewing {
    /// A review room: 3.2 picture heights (where a 1080-line picture shows a minute of arc a pixel, ITU-R BT.2022), 100 cd/m²
    /// (the usual reference display), and a quiet picture, out of focus or a sky, of 4 % contrast in an octave (so chosen that drives of 5 kHz at 180° and 60
    /// frames are just clean, as the trade has it).
    fn default() -> Self {
        Self { distance_heights: 3.2, white_nits: 100.0, picture_contrast: 0.04 }
    }
}

/// Darkest luminance to which the eye is taken to be adapted, cd/m².
const DARKEST_NITS: f64 = 1.0;

impl Viewing {
    /// Height of the picture, degrees.
    pub fn height_deg(&self) -> f64 {
        2.0 * atan_deg(0.5 / self.distance_heights)
    }

    /// How many times its threshold a wave is, the larger of luma and colour.
    ///
    /// - `lines`: rows of the picture;
    /// - `hz`: how often it changes in a second at one place (0 when it stands);
    /// - `level`: light of the place as a share of the display's white;
    /// - `noise`: standard deviation of the picture's noise in a pixel over its mean: in an octave around f cycles a pixel it
    ///   is √(3π/2)·f of that.
    pub fn multiple(&self, wave: &Wave, lines: f64, hz: f64, level: f64, noise: f64) -> f64 {
        let (luma, chroma) = (wave.luma(), wave.chroma());
        self.multiple_of(luma, chroma, wave.frequency.length(), lines, hz, level, noise)
    }

    /// [`Self::multiple`] of contrasts of luma and colour at a frequency in cycles per pixel.
    #[expect(
        clippy::too_many_arguments,
        reason = "each is a different quantity, named at the one caller"
    )]
    pub fn multiple_of(
        &self,
        luma: f64,
        chroma: f64,
        frequency: f64,
        lines: f64,
        hz: f64,
        level: f64,
        noise: f64,
    ) -> f64 {
        let height_deg = self.height_deg();
        // What is longer than the picture is seen as half a wave of its height.
        let cycles_per_deg = (frequency * lines / height_deg).max(0.5 / height_deg);
        let nits = (self.white_nits * level).max(DARKEST_NITS);
        let sensitivity = luma_sensitivity(nits, height_deg, cycles_per_deg, hz);
        let still = luma_sensitivity(nits, height_deg, cycles_per_deg, 0.0);
        let grain = noise * (1.5 * PI).sqrt() * frequency.max(0.5 / lines);
        let hidden = elevation(still * libm::hypot(self.picture_contrast, grain));
        let colour = chroma_sensitivity(cycles_per_deg, hz);
        (luma * sensitivity).max(chroma * colour) / hidden
    }

    /// Contrast of luma that is [`Self::multiple`] 1 at a frequency in cycles per pixel.
    pub fn threshold(&self, frequency: f64, lines: f64, hz: f64, level: f64, noise: f64) -> f64 {
        1.0 / self.multiple_of(1.0, 0.0, frequency, lines, hz, level, noise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_eye_has_the_published_sensitivity() {
        // tests/data/csf_barten.csv: Barten 1999, by an independent library to 1e-15.
        let table = include_str!("../../tests/data/csf_barten.csv");
        let mut rows = 0;
        for line in table.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())) {
            let v: Vec<f64> = line.split(',').map(|v| v.parse().expect("a number")).collect();
            let found = luma_sensitivity(v[0], v[1], v[2], 0.0);
            assert!((found / v[3] - 1.0).abs() < 1e-6, "{line}: {found}");
            rows += 1;
        }
        assert!(rows > 100);
    }

    #[test]
    fn slow_change_is_no_change_and_fast_change_is_not_seen() {
        for u in [0.3, 2.0, 8.0] {
            let at = |hz| luma_sensitivity(100.0, 20.0, u, hz);
            assert!((at(1e-6) / at(0.0) - 1.0).abs() < 1e-4);
            assert!(at(60.0) < 0.2 * at(0.0), "{u}: {} {}", at(60.0), at(0.0));
        }
        // Low frequencies are seen better when they flicker at some 8 Hz than when they stand (de Lange; common knowledge).
        assert!(
            luma_sensitivity(100.0, 20.0, 0.1, 8.0) > 2.0 * luma_sensitivity(100.0, 20.0, 0.1, 0.0)
        );
    }

    #[test]
    fn masking_begins_at_threshold() {
        assert_eq!(elevation(0.0), 1.0);
        assert!((elevation(1.0) - libm::pow(2.0, 0.25)).abs() < 1e-12);
        assert!((elevation(20.0) / libm::pow(20.0, 0.7) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_flat_field_shows_more_than_a_picture_and_noise_hides() {
        let flat = Viewing { picture_contrast: 0.0, ..Viewing::default() };
        let of = |v: &Viewing, noise| v.multiple_of(0.01, 0.0, 0.02, 1080.0, 0.0, 0.18, noise);
        assert!(of(&flat, 0.0) > 2.0 * of(&Viewing::default(), 0.0));
        assert!(of(&flat, 0.5) < of(&flat, 0.0));
        let threshold = flat.threshold(0.02, 1080.0, 0.0, 0.18, 0.0);
        assert!((of(&flat, 0.0) - 0.01 / threshold).abs() < 1e-9);
    }
}
