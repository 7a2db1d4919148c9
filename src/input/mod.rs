//! Reads bytes: scene text and content pictures.

mod rendered;

pub use rendered::{Numbers, Rendered, rendered};

use crate::scene::{ContentPictures, Rgba16};
use crate::wall::content::Rgb16;
use image::{ImageDecoder, ImageReader};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Largest scene file, bytes; a scene is a page or two.
const MAX_SCENE_BYTES: u64 = 1 << 20;

/// Most pixels of a content picture: 1.2 GB once decoded to 16 bits.
const MAX_PICTURE_PIXELS: u64 = 200_000_000;

/// A scene file, read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SceneText {
    /// The file's name as given, for messages.
    pub file: String,
    /// Short name: the file's name without folder and ending.
    pub name: String,
    /// Its text.
    pub text: String,
    /// Its folder, from which the paths in it count.
    pub folder: PathBuf,
}

/// A file could not be read; the message is a sentence with the file's name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Unreadable(String);

/// Reads a scene file as text.
pub fn scene_text(path: &Path) -> Result<SceneText, Unreadable> {
    let file = path.display().to_string();
    let meta = std::fs::metadata(path).map_err(|e| Unreadable(reason("scene", &file, &e)))?;
    if meta.is_dir() {
        return Err(Unreadable(format!("'{file}' is a folder; name a scene file in it")));
    }
    if meta.len() > MAX_SCENE_BYTES {
        return Err(Unreadable(format!(
            "'{file}' holds {} bytes; a scene may hold {MAX_SCENE_BYTES}: is it a scene?",
            meta.len()
        )));
    }
    let bytes = std::fs::read(path).map_err(|e| Unreadable(reason("scene", &file, &e)))?;
    let text = String::from_utf8(bytes)
        .map_err(|_| Unreadable(format!("'{file}' is not text (UTF-8): is it a scene?")))?;
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned());
    Ok(SceneText {
        file,
        name: stem.unwrap_or_else(|| "scene".into()),
        text,
        folder: path.parent().map(Path::to_path_buf).unwrap_or_default(),
    })
}

fn reason(what: &str, file: &str, error: &std::io::Error) -> String {
    match error.kind() {
        ErrorKind::NotFound => format!("{what} '{file}' is not there"),
        ErrorKind::PermissionDenied => format!("{what} '{file}' may not be read: no permission"),
        _ => format!("{what} '{file}' cannot be read: {error}"),
    }
}

/// Largest waveform file, bytes: some million samples.
const MAX_TEXT_BYTES: u64 = 1 << 26;

/// Content pictures from files; relative paths count from a folder.
#[derive(Debug, Clone)]
pub struct PictureFiles {
    folder: PathBuf,
}

impl PictureFiles {
    /// Pictures of a scene in this folder.
    pub fn in_folder(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into() }
    }
}

impl PictureFiles {
    fn decoded(&self, path: &str) -> Result<image::DynamicImage, String> {
        let full = self.folder.join(path);
        let shown = full.display().to_string();
        let file = std::fs::File::open(&full).map_err(|e| reason("picture", &shown, &e))?;
        if file.metadata().is_ok_and(|m| m.is_dir()) {
            return Err(format!("picture '{shown}' is a folder"));
        }
        let broken = |e: &dyn std::fmt::Display| format!("picture '{shown}' cannot be read: {e}");
        let reader = ImageReader::new(std::io::BufReader::new(file))
            .with_guessed_format()
            .map_err(|e| broken(&e))?;
        if reader.format().is_none() {
            return Err(format!("picture '{shown}' is neither PNG nor JPEG"));
        }
        let decoder = reader.into_decoder().map_err(|e| broken(&e))?;
        let (columns, rows) = decoder.dimensions();
        let pixels = u64::from(columns) * u64::from(rows);
        if pixels == 0 || pixels > MAX_PICTURE_PIXELS {
            return Err(format!(
                "picture '{shown}' has {columns} × {rows} pixels; allowed: up to \
                 {MAX_PICTURE_PIXELS} in all"
            ));
        }
        image::DynamicImage::from_decoder(decoder).map_err(|e| broken(&e))
    }
}

