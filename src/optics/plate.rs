//! The split of a birefringent plate: what an optical low-pass filter is made of.

/// Ordinary and extraordinary index of crystal quartz at a wavelength in metres, 0.2 to 2 µm, at
/// room temperature.
///
/// n² = 1 + A + Bλ²/(λ² − C) + Dλ²/(λ² − E), λ in µm; G. Ghosh, Opt. Commun. 163, 95–102 (1999).
pub fn quartz_indices(wavelength_m: f64) -> (f64, f64) {
    let um2 = wavelength_m * 1e6 * (wavelength_m * 1e6);
    let index =
        |[a, b, c, d]: [f64; 4]| (1.0 + a + b * um2 / (um2 - c) + d * um2 / (um2 - 100.0)).sqrt();
    (
        index([0.286_041_41, 1.070_440_83, 0.010_058_599_7, 1.102_022_42]),
        index([0.288_518_04, 1.095_099_24, 0.010_210_186_4, 1.156_624_75]),
    )
}

/// Distance between the two spots of a plate, metres.
///
/// `thickness_m` t, `indices` (n_o, n_e), `axis_rad` the angle θ of the optic axis to the plate's
/// normal, 0 to π/2: d = t·(n_e² − n_o²)·tan θ/(n_e² + n_o²·tan² θ), from the index ellipsoid.
/// Largest at tan θ = n_e/n_o, close to 45°. Negative for a crystal with n_e < n_o.
pub fn split_m(thickness_m: f64, indices: (f64, f64), axis_rad: f64) -> f64 {
    let (o2, e2) = (indices.0 * indices.0, indices.1 * indices.1);
    let (sin, cos) = (libm::sin(axis_rad), libm::cos(axis_rad));
    // tan θ/(e² + o² tan² θ) without an infinity at 90°.
    thickness_m * (e2 - o2) * sin * cos / (e2 * cos * cos + o2 * sin * sin)
}
