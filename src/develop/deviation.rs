//! Deviations from an ideal frame as a picture with a scale.

use super::{DevelopError, label};
use crate::frame::{Picture, Plane};
use rayon::prelude::*;

/// Largest deviations, as shares, that a picture's scale may end at.
const ENDS: [f64; 13] =
    [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0];

/// Share of the pixels that a scale chosen by [`scale_end`] may clip.
const CLIPPED_SHARE: f64 = 0.01;

/// The smallest end of a scale, of a set of round ones, beyond which hardly any deviation lies.
pub fn scale_end(planes: &[Plane; 3]) -> f64 {
    let counts: Vec<([u64; ENDS.len()], u64)> = planes
        .iter()
        .flat_map(|p| p.data.par_chunks(1 << 16).collect::<Vec<_>>())
        .map(|run| {
            let mut beyond = [0; ENDS.len()];
            let mut count = 0;
            for v in run.iter().filter(|v| v.is_finite()) {
                count += 1;
                for (n, end) in beyond.iter_mut().zip(ENDS) {
                    *n += u64::from(f64::from(v.abs()) > end);
                }
            }
            (beyond, count)
        })
        .collect();
    let all: u64 = counts.iter().map(|(_, n)| n).sum();
    let beyond = |i: usize| counts.iter().map(|(b, _)| b[i]).sum::<u64>() as f64;
    let fits = (0..ENDS.len()).find(|&i| beyond(i) <= CLIPPED_SHARE * all as f64);
    ENDS[fits.unwrap_or(ENDS.len() - 1)]
}

/// Shows deviations (shares of the local light, not a number where none is given) as a picture: mid-grey where there is none, white
/// where one is `end` or more, black at −`end`; a checked dark grey where none is given. `words` and a scale in percent stand on
/// a strip below. The result is display-coded.
///
/// # Errors
/// Planes of unlike sizes.
pub fn deviation_picture(
    planes: &[Plane; 3],
    end: f64,
    words: &str,
) -> Result<Picture, DevelopError> {
    let (width, height) = (planes[0].width, planes[0].height);
    for plane in planes {
        if (plane.width, plane.height) != (width, height) || plane.data.len() != width * height {
            return Err(DevelopError::Size { width, height, found: plane.data.len() });
        }
    }
    let end = if end > 0.0 && end.is_finite() { end } else { 1.0 };
    let factor = (0.5 / end) as f32;
    let ticks = Ticks::new(end, words, width);
    let strip = ticks.height();
    let step = width.max(1);
    let mut out = [0; 3].map(|_| Plane::filled(width.max(ticks.width), height + strip, 0.0));
    let total = out[0].width.max(1);
    for (out, plane) in out.iter_mut().zip(planes) {
        out.data.par_chunks_mut(total).enumerate().for_each(|(y, line)| {
            if y >= height {
                ticks.draw(y - height, line);
                return;
            }
            for (x, (value, v)) in
                line.iter_mut().zip(&plane.data[y * step..]).take(width).enumerate()
            {
                *value = if v.is_finite() {
                    (0.5 + v * factor).clamp(0.0, 1.0)
                } else if (x / 8 + y / 8) % 2 == 0 {
                    0.18
                } else {
                    0.24
                };
            }
        });
    }
    Ok(Picture { planes: out })
}

/// The strip below: words, a ramp, and what its ends and middle mean.
struct Ticks {
    size: usize,
    width: usize,
    lines: Vec<String>,
    ramp: usize,
}

impl Ticks {
    fn new(end: f64, words: &str, width: usize) -> Self {
        let size = (width / 640).max(1);
        let percent = |v: f64| {
            let text = format!("{:.3}", v * 100.0);
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        };
        let scale = format!("-{0}% BLACK  0 GREY  {0}% WHITE", percent(end));
        let lines = vec![words.to_owned(), scale];
        let needed = lines.iter().map(|l| label::width(l)).max().unwrap_or(0) * size + 4 * size;
        Self { size, width: needed, lines, ramp: 10 * size }
    }

    fn height(&self) -> usize {
        self.ramp
            + 2 * self.size
            + self.lines.len() * (label::HEIGHT + 2) * self.size
            + 2 * self.size
    }

    fn draw(&self, y: usize, line: &mut [f32]) {
        if y < self.ramp {
            let last = (line.len().max(2) - 1) as f32;
            for (x, value) in line.iter_mut().enumerate() {
                *value = x as f32 / last;
            }
            return;
        }
        let dot = (y - self.ramp) / self.size;
        let Some(dot) = dot.checked_sub(2) else { return };
        let (number, row) = (dot / (label::HEIGHT + 2), dot % (label::HEIGHT + 2));
        let Some(text) = self.lines.get(number) else { return };
        for (x, value) in line.iter_mut().enumerate() {
            if (x / self.size).checked_sub(2).is_some_and(|x| label::inked(text, x, row)) {
                *value = 1.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grey_is_none_and_the_ends_are_the_scale() {
        let data = vec![0.0, 0.02, -0.05, 0.01, f32::NAN, 0.0];
        let planes = [0; 3].map(|_| Plane { width: 3, height: 2, data: data.clone() });
        let shown = deviation_picture(&planes, 0.02, "CAPTURED / IDEAL").expect("one size");
        let row = |y: usize| shown.planes[1].row(y);
        assert_eq!(&row(0)[..3], [0.5, 1.0, 0.0]);
        assert_eq!((row(1)[0], row(1)[2]), (0.75, 0.5));
        assert!(row(1)[1] < 0.3);
        // The strip goes from black to white, then come white letters.
        assert_eq!((row(2)[0], *row(2).last().expect("a pixel")), (0.0, 1.0));
        assert!(shown.height() > 20 && shown.planes[0].data.contains(&1.0));
        let wrong = [planes[0].clone(), planes[0].clone(), Plane::filled(2, 2, 0.0)];
        assert!(deviation_picture(&wrong, 0.02, "").is_err());
    }

    #[test]
    fn the_scale_ends_where_deviations_end() {
        let ramp: Vec<f32> = (0..1000).map(|i| (i as f32 - 500.0) / 500.0 * 0.03).collect();
        let planes = [0; 3].map(|_| Plane { width: 100, height: 10, data: ramp.clone() });
        assert_eq!(scale_end(&planes), 0.05);
        assert_eq!(scale_end(&[0; 3].map(|_| Plane::filled(4, 4, 0.0))), 0.0005);
        assert_eq!(scale_end(&[0; 3].map(|_| Plane::filled(4, 4, f32::NAN))), 0.0005);
    }
}
