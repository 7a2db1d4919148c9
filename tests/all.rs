//! The integration tests: one crate, a module a subject.

mod audit;
mod bad_scenes;
mod colour;
mod develop;
mod output;
mod pulses;
mod rays;
mod reference_tables;
mod scaling;
mod scene_strategy;
mod scenes;
mod sensor_noise;
mod slanted_edge;
mod stage;
mod truth;
