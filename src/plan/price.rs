//! What a variant of a scene pays: sharpness, light, depth of field.
//!
//! Sharpness is the modulation transfer function across the frame, in green light, of everything between the thing and the recorded
//! photosites: aberration, focus, diffraction, low-pass filters, the photosite's aperture, photosites joined by a recording mode:
//!
//! ```text
//! MTF(f) = |pupil(f, blur disc)| · exp(−2π²σ²f²) · |sinc(f·√fill)| · |cos(π·f·d_sensor)| · |cos(π·f·d_front)|
//! ```
//!
//! with f in cycles per photosite of the sensor and lengths in photosites (see [`crate::optics::transfer`] for each). A thing at the
//! subject's distance stands on the lens axis. What the wall shows goes through the diffuser as well; the wall's own pixels are left out.

use crate::math::special::turn;
use crate::optics::Lens;
use crate::optics::blur::Blur;
use crate::optics::transfer::{self, blur_disc_m};
use crate::predict::Sights;
use crate::scene::Scene;
use crate::scene::derived::derived;
use crate::sensor::photons::focal_plane_exposure_lx_s;
use glam::DVec2;
use serde::Serialize;

/// The recorded picture's diagonal over the largest blur disc that still counts as sharp: common practice, no source.
pub const SHARP_OVER_DIAGONAL: f64 = 1500.0;
/// Nyquist frequency, cycles per recorded photosite.
const NYQUIST: f64 = 0.5;
/// Highest frequency looked at, cycles per recorded photosite, and the step.
const HIGHEST: f64 = 8.0;
const STEP: f64 = 1.0 / 512.0;

/// Sharpness of one plane.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sharpness {
    /// Distance of the plane on the lens axis, from the sensor plane, metres; `None` where the axis misses the wall.
    pub distance_m: Option<f64>,
    /// Lowest frequency at which half of the contrast is left, cycles per recorded photosite; `None` above 8.
    pub mtf50_cycles_per_photosite: Option<f64>,
    /// The same in line pairs per mm on the sensor.
    pub mtf50_lines_per_mm: Option<f64>,
    /// Share of the contrast left at half the Nyquist frequency of the recorded photosites (a quarter cycle per photosite).
    pub at_half_nyquist_share: f64,
}

/// What counts as the subject.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Plane {
    /// The scene's subject.
    Subject,
    /// The foreground, where there is no subject.
    Foreground,
    /// The distance in focus, where there is neither.
    InFocus,
}

impl Plane {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Subject => "subject",
            Self::Foreground => "foreground",
            Self::InFocus => "focus plane",
        }
    }
}

/// Where things are sharp, from the sensor plane, metres: blur discs up to the recorded diagonal over [`SHARP_OVER_DIAGONAL`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DepthOfField {
    /// In focus.
    pub focus_m: f64,
    /// The nearest.
    pub near_m: f64,
    /// The farthest; `None` for no end.
    pub far_m: Option<f64>,
}

/// Everything that a variant is made of but its artefacts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Price {
    /// What the subject's sharpness is of.
    pub subject_is: Plane,
    /// Sharpness at the subject.
    pub subject: Sharpness,
    /// Sharpness of what the wall shows, in the middle of the recorded frame; `None` where that is not of the wall.
    pub wall: Option<Sharpness>,
    /// Light of the wall's white on the sensor, lx·s.
    pub wall_white_lx_s: f64,
    /// Exposure of a thing of 1 cd/m² on the lens axis, lx·s.
    pub unit_lx_s: f64,
    /// Where things are sharp.
    pub depth_of_field: DepthOfField,
}

