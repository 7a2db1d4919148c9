//! Closed forms against the published tables, to the tables' digits.
//!
//! The tables come from a handbook written for this project (each file states how its numbers were
//! computed and from which publication); "handbook §" below means its section.

use gridbeat::math::special::sinc;
use gridbeat::optics::{Diffraction, Iris, Lens, geometry, plate, transfer};
use gridbeat::sensor::{bands, emva, photons};
use gridbeat::wall::arithmetic;

/// Rows of a table as text, without comments and the heading.
fn rows(table: &str) -> impl Iterator<Item = Vec<&str>> {
    table
        .lines()
        .filter(|line| !line.starts_with('#') && !line.trim().is_empty())
        .skip(1)
        .map(|line| line.split(',').collect())
}

/// A number, or a quotient such as `1001/48000`.
fn number(text: &str) -> f64 {
    match text.split_once('/') {
        Some((above, below)) => above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap(),
        None => text.parse().unwrap(),
    }
}

/// Asserts that `value` rounds to `text` at 8 significant digits, which the tables are written with
/// (without closing zeros); a printed 0 stands for less than 1e-10.
fn assert_eight_digits(value: f64, text: &str, what: &str) {
    let expected = number(text);
    let last =
        if expected == 0.0 { 2e-10 } else { 10_f64.powf(expected.abs().log10().floor() - 7.0) };
    // Half of the last digit; the hundredth is for values that end in an exact half.
    assert!((value - expected).abs() <= 0.51 * last, "{what}: {value} is not {text}");
}

/// Asserts that `value` rounds to `text` as printed.
fn assert_printed(value: f64, text: &str) {
    let decimals = text.split_once('.').map_or(0, |(_, part)| part.len() as i32);
    let expected: f64 = text.parse().unwrap();
    let half = 0.5 * 10_f64.powi(-decimals);
    assert!((value - expected).abs() <= half * (1.0 + 1e-6), "{value} is not {text}");
}

fn lens(focal_m: f64, f_number: f64, focus_m: f64) -> Lens {
    Lens {
        focal_m,
        f_number,
        transmission: 1.0,
        focus_m,
        aberration_m: 0.0,
        iris: Iris::Round,
        squeeze: 1.0,
        distortion: 0.0,
        vignetting: true,
        defocus: true,
        diffraction: Diffraction::Wave,
    }
}

#[test]
fn diffraction() {
    let mut count = 0;
    for row in rows(include_str!("data/mtf_diffraction.csv")) {
        assert_eight_digits(transfer::diffraction(number(row[0])), row[1], row[0]);
        count += 1;
    }
    assert_eq!(count, 21);
    assert_eq!(transfer::diffraction(1.5), 0.0);
}

#[test]
fn defocused_pupil() {
    let mut count = 0;
    for row in rows(include_str!("data/otf_defocus.csv")) {
        let (waves, nu) = (number(row[0]), number(row[1]));
        let what = format!("{waves} waves at {nu}");
        assert_eight_digits(transfer::defocus_wave(nu, waves), row[2], &what);
        assert_eight_digits(transfer::defocus_wave(nu, -waves), row[2], &what);
        // d = 8·N_w·λ·W and ν = f·λ·N_w, so d·f = 8·W·ν.
        assert_eight_digits(transfer::defocus_disc(8.0 * waves, nu), row[5], &what);
        count += 1;
    }
    assert_eq!(count, 76);
}

#[test]
fn geometric_disc() {
    // Handbook §2.
    for (df, text) in [
        (0.10, "0.987714"),
        (0.25, "0.924850"),
        (0.50, "0.721703"),
        (0.75, "0.449233"),
        (1.00, "0.181192"),
        (1.50, "-0.119539"),
        (2.00, "-0.067603"),
    ] {
        assert_printed(transfer::defocus_disc(1.0, df), text);
    }
}

#[test]
fn quartz_plates() {
    let mut count = 0;
    for row in rows(include_str!("data/quartz_split.csv")) {
        let indices = plate::quartz_indices(number(row[0]) * 1e-9);
        assert_eight_digits(indices.0, row[1], row[0]);
        assert_eight_digits(indices.1, row[2], row[0]);
        let at_45 = plate::split_m(1e-3, indices, std::f64::consts::FRAC_PI_4);
        assert_eight_digits(at_45 * 1e6, row[4], row[0]);
        let best = plate::split_m(1e-3, indices, (indices.1 / indices.0).atan());
        assert_eight_digits(best * 1e6, row[5], row[0]);
        assert_eight_digits(4e-6 / at_45, row[6], row[0]);
        count += 1;
    }
    assert_eq!(count, 9);
}

