//! Mathematics without words of the trade: special functions, transforms, counter-based random
//! numbers, small matrices.

pub mod quadrature;
pub mod random;
pub mod special;
