//! input
