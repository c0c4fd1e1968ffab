//! The one picture of the visit that every face draws, and the actions a face may send.
//!
//! A face holds no state of its own: it draws the latest [`View`] and sends [`Action`]s.

use std::path::PathBuf;
use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender};
use serde::Serialize;

pub use crate::evidence::Rating;
pub use crate::judge::{Advice, Estimate, ListenerReport, Ranking, SpotBelief};
pub use crate::room::{Floor, Place, Room};
pub use crate::routine::AnswerBy;
pub use crate::routine::blend::scene::{Heard, Hearing, Scene};
pub use crate::routine::blend::{Own, Setup};
pub use crate::routine::question::{Answer, Ask, MatchAtSpot, NoteAtSpot, Question, QuestionId, Topic};
use crate::routine::{Pass, Stage, State};
use crate::units::Dbfs;

/// What a face may ask for.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// An answer to the question with this id; any other id is refused.
    Answer {
        /// The asking that is answered.
        question: QuestionId,
        /// The answer.
        answer: Answer,
        /// Something in the room rattled.
        rattles: bool,
        /// How long the answer took, where the face knows better than the clock (a scripted listener).
        seconds: Option<f64>,
    },
    /// Play that again.
    Again,
    /// One note back at this spot.
    Back,
    /// Leave this note or spot out.
    Skip,
    /// Take the last answer back.
    Undo,
    /// Fade and wait.
    Pause,
    /// Fade now, whatever happens; twice within a second: by the shortest ramp, 50 ms. Never refused.
    Stop,
    /// Go on after a pause or stop.
    Continue,
    /// One decibel up.
    Louder,
    /// One decibel down. Never refused.
    Quieter,
    /// Move the note that is being matched by one step, 1 dB or less.
    Nudge {
        /// Louder; otherwise softer.
        up: bool,
    },
    /// Answer notes in another way from here on.
    AnswerBy(AnswerBy),
    /// No more notes: decide now.
    Decide,
    /// Fade, close the visit file and leave; `resume` goes on here.
    Leave,
    /// The face is still there (each second).
    Alive,
    /// Something about a face that everybody at the visit should know: what happened, why, what to do.
    Notice(String),
}

/// Tells the faces of a visit apart, so that the conductor knows which one is in charge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(transparent)]
pub struct FaceId(pub u32);

impl FaceId {
    /// One of several hands behind one face, such as one phone of the handset; hands are counted from 0.
    pub fn hand(self, hand: u16) -> Self {
        Self(self.0 | (u32::from(hand) + 1) << 16)
    }
}

/// What a face is given by the conductor.
///
/// Whoever fills `views` must not block on it: a face that sends an action may wait until there is room in `actions`.
/// Every action other than [`Action::Alive`] must be followed by a view, even if nothing has changed.
#[derive(Debug)]
pub struct Wires {
    /// Pictures of the visit; the newest counts, older ones may be left out.
    pub views: Receiver<Arc<View>>,
    /// Where actions go, with the name of the face.
    pub actions: Sender<(FaceId, Action)>,
    /// Which face this is.
    pub face: FaceId,
}

/// Where in the visit we are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Chapter {
    /// Room and kit.
    Setup,
    /// Cautions and the checklist.
    Before,
    /// Comfort level and strain check.
    Level,
    /// Spots and notes.
    Crawl,
    /// Who leads, and moving the subwoofer.
    Verdict,
    /// Main speakers and subwoofer become one.
    Blend,
    /// Nothing more to do.
    Done,
}

/// The picture of the visit at one moment.
#[derive(Debug, Clone, Serialize)]
pub struct View {
    /// The visit's name.
    pub visit: String,
    /// Where its file is.
    pub file: PathBuf,
    /// Where in the visit we are.
    pub chapter: Chapter,
    /// What is asked now. `None` while the judge thinks or an answer is being written.
    pub question: Option<Arc<Question>>,
    /// Fading or silent because somebody stopped: why. Continue goes on.
    pub paused: Option<String>,
    /// What can be heard now.
    pub sound: Sound,
    /// How far it is.
    pub progress: Progress,
    /// The note set in use, Hz.
    pub notes_hz: Arc<[f64]>,
    /// The nearest musical note of each ('E1'), in the same order.
    pub note_names: Arc<[String]>,
    /// The room, its spots and seats.
    pub room: Arc<Room>,
    /// Who leads; only from the verdict on, so that no rating is swayed.
    pub ranking: Option<Arc<Ranking>>,
    /// The last answer that is safe on disk, in words; nothing once it was taken back, or a question was left without
    /// one.
    pub taken: Option<String>,
    /// Which asking that answer answered, so that a face can tell two equal answers apart.
    pub taken_question: Option<QuestionId>,
    /// What went wrong or needs saying, newest last: what happened, why, what to do.
    pub notices: Vec<String>,
    /// Notices of this session that made room for newer ones, newest last.
    pub older_notices: Vec<String>,
    /// What the last refused action was refused for; goes with the next accepted one.
    pub refusal: Option<String>,
    /// How many actions were refused so far, so that the same refusal twice is seen twice.
    pub refusals: u64,
    /// Whoever moved the visit on last and is still there: what the others may not do hangs on it.
    pub in_charge: Option<FaceId>,
    /// Which actions lead somewhere now.
    pub offers: Offers,
    /// What can be heard at an open question of the blend, in full: for faces that hear by computing. Others do not
    /// show it.
    pub scene: Option<Arc<Scene>>,
    /// The set-up sheet, once it is written.
    pub sheet: Option<PathBuf>,
    /// The program is about to end.
    pub closing: bool,
}

