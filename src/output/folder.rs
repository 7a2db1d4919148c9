//! A folder whole or not there at all: its files are written in a folder beside its place, under another name, and only
//! then it is renamed.

use super::error::folder_of;
use super::{EncodeError, Format, OutputError};
use sha2::{Digest, Sha256};
use std::fs;
use std::io::{Cursor, ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Beginning and end of the names of folders under way.
const UNDER_WAY: (&str, &str) = (".gridbeat-", ".part");

/// A file in a folder, with what to check it by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Its name in the folder.
    pub name: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// Its SHA-256 (FIPS 180-4), in hexadecimal.
    pub sha256: String,
}

/// SHA-256 of bytes, in hexadecimal.
pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// SHA-256 and size of a file, read piece by piece.
///
/// # Errors
/// It cannot be read.
pub fn sha256_of(file: &Path) -> std::io::Result<(String, u64)> {
    let mut reader = fs::File::open(file)?;
    let mut hash = Sha256::new();
    let bytes = std::io::copy(&mut reader, &mut hash)?;
    Ok((hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect(), bytes))
}

/// A folder under way. Dropped before [`WaitingFolder::keep`] it goes.
#[derive(Debug)]
pub struct WaitingFolder {
    temporary: tempfile::TempDir,
    folder: PathBuf,
    files: Vec<Recorded>,
}

impl WaitingFolder {
    /// Begins one; the folder that it will stand in is made if need be.
    ///
    /// # Errors
    /// That folder cannot be made or written in.
    pub fn new(folder: &Path) -> Result<Self, OutputError> {
        let outer = folder_of(folder);
        let failed = |e| OutputError::from_io(folder, e);
        fs::create_dir_all(outer).map_err(failed)?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(UNDER_WAY.0).suffix(UNDER_WAY.1);
        // For other people's programs too; the system's own mask still applies.
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o777));
        let temporary = builder.tempdir_in(outer).map_err(failed)?;
        Ok(Self { temporary, folder: folder.to_owned(), files: Vec::new() })
    }

    /// Writes a file into it.
    ///
    /// # Errors
    /// The contents do not fit the format, or cannot be written; the message names the file as it would have been.
    pub fn add(&mut self, name: &str, contents: &dyn Format) -> Result<&Recorded, OutputError> {
        let file = self.folder.join(name);
        let mut bytes = Cursor::new(Vec::new());
        contents.encode(&mut bytes).map_err(|e| OutputError::from_encode(&file, e))?;
        let bytes = bytes.into_inner();
        let write = || {
            let mut out = fs::File::create_new(self.temporary.path().join(name))?;
            out.write_all(&bytes)?;
            out.sync_all()
        };
        write().map_err(|e| OutputError::from_encode(&file, EncodeError::Io(e)))?;
        let recorded =
            Recorded { name: name.to_owned(), bytes: bytes.len() as u64, sha256: sha256(&bytes) };
        self.files.push(recorded);
        Ok(&self.files[self.files.len() - 1])
    }

    /// The files so far, in the order in which they were written.
    pub fn files(&self) -> &[Recorded] {
        &self.files
    }

    /// Puts the folder in its place; false where one is there already, and this one goes.
    ///
    /// # Errors
    /// It cannot be renamed.
    pub fn keep(self) -> Result<bool, OutputError> {
        let Self { temporary, folder, .. } = self;
        match fs::rename(temporary.path(), &folder) {
            Ok(()) => {
                // Nothing is left under the old name.
                let _ = temporary.keep();
                if let Ok(outer) = fs::File::open(folder_of(&folder)) {
                    let _ = outer.sync_all();
                }
                Ok(true)
            }
            Err(e)
                if matches!(e.kind(), ErrorKind::DirectoryNotEmpty | ErrorKind::AlreadyExists)
                    && folder.is_dir() =>
            {
                Ok(false)
            }
            Err(e) => Err(OutputError::from_io(&folder, e)),
        }
    }
}

/// Takes away folders and files that a stopped run left under way in a folder.
///
/// # Errors
/// The folder cannot be read, or one of them not removed.
pub fn sweep_up(folder: &Path) -> Result<(), OutputError> {
    let failed = |e| OutputError::from_io(folder, e);
    for entry in fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with(UNDER_WAY.0) && name.ends_with(UNDER_WAY.1) {
            let gone =
                if path.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
            match gone {
                Err(e) if e.kind() != ErrorKind::NotFound => {
                    return Err(OutputError::from_io(&path, e));
                }
                _ => {}
            }
        }
    }
    Ok(())
}
