//! Counter-based random numbers: a pure function of what is being drawn, never of what was drawn
//! before. The same bits on any machine, for any order and number of threads.

use rand::TryRng;
use std::convert::Infallible;

/// Philox4x32-10: 128 bits of counter and 64 of key to 128 random bits.
///
/// J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random numbers: as easy as 1, 2,
/// 3", SC 2011.
pub fn philox(counter: [u32; 4], key: [u32; 2]) -> [u32; 4] {
    let [mut c0, mut c1, mut c2, mut c3] = counter;
    let [mut k0, mut k1] = key;
    for _ in 0..10 {
        let left = u64::from(c0) * 0xD251_1F53;
        let right = u64::from(c2) * 0xCD9E_8D57;
        (c0, c1, c2, c3) = (
            (right >> 32) as u32 ^ c1 ^ k0,
            right as u32,
            (left >> 32) as u32 ^ c3 ^ k1,
            left as u32,
        );
        k0 = k0.wrapping_add(0x9E37_79B9);
        k1 = k1.wrapping_add(0xBB67_AE85);
    }
    [c0, c1, c2, c3]
}

/// What a random number is for; each purpose has numbers of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u32)]
pub enum Purpose {
    /// Shot noise and read noise of a photosite in a frame.
    Exposure = 0,
    /// Fixed differences between photosites.
    Response = 1,
    /// Points on a photosite and on the pupil, for the rays.
    Rays = 2,
    /// Content and other material.
    Content = 3,
    /// How the cabinets of a wall differ.
    Cabinets = 4,
    /// Which emitters of a wall are dead.
    DeadEmitters = 5,
    /// What a recipe draws for a sample.
    Recipe = 6,
}

fn words(seed: u64) -> [u32; 2] {
    [seed as u32, (seed >> 32) as u32]
}

/// Two uniform numbers in the open interval (0, 1), 53 bits each, of one item of one frame.
///
/// `index` is the item's number in the whole, such as a photosite's in the full sensor, so that a
/// part of a picture draws what the whole would have drawn there.
pub fn uniforms(seed: u64, frame: u32, index: u64, purpose: Purpose) -> [f64; 2] {
    let counter = [index as u32, (index >> 32) as u32, frame, (purpose as u32) << 24];
    let [a, b, c, d] = philox(counter, words(seed));
    [unit(u64::from(a) << 32 | u64::from(b)), unit(u64::from(c) << 32 | u64::from(d))]
}

/// 64 random bits as the middle of one of 2⁵³ equal parts of (0, 1), or of 2⁵² near 1, where
/// halves round; never 0 and never 1.
fn unit(bits: u64) -> f64 {
    const PART: f64 = 1.0 / (1_u64 << 53) as f64;
    let value = ((bits >> 11) as f64 + 0.5) * PART;
    value.min(1.0 - PART)
}

/// A stream of random numbers for one item of one frame, behind the traits of `rand`.
///
/// 2²⁴ blocks of 128 bits, after which it starts again.
#[derive(Debug, Clone)]
pub struct Stream {
    key: [u32; 2],
    counter: [u32; 4],
    block: [u32; 4],
    used: usize,
}

impl Stream {
    /// The stream of an item; the arguments are those of [`uniforms`], whose two numbers it starts with.
    pub fn new(seed: u64, frame: u32, index: u64, purpose: Purpose) -> Self {
        let counter = [index as u32, (index >> 32) as u32, frame, (purpose as u32) << 24];
        Self { key: words(seed), counter, block: [0; 4], used: 4 }
    }

    /// A uniform number in the open interval (0, 1).
    pub fn uniform(&mut self) -> f64 {
        let high = self.word();
        let low = self.word();
        unit(u64::from(high) << 32 | u64::from(low))
    }

