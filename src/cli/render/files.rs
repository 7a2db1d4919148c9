//! Which files a render makes, and what they are called.

use super::{Args, Bits, Part};
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
            Self::Electrons => "electrons.tiff",
            Self::ElectronsExr => "electrons.exr",
            Self::MiddleCrop => "middle_2x.png",
            Self::Overview => "overview_not_for_judging.png",
        }
    }
}

/// The files of a whole render.
#[derive(Debug, Clone)]
pub(super) struct Files {
    folder: PathBuf,
    name: String,
    kinds: Vec<(Take, Vec<Kind>)>,
}

impl Files {
    /// What the arguments ask for. `overview` is false where the whole picture is small enough to
    /// look at as it is.
    pub(super) fn new(args: &Args, name: &str, overview: bool) -> Self {
        let name = file_name(name);
        let folder = args.out.clone().unwrap_or_else(|| Path::new("out").join(&name));
        let mut parts: Vec<Part> = if args.only.is_empty() {
            USUAL.iter().chain(&args.also).copied().collect()
        } else {
            args.only.clone()
        };
        parts.dedup();
        let wants = |part: Part| parts.contains(&part);
        let picture = {
            let mut kinds = Vec::new();
            if args.png_bits != Bits::Sixteen {
                kinds.push(Kind::Picture8);
            }
            if args.png_bits != Bits::Eight {
                kinds.push(Kind::Picture16);
            }
            if args.tiff {
                kinds.push(Kind::PictureTiff);
            }
            if args.exr {
                kinds.push(Kind::PictureExr);
            }
            kinds
        };
        let mut captured = Vec::new();
        if wants(Part::Electrons) {
            captured.push(Kind::Electrons);
            if args.exr {
                captured.push(Kind::ElectronsExr);
            }
        }
        if wants(Part::Raw) {
            captured.push(Kind::Raw);
        }
        if wants(Part::Picture) {
            captured.extend(&picture);
            captured.push(Kind::MiddleCrop);
            if overview {
                captured.push(Kind::Overview);
            }
        }
        let mut kinds = vec![(Take::Captured, captured)];
        if wants(Part::SteadyWall) {
            kinds.push((Take::SteadyWall, picture.clone()));
        }
        if wants(Part::Ideal) {
            kinds.push((Take::Ideal, picture));
        }
        kinds.retain(|(_, kinds)| !kinds.is_empty());
        Self { folder, name, kinds }
    }

    /// Where they go.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// The takes, in the order they are rendered in.
    pub(super) fn takes(&self) -> impl Iterator<Item = Take> {
        self.kinds.iter().map(|(take, _)| *take)
    }

    /// What is written of a take.
    pub(super) fn kinds(&self, take: Take) -> &[Kind] {
        self.kinds.iter().find(|(t, _)| *t == take).map_or(&[], |(_, kinds)| kinds)
    }

    /// The path of a file.
    pub(super) fn path(&self, frame: impl Display, take: Take, kind: Kind) -> PathBuf {
        let (name, stem, ending) = (&self.name, take.stem(), kind.ending());
        self.folder.join(format!("{name}_{frame:0>4}_{stem}{ending}"))
    }

    /// The sidecar of the shot.
    pub(super) fn sidecar(&self) -> PathBuf {
        self.folder.join(format!("{}_shot.json", self.name))
    }

    /// Every file of every frame.
    pub(super) fn all(&self, frames: impl Iterator<Item = u32>) -> Vec<PathBuf> {
        let mut paths = vec![self.sidecar()];
        for frame in frames {
            for (take, kinds) in &self.kinds {
                paths.extend(kinds.iter().map(|&kind| self.path(frame, *take, kind)));
            }
        }
        paths
    }
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
