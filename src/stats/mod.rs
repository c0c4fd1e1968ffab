//! Distributions and estimates. No domain words.

pub mod agreement;
pub mod gaussian;
pub mod normal;
