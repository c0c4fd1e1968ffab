//! The routine's promises, under events in any order.

mod fittings;
mod matching;
mod seats;
mod shoot_out;

use std::sync::Arc;

use proptest::prelude::*;

use crate::evidence::Rating;
use crate::judge::Advice;
use crate::presets;
use crate::room::Room;
use crate::routine::levels::{
    GREATEST_BOOST, HIGHEST_CEILING, HIGHEST_COMFORT, LevelPlan, START, ceiling_for, equal_loudness_gain,
};
use crate::routine::question::{Answer, Ask, QuestionId};
use crate::routine::{AnswerBy, Brief, Effect, Event, Kit, Refusal, Stage, Stamped, State};
use crate::units::{Dbfs, GainDb};

pub(super) fn brief() -> Brief {
    Brief {
        name: "loft".into(),
        seed: 3,
        minutes: Some(20.0),
        room: Some(Room::unmeasured("loft", &["armchair"], &["gable", "stairs", "shelf"])),
        seat: 0,
        kit: Kit { rated_low_hz: Some(20.0), too_heavy: Some(false), meter: Some(false), ..Kit::default() },
        note_set: presets::note_set("walk-16", None).unwrap(),
        loudness_phon: 50.0,
        rehearsal: false,
        asks_more: false,
        blend: None,
    }
}

/// Drives a state by what a person does.
pub(super) struct Visit {
    pub state: State,
    pub now_s: f64,
}

impl Visit {
    pub(super) fn new() -> Self {
        Self::of(brief())
    }

    pub(super) fn of(brief: Brief) -> Self {
        Self { state: State::new(Arc::new(brief)), now_s: 0.0 }
    }

    pub(super) fn event(&mut self, event: Event) -> Result<Vec<Effect>, Refusal> {
        self.now_s += 0.2;
        let (state, effects) = self.state.clone().step(&Stamped { at_s: self.now_s, event })?;
        self.state = state;
        Ok(effects)
    }

    pub(super) fn answer(&mut self, answer: Answer) -> Result<Vec<Effect>, Refusal> {
        let question = self.state.question().map_or(QuestionId(u64::MAX), |question| question.id);
        self.event(Event::Answered { question, answer, rattles: false, parts_begun: 99 })
    }

    /// Yes to everything up to a stage.
    pub(super) fn until(&mut self, there: impl Fn(&Stage) -> bool) {
        for _ in 0..100 {
            if there(self.state.stage()) {
                return;
            }
            match self.state.stage() {
                Stage::Consult => self.event(advised(1)).map(drop),
                Stage::Notes => self.answer(Answer::Rating(Rating::ALL[4])).map(drop),
                _ => self.answer(Answer::Yes).map(drop),
            }
            .unwrap();
        }
        panic!("the visit never got there");
    }
}

pub(super) fn advised(spot: usize) -> Event {
    let advice = Advice::Rate { spot, notes: vec![3, 9, 1], why: "it may be the best".into() };
    Event::Advised { advice, leader: Some(spot), expected_regret_db: 0.3, probability_best: 0.5, finalists: vec![0, 1] }
}

#[test]
fn levels_are_the_standards_differences() {
    // ISO 226:2023: 25 Hz and 50 Hz lie at 93.9425 and 77.7687 dB for 40 phon, at 104.1630 and 89.9304 dB for 60 phon.
    for (phon, difference_db) in [(40.0, 93.9425 - 77.7687), (60.0, 104.1630 - 89.9304)] {
        assert!((equal_loudness_gain(25.0, 50.0, phon).db() - difference_db).abs() < 0.001);
    }
}

#[test]
fn what_cannot_be_boosted_is_a_shortfall() {
    let mut plan = LevelPlan::new(&[25.0, 40.0, 50.0, 80.0], &[25.0, 40.0, 50.0, 80.0], 50.0, 50.0, false);
    let lowest = plan.notes()[0];
    assert_eq!(lowest.played, GREATEST_BOOST);
    assert!((lowest.shortfall - (lowest.wanted - GREATEST_BOOST)).db().abs() < 1e-9);
    assert_eq!(plan.boosted(), [1, 0]);
    plan.limit(1, GainDb::new(3.0));
    for note in 0..2 {
        let level = plan.notes()[note];
        assert_eq!(level.played, GainDb::new(3.0));
        assert!(((level.played + level.shortfall) - level.wanted).db().abs() < 1e-9);
    }
    assert_eq!(plan.notes()[3].shortfall, GainDb::ZERO);
}

#[test]
fn strain_steps_rise_by_three_decibels_to_the_full_boost() {
    let plan = LevelPlan::new(&[25.0, 50.0], &[25.0, 50.0], 50.0, 50.0, false);
    let steps: Vec<f64> = plan.strain_steps(0).iter().map(|step| step.db()).collect();
    assert_eq!(steps, [0.0, 3.0, 6.0, 9.0, 12.0]);
}

