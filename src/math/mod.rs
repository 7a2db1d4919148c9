//! Mathematics without words of the trade: special functions, transforms, counter-based random
//! numbers, small matrices.

pub mod fft;
pub mod matrix3;
pub mod quadrature;
pub mod random;
pub mod solve;
pub mod special;
pub mod table;
pub mod track;
