//! Rendering and measuring of variants.

use super::Args;
use crate::artefact::Kind;
use crate::cli::measure::kind::Fringes;
use crate::cli::render::progress::Progress;
use crate::colour;
use crate::develop::{ColourSpace, ScaleFilter, mix, preview_crop, scale, to_bt709, to_linear};
use crate::frame::{Electrons, Picture, Plane, RawFrame, Window};
use crate::measure::{Found, Settings, Trio, waves};
use crate::plan::compare::{Measured, Wave, has_place};
use crate::plan::variants::Variant;
use crate::predict::Finding;
use crate::scene::Scene;
use crate::shoot::{Engine, ShootError, Shot, TwinFrame, Twins};
use anyhow::{Context, bail};
use glam::DVec2;
use rayon::prelude::*;
use std::sync::Arc;

/// Size of the crop, and widest overview, pixels.
const CROP: (usize, usize) = (640, 400);
/// Places across and down the frame that are looked at for a bright crop.
const PLACES: [usize; 2] = [5, 3];
/// A crop with less than this share of the brightest one's light shows little.
const BRIGHT_ENOUGH: f64 = 0.25;
/// Pictures of up to so many pixels are measured whole.
const SMALL: usize = 1 << 20;

/// A part of a picture: column, row, columns, rows.
pub(super) type Part = [usize; 4];

/// What is shown of a variant; pictures display-coded (sRGB).
pub(super) struct Shown {
    /// Size of the delivered picture.
    pub(super) size: (usize, usize),
    /// The whole frame, scaled down in linear light.
    pub(super) overview: Picture,
    /// The part shown at 1:1.
    pub(super) crop: Picture,
    /// Where that is.
    pub(super) part: Part,
    /// The worst artefact, pixels of the delivered picture.
    pub(super) mark: Option<[f64; 2]>,
}

/// What is kept from one variant to the next.
#[derive(Default)]
pub(super) struct Kept {
    /// Middle of the crop as a share of the picture, and its size.
    crop: Option<([f64; 2], (usize, usize))>,
    /// The bare scene's frame.
    bare: Option<Arc<Electrons>>,
}

/// All variants, ready to be shot.
pub(super) struct Shooting<'a> {
    args: &'a Args,
    scenes: &'a [Scene],
    /// Delivered in the sheet's own colours.
    for_sheet: Vec<Scene>,
}

/// A scene with its first delivery alone, in the sheet's colours.
fn for_sheet(scene: &Scene) -> Scene {
    let mut scene = scene.clone();
    scene.deliveries.truncate(1);
    for delivered in &mut scene.deliveries {
        if delivered.delivery.colour_space != ColourSpace::CameraRgb {
            delivered.delivery.colour_space = ColourSpace::Bt709;
        }
    }
    scene
}

/// Columns and rows of the first delivery.
fn delivered(scene: &Scene) -> (usize, usize) {
    let delivery = &scene.deliveries[0].delivery;
    let in_camera = delivery.in_camera.map(|s| s.size);
    let crop = scene.camera.crop;
    let (columns, rows) = delivery.size.or(in_camera).unwrap_or((crop.width, crop.height));
    (columns as usize, rows as usize)
}

impl<'a> Shooting<'a> {
    /// Of all variants, the scene as it is first. What can be known to fail is found here, before the long work.
    pub(super) fn new(
        args: &'a Args,
        variants: &[Variant],
        scenes: &'a [Scene],
    ) -> anyhow::Result<Self> {
        if let Some(crop) = args.crop {
            let (Window { x, y, width, height }, size) = (crop.0, delivered(&scenes[0]));
            let ends = |start: u32, length: u32, whole: usize| {
                length > 0 && u64::from(start) + u64::from(length) <= whole as u64
            };
            if !ends(x, width, size.0) || !ends(y, height, size.1) {
                bail!(
                    "--crop {x},{y},{width},{height} does not lie in the delivered picture of {} × {} pixels",
                    size.0,
                    size.1
                );
            }
            if width as usize > 2 * CROP.0 || height as usize > 2 * CROP.1 {
                bail!(
                    "--crop {x},{y},{width},{height} is too large for a sheet; allowed: up to {} × {} pixels",
                    2 * CROP.0,
                    2 * CROP.1
                );
            }
        }
        let for_sheet: Vec<Scene> = scenes.iter().map(for_sheet).collect();
        for (scene, variant) in for_sheet.iter().zip(variants) {
            Shot::new(scene, Engine::Fast)
                .with_context(|| format!("variant '{}'", variant.name))?;
        }
        Ok(Self { args, scenes, for_sheet })
    }

