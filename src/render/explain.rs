//! One photosite in numbers: where it looks, what each blur leaves of the emitters' lattice there, which emitters light
//! it and when, and what the sensor makes of that.

use super::rays::photosite::{Traced, trace};
use super::rays::{RaySettings, RaysError};
use super::{Cancelled, Run, fast};
use crate::frame::Window;
use crate::optics::{Diffraction, transfer};
use crate::scene::derived::{gain_dn_per_e, white_level};
use crate::scene::{Scene, projection_of_face};
use crate::wall::EmitterShape;
use glam::DVec2;

/// Why there is no explanation.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ExplainError {
    /// Not on the sensor.
    #[error(
        "photosite {0}, {1} is not on the sensor, which has {2} × {3}: columns and rows count from 0"
    )]
    Outside(u32, u32, u32, u32),
    /// A row that the recording mode skips.
    #[error("row {0} is not read in this recording mode, so its photosites stay dark; try row {1}")]
    NotRead(u32, u32),
    /// It was stopped.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The rays could not be traced.
    #[error(transparent)]
    Rays(#[from] RaysError),
    /// A picture of what the wall shows cannot be had.
    #[error("the wall's content: {0}")]
    Content(String),
}

/// One blur at one place. Contrasts are signed: what is left of a pattern of one cycle a wall pixel, 1 for all of it; below
/// 0 bright and dark have changed places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlurPart {
    /// What blurs.
    pub what: &'static str,
    /// Its width, photosites: of a box, a disc or the distance of two spots the whole, of a bell the width at half height.
    pub width_photosites: f64,
    /// The same on the wall, wall pixels.
    pub width_pixels: f64,
    /// Contrast of the columns of wall pixels.
    pub columns_left: f64,
    /// Contrast of the rows of wall pixels.
    pub rows_left: f64,
}

/// Where a photosite's middle looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Wall pixel there: column and row.
    pub pixel: [u32; 2],
    /// Distance along the lens axis, metres.
    pub depth_m: f64,
    /// Angle off the wall's normal, radians.
    pub off_normal_rad: f64,
    /// Distance of neighbouring columns and rows of wall pixels on the sensor, photosites.
    pub pitch_photosites: [f64; 2],
    /// Blur disc, photosites; negative nearer than the focus.
    pub blur_disc_photosites: f64,
}

/// A photosite explained.
#[derive(Debug, Clone, PartialEq)]
pub struct Explained {
    /// Full-sensor column and row.
    pub photosite: [u32; 2],
    /// 0 red, 1 green, 2 blue; `None` for a photosite without a colour filter.
    pub colour: Option<u8>,
    /// Start of its exposure, seconds of camera time.
    pub exposed_from_s: f64,
    /// Where it looks; `None` where that is beside the wall or in a gap of it.
    pub look: Option<Look>,
    /// Whether it looks into a gap between cabinets or facets.
    pub in_seam: bool,
    /// Every blur there, and last all together; empty without a look.
    pub blurs: Vec<BlurPart>,
    /// The emitters that light it.
    pub traced: Traced,
    /// Whether the trace took `convolved` for the scene's wave diffraction.
    pub wave_left_out: bool,
    /// Electrons as the fast engine renders them.
    pub electrons: f64,
    /// Shot noise, read noise and the spread of photosites, one standard deviation each, electrons; 0 with noise off.
    pub noise_e: [f64; 3],
    /// Raw level of the electrons without noise, before it is rounded and clipped.
    pub level: f64,
    /// Raw level that counts as white.
    pub white_level: u32,
    /// Raw levels for an electron.
    pub gain_levels_per_electron: f64,
}

