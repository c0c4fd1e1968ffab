//! What is believed once the answers are counted in.

use crate::judge::decision::Draws;
use crate::judge::posterior::Problem;
use crate::judge::prior::FieldPrior;
use crate::judge::weighing::Weighed;

/// All that was computed on the way to a ranking.
pub struct Belief<'a> {
    /// One of the priors.
    pub prior: &'a FieldPrior,
    /// Answers, made ready.
    pub problem: Problem<'a>,
    /// Fits with weights that sum to 1.
    pub fits: Vec<Weighed<'a>>,
    /// Draws.
    pub draws: Draws,
}
