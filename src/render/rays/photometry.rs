//! Stand-ins for `crate::colour` until that room is furnished.

/// Share of the white's luminance that each primary carries.
pub fn luminance_shares(primaries_xy: [[f64; 2]; 3], white_xy: [f64; 2]) -> [f64; 3] {
    let column = |xy: [f64; 2]| [xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1]];
    let m = primaries_xy.map(column);
    let w = column(white_xy);
    let det = |a: [f64; 3], b: [f64; 3], c: [f64; 3]| {
        a[0] * (b[1] * c[2] - b[2] * c[1]) - b[0] * (a[1] * c[2] - a[2] * c[1])
            + c[0] * (a[1] * b[2] - a[2] * b[1])
    };
    let all = det(m[0], m[1], m[2]);
    [det(w, m[1], m[2]) / all, det(m[0], w, m[2]) / all, det(m[0], m[1], w) / all]
}

/// Photons per m² of one lux-second of an LED's light (spectrum of Ohno 2005, luminous efficiency
/// by the fit of Wyman, Sloan, Shirley 2013).
pub fn led_photons_per_lux_second_m2(wavelength_m: f64, linewidth_m: f64) -> f64 {
    let width_nm = (linewidth_m * 1e9 / 0.921823).max(1e-3);
    let (mut photons, mut lumens) = (0.0, 0.0);
    for step in 0..=470 {
        let nm = 360.0 + f64::from(step);
        let d = (nm - wavelength_m * 1e9) / width_nm;
        let g = libm::exp(-d * d);
        let power = (g + 2.0 * libm::pow(g, 5.0)) / 3.0;
        let bell = |at: f64, below: f64, above: f64| {
            let k = (nm - at) * if nm < at { below } else { above };
            libm::exp(-0.5 * k * k)
        };
        let sight = 0.821 * bell(568.8, 0.0213, 0.0247) + 0.286 * bell(530.9, 0.0613, 0.0322);
        photons += power * nm * 1e-9 / 1.986_445_86e-25;
        lumens += power * 683.0 * sight;
    }
    photons / lumens
}
