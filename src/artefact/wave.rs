//! One sinusoid of a picture.

use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Shares of linear red, green and blue in luma: ITU-R BT.709, item 3.2.
pub const LUMA: [f64; 3] = [0.2126, 0.7152, 0.0722];

/// A sinusoid of a picture: Re(planes · exp(i·2π·frequency·x)) over the mean luma, x in pixels of that picture from its top
/// left corner (the first pixel's centre is at (0.5, 0.5)).
///
/// Planes are linear red, green and blue (ITU-R BT.709 primaries, the wall's white neutral). A contrast is an amplitude over
/// the mean luma: light that goes from 0.9 to 1.1 of its mean has 0.1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Cycles per pixel, right and down, in the half plane y > 0, or y = 0 and x ≥ 0.
    pub frequency: DVec2,
    /// Complex amplitude of each plane over the mean luma.
    pub planes: [Complex64; 3],
}

impl Wave {
    /// A wave of either sign of frequency, put into the half plane of [`Self::frequency`].
    pub fn new(frequency: DVec2, planes: [Complex64; 3]) -> Self {
        let turned = frequency.y < 0.0 || (frequency.y == 0.0 && frequency.x < 0.0);
        if turned {
            Self { frequency: -frequency, planes: planes.map(|p| p.conj()) }
        } else {
            Self { frequency, planes }
        }
    }

    fn luma_phasor(&self) -> Complex64 {
        self.planes.iter().zip(LUMA).map(|(p, share)| p * share).sum()
    }

    /// Contrast of luma.
    pub fn luma(&self) -> f64 {
        self.luma_phasor().norm_sqr().sqrt()
    }

    /// Contrast of colour: √(|R − Y|² + |B − Y|²), over the mean luma.
    pub fn chroma(&self) -> f64 {
        let luma = self.luma_phasor();
        let [red, _, blue] = self.planes;
        ((red - luma).norm_sqr() + (blue - luma).norm_sqr()).sqrt()
    }

    /// The largest contrast of the three planes.
    pub fn largest(&self) -> f64 {
        self.planes.iter().map(|p| p.norm_sqr().sqrt()).fold(0.0, f64::max)
    }

    /// Pixels from crest to crest, across the fringes; infinite for what is even.
    pub fn period_px(&self) -> f64 {
        1.0 / self.frequency.length()
    }

    /// Direction in which the light changes, degrees: 0 across (fringes stand upright), 90 upright (fringes lie flat),
    /// positive anticlockwise as seen; above −90 to 90.
    pub fn direction_deg(&self) -> f64 {
        let angle = libm::atan2(-self.frequency.y, self.frequency.x) * 180.0 / PI;
        if angle <= -90.0 {
            angle + 180.0
        } else if angle > 90.0 {
            angle - 180.0
        } else {
            angle
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wave_of_either_sign_is_the_same_wave() {
        let planes =
            [Complex64::new(0.1, 0.2), Complex64::new(0.3, -0.1), Complex64::new(0.0, 0.4)];
        let (a, b) = (
            Wave::new(DVec2::new(0.1, -0.2), planes),
            Wave::new(DVec2::new(-0.1, 0.2), planes.map(|p| p.conj())),
        );
        assert_eq!(a, b);
        assert_eq!((a.luma(), a.chroma()), (b.luma(), b.chroma()));
        let at = |w: &Wave, x: DVec2| {
            let turn = 2.0 * PI * w.frequency.dot(x);
            (w.planes[0] * Complex64::new(libm::cos(turn), libm::sin(turn))).re
        };
        let x = DVec2::new(3.0, 7.5);
        let direct = {
            let turn = 2.0 * PI * DVec2::new(0.1, -0.2).dot(x);
            (planes[0] * Complex64::new(libm::cos(turn), libm::sin(turn))).re
        };
        assert!((at(&a, x) - direct).abs() < 1e-12);
    }

    #[test]
    fn directions_are_those_of_a_picture() {
        let direction = |x, y| Wave::new(DVec2::new(x, y), [Complex64::ONE; 3]).direction_deg();
        assert_eq!(direction(0.1, 0.0), 0.0);
        assert!((direction(0.0, 0.1) - 90.0).abs() < 1e-12);
        assert!((direction(0.1, -0.1) - 45.0).abs() < 1e-12);
        assert!((direction(0.1, 0.1) + 45.0).abs() < 1e-12);
    }

    #[test]
    fn grey_has_no_chroma_and_luma_is_its_contrast() {
        let grey = Wave::new(DVec2::X * 0.1, [Complex64::new(0.03, 0.04); 3]);
        assert!((grey.luma() - 0.05).abs() < 1e-12 && grey.chroma() < 1e-12);
    }
}
