//! Content: what the wall shows → the code value of every wall pixel. Knows no files.

use super::{Wall, WallImage};
use rayon::prelude::*;

/// A picture in memory: red, green, blue of every pixel, row by row from the top, 0 to 65535.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rgb16 {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// `3·columns·rows` values.
    pub data: Vec<u16>,
}

/// How a picture is laid on the wall, centre on centre.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mapping {
    /// The largest size that shows all of it.
    Fit,
    /// The smallest size that covers the wall.
    Fill,
    /// One to one; an odd pixel left over goes to the right and to the bottom.
    PixelForPixel,
}

/// What the wall shows. Lights are shares of full white per colour, 0 to 1, linear.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// One colour.
    Solid {
        /// Light.
        light: [f64; 3],
    },
    /// A ramp: linear light from the centre of the first pixel to that of the last.
    Ramp {
        /// From top to bottom, else from left to right.
        down: bool,
        /// Light at the start.
        from: [f64; 3],
        /// Light at the end.
        to: [f64; 3],
    },
    /// A chessboard, its top left square light.
    Checker {
        /// Side of a square, wall pixels, at least 1.
        square: u32,
        /// Light squares.
        light: [f64; 3],
        /// Dark squares.
        dark: [f64; 3],
    },
    /// Stripes, the first one light.
    Stripes {
        /// Following each other from top to bottom, else from left to right.
        down: bool,
        /// Width of a stripe, wall pixels, at least 1.
        width: u32,
        /// Light stripes.
        light: [f64; 3],
        /// Dark stripes.
        dark: [f64; 3],
    },
    /// Rings: light goes with ½ + ½·cos(k·r²), r from the wall's centre.
    ZonePlate {
        /// Distance from ring to ring where the nearest edge of the wall is, wall pixels, at least 2.
        edge_period: f64,
        /// Light rings.
        light: [f64; 3],
        /// Dark rings.
        dark: [f64; 3],
    },
    /// A code value for every pixel and colour, uniform over all codes.
    Random {
        /// The same seed gives the same picture.
        seed: u64,
    },
    /// A picture; its values are taken as code values, whatever its colour profile.
    Picture {
        /// The picture.
        picture: Rgb16,
        /// How it is laid on the wall.
        mapping: Mapping,
        /// Light around it.
        border: [f64; 3],
    },
}

/// The code value whose light is nearest to a level (0 to 1; clamped).
pub fn nearest_code(wall: &Wall, level: f64) -> u16 {
    let top = f64::from((1_u32 << wall.bits) - 1);
    let level = level.clamp(0.0, 1.0);
    let below = (wall.transfer.code(level) * top).floor().clamp(0.0, top);
    let above = (below + 1.0).min(top);
    let error = |code: f64| (wall.transfer.level(code / top) - level).abs();
    (if error(above) < error(below) { above } else { below }) as u16
}

impl Content {
    /// The code values of the wall's pixels; needs 6 bytes a wall pixel.
    ///
    /// Pictures are scaled in code values with a triangle filter as wide as two pixels of the
    /// coarser of the two grids.
    pub fn paint(&self, wall: &Wall) -> WallImage {
        let code = |light: &[f64; 3], c: usize| nearest_code(wall, light[c]);
        match self {
            Self::Solid { light } => each(wall, |c| {
                let code = code(light, c);
                move |_, _| code
            }),
            Self::Ramp { down, from, to } => each(wall, |c| {
                let count = if *down { wall.rows } else { wall.columns };
                let last = f64::from(count.max(2) - 1);
                let table: Vec<u16> = (0..count)
                    .map(|i| nearest_code(wall, from[c] + (to[c] - from[c]) * f64::from(i) / last))
                    .collect();
                let down = *down;
                move |x, y| table[(if down { y } else { x }) as usize]
            }),
            Self::Checker { square, light, dark } => each(wall, |c| {
                let (codes, square) = ([code(light, c), code(dark, c)], (*square).max(1));
                move |x, y| codes[((x / square + y / square) & 1) as usize]
            }),
            Self::Stripes { down, width, light, dark } => each(wall, |c| {
                let (codes, width, down) =
                    ([code(light, c), code(dark, c)], (*width).max(1), *down);
                move |x, y| codes[(((if down { y } else { x }) / width) & 1) as usize]
            }),
            Self::ZonePlate { edge_period, light, dark } => {
                each(wall, |c| zone_plate(wall, *edge_period, light[c], dark[c]))
            }
            Self::Random { seed } => each(wall, |c| {
                let (seed, columns, bits) = (*seed, wall.columns, wall.bits);
                move |x, y| {
                    let index = u64::from(y) * u64::from(columns) + u64::from(x);
                    let mixed = mix(mix(mix(seed) ^ (c as u64 + 1)) ^ index);
                    (mixed >> (64 - bits)) as u16
                }
            }),
            Self::Picture { picture, mapping, border } => {
                let border = [code(border, 0), code(border, 1), code(border, 2)];
                paint_picture(wall, picture, *mapping, border)
            }
        }
    }
}

