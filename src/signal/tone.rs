//! A tone without its frequency: what is played for a note.

use serde::{Deserialize, Serialize};

use crate::acoustics::bands::Width;

use super::Recipe;
use super::pure::Pure;
use super::steady_noise::SteadyNoise;
use super::warble::{Shape, Warble};

/// What is played for a note; the note's frequency makes a [`Recipe`] of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "signal", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Tone {
    /// One frequency.
    Pure {},
    /// A frequency that swings to and fro.
    Warble {
        /// How far to either side, octaves.
        half_width_octaves: f64,
        /// Swings a second.
        rate_hz: f64,
        /// How the frequency moves.
        #[serde(default)]
        shape: Shape,
    },
    /// Band noise whose level does not wander.
    SteadyNoise {
        /// The width of the band.
        #[serde(default)]
        band: Width,
    },
}

impl Tone {
    /// The tone at a frequency. `seed` makes the noise; other tones do not need it.
    pub fn recipe(&self, frequency_hz: f64, seed: u64) -> Recipe {
        match *self {
            Self::Pure {} => Recipe::Pure(Pure { frequency_hz }),
            Self::Warble { half_width_octaves, rate_hz, shape } => {
                Recipe::Warble(Warble { frequency_hz, half_width_octaves, rate_hz, shape })
            }
            Self::SteadyNoise { band } => Recipe::SteadyNoise(SteadyNoise { frequency_hz, band, seed }),
        }
    }
}
