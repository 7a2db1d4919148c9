//! The integration tests: one crate, a module a subject.

mod colour;
//! The one integration test crate: a module a subject.

mod reference_tables;
mod sensor_noise;
mod slanted_edge;
mod develop;
mod output;
mod scaling;
