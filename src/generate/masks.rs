//! Masks: where the wall, a foreground, seams and clipped light are in the picture, and where ratios are given.

use crate::frame::{Electrons, Plane, RawFrame};
use crate::optics::projection::Projection;
use crate::scene::{Scene, projection_of_face};
use glam::DVec2;

/// What a mask shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MaskKind {
    /// Share of the pixel that the wall's outline covers, whatever stands before it.
    Wall,
    /// How opaque the foreground is there, its blur included.
    Foreground,
    /// Where M and B are given.
    Valid,
    /// A photosite of the pixel, or one that its demosaic looks at, is at the raw white level.
    Clipped,
    /// Cabinets or facets meet in the pixel or beside it.
    Seams,
}

impl MaskKind {
    /// As files name it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Wall => "wall",
            Self::Foreground => "foreground",
            Self::Valid => "valid",
            Self::Clipped => "clipped",
            Self::Seams => "seams",
        }
    }
}

/// A mask, 0 to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Mask {
    /// What it shows.
    pub kind: MaskKind,
    /// The values.
    pub plane: Plane,
}

/// Points across and down a pixel at which the outline is looked for.
const POINTS: usize = 2;

/// Side of the squares that are looked at as one first, pixels.
const SQUARE: usize = 8;

/// Masks of wall and seams of a frame; `size` is that of the picture.
pub(super) fn of_wall(scene: &Scene, size: (usize, usize)) -> [Mask; 2] {
    let (width, height) = size;
    let camera = &scene.camera;
    let [across, down] = camera.spacing().map(f64::from);
    let (area, crop) = (camera.mode().area, camera.crop);
    let ratio = DVec2::new(
        f64::from(crop.width) / width.max(1) as f64,
        f64::from(crop.height) / height.max(1) as f64,
    );
    let corner = DVec2::new(f64::from(crop.x), f64::from(crop.y));
    let sensor = |pixel: DVec2| {
        DVec2::new(f64::from(area.x), f64::from(area.y))
            + (corner + pixel * ratio) * DVec2::new(across, down)
    };
    let faces: Vec<(Projection, DVec2, DVec2)> = scene
        .wall
        .faces()
        .into_iter()
        .map(|face| {
            let [columns, rows] = face.size().map(f64::from);
            let seen =
                projection_of_face(&scene.lens, &scene.pose, camera, &face, scene.wall.pitch_m);
            let cabinet =
                [scene.wall.cabinet_columns(), scene.wall.panel_rows.max(1)].map(f64::from);
            (seen, DVec2::new(columns, rows), DVec2::from(cabinet))
        })
        .collect();
    // Which cabinet of which face a point sees.
    let mut last = 0;
    let mut cabinet_at = |pixel: DVec2| {
        let point = sensor(pixel);
        let order = std::iter::once(last).chain((0..faces.len()).filter(|k| *k != last));
        for k in order {
            let Some((projection, size, cabinet)) = faces.get(k) else { continue };
            let Some(sight) = projection.sight(point) else { continue };
            let at = sight.wall;
            if at.cmpge(DVec2::ZERO).all() && at.cmplt(*size).all() {
                last = k;
                let of = (at / *cabinet).floor();
                return Some((k, of.x as i32, of.y as i32));
            }
        }
        None
    };
    let mut wall = Plane::filled(width, height, 0.0);
    let mut seams = Plane::filled(width, height, 0.0);
    // Squares whose corners, a pixel beyond, and middle see one and the same cabinet are all of it.
    for top in (0..height).step_by(SQUARE) {
        for left in (0..width).step_by(SQUARE) {
            let (bottom, right) = ((top + SQUARE).min(height), (left + SQUARE).min(width));
            let [x, y] = [left, top].map(|n| n as f64 - 1.0);
            let [u, v] = [right, bottom].map(|n| n as f64 + 1.0);
            let middle = ((x + u) / 2.0, (y + v) / 2.0);
            let corners = [(x, y), (u, y), (x, v), (u, v), middle];
            let seen = corners.map(|(x, y)| cabinet_at(DVec2::new(x, y)));
            if seen.iter().all(|s| *s == seen[0]) {
                let covered = f32::from(u8::from(seen[0].is_some()));
                for y in top..bottom {
                    wall.data[y * width + left..y * width + right].fill(covered);
                }
                continue;
            }
            for y in top..bottom {
                for x in left..right {
                    let (covered, differ) = pixel((x, y), &mut cabinet_at);
                    wall.data[y * width + x] = covered;
                    seams.data[y * width + x] = f32::from(u8::from(differ));
                }
            }
        }
    }
    [Mask { kind: MaskKind::Wall, plane: wall }, Mask { kind: MaskKind::Seams, plane: seams }]
}

