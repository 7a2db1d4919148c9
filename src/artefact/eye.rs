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
    let adapted = Adapted::new(nits, field_deg);
    adapted.sensitivity(cycles_per_deg, &adapted.filters(hz))
}

/// What the light of a field makes of the eye, whatever the pattern on it: see [`luma_sensitivity`].
#[derive(Debug, Clone, Copy)]
struct Adapted {
    field_deg: f64,
    sigma_deg: f64,
    photons: f64,
    receptors_s: f64,
    inhibition_s: f64,
}

/// H₁ and H₂ at a rate of change.
#[derive(Debug, Clone, Copy)]
struct Filters {
    receptors: f64,
    inhibition: f64,
}

impl Adapted {
    fn new(nits: f64, field_deg: f64) -> Self {
        let (l, x0) = (nits.max(1e-4), field_deg.clamp(0.1, 180.0));
        let pupil_mm = 5.0 - 3.0 * libm::tanh(0.4 * libm::log10(l * x0 * x0 / 1600.0));
        let sigma_arcmin = libm::hypot(0.5, 0.08 * pupil_mm);
        let trolands = PI * pupil_mm * pupil_mm / 4.0
            * l
            * (1.0 - (pupil_mm / 9.7) * (pupil_mm / 9.7) + libm::pow(pupil_mm / 12.4, 4.0));
        let seen = 1.0 + libm::pow(1.0 + x0, 0.6) * trolands / 3.5;
        let receptors_s = 0.032 / (1.0 + 0.55 * libm::log(seen));
        let seen = 1.0 + libm::pow(1.0 + x0 / 3.2, 5.0) * trolands / 120.0;
        let inhibition_s = 0.018 / (1.0 + 0.37 * libm::log(seen));
        let photons = 1.0 / (0.03 * 1.2274e6 * trolands);
        Self { field_deg: x0, sigma_deg: sigma_arcmin / 60.0, photons, receptors_s, inhibition_s }
    }

    fn filters(&self, hz: f64) -> Filters {
        let turn = 2.0 * PI * hz;
        let filter = |tau: f64, n: f64| libm::pow(1.0 + (turn * tau) * (turn * tau), -n / 2.0);
        Filters {
            receptors: filter(self.receptors_s, 7.0),
            inhibition: filter(self.inhibition_s, 4.0),
        }
    }

    fn sensitivity(&self, cycles_per_deg: f64, filters: &Filters) -> f64 {
        let (u, x0, sigma_deg) = (cycles_per_deg.max(0.02), self.field_deg, self.sigma_deg);
        let optics = libm::exp(-2.0 * PI * PI * sigma_deg * sigma_deg * u * u);
        let inhibited = 1.0 - libm::exp(-(u / 7.0) * (u / 7.0));
        let share = filters.receptors * (1.0 - filters.inhibition * (1.0 - inhibited.sqrt()));
        let area = 1.0 / (x0 * x0) + 1.0 / 144.0 + u * u / 225.0;
        optics / 3.0 / (2.0 / 0.1 * area * (self.photons + 3e-8 / (share * share))).sqrt()
    }
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
    (1.0 + libm::pow(mask.max(0.0), 2.8)).sqrt().sqrt()
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

/// Contrast of colour in a picture over its contrast of luma. Colour is hidden by colour, hardly by luma (Switkes, Bradley and De Valois,
/// J. Opt. Soc. Am. A 5, 1988, from memory); the share is an estimate, settled on rendered moiré that was looked at: at 0.9 times the
/// threshold colours are just there on an even grey, at 1.6 they are seen, at 2.6 they are plain, in a dusk sky too.
const COLOUR_OF_PICTURE: f64 = 0.25;

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
        let seeing = self.seeing(lines, level, noise);
        seeing.multiple(luma, chroma, frequency, &seeing.rate(hz))
    }

    /// The same for many waves on one field: arguments as of [`Self::multiple`].
    pub fn seeing(&self, lines: f64, level: f64, noise: f64) -> Seeing {
        let height_deg = self.height_deg();
        let nits = (self.white_nits * level).max(DARKEST_NITS);
        let adapted = Adapted::new(nits, height_deg);
        let still = adapted.filters(0.0);
        let (picture, grain) = (self.picture_contrast, noise * (1.5 * PI).sqrt());
        Seeing { adapted, still, height_deg, lines, picture, grain }
    }

    /// Contrast of luma that is [`Self::multiple`] 1 at a frequency in cycles per pixel.
    pub fn threshold(&self, frequency: f64, lines: f64, hz: f64, level: f64, noise: f64) -> f64 {
        1.0 / self.multiple_of(1.0, 0.0, frequency, lines, hz, level, noise)
    }
}

