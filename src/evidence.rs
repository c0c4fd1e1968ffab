//! What was answered: one rating, match, meter reading or microphone level, for one note, spot and seat.

use serde::{Deserialize, Serialize};

/// One of the seven steps, from -3 (lost) to +3 (booming).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "i8", into = "i8")]
pub struct Rating(i8);

impl Rating {
    /// The seven ratings in order.
    pub const ALL: [Self; 7] = [Self(-3), Self(-2), Self(-1), Self(0), Self(1), Self(2), Self(3)];

    /// `None` outside -3 ..= 3.
    pub const fn new(step: i8) -> Option<Self> {
        if step >= -3 && step <= 3 { Some(Self(step)) } else { None }
    }

    /// -3 ..= 3.
    pub const fn step(self) -> i8 {
        self.0
    }

    /// Position among the seven, 0 ..= 6.
    pub const fn index(self) -> usize {
        (self.0 + 3) as usize
    }

    /// The word that the person sees.
    pub const fn word(self) -> &'static str {
        match self.0 {
            -3 => "lost",
            -2 => "weak",
            -1 => "a little weak",
            0 => "even",
            1 => "a little strong",
            2 => "strong",
            _ => "booming",
        }
    }
}

impl TryFrom<i8> for Rating {
    type Error = String;
    fn try_from(step: i8) -> Result<Self, String> {
        Self::new(step).ok_or_else(|| format!("a rating is a whole number from -3 to 3, not {step}"))
    }
}

impl From<Rating> for i8 {
    fn from(rating: Rating) -> Self {
        rating.0
    }
}

/// What an answer says about how loud the note was.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Heard {
    /// Relative to the notes at this spot as a whole.
    Rating {
        /// One of seven steps.
        rating: Rating,
    },
    /// By how much the note had to be turned down to be as loud as the reference: positive where the room is loud.
    Match {
        /// dB re the level that should have been equally loud.
        offset_db: f64,
    },
    /// Read off a sound level meter.
    Meter {
        /// dB SPL, whatever weighting the meter had (the same for all notes and spots of a visit).
        level_db_spl: f64,
    },
    /// Found in a microphone's signal or a recording.
    Microphone {
        /// dB, on a scale that is the same for all notes of one stay.
        level_db: f64,
    },
}

/// One answer and what it was about. Notes, spots and seats are positions in the visit's lists.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Position in the note set.
    pub note: usize,
    /// Position in the room's list of spots.
    pub spot: usize,
    /// Position in the room's list of seats.
    pub seat: usize,
    /// Which stay it was given in; the idea of 'even' drifts between stays.
    pub stay: usize,
    /// What was heard.
    pub heard: Heard,
    /// By how much the tone was played below equal loudness, in dB of level, because the ceiling, the boost limit or
    /// the driver did not allow more. Zero or positive.
    pub shortfall_db: f64,
    /// Something in the room rattled while the note sounded.
    pub rattles: bool,
}
