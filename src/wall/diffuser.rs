//! A diffuser in front of the wall: a translucent sheet that scatters the light of every emitter.

use std::f64::consts::LN_2;

/// A sheet that stands off the wall's face and scatters light by angles of Gaussian spread.
///
/// Seen from far off and near the normal, each point of the wall becomes a Gaussian in the wall's plane. It reaches past
/// the wall's outline all around, and takes nothing from the emitters' falloff with viewing angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Diffuser {
    /// Distance from the wall's face, metres; 0 or more.
    pub stand_off_m: f64,
    /// Full width at half maximum of the scatter, radians; from 0 to below π.
    pub scatter_rad: f64,
    /// Share of the light that it passes, 0 to 1.
    pub transmission: f64,
}

impl Diffuser {
    /// Standard deviation, along any axis of the wall's plane, of what a point of light becomes, metres:
    /// s·tan(θ/2)/√(2 ln 2), of a Gaussian whose full width at half maximum is 2·s·tan(θ/2).
    ///
    /// Geometry of a Gaussian scatter at a stand-off s; a modelling assumption. The scatter's tilt with the point's distance
    /// (the third power of a cosine) is left out: it counts at wide angles.
    pub fn sigma_m(&self) -> f64 {
        self.stand_off_m * libm::tan(0.5 * self.scatter_rad) / (2.0 * LN_2).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sigma_has_the_printed_values() {
        // Handbook §14: stand-off mm, scatter °, σ mm; computed there from the same definition, to six digits.
        for (stand_off_mm, scatter_deg, sigma_mm) in [
            (3.0, 30.0_f64, 0.682725),
            (5.0, 30.0, 1.137875),
            (10.0, 10.0, 0.743060),
            (2.0, 40.0, 0.618256),
            (5.0, 20.0, 0.748792),
        ] {
            let diffuser = Diffuser {
                stand_off_m: stand_off_mm / 1e3,
                scatter_rad: scatter_deg.to_radians(),
                transmission: 1.0,
            };
            let found = diffuser.sigma_m() * 1e3;
            assert!(
                (found - sigma_mm).abs() < 0.6e-6,
                "{stand_off_mm} mm, {scatter_deg}°: {found}"
            );
        }
    }
}
