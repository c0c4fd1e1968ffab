//! What a step asks the conductor to do.

use serde::Serialize;

use crate::signal::Recipe;
use crate::units::Dbfs;

/// Something to do outside the routine.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Fade what sounds, then play this.
    Play(Cue),
    /// Fade to silence.
    Hush,
    /// Go on with what sounds at the levels of this cue, which has the same tones; play it if nothing sounds.
    Nudge(Cue),
    /// Glide what sounds to this level.
    Glide(Dbfs),
    /// No sample above this from now on.
    Ceiling(Dbfs),
    /// Ask the judge; its answer comes back as [`crate::routine::Event::Advised`].
    Consult,
}

/// Tones to be played one after the other for one question.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// The tones in order.
    pub parts: Vec<Part>,
    /// The question opens when this part begins: nobody can rate what has not sounded.
    pub question_at: usize,
}

/// One tone of a cue.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// What is played.
    pub recipe: Recipe,
    /// How loud.
    pub level: Dbfs,
    /// How long, ramps included; `None` until it is faded.
    pub seconds: Option<f64>,
    /// Silence after it.
    pub gap_s: f64,
    /// The note it is, if it is one.
    pub note: Option<usize>,
    /// What the person is told while it sounds; may be empty.
    pub label: String,
}