#[test]
fn photosite_aperture_and_the_product() {
    // Handbook §4: aperture, and the system at 550 nm, N_w 4, p = d = 5 µm, 50 cycles/mm.
    for (pf, text) in [(0.25, "0.900316"), (0.5, "0.636620"), (0.75, "0.300105"), (1.0, "0.000000")]
    {
        assert_printed(transfer::aperture(pf, 0.0, 1.0), text);
        assert_printed(transfer::aperture(0.0, pf, 1.0), text);
    }
    let half_fill = 0.5_f64.sqrt();
    assert_printed(transfer::aperture(0.5, 0.0, half_fill), "0.806700");
    assert_printed(transfer::aperture(1.0, 0.0, half_fill), "0.358188");
    let f = 50e3;
    let parts = [
        transfer::diffraction(transfer::relative_frequency(f, 550e-9, 4.0)),
        transfer::aperture(f, 0.0, 5e-6),
        transfer::low_pass(f, 0.0, 5e-6, 5e-6),
    ];
    for (part, text) in parts.iter().zip(["0.860227", "0.900316", "0.707107"]) {
        assert_printed(*part, text);
    }
    assert_printed(parts[0] * parts[1] * parts[2], "0.547637");
}

#[test]
fn emitter_shapes() {
    // Handbook §4: emitters of width αP at the first harmonic, square and round.
    for (alpha, square, round) in [
        (0.2, "0.935489", "0.951457"),
        (0.4, "0.756827", "0.815177"),
        (0.6, "0.504551", "0.616962"),
    ] {
        assert_printed(transfer::rectangle(1.0, 0.0, alpha, 0.3), square);
        assert_printed(transfer::disc(1.0, alpha), round);
    }
    for (h, k) in [(1.0, 0.0), (0.0, 2.0), (3.0, 5.0)] {
        assert!(transfer::tent(h, k, 1.0).abs() < 1e-30, "a tent is dark at lattice frequencies");
    }
}

#[test]
fn circle_of_confusion() {
    // Handbook §2: f_mm, N, S1_mm, S2_mm, c_um, m, N_w, W20 in waves of 550 nm, first null c/mm.
    for (f, n, s1, s2, c, m, working, waves, null) in [
        (50.0, 2.8, 5.0, 6.0, "30.0625", "0.0101010", "2.828283", "2.4157", "40.571"),
        (35.0, 4.0, 4.0, 3.0, "25.7461", "0.0088272", "4.035309", "1.4500", "47.373"),
        (75.0, 2.0, 3.0, 8.0, "600.9615", "0.0256410", "2.051282", "66.584", "2.0295"),
    ] {
        let lens = lens(f * 1e-3, n, s1);
        let blur_m = transfer::blur_disc_m(&lens, s2).abs();
        assert_printed(blur_m * 1e6, c);
        assert_printed(geometry::on_sensor_m(&lens, 1.0, s1), m);
        assert_printed(lens.working_f_number(), working);
        assert_printed(transfer::w20_m(&lens, s2).abs() / 550e-9, waves);
        let null_per_m = number(null) * 1e3;
        assert_printed(1.219_670 / blur_m * 1e-3, null);
        assert!(transfer::defocus_disc(blur_m, null_per_m).abs() < 1e-4);
    }
}

#[test]
fn wall_grid_on_the_sensor() {
    // Handbook §4: f_mm, S_mm, P_mm, p_um, pitch in photosites. (The handbook prints the last one
    // as 3.384444; 221/65.29875 = 3.38444457 rounds to 3.384445.)
    for (f, s, pitch, p, q) in [
        (35.0, 4.0, 2.5, 5.0, "4.413619"),
        (50.0, 5.0, 1.5, 5.0, "3.030303"),
        (24.0, 3.0, 2.5, 6.0, "3.360215"),
        (85.0, 8.0, 2.6, 8.25, "3.384445"),
    ] {
        let lens = lens(f * 1e-3, 4.0, s);
        assert_printed(geometry::on_sensor_m(&lens, pitch * 1e-3, s) / (p * 1e-6), q);
    }
    assert_printed(1e3 * geometry::distance_for_size_m(0.035, 2.5e-3, 10e-6), "8785");
    assert_printed(1e3 * geometry::distance_for_size_m(0.035, 2.5e-3, 5e-6), "17535");
}

#[test]
fn angle_of_view() {
    // Handbook §13: angle of view across, 35 mm lens at infinity.
    let lens = lens(0.035, 4.0, 1e12);
    for (width_mm, text) in
        [(36.0, "54.432"), (24.89, "39.148"), (23.6, "37.262"), (17.3, "27.764"), (13.2, "21.358")]
    {
        assert_printed(geometry::angle_of_view_rad(&lens, width_mm * 1e-3).to_degrees(), text);
    }
}

