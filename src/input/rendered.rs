//! Reads frames back as `render` writes them: PNG, TIFF, OpenEXR.

use super::{MAX_PICTURE_PIXELS, Unreadable, reason};
use crate::frame::Plane;
use image::{DynamicImage, ImageReader};
use std::io::BufReader;
use std::path::Path;
use tiff::decoder::{Decoder, DecodingResult, Limits};

/// What the numbers of a file are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbers {
    /// Whole numbers from 0 up to this one.
    Levels(u32),
    /// Floating-point numbers: linear light, or electrons.
    Float,
}

/// A frame as a file holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// One or three planes, as the file's numbers.
    pub planes: Vec<Plane>,
    /// What they are.
    pub numbers: Numbers,
}

/// Reads a frame by what the file's ending says: png, tiff or tif, exr, and jpg or jpeg as other cameras write them.
pub fn rendered(path: &Path) -> Result<Rendered, Unreadable> {
    let shown = path.display().to_string();
    let file = std::fs::File::open(path).map_err(|e| Unreadable(reason("picture", &shown, &e)))?;
    if file.metadata().is_ok_and(|m| m.is_dir()) {
        return Err(Unreadable(format!("picture '{shown}' is a folder")));
    }
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let read = BufReader::new(file);
    let result = match ending.as_str() {
        "png" => png(read, image::ImageFormat::Png),
        "jpg" | "jpeg" => png(read, image::ImageFormat::Jpeg),
        "tif" | "tiff" => tiff(read),
        "exr" => exr(read),
        _ => {
            return Err(Unreadable(format!(
                "picture '{shown}' is of no kind that gridbeat reads; allowed: png, tiff, exr, jpg"
            )));
        }
    };
    result.map_err(|why| Unreadable(format!("picture '{shown}' cannot be read: {why}")))
}

fn check_size(width: usize, height: usize) -> Result<(), String> {
    let pixels = width as u64 * height as u64;
    if pixels == 0 || pixels > MAX_PICTURE_PIXELS {
        return Err(format!(
            "it has {width} × {height} pixels; allowed: up to {MAX_PICTURE_PIXELS} in all"
        ));
    }
    Ok(())
}

/// Interleaved numbers as planes.
fn planes<T: Copy + Into<f64>>(
    data: &[T],
    size: (usize, usize),
    count: usize,
) -> Result<Vec<Plane>, String> {
    let (width, height) = size;
    if data.len() != width * height * count {
        return Err("it holds fewer numbers than its size says".into());
    }
    let plane = |c: usize| Plane {
        width,
        height,
        // Levels have at most 16 bits, which f32 holds exactly.
        data: data.iter().skip(c).step_by(count).map(|v| (*v).into() as f32).collect(),
    };
    Ok((0..count).map(plane).collect())
}

fn png(read: BufReader<std::fs::File>, format: image::ImageFormat) -> Result<Rendered, String> {
    let reader = ImageReader::with_format(read, format);
    let image = reader.decode().map_err(|e| e.to_string())?;
    let size = (image.width() as usize, image.height() as usize);
    check_size(size.0, size.1)?;
    let (planes, top) = match &image {
        DynamicImage::ImageLuma8(p) => (planes(p.as_raw(), size, 1)?, 255),
        DynamicImage::ImageRgb8(p) => (planes(p.as_raw(), size, 3)?, 255),
        DynamicImage::ImageLuma16(p) => (planes(p.as_raw(), size, 1)?, 65535),
        DynamicImage::ImageRgb16(p) => (planes(p.as_raw(), size, 3)?, 65535),
        _ => return Err("it is neither grey nor red, green and blue alone".into()),
    };
    Ok(Rendered { planes, numbers: Numbers::Levels(top) })
}

fn tiff(read: BufReader<std::fs::File>) -> Result<Rendered, String> {
    let words = |e: tiff::TiffError| e.to_string();
    let mut limits = Limits::default();
    limits.decoding_buffer_size = MAX_PICTURE_PIXELS as usize * 12;
    let mut decoder = Decoder::new(read).map_err(words)?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(words)?;
    let size = (width as usize, height as usize);
    check_size(size.0, size.1)?;
    let count = usize::from(decoder.colortype().map_err(words)?.num_samples());
    if !matches!(count, 1 | 3) {
        return Err("it is neither grey nor red, green and blue alone".into());
    }
    let (planes, numbers) = match decoder.read_image().map_err(words)? {
        DecodingResult::U8(data) => (planes(&data, size, count)?, Numbers::Levels(255)),
        DecodingResult::U16(data) => (planes(&data, size, count)?, Numbers::Levels(65535)),
        DecodingResult::F32(data) => (planes(&data, size, count)?, Numbers::Float),
        _ => return Err("its numbers have neither 8, 16 nor 32 bits".into()),
    };
    Ok(Rendered { planes, numbers })
}

fn exr(read: BufReader<std::fs::File>) -> Result<Rendered, String> {
    use exr::prelude::{ReadChannels, ReadLayers};
    let image = exr::prelude::read()
        .no_deep_data()
        .largest_resolution_level()
        .all_channels()
        .first_valid_layer()
        .all_attributes()
        .from_buffered(read)
        .map_err(|e| e.to_string())?;
    let size = (image.layer_data.size.0, image.layer_data.size.1);
    check_size(size.0, size.1)?;
    let channels = &image.layer_data.channel_data.list;
    let plane =
        |channel: &exr::prelude::AnyChannel<exr::prelude::FlatSamples>| -> Result<Plane, String> {
            let data: Vec<f32> = channel.sample_data.values_as_f32().collect();
            planes(&data, size, 1).map(|mut one| one.remove(0))
        };
    // The file has them in the order of the alphabet.
    // A map's channels have its name before them: M.R, M.G, M.B.
    let of = |c: &exr::prelude::AnyChannel<exr::prelude::FlatSamples>, name: &str| {
        let full = c.name.to_string();
        full.rsplit('.').next() == Some(name)
    };
    let named = |name: &str| channels.iter().find(|c| of(c, name));
    let planes = match (channels.as_slice(), named("R"), named("G"), named("B")) {
        ([one], ..) => vec![plane(one)?],
        ([_, _, _], Some(r), Some(g), Some(b)) => vec![plane(r)?, plane(g)?, plane(b)?],
        _ => return Err("it has neither one channel nor R, G and B alone".into()),
    };
    Ok(Rendered { planes, numbers: Numbers::Float })
}
