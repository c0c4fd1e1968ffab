//! Wrong knobs, wrong answers and contradictions: each is put right, and nothing begins anew.

use super::*;

/// What a question is about, without its figures.
fn kind_of(state: &State) -> String {
    let about = |hearing: &Hearing| {
        let told = serde_json::to_value(hearing).unwrap();
        told["about"].as_str().unwrap_or_default().to_owned()
    };
    let topic = match state.question().unwrap().ask {
        Ask::Confirm { topic, .. }
        | Ask::Choose { topic, .. }
        | Ask::Number { topic, .. }
        | Ask::Text { topic, .. } => {
            format!("{topic:?}")
        }
        other => format!("{other:?}").split(['(', ' ', '{']).next().unwrap_or_default().to_owned(),
    };
    format!("{topic}, {}", state.scene().map_or_else(String::new, |scene| about(&scene.hearing)))
}

/// Hears the same of any system: too far above 65, and best where phase and delay are lowest.
struct Plain;

impl Ears for Plain {
    fn pulls(&self, setup: &Setup) -> bool {
        setup.values.iter().flatten().any(|&value| value > 65.0)
    }

    fn goodness(&self, setup: &Setup) -> f64 {
        -setup.values.iter().flatten().sum::<f64>() - 1e3 * setup.own.later_s.abs()
    }
}

#[test]
fn that_was_wrong_leads_back_at_every_kind_of_question_and_changes_nothing_else() {
    let mut kinds = std::collections::BTreeSet::new();
    for (system, routine) in [
        (Some(LINE), "assistant"),
        (Some(LINE), "two-channel"),
        (Some(PROCESSOR), "assistant"),
        (Some(PROCESSOR), "lfe"),
        (None, "assistant"),
    ] {
        let mut plain = Visit::new(brief_by(system, routine));
        let mut visit = Visit::new(brief_by(system, routine));
        while *visit.state.stage() != Stage::Done {
            let answer = visit.answer_to(&Plain);
            let new = kinds.insert(kind_of(&visit.state));
            if new && !matches!(visit.state.question().unwrap().ask, Ask::Comfort { .. }) {
                let asked = |state: &State| {
                    let question = state.question().unwrap();
                    (question.text, question.why, question.ask, state.scene(), state.blend_cue())
                };
                let before = asked(&visit.state);
                visit.say(answer.clone()).unwrap();
                visit.event(Event::Undo).unwrap();
                assert_eq!(asked(&visit.state), before);
            }
            visit.say(answer.clone()).unwrap();
            plain.say(answer).unwrap();
        }
        let (taken_back, straight) = (visit.state.blend().unwrap(), plain.state.blend().unwrap());
        assert_eq!(*plain.state.stage(), Stage::Done);
        assert_eq!(taken_back.stands(), straight.stands());
        assert_eq!(taken_back.before(), straight.before());
        assert_eq!(taken_back.notes(), straight.notes());
        assert_eq!(taken_back.decisions(), straight.decisions());
    }
    for kind in ["Turn, turn", "ControlBefore, before", "BassPulls, pull", "Better, better", "Rate, band", "Rate, note"]
    {
        assert!(kinds.contains(kind), "{kind}: {kinds:?}");
    }
    assert!(kinds.len() >= 24, "{} kinds: {kinds:?}", kinds.len());
}

#[test]
fn whoever_turned_the_wrong_knob_is_told_where_it_belongs() {
    let mut visit = Visit::new(brief_by(Some(LINE), "two-channel"));
    let mut told = None;
    while *visit.state.stage() != Stage::Done {
        let question = visit.state.question().unwrap();
        if matches!(question.ask, Ask::Confirm { topic: Topic::Turn, .. }) && told.is_none() {
            told = Some((question.text, question.why));
        }
        let answer = visit.answer_to(&Best);
        visit.say(answer).unwrap();
    }
    let (text, why) = told.expect("something is turned");
    assert!(text.contains("X-OVER"), "{text}");
    assert!(why.contains("The others stay: GAIN 45 % of travel, phase 90 degrees, polarity normal"), "{why}");
}

#[test]
fn contradictory_answers_come_to_an_end() {
    /// Says the opposite every time, whatever is heard.
    struct Contrary(std::cell::Cell<bool>);
    impl Ears for Contrary {
        fn pulls(&self, _: &Setup) -> bool {
            self.0.replace(!self.0.get())
        }
        fn goodness(&self, _: &Setup) -> f64 {
            if self.0.replace(!self.0.get()) { 1.0 } else { 0.0 }
        }
    }
    for (system, routine) in [(LINE, "assistant"), (PROCESSOR, "assistant"), (LINE, "two-channel")] {
        let mut visit = Visit::new(brief_by(Some(system), routine));
        let answers = visit.go_to_the_end(&Contrary(std::cell::Cell::new(false)));
        assert!(answers < 400, "{routine}: {answers}");
        let blend = visit.state.blend().unwrap();
        for (control, value) in blend.system().controls.iter().zip(&blend.stands().values) {
            assert!(value.is_some_and(|value| control.has(value)), "{}: {value:?}", control.name);
        }
    }
}

#[test]
fn a_crossed_pair_is_named_and_heard_again_once_it_is_put_right() {
    let mut visit = Visit::new(brief(Some(LINE)));
    for _ in 0..3 {
        visit.say(Answer::Yes).unwrap();
    }
    for answer in [Answer::Choice(1), Answer::Choice(0), Answer::Choice(2), Answer::Yes, Answer::Yes] {
        visit.say(answer).unwrap();
    }
    let question = visit.state.question().unwrap();
    assert!(question.text.starts_with("Left and right are exchanged. Power off;"), "{}", question.text);
    visit.say(Answer::Yes).unwrap();
    assert_eq!(visit.state.scene().unwrap().hearing, Hearing::Side);
    assert_eq!(visit.state.blend().unwrap().wiring(), Some(&Wiring::default()));
}

#[test]
fn an_answer_that_cannot_be_one_is_refused_and_the_question_stays() {
    let mut visit = Visit::new(brief(Some(LINE)));
    for _ in 0..3 {
        visit.say(Answer::Yes).unwrap();
    }
    let before = visit.state.question();
    for wrong in [Answer::Choice(9), Answer::Number(3.0), Answer::Yes, Answer::Heard] {
        assert!(visit.say(wrong).is_err());
        assert_eq!(visit.state.question(), before);
    }
}
