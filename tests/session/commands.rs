//! What commands do to a visit under way.

use evenbass::routine::Event;
use serde_json::json;

use crate::Session;

#[test]
fn undo_takes_the_last_answer_back() {
    let (mut session, question) = Session::at("rate");
    let before = session.state();
    session.answer(&question).talk.hear_of("taken");
    let next = session.talk.hear_of("ask");
    assert_ne!((&next["note"], &next["id"]), (&question["note"], &question["id"]));
    let again = session.command("undo").talk.hear_of("ask");
    assert_eq!((&again["note"], &again["spot"]), (&question["note"], &question["spot"]));
    assert!(again["id"].as_u64() > next["id"].as_u64(), "an id is never used twice");
    assert_eq!(session.state().evidence(), before.evidence());
    assert!(matches!(session.happened().last(), Some(Event::Undo)));
}

#[test]
fn back_skip_and_again_move_over_the_notes() {
    let (mut session, first) = Session::at("rate");
    session.answer(&first).talk.hear_of("taken");
    let second = session.talk.hear_of("ask");
    let back = session.command("back").talk.hear_of("ask");
    assert_eq!(back["note"], first["note"]);
    session.say(&json!({ "rating": 3, "id": back["id"] })).talk.hear_of("taken");
    let evidence = session.state().evidence();
    assert_eq!(evidence.len(), 1, "the new answer replaces the old one: {evidence:?}");
    assert!(format!("{evidence:?}").contains("Rating(3)"), "{evidence:?}");
    let open = session.talk.hear_of("ask");
    assert_eq!(open["note"], second["note"]);
    let skipped = session.command("skip").talk.hear_of("ask");
    assert_ne!(skipped["note"], second["note"]);
    assert_eq!(session.state().evidence().len(), 1, "what was skipped is no evidence");
    let played = |session: &Session| session.opened().events.len();
    let before = played(&session);
    session.command("again").answer(&skipped).talk.hear_of("taken");
    assert!(played(&session) > before + 1, "nothing was played again");
}

#[test]
fn pause_and_stop_wait_until_continue() {
    for command in ["pause", "stop"] {
        let (mut session, question) = Session::at("rate");
        session.command(command).talk.hear_of("paused");
        assert!(session.state().paused().is_some());
        let evidence = session.state().evidence();
        session.answer(&question).talk.hear_of("refused");
        assert_eq!(session.state().evidence(), evidence, "{command}");
        session.command("continue").talk.hear_of("continued");
        let open = session.talk.hear_of("ask");
        assert_eq!(open["note"], question["note"]);
        session.answer(&open).talk.hear_of("taken");
    }
}

#[test]
fn the_tone_that_leaving_cuts_short_is_written_down() {
    let mut session = Session::begin();
    let question = session.talk.answer_until(|question| question["topic"] == "comfort");
    let before = session.opened().events.len();
    session.say(&json!({ "louder": true, "id": question["id"] })).talk.hear_of("ask");
    session.command("leave").talk.hear_of("left");
    assert!(session.talk.end().0.success());
    let events = session.opened().events;
    assert!(events.len() > before);
    match &events.last().unwrap().stamped.event {
        Event::Sounded { ended, frames, .. } => {
            assert!(ended == "faded" && *frames > 0, "{ended} {frames}")
        }
        other => panic!("the last event is {other:?}"),
    }
    session.state();
}
