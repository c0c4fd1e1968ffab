//! Matching: the note is nudged until it is as loud as the reference, once from either side.
//!
//! Reference and notes sound lower than elsewhere, so that a weak note can be raised and still stays at or below the
//! level at which it may be played at all. How far a note was moved from equal loudness is the evidence, in dB.

use crate::acoustics::equal_loudness::{level_for_phon, phon_for_level};
use crate::evidence::Heard;
use crate::random::Random;
use crate::routine::brief::AnswerBy;
use crate::routine::effect::{Cue, Part};
use crate::routine::levels::equal_loudness_gain;
use crate::routine::loudness::SHORTEST_PRESS_S;
use crate::routine::question::{Ask, MatchAtSpot};
use crate::routine::stage::{Outcome, PassKind, Stage};
use crate::routine::{Refusal, State};
use crate::units::GainDb;

/// Reference and notes sound this much lower in a match: room to raise a note that is weak at a spot.
pub const MATCH_DROP: GainDb = GainDb::new(9.0);
/// A note is lowered by no more than this.
const LOWEST_OFFSET_DB: f64 = -24.0;
/// At least this much can be tried below the highest offset, whatever else holds.
const LEAST_RANGE_DB: f64 = 6.0;
/// A match begins between these distances from where it is expected, dB.
const START_DB: (f64, f64) = (4.0, 8.0);
/// One nudge, until the direction changes for the first time, and from then on.
const COARSE_DB: f64 = 1.0;
const FINE_DB: f64 = 0.5;
/// How often reference and note alternate before it is silent and waits.
const ROUNDS: usize = 10;
const REFERENCE_S: f64 = 0.8;
const NOTE_S: f64 = 1.1;
const GAP_S: f64 = 0.15;
/// Sets the random starts apart from all other draws.
const STARTS: u64 = 0x6d_61_74_63_68;

/// A match that is under way.
#[derive(Debug, Clone, PartialEq)]
pub struct Matching {
    /// Which note it is for: position of the pass, and of the note in it.
    at: (usize, usize),
    /// How far the note is moved from equal loudness now, dB.
    offset_db: f64,
    started_db: f64,
    last_up: Option<bool>,
    turned: bool,
    raised_at_s: Option<f64>,
    /// What the first run found, dB.
    first_db: Option<f64>,
    /// How far from the expected place the runs begin, dB.
    start_db: f64,
}

impl Matching {
    fn run_from(&mut self, offset_db: f64) {
        (self.offset_db, self.started_db) = (offset_db, offset_db);
        (self.last_up, self.turned) = (None, false);
    }

    fn step_db(&self) -> f64 {
        if self.turned { FINE_DB } else { COARSE_DB }
    }
}

impl State {
    /// The note that is to be answered, if by a match: position of its pass, and in it.
    fn to_match(&self) -> Option<(usize, usize)> {
        let pass = self.passes.last().filter(|_| self.stage == Stage::Notes)?;
        pass.note()?;
        let at = (self.passes.len() - 1, pass.at);
        (pass.kind == PassKind::Ratings && self.answer_by == AnswerBy::Match && self.unmatched != Some(at))
            .then_some(at)
    }

    /// Begins or forgets a match as the open note asks for.
    pub(super) fn settle_matching(&mut self) {
        // A new start of the sound interrupts a match; it goes on where it was.
        if matches!(self.stage, Stage::Comfort { .. }) {
            return;
        }
        let wanted = self.to_match();
        if self.matching.as_ref().map(|matching| matching.at) != wanted {
            self.matching = wanted.map(|at| self.first_run(at));
        }
    }

    fn first_run(&self, at: (usize, usize)) -> Matching {
        let mut random = Random::new(self.brief.seed, STARTS ^ ((at.0 as u64) << 32 | (at.1 as u64) << 24));
        let above = random.uniform() < 0.5;
        let distance_db =
            START_DB.0 + FINE_DB * random.below(((START_DB.1 - START_DB.0) / FINE_DB) as usize + 1) as f64;
        let start_db = if above { distance_db } else { -distance_db };
        let mut matching = Matching {
            at,
            offset_db: 0.0,
            started_db: 0.0,
            last_up: None,
            turned: false,
            raised_at_s: None,
            first_db: None,
            start_db,
        };
        let (lowest_db, highest_db) = self.passes[at.0].notes.get(at.1).map_or((0.0, 0.0), |&note| self.range_db(note));
        matching.run_from(start_db.clamp(lowest_db, highest_db));
        matching
    }

