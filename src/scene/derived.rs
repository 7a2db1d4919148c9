//! What follows from a scene: the numbers a person asks for before anything is rendered.
//!
//! Closed forms only, no pixels. Every field carries its unit in its name; `null` (`None`) stands
//! for a number that has no meaning in this scene.

mod electronics;

pub(super) use electronics::tell as tell_electronics;
pub use electronics::{ClockNumbers, DataLineNumbers, DriveNumbers};

use super::{Scene, projection_of_face};
use crate::colour;
use crate::develop::{ColourSpace, ColourTransform, NoTransform};
use crate::optics::projection::{Projection, Sight};
use crate::optics::transfer::{self, blur_disc_m, w20_m};
use crate::sensor::{Mosaic, Readout, bands, convert, photons};
use crate::wall::Face;
use crate::wall::drive::DriveKind;
use glam::{DMat2, DVec2, DVec3};
use serde::Serialize;
use std::f64::consts::PI;

/// Everything derived from a scene.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Derived {
    /// The lens in use.
    pub lens: LensNumbers,
    /// What the recorded frame takes in.
    pub view: ViewNumbers,
    /// The diffuser in front of the wall, if there is one.
    pub diffuser: Option<DiffuserNumbers>,
    /// The wall as the sensor sees it, at the middle and the corners of the recorded frame.
    pub wall_on_sensor: Vec<PlaceNumbers>,
    /// Light and level.
    pub exposure: ExposureNumbers,
    /// Shutter, readout and refresh.
    pub timing: TimingNumbers,
    /// The drive, its sheet and what its electronics hold.
    pub drive: DriveNumbers,
}

/// Numbers of the focused lens.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LensNumbers {
    /// N·(1 + m), m the magnification in focus.
    pub working_f_number: f64,
    /// Image size over object size at the focus distance.
    pub magnification_in_focus: f64,
    /// The same for the wall where the lens axis meets it.
    pub magnification_at_wall: Option<f64>,
    /// Distance from lens to sensor, metres.
    pub image_distance_m: f64,
    /// Distance in focus from the sensor plane, metres.
    pub focus_from_sensor_m: f64,
    /// Distance along the lens axis from the lens to the wall's plane, metres.
    pub wall_on_axis_m: Option<f64>,
    /// Distance on the sensor of the spots that a low-pass filter in front of the lens makes, across and upright, µm.
    pub front_low_pass_split_um: Option<[f64; 2]>,
}

/// Numbers of the recorded frame's view.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ViewNumbers {
    /// Field of view across, degrees; distortion left out.
    pub across_deg: f64,
    /// Field of view upright, degrees; distortion left out.
    pub upright_deg: f64,
    /// Distance on the wall's plane between what the middles of the left and right edges see,
    /// metres; `None` if one of them does not see the plane.
    pub width_at_wall_m: Option<f64>,
    /// The same for the top and bottom edges.
    pub height_at_wall_m: Option<f64>,
}

/// What the diffuser does to the wall's light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DiffuserNumbers {
    /// Standard deviation of what each point of the wall becomes, in the wall's plane, mm.
    pub sigma_mm: f64,
    /// The same in wall pixels.
    pub sigma_pixels: f64,
    /// Contrast of the emitters' lattice, its first harmonic, over that without the diffuser.
    pub lattice_contrast_share: f64,
    /// Share of the light that it passes.
    pub transmission_share: f64,
}

/// The wall as one place of the sensor sees it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlaceNumbers {
    /// Which place of the recorded frame.
    pub place: &'static str,
    /// Full-sensor column and row of the place, photosites.
    pub at_photosites: [f64; 2],
    /// True when the place sees the wall itself, not only its plane.
    pub sees_the_wall: bool,
    /// Distance along the lens axis from the lens, metres.
    pub depth_m: f64,
    /// Distance on the sensor from one emitter to its right-hand neighbour's image, photosites.
    pub pitch_across_photosites: f64,
    /// Distance on the sensor from one emitter to the image of the one below, photosites.
    pub pitch_upright_photosites: f64,
    /// Both in photosites as recorded, by a mode that skips or joins photosites of the sensor.
    pub pitch_recorded_photosites: [f64; 2],
    /// Diameter of the blur disc, photosites; its height, where an anamorphic lens makes it oval.
    pub blur_disc_photosites: f64,
    /// Its width over its height: 1 but for an anamorphic lens.
    pub blur_disc_width_over_height: f64,
    /// Diameter (height) of the blur disc on the sensor, µm.
    pub blur_disc_um: f64,
    /// Diameter of the blur disc, laid on the wall across the line of sight, mm.
    pub blur_disc_on_wall_mm: f64,
    /// Defocus W20 (path error at the edge of the iris) in waves of the red, green and blue emitters.
    pub defocus_waves: [f64; 3],
}