#[test]
fn the_first_sound_is_at_the_start_level_and_rises_by_a_decibel_a_press() {
    let mut visit = Visit::new();
    visit.until(|stage| matches!(stage, Stage::Comfort { .. }));
    assert_eq!(visit.state.cue().unwrap().parts[0].level, START);
    assert_eq!(visit.state.ceiling(), ceiling_for(START));
    let effects = visit.event(Event::Louder).unwrap();
    assert!(effects.contains(&Effect::Glide(Dbfs::new(-59.0))));
    // Six a second: a press 0.1 s after the last one is one too many.
    visit.now_s -= 0.1;
    assert_eq!(visit.event(Event::Louder), Err(Refusal::TooFast));
    for _ in 0..100 {
        let _ = visit.event(Event::Louder);
    }
    assert_eq!(visit.state.reference_level(), HIGHEST_COMFORT);
    assert!(matches!(visit.event(Event::Louder), Err(Refusal::Because(_))));
}

#[test]
fn a_new_start_of_program_or_device_climbs_from_the_start_level_again() {
    for back in
        [Event::DeviceBack, Event::Opened { program: "p".into(), device: "d".into(), rate_hz: 48_000, channels: None }]
    {
        let mut visit = Visit::new();
        visit.until(|stage| matches!(stage, Stage::Comfort { .. }));
        visit.event(Event::Louder).unwrap();
        visit.until(|stage| *stage == Stage::Notes);
        let effects = visit.event(back).unwrap();
        assert_eq!(visit.state.reference_level(), START);
        assert!(effects.contains(&Effect::Ceiling(ceiling_for(START))));
        visit.answer(Answer::Yes).unwrap();
        assert_eq!(*visit.state.stage(), Stage::Notes);
        assert_eq!(visit.state.comfort(), Some(START));
    }
}

#[test]
fn undo_is_as_if_the_answer_had_never_been_given() {
    let mut visit = Visit::new();
    visit.until(|stage| *stage == Stage::Notes);
    let before = visit.state.clone();
    visit.answer(Answer::Rating(Rating::ALL[6])).unwrap();
    assert_eq!(visit.state.evidence().len(), 1);
    visit.event(Event::Undo).unwrap();
    assert_eq!(visit.state.evidence(), before.evidence());
    assert_eq!(visit.state.stage(), before.stage());
    assert_eq!(visit.state.passes(), before.passes());
    // The same question, asked anew: an answer to its first asking comes too late.
    let (old, new) = (before.question().unwrap(), visit.state.question().unwrap());
    assert_eq!((old.text, old.ask), (new.text, new.ask));
    assert!(new.id > old.id);
}

#[test]
fn back_replaces_the_rating_of_the_note_before() {
    let mut visit = Visit::new();
    visit.until(|stage| *stage == Stage::Notes);
    visit.answer(Answer::Rating(Rating::ALL[0])).unwrap();
    visit.event(Event::Back).unwrap();
    visit.answer(Answer::Rating(Rating::ALL[5])).unwrap();
    let evidence = visit.state.evidence();
    assert_eq!(evidence.len(), 1);
    assert_eq!(evidence[0].heard, crate::evidence::Heard::Rating { rating: Rating::ALL[5] });
}

#[test]
fn a_low_pass_that_cannot_be_opened_leaves_the_notes_above_it_out() {
    let mut visit = Visit::new();
    visit.until(|stage| *stage == Stage::Checklist(0));
    visit.answer(Answer::No).unwrap();
    visit.answer(Answer::Number(80.0)).unwrap();
    assert!(visit.state.notes_hz().iter().all(|&hz| hz <= 80.0));
    assert_eq!(*visit.state.stage(), Stage::Checklist(1));
}

#[test]
fn a_rated_limit_spaces_the_whole_set_anew_above_it() {
    let mut brief = brief();
    brief.kit.rated_low_hz = Some(35.0);
    let state = State::new(Arc::new(brief));
    assert_eq!(state.notes_hz().len(), 16);
    assert!((state.notes_hz()[0] - 35.0).abs() < 1e-9);
}

/// Anything that may happen, sensible or not.
fn any_event() -> impl Strategy<Value = u8> {
    0..26u8
}

