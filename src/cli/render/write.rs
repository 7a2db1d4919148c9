//! The files of one frame: all of them, or none.

use super::files::{Files, Kind, Piece, Take};
use super::sidecar::FrameRecord;
use crate::develop::{self, DeliveryTransfer};
use crate::frame::Picture;
use crate::output::{
    self, Coding, Depth, DngCamera, DngLevels, ExrElectrons, ExrPicture, Format, Notes,
    OutputError, PngPicture, TiffElectrons, TiffLevels, TiffPicture, Waiting,
};
use crate::render::{Cancelled, Run};
use crate::scene::{Delivered, Scene};
use crate::shoot::{Levels, ShootError, Shot};
use std::fs;
use std::path::{Path, PathBuf};

/// Largest middle crop, pixels of the picture, and how often each is repeated.
const MIDDLE: (u32, u32) = (480, 270);
const MIDDLE_FACTOR: u32 = 2;

/// Size that an overview fits in, its strip of words included.
const OVERVIEW: (u32, u32) = (960, 560);

/// Whether the whole picture is too large to look at as it is.
pub(super) fn needs_overview(scene: &Scene, delivered: &Delivered) -> bool {
    let crop = scene.camera.crop;
    let delivery = &delivered.delivery;
    let size = delivery.size.or(delivery.in_camera.map(|scaling| scaling.size));
    let (width, height) = size.unwrap_or((crop.width, crop.height));
    width > OVERVIEW.0 || height > OVERVIEW.1
}

/// The folder of a render, with what had to be made of it.
#[derive(Debug)]
pub(super) struct Folder {
    made: Vec<PathBuf>,
}

impl Folder {
    /// Makes the folder and sees that files can be written in it.
    pub(super) fn prepare(folder: &Path) -> Result<Self, OutputError> {
        let missing = |f: &&Path| !f.as_os_str().is_empty() && !f.exists();
        let made = folder.ancestors().take_while(missing).map(Path::to_owned).collect();
        let this = Self { made };
        match output::prepare_folder(folder) {
            Ok(()) => Ok(this),
            Err(error) => {
                this.leave(&[]);
                Err(error)
            }
        }
    }

    /// Takes away the folders that were made for nothing.
    pub(super) fn leave(self, records: &[FrameRecord]) {
        if records.is_empty() {
            for folder in self.made {
                // Only an empty one goes; if it does not, somebody else has put something there.
                let _ = fs::remove_dir(folder);
            }
        }
    }
}

/// The files of a frame under way. Dropped before [`FrameFiles::keep`], they go, and older files of these names stay.
#[derive(Debug)]
pub(super) struct FrameFiles<'a> {
    files: &'a Files,
    frame: u32,
    overwrite: bool,
    waiting: Vec<Waiting>,
}

impl<'a> FrameFiles<'a> {
    pub(super) fn new(files: &'a Files, frame: u32, overwrite: bool) -> Self {
        Self { files, frame, overwrite, waiting: Vec::new() }
    }