/// Light and level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExposureNumbers {
    /// Exposure time, seconds.
    pub exposure_s: f64,
    /// The same as a shutter angle, degrees.
    pub shutter_angle_deg: f64,
    /// Exposure of the wall's full white on the lens axis, faced straight on, through the diffuser if any, lx·s.
    pub full_white_lx_s: f64,
    /// The same about mid-grey, stops.
    pub full_white_stops_about_mid_grey: Option<f64>,
    /// Mean light of what the wall shows (of a sequence, of its first picture), all of it, over that of full white.
    pub content_mean_share: f64,
    /// The same about mid-grey, stops.
    pub content_mean_stops_about_mid_grey: Option<f64>,
    /// Raw levels per electron.
    pub gain_levels_per_electron: f64,
    /// Electrons at which a photosite clips: its full well, or the converter's highest level.
    pub clips_at_electrons: f64,
    /// Stops by which full white, averaged over emitters and gaps, is brighter than what clips a
    /// green photosite; negative when there is room.
    pub full_white_stops_over_clipping: Option<f64>,
    /// Raw level that counts as white in development.
    pub white_level: u32,
}

/// An exposure time without scan bands from a drive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CleanShutter {
    /// Whole periods that it holds.
    pub periods: u32,
    /// Exposure time, seconds.
    pub exposure_s: f64,
    /// The same as a shutter angle at this frame rate, degrees.
    pub shutter_angle_deg: f64,
}

/// Shutter, readout and refresh.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimingNumbers {
    /// Time from the start of one row that is read to the next one's, seconds; 0 for a global shutter.
    pub line_time_s: f64,
    /// Refreshes of the wall in one exposure; `None` for a steady wall.
    pub refreshes_per_exposure: Option<f64>,
    /// Scan bands in the height of the full sensor, or of the area that the recording mode uses; `None` without refresh or rolling shutter.
    pub bands_per_frame: Option<f64>,
    /// Recorded rows from band to band; `None` as before.
    pub band_period_rows: Option<f64>,
    /// How fast bands roll, Hz; 0 when they stand still.
    pub band_roll_hz: Option<f64>,
    /// Time after which the pattern of pulses repeats at every level of grey, seconds of camera time.
    pub pattern_repeats_s: Option<f64>,
    /// Exposure times of a whole number of refreshes nearest to the present one.
    pub clean_shutters: Vec<CleanShutter>,
    /// Exposure times of a whole number of repeats of the pattern, where that is longer than a
    /// refresh: clean at every level of grey. Empty where `clean_shutters` already is.
    pub clean_shutters_for_every_grey: Vec<CleanShutter>,
}

/// Everything derived from a scene.
pub fn derived(scene: &Scene) -> Derived {
    Derived {
        lens: lens(scene),
        view: view(scene),
        diffuser: diffuser(scene),
        wall_on_sensor: places(scene),
        exposure: exposure(scene),
        timing: timing(scene),
        drive: electronics::drive(scene),
    }
}

fn diffuser(scene: &Scene) -> Option<DiffuserNumbers> {
    let diffuser = scene.wall.diffuser?;
    let (sigma_m, pitch_m) = (diffuser.sigma_m(), scene.wall.pitch_m);
    Some(DiffuserNumbers {
        sigma_mm: sigma_m * 1e3,
        sigma_pixels: sigma_m / pitch_m,
        lattice_contrast_share: transfer::gaussian(1.0 / pitch_m, sigma_m),
        transmission_share: diffuser.transmission,
    })
}

/// The flat sheets of the wall as the camera sees them, each with its pixels and its place.
fn sheets(scene: &Scene) -> Vec<(Projection, DVec2, Face)> {
    let wall = &scene.wall;
    let sheets = wall.sheets().into_iter().map(|(face, size_m)| {
        let view = projection_of_face(&scene.lens, &scene.pose, &scene.camera, &face, wall.pitch_m);
        (view, size_m / wall.pitch_m, face)
    });
    sheets.collect()
}

/// What a sensor point sees of the wall.
struct Seen {
    sight: Sight,
    /// Wall pixels by photosites.
    derivative: DMat2,
    /// On the wall, or beside it in its plane.
    inside: bool,
    /// Where, metres.
    world_m: DVec3,
}

