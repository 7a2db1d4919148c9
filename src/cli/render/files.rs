//! Which files a render makes, and what they are called.

use super::{Args, Bits, Part};
use crate::scene::{Delivered, DeliveryFormat, Scene};
use std::fmt::Display;
use std::path::{Path, PathBuf};

/// The parts that are made when nothing else is asked for.
const USUAL: [Part; 2] = [Part::Picture, Part::Raw];

/// One of the renders of a frame: the wall as it is, or one of its twins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Take {
    /// The wall as it is.
    Captured,
    /// The wall held steady.
    SteadyWall,
    /// Neither lattice nor drive.
    Ideal,
}

impl Take {
    /// For progress.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Captured => "frame",
            Self::SteadyWall => "steady-wall frame",
            Self::Ideal => "ideal frame",
        }
    }

    /// Between the frame's number and the kind of picture.
    fn stem(self) -> &'static str {
        match self {
            Self::Captured => "",
            Self::SteadyWall => "steady_wall_",
            Self::Ideal => "ideal_",
        }
    }
}

/// What is written of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Picture8,
    Picture16,
    PictureTiff,
    PictureExr,
    Raw,
    RawDng,
    Electrons,
    ElectronsExr,
    MiddleCrop,
    Overview,
}

impl Kind {
    fn ending(self) -> &'static str {
        match self {
            Self::Picture8 => "picture.png",
            Self::Picture16 => "picture_16bit.png",
            Self::PictureTiff => "picture.tiff",
            Self::PictureExr => "picture_linear.exr",
            Self::Raw => "raw.tiff",
            Self::RawDng => "raw.dng",
            Self::Electrons => "electrons.tiff",
            Self::ElectronsExr => "electrons.exr",
            Self::MiddleCrop => "middle_2x.png",
            Self::Overview => "overview_not_for_judging.png",
        }
    }
}

/// One file of a frame: what it shows, and of which delivery where it is a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Piece {
    pub(super) kind: Kind,
    /// Index among the scene's deliveries.
    pub(super) delivery: Option<usize>,
}

impl Piece {
    /// What comes before development.
    const fn whole(kind: Kind) -> Self {
        Self { kind, delivery: None }
    }
}

/// The files of a whole render.
#[derive(Debug, Clone)]
pub(super) struct Files {
    folder: PathBuf,
    name: String,
    /// The deliveries' names; empty for one without.
    deliveries: Vec<String>,
    pieces: Vec<(Take, Vec<Piece>)>,
}

impl Files {
    /// What the arguments and the scene ask for. `overview` is false for deliveries that are small enough to look at as
    /// they are.
    pub(super) fn new(args: &Args, scene: &Scene, overview: impl Fn(&Delivered) -> bool) -> Self {
        let name = file_name(&scene.name);
        let folder = args.out.clone().unwrap_or_else(|| Path::new("out").join(&name));
        let mut parts: Vec<Part> = if args.only.is_empty() {
            USUAL.iter().chain(&args.also).copied().collect()
        } else {
            args.only.clone()
        };
        parts.dedup();
        let wants = |part: Part| parts.contains(&part);
        let mut captured = Vec::new();
        if wants(Part::Electrons) {
            captured.push(Piece::whole(Kind::Electrons));
            if args.exr {
                captured.push(Piece::whole(Kind::ElectronsExr));
            }
        }
        if wants(Part::Raw) {
            captured.push(Piece::whole(Kind::Raw));
        }
        if args.dng {
            captured.push(Piece::whole(Kind::RawDng));
        }
        // Every picture, and those that are made of it to look at.
        let (mut pictures, mut with_previews) = (Vec::new(), Vec::new());
        for (i, delivered) in scene.deliveries.iter().enumerate() {
            let piece = |kind| Piece { kind, delivery: Some(i) };
            let kinds = kinds(args, delivered.format);
            pictures.extend(kinds.iter().copied().map(piece));
            with_previews.extend(kinds.iter().copied().map(piece));
            if kinds.iter().any(|kind| *kind != Kind::PictureExr) {
                with_previews.push(piece(Kind::MiddleCrop));
                if overview(delivered) {
                    with_previews.push(piece(Kind::Overview));
                }
            }
        }
        if wants(Part::Picture) {
            captured.extend(with_previews);
        }
        let mut pieces = vec![(Take::Captured, captured)];
        if wants(Part::SteadyWall) {
            pieces.push((Take::SteadyWall, pictures.clone()));
        }
        if wants(Part::Ideal) {
            pieces.push((Take::Ideal, pictures));
        }
        pieces.retain(|(_, pieces)| !pieces.is_empty());
        let deliveries = scene.deliveries.iter().map(|d| d.name.clone().unwrap_or_default());
        Self { folder, name, deliveries: deliveries.collect(), pieces }
    }

