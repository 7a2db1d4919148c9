//! The blur of a lens as a whole: aberration, defocus and diffraction by the lens's own switches.

use super::{Diffraction, Iris, Lens, transfer};

/// Blades that make a circle.
const ROUND: u32 = 800;

/// Transfer function (real, imaginary) of the lens for a point at axial depth `depth_m` from it.
///
/// `wavelength_m` of the emitter's colour; `fx`, `fy` in cycles per metre on the sensor, axes of the
/// upright picture. The product of
/// - the Gaussian of aberration;
/// - by [`Lens::diffraction`]: `Off`, the geometric blur; `Convolved`, the geometric blur times the
///   diffraction of a round pupil (for a bladed iris that of the circle around it); `Wave`, the
///   defocused pupil, round or bladed, exact.
///
/// Defocus off means no blur disc and no path error. Not in it: low-pass filter, photosite, emitter.
pub fn lens(lens: &Lens, depth_m: f64, wavelength_m: f64, fx: f64, fy: f64) -> (f64, f64) {
    let f = libm::hypot(fx, fy);
    let aberration = transfer::gaussian(f, lens.aberration_m);
    let scale = wavelength_m * lens.working_f_number();
    let (re, im) = match lens.diffraction {
        Diffraction::Off => geometric(lens, depth_m, fx, fy),
        Diffraction::Convolved => {
            let (re, im) = geometric(lens, depth_m, fx, fy);
            let round = transfer::diffraction(f * scale);
            (re * round, im * round)
        }
        Diffraction::Wave => {
            let waves = transfer::w20_m(lens, depth_m) / wavelength_m;
            let oval = (waves * lens.blur_aspect(), waves);
            match lens.iris {
                // A circle to a hundredth of a thousandth of its area.
                Iris::Round if lens.squeeze != 1.0 => {
                    transfer::defocus_wave_oval((fx * scale, fy * scale), oval, (ROUND, 0.0))
                }
                Iris::Round => (transfer::defocus_wave(f * scale, waves), 0.0),
                Iris::Bladed { blades, rotation_rad } => transfer::defocus_wave_oval(
                    (fx * scale, fy * scale),
                    oval,
                    (blades, rotation_rad),
                ),
            }
        }
    };
    (aberration * re, aberration * im)
}

/// Geometric defocus alone, round or bladed.
fn geometric(lens: &Lens, depth_m: f64, fx: f64, fy: f64) -> (f64, f64) {
    let blur_m = transfer::blur_disc_m(lens, depth_m);
    let fx = fx * lens.blur_aspect();
    match lens.iris {
        Iris::Round => (transfer::defocus_disc(blur_m, libm::hypot(fx, fy)), 0.0),
        Iris::Bladed { blades, rotation_rad } => {
            transfer::defocus_polygon(fx, fy, blur_m, blades, rotation_rad)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn test_lens(diffraction: Diffraction, iris: Iris) -> Lens {
        Lens { transmission: 0.9, aberration_m: 2e-6, iris, diffraction, ..Lens::plain() }
    }

    const BLADED: Iris = Iris::Bladed { blades: 5, rotation_rad: 0.3 };

    #[test]
    fn no_blur_at_zero_frequency() {
        for diffraction in [Diffraction::Off, Diffraction::Convolved, Diffraction::Wave] {
            for iris in [Iris::Round, BLADED] {
                for depth_m in [3.0, 5.0, 20.0, f64::INFINITY] {
                    let (re, im) = lens(&test_lens(diffraction, iris), depth_m, 525e-9, 0.0, 0.0);
                    assert!((re - 1.0).abs() < 1e-12 && im.abs() < 1e-12, "{diffraction:?}");
                }
            }
        }
    }

    #[test]
    fn modes_agree_where_they_must() {
        let (fx, fy) = (20e3, -9e3);
        for iris in [Iris::Round, BLADED] {
            let at =
                |diffraction, depth_m| lens(&test_lens(diffraction, iris), depth_m, 525e-9, fx, fy);
            // Far below the cutoff (3 % of it here) the wave is close to the geometric blur.
            let off = at(Diffraction::Off, 5.4);
            let wave = at(Diffraction::Wave, 5.4);
            assert!((off.0 - wave.0).hypot(off.1 - wave.1) < 0.05, "{off:?} {wave:?}");
        }
        // In focus, a round pupil out of the three modes differs only by diffraction.
        let at = |diffraction| lens(&test_lens(diffraction, Iris::Round), 5.0, 525e-9, fx, fy).0;
        assert!((at(Diffraction::Convolved) - at(Diffraction::Wave)).abs() < 1e-12);
        let gaussian = transfer::gaussian(fx.hypot(fy), 2e-6);
        assert!((at(Diffraction::Off) - gaussian).abs() < 1e-15);
    }

    #[test]
    fn an_odd_iris_turns_over_at_the_focus() {
        // The blur of a pentagon nearer than the focus is that beyond it turned by half a turn: the
        // transfer function's complex conjugate.
        for diffraction in [Diffraction::Off, Diffraction::Wave] {
            let iris = Iris::Bladed { blades: 3, rotation_rad: 0.3 };
            let near_m = 1.0 / (2.0 / 5.0 - 1.0 / 6.0);
            let far = lens(&test_lens(diffraction, iris), 6.0, 525e-9, 40e3, 10e3);
            let near = lens(&test_lens(diffraction, iris), near_m, 525e-9, 40e3, 10e3);
            assert!((far.0 - near.0).abs() < 1e-12 && (far.1 + near.1).abs() < 1e-12);
            assert!(far.1.abs() > 0.01, "{far:?}");
        }
    }

    #[test]
    fn defocus_off_is_in_focus_everywhere() {
        let off = Lens { defocus: false, ..test_lens(Diffraction::Wave, BLADED) };
        let sharp = lens(&test_lens(Diffraction::Wave, BLADED), 5.0, 525e-9, 30e3, 10e3);
        assert_eq!(lens(&off, 2.0, 525e-9, 30e3, 10e3), sharp);
    }
}
