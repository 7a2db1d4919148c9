//! The content.

use super::Findings;
use super::sequence::sequence;
use crate::scene::written::{ContentFile, DirectionFile, ImageFile, MapFile};
use crate::scene::{ContentPictures, Moving};
use crate::units;
use crate::wall::content::{Content, Mapping, Rgb16};
use crate::wall::{Wall, WallImage};
use std::sync::Arc;

/// The code values of the wall; `None` after an error, or when the wall's size is not sure.
pub(super) fn content(
    found: &mut Findings<'_>,
    file: &ContentFile,
    wall: &Wall,
    video_hz: f64,
    pictures: &dyn ContentPictures,
    size_is_sure: bool,
) -> Option<(WallImage, Option<Arc<Moving>>)> {
    let light = |percent: f64, colour: [f64; 3]| colour.map(|c| percent / 100.0 * c / 100.0);
    let content = match file {
        ContentFile::Solid(s) => Content::Solid { light: light(s.light_percent, s.colour_percent) },
        ContentFile::Ramp(r) => Content::Ramp {
            down: down(r.direction),
            from: light(r.from_percent, r.colour_percent),
            to: light(r.to_percent, r.colour_percent),
        },
        ContentFile::Checker(c) => Content::Checker {
            square: c.square_px,
            light: light(c.light_percent, c.colour_percent),
            dark: light(c.dark_percent, c.colour_percent),
        },
        ContentFile::Stripes(s) => Content::Stripes {
            down: down(s.direction),
            width: s.width_px,
            light: light(s.light_percent, s.colour_percent),
            dark: light(s.dark_percent, s.colour_percent),
        },
        ContentFile::ZonePlate(z) => Content::ZonePlate {
            edge_period: z.edge_period_px,
            light: light(z.light_percent, z.colour_percent),
            dark: light(z.dark_percent, z.colour_percent),
        },
        ContentFile::Random(r) => Content::Random { seed: r.seed },
        ContentFile::Image(image) => picture(found, image, wall, pictures, size_is_sure)?,
        ContentFile::Sequence(file) => {
            let (first, moving) = sequence(found, file, wall, video_hz, pictures, size_is_sure)?;
            return Some((first, Some(moving)));
        }
    };
    size_is_sure.then(|| (content.paint(wall), None))
}

fn down(direction: DirectionFile) -> bool {
    matches!(direction, DirectionFile::Down)
}

fn picture(
    found: &mut Findings<'_>,
    file: &ImageFile,
    wall: &Wall,
    pictures: &dyn ContentPictures,
    size_is_sure: bool,
) -> Option<Content> {
    let key = "content.image.file";
    if file.file.is_empty() {
        found.refuse(key, &[], "no file is named".into(), "name a PNG or JPEG file");
        return None;
    }
    let picture = match pictures.load(&file.file) {
        Ok(picture) => picture,
        Err(problem) => {
            let hint = "the path counts from the scene file's folder";
            found.refuse(key, &[], problem, hint);
            return None;
        }
    };
    let mapping = fitted(found, key, &picture, file.map, wall, size_is_sure);
    Some(Content::Picture { picture, mapping, border: [file.border_percent / 100.0; 3] })
}

/// How a picture is laid on the wall.
pub(super) fn mapping(file: MapFile) -> Mapping {
    match file {
        MapFile::Fit => Mapping::Fit,
        MapFile::Fill => Mapping::Fill,
        MapFile::PixelForPixel => Mapping::PixelForPixel,
    }
}

/// How a picture is laid on the wall; says so when it is enlarged for it.
pub(super) fn fitted(
    found: &mut Findings<'_>,
    key: &str,
    picture: &Rgb16,
    map: MapFile,
    wall: &Wall,
    size_is_sure: bool,
) -> Mapping {
    let across = f64::from(wall.columns) / f64::from(picture.columns.max(1));
    let upright = f64::from(wall.rows) / f64::from(picture.rows.max(1));
    let scale = match map {
        MapFile::Fit => across.min(upright),
        MapFile::Fill => across.max(upright),
        MapFile::PixelForPixel => 1.0,
    };
    if size_is_sure && scale > 1.0 {
        let message = format!(
            "a picture of {} × {} is enlarged {} times for a wall of {} × {} pixels",
            picture.columns,
            picture.rows,
            units::number(scale),
            wall.columns,
            wall.rows
        );
        found.note(key, message, "use a picture of the wall's own size, or `map: pixel_for_pixel`");
    }
    mapping(map)
}
