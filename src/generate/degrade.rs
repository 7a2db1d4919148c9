//! What happens to delivered pictures on their way: scaling, denoising, sharpening, lossy compression. Captured frames and
//! twins go the same way, with the same numbers.

use super::draw::Draw;
use super::recipe::draw;
use crate::develop::{ScaleFilter, scale};
use crate::diag::Diagnostic;
use crate::frame::{Picture, Plane};
use crate::math::random::Stream;
use crate::scene::written::Node;
use crate::scene::written::by_hand::{entries, list, refuse, unknown_key};

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct Degradation {
    kind: Kind,
    draw: Draw,
}

/// Kinds of steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Scale,
    Denoise,
    Sharpen,
    Compress,
}

/// A step with its number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Degraded {
    /// Scaled to this share of its size, by a windowed sinc of three lobes.
    Scale(f64),
    /// Mean of neighbours within a σ of so many pixels, less of those that differ (by more than 0.05 of full scale).
    Denoise(f64),
    /// Unsharp mask: so much of the difference from a Gaussian of σ = 1 pixel is added.
    Sharpen(f64),
    /// JPEG of this quality, chroma at half the resolution (4:2:0), 8 bits.
    Compress(u8),
}

const KINDS: [(&str, Kind); 4] = [
    ("scale_percent", Kind::Scale),
    ("denoise_px", Kind::Denoise),
    ("sharpen_percent", Kind::Sharpen),
    ("jpeg_quality", Kind::Compress),
];

/// Reads the steps.
pub(super) fn degradations(node: &Node) -> Result<Vec<Degradation>, Diagnostic> {
    let names = KINDS.map(|(name, _)| name);
    let mut all = Vec::new();
    for (i, one) in list("write.degrade", node)?.iter().enumerate() {
        let path = format!("write.degrade[{}]", i + 1);
        for (key, node) in entries(&path, one)? {
            let path = format!("{path}.{key}");
            let Some((_, kind)) = KINDS.iter().find(|(name, _)| *name == key) else {
                return Err(unknown_key(&path, node, &names));
            };
            let draw = draw(&path, node)?;
            if matches!(draw, Draw::Follows { .. }) {
                let message = "follows another key; allowed: a number or a distribution".to_owned();
                return Err(refuse(&path, node, message, "write `{uniform: [60, 95]}`, say"));
            }
            all.push(Degradation { kind: *kind, draw });
        }
    }
    Ok(all)
}

impl Degradation {
    /// Draws its number, held to what makes sense of it.
    ///
    /// # Errors
    /// A sentence: what was drawn is no number.
    pub(super) fn drawn(&self, dice: &mut Stream) -> Result<Degraded, String> {
        let number = self.draw.number(dice, &|_| None)?;
        Ok(match self.kind {
            Kind::Scale => Degraded::Scale(number.clamp(10.0, 400.0) / 100.0),
            Kind::Denoise => Degraded::Denoise(number.clamp(0.1, 5.0)),
            Kind::Sharpen => Degraded::Sharpen(number.clamp(0.0, 500.0) / 100.0),
            Kind::Compress => Degraded::Compress(number.clamp(1.0, 100.0) as u8),
        })
    }
}

impl Degraded {
    /// Name and number, as in a recipe.
    pub(super) fn written(self) -> (&'static str, f64) {
        match self {
            Self::Scale(share) => ("scale_percent", 100.0 * share),
            Self::Denoise(sigma) => ("denoise_px", sigma),
            Self::Sharpen(amount) => ("sharpen_percent", 100.0 * amount),
            Self::Compress(quality) => ("jpeg_quality", f64::from(quality)),
        }
    }

    /// The picture after it.
    ///
    /// # Errors
    /// A sentence: it cannot be scaled or compressed.
    pub fn of(self, picture: &Picture) -> Result<Picture, String> {
        match self {
            Self::Scale(share) => {
                let of = |n: usize| ((n as f64 * share).round() as usize).max(1);
                let size = (of(picture.width()), of(picture.height()));
                scale(picture, size, ScaleFilter::Lanczos3).map_err(|e| e.to_string())
            }
            Self::Denoise(sigma) => Ok(mapped(picture, |plane| denoised(plane, sigma))),
            Self::Sharpen(amount) => Ok(mapped(picture, |plane| {
                let mut out = blurred(plane, 1.0);
                for (soft, sharp) in out.data.iter_mut().zip(&plane.data) {
                    *soft = sharp + amount as f32 * (sharp - *soft);
                }
                out
            })),
            Self::Compress(quality) => compressed(picture, quality),
        }
    }
}