/// What a point sees: the nearest sheet that it meets, or the plane of a flat wall beside it.
fn seen(sheets: &[(Projection, DVec2, Face)], pitch_m: f64, point: DVec2) -> Option<Seen> {
    let all = sheets.iter().filter_map(|(projection, size, face)| {
        let sight = projection.sight(point)?;
        let [columns, rows] = face.size();
        let off = sight.wall - DVec2::new(f64::from(columns), f64::from(rows)) / 2.0;
        // Sheets meet edge to edge: rounding must not part them.
        let inside = (off.abs() * 2.0).cmple(*size + 1e-9).all();
        (inside || sheets.len() == 1).then(|| Seen {
            sight,
            derivative: projection.derivatives(point).0,
            inside,
            world_m: face.world(DVec2::new(off.x, -off.y) * pitch_m),
        })
    });
    all.min_by(|a, b| a.sight.depth_m.total_cmp(&b.sight.depth_m))
}

/// Depth of the wall on the lens axis, metres, from its plane where it is flat; `None` if the axis does not meet its face.
pub(super) fn wall_on_axis_m(scene: &Scene) -> Option<f64> {
    if scene.wall.build.bend.is_some() {
        return scene.wall.met(scene.pose.lens_m, -scene.pose.turn.z_axis).map(|(far, _)| far);
    }
    let toward = scene.pose.turn.z_axis.z;
    let depth = scene.pose.lens_m.z / toward;
    (toward > 0.0 && depth > 0.0 && depth.is_finite()).then_some(depth)
}

fn lens(scene: &Scene) -> LensNumbers {
    let lens = &scene.lens;
    let image_m = lens.image_m();
    let wall_m = wall_on_axis_m(scene);
    LensNumbers {
        working_f_number: lens.working_f_number(),
        magnification_in_focus: image_m / lens.focus_m,
        magnification_at_wall: wall_m.map(|depth| image_m / depth),
        image_distance_m: image_m,
        focus_from_sensor_m: lens.focus_m + image_m,
        wall_on_axis_m: wall_m,
        front_low_pass_split_um: scene.front_low_pass.map(|front| {
            let spots = front.at_sensor(lens);
            [spots.across_m * 1e6, spots.upright_m * 1e6]
        }),
    }
}

fn view(scene: &Scene) -> ViewNumbers {
    let (camera, crop) = (&scene.camera, scene.camera.sensor_window());
    let field = |start: u32, length: u32, full: u32, squeeze: f64| {
        let angle = |edge: f64| {
            let off_axis_m = (edge - f64::from(full) / 2.0) * camera.photosite_m;
            libm::atan(squeeze * off_axis_m / scene.lens.image_m())
        };
        (angle(f64::from(start) + f64::from(length)) - angle(f64::from(start))) * 180.0 / PI
    };
    let sheets = sheets(scene);
    let (x, y) = (f64::from(crop.x), f64::from(crop.y));
    let (w, h) = (f64::from(crop.width), f64::from(crop.height));
    let apart_m = |a: DVec2, b: DVec2| {
        let at = |point| Some(seen(&sheets, scene.wall.pitch_m, point)?.world_m);
        Some((at(b)? - at(a)?).length())
    };
    ViewNumbers {
        across_deg: field(crop.x, crop.width, camera.columns, scene.lens.squeeze),
        upright_deg: field(crop.y, crop.height, camera.rows, 1.0),
        width_at_wall_m: apart_m(DVec2::new(x, y + h / 2.0), DVec2::new(x + w, y + h / 2.0)),
        height_at_wall_m: apart_m(DVec2::new(x + w / 2.0, y), DVec2::new(x + w / 2.0, y + h)),
    }
}

