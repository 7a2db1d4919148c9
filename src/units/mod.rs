//! units
