//! The visit's own time: from a real clock, or jumping from answer to answer.

use std::time::Instant;

/// Seconds of visit time. Pauses between two sessions of a visit do not count.
#[derive(Debug)]
pub enum Clock {
    /// Real time, for real sound.
    Live {
        /// Visit time when the program took the visit up.
        base_s: f64,
        /// When that was.
        since: Instant,
    },
    /// The offline engine renders as fast as it can, and time is what was rendered, or what an answer says it took.
    Fast {
        /// Visit time.
        now_s: f64,
    },
}

impl Clock {
    /// Real time, going on from `base_s`.
    pub fn live(base_s: f64) -> Self {
        Self::Live { base_s, since: Instant::now() }
    }

    /// Time that jumps, going on from `base_s`.
    pub const fn fast(base_s: f64) -> Self {
        Self::Fast { now_s: base_s }
    }

    /// Visit time now.
    pub fn now_s(&self) -> f64 {
        match self {
            Self::Live { base_s, since } => base_s + since.elapsed().as_secs_f64(),
            Self::Fast { now_s } => *now_s,
        }
    }

    /// Whether time jumps.
    pub const fn is_fast(&self) -> bool {
        matches!(self, Self::Fast { .. })
    }

    /// Moves a clock that jumps; a real one keeps its own time.
    pub fn advance(&mut self, seconds: f64) {
        if let Self::Fast { now_s } = self {
            *now_s += seconds.max(0.0);
        }
    }
}
