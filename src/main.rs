//! gridbeat
fn main() {}
