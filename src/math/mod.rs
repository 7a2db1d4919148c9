//! Mathematics without words of the trade: special functions, transforms, counter-based random
//! numbers, small matrices.

pub mod matrix3;
pub mod special;