/// A cabinet: number of its face, column and row on it.
type Cabinet = (usize, i32, i32);

/// Share of a pixel that cabinets cover, and whether two of them meet in it or beside it.
fn pixel(
    (x, y): (usize, usize),
    cabinet_at: &mut impl FnMut(DVec2) -> Option<Cabinet>,
) -> (f32, bool) {
    let corner = DVec2::new(x as f64, y as f64);
    let (mut covered, mut first, mut differ) = (0, None, false);
    for j in 0..POINTS {
        for i in 0..POINTS {
            let inside = |k: usize| (k as f64 + 0.5) / POINTS as f64;
            covered += u32::from(cabinet_at(corner + DVec2::new(inside(i), inside(j))).is_some());
            // A pixel beside a seam counts: these points lie twice the pixel apart.
            let wide = corner + 2.0 * DVec2::new(i as f64, j as f64) - 0.5;
            if let Some(cabinet) = cabinet_at(wide) {
                differ |= first.is_some_and(|f| f != cabinet);
                first = Some(cabinet);
            }
        }
    }
    (covered as f32 / (POINTS * POINTS) as f32, differ)
}

/// Where a photosite near a pixel is at the white level.
pub(super) fn of_clipped(raw: &RawFrame, white_level: u32, size: (usize, usize)) -> Mask {
    let (columns, rows) = (raw.window.width as usize, raw.window.height as usize);
    let is_clipped = |x: usize, y: usize| {
        raw.planes.iter().any(|p| u32::from(p[y * columns + x]) >= white_level)
    };
    let mut near = vec![false; columns * rows];
    for y in 0..rows {
        for x in 0..columns {
            if is_clipped(x, y) {
                for v in y.saturating_sub(1)..(y + 2).min(rows) {
                    for u in x.saturating_sub(1)..(x + 2).min(columns) {
                        near[v * columns + u] = true;
                    }
                }
            }
        }
    }
    let (width, height) = size;
    let mut plane = Plane::filled(width, height, 0.0);
    let span = |n: usize, from: usize, to: usize| {
        let start = n * from / to.max(1);
        start..((n + 1) * from).div_ceil(to.max(1)).max(start + 1).min(from)
    };
    for y in 0..height {
        for x in 0..width {
            let any = span(y, rows, height)
                .any(|v| span(x, columns, width).any(|u| near[v * columns + u]));
            plane.data[y * width + x] = f32::from(u8::from(any));
        }
    }
    Mask { kind: MaskKind::Clipped, plane }
}

/// Opacity of the foreground, where the wall is behind it: 1 less what its shadow leaves of a frame. `dark` is the frame with the
/// foreground unlit, `without` that without it; both of the same white wall, without its lattice and steady.
pub(super) fn of_foreground(dark: &Electrons, without: &Electrons, size: (usize, usize)) -> Mask {
    let (width, height) = size;
    let (columns, rows) = (dark.window.width as usize, dark.window.height as usize);
    let mut plane = Plane::filled(width, height, 0.0);
    let of =
        |planes: &[Plane], x: usize, y: usize| -> f32 { planes.iter().map(|p| p.at(x, y)).sum() };
    // Beyond the wall's outline nothing is told apart.
    let most = without.planes.iter().flat_map(|p| &p.data).copied().fold(0.0, f32::max);
    let least = 0.01 * most;
    for y in 0..height {
        let v = (2 * y + 1) * rows / (2 * height);
        for x in 0..width {
            let u = (2 * x + 1) * columns / (2 * width);
            let bare = of(&without.planes, u, v);
            let seen = of(&dark.planes, u, v);
            plane.data[y * width + x] =
                if bare > least { (1.0 - seen / bare).clamp(0.0, 1.0) } else { 0.0 };
        }
    }
    Mask { kind: MaskKind::Foreground, plane }
}

/// Where ratios are given.
pub(super) fn of_given(given: &[bool], size: (usize, usize)) -> Mask {
    let data = given.iter().map(|g| f32::from(u8::from(*g))).collect();
    Mask { kind: MaskKind::Valid, plane: Plane { width: size.0, height: size.1, data } }
}
