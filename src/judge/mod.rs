//! Evidence in, ranking with probabilities out; what to hear next; when to stop.
//!
//! In the order of the computation: `answers` makes ready what was heard, `prior` and `usual` say what the curves may
//! be before it, `posterior` fits one listener and all curves to it (`reading` and `grading` for one answer, `arrow`
//! for the algebra), `weighing` weighs listeners and priors, `decision` compares the spots, `advice` and `worth` choose
//! the next stay, `listener` has a word for the person, and `ranking` puts it all together. `docs/judging.md` explains
//! why.

mod advice;
mod answers;
mod arrow;
mod belief;
mod decision;
mod grading;
mod listener;
mod posterior;
mod prior;
mod ranking;
mod reading;
#[cfg(test)]
mod tests;
mod usual;
mod weighing;
mod worth;

use serde::{Deserialize, Serialize};

pub use advice::LEAST_OF_A_MATCHED_STAY;
pub use listener::ListenerReport;
pub use ranking::{Judge, judge};

use crate::evidence::Evidence;
use crate::room::Room;

/// Everything the judge may know.
#[derive(Debug, Clone)]
pub struct Case<'a> {
    /// The note set, ascending.
    pub notes_hz: &'a [f64],
    /// Half the width of each tone's band, in octaves (0 for a pure tone).
    pub half_width_octaves: f64,
    /// The room; its spots and seats are what the evidence's positions count. Dimensions may be missing.
    pub room: &'a Room,
    /// The weight of each seat, not all zero; the first is the main seat.
    pub seat_weights: &'a [f64],
    /// Answers in the order they were given.
    pub evidence: &'a [Evidence],
    /// How long things take in this visit.
    pub pace: Pace,
    /// Notes are matched, not rated: each takes several times as long, so that a stay is made of fewer.
    pub matching: bool,
    /// Minutes of listening that are left; `None` if nobody set a limit.
    pub seconds_left: Option<f64>,
    /// Whether a sound level meter is at hand.
    pub meter: bool,
    /// Where the listener is now.
    pub at_spot: Option<usize>,
    /// The spots that may be visited, in the order in which they are walked when nothing else speaks for one of them.
    pub walk: &'a [usize],
    /// Seeds every random draw.
    pub seed: u64,
}

/// Seconds that the parts of a stay take, moves included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pace {
    /// Going to a spot and settling there.
    pub move_s: f64,
    /// Hearing and rating one note.
    pub rating_s: f64,
    /// Reading the meter for one note.
    pub meter_s: f64,
}

/// A figure with its 80 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The middle of what is believed.
    pub value: f64,
    /// One in ten that it is below.
    pub low: f64,
    /// One in ten that it is above.
    pub high: f64,
}

/// What is believed of one spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotBelief {
    /// Position in the room's list of spots.
    pub spot: usize,
    /// Answers given here.
    pub answers: usize,
    /// Standard deviation over the notes, dB.
    pub spread_db: Estimate,
    /// Probability that this spot is the most even one.
    pub probability_best: f64,
    /// The note that stands out most, and by how much above the mean of the notes, dB.
    pub worst_peak: (usize, Estimate),
    /// The note that is missing most, and by how much below the mean of the notes, dB (negative).
    pub worst_hole: (usize, Estimate),
    /// Per note the deviation from the mean of the notes, dB.
    pub curve_db: Vec<Estimate>,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "next", rename_all = "kebab-case")]
pub enum Advice {
    /// Go to a spot and rate these notes there, in this order.
    Rate {
        /// Position in the list of spots.
        spot: usize,
        /// Positions in the note set.
        notes: Vec<usize>,
        /// Why, in words for the person.
        why: String,
    },
    /// Go to a spot and read the meter for these notes.
    Meter {
        /// Position in the list of spots.
        spot: usize,
        /// Positions in the note set.
        notes: Vec<usize>,
        /// Why, in words for the person.
        why: String,
    },
    /// Nothing more is worth the time.
    Stop {
        /// Why, in words for the person.
        why: String,
    },
}

/// One comparison of two spots with the subwoofer really moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShootOut {
    /// The spot that sounded more even.
    pub more_even: usize,
    /// The other one.
    pub less_even: usize,
    /// Whether the listener did not know which of the two was heard.
    pub blind: bool,
}

/// The judge's whole answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ranking {
    /// Most even first (by expected spread; spots without evidence last).
    pub spots: Vec<SpotBelief>,
    /// How much more uneven than the best spot the first is expected to be, dB.
    pub expected_regret_db: f64,
    /// By about how much another five minutes would lower the spread at the spot finally chosen, dB.
    pub five_minutes_db: f64,
    /// Positions of the notes in which the first two spots differ most, for certain; the most telling first, three at
    /// most.
    pub deciding_notes: Vec<usize>,
    /// What the answers say about the listener.
    pub listener: ListenerReport,
    /// What cannot be said, in words; empty where nothing is in the way.
    pub caveats: Vec<String>,
    /// What to do next.
    pub advice: Advice,
}