impl Price {
    /// Of a scene, in the place in which it is (see [`Scene::at_frame`] for a moving camera).
    pub fn of(scene: &Scene) -> Self {
        let numbers = derived(scene);
        let image_m = scene.lens.image_m();
        let (subject_is, depth_m) = subject(scene);
        let camera = &scene.camera;
        let optics = Optics::new(scene);
        let disc = blur_disc_m(&scene.lens, depth_m) / camera.photosite_m;
        let window = camera.sensor_window();
        let middle = DVec2::new(
            f64::from(window.x) + f64::from(window.width) / 2.0,
            f64::from(window.y) + f64::from(window.height) / 2.0,
        );
        let sights = Sights::new(scene);
        let wall = sights.at(middle).map(|place| {
            let local = place.local;
            let on_wall = local.whole.transpose().inverse();
            let distance_m = numbers.lens.wall_on_axis_m.map(|m| m + image_m);
            optics.sharpness(distance_m, |f| {
                let g = on_wall * f;
                let along = local.plain.transpose() * g;
                let diffuser = scene.wall.diffuser.map_or(1.0, |d| {
                    transfer::gaussian(g.length() / scene.wall.pitch_m, d.sigma_m())
                });
                optics.through(f, along, local.disc) * diffuser
            })
        });
        let unit_lx_s = focal_plane_exposure_lx_s(
            1.0,
            camera.exposure_s,
            scene.lens.transmission,
            scene.lens.working_f_number(),
            1.0,
        );
        Self {
            subject_is,
            subject: optics.sharpness(Some(depth_m + image_m), |f| optics.through(f, f, disc)),
            wall,
            wall_white_lx_s: numbers.exposure.full_white_lx_s,
            unit_lx_s,
            depth_of_field: depth_of_field(scene),
        }
    }

    /// Stops of the wall's light that this has less than another.
    pub fn wall_stops_lost(&self, than: &Self) -> f64 {
        libm::log2(than.wall_white_lx_s / self.wall_white_lx_s)
    }

    /// Stops of everything else's light.
    pub fn subject_stops_lost(&self, than: &Self) -> f64 {
        libm::log2(than.unit_lx_s / self.unit_lx_s)
    }
}

/// What counts as the subject, and its distance from the lens along the axis, metres.
fn subject(scene: &Scene) -> (Plane, f64) {
    if let Some(depth_m) = scene.subject_m {
        return (Plane::Subject, depth_m);
    }
    if let Some(foreground) = &scene.foreground {
        let depth_m = (scene.pose.lens_m - foreground.centre_m).dot(scene.pose.turn.z_axis);
        if depth_m > 0.0 {
            return (Plane::Foreground, depth_m);
        }
    }
    (Plane::InFocus, scene.lens.focus_m)
}

/// Near and far end of what is sharp: the depths z with A·(v/d)·|1 − d/z| = c ([`blur_disc_m`]).
fn depth_of_field(scene: &Scene) -> DepthOfField {
    let (lens, camera) = (&scene.lens, &scene.camera);
    let window = camera.sensor_window();
    let diagonal = DVec2::new(f64::from(window.width), f64::from(window.height)).length();
    let [near_m, far_m] = sharp_depths_m(lens, diagonal * camera.photosite_m / SHARP_OVER_DIAGONAL);
    let image_m = lens.image_m();
    DepthOfField {
        focus_m: lens.focus_m + image_m,
        near_m: near_m + image_m,
        far_m: far_m.is_finite().then_some(far_m + image_m),
    }
}

/// Depths from the lens, nearest and farthest, with a blur disc of at most `disc_m` on the sensor.
fn sharp_depths_m(lens: &Lens, disc_m: f64) -> [f64; 2] {
    if !lens.defocus {
        return [0.0, f64::INFINITY];
    }
    // The disc of what is endlessly far.
    let far = blur_disc_m(lens, f64::INFINITY);
    let share = disc_m / far;
    let beyond = if share < 1.0 { lens.focus_m / (1.0 - share) } else { f64::INFINITY };
    [lens.focus_m / (1.0 + share), beyond]
}

/// The way from a plane in front of the lens to the recorded photosites.
struct Optics {
    blur: Blur,
    wavelength_m: f64,
    photosite_m: f64,
    /// Photosites of the sensor from one recorded one to the next, across.
    spacing: f64,
    /// Columns that a recorded one is made of, counted from its first.
    members: Vec<f64>,
}

