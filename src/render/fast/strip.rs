//! Light of the wall rows around a tile, kept from camera row to camera row.

use super::gather::WallPoints;
use super::kernel::Kernel;
use super::light::{Lighting, Lit, Pixels};
use super::plan::Plan;
use crate::wall::WallImage;
use glam::DVec2;

/// The light of every frame; `None` for surfaces that shine evenly, in all frames alike.
pub(super) type Lights<'a> = [Option<&'a Lighting>];

/// Light of the wall pixels around a tile, for one colour, of one frame or several at once.
pub(super) struct LightStrip {
    pub first_row: i64,
    pub first_column: i64,
    pub rows: usize,
    /// Columns.
    pub stride: usize,
    pub frames: usize,
    /// A row of every frame, then the next row of every frame.
    pub light: Vec<f32>,
    /// What each of these rows was made from.
    made: Vec<Option<Option<Lit>>>,
}

impl LightStrip {
    /// From a wall row's light to the next one's.
    pub fn pitch(&self) -> usize {
        self.stride * self.frames
    }
}

impl Plan<'_> {
    /// An empty light buffer for so many frames that holds all taps of a tile, whose photosites look at wall points between
    /// two corners; `None` if none falls on the wall.
    pub(super) fn strip(
        &self,
        (colour, lot): (usize, usize),
        kernel: &Kernel,
        (low, high): (DVec2, DVec2),
        frames: usize,
    ) -> Option<LightStrip> {
        let offset = self.shared.lots[lot].offsets[colour] + 0.5;
        let span = |axis: usize, taps: usize| {
            let taps = taps as i64;
            let pixels = self.pixels(lot, axis);
            let before = kernel.before[axis] as i64;
            // One pixel more on both sides than the outline asks for: rounding.
            let first = (low[axis] - offset[axis]).floor().max(-1e9) as i64 - before - 1;
            let last = (high[axis] - offset[axis]).floor().min(1e9) as i64 - before + taps + 1;
            let (first, last) = (first.max(pixels.start - taps), last.min(pixels.end + taps));
            (last - first >= taps && last > pixels.start && first < pixels.end)
                .then_some((first, (last - first) as usize))
        };
        let (first_column, stride) = span(0, kernel.across)?;
        let (first_row, rows) = span(1, kernel.down)?;
        Some(LightStrip {
            first_row,
            first_column,
            rows,
            stride,
            frames,
            light: vec![0.0; rows * stride * frames],
            made: vec![None; rows * frames],
        })
    }

    /// Brings the wall rows that a camera row sees up to its exposure in every frame.
    #[inline(never)]
    pub(super) fn relight(
        &self,
        (colour, lot): (usize, usize),
        kernel: &Kernel,
        lights: &Lights,
        strip: &mut LightStrip,
        y: u32,
        points: &WallPoints,
    ) {
        let offset = self.shared.lots[lot].offsets[colour].y + 0.5;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for &v in &points.v {
            // Not a number where no wall is seen; comparisons leave it out.
            low = if v < low { v } else { low };
            high = if v > high { v } else { high };
        }
        if low > high {
            return;
        }
        let first = (low - offset).floor().max(-1e9) as i64 - kernel.before[1] as i64;
        let last =
            (high - offset).floor().min(1e9) as i64 - kernel.before[1] as i64 + kernel.down as i64;
        let (columns, rows) = (self.pixels(lot, 0), self.pixels(lot, 1));
        let first = first.max(strip.first_row).max(rows.start);
        let last = last.min(strip.first_row + strip.rows as i64).min(rows.end);
        let from = strip.first_column.max(columns.start);
        let to = (strip.first_column + strip.stride as i64).min(columns.end);
        if from >= to {
            return;
        }
        let (start, length) = ((from - strip.first_column) as usize, (to - from) as usize);
        let columns = from as u32..to as u32;
        let mut pixels = Pixels::default();
        for row in first..last {
            let lines = (row - strip.first_row) as usize * strip.frames;
            // Frames mostly show the same picture: its pixels are read once.
            let mut held = std::ptr::null::<WallImage>();
            let mut read = |light: &Lighting, image: &WallImage, pixels: &mut Pixels| {
                if !std::ptr::eq(held, image) {
                    held = image;
                    let columns = columns.clone();
                    self.face.codes(image, colour, row as u32, columns, &mut pixels.codes);
                    light.look_up(pixels);
                }
            };
            for (frame, light) in lights.iter().enumerate() {
                let lit = light.and_then(|l| l.lit(y, row as u32, self.face.panel_rows, colour));
                let line = lines + frame;
                if strip.made[line] == Some(lit) {
                    continue;
                }
                strip.made[line] = Some(lit);
                let whole = line * strip.stride..(line + 1) * strip.stride;
                let moves = light.is_some_and(Lighting::moves);
                let earlier = (lines..line).find(|&l| strip.made[l] == Some(lit));
                if let Some(same) = earlier.filter(|_| !moves) {
                    let same = same * strip.stride..(same + 1) * strip.stride;
                    strip.light.copy_within(same, whole.start);
                    continue;
                }
                let row_light = &mut strip.light[whole.start + start..whole.end];
                match light {
                    Some(lighting) => {
                        let (still, out) = (&self.shared.scene.content, &mut row_light[..length]);
                        lighting.show(lit.as_ref(), still, &mut read, &mut pixels, out);
                    }
                    None => row_light[..length].fill(1.0),
                }
                accumulate(kernel, row_light, length);
            }
        }
    }
}

/// Turns light into running sums where a kernel works on those: `length` pixels, and on to the buffer's end, since the sum
/// stays what it is past the wall.
fn accumulate(kernel: &Kernel, light: &mut [f32], length: usize) {
    if !kernel.on_sums {
        return;
    }
    let mut sum = 0.0_f64;
    for (i, light) in light.iter_mut().enumerate() {
        if i < length {
            sum += f64::from(*light);
        }
        *light = sum as f32;
    }
}
