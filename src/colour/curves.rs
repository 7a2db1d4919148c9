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

/// The constants of the hybrid log-gamma, as printed (ARIB STD-B67 has the same, by the documentation of colour-science
/// 0.3.10, `ARIBSTDB67_CONSTANTS`): b = 1 − 4a, c = ½ − a·ln 4a.
const HYBRID_A: f64 = 0.178_832_77;
const HYBRID_B: f64 = 0.284_668_92;
const HYBRID_C: f64 = 0.559_910_73;

/// Hybrid log-gamma signal of linear light: a square root up to 1/12, a logarithm above (Rec. ITU-R BT.2100-2, table 5,
/// reference OETF). Light 0 to 1; below 0 counts as 0, above 1 the logarithm goes on.
pub fn hybrid_log_gamma_encode(light: f64) -> f64 {
    if light <= 1.0 / 12.0 {
        (3.0 * light.max(0.0)).sqrt()
    } else {
        HYBRID_A * libm::log(12.0 * light - HYBRID_B) + HYBRID_C
    }
}

/// Linear light of a hybrid log-gamma signal: the inverse of [`hybrid_log_gamma_encode`] (table 5, note 5a).
pub fn hybrid_log_gamma_decode(signal: f64) -> f64 {
    if signal <= 0.5 {
        let signal = signal.max(0.0);
        signal * signal / 3.0
    } else {
        (libm::exp((signal - HYBRID_C) / HYBRID_A) + HYBRID_B) / 12.0
    }
}

/// The straight part of ACEScct and the light and the signal at which it ends, as printed.
const CCT_SLOPE: f64 = 10.540_237_741_654_5;
const CCT_OFFSET: f64 = 0.072_905_534_195_835_5;
const CCT_LIGHT: f64 = 0.007_812_5;
const CCT_SIGNAL: f64 = 0.155_251_141_552_511;

/// ACEScct signal of linear light: a straight line up to 1/128, above it a logarithm of 17.52 stops from signal 0 to 1
/// (Academy S-2016-001, "ACEScct, a quasi-logarithmic encoding of ACES data", 2016, section 4.3). Any light; below about
/// −0.007 the signal is negative, at 222.9 it is 1.
pub fn acescct_encode(light: f64) -> f64 {
    if light <= CCT_LIGHT {
        CCT_SLOPE * light + CCT_OFFSET
    } else {
        (libm::log2(light) + 9.72) / 17.52
    }
}

/// Linear light of an ACEScct signal: the inverse of [`acescct_encode`] (section 4.4, without its limit at 65504).
pub fn acescct_decode(signal: f64) -> f64 {
    if signal <= CCT_SIGNAL {
        (signal - CCT_OFFSET) / CCT_SLOPE
    } else {
        libm::exp2(signal * 17.52 - 9.72)
    }
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

    /// BT.2100-2, table 5: the parts meet at 1/12, signal ½; top light is top signal; b and c follow from a.
    /// BT.2408-7, table 1: a white at 75 % of the signal, a grey card of 18 % of it at 38 %, one of 90 % at 73 %. Both
    /// places, the levels and the white's share of light of 0.265 are from memory.
    #[test]
    fn hybrid_log_gamma_is_the_published_one() {
        assert_eq!(hybrid_log_gamma_encode(1.0 / 12.0), 0.5);
        assert!((hybrid_log_gamma_encode(1.0 / 12.0 + 1e-12) - 0.5).abs() < 1e-7);
        assert!((hybrid_log_gamma_encode(1.0) - 1.0).abs() < 1e-7);
        assert!((HYBRID_B - (1.0 - 4.0 * HYBRID_A)).abs() < 1e-8);
        assert!((HYBRID_C - (0.5 - HYBRID_A * (4.0 * HYBRID_A).ln())).abs() < 1e-8);
        let white = hybrid_log_gamma_decode(0.75);
        assert!((white - 0.265).abs() < 5e-4, "{white}");
        assert!((hybrid_log_gamma_encode(0.18 * white) - 0.38).abs() < 0.005);
        assert!((hybrid_log_gamma_encode(0.90 * white) - 0.73).abs() < 0.005);
        assert_eq!((hybrid_log_gamma_encode(-0.1), hybrid_log_gamma_decode(-0.1)), (0.0, 0.0));
    }

    /// S-2016-001: the break's light 0.0078125 and signal 0.155251141552511, 65504 at 1.468 (rounded there), mid-grey
    /// 0.18 at 0.413588402492442 (the documentation of colour-science 0.3.14, `log_decoding_ACEScct`). Signal 1 lies 17.52 − 9.72 stops above light 1.
    #[test]
    fn acescct_is_the_published_one() {
        assert!((acescct_encode(0.0078125) - 0.155251141552511).abs() < 1e-14);
        assert!((acescct_encode(0.0078125 + 1e-15) - 0.155251141552511).abs() < 1e-12);
        assert!((acescct_encode(0.18) - 0.413588402492442).abs() < 1e-14);
        assert!((acescct_encode(1.0) - 9.72 / 17.52).abs() < 1e-15);
        assert!((acescct_encode(65504.0) - 1.468).abs() < 5e-4);
        assert!((acescct_encode(2.0_f64.powf(7.8)) - 1.0).abs() < 1e-14);
        assert_eq!(acescct_encode(0.0), 0.0729055341958355);
        // A stop is the same step wherever the curve is a logarithm.
        let step = |light: f64| acescct_encode(2.0 * light) - acescct_encode(light);
        assert!((step(0.1) - 1.0 / 17.52).abs() < 1e-14 && (step(3.0) - 1.0 / 17.52).abs() < 1e-14);
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
            assert!(
                (acescct_decode(acescct_encode(light)) - light).abs() < 1e-12,
                "ACEScct {light}"
            );
            let hybrid = hybrid_log_gamma_decode(hybrid_log_gamma_encode(light));
            assert!((hybrid - light.max(0.0)).abs() < 1e-12, "hybrid {light}");
            let shown = display.decode(light.max(0.0));
            assert!((display.encode(shown) - light.max(0.0)).abs() < 1e-12, "BT.1886 {light}");
        }
        assert_eq!(Bt1886::new(1.0, 1.0), None);
        assert_eq!(Bt1886::new(f64::NAN, 0.0), None);
    }
}
