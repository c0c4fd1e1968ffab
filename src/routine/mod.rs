//! The visit as a pure function: state and event in, state and effects out. No clock, no file, no sound here.
//!
//! Each part of the visit has its own file with its questions, its cues and what its answers lead to: `setup` and
//! `fittings` (room and kit), `before` (cautions and checklist), `loudness` (comfort, strain, anchors), `crawl` (spots,
//! notes, verdict), `seats` (several of them), `matching` (notes answered in decibels) and `shoot_out` (the leaders
//! with the subwoofer moved). What they share: `heard_notes` (which notes there are), `answering` (what every answer
//! has to pass) and `undo`.

mod answering;
mod before;
pub mod blend;
pub mod brief;
mod crawl;
pub mod effect;
pub mod event;
mod fittings;
mod heard_notes;
pub mod in_advance;
mod inquiry;
pub mod levels;
mod loudness;
pub mod matching;
mod pace;
pub mod question;
mod refusal;
mod seats;
mod setup;
pub mod shoot_out;
pub mod stage;
#[cfg(test)]
mod tests;
mod undo;

use std::sync::Arc;

pub use blend::{Blend, BlendBrief};
pub use brief::{AnswerBy, Brief, Kit};
pub use effect::{Cue, Effect, Part};
pub use event::{Event, Stamped};
pub use inquiry::Consultation;
use levels::{LevelPlan, START};
use matching::Matching;
use pace::PaceKeeper;
use question::{Question, QuestionId};
pub use refusal::Refusal;
use shoot_out::ShootOut;
pub use stage::{Advised, Checked, Pass, PassKind, Stage};

use crate::presets::NoteSet;
use crate::room::Room;
use crate::units::GainDb;

/// The one spot of a visit in which no place is sought and nobody named it.
pub const NO_SPOT: &str = "where the subwoofer stands";

/// Everything a visit knows. Built from the brief by [`State::new`], changed by [`State::step`] alone.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    brief: Arc<Brief>,
    log: Vec<Stamped>,
    serial: u64,
    now_s: f64,
    asked_at_s: f64,
    listening_from_s: Option<f64>,
    pub(crate) stage: Stage,
    after_comfort: Option<Box<Stage>>,
    paused: Option<String>,
    room: Arc<Room>,
    kit: Kit,
    note_set: Arc<NoteSet>,
    notes_hz: Arc<[f64]>,
    note_names: Arc<[String]>,
    plan: LevelPlan,
    comfort: Option<crate::units::Dbfs>,
    trim: GainDb,
    to_strain: Vec<usize>,
    checked: Vec<Checked>,
    passes: Vec<Pass>,
    closed: Vec<bool>,
    at_spot: Option<usize>,
    /// Which of the seats is heard for, where the subwoofer stands on it; counts [`State::seats`].
    seat_at: usize,
    /// Listening time when that began.
    seat_from_s: f64,
    /// Seats that are still to be sat on in this stay.
    seats_left: Vec<usize>,
    answer_by: AnswerBy,
    matching: Option<Matching>,
    unmatched: Option<(usize, usize)>,
    shoot_out: Option<ShootOut>,
    advised: Option<Advised>,
    deciding: bool,
    sounded_even: Option<bool>,
    blend: Option<Box<Blend>>,
    pace: PaceKeeper,
}

impl State {
    /// A visit at its beginning.
    pub fn new(brief: Arc<Brief>) -> Self {
        let placed = brief.is_placed();
        // Where the subwoofer stands already, that is the only spot there is.
        let spots: &[&str] = if placed { &[NO_SPOT] } else { &[] };
        let unmeasured = || Room::unmeasured(&brief.name, &["main seat"], spots);
        let room = Arc::new(brief.room.clone().unwrap_or_else(unmeasured));
        let mut state = Self {
            log: Vec::new(),
            serial: 0,
            now_s: 0.0,
            asked_at_s: 0.0,
            listening_from_s: None,
            stage: Stage::Safety,
            after_comfort: None,
            paused: None,
            closed: vec![false; room.spots.len()],
            kit: brief.kit.clone(),
            note_set: Arc::new(brief.note_set.clone()),
            notes_hz: Arc::from([]),
            note_names: Arc::from([]),
            plan: LevelPlan::new(&[], &[], 50.0, brief.loudness_phon, false),
            comfort: None,
            trim: GainDb::ZERO,
            to_strain: Vec::new(),
            checked: Vec::new(),
            passes: Vec::new(),
            at_spot: None,
            seat_at: 0,
            seat_from_s: 0.0,
            seats_left: Vec::new(),
            answer_by: brief.kit.answer_by,
            matching: None,
            unmatched: None,
            shoot_out: None,
            advised: None,
            deciding: false,
            sounded_even: None,
            blend: brief.blend.as_ref().map(|blend| Box::new(Blend::new(blend, &brief.name))),
            pace: PaceKeeper::new(brief.kit.too_heavy == Some(true)),
            room,
            brief,
        };
        if state.choose_notes().is_err() {
            // A kit that leaves too few notes is asked about again, with the whole set to start from.
            state.kit.rated_low_hz = None;
            state.kit.low_pass_hz = None;
            // The whole set has been checked when it was read.
            let _ = state.choose_notes();
        }
        state.stage = state.first_stage();
        state
    }

