//! What a match promises: both sides, finer steps after a turn, and no level above the one that is allowed.

use proptest::prelude::*;

use crate::evidence::{Heard, Rating};
use crate::routine::levels::{GREATEST_BOOST, equal_loudness_gain};
use crate::routine::matching::MATCH_DROP;
use crate::routine::question::{Answer, Ask, MatchAtSpot};
use crate::routine::tests::Visit;
use crate::routine::{AnswerBy, Effect, Event, Refusal, Stage};
use crate::units::Dbfs;

/// A visit at its first note, which is being matched.
fn matching() -> Visit {
    let mut visit = Visit::new();
    visit.until(|stage| matches!(stage, Stage::Comfort { .. }));
    for _ in 0..30 {
        visit.event(Event::Louder).unwrap();
    }
    visit.until(|stage| *stage == Stage::Notes);
    visit.event(Event::AnswerBy { way: AnswerBy::Match }).unwrap();
    visit
}

fn open(visit: &Visit) -> MatchAtSpot {
    match visit.state.question().unwrap().ask {
        Ask::Match(open) => open,
        other => panic!("{other:?} is no match"),
    }
}

fn nudge(visit: &mut Visit, up: bool) -> Result<Vec<Effect>, Refusal> {
    visit.event(Event::Nudged { up })
}

/// Nudges to an offset as a person would; what it is then.
fn nudge_to(visit: &mut Visit, offset_db: f64) -> f64 {
    for _ in 0..100 {
        let now_db = open(visit).offset_db;
        if (now_db - offset_db).abs() < 0.26 {
            return now_db;
        }
        nudge(visit, now_db < offset_db).unwrap();
    }
    panic!("it does not get there");
}

#[test]
fn steps_are_one_decibel_until_the_first_turn_and_half_a_decibel_after_it() {
    let mut visit = matching();
    let start_db = open(&visit).offset_db;
    let mut offsets = Vec::new();
    for up in [false, false, true, true, false] {
        nudge(&mut visit, up).unwrap();
        offsets.push(open(&visit).offset_db - start_db);
    }
    assert_eq!(offsets, [-1.0, -2.0, -1.5, -1.0, -1.5]);
}

#[test]
fn both_runs_count_and_come_from_different_sides() {
    let mut visit = matching();
    let note = open(&visit).note.note;
    let first = open(&visit);
    let first_db = nudge_to(&mut visit, -1.0);
    visit.answer(Answer::Matched).unwrap();
    assert!(visit.state.evidence().is_empty(), "one run alone is no evidence");
    let second = open(&visit);
    assert_eq!((first.run, second.run, second.note.note), (1, 2, note));
    let sides = (first.offset_db - first_db, second.offset_db - first_db);
    assert!(sides.0 * sides.1 < 0.0, "both runs begin on one side: {sides:?}");
    let second_db = nudge_to(&mut visit, -2.0);
    visit.answer(Answer::Matched).unwrap();
    let evidence = visit.state.evidence();
    let Heard::Match { offset_db } = evidence[0].heard else { panic!("{evidence:?}") };
    assert!((offset_db + 0.5 * (first_db + second_db)).abs() < 1e-9, "{offset_db}");
    assert_eq!((evidence.len(), evidence[0].note, evidence[0].shortfall_db), (1, note, 0.0));
    assert_ne!(open(&visit).note.note, note, "the next note follows");
}

#[test]
fn an_offset_of_nothing_is_equal_loudness_at_the_lowered_reference() {
    // ISO 226:2023 at 50 phon: 50 Hz lies at 83.97 dB; 9 dB below that is 35.4 phon or so, where the contours lie wider
    // apart.
    let visit = matching();
    let open = open(&visit);
    let cue = visit.state.cue().unwrap();
    let (reference, tone) = (cue.parts[0].level, cue.parts[1].level);
    assert_eq!(reference, visit.state.reference_level() - MATCH_DROP);
    let [at_50, at_30] = [50.0, 30.0].map(|phon| equal_loudness_gain(open.note.frequency_hz, 50.0, phon).db());
    let between = (tone - reference).db() - open.offset_db;
    assert!(between > at_50.min(at_30) && between < at_50.max(at_30), "{at_50} {between} {at_30}");
}