/// Fills the three planes, rows in parallel.
fn each<F: Fn(u32, u32) -> u16 + Sync>(wall: &Wall, make: impl Fn(usize) -> F) -> WallImage {
    let plane = |c: usize| {
        let f = make(c);
        let mut codes = vec![0_u16; wall.columns as usize * wall.rows as usize];
        codes.par_chunks_mut(wall.columns as usize).enumerate().for_each(|(y, row)| {
            for (x, code) in row.iter_mut().enumerate() {
                *code = f(x as u32, y as u32);
            }
        });
        codes
    };
    WallImage { columns: wall.columns, rows: wall.rows, codes: [plane(0), plane(1), plane(2)] }
}

fn zone_plate(wall: &Wall, period: f64, light: f64, dark: f64) -> impl Fn(u32, u32) -> u16 + Sync {
    let (cx, cy) = (f64::from(wall.columns) / 2.0, f64::from(wall.rows) / 2.0);
    // The phase k·r² has the local frequency k·r/π; at the edge that is to be 1/period.
    let k = std::f64::consts::PI / (cx.min(cy) * period.max(2.0));
    // Cosines by table of codes: 4096 steps are finer than any wall's grey.
    const STEPS: usize = 4096;
    let table: Vec<u16> = (0..=STEPS)
        .map(|i| {
            let share = i as f64 / STEPS as f64;
            nearest_code(wall, dark + (light - dark) * share)
        })
        .collect();
    move |x, y| {
        let (dx, dy) = (f64::from(x) + 0.5 - cx, f64::from(y) + 0.5 - cy);
        let share = 0.5 + 0.5 * libm::cos(k * (dx * dx + dy * dy));
        table[(share * STEPS as f64).round() as usize]
    }
}

