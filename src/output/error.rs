//! What can go wrong with a file, in words: the file, the reason, the way out.

use std::io;
use std::path::{Path, PathBuf};

/// Why a format could not be written.
#[derive(Debug, thiserror::Error)]
pub enum EncodeError {
    /// The bytes did not go out.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// The contents do not fit the format.
    #[error("{0}")]
    Format(String),
}

/// Why a file was not written. In every case nothing half-written remains.
#[derive(Debug, thiserror::Error)]
pub enum OutputError {
    /// The file is there already.
    #[error("{} is already there: pass --overwrite to replace it, or choose another folder with --out", .0.display())]
    Exists(PathBuf),
    /// A folder stands in the file's place.
    #[error("{} is a folder, so no file can be written there: move it away, or choose another folder with --out", .0.display())]
    IsFolder(PathBuf),
    /// The folder is not there.
    #[error("cannot write {}: the folder {} does not exist; make it first, or choose another with --out", .file.display(), .folder.display())]
    NoFolder {
        /// The file.
        file: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// A file stands where the folder should be.
    #[error("cannot write {}: {} is a file, not a folder; choose another folder with --out", .file.display(), .folder.display())]
    NotAFolder {
        /// The file or folder to be made.
        file: PathBuf,
        /// What is a file.
        folder: PathBuf,
    },
    /// No right to write.
    #[error("cannot write {}: the folder {} does not let you write ({}); choose another folder with --out", .file.display(), .folder.display(), .source.kind())]
    NotWritable {
        /// The file.
        file: PathBuf,
        /// Its folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The disk is full.
    #[error("cannot write {}: the disk is full, and nothing of the file was kept; free some space, or choose another disk with --out", .0.display())]
    DiskFull(PathBuf),
    /// The contents do not fit the format.
    #[error("cannot write {}: {reason}", .file.display())]
    Format {
        /// The file.
        file: PathBuf,
        /// Why.
        reason: String,
    },
    /// Anything else that the system refuses.
    #[error("cannot write {}: {source}; nothing of the file was kept; check the disk, or choose another folder with --out", .file.display())]
    Io {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// The folder that holds a file: `.` for a bare name.
pub(super) fn folder_of(file: &Path) -> &Path {
    match file.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

impl OutputError {
    /// Sorts a system error of writing `file`.
    pub(super) fn from_io(file: &Path, source: io::Error) -> Self {
        use io::ErrorKind as Kind;
        let folder = folder_of(file).to_owned();
        let file = file.to_owned();
        match source.kind() {
            Kind::StorageFull | Kind::QuotaExceeded | Kind::FileTooLarge => Self::DiskFull(file),
            Kind::PermissionDenied | Kind::ReadOnlyFilesystem => {
                Self::NotWritable { file, folder, source }
            }
            Kind::NotADirectory => Self::NotAFolder { file, folder },
            Kind::NotFound if !folder.exists() => Self::NoFolder { file, folder },
            Kind::AlreadyExists => Self::Exists(file),
            Kind::IsADirectory => Self::IsFolder(file),
            _ => Self::Io { file, source },
        }
    }

    /// The same for an encoder's error.
    pub(super) fn from_encode(file: &Path, error: EncodeError) -> Self {
        match error {
            EncodeError::Io(source) => Self::from_io(file, source),
            EncodeError::Format(reason) => Self::Format { file: file.to_owned(), reason },
        }
    }
}