    /// Where they go.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// The takes, in the order they are rendered in.
    pub(super) fn takes(&self) -> impl Iterator<Item = Take> {
        self.pieces.iter().map(|(take, _)| *take)
    }

    /// What is written of a take.
    pub(super) fn pieces(&self, take: Take) -> &[Piece] {
        self.pieces.iter().find(|(t, _)| *t == take).map_or(&[], |(_, pieces)| pieces)
    }

    /// The path of a file.
    pub(super) fn path(&self, frame: impl Display, take: Take, piece: Piece) -> PathBuf {
        let (name, stem, ending) = (&self.name, take.stem(), piece.kind.ending());
        let delivery = match piece.delivery.and_then(|i| self.deliveries.get(i)) {
            Some(delivery) if !delivery.is_empty() => format!("{delivery}_"),
            _ => String::new(),
        };
        self.folder.join(format!("{name}_{frame:0>4}_{stem}{delivery}{ending}"))
    }

    /// The sidecar of the shot.
    pub(super) fn sidecar(&self) -> PathBuf {
        self.folder.join(format!("{}_shot.json", self.name))
    }

    /// Every file of every frame.
    pub(super) fn all(&self, frames: impl Iterator<Item = u32>) -> Vec<PathBuf> {
        let mut paths = vec![self.sidecar()];
        for frame in frames {
            paths.extend(self.of_frame(frame).map(|(_, path)| path));
        }
        paths
    }

    /// Every file of a frame.
    pub(super) fn of_frame(&self, frame: u32) -> impl Iterator<Item = (Piece, PathBuf)> {
        self.pieces.iter().flat_map(move |(take, pieces)| {
            pieces.iter().map(move |piece| (*piece, self.path(frame, *take, *piece)))
        })
    }
}

/// The files of a delivery: of its own format, or those that the arguments ask for.
fn kinds(args: &Args, format: Option<DeliveryFormat>) -> Vec<Kind> {
    let mut kinds = match format {
        Some(DeliveryFormat::Png8) => vec![Kind::Picture8],
        Some(DeliveryFormat::Png16) => vec![Kind::Picture16],
        Some(DeliveryFormat::Tiff16) => vec![Kind::PictureTiff],
        Some(DeliveryFormat::ExrLinear) => vec![Kind::PictureExr],
        None => match args.png_bits {
            Bits::Eight => vec![Kind::Picture8],
            Bits::Sixteen => vec![Kind::Picture16],
            Bits::Both => vec![Kind::Picture8, Kind::Picture16],
        },
    };
    for (asked, kind) in [(args.tiff, Kind::PictureTiff), (args.exr, Kind::PictureExr)] {
        if asked && !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    kinds
}

/// A scene's name as part of a file's: nothing that another system would trip over.
fn file_name(name: &str) -> String {
    let safe = |c: char| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '_' };
    let name: String = name.chars().map(safe).collect();
    let name = name.trim_matches('.');
    if name.is_empty() { "scene".into() } else { name.into() }
}

#[cfg(test)]
mod tests {
    use super::file_name;

    #[test]
    fn names_are_safe_on_any_disk() {
        for (name, want) in [
            ("night-train", "night-train"),
            ("night train: take 2/3", "night_train__take_2_3"),
            ("..", "scene"),
            ("Wände", "Wände"),
        ] {
            assert_eq!(file_name(name), want);
        }
    }
}
