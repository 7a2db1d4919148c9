//! The integration tests: one crate, a module a subject.

mod bad_scenes;
mod colour;
mod scene_strategy;
mod scenes;