impl Optics {
    fn new(scene: &Scene) -> Self {
        let camera = &scene.camera;
        let filters = (scene.low_pass.as_ref(), scene.front_low_pass.as_ref());
        let members = camera.sensor_members(0, 0);
        let first = members.first().copied().unwrap_or(0);
        Self {
            blur: Blur::for_few(&scene.lens, filters, camera.photosite_m, camera.fill_factor),
            wavelength_m: scene.wall.emitters[1].wavelength_m,
            photosite_m: camera.photosite_m,
            spacing: f64::from(camera.spacing()[0]),
            members: members.iter().map(|m| f64::from(m.saturating_sub(first))).collect(),
        }
    }

    /// Share of a wave's contrast that is recorded: `f` in cycles per photosite of the sensor, `along` the same without distortion,
    /// `disc` the blur disc in photosites.
    fn through(&self, f: DVec2, along: DVec2, disc: f64) -> f64 {
        let (re, im) = self.blur.pupil(along, disc, self.wavelength_m);
        let pupil = libm::hypot(f64::from(re), f64::from(im));
        let joined = self.members.iter().fold(DVec2::ZERO, |sum, x| {
            let (cos, sin) = turn(f.x * x);
            sum + DVec2::new(cos, sin)
        });
        let joined = joined.length() / self.members.len().max(1) as f64;
        (self.blur.sensor_exact(f) * pupil * joined).abs()
    }

    /// Sharpness by a transfer function of frequencies in cycles per photosite of the sensor.
    fn sharpness(&self, distance_m: Option<f64>, mtf: impl Fn(DVec2) -> f64) -> Sharpness {
        let at = |recorded: f64| mtf(DVec2::new(recorded / self.spacing, 0.0));
        let steps = (HIGHEST / STEP) as u32;
        let below = (1..=steps).map(|i| f64::from(i) * STEP).find(|f| at(*f) < 0.5);
        let mtf50 = below.map(|above| {
            let (mut low, mut high) = (above - STEP, above);
            for _ in 0..40 {
                let middle = f64::midpoint(low, high);
                if at(middle) < 0.5 { high = middle } else { low = middle }
            }
            f64::midpoint(low, high)
        });
        Sharpness {
            distance_m,
            mtf50_cycles_per_photosite: mtf50,
            mtf50_lines_per_mm: mtf50.map(|f| f / (self.spacing * self.photosite_m) / 1e3),
            at_half_nyquist_share: at(NYQUIST / 2.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// f = 50 mm, f/2, in focus at 2 m, 25 µm: the thin lens's formulas H = f²/(N·c) + f, near = s(H − f)/(H + s − 2f), far = s(H − f)/(H
    /// − s) (S. F. Ray, *Applied Photographic Optics*; from memory), in which s is the distance from the lens.
    #[test]
    fn depth_of_field_is_that_of_the_handbook() {
        let lens = Lens { f_number: 2.0, focus_m: 2.0, ..Lens::plain() };
        let (f, s, c) = (0.05, 2.0, 25e-6);
        let h = f * f / (2.0 * c) + f;
        let [near, far] = sharp_depths_m(&lens, c);
        assert!((near - s * (h - f) / (h + s - 2.0 * f)).abs() < 1e-12, "{near}");
        assert!((far - s * (h - f) / (h - s)).abs() < 1e-12, "{far}");
        let wide = Lens { focus_m: 60.0, ..lens.clone() };
        assert_eq!(sharp_depths_m(&wide, c)[1], f64::INFINITY);
        assert!((blur_disc_m(&wide, sharp_depths_m(&wide, c)[0]) + c).abs() < 1e-15);
        let all = Lens { defocus: false, ..lens };
        assert_eq!(sharp_depths_m(&all, c), [0.0, f64::INFINITY]);
    }
}
