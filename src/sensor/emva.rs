//! The linear sensor model of EMVA Standard 1288: what mean, variance and signal-to-noise ratio a
//! linear camera has at a number of photons. Equations of releases 3.1 and 4.0.

/// Variance of rounding to whole levels, DN².
pub const ROUNDING_DN2: f64 = 1.0 / 12.0;

/// A linear sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearSensor {
    /// Raw levels per electron, DN/e−.
    pub gain_dn_per_e: f64,
    /// Electrons per photon.
    pub quantum_efficiency: f64,
    /// Noise without light, electrons (1 σ).
    pub dark_e: f64,
    /// Photo-response non-uniformity, 1 σ as a fraction.
    pub prnu: f64,
}

impl LinearSensor {
    /// Mean level above black, DN: K·η·μ_p.
    pub fn signal_dn(&self, photons: f64) -> f64 {
        self.gain_dn_per_e * self.quantum_efficiency * photons
    }

    /// Variance over the photosites of one flat frame, DN²: K²·(σ_d² + η·μ_p) + 1/12 + (K·r·η·μ_p)².
    ///
    /// With `prnu` 0 this is the photon-transfer line: slope K against the mean, intercept
    /// K²·σ_d² + 1/12. It holds while the noise is wide against a level (about 0.5 DN).
    pub fn variance_dn2(&self, photons: f64) -> f64 {
        let k = self.gain_dn_per_e;
        let pattern = self.prnu * self.signal_dn(photons);
        k * k * (self.dark_e * self.dark_e + self.quantum_efficiency * photons)
            + ROUNDING_DN2
            + pattern * pattern
    }

    /// Signal-to-noise ratio of one photosite.
    pub fn signal_to_noise(&self, photons: f64) -> f64 {
        self.signal_dn(photons) / self.variance_dn2(photons).sqrt()
    }

    /// Fewest photons that stand out (signal-to-noise ratio about 1): [√(σ_d² + σ_q²/K²) + ½]/η.
    pub fn fewest_photons(&self) -> f64 {
        let k = self.gain_dn_per_e;
        let dark = (self.dark_e * self.dark_e + ROUNDING_DN2 / (k * k)).sqrt();
        (dark + 0.5) / self.quantum_efficiency
    }
}

/// Stops between full well and read noise: log₂ of their ratio.
pub fn dynamic_range_stops(full_well_e: f64, read_noise_e: f64) -> f64 {
    libm::log2(full_well_e / read_noise_e)
}
