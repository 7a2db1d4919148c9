//! The one integration test crate: a module a subject.

mod reference_tables;
mod slanted_edge;