/// One round of the splitmix64 finaliser (Steele, Lea, Flood 2014).
fn mix(x: u64) -> u64 {
    let x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

/// The source pixels under one wall pixel, and their weights; empty outside the picture.
struct Taps {
    start: usize,
    weights: Vec<f32>,
}

/// `scale` in wall pixels per picture pixel.
fn taps(wall: u32, picture: u32, scale: f64) -> Vec<Taps> {
    let reach = (1.0 / scale).max(1.0);
    (0..wall)
        .map(|x| {
            let u = (f64::from(x) + 0.5 - f64::from(wall) / 2.0) / scale + f64::from(picture) / 2.0;
            if u < 0.0 || u > f64::from(picture) {
                return Taps { start: 0, weights: Vec::new() };
            }
            let last = f64::from(picture - 1);
            let first = (u - 0.5 - reach).ceil().clamp(0.0, last);
            let end = (u - 0.5 + reach).floor().clamp(first, last);
            let raw: Vec<f64> = (first as usize..=end as usize)
                .map(|i| (1.0 - (i as f64 + 0.5 - u).abs() / reach).max(0.0))
                .collect();
            let sum: f64 = raw.iter().sum();
            let weights = if sum > 0.0 {
                raw.iter().map(|w| (w / sum) as f32).collect()
            } else {
                raw.iter().map(|_| 1.0 / raw.len() as f32).collect()
            };
            Taps { start: first as usize, weights }
        })
        .collect()
}

fn paint_picture(wall: &Wall, picture: &Rgb16, mapping: Mapping, border: [u16; 3]) -> WallImage {
    let across = f64::from(wall.columns) / f64::from(picture.columns.max(1));
    let down = f64::from(wall.rows) / f64::from(picture.rows.max(1));
    let (columns, rows) = (wall.columns as usize, wall.rows as usize);
    let mut codes = border.map(|code| vec![code; columns * rows]);
    let top = f32::from(u16::MAX);
    let full = ((1_u32 << wall.bits) - 1) as f32;
    if picture.columns == 0 || picture.rows == 0 {
        return WallImage { columns: wall.columns, rows: wall.rows, codes };
    }
    let stride = picture.columns as usize * 3;
    let [red, green, blue] = &mut codes;
    let lines = red
        .par_chunks_mut(columns)
        .zip(green.par_chunks_mut(columns))
        .zip(blue.par_chunks_mut(columns))
        .enumerate();
    if mapping == Mapping::PixelForPixel {
        let dx = (i64::from(picture.columns) - i64::from(wall.columns)).div_euclid(2);
        let dy = (i64::from(picture.rows) - i64::from(wall.rows)).div_euclid(2);
        lines.for_each(|(y, ((r, g), b))| {
            let v = y as i64 + dy;
            if !(0..i64::from(picture.rows)).contains(&v) {
                return;
            }
            for x in 0..columns {
                let u = x as i64 + dx;
                if !(0..i64::from(picture.columns)).contains(&u) {
                    continue;
                }
                let at = v as usize * stride + u as usize * 3;
                for (c, plane) in [&mut *r, &mut *g, &mut *b].into_iter().enumerate() {
                    plane[x] = (f32::from(picture.data[at + c]) / top * full).round() as u16;
                }
            }
        });
    } else {
        let scale = if mapping == Mapping::Fit { across.min(down) } else { across.max(down) };
        let columns_taps = taps(wall.columns, picture.columns, scale);
        let rows_taps = taps(wall.rows, picture.rows, scale);
        lines.for_each(|(y, ((r, g), b))| {
            let row_taps = &rows_taps[y];
            if row_taps.weights.is_empty() {
                return;
            }
            let mut sums = vec![0.0_f32; stride];
            for (i, weight) in row_taps.weights.iter().enumerate() {
                let source = &picture.data[(row_taps.start + i) * stride..][..stride];
                for (sum, value) in sums.iter_mut().zip(source) {
                    *sum += weight * f32::from(*value);
                }
            }
            for (x, taps) in columns_taps.iter().enumerate() {
                if taps.weights.is_empty() {
                    continue;
                }
                for (c, plane) in [&mut *r, &mut *g, &mut *b].into_iter().enumerate() {
                    let mut sum = 0.0;
                    for (i, weight) in taps.weights.iter().enumerate() {
                        sum += weight * sums[(taps.start + i) * 3 + c];
                    }
                    plane[x] = (sum / top * full).round().min(full) as u16;
                }
            }
        });
    }
    WallImage { columns: wall.columns, rows: wall.rows, codes }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wall::{Emitter, EmitterShape, WallTransfer};
    use glam::DVec2;

    fn wall(columns: u32, rows: u32, bits: u32) -> Wall {
        let emitter = Emitter {
            shape: EmitterShape::Disc { diameter_m: 0.001 },
            offset_m: DVec2::ZERO,
            wavelength_m: 525e-9,
            linewidth_m: 33e-9,
            xy: [0.3, 0.6],
            half_angle_rad: None,
        };
        Wall {
            columns,
            rows,
            panel_columns: columns,
            panel_rows: rows,
            pitch_m: 0.0026,
            emitters: [emitter; 3],
            white_nits: 1000.0,
            brightness: 1.0,
            white_xy: [0.3127, 0.329],
            transfer: WallTransfer::Gamma(2.2),
            bits,
            diffuser: None,
            build: crate::wall::Build::default(),
        }
    }

    #[test]
    fn levels_are_the_nearest_code_in_light() {
        let wall = wall(4, 4, 8);
        assert_eq!(nearest_code(&wall, 0.0), 0);
        assert_eq!(nearest_code(&wall, 1.0), 255);
        // 255·0.18^(1/2.2) = 116.97.
        assert_eq!(nearest_code(&wall, 0.18), 117);
        assert_eq!(nearest_code(&wall, f64::MAX), 255);
        for code in 0..256_u16 {
            let level = wall.transfer.level(f64::from(code) / 255.0);
            assert_eq!(nearest_code(&wall, level), code);
        }
    }

    #[test]
    fn patterns_have_their_shape() {
        let wall = wall(6, 4, 8);
        let (light, dark) = ([1.0, 1.0, 0.0], [0.0; 3]);
        let image = Content::Checker { square: 2, light, dark }.paint(&wall);
        assert_eq!(image.codes[0][..6], [255, 255, 0, 0, 255, 255]);
        assert_eq!(image.codes[0][12..18], [0, 0, 255, 255, 0, 0]);
        assert_eq!(image.codes[2], vec![0; 24]);
        let image = Content::Stripes { down: true, width: 1, light, dark }.paint(&wall);
        assert_eq!(image.codes[1][..6], [255; 6]);
        assert_eq!(image.codes[1][6..12], [0; 6]);
        let image = Content::Ramp { down: false, from: [0.0; 3], to: [1.0; 3] }.paint(&wall);
        assert_eq!((image.codes[0][0], image.codes[0][5]), (0, 255));
        assert!(image.codes[0][..6].is_sorted());
    }

    #[test]
    fn random_codes_use_the_whole_range_and_differ_by_colour() {
        let wall = wall(64, 64, 14);
        let image = Content::Random { seed: 5 }.paint(&wall);
        assert_eq!(image, Content::Random { seed: 5 }.paint(&wall));
        assert_ne!(image, Content::Random { seed: 6 }.paint(&wall));
        assert_ne!(image.codes[0], image.codes[1]);
        let mean = image.codes[0].iter().map(|&c| f64::from(c)).sum::<f64>() / 4096.0;
        // 4096 uniform values: the mean's standard deviation is 16384/√12/64 = 74.
        assert!((mean - 8191.5).abs() < 4.0 * 74.0, "{mean}");
        assert!(image.codes[0].iter().all(|&c| c < 1 << 14));
    }

    fn picture(columns: u32, rows: u32) -> Rgb16 {
        let data =
            (0..columns * rows).flat_map(|i| [(i * 257 % 65_536) as u16, 65_535, 0]).collect();
        Rgb16 { columns, rows, data }
    }

    #[test]
    fn a_picture_of_the_walls_size_arrives_unchanged_in_every_mapping() {
        let wall = wall(8, 5, 16);
        let picture = picture(8, 5);
        for mapping in [Mapping::Fit, Mapping::Fill, Mapping::PixelForPixel] {
            let image = Content::Picture { picture: picture.clone(), mapping, border: [1.0; 3] }
                .paint(&wall);
            let red: Vec<u16> = picture.data.iter().step_by(3).copied().collect();
            assert_eq!(image.codes[0], red, "{mapping:?}");
            assert!(image.codes[1].iter().all(|&c| c == 65_535));
        }
    }

    #[test]
    fn fit_leaves_borders_and_fill_cuts() {
        let wall = wall(8, 4, 8);
        let white = Rgb16 { columns: 2, rows: 2, data: vec![65_535; 12] };
        let paint = |mapping| {
            Content::Picture { picture: white.clone(), mapping, border: [0.0; 3] }.paint(&wall)
        };
        let fit = paint(Mapping::Fit);
        assert_eq!(fit.codes[0][..8], [0, 0, 255, 255, 255, 255, 0, 0]);
        assert!(paint(Mapping::Fill).codes[0].iter().all(|&c| c == 255));
        let one = paint(Mapping::PixelForPixel);
        assert_eq!(one.codes[0].iter().filter(|&&c| c == 255).count(), 4);
        assert_eq!(one.codes[0][8..16], [0, 0, 0, 255, 255, 0, 0, 0]);
    }

    #[test]
    fn scaling_keeps_the_mean_of_a_fine_picture() {
        let wall = wall(10, 10, 16);
        let data =
            (0..100 * 100).flat_map(|i| [if i % 2 == 0 { 65_535 } else { 0_u16 }; 3]).collect();
        let fine = Rgb16 { columns: 100, rows: 100, data };
        let image = Content::Picture { picture: fine, mapping: Mapping::Fill, border: [0.0; 3] }
            .paint(&wall);
        for (i, code) in image.codes[0].iter().enumerate() {
            // Inside, the triangle holds as many light as dark columns. At the edge it is cut, and
            // an alternating sum of falling weights is off by at most half the largest weight:
            // about 1/9 where nearly half of a triangle of 20 taps is left.
            let edge = i % 10 == 0 || i % 10 == 9;
            let bound = if edge { 65_535 / 18 } else { 1 };
            assert!(code.abs_diff(32_768) <= bound, "{i}: {code}");
        }
    }
}
