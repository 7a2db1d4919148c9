//! One file a command; printing of diagnostics.

pub mod check;
pub mod schema;