#[test]
fn no_nudge_passes_the_level_of_the_note_and_what_is_too_soft_then_is_rated() {
    let mut visit = matching();
    let note = open(&visit).note.note;
    let refused = (0..60).find_map(|_| nudge(&mut visit, true).err()).expect("there is a limit");
    assert!(matches!(&refused, Refusal::Because(why) if why.contains("say no")), "{refused:?}");
    let at_most = visit.state.note_level(note);
    assert!((visit.state.cue().unwrap().parts[1].level - at_most).db().abs() < 1e-9);
    assert!(at_most <= visit.state.reference_level() + GREATEST_BOOST);
    visit.answer(Answer::No).unwrap();
    match visit.state.question().unwrap().ask {
        Ask::Rate(rated) => assert_eq!(rated.note, note),
        other => panic!("{other:?}"),
    }
    assert!(visit.state.cue().unwrap().parts.len() > 2, "all notes run by before the first rating");
    visit.answer(Answer::Rating(Rating::ALL[0])).unwrap();
    assert_eq!(open(&visit).run, 1, "the next note is matched again");
}

#[test]
fn ways_are_changed_at_any_note_and_mixed() {
    let mut visit = matching();
    visit.answer(Answer::Matched).unwrap();
    visit.answer(Answer::Matched).unwrap();
    assert!(matches!(visit.event(Event::AnswerBy { way: AnswerBy::Match }), Err(Refusal::Because(_))));
    visit.event(Event::AnswerBy { way: AnswerBy::Rating }).unwrap();
    assert!(matches!(visit.answer(Answer::Matched), Err(Refusal::WrongKind)));
    visit.answer(Answer::Rating(Rating::ALL[5])).unwrap();
    let kinds: Vec<bool> =
        visit.state.evidence().iter().map(|evidence| matches!(evidence.heard, Heard::Match { .. })).collect();
    assert_eq!(kinds, [true, false]);
}

#[test]
fn back_leads_to_the_first_run_and_then_to_the_note_before() {
    let mut visit = matching();
    let first = open(&visit);
    nudge(&mut visit, false).unwrap();
    visit.answer(Answer::Matched).unwrap();
    visit.event(Event::Back).unwrap();
    assert_eq!(open(&visit), first, "the same start again");
    assert!(visit.event(Event::Back).is_err());
    visit.answer(Answer::Matched).unwrap();
    visit.answer(Answer::Matched).unwrap();
    visit.event(Event::Back).unwrap();
    assert_eq!(open(&visit).note, first.note);
}

#[test]
fn a_match_that_was_interrupted_goes_on_where_it_was_at_the_new_level() {
    let mut visit = matching();
    nudge(&mut visit, false).unwrap();
    let before = open(&visit);
    visit.event(Event::DeviceBack).unwrap();
    assert!(matches!(nudge(&mut visit, true), Err(Refusal::Because(_))), "nothing is nudged while the level is sought");
    visit.answer(Answer::Yes).unwrap();
    assert_eq!(open(&visit), before);
    assert!(visit.state.cue().unwrap().parts.iter().all(|part| part.level <= Dbfs::new(-48.0)));
}

#[test]
fn nudges_up_come_six_a_second_at_most() {
    let mut visit = matching();
    nudge(&mut visit, true).unwrap();
    visit.now_s -= 0.1;
    assert_eq!(nudge(&mut visit, true), Err(Refusal::TooFast));
    assert!(nudge(&mut visit, false).is_ok(), "down is never too fast");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever was strained at, turned down and nudged: the note keeps under its own level, and the reference under
    /// its.
    #[test]
    fn nudging_never_passes_what_the_note_may_have(
        strained in prop::option::of(0..3_usize),
        quieter in 0..6_usize,
        nudges in prop::collection::vec(prop::bool::weighted(0.8), 0..80),
    ) {
        let mut visit = Visit::new();
        visit.until(|stage| matches!(stage, Stage::Strain(_)));
        if strained.is_some() {
            let question = visit.state.question().unwrap().id;
            let begun = strained.unwrap();
            let strained = Event::Answered { question, answer: Answer::No, rattles: false, parts_begun: begun + 1 };
            visit.event(strained).unwrap();
        }
        visit.until(|stage| *stage == Stage::Notes);
        visit.event(Event::AnswerBy { way: AnswerBy::Match }).unwrap();
        for _ in 0..quieter {
            visit.event(Event::Quieter).unwrap();
        }
        for up in nudges {
            let before = open(&visit).offset_db;
            if nudge(&mut visit, up).is_ok() {
                prop_assert!((open(&visit).offset_db - before).abs() <= 1.0 + 1e-9);
            }
            let open = open(&visit);
            for part in visit.state.cue().unwrap().parts {
                match part.note {
                    Some(note) => prop_assert!(note == open.note.note && part.level <= visit.state.note_level(note)),
                    None => prop_assert!(part.level <= visit.state.reference_level()),
                }
            }
            prop_assert!(open.offset_db <= open.highest_offset_db + 1e-9);
        }
    }
}
