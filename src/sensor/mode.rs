//! Recording modes: which photosites of the sensor are read, in what order, and how they are joined.
//!
//! Three grids stand one in another. The *sensor* is all photosites. A mode *reads* an area of it, and of that area one
//! column and row in so many; with a Bayer mosaic whole pairs, so that the colours stay laid out as they were. What is
//! *recorded* are photosites read, or means of some of them of one colour. Each grid counts from its own top left corner.

use super::{Camera, Mosaic, Readout};
use crate::frame::{Electrons, Plane, RawFrame, Window};
use rayon::prelude::*;

/// How photosites are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Joining {
    /// Before they are read: their charges are added, read noise comes once, and rows that are joined are read in one turn.
    Charge,
    /// After they are read: each has its own turn, read noise and rounding; their levels are averaged and rounded.
    Levels,
}

/// A recording mode of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mode {
    /// The part of the sensor that is in use. With a Bayer mosaic its corner lies on even columns and rows.
    pub area: Window,
    /// Of so many columns and rows (pairs of them, with a Bayer mosaic) one is read, the first; at least 1.
    pub read_one_of: [u32; 2],
    /// So many photosites of one colour that are neighbours among those read are joined, across and down; at least 1.
    pub bin: [u32; 2],
    /// How they are joined.
    pub joining: Joining,
}

/// One direction of a mode: the three grids along it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Axis {
    start: u32,
    length: u32,
    /// Photosites that stay together: 2 with a Bayer mosaic that is read with gaps or joined, else 1.
    block: u32,
    one_of: u32,
    bin: u32,
}

impl Axis {
    fn recorded(&self) -> u32 {
        let read = (self.length / self.block).div_ceil(self.one_of);
        read / self.bin * self.block
    }

    /// The sensor's column or row of one that is read.
    fn sensor_of(&self, read: u32) -> u32 {
        let pair = (read / self.block).wrapping_mul(self.one_of * self.block);
        // Wrapping: a window that reaches outside the sensor is still some place, never a panic.
        self.start.wrapping_add(pair).wrapping_add(read % self.block)
    }

    /// The `k`-th of the columns or rows read that one recorded is made of.
    fn read_of(&self, recorded: u32, k: u32) -> u32 {
        (recorded / self.block * self.bin + k) * self.block + recorded % self.block
    }

    /// Columns or rows read that a run of recorded ones needs: the first, and how many.
    fn read_run(&self, first: u32, count: u32) -> (u32, u32) {
        if self.bin == 1 {
            return (first, count);
        }
        let last = first + count.max(1) - 1;
        let from = self.read_of(first / self.block * self.block, 0);
        (
            from,
            self.read_of(last / self.block * self.block + self.block - 1, self.bin - 1) + 1 - from,
        )
    }
}

impl Camera {
    /// The mode in use: the whole sensor, photosite by photosite, if none is chosen.
    pub fn mode(&self) -> Mode {
        self.mode.unwrap_or(Mode {
            area: Window { x: 0, y: 0, width: self.columns, height: self.rows },
            read_one_of: [1; 2],
            bin: [1; 2],
            joining: Joining::Levels,
        })
    }

    fn axes(&self) -> [Axis; 2] {
        let mode = self.mode();
        [(mode.area.x, mode.area.width, 0), (mode.area.y, mode.area.height, 1)].map(
            |(start, length, i)| {
                let (one_of, bin) = (mode.read_one_of[i].max(1), mode.bin[i].max(1));
                let in_pairs = matches!(self.mosaic, Mosaic::Bayer(_)) && one_of * bin > 1;
                Axis { start, length, block: if in_pairs { 2 } else { 1 }, one_of, bin }
            },
        )
    }

    /// Columns and rows that the mode records, before any crop.
    pub fn recorded_size(&self) -> [u32; 2] {
        self.axes().map(|axis| axis.recorded())
    }

    /// Photosites of the sensor from one recorded photosite to the next, across and down, on average.
    pub fn spacing(&self) -> [u32; 2] {
        self.axes().map(|axis| axis.one_of * axis.bin)
    }

    /// Turns in which the rows are read one after another.
    pub fn turns(&self) -> u32 {
        let rows = self.axes()[1];
        match self.mode().joining {
            Joining::Charge => rows.recorded(),
            Joining::Levels => rows.recorded() * rows.bin,
        }
    }

