//! OpenEXR with 32-bit floats, uncompressed: the picture in linear light, and photoelectrons.
//!
//! (A frame with noise shrinks by a twentieth under the format's ZIP and takes twenty times as long.)

use exr::meta::attribute::{Chromaticities, Text};
use exr::prelude::{
    Encoding, Image, Layer, LayerAttributes, SpecificChannels, Vec2, WritableImage,
};

use crate::frame::{Electrons, Picture, Plane};

use super::{Coding, EncodeError, Format, Notes, Sink, check_planes};

/// A picture in linear light: channels R, G, B, not clipped.
#[derive(Debug, Clone, Copy)]
pub struct ExrPicture<'a> {
    /// The picture, in linear light.
    pub picture: &'a Picture,
    /// Its colour space; the transfer curve should be linear, as the format expects.
    pub coding: Coding,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Photoelectrons, not scaled: one channel `electrons` for a mosaic, or R, G, B for full planes.
#[derive(Debug, Clone, Copy)]
pub struct ExrElectrons<'a> {
    /// The electrons.
    pub electrons: &'a Electrons,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// A map of signed numbers: one channel, or three with the endings .R, .G and .B; not a number where none is given.
#[derive(Debug, Clone, Copy)]
pub struct ExrMap<'a> {
    /// One plane or three.
    pub planes: &'a [Plane],
    /// Name of the channels, such as `M`.
    pub channels: &'a str,
    /// Words in the file.
    pub notes: &'a Notes,
}

impl From<exr::error::Error> for EncodeError {
    fn from(error: exr::error::Error) -> Self {
        match error {
            exr::error::Error::Io(e) => Self::Io(e),
            other => Self::Format(other.to_string()),
        }
    }
}

/// The format's text, as UTF-8 bytes: the library's letters are single bytes.
fn text(words: &str) -> Option<Text> {
    Text::new_or_none(words.bytes().map(char::from).collect::<String>())
}

/// The words of a layer.
///
/// Only the format's own text attributes are used: the library keeps custom ones in an order that
/// changes from run to run, and equal frames should give equal files.
fn words(notes: &Notes) -> LayerAttributes {
    LayerAttributes {
        software_name: text(&notes.program),
        comments: text(&notes.description()),
        ..LayerAttributes::default()
    }
}

/// The library cannot write a picture without pixels.
fn check_size((width, height): (usize, usize)) -> Result<(), EncodeError> {
    if width == 0 || height == 0 {
        return Err(EncodeError::Format("the picture is empty".to_owned()));
    }
    Ok(())
}

/// Writes planes as R, G, B.
fn rgb(
    sink: &mut dyn Sink,
    size: (usize, usize),
    [r, g, b]: [&[f32]; 3],
    coding: Option<Coding>,
    notes: &Notes,
) -> Result<(), EncodeError> {
    check_size(size)?;
    let channels = SpecificChannels::rgb(|at: Vec2<usize>| {
        let i = at.1 * size.0 + at.0;
        (r[i], g[i], b[i])
    });
    let layer = Layer::new(size, words(notes), Encoding::UNCOMPRESSED, channels);
    let mut image = Image::from_layer(layer);
    image.attributes.chromaticities = coding.and_then(|c| c.primaries()).map(|space| {
        let xy = |p: [f64; 2]| Vec2(p[0] as f32, p[1] as f32);
        let [red, green, blue] = space.primaries_xy.map(xy);
        Chromaticities { red, green, blue, white: xy(space.white_xy) }
    });
    image.write().to_buffered(sink)?;
    Ok(())
}

impl Format for ExrPicture<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let size = (self.picture.width(), self.picture.height());
        let planes = [0, 1, 2].map(|c| self.picture.planes[c].data.as_slice());
        check_planes(3, planes.iter().all(|p| p.len() == size.0 * size.1))?;
        rgb(sink, size, planes, Some(self.coding), self.notes)
    }
}

impl Format for ExrElectrons<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let planes = &self.electrons.planes;
        let size = (self.electrons.window.width as usize, self.electrons.window.height as usize);
        check_planes(planes.len(), planes.iter().all(|p| p.data.len() == size.0 * size.1))?;
        if let [r, g, b] = planes.as_slice() {
            return rgb(sink, size, [&r.data, &g.data, &b.data], None, self.notes);
        }
        let data = &planes[0].data;
        let channels = SpecificChannels::build()
            .with_channel("electrons")
            .with_pixel_fn(|at: Vec2<usize>| (data[at.1 * size.0 + at.0],));
        check_size(size)?;
        let layer = Layer::new(size, words(self.notes), Encoding::UNCOMPRESSED, channels);
        Image::from_layer(layer).write().to_buffered(sink)?;
        Ok(())
    }
}

impl Format for ExrMap<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let size = self.planes.first().map_or((0, 0), |p| (p.width, p.height));
        let whole = self.planes.iter().all(|p| p.data.len() == size.0 * size.1);
        check_planes(self.planes.len(), whole)?;
        check_size(size)?;
        if let [r, g, b] = self.planes {
            let name = |of: &str| format!("{}.{of}", self.channels);
            let channels = SpecificChannels::build()
                .with_channel(name("R").as_str())
                .with_channel(name("G").as_str())
                .with_channel(name("B").as_str())
                .with_pixel_fn(|at: Vec2<usize>| {
                    let i = at.1 * size.0 + at.0;
                    (r.data[i], g.data[i], b.data[i])
                });
            let layer = Layer::new(size, words(self.notes), Encoding::UNCOMPRESSED, channels);
            Image::from_layer(layer).write().to_buffered(sink)?;
            return Ok(());
        }
        let data = &self.planes[0].data;
        let channels = SpecificChannels::build()
            .with_channel(self.channels)
            .with_pixel_fn(|at: Vec2<usize>| (data[at.1 * size.0 + at.0],));
        let layer = Layer::new(size, words(self.notes), Encoding::UNCOMPRESSED, channels);
        Image::from_layer(layer).write().to_buffered(sink)?;
        Ok(())
    }
}
