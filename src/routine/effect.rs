//! What a step asks the conductor to do.

use serde::{Deserialize, Serialize};

use crate::blend::tune::Tuner;
use crate::signal::Recipe;
use crate::units::{Dbfs, GainDb};

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
    /// Think out which setting of the blend to hear next; the answer comes back as [`crate::routine::Event::Tuned`].
    Tune(Box<Tuner>),
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
    /// Where it goes; the visit's own outputs where there is none.
    pub routes: Vec<Route>,
    /// It begins at this lower level and climbs by [`CLIMB_DB_PER_S`] a second: after somebody turned a knob up.
    pub climbs_from: Option<Dbfs>,
}

/// How fast a tone climbs back after a knob was turned up, dB a second.
pub const CLIMB_DB_PER_S: f64 = 6.0;

/// One channel of the sound output that a tone goes to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Route {
    /// Channel, counted from 1.
    pub channel: u16,
    /// Level against the tone's own, never above 0.
    pub gain: GainDb,
    /// Turned over.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub inverted: bool,
    /// How much later than the others, seconds.
    #[serde(default)]
    pub delay_s: f64,
}

impl Route {
    /// A channel as it is.
    pub const fn plain(channel: u16) -> Self {
        Self { channel, gain: GainDb::ZERO, inverted: false, delay_s: 0.0 }
    }
}