fn happen(visit: &mut Visit, what: u8) -> Result<Vec<Effect>, Refusal> {
    match what {
        0 => visit.event(Event::Louder),
        1 => visit.event(Event::Quieter),
        2 => visit.event(Event::Again),
        3 => visit.event(Event::Back),
        4 => visit.event(Event::Skip),
        5 => visit.event(Event::Undo),
        6 => visit.event(Event::Paused { why: "stop".into() }),
        7 => visit.event(Event::Continued),
        8 => visit.event(Event::Decide),
        9 => visit.event(Event::DeviceLost { why: "gone".into() }),
        10 => visit.event(Event::DeviceBack),
        11 => visit.answer(Answer::No),
        20 => visit.answer(Answer::Choice(1)),
        12 => visit.answer(Answer::Number(80.0)),
        13 => visit.event(advised(2)),
        14 => visit.answer(Answer::Rating(Rating::ALL[2])),
        15 | 16 => visit.event(Event::Nudged { up: true }),
        17 => visit.event(Event::Nudged { up: false }),
        18 => visit.event(Event::AnswerBy { way: AnswerBy::Match }),
        19 => visit.event(Event::AnswerBy { way: AnswerBy::Rating }),
        _ => match visit.state.stage() {
            Stage::Consult => visit.event(advised(0)),
            Stage::Notes if !visit.state.may_be_nudged() => visit.answer(Answer::Rating(Rating::ALL[6])),
            _ => visit.answer(Answer::Yes),
        },
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn whatever_happens_levels_keep_their_rules(events in prop::collection::vec(any_event(), 0..120)) {
        let mut visit = Visit::new();
        for what in events {
            let before = visit.state.clone();
            let effects = match happen(&mut visit, what) {
                Ok(effects) => effects,
                Err(_) => {
                    prop_assert_eq!(&before, &visit.state);
                    continue;
                }
            };
            let (was, is) = (before.reference_level(), visit.state.reference_level());
            match what {
                // Only louder raises, by one decibel; undo may return to a level agreed to before.
                0 => prop_assert!(is.dbfs() <= was.dbfs() + 1.0 + 1e-9),
                1 => prop_assert!(is <= was),
                _ => {}
            }
            prop_assert!(is <= HIGHEST_COMFORT);
            prop_assert!(visit.state.ceiling() <= HIGHEST_CEILING);
            prop_assert!(visit.state.ceiling() <= ceiling_for(visit.state.comfort().unwrap_or(is).max(is)));
            for effect in &effects {
                if let Effect::Play(cue) | Effect::Nudge(cue) = effect {
                    for part in &cue.parts {
                        prop_assert!(part.level.dbfs() <= visit.state.ceiling().dbfs() - 4.0 + 1e-9);
                        // Outside of the comfort climb, strain check and scale no note passes its own level.
                        if let (Stage::Notes, Some(note)) = (visit.state.stage(), part.note) {
                            prop_assert!(part.level <= visit.state.note_level(note));
                        }
                    }
                }
            }
            // Stopped is stopped: nothing is played, whatever is pressed but continue or undo.
            if visit.state.paused().is_some() {
                prop_assert!(!effects.iter().any(|effect| matches!(effect, Effect::Play(_) | Effect::Nudge(_))));
            }
        }
    }

    #[test]
    fn replaying_gives_the_same_state(events in prop::collection::vec(any_event(), 0..80)) {
        let mut visit = Visit::new();
        let mut taken = Vec::new();
        for what in events {
            let before = visit.state.clone();
            if happen(&mut visit, what).is_ok() {
                // Found again by its effect: the last event of the log, or an undo, which leaves none.
                taken.push(match what {
                    5 => Stamped { at_s: visit.now_s, event: Event::Undo },
                    _ => visit.state.log.last().unwrap().clone(),
                });
            } else {
                prop_assert_eq!(&before, &visit.state);
            }
        }
        let replayed = State::replay(Arc::new(brief()), taken).map_err(|(at, why)| TestCaseError::fail(format!("{at}: \
            {why}")))?;
        prop_assert_eq!(replayed.evidence(), visit.state.evidence());
        prop_assert_eq!(replayed, visit.state);
    }
}

#[test]
fn yes_is_no_answer_to_a_rating() {
    let mut visit = Visit::new();
    visit.until(|stage| *stage == Stage::Notes);
    assert!(matches!(visit.state.question().unwrap().ask, Ask::Rate(_)));
    assert_eq!(visit.answer(Answer::Yes), Err(Refusal::WrongKind));
    let late = Event::Answered {
        question: QuestionId(0),
        answer: Answer::Rating(Rating::ALL[3]),
        rattles: false,
        parts_begun: 99,
    };
    assert_eq!(visit.event(late), Err(Refusal::Stale));
}

#[test]
fn a_verdict_without_a_spot_says_whether_anything_was_heard() {
    let verdict = |heard: bool| {
        let mut visit = Visit::new();
        visit.until(|stage| *stage == Stage::Notes);
        if heard {
            visit.until(|stage| *stage == Stage::Consult);
        } else {
            visit.event(Event::Decide).unwrap();
        }
        let advice = Advice::Stop { why: "the time is up".into() };
        let nobody =
            Event::Advised { advice, leader: None, expected_regret_db: 0.3, probability_best: 0.0, finalists: vec![] };
        visit.event(nobody).unwrap();
        visit.state.question().unwrap()
    };
    for heard in [true, false] {
        let question = verdict(heard);
        assert_eq!(question.text, "No spot can be named.");
        assert_eq!(question.why.starts_with("After 3 answered notes, a spot that nobody has heard yet"), heard);
        assert_eq!(question.why.starts_with("No note was answered."), !heard);
    }
}
