//! Sizes that would need absurd memory are refused before anything is allocated.

use super::Findings;
use crate::scene::Delivered;
use crate::sensor::Camera;
use crate::wall::Wall;

/// Largest wall, in pixels: 600 MB of code values.
pub const MAX_WALL_PIXELS: u64 = 100_000_000;

/// Most memory that one frame may need, bytes.
pub const MAX_FRAME_BYTES: u64 = 16 << 30;

/// Bytes a recorded photosite takes through render and development, at most: photoelectrons, raw
/// levels, three planes before and after the colour matrix, and the written file.
const BYTES_PER_PHOTOSITE: u64 = 64;

/// Bytes a delivered pixel takes: three planes, twice.
const BYTES_PER_PIXEL: u64 = 24;

pub(super) fn limits(
    found: &mut Findings<'_>,
    wall: &Wall,
    camera: &Camera,
    deliveries: &[Delivered],
) {
    let pixels = u64::from(wall.columns) * u64::from(wall.rows);
    if pixels > MAX_WALL_PIXELS {
        let key = if found.given("wall.size_px") { "wall.size_px" } else { "wall.cabinets" };
        found.refuse(
            key,
            &["wall.size_px", "wall.cabinet_px"],
            format!(
                "{} × {} wall pixels are {pixels}; allowed: up to {MAX_WALL_PIXELS}",
                wall.columns, wall.rows
            ),
            "describe only the part of the wall that the camera sees",
        );
    }
    let seen = camera.sensor_window();
    let recorded = u64::from(seen.width) * u64::from(seen.height);
    let gib = |bytes: u64| bytes as f64 / f64::from(1 << 30);
    let limit = gib(MAX_FRAME_BYTES);
    let bytes = recorded * BYTES_PER_PHOTOSITE;
    if bytes > MAX_FRAME_BYTES {
        found.refuse(
            "camera.photosites",
            &["camera.crop"],
            format!(
                "a frame of {} × {} photosites would need about {:.0} GiB of memory; allowed: {limit} GiB",
                seen.width,
                seen.height,
                gib(bytes)
            ),
            "record a `crop`",
        );
    }
    // One is developed after the other.
    for (i, delivered) in deliveries.iter().enumerate() {
        let pixels = delivered.delivery.size.map_or(0, |(w, h)| u64::from(w) * u64::from(h));
        let bytes = pixels * BYTES_PER_PIXEL;
        if bytes > MAX_FRAME_BYTES {
            let key = super::delivery::key(found, i) + ".size_px";
            found.refuse(
                &key,
                &[],
                format!(
                    "a picture of this size would need about {:.0} GiB of memory; allowed: {limit} GiB",
                    gib(bytes)
                ),
                "deliver a smaller picture",
            );
        }
    }
}
