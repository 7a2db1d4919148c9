//! The integration tests: one crate, a module a subject.

mod audit;
mod colour;
mod develop;
mod output;
mod pulses;
mod rays;
mod reference_tables;
mod scaling;
mod sensor_noise;
mod slanted_edge;
mod stage;
