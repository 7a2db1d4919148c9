//! Colour against the handbook's tables (copied with their source into tests/data).

use gridbeat::colour::{self, BT709, BT2020, P3_D65};

/// The data lines of a table: comments and the header row left out, fields split.
fn lines(text: &str) -> Vec<Vec<&str>> {
    text.lines().filter(|l| !l.starts_with('#')).skip(1).map(|l| l.split(',').collect()).collect()
}

fn number(field: &str) -> f64 {
    field.parse().unwrap()
}

/// Half a unit in the eighth significant digit, the table's last.
const EIGHT_DIGITS: f64 = 5e-8;

#[test]
fn led_primaries_to_the_tables_digits() {
    let rows = lines(include_str!("data/led_primaries.csv"));
    let mut checked = 0;
    for row in rows.iter().filter(|r| r[3] == "ohno2005") {
        let (peak_m, fwhm_m) = (number(row[1]) * 1e-9, number(row[2]) * 1e-9);
        let [x, y] = colour::led_xy(peak_m, fwhm_m);
        let efficacy = colour::led_efficacy_lm_per_w(peak_m, fwhm_m);
        let photons = colour::led_photons_per_lux_second_m2(peak_m, fwhm_m) * 1e-12;
        for (got, want, what) in [
            (x, number(row[4]), "x"),
            (y, number(row[5]), "y"),
            (efficacy, number(row[6]), "lm/W"),
            (photons, number(row[7]), "photons"),
        ] {
            let off = (got / want - 1.0).abs();
            assert!(off <= 2.0 * EIGHT_DIGITS, "{what} of {} {}: {got} {want}", row[0], row[1]);
        }
        checked += 1;
    }
    assert_eq!(checked, 8);
}

#[test]
fn observer_and_fit_to_the_tables_digits() {
    let rows = lines(include_str!("data/cmf_wyman_check.csv"));
    assert_eq!(rows.len(), 26);
    for row in &rows {
        let wavelength_m = number(row[0]) * 1e-9;
        let (eye, fit) = (colour::observer(wavelength_m), colour::wyman_fit(wavelength_m));
        for c in 0..3 {
            let (want_eye, want_fit) = (number(row[1 + c]), number(row[4 + c]));
            assert!((eye[c] - want_eye).abs() <= 2.0 * EIGHT_DIGITS * want_eye, "{row:?} {eye:?}");
            assert!((fit[c] - want_fit).abs() <= 2.0 * EIGHT_DIGITS * want_fit, "{row:?} {fit:?}");
        }
    }
}

/// Handbook, section 10: computed there from the primaries, seven decimals (2020→709: six).
#[test]
fn matrices_to_the_published_digits() {
    let checks = [
        (
            BT709.to_xyz(),
            [
                [0.4123908, 0.3575843, 0.1804808],
                [0.2126390, 0.7151687, 0.0721923],
                [0.0193308, 0.1191948, 0.9505322],
            ],
            5.1e-8,
        ),
        (
            BT2020.to_xyz(),
            [
                [0.6369580, 0.1446169, 0.1688810],
                [0.2627002, 0.6779981, 0.0593017],
                [0.0, 0.0280727, 1.0609851],
            ],
            5.1e-8,
        ),
        (
            P3_D65.to_xyz(),
            [
                [0.4865709, 0.2656677, 0.1982173],
                [0.2289746, 0.6917385, 0.0792869],
                [0.0, 0.0451134, 1.0439444],
            ],
            5.1e-8,
        ),
        (
            BT709.from_xyz(),
            [
                [3.2409699, -1.5373832, -0.4986108],
                [-0.9692436, 1.8759675, 0.0415551],
                [0.0556301, -0.2039770, 1.0569715],
            ],
            5.1e-8,
        ),
        (
            colour::between(&BT2020, &BT709),
            [
                [1.660491, -0.587641, -0.072850],
                [-0.124550, 1.132900, -0.008349],
                [-0.018151, -0.100579, 1.118730],
            ],
            5.1e-7,
        ),
    ];
    for (got, want, bound) in checks {
        let got = got.unwrap();
        for (g, w) in got.iter().flatten().zip(want.iter().flatten()) {
            assert!((g - w).abs() <= bound, "{got:?}\n{want:?}");
        }
    }
}

/// IEC 61966-2-1 prints its matrices to four decimals; the ones computed from the primaries lie
/// within the 1e-3 that the handbook allows.
#[test]
fn printed_srgb_matrices_are_near() {
    let printed =
        [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];
    let got = BT709.from_xyz().unwrap();
    for (g, w) in got.iter().flatten().zip(printed.iter().flatten()) {
        assert!((g - w).abs() <= 1e-3);
    }
}
