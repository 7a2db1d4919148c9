//! shoot
