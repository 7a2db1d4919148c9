//! One sample: a drawn scene's frames and their twins, maps, masks and truth, in memory.

use super::condition::mean_level;
use super::degrade::Degraded;
use super::draw::Drawn;
use super::masks::{self, Mask};
use super::recipe::{FileKind, Measured, Part, Recipe, Stage, Written};
use super::split::SplitName;
use super::truth;
use crate::develop::{ColourSpace, Delivery, DeliveryTransfer};
use crate::frame::{Electrons, Picture, Plane, RawFrame};
use crate::math::random::{Purpose, Stream};
use crate::measure::{self, Field, MapsError, Trio};
use crate::render::Run;
use crate::scene::{Delivered, Scene};
use crate::shoot::{Engine, ShootError, Shot, TwinFrame, Twins};
use glam::DVec2;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What a file of a sample holds.
#[derive(Debug, Clone)]
pub enum Content {
    /// A picture, coded so.
    Picture(Picture, ColourSpace, DeliveryTransfer),
    /// Raw levels.
    Raw(RawFrame),
    /// Raw levels as a camera's raw file.
    RawFile(RawFrame),
    /// Pictures of a sequence, coded.
    Video(Vec<Picture>, ColourSpace),
    /// Signed numbers under the name of their channels; not a number where none is given.
    Signed(&'static str, Vec<Plane>),
    /// Signed numbers as integers, value = offset + scale · code, code 0 where none is given.
    Coded {
        /// The numbers.
        planes: Vec<Plane>,
        /// Value of code 0.
        offset: f64,
        /// Value of one step.
        scale: f64,
    },
    /// 0 to 1.
    Mask(Plane),
}

/// A file of a sample.
#[derive(Debug, Clone)]
pub struct Piece {
    /// Its name without ending, such as `captured_linear`.
    pub name: String,
    /// What it holds.
    pub content: Content,
}

/// A sample.
#[derive(Debug, Clone)]
pub struct Sample {
    /// Its number.
    pub number: u64,
    /// The scene.
    pub scene: Arc<Scene>,
    /// Its files.
    pub pieces: Vec<Piece>,
    /// Everything that is known of it.
    pub truth: Value,
    /// Where it goes.
    pub split: SplitName,
    /// What stays together.
    pub group: String,
}

/// Why there is no sample.
#[derive(Debug, thiserror::Error)]
pub enum SampleError {
    /// A frame cannot be had.
    #[error(transparent)]
    Shoot(#[from] ShootError),
    /// Frame and twins do not fit together.
    #[error(transparent)]
    Maps(#[from] MapsError),
    /// A step of degradation failed.
    #[error("a delivered picture cannot be degraded: {0}")]
    Degrade(String),
}

/// Frame and twins, by the name of their files.
const TAKES: [(Part, &str); 3] =
    [(Part::Captured, "captured"), (Part::Lattice, "lattice"), (Part::Ideal, "ideal")];

/// The scene with a second delivery, its log.
fn with_log(mut scene: Scene) -> Scene {
    let first = &scene.deliveries[0].delivery;
    let log = Delivery {
        transfer: DeliveryTransfer::AcesCct,
        colour_space: ColourSpace::AcesAp1,
        ..first.clone()
    };
    scene.deliveries = vec![
        scene.deliveries[0].clone(),
        Delivered { name: Some("log".into()), format: None, delivery: log },
    ];
    scene
}

/// Renders a sample. It depends on the recipe, the number and what was drawn for it, which both give.
///
/// # Errors
/// A scene that cannot be rendered, or was stopped.
pub fn sample(
    recipe: &Recipe,
    number: u64,
    drawn: &Drawn,
    run: &Run,
) -> Result<Sample, SampleError> {
    let written = &recipe.write;
    let scene = with_log(drawn.scene.clone());
    let twins = Twins::new(scene);
    let scene = Arc::new(twins.scene().clone());
    let mut shots = twins.shots(recipe.frames, 0)?;
    let mut dice = Stream::new(recipe.seed, u32::MAX - 1, number, Purpose::Recipe);
    let degraded: Vec<Degraded> = written
        .degrade
        .iter()
        .map(|step| step.drawn(&mut dice))
        .collect::<Result<_, _>>()
        .map_err(SampleError::Degrade)?;
    let mut made = Made {
        written,
        degraded: &degraded,
        pieces: Vec::new(),
        files: Map::new(),
        frames: Vec::new(),
        kept: None,
        videos: BTreeMap::new(),
        size: (0, 0),
    };
    for frame in 0..recipe.frames {
        let electrons = shots.electrons(frame, run)?;
        let linear = shots.of_electrons(frame, &electrons, run)?;
        let Some(of_twins) = shots.electrons_of_twins() else { continue };
        let [lattice, ideal] = &*of_twins;
        made.frame(recipe.frames, frame, shots.all(), [&electrons, lattice, ideal], &linear)?;
    }
    for (name, (space, pictures)) in std::mem::take(&mut made.videos) {
        let words = json!({
            "holds": "the pictures of a sequence, Y'CbCr, 10 bits, limited range",
            "colour_space": format!("{space:?}"),
            "transfer": format!("{:?}", scene.deliveries[0].delivery.transfer),
            "frames": pictures.len(),
        });
        made.add(&name, Content::Video(pictures, space), words);
    }
    if written.parts.contains(&Part::Masks)
        && let Some(foreground) = made.foreground(&scene, run)?
    {
        made.mask("", foreground);
    }
    let split = recipe.split.of(number, drawn, recipe.seed);
    let group = recipe.split.group(number, drawn);
    let truth =
        truth::truth(recipe, number, drawn, (split, &group), &made.frames, &degraded, made.files);
    Ok(Sample { number, scene, pieces: made.pieces, truth, split, group })
}

/// What is the same in every frame of a camera that stands before a wall at rest.
struct Kept {
    ideal: Arc<Picture>,
    fringes: Value,
}

/// A sample under way.
struct Made<'a> {
    written: &'a Written,
    degraded: &'a [Degraded],
    pieces: Vec<Piece>,
    files: Map<String, Value>,
    frames: Vec<Value>,
    kept: Option<Kept>,
    /// Delivered pictures so far, where they go into one file.
    videos: BTreeMap<String, (ColourSpace, Vec<Picture>)>,
    /// Columns and rows of the pictures that maps and masks lie on.
    size: (usize, usize),
}

impl Made<'_> {
    fn wants(&self, part: Part) -> bool {
        self.written.parts.contains(&part)
    }

