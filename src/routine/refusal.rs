//! What is said where an event is not taken.

use thiserror::Error;

/// Why an event was not taken. The state is as it was.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Refusal {
    /// The answer belongs to a question that is not open any more.
    #[error("That answer was for an earlier question. The one on the screen is open.")]
    Stale,
    /// The question is answered with something else.
    #[error("That is not an answer to this question. The keys below it are.")]
    WrongKind,
    /// Louder was pressed faster than the level may rise.
    #[error("The level rises by at most 6 dB a second.")]
    TooFast,
    /// Stopped: only going on or leaving helps.
    #[error("Stopped. Press continue first.")]
    Paused,
    /// The note or the steps have not sounded yet.
    #[error("Let it sound first.")]
    NotHeardYet,
    /// What was wrong and what to do.
    #[error("{0}")]
    Because(String),
}
