//! Listening checks with two main speakers: the same noise from both, opposite from both, from each alone.
//!
//! With right wiring the noise stands in the middle when it is the same in both, and has no place when it is opposite,
//! with less bass. If it is the other way round, one speaker has its polarity reversed. The noise alone on each side
//! shows whether left and right are exchanged.

use serde::{Deserialize, Serialize};

/// One round of the check: the factors on the noise for the left and the right speaker.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Round {
    /// What the round is called.
    pub name: RoundName,
    /// Factor for the left speaker.
    pub left: f64,
    /// Factor for the right speaker.
    pub right: f64,
}

/// What is heard in a round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RoundName {
    /// The same from both (the sum).
    Same,
    /// Opposite from both (the difference).
    Opposite,
    /// Left alone.
    Left,
    /// Right alone.
    Right,
}

/// The four rounds, in the order in which they are best told apart.
pub const ROUNDS: [Round; 4] = [
    Round { name: RoundName::Same, left: 1.0, right: 1.0 },
    Round { name: RoundName::Opposite, left: 1.0, right: -1.0 },
    Round { name: RoundName::Left, left: 1.0, right: 0.0 },
    Round { name: RoundName::Right, left: 0.0, right: 1.0 },
];