    /// The level at which a note is as loud as the lowered reference, over that reference; before the fall below 25 Hz.
    fn equal_gain_db(&self, note: usize) -> f64 {
        let (phon, reference_hz) = (self.brief.loudness_phon, self.note_set.reference_hz);
        let lowered = level_for_phon(reference_hz, phon).and_then(|level| {
            let lowered_phon = phon_for_level(reference_hz, level - MATCH_DROP)?;
            // Where the standard does not reach so low, the difference at the visit's own loudness has to do.
            level_for_phon(reference_hz, lowered_phon).map(|_| lowered_phon)
        });
        let gain = equal_loudness_gain(self.notes_hz[note], reference_hz, lowered.unwrap_or(phon));
        let level = self.plan.notes()[note];
        // What the fall below 25 Hz takes (zero or negative) is made up for, as far as the note may be raised.
        let fall = level.wanted - level.played - level.shortfall;
        (gain - fall).db()
    }

    /// How far a note may be moved from equal loudness, dB. Its level never passes the one at which it is played
    /// elsewhere.
    fn range_db(&self, note: usize) -> (f64, f64) {
        let highest_db = (MATCH_DROP + self.plan.notes()[note].played).db() - self.equal_gain_db(note);
        (LOWEST_OFFSET_DB.min(highest_db - LEAST_RANGE_DB), highest_db)
    }

    pub(super) fn match_cue(&self, note: usize, matching: &Matching) -> Cue {
        let reference = self.reference_level() - MATCH_DROP;
        let level = reference + GainDb::new(self.equal_gain_db(note) + matching.offset_db);
        let pair = [
            Part {
                recipe: self.reference_recipe(),
                level: reference,
                seconds: Some(REFERENCE_S),
                gap_s: GAP_S,
                note: None,
                label: "the reference".into(),
                routes: Vec::new(),
                climbs_from: None,
            },
            Part {
                recipe: self.note_recipe(note),
                // Rounding must not pass the limit.
                level: level.min(self.note_level(note)),
                seconds: Some(NOTE_S),
                gap_s: 2.0 * GAP_S,
                note: Some(note),
                label: self.note_name(note).into(),
                routes: Vec::new(),
                climbs_from: None,
            },
        ];
        Cue { parts: std::iter::repeat_n(pair, ROUNDS).flatten().collect(), question_at: 1 }
    }

    pub(super) fn match_question(&self, note: usize, matching: &Matching) -> Option<(String, String, Ask)> {
        let spot = self.passes.get(matching.at.0)?.spot;
        let mut about = self.note_at_spot(spot, note)?;
        // The match is counted from equal loudness itself.
        about.shortfall_db = 0.0;
        let (lowest_offset_db, highest_offset_db) = self.range_db(note);
        let run = if matching.first_db.is_none() { 1 } else { 2 };
        let text = match run {
            1 => format!(
                "Nudge {}, {:.0} Hz, until it is as loud as the reference.",
                about.note_name, about.frequency_hz
            ),
            _ => "Once more, from the other side.".to_owned(),
        };
        let why = if matching.offset_db >= highest_offset_db - 1e-9 {
            "This is as loud as this note may get. If it is still the softer one, say no: it is rated in words instead."
        } else {
            "The reference sounds first, then the note, in turns. Both are softer than before, so that the note can be \
             raised."
        };
        let ask = Ask::Match(MatchAtSpot {
            note: about,
            run,
            offset_db: matching.offset_db,
            step_db: matching.step_db(),
            lowest_offset_db,
            highest_offset_db,
            reference_hz: self.note_set.reference_hz,
            reference_half_width_octaves: self.note_set.reference_half_width_octaves(),
        });
        Some((text, why.into(), ask))
    }

