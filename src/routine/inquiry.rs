//! What may be asked of a state: the figures that views, the judge and reports are made of.

use std::sync::Arc;

use crate::evidence::Evidence;
use crate::judge::{Case, Judge, Pace, Ranking, ShootOut};
use crate::presets::NoteSet;
use crate::random::Random;
use crate::room::Room;
use crate::routine::brief::AnswerBy;
use crate::routine::levels::LevelPlan;
use crate::routine::stage::{Advised, Checked, Pass, Stage};
use crate::routine::{Brief, Kit, State};
use crate::units::{Dbfs, GainDb};

/// Sets the stream of random numbers that orders the walk apart from all others.
const WALK: u64 = 0x77_61_6c_6b;

/// What the judge is given, on its own so that it can think on another thread.
#[derive(Debug, Clone)]
pub struct Consultation {
    room: Arc<Room>,
    notes_hz: Arc<[f64]>,
    half_width_octaves: f64,
    seat_weights: Vec<f64>,
    evidence: Vec<Evidence>,
    pace: Pace,
    matching: bool,
    seconds_left: Option<f64>,
    meter: bool,
    at_spot: Option<usize>,
    walk: Vec<usize>,
    outcomes: Vec<ShootOut>,
    seat: Option<usize>,
    seed: u64,
}

impl Consultation {
    /// The room that it is about.
    pub fn room(&self) -> &Arc<Room> {
        &self.room
    }

    /// The notes that it is about.
    pub fn notes_hz(&self) -> &Arc<[f64]> {
        &self.notes_hz
    }

    /// What a judge says who knows this kind of room and these notes already.
    pub fn ranked_by(&self, judge: &Judge) -> Ranking {
        judge.rank_at(&self.case(), &self.outcomes, self.seat)
    }

    /// What a new judge says.
    pub fn ranked(&self) -> Ranking {
        self.ranked_by(&Judge::new(&self.case()))
    }

    /// The same, as the judge reads it.
    pub fn case(&self) -> Case<'_> {
        Case {
            room: &self.room,
            notes_hz: &self.notes_hz,
            half_width_octaves: self.half_width_octaves,
            seat_weights: &self.seat_weights,
            evidence: &self.evidence,
            pace: self.pace,
            matching: self.matching,
            seconds_left: self.seconds_left,
            meter: self.meter,
            at_spot: self.at_spot,
            walk: &self.walk,
            seed: self.seed,
        }
    }
}

impl State {
    /// What the judge is asked now.
    pub fn consultation(&self) -> Consultation {
        Consultation {
            room: self.room.clone(),
            notes_hz: self.notes_hz.clone(),
            half_width_octaves: self.note_set.half_width_octaves(),
            seat_weights: self.seat_weights(),
            seat: self.seat_heard_for(),
            evidence: self.evidence(),
            pace: self.stay_pace(self.pace.pace(self.answer_by)),
            matching: self.answer_by == AnswerBy::Match,
            seconds_left: self.seat_seconds_left(),
            meter: self.kit.meter == Some(true),
            at_spot: self.at_spot,
            walk: self.walk(),
            outcomes: self.outcomes(),
            seed: self.brief.seed,
        }
    }

    /// What the judge is asked about one seat alone.
    pub fn consultation_for(&self, seat: usize) -> Consultation {
        let seat_weights = (0..self.room.seats.len()).map(|other| f64::from(u8::from(other == seat))).collect();
        Consultation { seat_weights, ..self.consultation() }
    }

    /// The spots that may be visited, in the order of a walk: from a random one always on to the nearest, or, where
    /// nothing was measured, in random order, so that no spot profits from being heard early.
    fn walk(&self) -> Vec<usize> {
        let mut left: Vec<usize> = (0..self.room.spots.len()).filter(|&spot| !self.closed[spot]).collect();
        Random::new(self.brief.seed, WALK).shuffle(&mut left);
        let mut walk: Vec<usize> = left.pop().into_iter().collect();
        while !left.is_empty() {
            let from = walk.last().and_then(|&spot| self.room.spots[spot].at_m);
            let distance_m = |spot: &usize| match (from, self.room.spots[*spot].at_m) {
                (Some(from), Some(to)) => (from[0] - to[0]).hypot(from[1] - to[1]),
                _ => 0.0,
            };
            let nearest = (0..left.len()).min_by(|&a, &b| distance_m(&left[a]).total_cmp(&distance_m(&left[b])));
            walk.push(left.remove(nearest.unwrap_or(0)));
        }
        walk
    }

    /// Spots that the person said are out of reach, positions in the room's list.
    pub fn out_of_reach(&self) -> Vec<usize> {
        (0..self.closed.len()).filter(|&spot| self.closed[spot]).collect()
    }

    /// What the visit started from.
    pub fn brief(&self) -> &Brief {
        &self.brief
    }

    /// The room as far as it is known.
    pub fn room(&self) -> &Arc<Room> {
        &self.room
    }

    /// The equipment as far as it is known.
    pub fn kit(&self) -> &Kit {
        &self.kit
    }

    /// The note set in use.
    pub fn note_set(&self) -> &NoteSet {
        &self.note_set
    }

    /// Its notes, ascending.
    pub fn notes_hz(&self) -> &Arc<[f64]> {
        &self.notes_hz
    }

    /// The nearest musical note of each ('E1').
    pub fn note_names(&self) -> &Arc<[String]> {
        &self.note_names
    }

    /// The nearest musical note of one of them.
    pub fn note_name(&self, note: usize) -> &str {
        &self.note_names[note]
    }

    /// How loud each note is relative to the reference.
    pub fn plan(&self) -> &LevelPlan {
        &self.plan
    }

    /// Where in the visit we are.
    pub fn stage(&self) -> &Stage {
        &self.stage
    }

    /// Why the visit is paused, if it is.
    pub fn paused(&self) -> Option<&str> {
        self.paused.as_deref()
    }

    /// The agreed level of the reference tone.
    pub fn comfort(&self) -> Option<Dbfs> {
        self.comfort
    }

    /// The checklist with what was answered.
    pub fn checked(&self) -> &[Checked] {
        &self.checked
    }

    /// All passes so far.
    pub fn passes(&self) -> &[Pass] {
        &self.passes
    }

    /// What the judge said last.
    pub fn advised(&self) -> Option<&Advised> {
        self.advised.as_ref()
    }

    /// Whether the scale sounded even from the seat at the end.
    pub fn sounded_even(&self) -> Option<bool> {
        self.sounded_even
    }

    /// Whether an answer can be taken back.
    pub fn can_undo(&self) -> bool {
        self.log.iter().any(|stamped| matches!(stamped.event, crate::routine::Event::Answered { .. }))
    }

    /// Whether louder leads somewhere: while the comfort level is sought, and back up to it afterwards.
    pub fn may_be_louder(&self) -> bool {
        matches!(self.stage, Stage::Comfort { .. }) || self.comfort.is_some() && self.trim < GainDb::ZERO
    }

    /// The visit's own time.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// Seconds of listening: since the scale was first demonstrated.
    pub fn seconds_spent(&self) -> f64 {
        self.listening_from_s.map_or(0.0, |from_s| self.now_s - from_s)
    }

    /// Seconds of listening that are left, if there is a limit.
    pub fn seconds_left(&self) -> Option<f64> {
        self.brief.minutes.map(|minutes| (minutes * 60.0 - self.seconds_spent()).max(0.0))
    }
}
