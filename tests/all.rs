//! The one integration test crate: a module a subject.

mod audit;
mod stage;