/// How a field of one level is seen in a picture.
#[derive(Debug, Clone, Copy)]
pub struct Seeing {
    adapted: Adapted,
    still: Filters,
    height_deg: f64,
    lines: f64,
    picture: f64,
    grain: f64,
}

/// What the eye makes of a rate of change, under a [`Seeing`].
#[derive(Debug, Clone, Copy)]
pub struct Rate {
    filters: Filters,
    /// Share of the sensitivity to colour.
    colour: f64,
}

impl Seeing {
    /// Of waves that come and go `hz` times a second.
    pub fn rate(&self, hz: f64) -> Rate {
        let filters = if hz == 0.0 { self.still } else { self.adapted.filters(hz) };
        Rate { filters, colour: libm::exp(-hz.abs() / 10.0) }
    }

    /// No less than what a contrast of 1, of luma or colour, is at any frequency and rate of change.
    pub fn most(&self) -> f64 {
        // Noise only hides.
        let clear = Self { grain: 0.0, ..*self };
        // Both courses are smooth and broad: steps of half an octave, and a little on top. Above 10 cycles per degree the eye's only
        // way is down.
        let rates = [0.0, 2.0, 4.0, 5.7, 8.0, 11.3, 16.0].map(|hz| clear.rate(hz));
        let (mut f, last) = (0.5 / self.lines, 10.0 * self.height_deg / self.lines);
        let mut most = 0.0_f64;
        loop {
            for rate in &rates {
                most = most.max(clear.multiple(1.0, 1.0, f, rate));
            }
            if f > last {
                break;
            }
            f *= std::f64::consts::SQRT_2;
        }
        1.1 * most
    }

    /// [`Viewing::multiple_of`].
    pub fn multiple(&self, luma: f64, chroma: f64, frequency: f64, rate: &Rate) -> f64 {
        let [luma, chroma] = self.multiples(luma, chroma, frequency, rate);
        luma.max(chroma)
    }

    /// [`Self::multiple`] of luma and of colour, each alone.
    pub fn multiples(&self, luma: f64, chroma: f64, frequency: f64, rate: &Rate) -> [f64; 2] {
        // What is longer than the picture is seen as half a wave of its height.
        let cycles_per_deg = (frequency * self.lines / self.height_deg).max(0.5 / self.height_deg);
        let still = self.adapted.sensitivity(cycles_per_deg, &self.still);
        let sensitivity = self.adapted.sensitivity(cycles_per_deg, &rate.filters);
        let grain = self.grain * frequency.max(0.5 / self.lines);
        let hidden = |sensitivity: f64, picture: f64| {
            elevation(sensitivity * (picture * picture + grain * grain).sqrt())
        };
        let colour = chroma_sensitivity(cycles_per_deg, 0.0);
        let seen = chroma * colour * rate.colour / hidden(colour, COLOUR_OF_PICTURE * self.picture);
        [luma * sensitivity / hidden(still, self.picture), seen]
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
    fn nothing_is_seen_better_than_the_most() {
        for level in [0.01, 0.18, 1.0] {
            for picture_contrast in [0.0, 0.04] {
                let viewing = Viewing { picture_contrast, ..Viewing::default() };
                let seeing = viewing.seeing(1080.0, level, 0.0);
                let mut most = 0.0_f64;
                for i in 0..200 {
                    let f = 0.2 / 1080.0 * libm::pow(1.04, f64::from(i));
                    for hz in [0.0, 0.5, 1.5, 3.0, 6.0, 7.0, 9.0, 12.0, 20.0] {
                        most = most.max(seeing.multiple(1.0, 1.0, f, &seeing.rate(hz)));
                    }
                }
                let bound = seeing.most();
                assert!(most <= bound && bound < 1.2 * most, "{level}: {most} {bound}");
                // Noise only hides.
                assert_eq!(viewing.seeing(1080.0, level, 0.01).most(), bound);
            }
        }
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
