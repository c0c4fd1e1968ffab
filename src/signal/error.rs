//! Why a recipe cannot be played.

use thiserror::Error;

use crate::units::SampleRate;

/// A parameter of a recipe is outside its range. Nothing has sounded.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RecipeError {
    /// A number is too small, too large or not a number.
    #[error("{signal}: {parameter} is {given}, but must be {allowed}")]
    OutOfRange {
        /// The signal's name.
        signal: &'static str,
        /// The parameter's name, with its unit, as it is spelt in a recipe.
        parameter: &'static str,
        /// What was given.
        given: f64,
        /// What is allowed, in words.
        allowed: String,
    },
    /// The recipe would make no sound at this sample rate or with these parameters.
    #[error("{signal}: {reason}")]
    Empty {
        /// The signal's name.
        signal: &'static str,
        /// Why nothing is left, in words.
        reason: String,
    },
}

/// Checks the numbers of one recipe.
pub(super) struct Check {
    pub signal: &'static str,
    pub rate: SampleRate,
}

impl Check {
    /// `lowest <= given <= highest`.
    pub fn within(&self, parameter: &'static str, given: f64, lowest: f64, highest: f64) -> Result<(), RecipeError> {
        if (lowest..=highest).contains(&given) {
            return Ok(());
        }
        Err(self.out_of_range(parameter, given, format!("from {lowest} to {highest}")))
    }

    /// A frequency above zero. `reach_hz` is the highest frequency that follows from it, which must stay below half
    /// the sample rate.
    pub fn below_nyquist(&self, parameter: &'static str, given_hz: f64, reach_hz: f64) -> Result<(), RecipeError> {
        let nyquist_hz = self.rate.as_f64() / 2.0;
        if given_hz.is_finite() && given_hz > 0.0 && reach_hz < nyquist_hz {
            return Ok(());
        }
        let allowed = if reach_hz == given_hz {
            format!("above 0 and below {nyquist_hz} (half the sample rate)")
        } else {
            let share = if reach_hz.is_finite() { reach_hz / given_hz } else { f64::INFINITY };
            let highest = nyquist_hz / share;
            if highest > 0.0 {
                format!("above 0 and below {highest:.1}, so that all of the signal is below half the sample rate")
            } else {
                format!("above 0 and below {nyquist_hz} (half the sample rate)")
            }
        };
        Err(self.out_of_range(parameter, given_hz, allowed))
    }

    pub fn out_of_range(&self, parameter: &'static str, given: f64, allowed: String) -> RecipeError {
        RecipeError::OutOfRange { signal: self.signal, parameter, given, allowed }
    }
}
