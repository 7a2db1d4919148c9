//! The integration tests: one crate, a module a subject.

mod audit;
mod colour;
mod rays;
mod stage;
