//! Where a frame and its ideal twin can be compared: inside the wall's outlines and seams, and not clipped.

use crate::frame::Electrons;
use crate::optics::projection::Projection;
use crate::optics::transfer::blur_disc_m;
use crate::scene::{Scene, projection_of_face};
use crate::sensor::Mosaic;
use glam::DVec2;
use rayon::prelude::*;

/// Side of the squares that are judged as one, recorded photosites.
const SQUARE: u32 = 8;

/// Judges every pixel of a delivered picture, row by row: true where it lies a blur radius and a pitch inside a face of the wall
/// and nothing near it is clipped.
///
/// `scene` is that of the frame; `frames` are electrons of the recorded photosites, `clips_e` the electrons from which one is
/// clipped; `size` is that of the delivered picture.
pub(super) fn given(
    scene: &Scene,
    frames: &[&Electrons],
    clips_e: f64,
    size: (usize, usize),
) -> Vec<bool> {
    let crop = scene.camera.crop;
    let (columns, rows) =
        (crop.width.div_ceil(SQUARE) as usize, crop.height.div_ceil(SQUARE) as usize);
    // Photosites that make one delivered pixel.
    let ratio = [
        f64::from(crop.width) / size.0.max(1) as f64,
        f64::from(crop.height) / size.1.max(1) as f64,
    ];
    // The widest filter reaches three of its pixels.
    let reach = 3.0 * ratio[0].max(ratio[1]).max(1.0) + 2.0;
    let views = views(scene);
    let mut inside = vec![false; columns * rows];
    inside.par_chunks_mut(columns.max(1)).enumerate().for_each(|(j, line)| {
        let mut last = 0;
        for (i, inside) in line.iter_mut().enumerate() {
            let place = sensor_place(scene, i, j);
            let order = std::iter::once(last).chain((0..views.len()).filter(|k| *k != last));
            for k in order {
                if views.get(k).is_some_and(|view| view.is_inside(scene, place, reach)) {
                    (*inside, last) = (true, k);
                    break;
                }
            }
        }
    });
    let clipped = clipped(frames, clips_e, (columns, rows));
    let spread = (reach / f64::from(SQUARE)).ceil() as usize;
    let fine: Vec<bool> = (0..columns * rows)
        .into_par_iter()
        .map(|at| {
            let (i, j) = (at % columns, at / columns);
            let near = |n: usize, most: usize| n.saturating_sub(spread)..(n + spread + 1).min(most);
            inside[at] && !near(j, rows).any(|y| near(i, columns).any(|x| clipped[y * columns + x]))
        })
        .collect();
    let mut out = vec![false; size.0 * size.1];
    let square =
        |n: f64, most: usize| ((n / f64::from(SQUARE)) as usize).min(most.saturating_sub(1));
    out.par_chunks_mut(size.0.max(1)).enumerate().for_each(|(y, line)| {
        let of = |y: f64| square(y * ratio[1], rows);
        let (top, bottom) = (of(y as f64), of(y as f64 + 0.999));
        for (x, given) in line.iter_mut().enumerate() {
            let of = |x: f64| square(x * ratio[0], columns);
            let (left, right) = (of(x as f64), of(x as f64 + 0.999));
            *given = (top..=bottom).all(|j| (left..=right).all(|i| fine[j * columns + i]));
        }
    });
    out
}

/// Squares with a clipped photosite.
fn clipped(frames: &[&Electrons], clips_e: f64, (columns, rows): (usize, usize)) -> Vec<bool> {
    let mut out = vec![false; columns * rows];
    let step = SQUARE as usize;
    out.par_chunks_mut(columns.max(1)).enumerate().for_each(|(j, line)| {
        for plane in frames.iter().flat_map(|f| &f.planes) {
            for y in j * step..((j + 1) * step).min(plane.height) {
                for (clipped, run) in line.iter_mut().zip(plane.row(y).chunks(step)) {
                    *clipped |= run.iter().any(|e| f64::from(*e) >= clips_e);
                }
            }
        }
    });
    out
}

/// Middle of a square on the sensor, photosites.
fn sensor_place(scene: &Scene, i: usize, j: usize) -> DVec2 {
    let camera = &scene.camera;
    let [across, down] = camera.spacing().map(f64::from);
    let area = camera.mode().area;
    let middle = |start: u32, n: usize| f64::from(start) + (n as f64 + 0.5) * f64::from(SQUARE);
    DVec2::new(
        f64::from(area.x) + middle(camera.crop.x, i) * across,
        f64::from(area.y) + middle(camera.crop.y, j) * down,
    )
}

/// A face before the lens.
struct View {
    projection: Projection,
    size: DVec2,
}

fn views(scene: &Scene) -> Vec<View> {
    let faces = scene.wall.faces().into_iter();
    let view = |face: crate::wall::Face| {
        let size = face.size().map(f64::from);
        let pitch_m = scene.wall.pitch_m;
        let projection =
            projection_of_face(&scene.lens, &scene.pose, &scene.camera, &face, pitch_m);
        View { projection, size: DVec2::new(size[0], size[1]) }
    };
    faces.map(view).collect()
}

impl View {
    /// Whether a square around a sensor point lies a blur radius and a pitch inside.
    fn is_inside(&self, scene: &Scene, point: DVec2, reach: f64) -> bool {
        let Some(sight) = self.projection.sight(point) else { return false };
        let (lens, camera) = (&scene.lens, &scene.camera);
        let photosite_m = camera.photosite_m;
        let [across, down] = camera.spacing().map(f64::from);
        let disc = blur_disc_m(lens, sight.depth_m).abs() / photosite_m;
        let shortest = scene.wall.emitters.iter().map(|e| e.wavelength_m).fold(0.0, f64::max);
        // The Airy disc's first dark ring.
        let airy = 1.22 * shortest * lens.working_f_number() / photosite_m;
        let splits = [scene.low_pass, scene.front_low_pass.map(|f| f.at_sensor(lens))];
        let split: f64 =
            splits.iter().flatten().map(|s| s.across_m.max(s.upright_m) / photosite_m).sum();
        let sigma = lens.aberration_m / photosite_m;
        let mosaic = if matches!(camera.mosaic, Mosaic::Bayer(_)) { 2.0 } else { 1.0 };
        let radius = disc / 2.0 * lens.blur_aspect().max(1.0) + 3.0 * sigma + split / 2.0 + airy;
        let half = f64::from(SQUARE) / 2.0;
        let photosites = radius + across.max(down) * (mosaic + reach + half);
        // A step of one photosite in any direction moves the point of the wall by at most this, on either axis.
        let (whole, _) = self.projection.derivatives(point);
        let most = DVec2::new(
            (whole.x_axis.x * whole.x_axis.x + whole.y_axis.x * whole.y_axis.x).sqrt(),
            (whole.x_axis.y * whole.x_axis.y + whole.y_axis.y * whole.y_axis.y).sqrt(),
        );
        let diffused = scene.wall.diffuser.map_or(0.0, |d| 3.0 * d.sigma_m() / scene.wall.pitch_m);
        let margin = most * photosites + DVec2::splat(1.0 + diffused);
        sight.wall.cmpge(margin).all() && sight.wall.cmple(self.size - margin).all()
    }
}
