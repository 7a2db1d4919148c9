//! The one integration test crate: a module a subject.

mod audit;
mod stage;
//! The integration tests: one crate, a module a subject.

mod colour;
