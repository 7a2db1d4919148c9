//! TIFF, uncompressed: the developed picture and the raw mosaic with 16 bits, photoelectrons as 32-bit
//! floats.

use std::borrow::Cow;

use tiff::encoder::colortype::{ColorType, Gray16, Gray32Float, RGB16, RGB32Float};
use tiff::encoder::{TiffEncoder, TiffValue};
use tiff::tags::{Tag, Type};
use tiff::{TiffError, TiffResult};

use crate::frame::{Electrons, Picture, RawFrame};

use super::{EncodeError, Format, Notes, Sink, check_planes, quantise};

/// Rows of one strip: a few hundred KiB at UHD.
const STRIP_ROWS: usize = 16;

/// A developed picture with 16 bits, coded with its transfer curve; clipped to 0–1.
///
/// TIFF readers take 16-bit RGB as display-coded; the colour space is told in the notes.
#[derive(Debug, Clone, Copy)]
pub struct TiffPicture<'a> {
    /// The picture.
    pub picture: &'a Picture,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Raw levels as they are, with 16 bits: grey for a mosaic, RGB for full planes.
#[derive(Debug, Clone, Copy)]
pub struct TiffLevels<'a> {
    /// The levels.
    pub raw: &'a RawFrame,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Photoelectrons as 32-bit floats, not scaled: grey for a mosaic, RGB for full planes.
#[derive(Debug, Clone, Copy)]
pub struct TiffElectrons<'a> {
    /// The electrons.
    pub electrons: &'a Electrons,
    /// Words in the file.
    pub notes: &'a Notes,
}

impl From<TiffError> for EncodeError {
    fn from(error: TiffError) -> Self {
        match error {
            TiffError::IoError(e) => Self::Io(e),
            other => Self::Format(other.to_string()),
        }
    }
}

/// Text of a tag. The format says ASCII, readers take UTF-8; a NUL would end it early.
struct Text(Vec<u8>);

impl Text {
    fn new(text: &str) -> Self {
        Self(text.bytes().filter(|b| *b != 0).chain([0]).collect())
    }
}

impl TiffValue for Text {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::ASCII;

    fn count(&self) -> usize {
        self.0.len()
    }

    fn data(&self) -> Cow<'_, [u8]> {
        Cow::Borrowed(&self.0)
    }
}

/// Writes one image, a strip of rows at a time; `sample(plane, index)` gives its numbers.
fn image<C: ColorType>(
    sink: &mut dyn Sink,
    (width, height): (usize, usize),
    planes: usize,
    notes: &Notes,
    sample: impl Fn(usize, usize) -> C::Inner,
) -> Result<(), EncodeError>
where
    [C::Inner]: TiffValue,
{
    if width == 0 || height == 0 {
        return Err(EncodeError::Format("the picture is empty".to_owned()));
    }
    let mut write = || -> TiffResult<()> {
        let mut file = TiffEncoder::new(&mut *sink)?;
        let mut image = file.new_image::<C>(u32::try_from(width)?, u32::try_from(height)?)?;
        image.rows_per_strip(STRIP_ROWS as u32)?;
        let tags = image.encoder();
        tags.write_tag(Tag::Software, Text::new(&notes.program))?;
        tags.write_tag(Tag::ImageDescription, Text::new(&notes.description()))?;
        let mut strip = Vec::with_capacity(STRIP_ROWS * width * planes);
        for first in (0..height).step_by(STRIP_ROWS) {
            strip.clear();
            for i in first * width..(first + STRIP_ROWS).min(height) * width {
                strip.extend((0..planes).map(|c| sample(c, i)));
            }
            image.write_strip(&strip)?;
        }
        image.finish()
    };
    write().map_err(EncodeError::from)
}

impl Format for TiffPicture<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let planes = &self.picture.planes;
        let size = (self.picture.width(), self.picture.height());
        check_planes(3, planes.iter().all(|p| p.data.len() == size.0 * size.1))?;
        image::<RGB16>(sink, size, 3, self.notes, |c, i| quantise(planes[c].data[i], 65535.0))
    }
}

impl Format for TiffLevels<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let planes = &self.raw.planes;
        let size = (self.raw.window.width as usize, self.raw.window.height as usize);
        check_planes(planes.len(), planes.iter().all(|p| p.len() == size.0 * size.1))?;
        if planes.len() == 3 {
            image::<RGB16>(sink, size, 3, self.notes, |c, i| planes[c][i])
        } else {
            image::<Gray16>(sink, size, 1, self.notes, |c, i| planes[c][i])
        }
    }
}

impl Format for TiffElectrons<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let planes = &self.electrons.planes;
        let size = (self.electrons.window.width as usize, self.electrons.window.height as usize);
        check_planes(planes.len(), planes.iter().all(|p| p.data.len() == size.0 * size.1))?;
        if planes.len() == 3 {
            image::<RGB32Float>(sink, size, 3, self.notes, |c, i| planes[c].data[i])
        } else {
            image::<Gray32Float>(sink, size, 1, self.notes, |c, i| planes[c].data[i])
        }
    }
}