    /// The turn in which a row of the sensor is read, from 0 at the top. Rows that are not read count with the last one read
    /// before them; the count goes on above the area (below 0) and beneath it.
    pub(super) fn turn_of(&self, row: u32) -> i64 {
        let axis = self.axes()[1];
        let block = i64::from(axis.block);
        let off = i64::from(row) - i64::from(axis.start);
        let (pair, within) = (off.div_euclid(block), off.rem_euclid(block));
        let one_of = i64::from(axis.one_of);
        let within = if pair.rem_euclid(one_of) == 0 { within } else { block - 1 };
        let read = pair.div_euclid(one_of);
        match self.mode().joining {
            Joining::Charge => read.div_euclid(i64::from(axis.bin)) * block + within,
            Joining::Levels => read * block + within,
        }
    }

    /// Whether the mode reads a row of the sensor.
    pub fn reads_row(&self, row: u32) -> bool {
        let axis = self.axes()[1];
        let inside = row >= axis.start && row - axis.start < axis.length;
        inside && ((row - axis.start) / axis.block).is_multiple_of(axis.one_of)
    }

    /// The sensor's columns (axis 0) or rows (axis 1) that a recorded one is made of.
    pub fn sensor_members(&self, axis: usize, recorded: u32) -> Vec<u32> {
        let axis = self.axes()[axis];
        (0..axis.bin).map(|k| axis.sensor_of(axis.read_of(recorded, k))).collect()
    }

    /// The sensor's row whose exposure stands for a recorded row: the first of those it is made of.
    pub fn sensor_row(&self, recorded: u32) -> u32 {
        let axis = self.axes()[1];
        axis.sensor_of(axis.read_of(recorded, 0))
    }

    /// Time from one recorded row's start to the next one's, on average, seconds; 0 for a global shutter.
    pub fn recorded_line_s(&self) -> f64 {
        match self.readout {
            Readout::Global => 0.0,
            Readout::Rolling { readout_s, .. } => {
                readout_s / f64::from(self.recorded_size()[1].max(1))
            }
        }
    }

    /// The photosites read that make up the recorded crop ([`Camera::crop`]), in the grid of those read.
    pub fn read_window(&self) -> Window {
        let [across, down] = self.axes();
        let (x, width) = across.read_run(self.crop.x, self.crop.width);
        let (y, height) = down.read_run(self.crop.y, self.crop.height);
        Window { x, y, width, height }
    }

    /// The smallest window of the sensor that holds them.
    pub fn sensor_window(&self) -> Window {
        let [across, down] = self.axes();
        let read = self.read_window();
        let (x, y) = (across.sensor_of(read.x), down.sensor_of(read.y));
        let right = across.sensor_of(read.x + read.width.max(1) - 1);
        let bottom = down.sensor_of(read.y + read.height.max(1) - 1);
        Window { x, y, width: right + 1 - x, height: bottom + 1 - y }
    }

    /// The sensor's column and row of a photosite read.
    pub(super) fn sensor_of_read(&self, x: u32, y: u32) -> (u32, u32) {
        let [across, down] = self.axes();
        (across.sensor_of(x), down.sensor_of(y))
    }

    /// Takes the photosites that are not read out of electrons of a window of the sensor ([`Camera::sensor_window`]).
    /// Electrons of another window are cut to what it holds.
    pub fn read(&self, sensor: Electrons) -> Electrons {
        let mode = self.mode();
        let from = sensor.window;
        let window = self.read_window();
        if mode.read_one_of == [1, 1] && from == self.sensor_window() {
            return Electrons { window, planes: sensor.planes };
        }
        let [across, down] = self.axes();
        let columns: Vec<usize> = (window.x..window.x + window.width)
            .map(|x| across.sensor_of(x).saturating_sub(from.x) as usize)
            .collect();
        let planes = sensor.planes.iter().map(|plane| {
            let mut out = Plane::filled(window.width as usize, window.height as usize, 0.0);
            out.data.par_chunks_mut(columns.len().max(1)).enumerate().for_each(|(i, row)| {
                let y = down.sensor_of(window.y + i as u32).saturating_sub(from.y) as usize;
                if y < plane.height {
                    let source = plane.row(y);
                    for (value, &x) in row.iter_mut().zip(&columns) {
                        *value = source.get(x).copied().unwrap_or(0.0);
                    }
                }
            });
            out
        });
        Electrons { window, planes: planes.collect() }
    }

