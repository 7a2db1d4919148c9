//! PNG: the developed picture with 8 or 16 bits, and the raw mosaic with 16.
//!
//! Colour is told in the chunks of PNG (Third Edition, W3C 2025): cICP with the code points of
//! ITU-T H.273, and sRGB, gAMA and cHRM for older readers where they say the same.

use std::io::{self, Write};

use png::{BitDepth, ColorType, Compression, ScaledFloat, SourceChromaticities, chunk::ChunkType};

use crate::develop::{ColourSpace, DeliveryTransfer};
use crate::frame::{Picture, Plane, RawFrame};

use super::{Coding, EncodeError, Format, Notes, Sink, check_planes, quantise};

/// Bits of one colour in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// 8 bits.
    Eight,
    /// 16 bits.
    Sixteen,
}

/// A developed picture.
#[derive(Debug, Clone, Copy)]
pub struct PngPicture<'a> {
    /// The picture, coded with `coding`'s transfer curve; clipped to 0–1.
    pub picture: &'a Picture,
    /// Bits.
    pub depth: Depth,
    /// How the numbers are to be read.
    pub coding: Coding,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// A mask of 0 to 1 as grey with 8 bits.
#[derive(Debug, Clone, Copy)]
pub struct PngMask<'a> {
    /// The mask.
    pub plane: &'a Plane,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Signed numbers as integers of 16 bits: value = offset + scale · code; code 0 where a number is not given. One plane is grey, three
/// are RGB.
#[derive(Debug, Clone, Copy)]
pub struct PngCodes<'a> {
    /// The numbers.
    pub planes: &'a [Plane],
    /// Value of code 0.
    pub offset: f64,
    /// Value of one step.
    pub scale: f64,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Raw levels as they are: grey for a mosaic, RGB for full planes; 16 bits, no colour tags.
#[derive(Debug, Clone, Copy)]
pub struct PngLevels<'a> {
    /// The levels.
    pub raw: &'a RawFrame,
    /// Words in the file.
    pub notes: &'a Notes,
}

impl From<png::EncodingError> for EncodeError {
    fn from(error: png::EncodingError) -> Self {
        match error {
            png::EncodingError::IoError(e) => Self::Io(e),
            other => Self::Format(other.to_string()),
        }
    }
}

/// Code points of ITU-T H.273: primaries (table 2) and transfer (table 3).
fn code_points(coding: Coding) -> Option<[u8; 2]> {
    let primaries = match coding.space {
        ColourSpace::Bt709 => 1,
        ColourSpace::Bt2020 => 9,
        ColourSpace::P3D65 => 12,
        ColourSpace::AcesAp0 | ColourSpace::AcesAp1 | ColourSpace::CameraRgb => return None,
    };
    let transfer = match coding.transfer {
        DeliveryTransfer::Bt709 => 1,
        DeliveryTransfer::Linear => 8,
        DeliveryTransfer::Srgb => 13,
        DeliveryTransfer::HybridLogGamma => 18,
        DeliveryTransfer::AcesCct => return None,
    };
    Some([primaries, transfer])
}

/// Remembers the first error of a sink.
///
/// The library writes its last piece while dropping a value, where it can tell nobody that this
/// failed (png 0.18.1, `ChunkWriter`): the file would end in the middle and count as written.
struct Watched<'a> {
    sink: &'a mut dyn Sink,
    failed: Option<io::Error>,
}

impl<'a> Watched<'a> {
    fn new(sink: &'a mut dyn Sink) -> Self {
        Self { sink, failed: None }
    }

    fn keep<T>(&mut self, result: io::Result<T>) -> io::Result<T> {
        if let (Err(e), None) = (&result, &self.failed)
            && e.kind() != io::ErrorKind::Interrupted
        {
            self.failed =
                Some(e.raw_os_error().map_or(e.kind().into(), io::Error::from_raw_os_error));
        }
        result
    }