#[test]
fn scan_bands() {
    let mut count = 0;
    for row in rows(include_str!("data/rolling_shutter_bands.csv")) {
        let found = bands::band_extremes(number(row[0]), number(row[1]), number(row[2]));
        let what = row[..3].join(" ");
        for (value, text) in [
            (found.row_max, row[5]),
            (found.row_min, row[6]),
            (found.michelson, row[7]),
            (found.peak_to_peak_over_mean, row[8]),
            (found.fundamental_over_mean, row[9]),
        ] {
            assert_eight_digits(value, text, &what);
        }
        count += 1;
    }
    assert_eq!(count, 22);
    // Handbook §5: band count and roll of 3840 Hz.
    assert_printed(bands::bands_per_frame(3840.0, 16e-3), "61.44");
    assert_printed(bands::band_period_rows(3840.0, 16e-3 / 2160.0), "35.15625");
    assert_eq!(bands::roll_hz(3840.0, 24.0), 0.0);
    assert_printed(bands::roll_hz(3840.0, 24000.0 / 1001.0), "3.836164");
    assert_printed(bands::roll_hz(3840.0, 25.0), "-10");
}

#[test]
fn scan_bands_without_a_pulse_or_without_a_pause() {
    for duty in [0.0, 1.0] {
        let found = bands::band_extremes(3840.0, 1.0 / 333.0, duty);
        assert!((found.row_max - duty).abs() < 1e-14 && (found.row_min - duty).abs() < 1e-14);
        assert!(found.michelson.abs() < 1e-14);
        assert!(found.fundamental_over_mean.abs() < 1e-14);
    }
}

#[test]
fn driver_arithmetic() {
    // Handbook §6.
    assert_printed(arithmetic::unsplit_refresh_hz(20e6, 16, 1), "305.176");
    assert_printed(arithmetic::unsplit_refresh_hz(20e6, 16, 16), "19.0735");
    assert_printed(arithmetic::unsplit_clock_hz(2000.0, 16, 1) * 1e-6, "131.072");
    assert_eq!(arithmetic::segment_clocks(14, 6), 256.0);
    assert_printed(arithmetic::split_refresh_hz(20e6, 14, 6, 16), "4882.81");
    assert_printed(arithmetic::all_levels_s(20e6, 14, 16) * 1e3, "13.1072");
    assert_eq!(arithmetic::clocks_per_line(20e6, 60.0, 16), 20833.0);
    assert_printed(arithmetic::bits_available(20e6, 60.0, 16), "14.3466");
    assert_eq!(arithmetic::refresh_hz(60.0, 64), 3840.0);
    assert_printed(100.0 * arithmetic::clock_use(80e6, 60.0, 64, 32, 600, 50), "99.84");
    assert_eq!(arithmetic::grey_levels(64, 600), 38400);
    assert_printed(libm::log2(arithmetic::grey_levels(64, 600) as f64), "15.2288");
    assert_printed(arithmetic::lit_duty(32, 600, 50), "0.0288462");
    assert_eq!(arithmetic::on_time_s(1.0, 30e6, -50e-9), 0.0, "dark");
    assert_printed(1e9 * arithmetic::on_time_s(3.0, 30e6, -50e-9), "50.00");
}

#[test]
fn low_levels_lose_the_split() {
    // Handbook §6, M = 64: g 1 and 2 at once and twice the frame rate, 96 at 32 times, 64 at 64 times.
    for (clocks, times) in [(1, 1.0), (2, 2.0), (96, 32.0), (64, 64.0), (0, 0.0)] {
        assert_eq!(arithmetic::lowest_frequency_hz(clocks, 64, 60.0), 60.0 * times);
    }
}

#[test]
fn exposure() {
    // Handbook §9: L 1000, t 1/48, N 2.8, T 0.9 at m 0 and 0.01; ISO 12232 form with T 0.9, v 0.98, 10°.
    let h =
        |m: f64| photons::focal_plane_exposure_lx_s(1000.0, 1.0 / 48.0, 0.9, 2.8 * (1.0 + m), 1.0);
    assert_printed(h(0.0), "1.878344");
    assert_printed(h(0.01), "1.841333");
    let ten = 10_f64.to_radians().cos();
    assert_printed(photons::focal_plane_exposure_lx_s(1.0, 1.0, 0.9 * 0.98, 1.0, ten), "0.651575");
    let iso = photons::focal_plane_exposure_lx_s(4000.0, 1.0 / 250.0, 0.9 * 0.98, 8.0, ten);
    assert_printed(iso, "0.162894");
    // Mid-grey lies at 10/EI, so the exposure index of this exposure is 10/H.
    assert_printed(photons::mid_grey_exposure_lx_s(iso), "61.3897");
    assert!(photons::stops_about_mid_grey(iso, 10.0 / iso).abs() < 1e-14);
    assert!((photons::stops_about_mid_grey(4.0 * iso, 10.0 / iso) - 2.0).abs() < 1e-14);
    assert!((photons::saturation_exposure_lx_s(800.0) - 0.0975).abs() < 1e-15);
}