    /// One nudge up or down.
    pub(super) fn nudge(&mut self, up: bool) -> Outcome {
        let nothing = || Refusal::Because("There is nothing to nudge here.".into());
        let note = self.passes.last().and_then(|pass| pass.note()).ok_or_else(nothing)?;
        let (lowest_db, highest_db) = self.range_db(note);
        let now_s = self.now_s;
        let matching = self.matching.as_mut().filter(|_| self.stage == Stage::Notes).ok_or_else(nothing)?;
        if up && matching.raised_at_s.is_some_and(|then_s| now_s - then_s < SHORTEST_PRESS_S - 1e-9) {
            return Err(Refusal::TooFast);
        }
        if up && matching.offset_db >= highest_db - 1e-9 {
            return Err(Refusal::Because(
                "This is as loud as this note may get. If it is still softer than the reference, say no: it is rated \
                 instead."
                    .into(),
            ));
        }
        if !up && matching.offset_db <= lowest_db + 1e-9 {
            return Err(Refusal::Because(
                "It gets no softer than this. If it is still louder than the reference, say no: it is rated instead."
                    .into(),
            ));
        }
        matching.turned |= matching.last_up.is_some_and(|last| last != up);
        matching.last_up = Some(up);
        let step_db = if up { matching.step_db() } else { -matching.step_db() };
        matching.offset_db = (matching.offset_db + step_db).clamp(lowest_db, highest_db);
        if up {
            matching.raised_at_s = Some(now_s);
        }
        Ok(())
    }

    /// As loud as the reference: the second run begins on the other side, or the mean of both is what was heard.
    pub(super) fn matched(&mut self, rattles: bool) -> Outcome {
        let note = self.passes.last().and_then(|pass| pass.note()).ok_or(Refusal::WrongKind)?;
        let (lowest_db, highest_db) = self.range_db(note);
        let matching = self.matching.as_mut().ok_or(Refusal::WrongKind)?;
        let found_db = matching.offset_db;
        match matching.first_db {
            None => {
                let distance_db = matching.start_db.abs();
                let came_down = match found_db - matching.started_db {
                    moved_db if moved_db.abs() < 1e-9 => matching.start_db > 0.0,
                    moved_db => moved_db < 0.0,
                };
                let from_db = if came_down { found_db - distance_db } else { found_db + distance_db };
                matching.first_db = Some(found_db);
                matching.run_from(from_db.clamp(lowest_db, highest_db));
                Ok(())
            }
            Some(first_db) => self.hear(Heard::Match { offset_db: -0.5 * (first_db + found_db) }, rattles),
        }
    }

    /// It cannot be matched: this note is rated.
    pub(super) fn not_matched(&mut self) -> Outcome {
        self.unmatched = Some(self.matching.as_ref().ok_or(Refusal::WrongKind)?.at);
        Ok(())
    }

    /// Answers from here on in another way.
    pub(super) fn change_way(&mut self, way: AnswerBy) -> Outcome {
        if self.other_way() != Some(way) {
            return Err(Refusal::Because(match way {
                AnswerBy::Match => "There is no note here that could be matched instead of rated.".into(),
                AnswerBy::Rating => "There is no match here that a rating could take the place of.".into(),
            }));
        }
        self.answer_by = way;
        self.unmatched = None;
        Ok(())
    }

    /// The other way in which the open note can be answered, if it can.
    pub fn other_way(&self) -> Option<AnswerBy> {
        let by_ear = |pass: &crate::routine::Pass| pass.kind == PassKind::Ratings && pass.note().is_some();
        let open = self.stage == Stage::Notes && self.passes.last().is_some_and(by_ear);
        open.then_some(match (self.answer_by, self.matching.is_some()) {
            (AnswerBy::Match, true) => AnswerBy::Rating,
            _ => AnswerBy::Match,
        })
    }

    /// Whether the open note can be nudged.
    pub fn may_be_nudged(&self) -> bool {
        self.stage == Stage::Notes && self.matching.is_some()
    }

    pub(super) fn in_second_run(&self) -> bool {
        self.matching.as_ref().is_some_and(|matching| matching.first_db.is_some())
    }

    /// Goes back to the first run of the match that is under way, if its second one is.
    pub(super) fn back_in_match(&mut self) -> bool {
        let second = self.in_second_run();
        if second {
            self.matching = None;
        }
        second
    }
}