    /// The outcome of an encoder, or the error that it did not see.
    fn outcome(self, result: Result<(), EncodeError>) -> Result<(), EncodeError> {
        match self.failed {
            Some(error) => Err(EncodeError::Io(error)),
            None => result,
        }
    }
}

impl Write for Watched<'_> {
    fn write(&mut self, data: &[u8]) -> io::Result<usize> {
        let result = self.sink.write(data);
        self.keep(result)
    }

    fn flush(&mut self) -> io::Result<()> {
        let result = self.sink.flush();
        self.keep(result)
    }
}

/// Starts a file: header, colour, words.
fn start<'s, 'w>(
    sink: &'s mut Watched<'w>,
    (width, height): (usize, usize),
    (colour, depth): (ColorType, BitDepth),
    coding: Option<Coding>,
    notes: &Notes,
) -> Result<png::Writer<&'s mut Watched<'w>>, EncodeError> {
    let side = |n: usize| u32::try_from(n).map_err(|_| EncodeError::Format("too large".to_owned()));
    let mut encoder = png::Encoder::new(sink, side(width)?, side(height)?);
    encoder.set_color(colour);
    encoder.set_depth(depth);
    encoder.set_compression(Compression::Fast);
    encoder.add_itxt_chunk("Software".to_owned(), notes.program.clone())?;
    encoder.add_itxt_chunk("Title".to_owned(), notes.scene.clone())?;
    for (keyword, text) in &notes.lines {
        encoder.add_itxt_chunk(keyword.clone(), text.clone())?;
    }
    let mut cicp = None;
    if let Some(coding) = coding {
        cicp = code_points(coding);
        if coding.space == ColourSpace::Bt709 && coding.transfer == DeliveryTransfer::Srgb {
            encoder.set_source_srgb(png::SrgbRenderingIntent::RelativeColorimetric);
        }
        match coding.transfer {
            DeliveryTransfer::Linear => encoder.set_source_gamma(ScaledFloat::new(1.0)),
            // The value that the specification gives for sRGB.
            DeliveryTransfer::Srgb => encoder.set_source_gamma(ScaledFloat::from_scaled(45455)),
            // No single power stands for it: only cICP tells it, if anything does.
            DeliveryTransfer::Bt709
            | DeliveryTransfer::HybridLogGamma
            | DeliveryTransfer::AcesCct => {}
        }
        // The chunk's numbers have no sign.
        let real = |space: &crate::colour::RgbSpace| {
            space.primaries_xy.as_flattened().iter().all(|v| *v >= 0.0)
        };
        if let Some(space) = coding.primaries().filter(real) {
            let xy = |p: [f64; 2]| (p[0] as f32, p[1] as f32);
            let [r, g, b] = space.primaries_xy.map(xy);
            encoder.set_source_chromaticities(SourceChromaticities::new(
                xy(space.white_xy),
                r,
                g,
                b,
            ));
        }
    }
    let mut writer = encoder.write_header()?;
    if let Some([primaries, transfer]) = cicp {
        // Matrix 0 (RGB), full range.
        writer.write_chunk(ChunkType(*b"cICP"), &[primaries, transfer, 0, 1])?;
    }
    Ok(writer)
}

/// Writes rows that `fill` makes into a buffer of `row_bytes`, and ends the file.
fn rows(
    mut writer: png::Writer<&mut Watched>,
    height: usize,
    row_bytes: usize,
    mut fill: impl FnMut(usize, &mut [u8]),
) -> Result<(), EncodeError> {
    let mut stream = writer.stream_writer_with_size(1 << 16)?;
    let mut row = vec![0; row_bytes];
    for y in 0..height {
        fill(y, &mut row);
        stream.write_all(&row)?;
    }
    stream.finish()?;
    writer.finish()?;
    Ok(())
}

impl Format for PngPicture<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let mut watched = Watched::new(sink);
        let result = self.encode_watched(&mut watched);
        watched.outcome(result)
    }
}

