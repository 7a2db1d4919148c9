//! Rows of a sweep as they come, on the disk: what a stopped sweep goes on from.
//!
//! A hidden file: its first line is everything that was asked, each line after it a row. It goes once the sweep is complete.

use crate::plan::sweep::Cell;
use anyhow::Context;
use serde_json::Value;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The rows so far.
pub(super) struct Journal {
    path: PathBuf,
    file: File,
    rows: Vec<Vec<Cell>>,
}

impl Journal {
    /// Goes on with the journal of the same question, or begins a new one. `size` is columns and rows.
    pub(super) fn open(
        folder: &Path,
        name: &str,
        asked: &Value,
        size: [usize; 2],
    ) -> anyhow::Result<Self> {
        let path = folder.join(format!(".gridbeat-{name}-sweep.part"));
        let head = asked.to_string();
        // Bytes up to the last line that is whole; what follows was cut off.
        let text = std::fs::read(&path).unwrap_or_default();
        let whole = text.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
        let text = String::from_utf8_lossy(&text[..whole]).into_owned();
        let mut lines = text.lines();
        let mut rows: Vec<Vec<Cell>> = Vec::new();
        let mut kept = 0;
        if lines.next() == Some(head.as_str()) {
            kept = head.len() + 1;
            for line in lines.take(size[1]) {
                match serde_json::from_str::<Vec<Cell>>(line) {
                    Ok(row) if row.len() == size[0] => rows.push(row),
                    _ => break,
                }
                kept += line.len() + 1;
            }
        }
        let cannot = || format!("cannot keep the rows of the sweep in '{}'", path.display());
        let mut file = OpenOptions::new()
            .create(true)
            .read(true)
            .write(true)
            .truncate(false)
            .open(&path)
            .with_context(cannot)?;
        file.set_len(kept as u64).with_context(cannot)?;
        std::io::Seek::seek(&mut file, std::io::SeekFrom::End(0)).with_context(cannot)?;
        if kept == 0 {
            file.write_all(format!("{head}\n").as_bytes()).with_context(cannot)?;
        }
        Ok(Self { path, file, rows })
    }

    /// The rows so far.
    pub(super) fn rows(&self) -> &[Vec<Cell>] {
        &self.rows
    }

    /// Another row.
    pub(super) fn add(&mut self, cells: Vec<Cell>) -> anyhow::Result<()> {
        let mut line = serde_json::to_string(&cells)?;
        line.push('\n');
        let cannot = || format!("cannot keep the rows of the sweep in '{}'", self.path.display());
        self.file.write_all(line.as_bytes()).with_context(cannot)?;
        self.rows.push(cells);
        Ok(())
    }

    /// The sweep is complete.
    pub(super) fn remove(self) -> anyhow::Result<()> {
        drop(self.file);
        std::fs::remove_file(&self.path)
            .with_context(|| format!("cannot remove '{}'", self.path.display()))
    }
}
