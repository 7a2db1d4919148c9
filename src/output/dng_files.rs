//! DNG, the raw mosaic as a camera's raw file: uncompressed 16 bits, with pattern, levels, colour and white balance.
//!
//! Tags as in the Digital Negative Specification 1.4 (2012) and, for what it takes over, TIFF 6.0 (1992), TIFF/EP (ISO
//! 12234-2) and Exif 2.3. Little-endian, one strip.

use super::{EncodeError, Format, Notes, Sink, check_planes};
use crate::colour::BT709;
use crate::develop::{ColourSpace, NoTransform};
use crate::frame::RawFrame;
use crate::math::matrix3::{diagonal, inverse, product};
use crate::scene::Scene;
use crate::scene::derived::{colour_transform, white_level};
use crate::sensor::Mosaic;

/// What a raw reader must know of the camera.
#[derive(Debug, Clone, PartialEq)]
pub struct DngCamera {
    /// Which photosites record what; counted from the sensor's first photosite.
    pub mosaic: Mosaic,
    /// Level of no light.
    pub black_level: u32,
    /// Level that counts as white.
    pub white_level: u32,
    /// From CIE XYZ (the scene's white being D65) to the camera's own red, green and blue.
    pub from_xyz: [[f64; 3]; 3],
    /// The camera's red, green and blue of neutral grey, the largest being 1.
    pub neutral: [f64; 3],
    /// Exposure time, seconds.
    pub exposure_s: f64,
    /// f-number.
    pub f_number: f64,
    /// Exposure index.
    pub exposure_index: f64,
    /// Focal length, millimetres.
    pub focal_mm: f64,
}

impl DngCamera {
    /// The camera of a scene.
    ///
    /// # Errors
    /// It cannot tell the wall's colours apart.
    pub fn of(scene: &Scene) -> Result<Self, NoTransform> {
        let from_xyz = BT709.from_xyz().unwrap_or(diagonal([1.0; 3]));
        // Balanced colours of the camera are BT.709's by a matrix, the wall's white being neutral; back from there.
        let own = colour_transform(scene, ColourSpace::Bt709)?;
        let neutral = own.gains.map(|gain| 1.0 / gain);
        let to_balanced = inverse(&own.matrix).ok_or(NoTransform::Singular)?;
        Ok(Self {
            mosaic: scene.camera.mosaic,
            black_level: scene.camera.black_level,
            white_level: white_level(scene),
            from_xyz: product(&diagonal(neutral), &product(&to_balanced, &from_xyz)),
            neutral,
            exposure_s: scene.camera.exposure_s,
            f_number: scene.lens.f_number,
            exposure_index: scene.camera.exposure_index,
            focal_mm: 1000.0 * scene.lens.focal_m,
        })
    }
}

/// Raw levels as a DNG file.
#[derive(Debug, Clone, Copy)]
pub struct DngLevels<'a> {
    /// The levels.
    pub raw: &'a RawFrame,
    /// The camera.
    pub camera: &'a DngCamera,
    /// Words in the file.
    pub notes: &'a Notes,
}

/// Values of a tag.
enum Values {
    Bytes(Vec<u8>),
    Text(String),
    Shorts(Vec<u16>),
    Longs(Vec<u32>),
    /// Numerator and denominator.
    Ratios(Vec<[u32; 2]>),
    SignedRatios(Vec<[i32; 2]>),
}

/// Denominator of fractions.
const PARTS: f64 = 1_000_000.0;

fn ratio(value: f64) -> [u32; 2] {
    // The casts saturate; readers want a denominator that is not 0.
    if value < 4000.0 {
        return [(value * PARTS).round() as u32, PARTS as u32];
    }
    [value.round() as u32, 1]
}

fn signed(value: f64) -> [i32; 2] {
    [(value * PARTS).round() as i32, PARTS as i32]
}

impl Values {
    /// Number of the type, and count.
    fn head(&self) -> (u16, usize) {
        match self {
            Self::Bytes(v) => (1, v.len()),
            Self::Text(v) => (2, v.len() + 1),
            Self::Shorts(v) => (3, v.len()),
            Self::Longs(v) => (4, v.len()),
            Self::Ratios(v) => (5, v.len()),
            Self::SignedRatios(v) => (10, v.len()),
        }
    }

    fn bytes(&self) -> Vec<u8> {
        match self {
            Self::Bytes(v) => v.clone(),
            Self::Text(v) => v.bytes().filter(|b| *b != 0).chain([0]).collect(),
            Self::Shorts(v) => v.iter().flat_map(|n| n.to_le_bytes()).collect(),
            Self::Longs(v) => v.iter().flat_map(|n| n.to_le_bytes()).collect(),
            Self::Ratios(v) => v.iter().flatten().flat_map(|n| n.to_le_bytes()).collect(),
            Self::SignedRatios(v) => v.iter().flatten().flat_map(|n| n.to_le_bytes()).collect(),
        }
    }
}

/// A directory of tags that begins at `at`, with what does not fit into its entries behind it. Tags must be in rising order.
fn directory(tags: &[(u16, Values)], at: usize) -> Vec<u8> {
    let mut entries = (tags.len() as u16).to_le_bytes().to_vec();
    let mut behind: Vec<u8> = Vec::new();
    let start = at + 2 + 12 * tags.len() + 4;
    for (tag, values) in tags {
        let (kind, count) = values.head();
        let mut bytes = values.bytes();
        entries.extend(tag.to_le_bytes());
        entries.extend(kind.to_le_bytes());
        entries.extend((count as u32).to_le_bytes());
        if bytes.len() <= 4 {
            bytes.resize(4, 0);
            entries.extend(bytes);
        } else {
            entries.extend(((start + behind.len()) as u32).to_le_bytes());
            behind.extend(bytes);
            // Values begin on even bytes.
            if !behind.len().is_multiple_of(2) {
                behind.push(0);
            }
        }
    }
    // No further directory.
    entries.extend(0_u32.to_le_bytes());
    entries.extend(behind);
    entries
}

