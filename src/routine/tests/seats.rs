//! Several seats: each has its turn, its share of the time and its weight.

use crate::judge::Advice;
use crate::room::Room;
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::tests::{Visit, advised, brief};
use crate::routine::{Brief, Event, Stage, State};

fn of_two_seats(too_heavy: bool) -> Brief {
    let mut brief = brief();
    let mut room = Room::unmeasured("loft", &["armchair", "stool", "bench"], &["gable", "stairs", "shelf"]);
    room.seat_weights = vec![2.0, 0.0, 1.0];
    brief.room = Some(room);
    brief.kit.too_heavy = Some(too_heavy);
    brief
}

fn stop(visit: &mut Visit) {
    let advice = Advice::Stop { why: "enough".into() };
    let stop = Event::Advised {
        advice,
        leader: Some(1),
        expected_regret_db: 0.1,
        probability_best: 0.9,
        finalists: Vec::new(),
    };
    visit.event(stop).unwrap();
}

fn text(state: &State) -> String {
    state.question().unwrap().text
}

#[test]
fn a_seat_without_weight_does_not_count_and_without_weights_one_seat_is_all() {
    assert_eq!(Visit::of(of_two_seats(false)).state.seats(), [(0, 2.0), (2, 1.0)]);
    let mut one = of_two_seats(false);
    one.room.as_mut().unwrap().seat_weights.clear();
    one.seat = 1;
    let visit = Visit::of(one);
    assert_eq!((visit.state.seats(), visit.state.seat_weights()), (vec![(1, 1.0)], vec![0.0, 1.0, 0.0]));
}

#[test]
fn the_crawl_is_done_with_the_subwoofer_on_one_seat_after_the_other() {
    let mut visit = Visit::of(of_two_seats(false));
    visit.until(|stage| *stage == Stage::Placing);
    assert!(text(&visit.state).contains("onto armchair"), "{}", text(&visit.state));
    visit.until(|stage| *stage == Stage::Notes);
    assert_eq!(visit.state.seat_weights(), [2.0, 0.0, 0.0], "the bench is not begun");
    visit.until(|stage| *stage == Stage::Consult);
    // Half of the twenty minutes, less what was spent, is left for this seat.
    let (left_s, spent_s) = (visit.state.seat_seconds_left().unwrap(), visit.state.seconds_spent());
    assert!((left_s + spent_s - 600.0).abs() < 1e-9, "{left_s} {spent_s}");
    stop(&mut visit);
    assert_eq!(*visit.state.stage(), Stage::Placing);
    assert!(text(&visit.state).contains("onto bench"), "{}", text(&visit.state));
    visit.answer(Answer::Yes).unwrap();
    assert_eq!((visit.state.stage(), visit.state.seat_weights()), (&Stage::Consult, vec![2.0, 0.0, 1.0]));
    let rest_s = 1200.0 - visit.state.seconds_spent();
    assert!((visit.state.seat_seconds_left().unwrap() - rest_s).abs() < 1e-9, "the last seat has what is left");
    visit.event(advised(1)).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Move, "the person has left the spot to carry");
    visit.until(|stage| *stage == Stage::Consult);
    let seats: Vec<usize> = visit.state.evidence().iter().map(|evidence| evidence.seat).collect();
    assert_eq!(seats, [0, 0, 0, 2, 2, 2]);
    let stays: Vec<usize> = visit.state.passes().iter().map(|pass| pass.stay).collect();
    assert_eq!(stays, [0, 1]);
    stop(&mut visit);
    assert_eq!(*visit.state.stage(), Stage::Verdict);
    assert!(!visit.state.question().unwrap().why.contains("Nothing was heard"));
}

#[test]
fn deciding_early_says_which_seat_was_not_heard_for() {
    let mut visit = Visit::of(of_two_seats(false));
    visit.until(|stage| *stage == Stage::Notes);
    visit.until(|stage| *stage == Stage::Consult);
    visit.event(advised(0)).unwrap();
    visit.event(Event::Decide).unwrap();
    visit.event(advised(1)).unwrap();
    let question = visit.state.question().unwrap();
    assert!(matches!(question.ask, Ask::Confirm { topic: Topic::Verdict, .. }), "{question:?}");
    assert!(question.why.contains("Nothing was heard for bench"), "{}", question.why);
}

#[test]
fn with_a_heavy_subwoofer_every_seat_is_sat_on_at_each_spot() {
    let mut visit = Visit::of(of_two_seats(true));
    visit.until(|stage| *stage == Stage::Move);
    assert!(text(&visit.state).contains("to stairs, go to armchair"), "{}", text(&visit.state));
    assert_eq!(visit.state.seat_weights(), [2.0, 0.0, 1.0]);
    visit.answer(Answer::Arrived).unwrap();
    for _ in 0..3 {
        visit.answer(Answer::Rating(crate::evidence::Rating::ALL[3])).unwrap();
    }
    assert_eq!(*visit.state.stage(), Stage::Move);
    assert!(text(&visit.state).contains("Leave the subwoofer where it is, go to bench"), "{}", text(&visit.state));
    visit.until(|stage| *stage == Stage::Consult);
    let evidence = visit.state.evidence();
    let heard: Vec<(usize, usize)> = evidence.iter().map(|evidence| (evidence.seat, evidence.stay)).collect();
    assert_eq!(heard, [(0, 0), (0, 0), (0, 0), (2, 1), (2, 1), (2, 1)]);
    // The next spot begins on the bench, where the person sits.
    visit.event(advised(0)).unwrap();
    assert!(text(&visit.state).contains("to gable, go to bench"), "{}", text(&visit.state));
    visit.until(|stage| *stage == Stage::Notes);
    visit.until(|stage| *stage == Stage::Move);
    // Leaving a seat out leaves the spot in.
    visit.event(Event::Skip).unwrap();
    assert_eq!(*visit.state.stage(), Stage::Consult);
    stop(&mut visit);
    assert_eq!(*visit.state.stage(), Stage::Verdict);
}