    /// The scene of a variant.
    pub(super) fn scene(&self, number: usize) -> &Scene {
        &self.scenes[number]
    }

    /// Renders and measures one. With `as_bare` only development differs from the scene as it is, whose light is taken.
    pub(super) fn shoot(
        &self,
        (number, as_bare): (usize, bool),
        worst: Option<&Finding>,
        kept: &mut Kept,
        progress: &mut Progress,
    ) -> anyhow::Result<(Shown, Measured)> {
        let (scene, frame) = (&self.for_sheet[number], self.args.frame);
        let words = |what: &str| format!("{what} {} of {}", number + 1, self.scenes.len());
        let shot = Shot::new(scene, Engine::Fast)?;
        let run = progress.run(words("rendering"));
        let electrons = match kept.bare.as_ref().filter(|_| as_bare) {
            Some(bare) => bare.clone(),
            None => Arc::new(shot.electrons(frame, &run)?),
        };
        progress.next();
        if number == 0 {
            kept.bare = Some(electrons.clone());
        }
        let light = light(&shot, &shot.raw(&electrons, frame))?;
        let size = (light.width(), light.height());
        let here = scene.at_frame(frame);
        let seen_now = |f: &&Finding| has_place(f) && (scene.moves.is_none() || f.frame == frame);
        let mark = worst.filter(seen_now).and_then(|f| in_picture(&here, size, f.point));
        let (middle, wanted) = match kept.crop {
            Some(crop) => crop,
            None => {
                let crop = self.choose(&light, mark);
                kept.crop = Some(crop);
                crop
            }
        };
        let part = part_around(middle, wanted, size);
        let [x, y, w, h] = part.map(|n| n as u32);
        let mut crop = preview_crop(&light, (x, y), (w, h), 1)?;
        encode(&mut crop);
        let mut overview = overview(&light)?;
        encode(&mut overview);
        drop(light);
        let run = progress.run(words("measuring"));
        let measured = self.measure((number, &electrons), (part, size), &run)?;
        progress.next();
        if progress.is_stopped() {
            return Err(ShootError::from(crate::render::Cancelled).into());
        }
        Ok((Shown { size, overview, crop, part, mark }, measured))
    }

    /// Where the crop goes: around the worst artefact of the scene as it is, unless it is dark there; then where it is brightest.
    fn choose(&self, light: &Picture, mark: Option<[f64; 2]>) -> ([f64; 2], (usize, usize)) {
        let size = (light.width(), light.height());
        let share = |at: [f64; 2]| [at[0] / size.0 as f64, at[1] / size.1 as f64];
        if let Some(crop) = self.args.crop {
            let Window { x, y, width, height } = crop.0;
            let middle =
                [f64::from(x) + f64::from(width) / 2.0, f64::from(y) + f64::from(height) / 2.0];
            return (share(middle), (width as usize, height as usize));
        }
        let bright = |middle: [f64; 2]| mean(light, part_around(middle, CROP, size));
        let [across, down] = PLACES;
        let mut best = ([0.5, 0.5], bright([0.5, 0.5]));
        for i in 0..across * down {
            let middle = [
                ((i % across) as f64 + 0.5) / across as f64,
                ((i / across) as f64 + 0.5) / down as f64,
            ];
            let here = bright(middle);
            if here > best.1 {
                best = (middle, here);
            }
        }
        let at_mark = mark.map(share).filter(|m| bright(*m) >= BRIGHT_ENOUGH * best.1);
        (at_mark.unwrap_or(best.0), CROP)
    }

