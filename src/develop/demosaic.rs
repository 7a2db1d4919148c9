//! Missing colours of a Bayer mosaic, a band of rows at a time.
//!
//! At a green photosite the colour that shares its row is taken from left and right, the other from
//! above and below; at a red or blue one, green comes from the cross and the opposite colour from
//! the diagonals. Beyond the border the mosaic is mirrored about the outermost row or column
//! (…2 1 0 1 2…), which keeps its phase.

use super::{Demosaic, samples::Samples};

/// Photosites around a band that its demosaic may read: the edge-aware method needs the green of a
/// neighbour, which needs two more.
pub(super) const MARGIN: usize = 3;

/// Index into `0..n` of a mirrored index: −1 is 1, n is n − 2. Keeps even and odd apart for n ≥ 2.
fn mirror(i: isize, n: usize) -> usize {
    if n < 2 {
        return 0;
    }
    let period = 2 * (n as isize - 1);
    let folded = i.rem_euclid(period);
    folded.min(period - folded) as usize
}

/// A band of mosaic rows with its margin, in window columns and rows.
pub(super) struct Band {
    rows: Vec<f32>,
    /// Full green of the band and one photosite around it; only for the edge-aware method.
    green: Vec<f32>,
    stride: usize,
    width: usize,
    first: usize,
    count: usize,
    /// Colours of the window's own top-left block: the sensor's, shifted by the window's corner.
    block: [u8; 4],
}

/// What happens to a sample before the demosaic: gains per colour, and an upper bound.
#[derive(Debug, Clone, Copy)]
pub(super) struct Balance {
    /// Red, green, blue.
    pub(super) gains: [f32; 3],
    /// Infinity for none.
    pub(super) clip: f32,
}

impl Band {
    /// Reads rows `first..first + count` of plane 0 and prepares them for `method`.
    pub(super) fn read(
        samples: &Samples,
        sensor_block: [u8; 4],
        balance: Balance,
        method: Demosaic,
        (first, count): (usize, usize),
    ) -> Self {
        let (width, height) = samples.size();
        let stride = width + 2 * MARGIN;
        let (ox, oy) = (samples.window.x as usize & 1, samples.window.y as usize & 1);
        let block =
            std::array::from_fn(|i| sensor_block[((oy + i / 2) & 1) * 2 + ((ox + i % 2) & 1)]);
        let mut band = Self {
            rows: vec![0.0; stride * (count + 2 * MARGIN)],
            green: Vec::new(),
            stride,
            width,
            first,
            count,
            block,
        };
        for (i, row) in band.rows.chunks_exact_mut(stride).enumerate() {
            let y = mirror((first + i) as isize - MARGIN as isize, height);
            let inner = &mut row[MARGIN..MARGIN + width];
            samples.read_row(0, y, inner);
            let gains: [f32; 2] =
                std::array::from_fn(|x| balance.gains[usize::from(block[(y & 1) * 2 + x])]);
            for (x, value) in inner.iter_mut().enumerate() {
                *value = (*value * gains[x & 1]).min(balance.clip);
            }
            for m in 0..MARGIN {
                row[m] = row[MARGIN + mirror(m as isize - MARGIN as isize, width)];
                row[MARGIN + width + m] = row[MARGIN + mirror((width + m) as isize, width)];
            }
        }
        if method == Demosaic::EdgeAware {
            band.fill_green();
        }
        band
    }

    /// Padded row by its place in the buffer: the band's row `y` is `y + MARGIN`.
    fn padded(&self, i: usize) -> &[f32] {
        &self.rows[i * self.stride..(i + 1) * self.stride]
    }

    /// Parity of the green columns of a window row, and the row's other colour.
    fn row_colours(&self, y: usize) -> (usize, usize) {
        let row = [self.block[(y & 1) * 2], self.block[(y & 1) * 2 + 1]];
        if row[0] == 1 { (0, usize::from(row[1])) } else { (1, usize::from(row[0])) }
    }

    /// Red, green, blue of the band's row `i`, each `width` long.
    pub(super) fn develop_row(&self, method: Demosaic, i: usize, out: [&mut [f32]; 3]) {
        let (green_at, chroma) = self.row_colours(self.first + i);
        let [red, green, blue] = out;
        let (same, other) = if chroma == 0 { (red, blue) } else { (blue, red) };
        match method {
            Demosaic::Bilinear => self.bilinear(i, green_at, green, same, other),
            Demosaic::GradientCorrected => self.gradient_corrected(i, green_at, green, same, other),
            Demosaic::EdgeAware => self.colour_differences(i, green_at, green, same, other),
        }
    }

    /// Means of the nearest photosites of the colour.
    fn bilinear(
        &self,
        i: usize,
        green_at: usize,
        green: &mut [f32],
        same: &mut [f32],
        other: &mut [f32],
    ) {
        let [a, b, c] = [0, 1, 2].map(|k| self.padded(i + MARGIN - 1 + k));
        for x in (green_at..self.width).step_by(2) {
            let p = x + MARGIN;
            green[x] = b[p];
            same[x] = 0.5 * (b[p - 1] + b[p + 1]);
            other[x] = 0.5 * (a[p] + c[p]);
        }
        for x in (1 - green_at..self.width).step_by(2) {
            let p = x + MARGIN;
            same[x] = b[p];
            green[x] = 0.25 * ((a[p] + c[p]) + (b[p - 1] + b[p + 1]));
            other[x] = 0.25 * ((a[p - 1] + a[p + 1]) + (c[p - 1] + c[p + 1]));
        }
    }

