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

/// [`photosite_view`] without the photosite's own part ([`Blur::sensor_exact`]): pupil, and what a wall askew adds.
pub fn pupil_view_exact(blur: &Blur, local: &Local, wavelength_m: f64, g: DVec2) -> Complex32 {
    let f = on_sensor(&local.plain, g);
    let view = View { blur, local, wavelength_m, pupil: None };
    view.through(f, 1.0, blur.pupil(f, local.disc, wavelength_m))
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
        let aside = local.disc * blur.skew_shift(local.disc, local.skew).dot(f);
        if aside == 0.0 {
            return view;
        }
        let (cos, sin) = turn(aside);
        view * Complex32::new(cos as f32, -sin as f32)
    }
}

/// Frequency on the sensor, cycles per photosite, of one on the wall, cycles per pixel.
pub fn on_sensor(m: &DMat2, g: DVec2) -> DVec2 {
    DVec2::new(m.x_axis.dot(g), m.y_axis.dot(g))
}