/// Middle and corners of the recorded frame; those that do not see the wall's plane are left out.
fn places(scene: &Scene) -> Vec<PlaceNumbers> {
    let sheets = sheets(scene);
    let (crop, photosite_m) = (scene.camera.sensor_window(), scene.camera.photosite_m);
    let [across, down] = scene.camera.spacing();
    let at = |place: &'static str, u: f64, v: f64| {
        let point = DVec2::new(
            f64::from(crop.x) + u * f64::from(crop.width),
            f64::from(crop.y) + v * f64::from(crop.height),
        );
        let Seen { sight, derivative, inside, .. } = seen(&sheets, scene.wall.pitch_m, point)?;
        // One wall pixel to the right or down, in photosites: the inverse of the derivative.
        let step = derivative.inverse();
        let disc_m = blur_disc_m(&scene.lens, sight.depth_m).abs();
        let w20 = w20_m(&scene.lens, sight.depth_m).abs();
        Some(PlaceNumbers {
            place,
            at_photosites: [point.x, point.y],
            sees_the_wall: inside,
            depth_m: sight.depth_m,
            pitch_across_photosites: step.x_axis.length(),
            pitch_upright_photosites: step.y_axis.length(),
            pitch_recorded_photosites: [
                step.x_axis.length() / f64::from(across),
                step.y_axis.length() / f64::from(down),
            ],
            blur_disc_photosites: disc_m / photosite_m,
            blur_disc_width_over_height: scene.lens.blur_aspect(),
            blur_disc_um: disc_m * 1e6,
            blur_disc_on_wall_mm: disc_m * sight.depth_m / scene.lens.image_m() * 1e3,
            defocus_waves: scene.wall.emitters.map(|e| w20 / e.wavelength_m),
        })
    };
    [
        at("middle", 0.5, 0.5),
        at("top left", 0.0, 0.0),
        at("top right", 1.0, 0.0),
        at("bottom left", 0.0, 1.0),
        at("bottom right", 1.0, 1.0),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Photons per lx·s and m² of each emitter colour, and its share in the luminance of white.
pub fn white_light(scene: &Scene) -> ([f64; 3], [f64; 3]) {
    let emitters = &scene.wall.emitters;
    let photons =
        emitters.map(|e| colour::led_photons_per_lux_second_m2(e.wavelength_m, e.linewidth_m));
    let shares = colour::luminance_shares(emitters.map(|e| e.xy), scene.wall.white_xy)
        .unwrap_or([1.0 / 3.0; 3]);
    (photons, shares)
}

/// The colour transform of a scene to a space, from the electrons that its photosites record of each primary.
///
/// # Errors
/// [`NoTransform`] where photosites or the wall's primaries do not make colours.
pub fn colour_transform(scene: &Scene, space: ColourSpace) -> Result<ColourTransform, NoTransform> {
    if scene.camera.mosaic == Mosaic::Monochrome {
        return Ok(ColourTransform::NEUTRAL);
    }
    let (photons, shares) = white_light(scene);
    let per_primary = [0, 1, 2].map(|photosite| {
        let row = photons::response(&scene.camera, photosite);
        [0, 1, 2].map(|e: usize| row[e] * photons[e] * shares[e])
    });
    let wall = &scene.wall;
    ColourTransform::from_wall(per_primary, wall.emitters.map(|e| e.xy), wall.white_xy, space)
}

/// Raw levels per electron at the scene's exposure index ([`photons::gain_dn_per_e`]).
pub fn gain_dn_per_e(scene: &Scene) -> f64 {
    let (photons, shares) = white_light(scene);
    let green = photons::electrons_per_lx_s(&scene.camera, 1, photons, shares);
    photons::gain_dn_per_e(&scene.camera, green)
}

/// The raw level of a full photosite, at most the converter's highest; above black.
pub fn white_level(scene: &Scene) -> u32 {
    let camera = &scene.camera;
    let gain = gain_dn_per_e(scene);
    let top = convert::top_level(camera);
    let full = f64::from(camera.black_level) + gain * camera.full_well_e;
    let full = if gain > 0.0 { full.floor().min(f64::from(top)) as u32 } else { top };
    full.max(camera.black_level + 1)
}

/// Mean light of the whole content over that of full white, weighted as the eye does.
fn content_mean_share(scene: &Scene) -> f64 {
    let levels = scene.wall.levels();
    let (_, shares) = white_light(scene);
    let mut total = 0.0;
    for (codes, share) in scene.content.codes.iter().zip(shares) {
        let mut counts = vec![0_u64; levels.len()];
        // Run by run: walls often show large even parts.
        for run in codes.chunk_by(|a, b| a == b) {
            if let Some(count) = counts.get_mut(usize::from(run[0])) {
                *count += run.len() as u64;
            }
        }
        let sum = counts
            .iter()
            .zip(&levels)
            .fold(0.0, |sum, (&count, &level)| sum + count as f64 * scene.drive.mean_level(level));
        total += share * sum / codes.len().max(1) as f64;
    }
    total
}

/// Light and level of a scene; looks through its content.
pub fn exposure(scene: &Scene) -> ExposureNumbers {
    let (camera, lens) = (&scene.camera, &scene.lens);
    let passed = scene.wall.diffuser.map_or(1.0, |d| d.transmission);
    let nits = scene.wall.white_nits * scene.wall.brightness * passed;
    let full_white_lx_s = photons::focal_plane_exposure_lx_s(
        nits,
        camera.exposure_s,
        lens.transmission,
        lens.working_f_number(),
        1.0,
    );
    let finite = |stops: f64| stops.is_finite().then_some(stops);
    let stops = |lx_s: f64| finite(photons::stops_about_mid_grey(lx_s, camera.exposure_index));
    let gain = gain_dn_per_e(scene);
    let mean = content_mean_share(scene);
    let room = f64::from(convert::top_level(camera)) - f64::from(camera.black_level);
    let converter_e = if gain > 0.0 { room / gain } else { f64::INFINITY };
    let clips_at_e = camera.full_well_e.min(converter_e);
    let (photons, shares) = white_light(scene);
    let white_e = full_white_lx_s * photons::electrons_per_lx_s(camera, 1, photons, shares);
    ExposureNumbers {
        exposure_s: camera.exposure_s,
        shutter_angle_deg: 360.0 * camera.fps * camera.exposure_s,
        full_white_lx_s,
        full_white_stops_about_mid_grey: stops(full_white_lx_s),
        content_mean_share: mean,
        content_mean_stops_about_mid_grey: stops(full_white_lx_s * mean),
        gain_levels_per_electron: gain,
        clips_at_electrons: clips_at_e,
        full_white_stops_over_clipping: finite(libm::log2(white_e / clips_at_e)),
        white_level: white_level(scene),
    }
}

/// How near to a whole number of periods counts as one.
const WHOLE: f64 = 1e-9;

/// Up to two exposures of a whole number of periods at or below the present one, and two above, as
/// far as the frame lasts.
fn clean_shutters(exposure_s: f64, fps: f64, period_s: f64) -> Vec<CleanShutter> {
    let most = ((1.0 + WHOLE) / (fps * period_s)).floor();
    let now = (exposure_s / period_s * (1.0 + WHOLE)).floor();
    // The frame may hold fewer whole periods than the exposure asks for.
    let first = (now.min(most) - 1.0).max(1.0);
    (0..4)
        .map(|i| first + f64::from(i))
        .take_while(|&periods| periods <= most.min(now + 2.0) && periods < f64::from(u32::MAX))
        .map(|periods| CleanShutter {
            periods: periods as u32,
            exposure_s: periods * period_s,
            shutter_angle_deg: 360.0 * fps * periods * period_s,
        })
        .collect()
}

fn timing(scene: &Scene) -> TimingNumbers {
    let (camera, drive) = (&scene.camera, &scene.drive);
    let line_time_s = camera.line_s();
    let mut numbers = TimingNumbers {
        line_time_s,
        refreshes_per_exposure: None,
        bands_per_frame: None,
        band_period_rows: None,
        band_roll_hz: None,
        pattern_repeats_s: None,
        clean_shutters: Vec::new(),
        clean_shutters_for_every_grey: Vec::new(),
    };
    if drive.is_steady() {
        return numbers;
    }
    // What the camera's clock counts.
    let pace = 1.0 + drive.clock.drift;
    let refresh_hz = drive.refresh_hz * pace;
    let pattern = drive.timing();
    // Split levels and a dark time at the end of the video frame repeat by the frame only.
    let by_frame = matches!(drive.kind, DriveKind::Split { .. } | DriveKind::Waveform(_))
        || drive.dark_frame_s > 0.0;
    let repeats_s = if by_frame { pattern.frame_s / pace } else { pattern.refresh_s / pace };
    numbers.refreshes_per_exposure = Some(camera.exposure_s * refresh_hz);
    numbers.pattern_repeats_s = Some(repeats_s);
    if let Readout::Rolling { readout_s, .. } = camera.readout {
        numbers.bands_per_frame = Some(bands::bands_per_frame(refresh_hz, readout_s));
        numbers.band_period_rows =
            Some(bands::band_period_rows(refresh_hz, camera.recorded_line_s()));
    }
    numbers.band_roll_hz = Some(bands::roll_hz(refresh_hz, camera.fps));
    numbers.clean_shutters = clean_shutters(camera.exposure_s, camera.fps, 1.0 / refresh_hz);
    if by_frame {
        numbers.clean_shutters_for_every_grey =
            clean_shutters(camera.exposure_s, camera.fps, repeats_s);
    }
    numbers
}

#[cfg(test)]
mod tests;