    /// The 5×5 kernels of Malvar, He, Cutler 2004 (see [`super::kernel`]).
    fn gradient_corrected(
        &self,
        i: usize,
        green_at: usize,
        green: &mut [f32],
        same: &mut [f32],
        other: &mut [f32],
    ) {
        let [a, b, c, d, e] = [0, 1, 2, 3, 4].map(|k| self.padded(i + MARGIN - 2 + k));
        for x in (green_at..self.width).step_by(2) {
            let p = x + MARGIN;
            let centre = c[p];
            let diagonal = (b[p - 1] + b[p + 1]) + (d[p - 1] + d[p + 1]);
            let (far_x, far_y) = (c[p - 2] + c[p + 2], a[p] + e[p]);
            green[x] = centre;
            same[x] = 0.125
                * (5.0 * centre + 4.0 * (c[p - 1] + c[p + 1]) - diagonal - far_x + 0.5 * far_y);
            other[x] =
                0.125 * (5.0 * centre + 4.0 * (b[p] + d[p]) - diagonal - far_y + 0.5 * far_x);
        }
        for x in (1 - green_at..self.width).step_by(2) {
            let p = x + MARGIN;
            let centre = c[p];
            let diagonal = (b[p - 1] + b[p + 1]) + (d[p - 1] + d[p + 1]);
            let cross = (b[p] + d[p]) + (c[p - 1] + c[p + 1]);
            let far = (a[p] + e[p]) + (c[p - 2] + c[p + 2]);
            same[x] = centre;
            green[x] = 0.125 * (4.0 * centre + 2.0 * cross - far);
            other[x] = 0.125 * (6.0 * centre + 2.0 * diagonal - 1.5 * far);
        }
    }

    /// Green at every photosite of the band and one around it, along the direction that changes less.
    ///
    /// Source: J. F. Hamilton, J. E. Adams, "Adaptive color plane interpolation in single sensor
    /// color electronic camera", US patent 5,629,734, 1997 (expired): the classifier is the change
    /// of green plus the second difference of the photosite's own colour; half that second
    /// difference corrects the mean of the two greens; a tie takes both directions.
    fn fill_green(&mut self) {
        let width = self.width + 2;
        let mut green = vec![0.0; width * (self.count + 2)];
        for (j, out) in green.chunks_exact_mut(width).enumerate() {
            // Row j of this plane is padded row j + MARGIN − 1; its first column is padded column
            // MARGIN − 1.
            let [a, b, c, d, e] = [0, 1, 2, 3, 4].map(|k| self.padded(j + MARGIN - 3 + k));
            // The window row above the first is −1: adding 1 twice keeps its parity positive.
            let (green_at, _) = self.row_colours(self.first + j + 1);
            for (x, value) in out.iter_mut().enumerate() {
                let p = x + MARGIN - 1;
                if (x + 1) & 1 == green_at {
                    *value = c[p];
                    continue;
                }
                let twice = 2.0 * c[p];
                let (bend_x, bend_y) = (twice - c[p - 2] - c[p + 2], twice - a[p] - e[p]);
                let change_x = (c[p - 1] - c[p + 1]).abs() + bend_x.abs();
                let change_y = (b[p] - d[p]).abs() + bend_y.abs();
                let along_x = 0.5 * (c[p - 1] + c[p + 1]) + 0.25 * bend_x;
                let along_y = 0.5 * (b[p] + d[p]) + 0.25 * bend_y;
                *value = if change_x < change_y {
                    along_x
                } else if change_y < change_x {
                    along_y
                } else {
                    0.5 * (along_x + along_y)
                };
            }
        }
        self.green = green;
    }

    /// Red and blue as green plus the mean colour difference of the nearest photosites of the colour.
    fn colour_differences(
        &self,
        i: usize,
        green_at: usize,
        green: &mut [f32],
        same: &mut [f32],
        other: &mut [f32],
    ) {
        let width = self.width + 2;
        let [ga, gb, gc] = [0, 1, 2].map(|k| &self.green[(i + k) * width..(i + k + 1) * width]);
        // One photosite of margin, to match the green rows.
        let [ra, rb, rc] = [0, 1, 2].map(|k| &self.padded(i + MARGIN - 1 + k)[MARGIN - 1..]);
        green.copy_from_slice(&gb[1..=self.width]);
        for x in (green_at..self.width).step_by(2) {
            let p = x + 1;
            same[x] = gb[p] + 0.5 * ((rb[p - 1] - gb[p - 1]) + (rb[p + 1] - gb[p + 1]));
            other[x] = gb[p] + 0.5 * ((ra[p] - ga[p]) + (rc[p] - gc[p]));
        }
        for x in (1 - green_at..self.width).step_by(2) {
            let p = x + 1;
            same[x] = rb[p];
            let above = (ra[p - 1] - ga[p - 1]) + (ra[p + 1] - ga[p + 1]);
            let below = (rc[p - 1] - gc[p - 1]) + (rc[p + 1] - gc[p + 1]);
            other[x] = gb[p] + 0.25 * (above + below);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mirror_keeps_the_phase() {
        for n in 2..9 {
            for i in -20_isize..30 {
                let m = mirror(i, n);
                assert!(m < n);
                assert_eq!(m & 1, (i & 1) as usize, "{i} of {n}");
            }
        }
        assert_eq!((mirror(-1, 5), mirror(5, 5), mirror(6, 5), mirror(-4, 1)), (1, 3, 2, 0));
    }
}
