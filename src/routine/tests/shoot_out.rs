//! What a shoot-out promises: it is offered and never forced, nobody hears first by plan, and it counts.

use crate::judge::Advice;
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::shoot_out::{ShootOutStep, finalists};
use crate::routine::tests::Visit;
use crate::routine::{Effect, Event, Refusal, Stage, State};

fn at_the_verdict(finalists: &[usize]) -> Visit {
    let mut visit = Visit::new();
    visit.until(|stage| *stage == Stage::Notes);
    visit.until(|stage| *stage == Stage::Consult);
    advise(&mut visit, finalists);
    visit
}

fn advise(visit: &mut Visit, finalists: &[usize]) {
    let advice = Advice::Stop { why: "enough".into() };
    let finalists = finalists.to_vec();
    let advised = Event::Advised { advice, leader: Some(1), expected_regret_db: 0.2, probability_best: 0.5, finalists };
    visit.event(advised).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Verdict);
}

fn topic(state: &State) -> Topic {
    match state.question().unwrap().ask {
        Ask::Confirm { topic, .. } | Ask::Choose { topic, .. } => topic,
        other => panic!("{other:?} has no topic"),
    }
}

/// Which spot a carrier is sent to.
fn sent_to(state: &State) -> usize {
    let text = state.question().unwrap().text;
    state.room().spots.iter().position(|spot| text.contains(&spot.name)).expect("a spot is named")
}

/// Goes through it, with an answer to each comparison; the placements.
fn compare(visit: &mut Visit, who: usize, mut which: impl FnMut(usize, usize) -> usize) -> Vec<usize> {
    visit.answer(Answer::No).unwrap();
    assert_eq!(topic(&visit.state), Topic::ShootOutCarrier);
    visit.answer(Answer::Choice(who)).unwrap();
    let mut order = Vec::new();
    loop {
        order.push(sent_to(&visit.state));
        visit.answer(Answer::Yes).unwrap();
        match order.as_slice() {
            [_] => visit.answer(Answer::Yes).unwrap(),
            [.., before, after] => visit.answer(Answer::Choice(which(*before, *after))).unwrap(),
            [] => unreachable!("one was pushed"),
        };
        if *visit.state.stage() == Stage::Consult {
            return order;
        }
    }
}

#[test]
fn it_is_offered_where_spots_are_close_and_yes_goes_on_without_it() {
    let mut visit = at_the_verdict(&[1, 0]);
    let question = visit.state.question().unwrap();
    assert!(matches!(question.ask, Ask::Confirm { no: Some(_), .. }), "{question:?}");
    assert!(question.why.ends_with("stairs and gable are close."), "{}", question.why);
    visit.answer(Answer::Yes).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Moving);
    let mut visit = at_the_verdict(&[]);
    assert!(matches!(visit.state.question().unwrap().ask, Ask::Confirm { no: None, .. }));
    assert!(matches!(visit.answer(Answer::No), Err(Refusal::Because(_))));
}

#[test]
fn every_finalist_is_heard_once_before_and_once_after_another() {
    for finalists in [&[1, 0][..], &[2, 1, 0]] {
        let mut visit = at_the_verdict(finalists);
        let order = compare(&mut visit, 0, |_, _| 1);
        assert_eq!((order.len(), order.first()), (finalists.len() + 1, order.last()));
        for spot in finalists {
            let comparisons = visit.state.comparisons();
            assert_eq!(comparisons.iter().filter(|compared| compared.before == *spot).count(), 1);
            assert_eq!(comparisons.iter().filter(|compared| compared.after == *spot).count(), 1);
        }
        assert!(visit.state.comparisons().iter().all(|compared| compared.more_even == Some(compared.after)));
    }
}

