//! Which part of the way from the wall to the picture leaves how much of a fringe.

use super::component::Origin;
use super::place::{Place, Sights};
use crate::optics::transfer;
use crate::optics::view::on_sensor;
use crate::scene::Scene;
use glam::DVec2;
use serde::Serialize;

/// What a part leaves of a lattice harmonic's contrast.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Part {
    /// The part.
    pub name: &'static str,
    /// Share that it leaves, 0 to 1 (its sign dropped).
    pub leaves_share: f64,
}

/// The parts, from the wall to the photosite, of a harmonic at a place; green's.
///
/// Focus and diffraction are one for `wave`: focus is then what the whole leaves over what diffraction alone would.
pub fn parts(scene: &Scene, sights: &Sights<'_>, place: &Place, origin: Origin) -> Vec<Part> {
    let wall = &scene.wall;
    let g = DVec2::new(
        f64::from(origin.h[0]),
        f64::from(origin.h[1]) + f64::from(origin.m) / f64::from(scene.drive.scan.max(1)),
    );
    let green = &wall.emitters[1];
    let f = on_sensor(&place.local.whole, g);
    let along = on_sensor(&place.local.plain, g);
    let blur = &sights.blur;
    let photosite_m = scene.camera.photosite_m;
    let mut parts = vec![Part {
        name: "size of the emitters",
        leaves_share: green.shape.transform(g, wall.pitch_m).abs(),
    }];
    let mut add = |name, share: f64| parts.push(Part { name, leaves_share: share.abs() });
    if let Some(diffuser) = wall.diffuser {
        add("diffuser", transfer::gaussian(g.length() / wall.pitch_m, diffuser.sigma_m()));
    }
    if blur.sigma > 0.0 {
        add("sharpness of the lens", transfer::gaussian(f.length(), blur.sigma));
    }
    let lambda = green.wavelength_m;
    let alone = if blur.is_chromatic() {
        let nu = transfer::relative_frequency(
            along.length() / photosite_m,
            lambda,
            scene.lens.working_f_number(),
        );
        transfer::diffraction(nu)
    } else {
        1.0
    };
    let (re, im) =
        blur.pupil(along, place.local.disc, if blur.is_chromatic() { lambda } else { 0.0 });
    let both = libm::hypot(f64::from(re), f64::from(im));
    if blur.is_chromatic() {
        add("diffraction", alone);
    }
    if scene.lens.defocus {
        add("focus", if alone > 1e-9 { (both / alone).min(1.0) } else { 1.0 });
    }
    let low_pass = |d: DVec2| transfer::low_pass(f.x, f.y, d.x, d.y);
    if blur.low_pass != DVec2::ZERO {
        add("low-pass filter at the sensor", low_pass(blur.low_pass));
    }
    if blur.front_low_pass != DVec2::ZERO {
        add("low-pass filter at the lens", low_pass(blur.front_low_pass));
    }
    add("size of the photosites", transfer::aperture(f.x, f.y, blur.aperture));
    parts
}