fn mapped(picture: &Picture, of: impl Fn(&Plane) -> Plane) -> Picture {
    let [r, g, b] = &picture.planes;
    Picture { planes: [of(r), of(g), of(b)] }
}

/// Half a Gaussian, from its middle on, its sum over both sides being 1.
fn bell(sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    let at = |k: usize| libm::exp(-0.5 * (k as f64 / sigma) * (k as f64 / sigma));
    let all = at(0) + 2.0 * (1..=reach).map(at).sum::<f64>();
    (0..=reach).map(|k| (at(k) / all) as f32).collect()
}

/// A Gaussian across and down; the border is repeated.
fn blurred(plane: &Plane, sigma: f64) -> Plane {
    let bell = bell(sigma);
    let (width, height) = (plane.width, plane.height);
    let pass = |from: &Plane, across: bool| {
        let mut out = Plane::filled(width, height, 0.0);
        for y in 0..height {
            for x in 0..width {
                let at = |k: isize| {
                    let (dx, dy) = if across { (k, 0) } else { (0, k) };
                    let x = x.saturating_add_signed(dx).min(width - 1);
                    from.at(x, y.saturating_add_signed(dy).min(height - 1))
                };
                let mut sum = bell[0] * at(0);
                for (k, weight) in bell.iter().enumerate().skip(1) {
                    let k = k as isize;
                    sum += weight * (at(k) + at(-k));
                }
                out.data[y * width + x] = sum;
            }
        }
        out
    };
    pass(&pass(plane, true), false)
}

/// A bilateral mean (Tomasi, Manduchi 1998): neighbours count less the farther and the more different they are.
fn denoised(plane: &Plane, sigma: f64) -> Plane {
    const ALIKE: f32 = 0.05;
    let bell = bell(sigma);
    let reach = bell.len() as isize - 1;
    let (width, height) = (plane.width, plane.height);
    let mut out = plane.clone();
    for y in 0..height {
        for x in 0..width {
            let own = plane.at(x, y);
            let (mut sum, mut all) = (0.0, 0.0);
            for dy in -reach..=reach {
                let row = y.saturating_add_signed(dy).min(height - 1);
                for dx in -reach..=reach {
                    let value = plane.at(x.saturating_add_signed(dx).min(width - 1), row);
                    let off = (value - own) / ALIKE;
                    let weight = bell[dx.unsigned_abs()]
                        * bell[dy.unsigned_abs()]
                        * libm::expf(-0.5 * off * off);
                    sum += weight * value;
                    all += weight;
                }
            }
            out.data[y * width + x] = sum / all;
        }
    }
    out
}

/// There and back through JPEG.
fn compressed(picture: &Picture, quality: u8) -> Result<Picture, String> {
    let (width, height) = (picture.width(), picture.height());
    let side = |n: usize| u16::try_from(n).map_err(|_| format!("{n} pixels are too many for JPEG"));
    let size = (side(width)?, side(height)?);
    let byte = |v: f32| (f64::from(v).clamp(0.0, 1.0) * 255.0 + 0.5) as u8;
    let [r, g, b] = &picture.planes;
    let bytes: Vec<u8> =
        (0..width * height).flat_map(|i| [r.data[i], g.data[i], b.data[i]].map(byte)).collect();
    let mut file = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut file, quality);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    encoder
        .encode(&bytes, size.0, size.1, jpeg_encoder::ColorType::Rgb)
        .map_err(|e| e.to_string())?;
    let back = image::load_from_memory_with_format(&file, image::ImageFormat::Jpeg)
        .map_err(|e| e.to_string())?
        .into_rgb8();
    let plane = |c: usize| Plane {
        width,
        height,
        data: back.pixels().map(|p| f32::from(p.0[c]) / 255.0).collect(),
    };
    Ok(Picture { planes: [plane(0), plane(1), plane(2)] })
}