impl PngPicture<'_> {
    fn encode_watched(&self, sink: &mut Watched) -> Result<(), EncodeError> {
        let (width, height) = (self.picture.width(), self.picture.height());
        let whole = self.picture.planes.iter().all(|p| p.data.len() == width * height);
        check_planes(3, whole)?;
        let (depth, bytes) = match self.depth {
            Depth::Eight => (BitDepth::Eight, 1),
            Depth::Sixteen => (BitDepth::Sixteen, 2),
        };
        let kind = (ColorType::Rgb, depth);
        let writer = start(sink, (width, height), kind, Some(self.coding), self.notes)?;
        rows(writer, height, width * 3 * bytes, |y, row| {
            let [r, g, b] = [0, 1, 2].map(|c| self.picture.planes[c].row(y));
            for (x, pixel) in row.chunks_exact_mut(3 * bytes).enumerate() {
                for (value, out) in
                    [r[x], g[x], b[x]].into_iter().zip(pixel.chunks_exact_mut(bytes))
                {
                    match self.depth {
                        Depth::Eight => out[0] = quantise(value, 255.0) as u8,
                        Depth::Sixteen => {
                            out.copy_from_slice(&quantise(value, 65535.0).to_be_bytes());
                        }
                    }
                }
            }
        })
    }
}

impl Format for PngMask<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let mut watched = Watched::new(sink);
        let Plane { width, height, data } = self.plane;
        let result = check_planes(1, data.len() == width * height).and_then(|()| {
            let kind = (ColorType::Grayscale, BitDepth::Eight);
            let writer = start(&mut watched, (*width, *height), kind, None, self.notes)?;
            rows(writer, *height, *width, |y, row| {
                for (out, value) in row.iter_mut().zip(self.plane.row(y)) {
                    *out = quantise(*value, 255.0) as u8;
                }
            })
        });
        watched.outcome(result)
    }
}

impl Format for PngCodes<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let mut watched = Watched::new(sink);
        let planes = self.planes;
        let (width, height) = planes.first().map_or((0, 0), |p| (p.width, p.height));
        let whole = planes.iter().all(|p| p.data.len() == width * height);
        let code = |value: f32| match value.is_finite() {
            true => {
                ((f64::from(value) - self.offset) / self.scale).round().clamp(1.0, 65535.0) as u16
            }
            false => 0,
        };
        let result = check_planes(planes.len(), whole).and_then(|()| {
            let colour = if planes.len() == 3 { ColorType::Rgb } else { ColorType::Grayscale };
            let kind = (colour, BitDepth::Sixteen);
            let writer = start(&mut watched, (width, height), kind, None, self.notes)?;
            rows(writer, height, width * planes.len() * 2, |y, row| {
                for (x, pixel) in row.chunks_exact_mut(planes.len() * 2).enumerate() {
                    for (plane, out) in planes.iter().zip(pixel.chunks_exact_mut(2)) {
                        out.copy_from_slice(&code(plane.at(x, y)).to_be_bytes());
                    }
                }
            })
        });
        watched.outcome(result)
    }
}

impl Format for PngLevels<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let mut watched = Watched::new(sink);
        let result = self.encode_watched(&mut watched);
        watched.outcome(result)
    }
}

impl PngLevels<'_> {
    fn encode_watched(&self, sink: &mut Watched) -> Result<(), EncodeError> {
        let window = self.raw.window;
        let (width, height) = (window.width as usize, window.height as usize);
        let planes = &self.raw.planes;
        check_planes(planes.len(), planes.iter().all(|p| p.len() == width * height))?;
        let colour = if planes.len() == 3 { ColorType::Rgb } else { ColorType::Grayscale };
        let size = (width, height);
        let writer = start(sink, size, (colour, BitDepth::Sixteen), None, self.notes)?;
        rows(writer, height, width * planes.len() * 2, |y, row| {
            for (x, pixel) in row.chunks_exact_mut(planes.len() * 2).enumerate() {
                for (plane, out) in planes.iter().zip(pixel.chunks_exact_mut(2)) {
                    out.copy_from_slice(&plane[y * width + x].to_be_bytes());
                }
            }
        })
    }
}