/// What can be heard now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sound {
    /// Name of the output device; `None` when rendering without one.
    pub device: Option<String>,
    /// Whether the device is there.
    pub connected: bool,
    /// A tone is sounding.
    pub sounding: bool,
    /// Its level.
    pub level: Option<Dbfs>,
    /// What it is, in words; empty in silence.
    pub label: String,
    /// No sample passes this.
    pub ceiling: Dbfs,
    /// The agreed level of the reference tone.
    pub comfort: Option<Dbfs>,
}

/// How far the visit is.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Progress {
    /// Which note of this stay is up, counted from 1; 0 outside a stay.
    pub note_here: usize,
    /// Notes in this stay.
    pub notes_here: usize,
    /// Spots with at least one answer.
    pub spots_heard: usize,
    /// Spots that can be visited.
    pub spots: usize,
    /// Which stay this is, counted from 1.
    pub stay: usize,
    /// Seconds spent listening since the first spot.
    pub seconds_spent: f64,
    /// Seconds left, if there is a limit.
    pub seconds_left: Option<f64>,
}

/// Which actions lead somewhere now (stop, quieter and leave always do).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Offers {
    /// See [`Action::Again`].
    pub again: bool,
    /// See [`Action::Back`].
    pub back: bool,
    /// See [`Action::Skip`].
    pub skip: bool,
    /// See [`Action::Undo`].
    pub undo: bool,
    /// See [`Action::Louder`].
    pub louder: bool,
    /// See [`Action::Nudge`].
    pub nudge: bool,
    /// The other way in which this note can be answered, see [`Action::AnswerBy`].
    pub answer_by: Option<AnswerBy>,
    /// See [`Action::Decide`].
    pub decide: bool,
}

impl Chapter {
    /// The chapter that a stage belongs to.
    pub fn of(stage: &Stage) -> Self {
        match stage {
            Stage::Setup(_) => Self::Setup,
            Stage::Safety | Stage::Checklist(_) | Stage::LowPassFrequency | Stage::Placing => Self::Before,
            Stage::Comfort { .. } | Stage::Strain(_) => Self::Level,
            Stage::Anchors | Stage::Consult | Stage::Move | Stage::Notes => Self::Crawl,
            Stage::Verdict | Stage::ShootOut(_) | Stage::Moving | Stage::SeatScale => Self::Verdict,
            Stage::Blend => Self::Blend,
            Stage::Done => Self::Done,
        }
    }
}

impl Progress {
    /// How far a state is.
    pub fn of(state: &State) -> Self {
        let pass = state.passes().last().filter(|_| matches!(state.stage(), Stage::Move | Stage::Notes));
        let heard = |spot: usize| {
            let of_seat = |pass: &&Pass| pass.spot == spot && pass.seat == state.seat_now();
            state.passes().iter().filter(of_seat).any(|pass| pass.answers.iter().any(Option::is_some))
        };
        Self {
            note_here: pass.map_or(0, |pass| pass.at + 1),
            notes_here: pass.map_or(0, |pass| pass.notes.len()),
            spots_heard: (0..state.room().spots.len()).filter(|&spot| heard(spot)).count(),
            spots: state.room().spots.len(),
            stay: pass.map_or(0, |pass| pass.stay + 1),
            seconds_spent: state.seconds_spent(),
            seconds_left: state.seconds_left(),
        }
    }
}

impl Offers {
    /// What leads somewhere in a state.
    pub fn of(state: &State) -> Self {
        let running = state.paused().is_none();
        let notes = matches!(state.stage(), Stage::Notes);
        let moving = matches!(state.stage(), Stage::Move);
        Self {
            again: running && state.cue().is_some(),
            back: running && notes && state.may_go_back(),
            skip: running && (notes || moving || matches!(state.stage(), Stage::ShootOut(_))),
            undo: state.can_undo(),
            louder: running && state.may_be_louder(),
            nudge: running && state.may_be_nudged(),
            answer_by: state.other_way().filter(|_| running),
            decide: running && (notes || moving) && state.passes().len() > 1,
        }
    }
}
