//! A window of a field, ready for transforms and fits.

use super::field::Level;

/// A rectangle of pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Area {
    pub(super) x: usize,
    pub(super) y: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Area {
    /// The window of a size nearest to a middle that lies inside a whole.
    pub(super) fn around(middle: [f64; 2], size: [usize; 2], whole: [usize; 2]) -> Self {
        let start = |i: usize| {
            let size = size[i].min(whole[i]);
            let first = (middle[i] - size as f64 / 2.0).round().max(0.0) as usize;
            (first.min(whole[i] - size), size)
        };
        let ((x, width), (y, height)) = (start(0), start(1));
        Self { x, y, width, height }
    }

    /// Its middle, in pixels from the whole's top left corner.
    pub(super) fn middle(self) -> [f64; 2] {
        [self.x as f64 + self.width as f64 / 2.0, self.y as f64 + self.height as f64 / 2.0]
    }
}

/// Three planes of a window. Pixels that are not given are 0 at first, then what a model says of them.
#[derive(Debug, Clone)]
pub(super) struct Patch {
    pub(super) area: Area,
    pub(super) planes: [Vec<f32>; 3],
    /// Places of pixels that are not given.
    pub(super) missing: Vec<usize>,
}

/// Least share of a window that must be given.
const LEAST_GIVEN: f64 = 0.7;

impl Patch {
    /// Cuts a window out; `None` if too much of it is not given.
    pub(super) fn cut(level: &Level<'_>, area: Area) -> Option<Self> {
        let mut planes = [0; 3].map(|_| Vec::with_capacity(area.width * area.height));
        for y in area.y..area.y + area.height {
            for (out, plane) in planes.iter_mut().zip(&level.field.planes) {
                out.extend_from_slice(&plane.row(y)[area.x..area.x + area.width]);
            }
        }
        let mut missing = Vec::new();
        let [r, g, b] = &mut planes;
        for (i, ((r, g), b)) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()).enumerate() {
            if !(*r + *g + *b).is_finite() {
                missing.push(i);
                (*r, *g, *b) = (0.0, 0.0, 0.0);
            }
        }
        let given = planes[0].len() - missing.len();
        let enough = given as f64 >= LEAST_GIVEN * planes[0].len() as f64 && given > 0;
        enough.then_some(Self { area, planes, missing })
    }

    pub(super) fn width(&self) -> usize {
        self.area.width
    }

    pub(super) fn height(&self) -> usize {
        self.area.height
    }
}

/// How pixels count across a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taper {
    /// Less towards the edges, sin²: what a model leaves out far away does not reach in.
    Hann,
    /// All alike: for waves of which few fit.
    Even,
}

impl Taper {
    pub(super) fn weights(self, n: usize) -> Vec<f64> {
        let weight = |i: usize| match self {
            Self::Even => 1.0,
            Self::Hann => {
                let s = libm::sin(std::f64::consts::PI * (i as f64 + 0.5) / n as f64);
                s * s
            }
        };
        (0..n).map(weight).collect()
    }
}
