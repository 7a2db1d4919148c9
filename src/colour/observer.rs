//! The CIE 1931 2° standard observer: the table, and a published fit to it.

use std::sync::LazyLock;

/// First wavelength of the table, nanometres.
pub(super) const FIRST_NM: usize = 360;
/// Last wavelength of the table, nanometres.
pub(super) const LAST_NM: usize = 830;

static TABLE: LazyLock<Vec<[f64; 3]>> = LazyLock::new(|| parse(include_str!("cie1931_1nm.csv")));

/// Reads `wavelength,x,y,z` lines; a broken line would leave a hole, which the tests look for.
fn parse(text: &str) -> Vec<[f64; 3]> {
    let mut table = vec![[0.0; 3]; LAST_NM - FIRST_NM + 1];
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let mut fields = line.split(',').filter_map(|f| f.parse::<f64>().ok());
        let entry =
            fields.next().and_then(|nm| table.get_mut((nm as usize).wrapping_sub(FIRST_NM)));
        if let Some(entry) = entry {
            for (value, field) in entry.iter_mut().zip(fields) {
                *value = field;
            }
        }
    }
    table
}

/// x̄, ȳ, z̄ of the CIE 1931 2° observer at every nanometre from 360 to 830 (ȳ is the CIE 1924 V(λ)).
pub fn table() -> &'static [[f64; 3]] {
    &TABLE
}

/// x̄, ȳ, z̄ at a wavelength in metres, linear between the table's nanometres; zero outside
/// 360–830 nm.
pub fn observer(wavelength_m: f64) -> [f64; 3] {
    at_nm(wavelength_m * 1e9)
}

/// As [`observer`], wavelength in nanometres.
pub(super) fn at_nm(nm: f64) -> [f64; 3] {
    if !(nm >= FIRST_NM as f64 && nm <= LAST_NM as f64) {
        return [0.0; 3];
    }
    let place = nm - FIRST_NM as f64;
    let i = (place as usize).min(LAST_NM - FIRST_NM - 1);
    let share = place - i as f64;
    let (a, b) = (TABLE[i], TABLE[i + 1]);
    std::array::from_fn(|c| a[c] + (b[c] - a[c]) * share)
}

/// Multi-lobe fit to x̄, ȳ, z̄ at a wavelength in metres.
///
/// Within 0.0140, 0.0080, 0.0222 of the table (380–780 nm). Source: C. Wyman, P.-P. Sloan,
/// P. Shirley, "Simple analytic approximations to the CIE XYZ color matching functions",
/// JCGT 2(2), 2013.
pub fn wyman_fit(wavelength_m: f64) -> [f64; 3] {
    let nm = wavelength_m * 1e9;
    let lobe = |a: f64, centre: f64, below: f64, above: f64| {
        let t = (nm - centre) * if nm < centre { below } else { above };
        a * libm::exp(-0.5 * t * t)
    };
    [
        lobe(0.362, 442.0, 0.0624, 0.0374) + lobe(1.056, 599.8, 0.0264, 0.0323)
            - lobe(0.065, 501.1, 0.0490, 0.0382),
        lobe(0.821, 568.8, 0.0213, 0.0247) + lobe(0.286, 530.9, 0.0613, 0.0322),
        lobe(1.217, 437.0, 0.0845, 0.0278) + lobe(0.681, 459.0, 0.0385, 0.0725),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums at 1 nm, 360–830 nm, as printed in the handbook (section 10), to its four decimals.
    #[test]
    fn table_is_whole() {
        assert_eq!(TABLE.len(), 471);
        let sum: [f64; 3] = std::array::from_fn(|c| TABLE.iter().map(|row| row[c]).sum());
        for (got, want) in sum.iter().zip([106.8655, 106.8569, 106.8923]) {
            assert!((got - want).abs() < 6e-5, "{sum:?}");
        }
        assert!(TABLE.iter().all(|row| row[0] > 0.0 && row[1] > 0.0));
    }

    #[test]
    fn outside_the_table_is_dark() {
        for m in [0.0, 359e-9, 831e-9, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(observer(m), [0.0; 3]);
        }
        // The last entry itself: 1.251141e-6 (table).
        assert!((at_nm(830.0)[0] - 1.251141e-6).abs() < 1e-15);
    }

    /// Largest errors of the fit over 380–780 nm (handbook, section 10).
    #[test]
    fn fit_is_as_good_as_published() {
        let mut worst = [0.0_f64; 3];
        for nm in 380..=780 {
            let (a, b) = (at_nm(f64::from(nm)), wyman_fit(f64::from(nm) * 1e-9));
            for c in 0..3 {
                worst[c] = worst[c].max((a[c] - b[c]).abs());
            }
        }
        for (got, want) in worst.iter().zip([0.0140, 0.0080, 0.0222]) {
            assert!((got - want).abs() < 6e-5, "{worst:?}");
        }
    }
}
