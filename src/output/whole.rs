//! Whole or not at all: a file is written beside its place under another name, forced to the disk, and
//! only then renamed.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use super::error::folder_of;
use super::{EncodeError, Format, OutputError};

/// Bytes gathered before they go to the system.
const BUFFER: usize = 1 << 20;

/// A file in the same folder that removes itself unless it is kept.
fn beside(file: &Path) -> Result<tempfile::NamedTempFile, OutputError> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".gridbeat-").suffix(".part");
    // The crate makes private files; these are for other people's players too. The system's own mask
    // still applies.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder_of(file)).map_err(|e| OutputError::from_io(file, e))
}

/// Refuses a file that is there already (unless `overwrite`), or whose place a folder takes: to be
/// asked before a long render. A file that turns up later is still not replaced.
pub fn check_free(file: &Path, overwrite: bool) -> Result<(), OutputError> {
    match fs::symlink_metadata(file) {
        Ok(_) if file.is_dir() => Err(OutputError::IsFolder(file.to_owned())),
        Ok(_) if !overwrite => Err(OutputError::Exists(file.to_owned())),
        _ => Ok(()),
    }
}

/// Makes the folder if need be and checks that files can be written in it, before the long render.
///
/// The check writes a small file, forces it to the disk and removes it.
pub fn prepare_folder(folder: &Path) -> Result<(), OutputError> {
    fs::create_dir_all(folder).map_err(|e| {
        // Which part of the path stands in the way?
        match folder.ancestors().find(|a| a.is_file()) {
            Some(file) => {
                OutputError::NotAFolder { file: folder.to_owned(), folder: file.to_owned() }
            }
            None => OutputError::from_io(folder, e),
        }
    })?;
    let probe = folder.join("probe");
    let mut file = beside(&probe).map_err(|e| match e {
        OutputError::NotWritable { folder, source, .. } => {
            OutputError::NotWritable { file: folder.clone(), folder, source }
        }
        other => other,
    })?;
    let written = file.write_all(b"probe").and_then(|()| file.as_file().sync_all());
    written.map_err(|e| OutputError::from_io(folder, e))?;
    file.close().map_err(|e| OutputError::from_io(folder, e))
}

/// Writes a file whole or not at all.
///
/// An existing file is replaced only with `overwrite`, and only by a complete one. On any error the
/// folder is as it was. (A process that is killed outright may leave a hidden `.gridbeat-….part`.)
pub fn write(file: &Path, overwrite: bool, contents: &dyn Format) -> Result<(), OutputError> {
    Waiting::new(file, overwrite, contents)?.keep()
}

/// A complete file beside its place, under another name. Dropped before [`Waiting::keep`] it goes, and what stood in its
/// place stays: files that belong together are made first and take their places together.
#[derive(Debug)]
pub struct Waiting {
    temporary: tempfile::NamedTempFile,
    file: PathBuf,
    overwrite: bool,
}

impl Waiting {
    /// Writes the contents beside `file`. Errors as for [`write()`].
    pub fn new(file: &Path, overwrite: bool, contents: &dyn Format) -> Result<Self, OutputError> {
        check_free(file, overwrite)?;
        let temporary = beside(file)?;
        let mut sink = BufWriter::with_capacity(BUFFER, temporary);
        contents.encode(&mut sink).map_err(|e| OutputError::from_encode(file, e))?;
        let temporary = sink
            .into_inner()
            .map_err(|e| OutputError::from_encode(file, EncodeError::Io(e.into_error())))?;
        temporary.as_file().sync_all().map_err(|e| OutputError::from_io(file, e))?;
        Ok(Self { temporary, file: file.to_owned(), overwrite })
    }

    /// Where the file goes.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Puts the file in its place.
    pub fn keep(self) -> Result<(), OutputError> {
        let Self { temporary, file, overwrite } = self;
        let kept =
            if overwrite { temporary.persist(&file) } else { temporary.persist_noclobber(&file) };
        kept.map_err(|e| OutputError::from_io(&file, e.error))?;
        // The name is safe once the folder is on the disk as well; some systems cannot open folders, and the
        // file is complete either way.
        if let Ok(folder) = fs::File::open(folder_of(&file)) {
            let _ = folder.sync_all();
        }
        Ok(())
    }
}
