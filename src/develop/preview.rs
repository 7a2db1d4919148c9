//! Pictures to look at: whole-number crops, which show every photosite as it is, and overviews, which
//! say on their face that they do not.

use rayon::prelude::*;

use crate::frame::{Picture, Plane};

use super::pipeline::check_size;
use super::{DevelopError, ScaleFilter, label, scale};

/// A crop with every pixel shown as `factor` × `factor` equal ones: no moiré is hidden or made.
///
/// `x`, `y`, `width`, `height` are in the picture's pixels and must lie inside it; `factor` of 0 counts
/// as 1.
pub fn preview_crop(
    picture: &Picture,
    (x, y): (u32, u32),
    (width, height): (u32, u32),
    factor: u32,
) -> Result<Picture, DevelopError> {
    let factor = factor.max(1);
    let inside = |start: u32, length: u32, whole: usize| {
        length > 0 && u64::from(start) + u64::from(length) <= whole as u64
    };
    if !inside(x, width, picture.width()) || !inside(y, height, picture.height()) {
        return Err(DevelopError::Crop { x, y, width, height });
    }
    let (columns, rows) = (width.saturating_mul(factor), height.saturating_mul(factor));
    check_size(columns, rows)?;
    let (columns, rows, factor) = (columns as usize, rows as usize, factor as usize);
    let planes = [0, 1, 2].map(|c| {
        let source = &picture.planes[c];
        let mut out = Plane::filled(columns, rows, 0.0);
        out.data.par_chunks_mut(columns).enumerate().for_each(|(j, line)| {
            let from = &source.row(y as usize + j / factor)[x as usize..][..width as usize];
            for (block, value) in line.chunks_exact_mut(factor).zip(from) {
                block.fill(*value);
            }
        });
        out
    });
    Ok(Picture { planes })
}

/// The whole picture made smaller to fit `width` × `height`, with "NOT FOR JUDGING" and the scale on a
/// strip below it.
///
/// The picture keeps its shape and is never enlarged; the strip counts as part of `height` and covers
/// no picture. Scaling (box) hides or makes moiré: hence the words. The picture must be display-coded;
/// the strip is black with white letters. Refuses sizes below 96 × 32.
pub fn overview(picture: &Picture, width: u32, height: u32) -> Result<Picture, DevelopError> {
    check_size(width, height)?;
    if width < 96 || height < 32 || picture.width() == 0 || picture.height() == 0 {
        return Err(DevelopError::Delivery(width, height));
    }
    // Two lines of letters at the narrowest; the letters grow with the strip.
    let (width, height) = (width as usize, height as usize);
    let strip_for = |columns: usize| {
        let size = (columns / 480).max(1);
        2 * (label::HEIGHT + 2) * size + 2 * size
    };
    let room = height.saturating_sub(strip_for(width)).max(1);
    let shrink =
        (picture.width() as f64 / width as f64).max(picture.height() as f64 / room as f64).max(1.0);
    let side = |n: usize| ((n as f64 / shrink).round() as usize).max(1);
    let (columns, rows) = (side(picture.width()).min(width), side(picture.height()).min(room));
    let small = scale(picture, (columns, rows), ScaleFilter::Box)?;
    let caption = ["NOT FOR JUDGING".to_owned(), format!("SCALE 1:{shrink:.2}")];
    // The strip may be wider than a tall, narrow picture: the words must be whole.
    let needed = caption.iter().map(|t| label::width(t)).max().unwrap_or(0) + 4;
    let total = columns.max(needed.min(width));
    let size = ((total / 480).max(1)).min((total / needed.max(1)).max(1));
    let strip = 2 * (label::HEIGHT + 2) * size + 2 * size;
    let planes = [0, 1, 2].map(|c| {
        let mut out = Plane::filled(total, rows + strip, 0.0);
        let (top, bottom) = out.data.split_at_mut(total * rows);
        for (line, from) in top.chunks_exact_mut(total).zip(small.planes[c].data.chunks(columns)) {
            line[..columns].copy_from_slice(from);
        }
        for (j, line) in bottom.chunks_exact_mut(total).enumerate() {
            let dot = (j / size).saturating_sub(2);
            let (text, y) = (dot / (label::HEIGHT + 2), dot % (label::HEIGHT + 2));
            let Some(text) = caption.get(text).filter(|_| j / size >= 2) else { continue };
            for (i, value) in line.iter_mut().enumerate() {
                let x = i / size;
                if x >= 2 && label::inked(text, x - 2, y) {
                    *value = 1.0;
                }
            }
        }
        out
    });
    Ok(Picture { planes })
}