    fn frame(
        &mut self,
        frames: u32,
        frame: u32,
        shots: [&Shot<'_>; 3],
        electrons: [&Electrons; 3],
        linear: &TwinFrame,
    ) -> Result<(), SampleError> {
        let tail = if frames > 1 { format!("_f{frame:04}") } else { String::new() };
        let scene = shots[0].scene().at_frame(frame);
        let size = (linear.captured.width(), linear.captured.height());
        self.size = size;
        let pictures = [&linear.captured, &linear.lattice, &linear.ideal];
        for ((((part, name), shot), electrons), picture) in
            TAKES.into_iter().zip(shots).zip(electrons).zip(pictures)
        {
            if !self.wants(part) {
                continue;
            }
            for noise in [true, false] {
                if !(if noise { self.written.with_noise } else { self.written.without_noise }) {
                    continue;
                }
                let name = if noise { name.to_owned() } else { format!("{name}_noise_free") };
                self.take(&name, &tail, frame, shot, electrons, (noise, picture))?;
            }
        }
        let trio = Trio {
            captured: &linear.captured.planes,
            lattice: &linear.lattice.planes,
            ideal: &linear.ideal.planes,
            given: &linear.given,
            white: linear.white,
        };
        if self.wants(Part::Moire) || self.wants(Part::Bands) {
            let maps = trio.maps()?;
            for (part, name, channels, planes) in
                [(Part::Moire, "moire", "M", maps.moire), (Part::Bands, "bands", "B", maps.bands)]
            {
                if self.wants(part) {
                    self.map(&format!("{name}{tail}"), channels, planes);
                }
            }
        }
        if self.wants(Part::Masks) {
            for mask in masks::of_wall(&scene, size) {
                self.mask(&tail, mask);
            }
            self.mask(&tail, masks::of_given(&linear.given, size));
            let raw = shots[0].raw_without_noise(electrons[0], frame);
            self.mask(&tail, masks::of_clipped(&raw, shots[0].white_level(), size));
        }
        let measured = match self.written.measured {
            Measured::Nowhere => Value::Null,
            how => self.measured(&trio, linear, how)?,
        };
        let noise = if self.written.with_noise && scene.camera.noise {
            let raw = shots[0].raw(electrons[0], frame);
            noise_rms(&shots[0].light_of_raw(&raw, 0)?, linear)
        } else {
            Value::Null
        };
        self.frames.push(truth::frame(&scene, shots[0].scene(), frame, linear, measured, noise));
        Ok(())
    }

    /// One of frame and twins, at every stage.
    fn take(
        &mut self,
        name: &str,
        tail: &str,
        frame: u32,
        shot: &Shot<'_>,
        electrons: &Electrons,
        (noise, noise_free): (bool, &Arc<Picture>),
    ) -> Result<(), SampleError> {
        let raw = || match noise {
            true => shot.raw(electrons, frame),
            false => shot.raw_without_noise(electrons, frame),
        };
        // Rounded levels are needed by all but the noise-free light.
        let levels = match self.written.stages.as_slice() {
            [Stage::Linear] if !noise => None,
            _ => Some(raw()),
        };
        for stage in &self.written.stages {
            let video = format!("{name}_{}", stage.words());
            let name = format!("{video}{tail}");
            let Some(raw) = &levels else {
                self.picture(
                    &name,
                    (**noise_free).clone(),
                    ColourSpace::Bt709,
                    DeliveryTransfer::Linear,
                );
                continue;
            };
            match stage {
                Stage::Raw => {
                    if self.written.dng {
                        self.add(
                            &name,
                            Content::RawFile(raw.clone()),
                            json!({ "holds": "raw levels, as a camera's raw file" }),
                        );
                    }
                    self.add(
                        &name,
                        Content::Raw(raw.clone()),
                        json!({
                            "holds": "raw levels",
                            "black_level": shot.scene().camera.black_level,
                            "white_level": shot.white_level(),
                        }),
                    );
                }
                Stage::Linear => {
                    let picture = match noise {
                        true => shot.light_of_raw(raw, 0)?,
                        false => (**noise_free).clone(),
                    };
                    self.picture(&name, picture, ColourSpace::Bt709, DeliveryTransfer::Linear);
                }
                Stage::Log => {
                    let picture = shot.picture_of(raw, 1)?;
                    self.picture(&name, picture, ColourSpace::AcesAp1, DeliveryTransfer::AcesCct);
                }
                Stage::Delivered => {
                    let delivery = &shot.scene().deliveries[0].delivery;
                    let mut picture = shot.picture_of(raw, 0)?;
                    for step in self.degraded {
                        picture = step.of(&picture).map_err(SampleError::Degrade)?;
                    }
                    let (space, transfer) = (delivery.colour_space, delivery.transfer);
                    if self.written.y4m {
                        self.videos
                            .entry(video.clone())
                            .or_insert((space, Vec::new()))
                            .1
                            .push(picture);
                    } else {
                        self.picture(&name, picture, space, transfer);
                    }
                }
            }
        }
        Ok(())
    }

    fn add(&mut self, name: &str, content: Content, words: Value) {
        let ending = self.written.ending(&content);
        self.files.insert(format!("{name}.{ending}"), words);
        self.pieces.push(Piece { name: name.to_owned(), content });
    }

    fn picture(
        &mut self,
        name: &str,
        picture: Picture,
        space: ColourSpace,
        transfer: DeliveryTransfer,
    ) {
        let words = json!({
            "holds": "a picture",
            "colour_space": format!("{space:?}"),
            "transfer": format!("{transfer:?}"),
            "value_of_full_scale": 1.0,
            "columns": picture.width(),
            "rows": picture.height(),
        });
        self.add(name, Content::Picture(picture, space, transfer), words);
    }

    /// A map of signed numbers.
    fn map(&mut self, name: &str, channels: &'static str, planes: Vec<Plane>) {
        if self.written.maps == FileKind::Exr {
            self.add(
                name,
                Content::Signed(channels, planes),
                json!({ "holds": "signed shares of the ideal" }),
            );
            return;
        }
        let given = planes.iter().flat_map(|p| &p.data).filter(|v| v.is_finite());
        let (low, high) =
            given.fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        let (low, high) = if low <= high { (f64::from(low), f64::from(high)) } else { (0.0, 0.0) };
        // Codes 1 to 65535 from lowest to highest.
        let scale = ((high - low) / 65534.0).max(1e-9);
        let offset = low - scale;
        let words = json!({
            "holds": "signed shares of the ideal",
            "offset": offset,
            "scale": scale,
            "value": "offset + scale * code; code 0: not given",
        });
        self.add(name, Content::Coded { planes, offset, scale }, words);
    }

    fn mask(&mut self, tail: &str, mask: Mask) {
        let name = format!("mask_{}{tail}", mask.kind.words());
        self.add(
            &name,
            Content::Mask(mask.plane),
            json!({ "holds": "a mask", "value_of_full_scale": 1.0 }),
        );
    }

    /// The foreground's mask; `None` without one. A camera that moves sees it as in the first frame.
    fn foreground(&self, scene: &Scene, run: &Run) -> Result<Option<Mask>, SampleError> {
        let Some(foreground) = &scene.foreground else { return Ok(None) };
        let mut white = scene.ideal();
        let top = scene.wall.levels().len().saturating_sub(1) as u16;
        let mut content = (*scene.content).clone();
        for plane in &mut content.codes {
            plane.fill(top);
        }
        (white.content, white.moving) = (Arc::new(content), None);
        let mut dark = white.clone();
        let mut unlit = foreground.clone();
        unlit.data =
            Arc::new(unlit.data.iter().map(|[.., opacity]| [0.0, 0.0, 0.0, *opacity]).collect());
        dark.foreground = Some(unlit);
        white.foreground = None;
        let electrons = |scene: &Scene| -> Result<Electrons, ShootError> {
            let shot = Shot::new(scene, Engine::Fast)?;
            let electrons = shot.electrons(0, run)?;
            Ok(shot.recorded(&electrons).into_owned())
        };
        Ok(Some(masks::of_foreground(&electrons(&dark)?, &electrons(&white)?, self.size)))
    }

    /// What is measured on a noise-free frame.
    fn measured(
        &mut self,
        trio: &Trio<'_>,
        linear: &TwinFrame,
        how: Measured,
    ) -> Result<Value, SampleError> {
        let [moire, bands] = trio.fields()?;
        let of = |field: &Field| {
            let settings = measure::Settings::default();
            truth::waves(&match how {
                Measured::Everywhere => measure::waves(field, &settings),
                Measured::Nowhere | Measured::Middle => {
                    let middle = DVec2::new(field.width() as f64, field.height() as f64) / 2.0;
                    let settings = measure::Settings { most: 1, ..settings };
                    measure::waves_at(field, middle, &settings)
                }
            })
        };
        let same = self.kept.take().filter(|kept| Arc::ptr_eq(&kept.ideal, &linear.ideal));
        let kept =
            same.unwrap_or_else(|| Kept { ideal: linear.ideal.clone(), fringes: of(&moire) });
        let is_dark = bands.planes.iter().flat_map(|p| &p.data).all(|v| v.is_nan() || *v == 0.0);
        let bands = if is_dark { json!({ "waves": [] }) } else { of(&bands) };
        let value = json!({ "fringes": kept.fringes, "bands": bands });
        self.kept = Some(kept);
        Ok(value)
    }
}

impl Written {
    /// How the file of a content ends.
    pub fn ending(&self, content: &Content) -> &'static str {
        match content {
            // OpenEXR is for linear light.
            Content::Picture(.., transfer) => match self.pictures {
                FileKind::Exr if *transfer == DeliveryTransfer::Linear => "exr",
                FileKind::Tiff16 => "tiff",
                FileKind::Png16 | FileKind::Exr => "png",
            },
            Content::Raw(_) => {
                if self.pictures == FileKind::Png16 {
                    "png"
                } else {
                    "tiff"
                }
            }
            Content::RawFile(_) => "dng",
            Content::Video(..) => "y4m",
            Content::Signed(..) => "exr",
            Content::Coded { .. } | Content::Mask(_) => "png",
        }
    }
}

/// RMS of the noise of each plane over the ideal's mean, where ratios are given.
fn noise_rms(noisy: &Picture, linear: &TwinFrame) -> Value {
    let of = |c: usize| {
        let (mut sum, mut mean, mut count) = (0.0, 0.0, 0_u32);
        let planes = [&noisy.planes[c], &linear.captured.planes[c], &linear.ideal.planes[c]];
        for (i, given) in linear.given.iter().enumerate() {
            if *given {
                let [noisy, clean, ideal] = planes.map(|p| f64::from(p.data[i]));
                sum += (noisy - clean) * (noisy - clean);
                mean += ideal;
                count += 1;
            }
        }
        let n = f64::from(count.max(1));
        if mean > 0.0 { json!(100.0 * (sum / n).sqrt() / (mean / n)) } else { Value::Null }
    };
    json!([of(0), of(1), of(2)])
}

/// The mean level of a scene's content, for prediction.
pub(super) fn level(scene: &Scene) -> f64 {
    mean_level(scene).clamp(0.001, 1.0)
}
