//! What can happen to a visit. Everything that changes its state is one of these, and is written down.

use serde::{Deserialize, Serialize};

use crate::blend::tune::Next;
use crate::judge::Advice;
use crate::routine::brief::AnswerBy;
use crate::routine::effect::Route;
use crate::routine::question::{Answer, QuestionId};
use crate::signal::Recipe;
use crate::units::Dbfs;

/// Something that happened, with its place on the visit's own clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stamped {
    /// Seconds of the visit's own time (pauses between sessions do not count).
    pub at_s: f64,
    /// What happened.
    #[serde(flatten)]
    pub event: Event,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Event {
    /// A program took up the visit: the first line after the header, and one more after each interruption. The level
    /// starts low again.
    Opened {
        /// Program version.
        program: String,
        /// The output device as the person sees it.
        device: String,
        /// Frames per second.
        rate_hz: u32,
        /// How many channels the device was opened with; not in older files.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        channels: Option<u16>,
    },
    /// The open question was answered.
    Answered {
        /// Which asking it answers.
        question: QuestionId,
        /// The answer.
        answer: Answer,
        /// 'Something rattles' was pressed.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        rattles: bool,
        /// How many parts of the cue had begun to sound.
        #[serde(default)]
        parts_begun: usize,
    },
    /// Play that again.
    Again,
    /// Go back one note at this spot; the new answer replaces the old one.
    Back,
    /// Leave this note, or this spot, out.
    Skip,
    /// Take back the last answer, whatever it was.
    Undo,
    /// Fade and wait.
    Paused {
        /// Who or what asked for it, in words.
        why: String,
    },
    /// Go on after a pause.
    Continued,
    /// One decibel up, as far as the step allows.
    Louder,
    /// One decibel down.
    Quieter,
    /// The note that is being matched was moved by one step.
    Nudged {
        /// Louder; otherwise softer.
        up: bool,
    },
    /// Notes are answered in another way from here on.
    AnswerBy {
        /// In which.
        way: AnswerBy,
    },
    /// No more notes: decide now.
    Decide,
    /// The judge was asked and said.
    Advised {
        /// What to do next.
        advice: Advice,
        /// The spot that leads, position in the list.
        leader: Option<usize>,
        /// What choosing the leader is expected to cost, dB.
        expected_regret_db: f64,
        /// How probable it is that the leader is the best.
        probability_best: f64,
        /// Spots that are worth comparing with the subwoofer moved; empty where one leads clearly.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        finalists: Vec<usize>,
    },
    /// It was thought out which setting of the blend to hear next, or which to keep.
    Tuned {
        /// From how many settings heard so far.
        passes: usize,
        /// What comes next.
        next: Next,
    },
    /// A tone was played.
    Sounded {
        /// The note, if it was one.
        note: Option<usize>,
        /// What was played.
        recipe: Recipe,
        /// At which level.
        level: Dbfs,
        /// How many frames of it reached the device.
        frames: u64,
        /// How it ended, in one word.
        ended: String,
        /// How many frames a stop waited, from reaching the engine to the first frame of its fade.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        stop_waited: Option<u64>,
        /// Where it went, if not to the visit's own outputs.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        routes: Vec<Route>,
    },
    /// The guard had to step in.
    Guarded {
        /// Samples that were not numbers.
        non_finite: u64,
        /// Samples that would have passed the ceiling.
        over_ceiling: u64,
    },
    /// The output device is gone; the visit goes on without sound.
    DeviceLost {
        /// What was seen.
        why: String,
    },
    /// The output device is back; the level starts low again.
    DeviceBack,
}
