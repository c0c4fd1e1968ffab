//! The JSON face over pipes, against a conductor that does what each test says.

use std::sync::Arc;

use serde_json::{Value, json};

use crate::faces::scenes;
use crate::faces::stage::Stage;
use crate::view::{Action, Answer, AnswerBy, Ask, Question, QuestionId, Rating, View};

fn stage() -> Stage {
    Stage::with(super::run)
}

fn answer(question: u64, answer: Answer) -> Action {
    Action::Answer { question: QuestionId(question), answer, rattles: false, seconds: None }
}

fn rating(step: i8) -> Answer {
    Answer::Rating(Rating::new(step).unwrap())
}

/// The same view with another question number, and the last answer on disk.
fn next(view: &View, id: u64, taken: &str) -> View {
    let mut view = view.clone();
    let question = view.question.as_deref().unwrap();
    view.taken = Some(taken.into());
    view.taken_question = Some(question.id);
    view.question = Some(Arc::new(Question { id: QuestionId(id), ..question.clone() }));
    view
}

fn fresh(mut view: View) -> View {
    view.taken = None;
    view.taken_question = None;
    view
}

#[test]
fn a_rating_question_has_the_keys_of_the_protocol() {
    let mut stage = stage();
    stage.show(&fresh(scenes::rate()));
    let line = stage.line();
    assert!(line.starts_with(r#"{"ask":"rate","id":12,"#), "{line}");
    let question: Value = serde_json::from_str(&line).unwrap();
    for (key, value) in [
        ("spot", json!("window bay")),
        ("spot_position", json!(1)),
        ("note", json!(2)),
        ("note_name", json!("E1")),
        ("frequency_hz", json!(41.2)),
        ("shortfall_db", json!(0.0)),
        ("half_width_octaves", json!(1.0 / 12.0)),
        ("notes_hz", json!([25.0, 31.0, 41.2, 55.0, 68.0, 82.4, 100.0, 120.0])),
    ] {
        assert_eq!(question[key], value, "{key}");
    }
}

#[test]
fn every_kind_of_question_is_asked_and_answered_under_its_own_name() {
    let cases: [(View, &str, &str, Answer); 14] = [
        (scenes::rate(), "rate", r#"{"rating":-2,"id":12}"#, rating(-2)),
        (scenes::meter(), "meter", r#"{"level_db":71.5}"#, Answer::Level(71.5)),
        (scenes::matching(), "match", r#"{"matched":true,"id":14}"#, Answer::Matched),
        (scenes::matching(), "match", r#"{"matched":false}"#, Answer::No),
        (scenes::go_to(), "move", r#"{"arrived":"window bay"}"#, Answer::Arrived),
        (scenes::anchors(), "anchors", r#"{"heard":true}"#, Answer::Heard),
        (scenes::comfort(), "confirm", r#"{"yes":true}"#, Answer::Yes),
        (scenes::strain(), "confirm", r#"{"yes":false}"#, Answer::No),
        (scenes::choose(), "choose", r#"{"choice":2}"#, Answer::Choice(2)),
        (scenes::choose(), "choose", r#"{"choice":"ears only"}"#, Answer::Choice(2)),
        (scenes::number(), "number", r#"{"number":4.25}"#, Answer::Number(4.25)),
        (scenes::number(), "number", r#"{"yes":true}"#, Answer::Number(5.0)),
        (scenes::text(), "text", r#"{"text":" attic "}"#, Answer::Text("attic".into())),
        (scenes::rate(), "rate", r#"{"answer":"rating","value":3}"#, rating(3)),
    ];
    for (view, ask, said, meant) in cases {
        let mut stage = stage();
        stage.show(&fresh(view.clone()));
        assert_eq!(stage.json()["ask"], ask);
        stage.say(said);
        assert_eq!(stage.action(), answer(view.question.unwrap().id.0, meant), "{said}");
    }
}

#[test]
fn a_match_is_nudged_and_asked_again_at_its_new_offset() {
    let mut stage = stage();
    let mut view = fresh(scenes::matching());
    stage.show(&view);
    let question = stage.json();
    for (key, value) in [
        ("spot", json!("window bay")),
        ("run", json!(1)),
        ("offset_db", json!(-3.0)),
        ("highest_offset_db", json!(8.0)),
        ("reference_hz", json!(50.0)),
        ("note", json!(2)),
    ] {
        assert_eq!(question[key], value, "{key}");
    }
    stage.say(r#"{"nudge":"up","id":14}"#);
    assert_eq!(stage.action(), Action::Nudge { up: true });
    if let Ask::Match(open) = &mut Arc::make_mut(view.question.as_mut().unwrap()).ask {
        open.offset_db = -2.0;
    }
    stage.show(&view);
    let again = stage.json();
    assert_eq!((&again["asked"], &again["offset_db"]), (&json!(2), &json!(-2.0)));
}

#[test]
fn rattles_and_seconds_come_along() {
    let mut stage = stage();
    stage.show(&fresh(scenes::rate()));
    stage.json();
    stage.say(r#"{"rating":1,"rattles":true,"seconds":3.5,"mood":"good"}"#);
    let expected = Action::Answer { question: QuestionId(12), answer: rating(1), rattles: true, seconds: Some(3.5) };
    assert_eq!(stage.action(), expected);
}

#[test]
fn an_answer_is_taken_when_the_view_says_so_and_twice_the_same_is_told_twice() {
    let mut stage = stage();
    let first = fresh(scenes::rate());
    stage.show(&first);
    stage.json();
    stage.say(r#"{"rating":0}"#);
    assert_eq!(stage.action(), answer(12, rating(0)));
    let second = next(&first, 13, "41 Hz, E1: even");
    stage.show(&second);
    assert_eq!(stage.json(), json!({"taken": "41 Hz, E1: even", "id": 12}));
    assert_eq!(stage.json()["id"], 13);
    stage.say(r#"{"rating":0}"#);
    assert_eq!(stage.action(), answer(13, rating(0)));
    stage.show(&next(&second, 14, "41 Hz, E1: even"));
    assert_eq!(stage.json(), json!({"taken": "41 Hz, E1: even", "id": 13}));
    assert_eq!(stage.json()["id"], 14);
}

#[test]
fn an_answer_with_a_stale_id_is_refused_and_the_question_stands() {
    let mut stage = stage();
    stage.show(&fresh(scenes::rate()));
    stage.json();
    stage.say(r#"{"rating":1,"id":11}"#);
    let refusal = stage.json();
    assert_eq!(refusal["id"], 11);
    assert!(refusal["refused"].as_str().unwrap().contains("question 11 is not open, 12 is"));
    stage.say(r#"{"rating":2,"id":12}"#);
    assert_eq!(stage.action(), answer(12, rating(2)));
}

#[test]
fn what_does_not_answer_is_refused_in_words_and_the_question_asked_again() {
    let cases = [
        (scenes::rate(), "not json", "the line is not JSON"),
        (scenes::rate(), "[1,2]", "a list"),
        (scenes::rate(), "7", "a number"),
        (scenes::rate(), r#"{"rating":4}"#, "-3 (lost) to 3 (booming), not 4"),
        (scenes::rate(), r#"{"rating":0.5}"#, "whole number"),
        (scenes::rate(), r#"{"rating":"even"}"#, "whole number"),
        (scenes::rate(), r#"{"rating":1e300}"#, "whole number"),
        (scenes::rate(), r#"{"yes":true}"#, "does not answer this question"),
        (scenes::rate(), r#"{"heard":true}"#, r#"{"rating":0}"#),
        (scenes::rate(), r#"{"rating":1,"id":"twelve"}"#, "\"id\":12"),
        (scenes::rate(), r#"{"rating":1,"seconds":-1}"#, "seconds"),
        (scenes::rate(), r#"{"rating":1,"rattles":"yes"}"#, "rattles"),
        (scenes::rate(), r#"{"answer":"rating","value":9}"#, "-3 to 3"),
        (scenes::matching(), r#"{"nudge":"sideways"}"#, "\"up\" or \"down\""),
        (scenes::matching(), r#"{"rating":1}"#, r#"{"nudge":"up"}"#),
        (scenes::meter(), r#"{"level_db":500}"#, "between 20 and 130 dB"),
        (scenes::meter(), r#"{"level_db":null}"#, "JSON number"),
        (scenes::go_to(), r#"{"arrived":"shelf end"}"#, "the spot asked for is window bay"),
        (scenes::anchors(), r#"{"heard":false}"#, "again"),
        (scenes::checklist(), r#"{"yes":1}"#, "true or false"),
        (scenes::verdict(), r#"{"yes":false}"#, "only 'it stands there' leads on"),
        (scenes::choose(), r#"{"choice":3}"#, "from 0 to 2"),
        (scenes::choose(), r#"{"choice":-1}"#, "counted from 0"),
        (scenes::number(), r#"{"number":0.5}"#, "between 1 and 20 m"),
        (scenes::text(), r#"{"text":"  "}"#, "empty"),
        (scenes::text(), r#"{"text":"a\nb"}"#, "line break"),
        (scenes::comfort(), r#"{"yes":false}"#, "louder, quieter, or a yes"),
    ];
    for (view, said, reason) in cases {
        let mut stage = stage();
        let id = view.question.as_ref().unwrap().id.0;
        stage.show(&View { ranking: None, ..fresh(view) });
        stage.json();
        stage.say(said);
        let refusal = stage.json();
        let why = refusal["refused"].as_str().unwrap_or_else(|| panic!("{said}: {refusal}"));
        assert!(why.contains(reason), "{said}: {why}");
        let again = stage.json();
        assert_eq!((&again["id"], &again["asked"]), (&json!(id), &json!(2)), "{said}");
        assert!(!stage.has_acted(), "{said}");
    }
}

#[test]
fn what_the_conductor_refuses_is_told_each_time_and_asked_again() {
    let mut stage = stage();
    let open = fresh(scenes::rate());
    stage.show(&open);
    stage.json();
    for refusals in 1..=2 {
        stage.say(r#"{"rating":0}"#);
        assert_eq!(stage.action(), answer(12, rating(0)));
        stage.show(&View { refusal: Some("nothing has sounded yet".into()), refusals, ..open.clone() });
        assert_eq!(stage.json(), json!({"refused": "nothing has sounded yet", "id": 12}));
        assert_eq!(stage.json()["asked"], refusals + 1);
    }
}

#[test]
fn louder_asks_again_at_the_new_level_and_quieter_always() {
    let mut stage = stage();
    let quiet = scenes::comfort();
    stage.show(&quiet);
    assert_eq!(stage.json()["level_dbfs"], -41.0);
    stage.say(r#"{"louder":true}"#);
    assert_eq!(stage.action(), Action::Louder);
    let mut louder = quiet.clone();
    if let Some(Ask::Comfort { level, .. }) = louder.question.as_mut().map(|q| &mut Arc::make_mut(q).ask) {
        *level = crate::units::Dbfs::new(-40.0);
    }
    // A view from before the action changes nothing.
    stage.show(&quiet);
    stage.show(&louder);
    let question = stage.json();
    assert_eq!((&question["topic"], &question["level_dbfs"]), (&json!("comfort"), &json!(-40.0)));
    stage.say(r#"{"quieter":true}"#);
    assert_eq!(stage.action(), Action::Quieter);
    stage.show(&louder);
    assert_eq!(stage.json()["level_dbfs"], -40.0);
}

#[test]
fn commands_reach_the_conductor_and_unknown_ones_are_refused() {
    let mut stage = stage();
    stage.show(&fresh(scenes::rate()));
    stage.json();
    let commands = [
        ("again", Action::Again),
        ("back", Action::Back),
        ("skip", Action::Skip),
        ("undo", Action::Undo),
        ("pause", Action::Pause),
        ("continue", Action::Continue),
        ("stop", Action::Stop),
        ("louder", Action::Louder),
        ("quieter", Action::Quieter),
        ("match", Action::AnswerBy(AnswerBy::Match)),
        ("rate", Action::AnswerBy(AnswerBy::Rating)),
        ("decide", Action::Decide),
        ("leave", Action::Leave),
    ];
    for (name, action) in commands {
        stage.say(&json!({ "do": name }).to_string());
        assert_eq!(stage.action(), action);
    }
    stage.say(r#"{"do":"jump"}"#);
    let refusal = stage.json();
    assert!(refusal["refused"].as_str().unwrap().contains("there is no command \"jump\""), "{refusal}");
}

#[test]
fn answers_sent_ahead_wait_for_their_question_but_stop_does_not() {
    let mut stage = stage();
    stage.say(r#"{"rating":1}"#);
    stage.say(r#"{"rating":2}"#);
    stage.say(r#"{"do":"stop"}"#);
    assert_eq!(stage.action(), Action::Stop);
    let first = fresh(scenes::rate());
    stage.show(&first);
    assert_eq!(stage.action(), answer(12, rating(1)));
    assert!(!stage.has_acted());
    stage.show(&next(&first, 13, "a little strong"));
    assert_eq!(stage.action(), answer(13, rating(2)));
}

#[test]
fn the_end_of_input_leaves_after_what_was_said() {
    let mut stage = stage();
    let first = fresh(scenes::rate());
    stage.say(r#"{"rating":1}"#);
    stage.hush();
    stage.show(&first);
    assert_eq!(stage.action(), answer(12, rating(1)));
    stage.show(&next(&first, 13, "a little strong"));
    assert_eq!(stage.action(), Action::Leave);
    stage.show(&View { closing: true, ..first });
    let (result, lines) = stage.end();
    assert!(result.is_ok());
    let last: Value = serde_json::from_str(lines.last().unwrap()).unwrap();
    assert_eq!(last, json!({"left": {"visit": "millbrook-7.visit.jsonl", "chapter": "crawl"}}));
}

#[test]
fn done_is_the_last_line() {
    let mut stage = stage();
    stage.show(&scenes::verdict());
    assert_eq!(stage.json()["verdict"]["spots"][0]["worst_peak"]["note_name"], "E1");
    assert_eq!(stage.json()["topic"], "subwoofer-moved");
    stage.say(r#"{"yes":true}"#);
    assert_eq!(stage.action(), answer(40, Answer::Yes));
    stage.show(&scenes::done());
    assert_eq!(stage.action(), Action::Leave);
    stage.show(&View { closing: true, ..scenes::done() });
    let (result, lines) = stage.end();
    assert!(result.is_ok());
    let done: Vec<Value> = lines.iter().map(|line| serde_json::from_str(line).unwrap()).collect();
    let expected = json!({"done": {
        "spot": "window bay",
        "expected_regret_db": 0.17,
        "probability_best": 0.71,
        "sheet": "millbrook-7.sheet.html",
        "visit": "millbrook-7.visit.jsonl",
    }});
    assert_eq!(done, [expected]);
}

#[test]
fn notices_and_pauses_are_told_once() {
    let mut stage = stage();
    let mut view = fresh(scenes::rate());
    view.notices = vec!["a".into(), "b".into()];
    stage.show(&view);
    assert_eq!([stage.json(), stage.json()], [json!({"notice": "a"}), json!({"notice": "b"})]);
    assert_eq!(stage.json()["ask"], "rate");
    view.notices = vec!["b".into(), "c".into()];
    view.paused = Some("stopped".into());
    stage.show(&view);
    assert_eq!([stage.json(), stage.json()], [json!({"notice": "c"}), json!({"paused": "stopped"})]);
    view.paused = None;
    stage.show(&view);
    assert_eq!(stage.json(), json!({"continued": true}));
}

#[test]
fn notices_are_told_again_to_whoever_asks() {
    let mut stage = stage();
    let mut view = fresh(scenes::rate());
    view.older_notices = vec!["a".into()];
    view.notices = vec!["b".into()];
    stage.show(&view);
    assert_eq!(stage.json(), json!({"notice": "b"}));
    assert_eq!(stage.json()["ask"], "rate");
    stage.say(r#"{"do":"notices"}"#);
    assert_eq!(stage.json(), json!({"notices": ["a", "b"]}));
}

#[test]
fn lines_that_are_too_long_or_no_text_are_survived() {
    let mut stage = stage();
    stage.show(&fresh(scenes::rate()));
    stage.json();
    stage.say(&"9".repeat(200_000));
    assert!(stage.json()["refused"].as_str().unwrap().contains("longer than 65536 bytes"));
    stage.say_bytes(b"\xff\xfe{\n");
    assert!(stage.json()["refused"].as_str().unwrap().contains("not JSON"));
    assert_eq!(stage.json()["asked"], 2);
    stage.say(r#"{"rating":3}"#);
    assert_eq!(stage.action(), answer(12, rating(3)));
}

#[test]
fn it_says_that_it_is_alive_and_ends_with_the_conductor() {
    let mut stage = stage();
    assert!(stage.is_alive_now());
    stage.vanish();
    assert!(stage.end().0.is_ok());
}