    /// Measures a frame against its ideal: the quarter of it around a part; the whole where it is small, where it is scaled for
    /// delivery, or where that is asked for.
    fn measure(
        &self,
        (number, electrons): (usize, &Electrons),
        (part, size): (Part, (usize, usize)),
        run: &crate::render::Run,
    ) -> anyhow::Result<Measured> {
        let full = &self.for_sheet[number];
        let frame = self.args.frame;
        let mut scene = full.clone();
        scene.camera.noise = false;
        let delivery = &scene.deliveries[0].delivery;
        let is_scaled = delivery.size.is_some() || delivery.in_camera.is_some();
        let measured = if self.args.whole || is_scaled || size.0 * size.1 <= SMALL {
            [0, 0, size.0, size.1]
        } else {
            let middle = [
                (part[0] as f64 + part[2] as f64 / 2.0) / size.0 as f64,
                (part[1] as f64 + part[3] as f64 / 2.0) / size.1 as f64,
            ];
            let wanted = (part[2].max(size.0 / 2), part[3].max(size.1 / 2));
            let [x, y, width, height] = part_around(middle, wanted, size);
            // On whole blocks of the mosaic.
            [x & !1, y & !1, width, height]
        };
        let [x, y, width, height] = measured.map(|n| n as u32);
        let own = full.camera.crop;
        if !is_scaled {
            scene.camera.crop = Window { x: own.x + x, y: own.y + y, width, height };
        }
        let electrons = cut(electrons, scene.camera.read_window());
        let twins = Twins::new(scene);
        let mut shots = twins.shots(1, 0)?;
        let twin = shots.of_electrons(frame, &electrons, run)?;
        found(&twins.scene().at_frame(frame), &twin, measured, size.1)
    }
}

/// What the frame and its twins show.
fn found(scene: &Scene, frame: &TwinFrame, part: Part, lines: usize) -> anyhow::Result<Measured> {
    let trio = Trio {
        captured: &frame.captured.planes,
        lattice: &frame.lattice.planes,
        ideal: &frame.ideal.planes,
        given: &frame.given,
        white: frame.white,
    };
    let [moire, bands] = trio.fields()?;
    let settings = Settings::default();
    let size = (frame.captured.width(), frame.captured.height());
    let kinds = Fringes::new(scene, size);
    let wave = |f: &Found| {
        let period = f.wave.period_px();
        Wave {
            luma: f.wave.luma(),
            colour: f.wave.chroma(),
            period_px: period.is_finite().then_some(period),
            times_threshold: scene.viewing.multiple(&f.wave, lines as f64, 0.0, 1.0, 0.0),
            at_px: [part[0] as f64 + f.at.x, part[1] as f64 + f.at.y],
        }
    };
    let strongest = |all: &mut dyn Iterator<Item = &Found>| {
        all.max_by(|a, b| a.contrast().total_cmp(&b.contrast())).map(wave)
    };
    let fringes = waves(&moire, &settings).found;
    let of = |kind: Kind| strongest(&mut fringes.iter().filter(|f| kinds.kind(f) == kind));
    let bands = if scene.drive.is_steady() { Vec::new() } else { waves(&bands, &settings).found };
    Ok(Measured {
        part_px: part,
        compared_share: moire.given_share(),
        bands: strongest(&mut bands.iter()),
        moire: of(Kind::Moire),
        pixel_structure: of(Kind::PixelStructure),
    })
}

/// A window out of a frame of photosites read.
fn cut(electrons: &Electrons, window: Window) -> Electrons {
    let from = electrons.window;
    if from == window {
        return electrons.clone();
    }
    let (x, y) = (window.x.saturating_sub(from.x), window.y.saturating_sub(from.y));
    let planes = electrons.planes.iter().map(|plane| {
        let (x, width) = (x as usize, window.width as usize);
        let rows = y as usize..(y + window.height) as usize;
        let data = rows.flat_map(|row| plane.row(row)[x..x + width].iter().copied()).collect();
        Plane { width, height: window.height as usize, data }
    });
    Electrons { window, planes: planes.collect() }
}

