//! Buffers with a size, a meaning and a unit. No files.

/// Inclusive-exclusive rectangle of photosites, in full-sensor columns and rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Window {
    /// First column.
    pub x: u32,
    /// First row.
    pub y: u32,
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
}

/// A plane of f32 values, row by row from the top, `width`·`height` long.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Values, row-major.
    pub data: Vec<f32>,
}

impl Plane {
    /// A plane of one value.
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Self { width, height, data: vec![value; width * height] }
    }

    /// The value at a column and row. Panics outside the plane.
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }
}

/// Noise-free photoelectrons of every photosite of a window, before full well, noise and conversion.
///
/// One plane for a mosaic or a monochrome sensor, three (red, green, blue) for full planes.
#[derive(Debug, Clone, PartialEq)]
pub struct Electrons {
    /// Which part of the full sensor this is.
    pub window: Window,
    /// One or three planes, in electrons.
    pub planes: Vec<Plane>,
}

/// The camera's integers for a window: raw levels (DN).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawFrame {
    /// Which part of the full sensor this is.
    pub window: Window,
    /// One or three planes of levels, row-major.
    pub planes: Vec<Vec<u16>>,
}

/// A developed picture: three planes (red, green, blue).
///
/// Linear light before the delivery transfer curve, display-coded after it; the
/// function that made it says which. 1.0 is the picture's white.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Red, green, blue.
    pub planes: [Plane; 3],
}

impl Picture {
    /// Columns.
    pub fn width(&self) -> usize {
        self.planes[0].width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.planes[0].height
    }
}
