//! What a blend leaves behind: for the sheet, and for whoever looks again in a year.

use serde::{Deserialize, Serialize};

use crate::blend::System;
use crate::evidence::Rating;
use crate::routine::blend::rating_db;

/// One control's setting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Decision {
    /// Position in the system's list of controls.
    pub control: usize,
    /// Where it stands.
    pub value: f64,
    /// Where it stood before anybody touched it, if that was known.
    pub before: Option<f64>,
    /// Why there was a step for it.
    pub why: String,
    /// How the value was found.
    pub how: String,
    /// How sure that is; may be empty.
    pub sure: String,
    /// Answers that it rests on.
    pub answers: usize,
}

/// A note across the crossover, as it was heard or metered.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoteHeard {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// As it was rated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rating: Option<Rating>,
    /// As it was metered, dB SPL.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_db: Option<f64>,
}

impl NoteHeard {
    /// In dB: the meter's, or the middle of the rating's word.
    pub fn db(&self) -> f64 {
        self.level_db.or(self.rating.map(rating_db)).unwrap_or(0.0)
    }
}

/// What was heard at a seat at the end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct SeatHeard {
    /// Position in the room's list.
    pub seat: usize,
    /// The notes sounded even enough.
    pub even: bool,
}

/// An earlier visit whose settings are looked at again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Previous {
    /// What the visit was called.
    pub name: String,
    /// When it was begun, as it is printed.
    pub date: String,
    /// The system with every control as it was left (`now`).
    pub system: System,
    /// The notes across the crossover as they were heard then.
    #[serde(default)]
    pub notes: Vec<NoteHeard>,
}