/// The delivered picture in linear light.
fn light(shot: &Shot<'_>, raw: &RawFrame) -> Result<Picture, ShootError> {
    let delivery = &shot.scene().deliveries[0].delivery;
    if delivery.scale_in_linear_light || delivery.size.is_none() {
        return shot.linear_picture(raw);
    }
    // Scaled after its transfer curve, which is then undone.
    let mut picture = shot.picture(raw)?;
    to_linear(&mut picture.planes, delivery.transfer, 1.0, false);
    if let Some(matrix) = to_bt709(delivery.colour_space) {
        mix(&mut picture.planes, &matrix);
    }
    Ok(picture)
}

/// A place of the sensor in the delivered picture, pixels; `None` outside.
fn in_picture(scene: &Scene, size: (usize, usize), point: DVec2) -> Option<[f64; 2]> {
    let camera = &scene.camera;
    let spacing = camera.spacing().map(f64::from);
    let (crop, area) = (camera.crop, camera.mode().area);
    let of = |at: f64, area: u32, spacing: f64, start: u32, recorded: u32, size: usize| {
        let recorded_at = (at - f64::from(area)) / spacing - f64::from(start);
        recorded_at / f64::from(recorded.max(1)) * size as f64
    };
    let at = [
        of(point.x, area.x, spacing[0], crop.x, crop.width, size.0),
        of(point.y, area.y, spacing[1], crop.y, crop.height, size.1),
    ];
    let inside = |at: f64, size: usize| (0.0..size as f64).contains(&at);
    (inside(at[0], size.0) && inside(at[1], size.1)).then_some(at)
}

/// A part of a picture around a place given as shares, moved so that it lies inside.
fn part_around(middle: [f64; 2], wanted: (usize, usize), size: (usize, usize)) -> Part {
    let axis = |middle: f64, wanted: usize, size: usize| {
        let length = wanted.min(size);
        let start = (middle * size as f64 - length as f64 / 2.0).round().max(0.0) as usize;
        (start.min(size - length), length)
    };
    let (x, width) = axis(middle[0], wanted.0, size.0);
    let (y, height) = axis(middle[1], wanted.1, size.1);
    [x, y, width, height]
}

/// Mean of green over a part.
fn mean(picture: &Picture, [x, y, width, height]: Part) -> f64 {
    let plane = &picture.planes[1];
    let mut sum = 0.0;
    for row in y..y + height {
        sum += plane.row(row)[x..x + width].iter().fold(0.0, |sum, v| sum + f64::from(*v));
    }
    sum / (width * height).max(1) as f64
}

/// The whole picture made smaller, to the width of a crop or the height of one, whichever is narrower.
fn overview(light: &Picture) -> Result<Picture, ShootError> {
    let (width, height) = (light.width() as f64, light.height() as f64);
    let shrink = (width / CROP.0 as f64).max(height / CROP.1 as f64).max(1.0);
    let side = |n: f64| ((n / shrink).round() as usize).max(1);
    Ok(scale(light, (side(width), side(height)), ScaleFilter::Box)?)
}

/// Codes linear light for a display (sRGB); clipped.
fn encode(picture: &mut Picture) {
    for plane in &mut picture.planes {
        plane.data.par_iter_mut().for_each(|v| {
            *v = colour::srgb_encode(f64::from(v.clamp(0.0, 1.0))) as f32;
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_lie_inside() {
        assert_eq!(part_around([0.5, 0.5], (640, 400), (3840, 2160)), [1600, 880, 640, 400]);
        assert_eq!(part_around([0.0, 1.0], (640, 400), (3840, 2160)), [0, 1760, 640, 400]);
        assert_eq!(part_around([0.3, 0.9], (640, 400), (96, 64)), [0, 0, 96, 64]);
    }
}