/// Explains a photosite of a frame, with the camera where it is in that frame. It is that of the whole sensor, before a recording mode joins or scales any.
///
/// # Errors
/// A photosite off the sensor or not read, a picture that cannot be had, or a render that was stopped.
pub fn explain(
    scene: &Scene,
    frame: u32,
    [x, y]: [u32; 2],
    settings: &RaySettings,
    run: &Run,
) -> Result<Explained, ExplainError> {
    let camera = &scene.camera;
    if x >= camera.columns || y >= camera.rows {
        return Err(ExplainError::Outside(x, y, camera.columns, camera.rows));
    }
    if !camera.reads_row(y) {
        let below = (y..camera.rows).find(|row| camera.reads_row(*row));
        let near = below.or_else(|| (0..y).rev().find(|row| camera.reads_row(*row)));
        return Err(ExplainError::NotRead(y, near.unwrap_or(y)));
    }
    let scene = &*scene.at_frame(frame);
    scene.pictures_of_frame(frame).map_err(ExplainError::Content)?;
    let rendered = fast::render(scene, frame, Window { x, y, width: 1, height: 1 }, run)?;
    let planes = rendered.planes.len().max(1) as f64;
    let electrons = rendered.planes.iter().map(|p| f64::from(p.data[0])).sum::<f64>() / planes;
    // Rays know no waves.
    let wave_left_out = scene.lens.diffraction == Diffraction::Wave;
    let mut for_rays = scene.clone();
    if wave_left_out {
        for_rays.lens.diffraction = Diffraction::Convolved;
    }
    let traced = trace(&for_rays, frame, (x, y), settings)?;
    let colour = camera.mosaic.colour_at(x, y);
    let (look, blurs) = match looks(scene, DVec2::new(f64::from(x), f64::from(y)) + 0.5) {
        Some(at) => (Some(at.look), blurs(scene, &at, colour)),
        None => (None, Vec::new()),
    };
    let in_seam = look.is_none() && is_in_seam(scene, DVec2::new(f64::from(x), f64::from(y)) + 0.5);
    let kept = electrons.clamp(0.0, camera.full_well_e);
    let noise_e = match camera.noise {
        true => [kept.sqrt(), camera.read_noise_e, camera.prnu * kept],
        false => [0.0; 3],
    };
    let gain = gain_dn_per_e(scene);
    Ok(Explained {
        photosite: [x, y],
        colour,
        exposed_from_s: camera.row_start_s(frame, y),
        look,
        in_seam,
        blurs,
        traced,
        wave_left_out,
        electrons,
        noise_e,
        level: f64::from(camera.black_level) + gain * kept,
        white_level: white_level(scene),
        gain_levels_per_electron: gain,
    })
}

/// A look, and the frequencies that the columns and rows of wall pixels have on the sensor there.
struct Looking {
    look: Look,
    /// Cycles a photosite, right and down, of one cycle a column and one cycle a row.
    columns: DVec2,
    rows: DVec2,
    /// Wall pixels for a photosite.
    pixels: f64,
}

fn looks(scene: &Scene, point: DVec2) -> Option<Looking> {
    let wall = &scene.wall;
    wall.faces().iter().find_map(|face| {
        let view = projection_of_face(&scene.lens, &scene.pose, &scene.camera, face, wall.pitch_m);
        let sight = view.sight(point)?;
        let [columns, rows] = face.size();
        let inside = |at: f64, count: u32| (0.0..f64::from(count)).contains(&at);
        if !inside(sight.wall.x, columns) || !inside(sight.wall.y, rows) {
            return None;
        }
        let (to_wall, _) = view.derivatives(point);
        let to_sensor = to_wall.inverse();
        let turned = to_wall.transpose();
        let disc_m = transfer::blur_disc_m(&scene.lens, sight.depth_m);
        Some(Looking {
            look: Look {
                pixel: face.pixel(sight.wall.x as u32, sight.wall.y as u32),
                depth_m: sight.depth_m,
                off_normal_rad: libm::acos(sight.cos_wall.clamp(-1.0, 1.0)),
                pitch_photosites: [to_sensor.x_axis.length(), to_sensor.y_axis.length()],
                blur_disc_photosites: disc_m / scene.camera.photosite_m,
            },
            columns: turned.x_axis,
            rows: turned.y_axis,
            pixels: to_wall.determinant().abs().sqrt(),
        })
    })
}

/// Whether a point of the sensor looks at a sheet of the wall, with the gaps in it.
fn is_in_seam(scene: &Scene, point: DVec2) -> bool {
    let pitch_m = scene.wall.pitch_m;
    scene.wall.sheets().iter().any(|(face, size_m)| {
        let view = projection_of_face(&scene.lens, &scene.pose, &scene.camera, face, pitch_m);
        let middle = DVec2::from(face.size().map(f64::from)) / 2.0;
        let off = view.sight(point).map(|sight| (sight.wall - middle).abs() * pitch_m);
        off.is_some_and(|off| off.cmplt(*size_m / 2.0).all())
    })
}

