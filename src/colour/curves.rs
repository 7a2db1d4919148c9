//! Transfer curves: linear light ⇄ signal. Light 1 is signal 1.
//!
//! Every curve goes on outside [0, 1]: below its split it is a straight line, above 1 the same
//! power law. Nothing is clipped here. The published splits are rounded, so encode and decode meet
//! there within 1e-6 (sRGB) and 3e-4 (BT.709), not exactly.

/// sRGB signal of linear light (IEC 61966-2-1:1999, section 5.2).
pub fn srgb_encode(light: f64) -> f64 {
    if light <= 0.0031308 { 12.92 * light } else { 1.055 * libm::pow(light, 1.0 / 2.4) - 0.055 }
}

/// Linear light of an sRGB signal (IEC 61966-2-1:1999, section 5.3).
pub fn srgb_decode(signal: f64) -> f64 {
    if signal <= 0.04045 { signal / 12.92 } else { libm::pow((signal + 0.055) / 1.055, 2.4) }
}

/// The camera curve of BT.709 and BT.2020 with its α and β.
fn camera_encode(light: f64, alpha: f64, beta: f64) -> f64 {
    if light < beta { 4.5 * light } else { alpha * libm::pow(light, 0.45) - (alpha - 1.0) }
}

fn camera_decode(signal: f64, alpha: f64, beta: f64) -> f64 {
    if signal < 4.5 * beta {
        signal / 4.5
    } else {
        libm::pow((signal + (alpha - 1.0)) / alpha, 1.0 / 0.45)
    }
}

/// α and β of BT.2020: the values at which curve and slope are continuous (α = 1 + 5.5 β).
const BT2020_ALPHA: f64 = 1.099_296_826_809_44;
const BT2020_BETA: f64 = 0.018_053_968_510_807;
/// α and β of BT.709, as printed.
const BT709_ALPHA: f64 = 1.099;
const BT709_BETA: f64 = 0.018;

/// BT.709 signal of linear light (Rec. ITU-R BT.709-6, item 1.2).
pub fn bt709_encode(light: f64) -> f64 {
    camera_encode(light, BT709_ALPHA, BT709_BETA)
}

/// Linear light of a BT.709 signal: the inverse of [`bt709_encode`].
pub fn bt709_decode(signal: f64) -> f64 {
    camera_decode(signal, BT709_ALPHA, BT709_BETA)
}

/// BT.2020 signal of linear light (Rec. ITU-R BT.2020-2, table 4, with unrounded α and β).
pub fn bt2020_encode(light: f64) -> f64 {
    camera_encode(light, BT2020_ALPHA, BT2020_BETA)
}

/// Linear light of a BT.2020 signal: the inverse of [`bt2020_encode`].
pub fn bt2020_decode(signal: f64) -> f64 {
    camera_decode(signal, BT2020_ALPHA, BT2020_BETA)
}

/// The reference display of Rec. ITU-R BT.1886 (annex 1): L = a·max(V + b, 0)^2.4.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bt1886 {
    gain: f64,
    lift: f64,
}

impl Bt1886 {
    /// A display of white and black luminance, in cd/m² (or any one unit); 0 ≤ black < white.
    /// `None` outside that range.
    pub fn new(white: f64, black: f64) -> Option<Self> {
        if !(black >= 0.0 && black < white && white.is_finite()) {
            return None;
        }
        let (w, b) = (libm::pow(white, 1.0 / 2.4), libm::pow(black, 1.0 / 2.4));
        Some(Self { gain: libm::pow(w - b, 2.4), lift: b / (w - b) })
    }

    /// Luminance of a signal, in the unit of white and black.
    pub fn decode(&self, signal: f64) -> f64 {
        self.gain * libm::pow((signal + self.lift).max(0.0), 2.4)
    }

    /// Signal of a luminance ≥ 0, in the unit of white and black; negative counts as 0.
    pub fn encode(&self, luminance: f64) -> f64 {
        libm::pow(luminance.max(0.0) / self.gain, 1.0 / 2.4) - self.lift
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Handbook, section 10 (values there to six decimals, cross-checked with colour-science).
    #[test]
    fn published_values() {
        for (light, srgb, bt709) in [
            (0.01, 0.099853, 0.045000),
            (0.018, 0.142826, 0.081248),
            (0.18, 0.461356, 0.409008),
            (0.5, 0.735357, 0.705515),
        ] {
            assert!((srgb_encode(light) - srgb).abs() <= 5e-7, "sRGB {light}");
            assert!((bt709_encode(light) - bt709).abs() <= 5e-7, "BT.709 {light}");
        }
        assert!((srgb_decode(0.5) - 0.214041).abs() <= 5e-7);
        assert!((srgb_decode(128.0 / 255.0) - 0.215861).abs() <= 5e-7);
        let display = Bt1886::new(100.0, 0.1).unwrap();
        assert!((display.decode(0.5) - 21.60491).abs() <= 5e-6);
        let display = Bt1886::new(100.0, 0.0).unwrap();
        assert!((display.decode(0.5) - 18.94646).abs() <= 5e-6);
    }

    /// BT.2020 from the formula in the recommendation with its α and β; 0.18 and 0.5 lie within
    /// 1e-4 of the 12-bit rounding (α 1.0993) that colour-science 0.4.7 gives: 0.4088464, 0.7054347.
    #[test]
    fn bt2020_is_smooth_at_its_split() {
        assert!((bt2020_encode(0.18) - 0.4088464).abs() < 1e-4);
        assert!((bt2020_encode(0.5) - 0.7054347).abs() < 1e-4);
        let (below, above) = (4.5 * BT2020_BETA, bt2020_encode(BT2020_BETA));
        assert!((below - above).abs() < 1e-13, "{below} {above}");
        assert!((BT2020_ALPHA - (1.0 + 5.5 * BT2020_BETA)).abs() < 1e-14);
    }

    #[test]
    fn decode_undoes_encode() {
        let display = Bt1886::new(100.0, 0.1).unwrap();
        for i in -20..=300 {
            let light = f64::from(i) / 200.0;
            // sRGB's two printed splits do not quite match: next to them the other branch decodes.
            assert!((srgb_decode(srgb_encode(light)) - light).abs() < 1e-6, "sRGB {light}");
            assert!((bt709_decode(bt709_encode(light)) - light).abs() < 1e-12, "BT.709 {light}");
            assert!((bt2020_decode(bt2020_encode(light)) - light).abs() < 1e-12, "BT.2020 {light}");
            let shown = display.decode(light.max(0.0));
            assert!((display.encode(shown) - light.max(0.0)).abs() < 1e-12, "BT.1886 {light}");
        }
        assert_eq!(Bt1886::new(1.0, 1.0), None);
        assert_eq!(Bt1886::new(f64::NAN, 0.0), None);
    }
}
