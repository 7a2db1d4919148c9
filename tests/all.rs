//! The integration tests: one crate, a module a subject.

mod colour;
mod develop;
mod output;
mod scaling;
