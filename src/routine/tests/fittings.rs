//! What else may be said about a room: all of it reaches the plan, and none of it has to be said.

use crate::room::plan::{Door, Surface};
use crate::room::{Floor, MOST_PLACES, suggest};
use crate::routine::question::{Answer, Ask};
use crate::routine::tests::{Visit, brief};
use crate::routine::{Brief, Event, Kit, Refusal, Stage, State};

fn visit() -> Visit {
    Visit::of(Brief { room: None, asks_more: true, ..brief() })
}

fn say(visit: &mut Visit, answers: &[Answer]) {
    for answer in answers {
        let asked = visit.state.question().unwrap().text;
        visit.answer(answer.clone()).unwrap_or_else(|refusal| panic!("{asked}: {refusal}"));
    }
}

fn numbers(metres: &[f64]) -> Vec<Answer> {
    metres.iter().map(|metres| Answer::Number(*metres)).collect()
}

fn text(state: &State) -> String {
    state.question().unwrap().text
}

fn name(name: &str) -> Answer {
    Answer::Text(name.into())
}

/// One spot, called 'left', in a room of 5 by 4 by 2.5 m.
fn taped(visit: &mut Visit) {
    say(visit, &[Answer::Number(1.0), name("left"), Answer::Yes]);
    say(visit, &numbers(&[5.0, 4.0, 2.5]));
}

#[test]
fn nobody_has_to_say_more_and_old_visits_read_on() {
    // Files of before go on from the height to the main seat.
    let mut visit = Visit::of(Brief { room: None, ..brief() });
    taped(&mut visit);
    say(&mut visit, &numbers(&[3.2, 2.0, 0.4, 0.5]));
    assert_eq!(visit.state.stage(), &Stage::Safety);
    assert_eq!(visit.state.room().spots[0].at_m, Some([0.4, 0.5, 0.3]));
    let mut visit = self::visit();
    taped(&mut visit);
    say(&mut visit, &[Answer::Choice(0)]);
    assert!(text(&visit.state).contains("main seat"), "the list is skipped by one answer");
}

#[test]
fn what_is_said_reaches_the_plan_and_survives_replay_and_undo() {
    let mut visit = visit();
    taped(&mut visit);
    let opening = [vec![Answer::Choice(1), Answer::Choice(1)], numbers(&[0.5, 1.4])].concat();
    let door = [vec![Answer::Choice(2), Answer::Choice(2)], numbers(&[4.2, 3.4])].concat();
    let hearth = [vec![Answer::Choice(3), name("hearth")], numbers(&[3.2, 2.0, 0.45, 0.0])].concat();
    let surfaces = [4, 5 - 1, 0, 1, 2, 3, 2, 4].map(Answer::Choice).to_vec();
    let cable = [vec![Answer::Choice(5)], numbers(&[0.0, 2.0, 8.0])].concat();
    let socket = [vec![Answer::Choice(6)], numbers(&[5.0, 1.0]), vec![Answer::Yes]].concat();
    for part in [opening, door, hearth, surfaces, cable, socket, vec![Answer::Choice(7)]] {
        say(&mut visit, &part);
        assert!(text(&visit.state).contains("What else"), "{}", text(&visit.state));
    }
    let why = visit.state.question().unwrap().why;
    for noted in ["1 opening", "1 door", "1 no-go area", "made of", "8 m of cable", "1 socket", "2 subwoofers"] {
        assert!(why.contains(noted), "{noted}: {why}");
    }
    let fittings = visit.state.room().fittings.clone();
    assert_eq!((fittings.openings[0].from_m, fittings.openings[0].to_m), ([5.0, 0.5], [5.0, 1.4]));
    assert_eq!((fittings.doors[0].hinge_m, fittings.doors[0].latch_m), ([4.2, 4.0], [3.4, 4.0]));
    assert_eq!(fittings.no_go[0].name, "hearth");
    let ([x, y], [wide, deep]) = (fittings.no_go[0].corner_m, fittings.no_go[0].size_m);
    assert!([x - 2.0, y, wide - 1.2, deep - 0.45].iter().all(|off: &f64| off.abs() < 1e-9), "{:?}", fittings.no_go);
    let walls = [Surface::Masonry, Surface::Plasterboard, Surface::Wood, Surface::Glass];
    assert_eq!((fittings.walls.as_slice(), fittings.floor, fittings.ceiling), (&walls[..], Some(Surface::Wood), None));
    let reach = fittings.reach.as_ref().unwrap();
    assert_eq!((reach.from_m, reach.cable_m), ([0.0, 2.0], 8.0));
    assert_eq!((fittings.sockets[0].from_m, fittings.sockets[0].cable_m), ([5.0, 1.0], 2.0));
    assert_eq!(fittings.subwoofers, Some(2));
    let replayed = State::replay(visit.state.brief().clone().into(), visit.state.log.iter().cloned()).unwrap();
    assert_eq!(replayed, visit.state);
    visit.event(Event::Undo).unwrap();
    assert_eq!(visit.state.room().fittings.subwoofers, None);
}