    /// Replays events that were taken before.
    ///
    /// # Errors
    /// The position of the first event that does not fit, and why.
    pub fn replay(brief: Arc<Brief>, events: impl IntoIterator<Item = Stamped>) -> Result<Self, (usize, Refusal)> {
        let mut state = Self::new(brief);
        for (at, event) in events.into_iter().enumerate() {
            state = state.step(&event).map_err(|refusal| (at, refusal))?.0;
        }
        Ok(state)
    }

    /// What follows from an event: the new state, and what has to be done.
    ///
    /// # Errors
    /// Why the event is not taken; the caller's state stands.
    pub fn step(mut self, stamped: &Stamped) -> Result<(Self, Vec<Effect>), Refusal> {
        let took_s = stamped.at_s - self.asked_at_s;
        self.now_s = self.now_s.max(stamped.at_s);
        let mut asks_anew = true;
        let mut effects = None;
        match &stamped.event {
            Event::Answered { question, answer, rattles, parts_begun } => {
                self.answer(*question, answer, *rattles, *parts_begun)?;
                self.pace.observe(answer, took_s);
            }
            Event::Again => {
                asks_anew = false;
                self.unless_paused()?;
                if self.cue().is_none() {
                    return Err(Refusal::Because("There is nothing to play again here.".into()));
                }
            }
            Event::Back => self.unless_paused().and_then(|()| self.back())?,
            Event::Skip => self.unless_paused().and_then(|()| self.skip())?,
            Event::Decide => self.unless_paused().and_then(|()| self.decide())?,
            Event::Undo => return self.undo(),
            Event::Paused { why } => self.paused = Some(why.clone()),
            Event::Continued => self.paused = None,
            Event::Louder => {
                self.unless_paused()?;
                asks_anew = false;
                effects = Some(self.louder(self.now_s)?.map(|_| self.gliding()).unwrap_or_default());
            }
            Event::Quieter => {
                asks_anew = false;
                effects = Some(self.quieter().map(|_| self.gliding()).unwrap_or_default());
            }
            Event::Nudged { up } => {
                self.unless_paused()?;
                self.nudge(*up)?;
                asks_anew = false;
                effects = Some(self.cue().map(Effect::Nudge).into_iter().collect());
            }
            Event::AnswerBy { way } => self.unless_paused().and_then(|()| self.change_way(*way))?,
            Event::Advised { advice, leader, expected_regret_db, probability_best, finalists } => {
                self.take_advice(Advised {
                    advice: advice.clone(),
                    leader: *leader,
                    expected_regret_db: *expected_regret_db,
                    probability_best: *probability_best,
                    finalists: finalists.clone(),
                })?;
            }
            Event::Tuned { passes, next } => self.take_thought(*passes, next)?,
            Event::Opened { channels, .. } => {
                if let Some(blend) = &mut self.blend {
                    blend.opened_with(*channels);
                }
                self.start_low();
            }
            Event::DeviceBack => self.start_low(),
            Event::DeviceLost { .. } => asks_anew = false,
            Event::Sounded { .. } | Event::Guarded { .. } => {
                asks_anew = false;
                effects = Some(Vec::new());
            }
        }
        self.settle_matching();
        if self.listening_from_s.is_none() && matches!(self.stage, Stage::Anchors | Stage::Consult) {
            self.listening_from_s = Some(self.now_s);
        }
        self.log.push(stamped.clone());
        if asks_anew {
            self.serial += 1;
            self.asked_at_s = self.now_s;
        }
        let effects = effects.unwrap_or_else(|| self.entering());
        Ok((self, effects))
    }

    fn unless_paused(&self) -> Result<(), Refusal> {
        if self.paused.is_some() { Err(Refusal::Paused) } else { Ok(()) }
    }

    /// The reference tone glides; its ceiling goes with it.
    fn gliding(&self) -> Vec<Effect> {
        vec![Effect::Ceiling(self.ceiling()), Effect::Glide(self.reference_level())]
    }

    /// A new start of the program or the device: whatever was agreed, the level starts low again.
    fn start_low(&mut self) {
        self.paused = None;
        if self.comfort.is_none() || matches!(self.stage, Stage::Comfort { .. } | Stage::Done) {
            if let Stage::Comfort { level, .. } = &mut self.stage {
                *level = START;
            }
            return;
        }
        self.after_comfort = Some(Box::new(self.stage.clone()));
        self.stage = Stage::Comfort { level: START, raised_at_s: None };
    }

    fn question_id(&self) -> QuestionId {
        QuestionId(self.serial)
    }

    /// The open question; `None` while the judge is asked and at the end.
    pub fn question(&self) -> Option<Question> {
        let (text, why, ask) = match self.stage {
            Stage::Setup(step) => Some(self.setup_question(step)),
            Stage::Safety | Stage::Checklist(_) | Stage::LowPassFrequency | Stage::Placing => self.before_question(),
            Stage::Comfort { .. } | Stage::Strain(_) | Stage::Anchors => self.loudness_question(),
            Stage::Blend => self.blend_question(),
            _ => self.crawl_question(),
        }?;
        Some(Question { id: self.question_id(), text, why, ask })
    }

    /// What has to sound for the open question.
    pub fn cue(&self) -> Option<Cue> {
        self.loudness_cue().or_else(|| self.blend_cue()).or_else(|| self.crawl_cue())
    }

    fn too_heavy(&self) -> bool {
        self.kit.too_heavy == Some(true)
    }
}
