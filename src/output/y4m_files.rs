//! Y4M: uncompressed sequences that video tools read, Y'CbCr in limited range.
//!
//! Planes as in ITU-R BT.709-6 and BT.2020-2, section 3 of each (luma and colour difference signals, their quantisation to n bits);
//! the stream's header as the tools of the format's authors write it.

use super::{EncodeError, Format, Sink};
use crate::develop::ColourSpace;
use crate::frame::Picture;

/// Bits of a value.
const BITS: u32 = 10;

/// Coded pictures of one size as a Y4M file: 10 bits, colour in every pixel (4:4:4).
#[derive(Debug, Clone, Copy)]
pub struct Y4mSequence<'a> {
    /// The pictures, coded with their transfer curve; clipped to 0–1.
    pub pictures: &'a [Picture],
    /// Colour space: BT.2020 has its own matrix, all others take that of BT.709.
    pub space: ColourSpace,
    /// Frames a second.
    pub fps: f64,
}

/// Frames a second as a fraction: whole, or over 1.001, or to a thousandth.
pub fn frame_rate(fps: f64) -> [u32; 2] {
    if (fps - fps.round()).abs() < 1e-6 {
        return [fps.round() as u32, 1];
    }
    let nominal = (fps * 1.001).round();
    if (fps - nominal / 1.001).abs() < 0.002 {
        return [1000 * nominal as u32, 1001];
    }
    [(1000.0 * fps).round() as u32, 1000]
}

impl Y4mSequence<'_> {
    /// Y', Cb, Cr: 0 to 1, and −½ to ½ twice.
    fn coded(&self, [r, g, b]: [f64; 3]) -> [f64; 3] {
        let (of_red, of_blue) = match self.space {
            ColourSpace::Bt2020 => (0.2627, 0.0593),
            _ => (0.2126, 0.0722),
        };
        let y = of_red * r + (1.0 - of_red - of_blue) * g + of_blue * b;
        [y, (b - y) / (2.0 - 2.0 * of_blue), (r - y) / (2.0 - 2.0 * of_red)]
    }

    fn frame(&self, picture: &Picture) -> Vec<u8> {
        let count = picture.width() * picture.height();
        let mut out = b"FRAME\n".to_vec();
        for c in 0..3 {
            for i in 0..count {
                let rgb = [0, 1, 2].map(|k| f64::from(picture.planes[k].data[i]).clamp(0.0, 1.0));
                out.extend(code(self.coded(rgb)[c], c == 0).to_le_bytes());
            }
        }
        out
    }
}

/// A value as a code: 219 steps from 16 for luma, 224 around 128 for colour, times 2^(bits − 8).
fn code(value: f64, is_luma: bool) -> u16 {
    let (steps, zero) = if is_luma { (219.0, 16.0) } else { (224.0, 128.0) };
    let scale = f64::from(1_u32 << (BITS - 8));
    ((steps * value + zero) * scale).round().clamp(0.0, 256.0 * scale - 1.0) as u16
}

impl Format for Y4mSequence<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        let refuse = |why: &str| Err(EncodeError::Format(why.to_owned()));
        let Some(first) = self.pictures.first() else { return refuse("the sequence is empty") };
        let (width, height) = (first.width(), first.height());
        let size = |p: &Picture| (p.width(), p.height());
        if width * height == 0 || self.pictures.iter().any(|p| size(p) != (width, height)) {
            return refuse("the pictures of a sequence must be of one size");
        }
        // Below, the fraction would be 0.
        if !(0.01..1e6).contains(&self.fps) {
            return refuse("a Y4M file has a frame rate of 0.01 to a million");
        }
        let [frames, seconds] = frame_rate(self.fps);
        writeln!(
            sink,
            "YUV4MPEG2 W{width} H{height} F{frames}:{seconds} Ip A1:1 C444p{BITS} XCOLORRANGE=LIMITED"
        )?;
        for picture in self.pictures {
            sink.write_all(&self.frame(picture))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::frame_rate;

    #[test]
    fn frame_rates_are_fractions() {
        for (fps, want) in [
            (24.0, [24, 1]),
            (23.976, [24000, 1001]),
            (29.97, [30000, 1001]),
            (59.94, [60000, 1001]),
            (12.5, [12500, 1000]),
        ] {
            assert_eq!(frame_rate(fps), want, "{fps}");
        }
    }
}
