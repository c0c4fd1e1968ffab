//! How long this person takes for things.

use crate::judge::Pace;
use crate::routine::brief::AnswerBy;
use crate::routine::question::Answer;

/// How long things are expected to take until this visit has shown it (*common practice*).
const EXPECTED_PACE: Pace = Pace { move_s: 15.0, rating_s: 3.5, meter_s: 5.0 };
/// Carrying the subwoofer from spot to spot and going back to the seat (*common practice*).
const EXPECTED_CARRY_S: f64 = 90.0;
/// One run of a match; there are two for each note (*common practice*).
const EXPECTED_RUN_S: f64 = 10.0;

/// Learns how long this person takes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PaceKeeper {
    expected: Pace,
    moves: (f64, f64),
    ratings: (f64, f64),
    runs: (f64, f64),
    readings: (f64, f64),
}

impl PaceKeeper {
    pub(super) fn new(too_heavy: bool) -> Self {
        let expected = match too_heavy {
            true => Pace { move_s: EXPECTED_CARRY_S, ..EXPECTED_PACE },
            false => EXPECTED_PACE,
        };
        // The expectation counts as much as three observations.
        let prior = |seconds: f64| (3.0, 3.0 * seconds);
        Self {
            expected,
            moves: prior(expected.move_s),
            ratings: prior(expected.rating_s),
            runs: prior(EXPECTED_RUN_S),
            readings: prior(expected.meter_s),
        }
    }

    pub(super) fn observe(&mut self, answer: &Answer, took_s: f64) {
        let (mean, most) = match answer {
            Answer::Arrived => (&mut self.moves, 8.0 * self.expected.move_s),
            Answer::Rating(_) => (&mut self.ratings, 8.0 * self.expected.rating_s),
            Answer::Matched => (&mut self.runs, 8.0 * EXPECTED_RUN_S),
            Answer::Level(_) => (&mut self.readings, 8.0 * self.expected.meter_s),
            _ => return,
        };
        // A telephone call in the middle of a note says nothing about the pace.
        if (0.0..most).contains(&took_s) {
            mean.0 += 1.0;
            mean.1 += took_s;
        }
    }

    /// What the judge may count on; `by_ear` is how notes are answered now.
    pub(super) fn pace(&self, by_ear: AnswerBy) -> Pace {
        let mean = |(count, sum): (f64, f64)| sum / count;
        let rating_s = match by_ear {
            AnswerBy::Rating => mean(self.ratings),
            AnswerBy::Match => 2.0 * mean(self.runs),
        };
        Pace { move_s: mean(self.moves), rating_s, meter_s: mean(self.readings) }
    }
}