    fn word(&mut self) -> u32 {
        if self.used == 4 {
            self.block = philox(self.counter, self.key);
            let next = (self.counter[3] & 0x00FF_FFFF).wrapping_add(1) & 0x00FF_FFFF;
            self.counter[3] = self.counter[3] & 0xFF00_0000 | next;
            self.used = 0;
        }
        self.used += 1;
        self.block[self.used - 1]
    }
}

impl TryRng for Stream {
    type Error = Infallible;

    fn try_next_u32(&mut self) -> Result<u32, Infallible> {
        Ok(self.word())
    }

    fn try_next_u64(&mut self) -> Result<u64, Infallible> {
        let low = self.word();
        let high = self.word();
        Ok(u64::from(high) << 32 | u64::from(low))
    }

    fn try_fill_bytes(&mut self, bytes: &mut [u8]) -> Result<(), Infallible> {
        for part in bytes.chunks_mut(4) {
            part.copy_from_slice(&self.word().to_le_bytes()[..part.len()]);
        }
        Ok(())
    }
}

/// The standard normal quantile of `u` in (0, 1): the number that a normal deviate stays below with
/// probability u. One uniform number gives one normal one.
///
/// M. J. Wichura, "Algorithm AS 241: the percentage points of the normal distribution", Appl.
/// Statist. 37, 477–484 (1988), function PPND16; relative error about 1e-16. −∞ at 0, +∞ at 1, NaN
/// outside.
pub fn normal_quantile(u: f64) -> f64 {
    let q = u - 0.5;
    if q.abs() <= 0.425 {
        let r = 0.180_625 - q * q;
        return q * ratio(r, &NEAR.0, &NEAR.1);
    }
    let tail = if q < 0.0 { u } else { 1.0 - u };
    if tail == 0.0 {
        return if q < 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    let r = (-libm::log(tail)).sqrt();
    let value = if r <= 5.0 {
        ratio(r - 1.6, &MIDDLE.0, &MIDDLE.1)
    } else {
        ratio(r - 5.0, &FAR.0, &FAR.1)
    };
    if q < 0.0 { -value } else { value }
}

/// Quotient of two polynomials, coefficients from the constant up.
fn ratio(x: f64, above: &[f64; 8], below: &[f64; 8]) -> f64 {
    let value = |c: &[f64; 8]| c.iter().rev().fold(0.0, |sum, &a| sum * x + a);
    value(above) / value(below)
}

// The three pairs of polynomials of PPND16.
const NEAR: ([f64; 8], [f64; 8]) = (
    [
        3.387_132_872_796_366_5,
        1.331_416_678_917_843_8e2,
        1.971_590_950_306_551_3e3,
        1.373_169_376_550_946e4,
        4.592_195_393_154_987e4,
        6.726_577_092_700_87e4,
        3.343_057_558_358_813e4,
        2.509_080_928_730_122_7e3,
    ],
    [
        1.0,
        4.231_333_070_160_091e1,
        6.871_870_074_920_579e2,
        5.394_196_021_424_751e3,
        2.121_379_430_158_659_7e4,
        3.930_789_580_009_271e4,
        2.872_908_573_572_194_3e4,
        5.226_495_278_852_854e3,
    ],
);
const MIDDLE: ([f64; 8], [f64; 8]) = (
    [
        1.423_437_110_749_683_5,
        4.630_337_846_156_546,
        5.769_497_221_460_691,
        3.647_848_324_763_204_5,
        1.270_458_252_452_368_4,
        2.417_807_251_774_506e-1,
        2.272_384_498_926_918_4e-2,
        7.745_450_142_783_414e-4,
    ],
    [
        1.0,
        2.053_191_626_637_759,
        1.676_384_830_183_803_8,
        6.897_673_349_851e-1,
        1.481_039_764_274_800_8e-1,
        1.519_866_656_361_645_7e-2,
        5.475_938_084_995_345e-4,
        1.050_750_071_644_416_9e-9,
    ],
);
const FAR: ([f64; 8], [f64; 8]) = (
    [
        6.657_904_643_501_103,
        5.463_784_911_164_114,
        1.784_826_539_917_291_3,
        2.965_605_718_285_048_7e-1,
        2.653_218_952_657_612_4e-2,
        1.242_660_947_388_078_4e-3,
        2.711_555_568_743_487_6e-5,
        2.010_334_399_292_288_1e-7,
    ],
    [
        1.0,
        5.998_322_065_558_88e-1,
        1.369_298_809_227_358e-1,
        1.487_536_129_085_061_5e-2,
        7.868_691_311_456_133e-4,
        1.846_318_317_510_054_8e-5,
        1.421_511_758_316_446e-7,
        2.044_263_103_389_939_8e-15,
    ],
);

/// From this mean on, [`poisson`] uses an expansion instead of adding up probabilities.
const EXPANSION_FROM: f64 = 16.0;

/// A Poisson number of mean `mean` from one uniform number `u` in (0, 1), by inversion.
///
/// Below a mean of 16 the probabilities are added up, exact to rounding. From there on it is the
/// Cornish–Fisher expansion of the quantile (E. A. Cornish, R. A. Fisher, Rev. Inst. Int. Statist.
/// 5, 307–320, 1938) with variance mean − 1/12, since rounding to whole numbers adds 1/12
/// (Sheppard): the mean is right to 2e-9, the variance to 2e-5, and the distribution function to
/// 1.3e-4, all at a mean of 16 and better above. A mean that is not above 0, or not a number, gives 0.
pub fn poisson(mean: f64, u: f64) -> f64 {
    if mean.is_nan() || mean <= 0.0 {
        return 0.0;
    }
    if mean < EXPANSION_FROM {
        let mut probability = libm::exp(-mean);
        let mut total = probability;
        let mut count = 0.0;
        // 128 is 28 standard deviations out at the largest mean; the bound only stops a `total`
        // that rounding keeps below u.
        while u > total && count < 128.0 {
            count += 1.0;
            probability *= mean / count;
            total += probability;
        }
        return count;
    }
    let z = normal_quantile(u);
    let spread = mean.sqrt();
    let count = mean
        + z * (mean - 1.0 / 12.0).sqrt()
        + (z * z - 1.0) / 6.0
        + (z - z * z * z) / (72.0 * spread);
    (count + 0.5).floor().max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::Rng;

    #[test]
    fn philox_gives_the_published_words() {
        // Known answers of the authors' own library, 10 rounds (file kat_vectors).
        let ones = u32::MAX;
        for (counter, key, expected) in [
            ([0; 4], [0; 2], [0x6627e8d5, 0xe169c58d, 0xbc57ac4c, 0x9b00dbd8]),
            ([ones; 4], [ones; 2], [0x408f276d, 0x41c83b0e, 0xa20bc7c6, 0x6d5451fd]),
            (
                [0x243f6a88, 0x85a308d3, 0x13198a2e, 0x03707344],
                [0xa4093822, 0x299f31d0],
                [0xd16cfe09, 0x94fdcceb, 0x5001e420, 0x24126ea1],
            ),
        ] {
            assert_eq!(philox(counter, key), expected);
        }
    }

    #[test]
    fn a_stream_starts_with_the_two_uniforms_and_goes_on() {
        let mut stream = Stream::new(7, 3, 1 << 40, Purpose::Rays);
        let pair = uniforms(7, 3, 1 << 40, Purpose::Rays);
        assert_eq!([stream.uniform(), stream.uniform()], pair);
        assert_ne!([stream.uniform(), stream.uniform()], pair);
        let mut bytes = [0_u8; 7];
        let mut twin = stream.clone();
        stream.fill_bytes(&mut bytes);
        assert_eq!(bytes[..4], twin.next_u32().to_le_bytes());
    }

    #[test]
    fn every_part_of_the_address_changes_the_number() {
        let base = uniforms(1, 2, 3, Purpose::Exposure);
        for other in [
            uniforms(2, 2, 3, Purpose::Exposure),
            uniforms(1 + (1 << 32), 2, 3, Purpose::Exposure),
            uniforms(1, 3, 3, Purpose::Exposure),
            uniforms(1, 2, 4, Purpose::Exposure),
            uniforms(1, 2, 3 + (1 << 32), Purpose::Exposure),
            uniforms(1, 2, 3, Purpose::Response),
        ] {
            assert!(other[0] != base[0] && other[1] != base[1]);
        }
    }

    #[test]
    fn uniforms_stay_inside_the_open_interval() {
        assert!(unit(0) > 0.0 && unit(u64::MAX) < 1.0);
    }

    #[test]
    fn the_normal_quantile_inverts_the_error_function() {
        // Φ(z) = erfc(−z/√2)/2, from an independent library function; below the median, where
        // the distribution function keeps its relative accuracy.
        for i in 1..=380 {
            let z = -0.1 * f64::from(i) / 5.0;
            let u = 0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2);
            assert!((normal_quantile(u) - z).abs() < 3e-13 * (1.0 + z.abs()), "{z}");
        }
        assert_eq!(normal_quantile(0.5), 0.0);
        // Two-sided 95 %: 1.959963984540054 (common table value).
        assert!((normal_quantile(0.975) - 1.959_963_984_540_054).abs() < 1e-14);
        assert!(normal_quantile(f64::NAN).is_nan());
    }

    /// Exact mean, variance and largest distribution error of [`poisson`] over its own u: the steps
    /// of the staircase are found by bisection, so no sampling error hides anything.
    fn staircase(mean: f64) -> (f64, f64, f64) {
        let spread = mean.sqrt();
        let first = (mean - 9.0 * spread).floor().max(0.0);
        let last = (mean + 10.0 * spread + 12.0).ceil();
        let (mut below, mut at) =
            (0.0, libm::exp(first * libm::log(mean) - mean - libm::lgamma(first + 1.0)));
        let (mut exact, mut worst, mut sum, mut squares) = (0.0, 0.0_f64, 0.0, 0.0);
        let mut count = first;
        while count <= last {
            exact += at;
            let (mut low, mut high) = (0.0, 1.0);
            for _ in 0..70 {
                let middle = 0.5 * (low + high);
                if poisson(mean, middle) <= count { low = middle } else { high = middle }
            }
            worst = worst.max((low - exact).abs());
            let off = count - mean;
            sum += off * (low - below);
            squares += off * off * (low - below);
            below = low;
            count += 1.0;
            at *= mean / count;
        }
        (mean + sum, squares - sum * sum, worst)
    }

    #[test]
    fn poisson_has_the_right_mean_variance_and_distribution() {
        for mean in [0.01, 0.7, 3.0, 11.0, 15.99] {
            let (m, v, worst) = staircase(mean);
            assert!((m / mean - 1.0).abs() < 1e-9, "mean {m} of {mean}");
            assert!((v / mean - 1.0).abs() < 1e-9, "variance {v} of {mean}");
            assert!(worst < 1e-12, "distribution off by {worst} at {mean}");
        }
        for mean in [16.0, 20.0, 47.3, 300.0, 5000.0] {
            let (m, v, worst) = staircase(mean);
            assert!((m / mean - 1.0).abs() < 2e-9, "mean {m} of {mean}");
            assert!((v / mean - 1.0).abs() < 2e-5, "variance {v} of {mean}");
            assert!(worst < 1.3e-4, "distribution off by {worst} at {mean}");
        }
    }

    #[test]
    fn poisson_of_nothing_is_nothing() {
        for mean in [0.0, -1.0, f64::NAN, f64::NEG_INFINITY] {
            assert_eq!(poisson(mean, 0.999), 0.0);
        }
    }
}