impl DngLevels<'_> {
    /// The tags of the picture, but for those that say where things are.
    fn tags(&self, strip_at: u32, exif_at: u32) -> Vec<(u16, Values)> {
        let (raw, camera) = (self.raw, self.camera);
        let (width, height) = (raw.window.width, raw.window.height);
        let planes = raw.planes.len() as u16;
        let bytes = 2 * u32::from(planes) * width * height;
        let is_mosaic = matches!(camera.mosaic, Mosaic::Bayer(_)) && planes == 1;
        // 32803: colour filter array; 34892: linear raw.
        let shows = if is_mosaic { 32803 } else { 34892 };
        let per_plane = usize::from(planes);
        let mut tags = vec![
            (254, Values::Longs(vec![0])),
            (256, Values::Longs(vec![width])),
            (257, Values::Longs(vec![height])),
            (258, Values::Shorts(vec![16; per_plane])),
            (259, Values::Shorts(vec![1])),
            (262, Values::Shorts(vec![shows])),
            (270, Values::Text(self.notes.description())),
            (271, Values::Text("gridbeat".into())),
            (272, Values::Text("simulated camera".into())),
            (273, Values::Longs(vec![strip_at])),
            (274, Values::Shorts(vec![1])),
            (277, Values::Shorts(vec![planes])),
            (278, Values::Longs(vec![height])),
            (279, Values::Longs(vec![bytes])),
            (284, Values::Shorts(vec![1])),
            (305, Values::Text(self.notes.program.clone())),
        ];
        if is_mosaic {
            let at = |x: u32, y: u32| {
                camera.mosaic.colour_at(raw.window.x + x, raw.window.y + y).unwrap_or(1)
            };
            let pattern = vec![at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
            tags.push((33421, Values::Shorts(vec![2, 2])));
            tags.push((33422, Values::Bytes(pattern)));
        }
        tags.push((34665, Values::Longs(vec![exif_at])));
        tags.push((50706, Values::Bytes(vec![1, 4, 0, 0])));
        tags.push((50707, Values::Bytes(vec![1, 1, 0, 0])));
        tags.push((50708, Values::Text("gridbeat simulated camera".into())));
        if is_mosaic {
            tags.push((50710, Values::Bytes(vec![0, 1, 2])));
            tags.push((50711, Values::Shorts(vec![1])));
        }
        tags.extend([
            (50713, Values::Shorts(vec![1, 1])),
            (50714, Values::Longs(vec![camera.black_level; per_plane])),
            (50717, Values::Longs(vec![camera.white_level; per_plane])),
            (50718, Values::Ratios(vec![[1, 1]; 2])),
            (50719, Values::Longs(vec![0, 0])),
            (50720, Values::Longs(vec![width, height])),
        ]);
        if !matches!(camera.mosaic, Mosaic::Monochrome) {
            let matrix = camera.from_xyz.as_flattened().iter().map(|v| signed(*v)).collect();
            tags.push((50721, Values::SignedRatios(matrix)));
            tags.push((50728, Values::Ratios(camera.neutral.map(ratio).to_vec())));
            // D65.
            tags.push((50778, Values::Shorts(vec![21])));
        }
        tags.push((50829, Values::Longs(vec![0, 0, height, width])));
        tags
    }

    fn exif(&self) -> Vec<(u16, Values)> {
        let camera = self.camera;
        let index = camera.exposure_index.round().clamp(1.0, 65535.0) as u16;
        vec![
            (33434, Values::Ratios(vec![ratio(camera.exposure_s)])),
            (33437, Values::Ratios(vec![ratio(camera.f_number)])),
            (34855, Values::Shorts(vec![index])),
            (36864, Values::Bytes(b"0230".to_vec())),
            (37386, Values::Ratios(vec![ratio(camera.focal_mm)])),
        ]
    }
}

impl Format for DngLevels<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let window = self.raw.window;
        let size = window.width as usize * window.height as usize;
        let planes = &self.raw.planes;
        check_planes(planes.len(), planes.iter().all(|p| p.len() == size))?;
        if size == 0 {
            return Err(EncodeError::Format("the picture is empty".to_owned()));
        }
        if 2 * size * planes.len() > u32::MAX as usize / 2 {
            return Err(EncodeError::Format("the picture is too large for a DNG file".to_owned()));
        }
        // Sizes do not depend on where things are.
        let head = 8;
        let main = directory(&self.tags(0, 0), head).len();
        let exif_at = (head + main).next_multiple_of(2);
        let exif = directory(&self.exif(), exif_at);
        let strip_at = (exif_at + exif.len()).next_multiple_of(16);
        let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
        out.extend(directory(&self.tags(strip_at as u32, exif_at as u32), head));
        out.resize(exif_at, 0);
        out.extend(exif);
        out.resize(strip_at, 0);
        sink.write_all(&out)?;
        let mut row = Vec::with_capacity(2 * planes.len() * window.width as usize);
        for start in (0..size).step_by(window.width as usize) {
            row.clear();
            for i in start..start + window.width as usize {
                row.extend(planes.iter().flat_map(|p| p[i].to_le_bytes()));
            }
            sink.write_all(&row)?;
        }
        Ok(())
    }
}