#[test]
fn whoever_listens_is_told_no_name_and_hears_every_note() {
    let mut visit = at_the_verdict(&[1, 0]);
    visit.answer(Answer::No).unwrap();
    visit.answer(Answer::Choice(0)).unwrap();
    for _ in 0..2 {
        visit.answer(Answer::Yes).unwrap();
        let question = visit.state.question().unwrap();
        let shown = format!("{question:?}{:?}", visit.state.cue());
        assert!(visit.state.room().spots.iter().all(|spot| !shown.contains(&spot.name)), "{shown}");
        assert_eq!(visit.state.chosen(), None, "the leader is not shown meanwhile");
        let all = visit.state.notes_hz().len();
        assert_eq!(visit.state.cue().unwrap().parts.len(), all);
        let early =
            Event::Answered { question: question.id, answer: Answer::Yes, rattles: false, parts_begun: all - 1 };
        assert_eq!(visit.event(early), Err(Refusal::NotHeardYet));
        if topic(&visit.state) == Topic::ShootOutHeard {
            visit.answer(Answer::Yes).unwrap();
        }
    }
}

#[test]
fn what_was_compared_moves_the_ranking_and_leads_to_the_verdict_again() {
    for who in [0, 1] {
        let mut visit = at_the_verdict(&[1, 0]);
        let chance = |state: &State, spot| {
            let ranking = state.consultation().ranked();
            ranking.spots.iter().find(|belief| belief.spot == spot).unwrap().probability_best
        };
        let before = chance(&visit.state, 0);
        compare(&mut visit, who, |_, after| usize::from(after == 0));
        assert!(chance(&visit.state, 0) > before, "{} to {before}", chance(&visit.state, 0));
        assert_eq!(visit.state.entering(), [Effect::Hush, Effect::Consult]);
        advise(&mut visit, &[1, 0]);
        let question = visit.state.question().unwrap();
        assert!(matches!(question.ask, Ask::Confirm { no: None, .. }), "it is offered once");
        assert_eq!(question.why.contains("not blind"), who == 1, "{}", question.why);
    }
}

#[test]
fn no_difference_is_no_claim_and_skip_ends_it() {
    let mut visit = at_the_verdict(&[1, 0]);
    let before = visit.state.consultation().ranked();
    compare(&mut visit, 0, |_, _| 2);
    assert_eq!(visit.state.consultation().ranked(), before);
    let mut visit = at_the_verdict(&[1, 0]);
    visit.answer(Answer::No).unwrap();
    visit.event(Event::Skip).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Consult);
    advise(&mut visit, &[1, 0]);
    let mut visit = at_the_verdict(&[1, 0]);
    visit.answer(Answer::No).unwrap();
    visit.event(Event::Undo).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Verdict);
}

#[test]
fn a_new_start_in_the_middle_goes_on_where_it_was() {
    let mut visit = at_the_verdict(&[1, 0]);
    visit.answer(Answer::No).unwrap();
    visit.answer(Answer::Choice(0)).unwrap();
    visit.answer(Answer::Yes).unwrap();
    visit.event(Event::DeviceBack).unwrap();
    visit.answer(Answer::Yes).unwrap();
    assert_eq!(*visit.state.stage(), Stage::ShootOut(ShootOutStep::Listen(0)));
}

#[test]
fn finalists_are_the_few_with_a_chance_unless_one_leads_clearly() {
    let visit = at_the_verdict(&[]);
    let ranked = |chances: &[f64]| {
        let mut ranking = visit.state.consultation().ranked();
        let one = ranking.spots[0].clone();
        let belief = |(spot, &probability_best): (usize, &f64)| crate::judge::SpotBelief {
            spot,
            answers: 8,
            probability_best,
            ..one.clone()
        };
        ranking.spots = chances.iter().enumerate().map(belief).collect();
        finalists(&ranking)
    };
    assert_eq!(ranked(&[0.5, 0.4, 0.1]), [0, 1, 2]);
    assert_eq!(ranked(&[0.3, 0.3, 0.2, 0.2]), [0, 1, 2]);
    assert_eq!(ranked(&[0.8, 0.15, 0.05]), [0, 1]);
    assert!(ranked(&[0.9, 0.1]).is_empty());
    assert!(ranked(&[0.84, 0.08, 0.08]).is_empty());
}