#[test]
fn the_list_ends_somewhere_and_offers_nothing_twice() {
    let mut visit = visit();
    taped(&mut visit);
    let offered = |visit: &Visit| match visit.state.question().unwrap().ask {
        Ask::Choose { options, .. } => options,
        ask => panic!("{ask:?}"),
    };
    assert!(offered(&visit).contains(&"A second subwoofer".to_owned()));
    say(&mut visit, &[Answer::Choice(7)]);
    assert!(!offered(&visit).contains(&"A second subwoofer".to_owned()));
    assert!(visit.answer(Answer::Choice(7)).is_err());
    let door = Door { name: "door".into(), hinge_m: [1.0, 0.0], latch_m: [1.8, 0.0], outwards: false };
    visit.state.change_room(|room| room.fittings.doors = vec![door; MOST_PLACES]);
    assert!(visit.answer(Answer::Choice(2)).unwrap_err().to_string().contains("200 of these are noted"));
    say(&mut visit, &[Answer::Choice(1)]);
    assert!(text(&visit.state).contains("opening"));
}

#[test]
fn feet_typed_as_metres_are_asked_about() {
    let mut visit = visit();
    say(&mut visit, &[Answer::Number(0.0)]);
    assert!(visit.answer(Answer::Number(40.0)).unwrap_err().to_string().contains("outside 1 to 20 m"));
    assert!(visit.state.question().unwrap().why.contains("a foot is 0.3048 m"));
    say(&mut visit, &numbers(&[16.0, 13.0]));
    assert!(visit.answer(Answer::Number(8.0)).unwrap_err().to_string().contains("outside 1 to 6 m"));
}

#[test]
fn what_cannot_be_is_refused_and_asked_again() {
    let mut visit = visit();
    taped(&mut visit);
    say(&mut visit, &[Answer::Choice(1), Answer::Choice(0), Answer::Number(2.0)]);
    for (answer, says) in [(2.0, "same place"), (5.5, "outside 0 to 5")] {
        let refusal = visit.answer(Answer::Number(answer)).unwrap_err();
        assert!(refusal.to_string().contains(says), "{refusal}");
    }
    say(&mut visit, &[Answer::Number(3.0), Answer::Choice(3), name("shelf")]);
    say(&mut visit, &numbers(&[0.0]));
    assert!(matches!(visit.answer(Answer::Number(0.0)), Err(Refusal::Because(_))));
    say(&mut visit, &numbers(&[1.0, 0.0, 1.0]));
    say(&mut visit, &[Answer::Choice(0)]);
    say(&mut visit, &numbers(&[3.0, 2.0, 0.5]));
    let refusal = visit.answer(Answer::Number(0.5)).unwrap_err();
    assert!(refusal.to_string().contains("left stands in \u{2018}shelf\u{2019}"), "{refusal}");
    say(&mut visit, &numbers(&[1.5]));
    assert_eq!(visit.state.stage(), &Stage::Safety);
}

#[test]
fn a_seat_in_the_way_is_kept_and_said() {
    let mut visit = visit();
    taped(&mut visit);
    say(&mut visit, &[Answer::Choice(3), name("settee")]);
    say(&mut visit, &numbers(&[2.8, 3.6, 1.2, 2.8]));
    say(&mut visit, &[Answer::Choice(0)]);
    say(&mut visit, &numbers(&[3.2, 2.0]));
    let why = visit.state.question().unwrap().why;
    assert!(why.contains("main seat\u{2019} at 3.20, 2.00 m stands in \u{2018}settee\u{2019}"), "{why}");
    say(&mut visit, &[Answer::Number(3.2)]);
    assert!(visit.answer(Answer::Number(2.0)).unwrap_err().to_string().contains("left stands in"), "spots may not");
}

#[test]
fn spots_are_suggested_where_nothing_is_in_the_way() {
    let mut visit =
        Visit::of(Brief { room: None, asks_more: true, kit: Kit { meter: None, ..brief().kit }, ..brief() });
    say(&mut visit, &numbers(&[0.0, 5.0, 4.0, 2.5]));
    // Wall A is a shelf from end to end.
    say(&mut visit, &[Answer::Choice(3), name("shelf")]);
    say(&mut visit, &numbers(&[0.0, 5.0, 0.0, 0.6]));
    say(&mut visit, &[Answer::Choice(0)]);
    say(&mut visit, &numbers(&[3.2, 2.0]));
    let room = visit.state.room();
    assert!((4..=12).contains(&room.spots.len()), "{:?}", room.spots);
    assert!(room.spots.iter().all(|spot| spot.at_m.is_some_and(|at| at[1] > 0.79)), "{:?}", room.spots);
    assert!(
        room.spots
            .iter()
            .all(|spot| suggest::in_the_way(room, [spot.at_m.unwrap()[0], spot.at_m.unwrap()[1]]).is_none())
    );
    assert_eq!(room.floor, Some(Floor::Rectangle { length_m: 5.0, width_m: 4.0 }));
    assert!(matches!(visit.state.question().unwrap().ask, Ask::Confirm { .. }), "on to the kit");
}
