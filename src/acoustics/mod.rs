//! What the standards and handbooks say, one file a topic. Every constant names its source.

pub mod air;
pub mod bands;
pub mod crossover;
pub mod equal_loudness;
pub mod exposure;
pub mod note_levels;
pub mod notes;
pub mod weightings;
