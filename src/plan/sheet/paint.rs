//! Letters and marks on a picture.

use crate::frame::Picture;
use embedded_graphics::Drawable;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Point, Size};
use embedded_graphics::mono_font::iso_8859_1::{FONT_9X18_BOLD, FONT_10X20};
use embedded_graphics::mono_font::{MonoFont, MonoTextStyle};
use embedded_graphics::pixelcolor::BinaryColor;
use embedded_graphics::text::{Baseline, Text};
use std::convert::Infallible;

/// A font, every dot of it a square of so many pixels.
#[derive(Clone, Copy)]
pub(super) struct Font {
    dots: &'static MonoFont<'static>,
    side: usize,
}

/// For lines of text.
pub(super) const BODY: Font = Font { dots: &FONT_10X20, side: 1 };
/// For names.
pub(super) const HEADING: Font = Font { dots: &FONT_9X18_BOLD, side: 2 };

impl Font {
    /// Pixels from letter to letter.
    pub(super) fn width(self) -> usize {
        self.dots.character_size.width as usize * self.side
    }

    /// Height of a line of letters.
    pub(super) fn height(self) -> usize {
        self.dots.character_size.height as usize * self.side
    }
}

/// What letters are drawn with.
#[derive(Clone, Copy)]
pub(super) struct Ink {
    pub(super) grey: f32,
    pub(super) font: Font,
}

/// A text in letters that the fonts have (ISO 8859-1).
fn plain(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '–' | '—' | '−' => out.push('-'),
            '‘' | '’' => out.push('\''),
            '“' | '”' => out.push('"'),
            '…' => out.push_str("..."),
            'μ' => out.push('µ'),
            c if c.is_control() => out.push(' '),
            c if u32::from(c) < 256 => out.push(c),
            _ => out.push('?'),
        }
    }
    out
}

/// The text in at most so many letters.
pub(super) fn shortened(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.into();
    }
    text.chars().take(letters.saturating_sub(3)).collect::<String>() + "..."
}

/// Lines of at most so many letters, cut between words where that can be; further lines are set in.
pub(super) fn wrapped(text: &str, letters: usize) -> Vec<String> {
    let (text, letters) = (plain(text), letters.max(8));
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let mut word: Vec<char> = word.chars().collect();
        let length = line.chars().count();
        if length + 1 + word.len() > letters && !line.trim().is_empty() {
            lines.push(std::mem::replace(&mut line, "  ".into()));
        } else if !line.trim().is_empty() {
            line.push(' ');
        }
        // A word longer than a line.
        while line.chars().count() + word.len() > letters {
            let room = letters - line.chars().count();
            line.extend(word.drain(..room));
            lines.push(std::mem::replace(&mut line, "  ".into()));
        }
        line.extend(word);
    }
    if !line.trim().is_empty() {
        lines.push(line);
    }
    lines
}

/// A picture to draw on.
pub(super) struct Canvas {
    pub(super) picture: Picture,
}

impl Canvas {
    pub(super) fn new(picture: Picture) -> Self {
        Self { picture }
    }

    fn dot(&mut self, x: usize, y: usize, value: f32) {
        if x < self.picture.width() && y < self.picture.height() {
            for plane in &mut self.picture.planes {
                plane.data[y * plane.width + x] = value;
            }
        }
    }

    /// A filled rectangle.
    pub(super) fn fill(&mut self, at: (usize, usize), size: (usize, usize), value: f32) {
        for y in at.1..at.1 + size.1 {
            for x in at.0..at.0 + size.0 {
                self.dot(x, y, value);
            }
        }
    }

    /// A line of text, its top left corner at a place.
    pub(super) fn text(&mut self, text: &str, at: (usize, usize), ink: Ink) {
        let text = plain(text);
        let style = MonoTextStyle::new(ink.font.dots, BinaryColor::On);
        let mut target = Dots { canvas: self, at, ink };
        let Ok(_) =
            Text::with_baseline(&text, Point::zero(), style, Baseline::Top).draw(&mut target);
    }

    /// A picture, its pixels as they are.
    pub(super) fn paste(&mut self, from: &Picture, at: (usize, usize)) {
        for (plane, from) in self.picture.planes.iter_mut().zip(&from.planes) {
            for y in 0..from.height {
                let start = (at.1 + y) * plane.width + at.0;
                plane.data[start..start + from.width].copy_from_slice(from.row(y));
            }
        }
    }

    /// Dots of a shape, white, with a black rim: seen on light and on dark. `depth` is how deep inside the shape a pixel's middle lies, in
    /// pixels, negative outside.
    fn shape(&mut self, around: [f64; 4], depth: impl Fn(f64, f64) -> f64) {
        let [left, top, right, bottom] = around;
        let (x0, y0) = (left.max(0.0) as usize, top.max(0.0) as usize);
        let (x1, y1) = (right.max(0.0).ceil() as usize, bottom.max(0.0).ceil() as usize);
        for y in y0..y1.min(self.picture.height()) {
            for x in x0..x1.min(self.picture.width()) {
                let depth = depth(x as f64 + 0.5, y as f64 + 0.5);
                if depth >= 0.0 {
                    self.dot(x, y, 1.0);
                } else if depth >= -1.5 {
                    self.dot(x, y, 0.0);
                }
            }
        }
    }