fn blurs(scene: &Scene, at: &Looking, colour: Option<u8>) -> Vec<BlurPart> {
    let (lens, camera, wall) = (&scene.lens, &scene.camera, &scene.wall);
    let emitter = &wall.emitters[colour.map_or(1, usize::from).min(2)];
    let photosite_m = camera.photosite_m;
    let mut parts = Vec::new();
    // `on` gives the contrast of a frequency in cycles a photosite.
    let mut add = |what, width: f64, on: &dyn Fn(DVec2) -> f64| {
        parts.push(BlurPart {
            what,
            width_photosites: width,
            width_pixels: width * at.pixels,
            columns_left: on(at.columns),
            rows_left: on(at.rows),
        });
    };
    if let Some(diffuser) = &wall.diffuser {
        // On the wall: a cycle a pixel, whatever its frequency on the sensor.
        let sigma = diffuser.sigma_m() / wall.pitch_m;
        add("diffuser", 2.3548 * sigma / at.pixels, &|_| transfer::gaussian(1.0, sigma));
    }
    let disc = at.look.blur_disc_photosites;
    if disc != 0.0 {
        add("defocus", disc.abs(), &|f| transfer::defocus_disc(disc, f.length()));
    }
    if lens.diffraction != Diffraction::Off {
        let turns = emitter.wavelength_m * lens.working_f_number() / photosite_m;
        // An Airy pattern is 1.03 λN wide at half of its height (Goodman, from memory).
        add("diffraction", 1.03 * turns, &|f| transfer::diffraction(f.length() * turns));
    }
    if lens.aberration_m > 0.0 {
        let sigma = lens.aberration_m / photosite_m;
        add("lens aberration", 2.3548 * sigma, &|f| transfer::gaussian(f.length(), sigma));
    }
    let front = scene.front_low_pass.as_ref().map(|filter| filter.at_sensor(lens));
    for (what, filter) in [("low-pass filter", scene.low_pass), ("filter in front", front)] {
        let Some(filter) = filter else { continue };
        let (across, upright) = (filter.across_m / photosite_m, filter.upright_m / photosite_m);
        add(what, across.max(upright), &|f| transfer::low_pass(f.x, f.y, across, upright));
    }
    let side = camera.fill_factor.sqrt();
    add("photosite", side, &|f| transfer::aperture(f.x, f.y, side));
    let together = |of: fn(&BlurPart) -> f64| parts.iter().map(of).product::<f64>();
    let (columns_left, rows_left) = (together(|p| p.columns_left), together(|p| p.rows_left));
    let squares: f64 = parts.iter().map(|p| p.width_photosites * p.width_photosites).sum();
    let width = squares.sqrt();
    // What the emitter's own size takes comes first: it is what the blurs find.
    let (own, size_m) = match emitter.shape {
        EmitterShape::Rectangle { width_m, height_m } => {
            let [w, h] = [width_m, height_m].map(|m| m / wall.pitch_m);
            (
                [transfer::rectangle(1.0, 0.0, w, h), transfer::rectangle(0.0, 1.0, w, h)],
                width_m.max(height_m),
            )
        }
        EmitterShape::Disc { diameter_m } => {
            ([transfer::disc(1.0, diameter_m / wall.pitch_m); 2], diameter_m)
        }
        EmitterShape::Tent => ([0.0; 2], 2.0 * wall.pitch_m),
    };
    let size = size_m / wall.pitch_m;
    let emitter = BlurPart {
        what: "emitter's size",
        width_photosites: size / at.pixels,
        width_pixels: size,
        columns_left: own[0],
        rows_left: own[1],
    };
    parts.insert(0, emitter);
    parts.push(BlurPart {
        what: "all together",
        width_photosites: width,
        width_pixels: width * at.pixels,
        columns_left: columns_left * own[0],
        rows_left: rows_left * own[1],
    });
    parts
}