    /// Whether the mode joins photosites.
    pub fn bins(&self) -> bool {
        self.mode().bin != [1, 1]
    }

    /// Mean electrons of each recorded photosite, from those read ([`Camera::read`]).
    pub fn joined(&self, read: &Electrons) -> Electrons {
        if !self.bins() {
            return read.clone();
        }
        let planes = read.planes.iter().map(|plane| {
            let data = self.join(read.window, |members| {
                let sum = members.iter().fold(0.0, |sum, &i| {
                    sum + f64::from(plane.data.get(i).copied().unwrap_or(0.0))
                });
                (sum / members.len() as f64) as f32
            });
            Plane { width: self.crop.width as usize, height: self.crop.height as usize, data }
        });
        Electrons { window: self.crop, planes: planes.collect() }
    }

    /// Means of the levels read, rounded to the nearest, halves up.
    pub(super) fn joined_levels(&self, read: &RawFrame) -> RawFrame {
        let planes = read.planes.iter().map(|levels| {
            self.join(read.window, |members| {
                let sum = members
                    .iter()
                    .fold(0_u64, |sum, &i| sum + u64::from(levels.get(i).copied().unwrap_or(0)));
                let count = members.len() as u64;
                ((sum + count / 2) / count) as u16
            })
        });
        RawFrame { window: self.crop, planes: planes.collect() }
    }

    /// One value for each recorded photosite of the crop, row by row, made of the places (in the window `read`, row-major) of
    /// the photosites that it joins, top left first.
    pub(super) fn join<T: Send + Copy + Default>(
        &self,
        read: Window,
        value: impl Fn(&[usize]) -> T + Sync,
    ) -> Vec<T> {
        let [across, down] = self.axes();
        let (width, height) = (self.crop.width as usize, self.crop.height as usize);
        let mut out = vec![T::default(); width * height];
        out.par_chunks_mut(width.max(1)).enumerate().for_each(|(i, row)| {
            let mut members = Vec::with_capacity((across.bin * down.bin) as usize);
            for (j, value_at) in row.iter_mut().enumerate() {
                members.clear();
                for l in 0..down.bin {
                    let y = down.read_of(self.crop.y + i as u32, l).wrapping_sub(read.y) as usize;
                    for k in 0..across.bin {
                        let x = across.read_of(self.crop.x + j as u32, k).wrapping_sub(read.x);
                        members.push(y * read.width as usize + x as usize);
                    }
                }
                *value_at = value(&members);
            }
        });
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(start: u32, length: u32, block: u32, one_of: u32, bin: u32) -> Axis {
        Axis { start, length, block, one_of, bin }
    }

    #[test]
    fn pairs_stay_pairs() {
        // By hand: of the pairs (0 1) (2 3) (4 5) (6 7) … one in three is read.
        let skip = axis(0, 18, 2, 3, 1);
        assert_eq!(skip.recorded(), 6);
        assert_eq!((0..6).map(|r| skip.sensor_of(r)).collect::<Vec<_>>(), [0, 1, 6, 7, 12, 13]);
        // Joined by twos: recorded 0 of rows 0 and 2, recorded 1 of 1 and 3, recorded 2 of 4 and 6.
        let bin = axis(0, 18, 2, 1, 2);
        assert_eq!(bin.recorded(), 8);
        let members = |r| [bin.read_of(r, 0), bin.read_of(r, 1)];
        assert_eq!([members(0), members(1), members(2)], [[0, 2], [1, 3], [4, 6]]);
        // A crop that begins on the second of a pair needs the whole pair's rows.
        assert_eq!(bin.read_run(1, 2), (0, 8));
    }

    #[test]
    fn without_a_mosaic_single_rows_go() {
        let skip = axis(10, 7, 1, 3, 1);
        assert_eq!(
            (0..skip.recorded()).map(|r| skip.sensor_of(r)).collect::<Vec<_>>(),
            [10, 13, 16]
        );
    }
}