    /// Shoots one take of the frame and writes it. Lets go of the electrons before it develops.
    pub(super) fn shoot(
        &mut self,
        take: Take,
        shot: &Shot<'_>,
        run: &Run,
    ) -> anyhow::Result<Levels> {
        let files = self.files;
        let pieces = files.pieces(take);
        let whole = |kind: Kind| pieces.iter().find(|p| p.kind == kind).copied();
        let scene = shot.scene();
        let notes = Notes::new(&scene.name)
            .with("Frame", &self.frame.to_string())
            .with("Shows", take.words());
        let electrons = shot.electrons(self.frame, run)?;
        if let Some(piece) = whole(Kind::Electrons) {
            let contents = TiffElectrons { electrons: &shot.recorded(&electrons), notes: &notes };
            self.write(take, piece, &contents, run)?;
        }
        if let Some(piece) = whole(Kind::ElectronsExr) {
            let contents = ExrElectrons { electrons: &shot.recorded(&electrons), notes: &notes };
            self.write(take, piece, &contents, run)?;
        }
        let raw = shot.raw(&electrons, self.frame);
        drop(electrons);
        if let Some(piece) = whole(Kind::Raw) {
            self.write(take, piece, &TiffLevels { raw: &raw, notes: &notes }, run)?;
        }
        if let Some(piece) = whole(Kind::RawDng) {
            let camera = &DngCamera::of(scene)?;
            self.write(take, piece, &DngLevels { raw: &raw, camera, notes: &notes }, run)?;
        }
        for (i, delivered) in scene.deliveries.iter().enumerate() {
            let of_this = || pieces.iter().filter(move |p| p.delivery == Some(i));
            let notes = match &delivered.name {
                Some(name) => notes.clone().with("Delivery", name),
                None => notes.clone(),
            };
            let delivery = &delivered.delivery;
            let coding = Coding { space: delivery.colour_space, transfer: delivery.transfer };
            if of_this().any(|piece| piece.kind != Kind::PictureExr) {
                let picture = shot.picture_of(&raw, i)?;
                for piece in of_this() {
                    self.picture(take, *piece, &picture, coding, &notes, run)?;
                }
            }
            if let Some(piece) = of_this().find(|piece| piece.kind == Kind::PictureExr) {
                let picture = shot.linear_picture_of(&raw, i)?;
                let coding = Coding { transfer: DeliveryTransfer::Linear, ..coding };
                let contents = ExrPicture { picture: &picture, coding, notes: &notes };
                self.write(take, *piece, &contents, run)?;
            }
        }
        Ok(shot.levels(&raw))
    }

    /// Writes what a kind shows of the coded picture, if it shows any.
    fn picture(
        &mut self,
        take: Take,
        piece: Piece,
        picture: &Picture,
        coding: Coding,
        notes: &Notes,
        run: &Run,
    ) -> anyhow::Result<()> {
        let png = |picture, depth, notes| PngPicture { picture, depth, coding, notes };
        match piece.kind {
            Kind::Picture8 => self.write(take, piece, &png(picture, Depth::Eight, notes), run),
            Kind::Picture16 => self.write(take, piece, &png(picture, Depth::Sixteen, notes), run),
            Kind::PictureTiff => self.write(take, piece, &TiffPicture { picture, notes }, run),
            Kind::MiddleCrop => {
                let (width, height) = (picture.width() as u32, picture.height() as u32);
                let size = (MIDDLE.0.min(width), MIDDLE.1.min(height));
                let start = ((width - size.0) / 2, (height - size.1) / 2);
                let crop = develop::preview_crop(picture, start, size, MIDDLE_FACTOR)
                    .map_err(ShootError::from)?;
                let words = format!(
                    "{} × {} pixels from column {}, row {}, each {MIDDLE_FACTOR} × {MIDDLE_FACTOR}",
                    size.0, size.1, start.0, start.1
                );
                let notes = notes.clone().with("Crop", &words);
                self.write(take, piece, &png(&crop, Depth::Eight, &notes), run)
            }
            Kind::Overview => {
                let small =
                    develop::overview(picture, OVERVIEW.0, OVERVIEW.1).map_err(ShootError::from)?;
                let notes = notes.clone().with("Warning", "not for judging: scaled down");
                self.write(take, piece, &png(&small, Depth::Eight, &notes), run)
            }
            Kind::Raw | Kind::RawDng | Kind::Electrons | Kind::ElectronsExr | Kind::PictureExr => {
                Ok(())
            }
        }
    }

    fn write(
        &mut self,
        take: Take,
        piece: Piece,
        contents: &dyn Format,
        run: &Run,
    ) -> anyhow::Result<()> {
        if run.is_cancelled() {
            return Err(ShootError::from(Cancelled).into());
        }
        let path = self.files.path(self.frame, take, piece);
        self.waiting.push(Waiting::new(&path, self.overwrite, contents)?);
        Ok(())
    }

    /// The frame is complete: its files take their places. If one cannot, those before it that replaced nothing go again.
    pub(super) fn keep(self) -> Result<Vec<PathBuf>, OutputError> {
        let mut kept: Vec<PathBuf> = Vec::new();
        for waiting in self.waiting {
            let file = waiting.file().to_owned();
            if let Err(error) = waiting.keep() {
                if !self.overwrite {
                    for file in &kept {
                        // If it cannot be removed there is nothing better to do; the error says more.
                        let _ = fs::remove_file(file);
                    }
                }
                return Err(error);
            }
            kept.push(file);
        }
        Ok(kept)
    }
}