    /// The outline of a rectangle: left, top, width, height.
    pub(super) fn frame(&mut self, [left, top, width, height]: [f64; 4]) {
        let (right, bottom) = (left + width, top + height);
        self.shape([left - 3.0, top - 3.0, right + 3.0, bottom + 3.0], |x, y| {
            let inside = (x - left).min(right - x).min(y - top).min(bottom - y);
            0.75 - inside.abs()
        });
    }

    /// A ring.
    pub(super) fn ring(&mut self, [x0, y0]: [f64; 2], radius: f64) {
        let reach = radius + 4.0;
        self.shape([x0 - reach, y0 - reach, x0 + reach, y0 + reach], |x, y| {
            1.25 - (libm::hypot(x - x0, y - y0) - radius).abs()
        });
    }

    /// The four corners of a square around a place, which leave what is inside to be seen; cut to `inside` (left, top, right, bottom).
    /// Places count from `corner`.
    pub(super) fn brackets(&mut self, corner: [f64; 2], [u, v]: [f64; 2], inside: [f64; 4]) {
        // In a small picture they leave more than they cover, too.
        let half = 72.0_f64.min(0.3 * (inside[2] - inside[0]).min(inside[3] - inside[1]));
        let arm = 0.36 * half;
        let [x0, y0] = [corner[0] + u, corner[1] + v];
        let reach = half + 4.0;
        let around = [
            (x0 - reach).max(corner[0] + inside[0]),
            (y0 - reach).max(corner[1] + inside[1]),
            (x0 + reach).min(corner[0] + inside[2]),
            (y0 + reach).min(corner[1] + inside[3]),
        ];
        self.shape(around, |x, y| {
            let (a, b) = ((x - x0).abs(), (y - y0).abs());
            let edge = a.max(b);
            // Along the square's side, as far as the arm goes from its corner.
            let along = a.min(b) - (half - arm);
            (1.25 - (edge - half).abs()).min(along)
        });
    }
}

/// Letters of a line on a canvas.
struct Dots<'a> {
    canvas: &'a mut Canvas,
    at: (usize, usize),
    ink: Ink,
}

impl OriginDimensions for Dots<'_> {
    fn size(&self) -> Size {
        let side = self.ink.font.side.max(1);
        let of = |whole: usize, from: usize| {
            u32::try_from(whole.saturating_sub(from) / side).unwrap_or(u32::MAX)
        };
        let picture = &self.canvas.picture;
        Size::new(of(picture.width(), self.at.0), of(picture.height(), self.at.1))
    }
}

impl DrawTarget for Dots<'_> {
    type Color = BinaryColor;
    type Error = Infallible;

    fn draw_iter<I>(&mut self, pixels: I) -> Result<(), Infallible>
    where
        I: IntoIterator<Item = embedded_graphics::Pixel<BinaryColor>>,
    {
        let side = self.ink.font.side;
        for embedded_graphics::Pixel(point, colour) in pixels {
            let (Ok(x), Ok(y)) = (usize::try_from(point.x), usize::try_from(point.y)) else {
                continue;
            };
            if colour.is_on() {
                let at = (self.at.0 + x * side, self.at.1 + y * side);
                self.canvas.fill(at, (side, side), self.ink.grey);
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Plane;

    #[test]
    fn lines_are_cut_between_words() {
        assert_eq!(wrapped("one two three four", 9), ["one two", "  three", "  four"]);
        assert_eq!(wrapped("abcdefghijkl", 8), ["abcdefgh", "  ijkl"]);
        assert_eq!(wrapped("", 20), Vec::<String>::new());
        assert_eq!(plain("moiré – 3 µm…"), "moiré - 3 µm...");
    }

    #[test]
    fn letters_have_ink_inside_their_line_only() {
        let plane = || Plane::filled(80, 60, 0.0);
        let mut canvas = Canvas::new(Picture { planes: [plane(), plane(), plane()] });
        canvas.text("é", (20, 10), Ink { grey: 1.0, font: HEADING });
        let lit: Vec<(usize, usize)> = (0..60)
            .flat_map(|y| (0..80).map(move |x| (x, y)))
            .filter(|&(x, y)| canvas.picture.planes[1].at(x, y) == 1.0)
            .collect();
        assert!(lit.len() > 40);
        assert!(lit.iter().all(|&(x, y)| (20..20 + HEADING.width()).contains(&x)
            && (10..10 + HEADING.height()).contains(&y)));
    }
}
