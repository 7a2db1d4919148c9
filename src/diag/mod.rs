//! A diagnostic as data: what is wrong, where, what is allowed, how to mend it. Nothing prints here.

use std::ops::Range;

mod render;
mod suggest;

pub use render::{render, summary};
pub use suggest::closest;

/// How much a diagnostic matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Rendered all the same; a person should know.
    Note,
    /// Refused.
    Error,
}

/// One finding about a scene.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// Note or error.
    pub severity: Severity,
    /// Path of the key, such as `lens.focus_distance`; empty for the whole file.
    pub key: String,
    /// Where in the text: line and column, both from 1, and the byte range if known.
    pub place: Option<Place>,
    /// What is wrong, with the value found and what is allowed.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

impl Diagnostic {
    /// An error about a key, place and hint to be added.
    pub fn error(key: impl Into<String>, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            key: key.into(),
            place: None,
            message: message.into(),
            hint: None,
        }
    }

    /// A note about a key, place and hint to be added.
    pub fn note(key: impl Into<String>, message: impl Into<String>) -> Self {
        Self { severity: Severity::Note, ..Self::error(key, message) }
    }

    /// With a hint.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// With a place.
    pub fn at(mut self, place: Option<Place>) -> Self {
        self.place = place;
        self
    }
}

/// A place in a text file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
    /// Byte range in the file.
    pub bytes: Range<usize>,
}
