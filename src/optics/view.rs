//! What one place of the sensor sees of a face of the wall: its local geometry, and all blurs together as a transform on the wall.

use super::blur::Blur;
use crate::math::special::turn;
use crate::math::table::Table;
use glam::{DMat2, DVec2};
use rustfft::num_complex::Complex32;

/// Local geometry: how sensor shifts (photosites) become wall shifts (pixels), and the blur disc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Local {
    /// Through the whole lens.
    pub whole: DMat2,
    /// Without distortion, for shifts inside the pupil.
    pub plain: DMat2,
    /// Blur disc, photosites, signed.
    pub disc: f64,
    /// Growth of the blur across the pupil ([`super::projection::Projection::skew`]).
    pub skew: DVec2,
}

/// Transform of what a photosite sees of the wall, without the emitter: frequency in cycles per pixel.
pub fn photosite_view(blur: &Blur, local: &Local, wavelength_m: f64, g: DVec2) -> Complex32 {
    View { blur, local, wavelength_m, pupil: None }.at(g, 0.0)
}

/// [`photosite_view`] without the photosite's own part ([`Blur::sensor_exact`]), for each of some wavelengths: pupil, and what a wall
/// askew adds.
pub fn pupil_views_exact<const N: usize>(
    blur: &Blur,
    local: &Local,
    wavelengths_m: [f64; N],
    g: DVec2,
) -> [Complex32; N] {
    let f = on_sensor(&local.plain, g);
    if local.skew == DVec2::ZERO {
        // What a photosite sees is the point spread mirrored: the conjugate.
        return wavelengths_m.map(|lambda| {
            let (re, im) = blur.pupil(f, local.disc, lambda);
            Complex32::new(re, -im)
        });
    }
    let (bent, aside) = (blur.skew_bend(f, local.disc, local.skew), aside(blur, local, f));
    wavelengths_m.map(|lambda| {
        let (re, im) = blur.pupil(f, local.disc, lambda);
        let im = blur.skew_of_bend(bent, f, lambda) - im;
        aside.map_or(Complex32::new(re, im), |aside| Complex32::new(re, im) * aside)
    })
}

/// No less than the size of any of [`pupil_views_exact`], up to the longest wavelength.
pub fn pupil_views_at_most(blur: &Blur, local: &Local, longest_m: f64, g: DVec2) -> f64 {
    let f = on_sensor(&local.plain, g);
    let most = blur.pupil_at_most(f, local.disc, longest_m);
    if local.skew == DVec2::ZERO || most >= 1.0 {
        return most;
    }
    most + f64::from(blur.skew_bend(f, local.disc, local.skew).abs())
}

/// What the shift of a blur disc askew turns a wave by; none where it does not.
#[inline]
fn aside(blur: &Blur, local: &Local, f: DVec2) -> Option<Complex32> {
    let aside = local.disc * blur.skew_shift(local.disc, local.skew).dot(f);
    if aside == 0.0 {
        return None;
    }
    let (cos, sin) = turn(aside);
    Some(Complex32::new(cos as f32, -sin as f32))
}

/// What a photosite sees of the wall, for many frequencies.
pub struct View<'a> {
    blur: &'a Blur,
    local: &'a Local,
    wavelength_m: f64,
    /// The round pupil's transfer function, where it is tabulated.
    pupil: Option<Table>,
}

impl<'a> View<'a> {
    /// With a table of the pupil that serves frequencies up to `end` cycles per photosite.
    pub fn new(blur: &'a Blur, local: &'a Local, wavelength_m: f64, end: f64) -> Self {
        Self { blur, local, wavelength_m, pupil: blur.pupil_table(local.disc, wavelength_m, end) }
    }

    /// Transform at a frequency in cycles per pixel; zero where its photosite part is below `nothing`.
    #[inline]
    pub fn at(&self, g: DVec2, nothing: f32) -> Complex32 {
        let (blur, local) = (self.blur, self.local);
        let sensor = blur.sensor(on_sensor(&local.whole, g));
        if sensor.abs() < nothing {
            return Complex32::default();
        }
        let f = on_sensor(&local.plain, g);
        let (re, im) = match &self.pupil {
            Some(table) => (table.at(f.length()), 0.0),
            None => blur.pupil(f, local.disc, self.wavelength_m),
        };
        self.through(f, sensor, (re, im))
    }

    /// The photosite's part, `sensor`, and the pupil's together, with what a wall askew adds; `f` in cycles per photosite.
    #[inline]
    fn through(&self, f: DVec2, sensor: f32, (re, im): (f32, f32)) -> Complex32 {
        let (blur, local) = (self.blur, self.local);
        // What a photosite sees is the point spread mirrored: the conjugate.
        let im = blur.skew(f, local.disc, local.skew, self.wavelength_m) - im;
        let view = Complex32::new(sensor * re, sensor * im);
        aside(blur, local, f).map_or(view, |aside| view * aside)
    }
}

/// Frequency on the sensor, cycles per photosite, of one on the wall, cycles per pixel.
pub fn on_sensor(m: &DMat2, g: DVec2) -> DVec2 {
    DVec2::new(m.x_axis.dot(g), m.y_axis.dot(g))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Diffraction, Lens};

    #[test]
    fn nothing_passes_a_pupil_that_its_bound_refuses() {
        let (mut near, mut asked) = (0, 0);
        for diffraction in [Diffraction::Off, Diffraction::Convolved, Diffraction::Wave] {
            for squeeze in [1.0, 1.33, 2.0] {
                let lens = Lens { aberration_m: 1e-6, squeeze, diffraction, ..Lens::plain() };
                let blur = Blur::for_few(&lens, (None, None), 5e-6, 1.0);
                for step in 0..40_000_u32 {
                    // Frequencies, discs and skews without pattern.
                    let of = |prime: u32| f64::from(step.wrapping_mul(prime) % 10_007) / 10_007.0;
                    let (angle, length) = (of(7919), 1.6 * of(3571));
                    let (sin, cos) = turn(angle);
                    let local = Local {
                        whole: DMat2::IDENTITY,
                        plain: DMat2::IDENTITY,
                        disc: 120.0 * of(104_729) * of(1297) - 10.0,
                        skew: if step % 2 == 0 {
                            DVec2::ZERO
                        } else {
                            DVec2::new(0.02 * of(613), -0.01 * of(877))
                        },
                    };
                    let g = DVec2::new(length * cos, length * sin);
                    let lambdas = [620e-9, 530e-9, 465e-9];
                    let most = pupil_views_at_most(&blur, &local, 620e-9, g);
                    for view in pupil_views_exact(&blur, &local, lambdas, g) {
                        let size = f64::from(view.norm());
                        assert!(
                            size <= most + 1e-6,
                            "{diffraction:?} {local:?} {g}: {size} {most}"
                        );
                        near += u32::from(most < 0.3 && size > 0.4 * most);
                        asked += u32::from(most < 0.3);
                    }
                }
            }
        }
        // The bound is one that refuses: not far above what passes.
        assert!(asked > 100_000 && near > asked / 20, "{near} of {asked}");
    }
}
