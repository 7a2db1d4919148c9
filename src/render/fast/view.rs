//! What a photosite sees of the wall, as a transform on the wall.

use super::kernel::Local;
use crate::math::table::Table;
use crate::optics::blur::Blur;
use glam::{DMat2, DVec2};
use rustfft::num_complex::Complex32;
use std::f64::consts::PI;

/// Transform of what a photosite sees of the wall, without the emitter: frequency in cycles per pixel.
pub(super) fn photosite_view(blur: &Blur, local: &Local, wavelength_m: f64, g: DVec2) -> Complex32 {
    View { blur, local, wavelength_m, pupil: None }.at(g, 0.0)
}

/// What a photosite sees of the wall, for many frequencies.
pub(super) struct View<'a> {
    blur: &'a Blur,
    local: &'a Local,
    wavelength_m: f64,
    /// The round pupil's transfer function, where it is tabulated.
    pupil: Option<Table>,
}

impl<'a> View<'a> {
    /// With a table that serves a grid of so many steps a pixel.
    pub(super) fn new(
        blur: &'a Blur,
        local: &'a Local,
        wavelength_m: f64,
        steps: [usize; 2],
    ) -> Self {
        let [su, sv] = steps.map(|s| s as f64 / 2.0);
        let end = [DVec2::new(su, sv), DVec2::new(su, -sv)]
            .map(|g| on_sensor(&local.plain, g).length())
            .into_iter()
            .fold(0.0, f64::max);
        Self { blur, local, wavelength_m, pupil: blur.pupil_table(local.disc, wavelength_m, end) }
    }

    /// Transform at a frequency in cycles per pixel; zero where its photosite part is below `nothing`.
    #[inline]
    pub(super) fn at(&self, g: DVec2, nothing: f32) -> Complex32 {
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
        // What a photosite sees is the point spread mirrored: the conjugate.
        let im = blur.skew(f, local.disc, local.skew, self.wavelength_m) - im;
        let view = Complex32::new(sensor * re, sensor * im);
        let aside = 2.0 * PI * local.disc * blur.skew_shift(local.disc, local.skew).dot(f);
        if aside == 0.0 {
            return view;
        }
        view * Complex32::new(libm::cos(aside) as f32, -libm::sin(aside) as f32)
    }
}

/// Frequency on the sensor, cycles per photosite, of one on the wall, cycles per pixel.
fn on_sensor(m: &DMat2, g: DVec2) -> DVec2 {
    DVec2::new(m.x_axis.dot(g), m.y_axis.dot(g))
}