#[test]
fn photon_counts() {
    // Handbook §9: 555 nm with V = 1 and 683.002 lm/W.
    let at_555 = photons::photons_per_lx_s_m2(555e-9, 683.002);
    assert_printed(at_555 * 1e-12, "4090.7");
    // EMVA 1288: 50.34·A[µm²]·t[ms]·λ[µm]·E[µW/cm²], recomputed 50.3412.
    assert_printed(photons::photons(0.01, 1e-3, 1e-12, 1e-6), "50.3412");
    let mut count = 0;
    for row in rows(include_str!("data/led_primaries.csv")) {
        let (peak, fwhm) = (number(row[1]), number(row[2]));
        // Y. Ohno, Opt. Eng. 44(11) 111302 (2005), with the width that gives the true FWHM; or a Gaussian.
        let spectrum = |nm: f64| {
            if row[3] == "ohno2005" {
                let g = (-((nm - peak) / (fwhm / 0.921823)).powi(2)).exp();
                (g + 2.0 * g.powi(5)) / 3.0
            } else {
                (-4.0 * 2_f64.ln() * ((nm - peak) / fwhm).powi(2)).exp()
            }
        };
        let grid = || (360..=830).map(f64::from);
        let power: f64 = grid().map(spectrum).sum();
        let mean_nm = grid().map(|nm| nm * spectrum(nm)).sum::<f64>() / power;
        let found = photons::photons_per_lx_s_m2(mean_nm * 1e-9, number(row[6])) * 1e-12;
        // Two table values of eight digits meet in one.
        assert!((found / number(row[7]) - 1.0).abs() < 1.5e-7, "{row:?}: {found}");
        count += 1;
    }
    assert_eq!(count, 16);
}

#[test]
fn saturation_speed() {
    // Handbook §9: p_um, QE, S, H_sat, n_sat at 4090.67 photons/µm² per lx·s.
    let phi = 4090.67e12;
    for (p, qe, speed, h_sat, n_sat) in [
        (5.0, 0.5, 800.0, "0.0975", "4985.5"),
        (8.25, 0.5, 800.0, "0.0975", "13573.0"),
        (4.0, 0.6, 100.0, "0.78", "30630.9"),
        (3.0, 0.6, 400.0, "0.195", "4307.5"),
    ] {
        let area_m2 = p * p * 1e-12;
        let saturation = photons::saturation_exposure_lx_s(speed);
        assert_printed(saturation, h_sat);
        assert_printed(photons::electrons(saturation, phi, area_m2, qe), n_sat);
    }
    assert_printed(photons::saturation_speed(30000.0, phi, 25e-12, 0.5), "132.95");
    assert_printed(photons::saturation_speed(60000.0, phi, 8.25 * 8.25 * 1e-12, 0.5), "180.97");
}

#[test]
fn linear_sensor_model() {
    // Handbook §9: K 0.25 DN/e−, η 0.6, σ_d 2.5 e−.
    let sensor =
        emva::LinearSensor { gain_dn_per_e: 0.25, quantum_efficiency: 0.6, dark_e: 2.5, prnu: 0.0 };
    for (photons, signal, variance, ratio) in [
        (1.0, "0.15", "0.511458", "0.209742"),
        (10.0, "1.5", "0.848958", "1.627976"),
        (100.0, "15", "4.223958", "7.298464"),
        (1000.0, "150", "37.973958", "24.341555"),
        (10000.0, "1500", "375.473958", "77.410763"),
        (50000.0, "7500", "1875.473958", "173.183194"),
    ] {
        assert_printed(sensor.signal_dn(photons), signal);
        assert_printed(sensor.variance_dn2(photons), variance);
        assert_printed(sensor.signal_to_noise(photons), ratio);
    }
    let uneven = emva::LinearSensor { prnu: 0.01, ..sensor };
    assert_printed(uneven.variance_dn2(10000.0).sqrt(), "24.5046");
    assert_printed(uneven.signal_to_noise(10000.0), "61.2131");
    assert_printed(sensor.fewest_photons(), "5.42298");
    assert_printed(emva::dynamic_range_stops(15000.0, 2.5), "12.5507");
}

#[test]
fn sinc_has_the_published_sign() {
    // Transfer functions keep their sign past the first null: sinc(1.5) = −2/(3π).
    assert!((sinc(1.5) + 2.0 / (3.0 * std::f64::consts::PI)).abs() < 1e-15);
}