impl ContentPictures for PictureFiles {
    fn text(&self, path: &str) -> Result<String, String> {
        let full = self.folder.join(path);
        let shown = full.display().to_string();
        let meta = std::fs::metadata(&full).map_err(|e| reason("file", &shown, &e))?;
        if meta.is_dir() {
            return Err(format!("file '{shown}' is a folder"));
        }
        if meta.len() > MAX_TEXT_BYTES {
            return Err(format!(
                "file '{shown}' holds {} bytes; allowed: up to {MAX_TEXT_BYTES}",
                meta.len()
            ));
        }
        let bytes = std::fs::read(&full).map_err(|e| reason("file", &shown, &e))?;
        String::from_utf8(bytes).map_err(|_| format!("file '{shown}' is not text (UTF-8)"))
    }

    fn later(&self) -> Option<Arc<dyn ContentPictures + Send + Sync>> {
        Some(Arc::new(self.clone()))
    }

    fn is_there(&self, path: &str) -> bool {
        self.folder.join(path).is_file()
    }

    fn load(&self, path: &str) -> Result<Rgb16, String> {
        let picture = self.decoded(path)?.into_rgb16();
        let (columns, rows) = picture.dimensions();
        Ok(Rgb16 { columns, rows, data: picture.into_raw() })
    }

    fn load_with_opacity(&self, path: &str) -> Result<Rgba16, String> {
        let picture = self.decoded(path)?.into_rgba16();
        let (columns, rows) = picture.dimensions();
        Ok(Rgba16 { columns, rows, data: picture.into_raw() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_arrive_with_8_and_16_bits() {
        let folder = tempfile::tempdir().expect("a folder");
        let eight = image::RgbImage::from_raw(2, 1, vec![0, 128, 255, 1, 2, 3]).expect("a picture");
        eight.save(folder.path().join("eight.png")).expect("saved");
        let sixteen: image::ImageBuffer<image::Rgb<u16>, Vec<u16>> =
            image::ImageBuffer::from_raw(1, 1, vec![1, 4097, 65_535]).expect("a picture");
        sixteen.save(folder.path().join("sixteen.png")).expect("saved");
        let files = PictureFiles::in_folder(folder.path());
        let got = files.load("eight.png").expect("loaded");
        assert_eq!((got.columns, got.rows), (2, 1));
        assert_eq!(got.data, [0, 128 * 257, 65_535, 257, 514, 771]);
        assert_eq!(files.load("sixteen.png").expect("loaded").data, [1, 4097, 65_535]);
    }

    #[test]
    fn every_failure_says_which_file_and_why() {
        let folder = tempfile::tempdir().expect("a folder");
        let files = PictureFiles::in_folder(folder.path());
        let shown = |name: &str| folder.path().join(name).display().to_string();
        assert_eq!(
            files.load("gone.png").expect_err("missing"),
            format!("picture '{}' is not there", shown("gone.png"))
        );
        std::fs::write(folder.path().join("text.png"), "not a picture").expect("written");
        assert_eq!(
            files.load("text.png").expect_err("no picture"),
            format!("picture '{}' is neither PNG nor JPEG", shown("text.png"))
        );
        // The first bytes of a PNG, then nothing.
        std::fs::write(folder.path().join("cut.png"), b"\x89PNG\r\n\x1a\n").expect("written");
        let error = files.load("cut.png").expect_err("cut");
        assert!(error.starts_with(&format!("picture '{}' cannot be read: ", shown("cut.png"))));
        let error = scene_text(&folder.path().join("no.yaml")).expect_err("missing");
        assert_eq!(error.to_string(), format!("scene '{}' is not there", shown("no.yaml")));
        let error = scene_text(folder.path()).expect_err("a folder");
        assert!(error.to_string().ends_with("is a folder; name a scene file in it"));
        std::fs::write(folder.path().join("raw.yaml"), [0xff, 0xfe, 0x00]).expect("written");
        let error = scene_text(&folder.path().join("raw.yaml")).expect_err("bytes");
        assert!(error.to_string().ends_with("is not text (UTF-8): is it a scene?"), "{error}");
    }
}
