//! The plain lines over pipes, against a conductor that does what each test says.

use std::sync::Arc;

use crate::faces::scenes;
use crate::faces::stage::Stage;
use crate::view::{Action, Answer, AnswerBy, Question, QuestionId, Rating, View};

fn stage() -> Stage {
    Stage::with(super::run)
}

/// The face's lines for a question, which end with the commands.
fn question(stage: &mut Stage, view: &View) -> String {
    stage.show(&View { taken: None, taken_question: None, ..view.clone() });
    stage.lines_ending("help)").join("\n")
}

fn answer(view: &View, answer: Answer) -> Action {
    Action::Answer { question: view.question.as_ref().unwrap().id, answer, rattles: false, seconds: None }
}

#[test]
fn every_question_reads_as_it_did() {
    for (name, view) in scenes::questions() {
        let lines = question(&mut stage(), &view);
        assert!(lines.lines().all(|line| line.chars().count() <= 80), "{lines}");
        insta::assert_snapshot!(name, lines);
    }
}

#[test]
fn answers_are_numbers_words_or_an_empty_line() {
    let rated = |step| Answer::Rating(Rating::new(step).unwrap());
    let cases: [(View, &str, Answer); 20] = [
        (scenes::rate(), "1", rated(-3)),
        (scenes::rate(), "7", rated(3)),
        (scenes::rate(), " a little Weak ", rated(-1)),
        (scenes::rate(), "-2", rated(-2)),
        (scenes::rate(), "+1", rated(1)),
        (scenes::rate(), "even", rated(0)),
        (scenes::choose(), "3", Answer::Choice(2)),
        (scenes::choose(), "Ears only", Answer::Choice(2)),
        (scenes::number(), "4,5", Answer::Number(4.5)),
        (scenes::number(), "", Answer::Number(5.0)),
        (scenes::text(), "attic room", Answer::Text("attic room".into())),
        (scenes::text(), "\"back\"", Answer::Text("back".into())),
        (scenes::text(), "", Answer::Text("room".into())),
        (scenes::meter(), "71.5", Answer::Level(71.5)),
        (scenes::matching(), "", Answer::Matched),
        (scenes::matching(), "no", Answer::No),
        (scenes::go_to(), "here", Answer::Arrived),
        (scenes::anchors(), "yes", Answer::Heard),
        (scenes::strain(), "no", Answer::No),
        (scenes::comfort(), "y", Answer::Yes),
    ];
    for (view, said, meant) in cases {
        let mut stage = stage();
        question(&mut stage, &view);
        stage.say(said);
        assert_eq!(stage.action(), answer(&view, meant), "{said}");
    }
}

#[test]
fn wrong_input_is_told_with_what_would_do_and_the_question_asked_again() {
    let cases = [
        (scenes::rate(), "8", "1 (lost) to 7 (booming)"),
        (scenes::rate(), "0", "1 (lost) to 7 (booming)"),
        (scenes::rate(), "+4", "1 (lost) to 7 (booming)"),
        (scenes::rate(), "loud", "1 (lost) to 7 (booming)"),
        (scenes::rate(), "", "1 (lost) to 7 (booming)"),
        (scenes::choose(), "4", "from 1 to 3"),
        (scenes::number(), "long", "not a number"),
        (scenes::number(), "0.2", "between 1 and 20 m"),
        (scenes::meter(), "", "the meter's reading in dB"),
        (scenes::go_to(), "maybe", "type yes, or help"),
        (scenes::strain(), "perhaps", "type yes or no, or help"),
        (scenes::comfort(), "5", "louder or quieter"),
    ];
    for (view, said, remedy) in cases {
        let mut stage = stage();
        question(&mut stage, &view);
        stage.say(said);
        let lines = stage.lines_ending("help)").join(" ");
        assert!(lines.starts_with("Not taken: ") && lines.contains(remedy), "{said}: {lines}");
        assert!(!stage.has_acted());
    }
}

#[test]
fn every_command_reaches_the_conductor() {
    let mut stage = stage();
    question(&mut stage, &scenes::rate());
    let commands = [
        ("again", Action::Again),
        ("back", Action::Back),
        ("skip", Action::Skip),
        ("undo", Action::Undo),
        ("pause", Action::Pause),
        ("continue", Action::Continue),
        ("STOP", Action::Stop),
        ("louder", Action::Louder),
        ("-", Action::Quieter),
        ("match", Action::AnswerBy(AnswerBy::Match)),
        ("rate", Action::AnswerBy(AnswerBy::Rating)),
        ("decide", Action::Decide),
        ("leave", Action::Leave),
    ];
    for (said, action) in commands {
        stage.say(said);
        assert_eq!(stage.action(), action, "{said}");
    }
}

#[test]
fn a_match_is_nudged_up_and_down() {
    for (word, up) in [("up", true), ("down", false)] {
        let mut stage = stage();
        question(&mut stage, &scenes::matching());
        stage.say(word);
        assert_eq!(stage.action(), Action::Nudge { up });
    }
}

#[test]
fn rattles_is_said_before_or_with_the_answer() {
    for lines in [&["rattles", "4"][..], &["4 rattles"], &["rattles", "rattles", "rattles", "even"]] {
        let mut stage = stage();
        question(&mut stage, &scenes::rate());
        for line in lines {
            stage.say(line);
        }
        let Action::Answer { rattles, answer, .. } = stage.action() else { panic!("an answer was said") };
        assert_eq!((rattles, answer), (true, Answer::Rating(Rating::ALL[3])), "{lines:?}");
    }
}

#[test]
fn help_lists_the_commands_and_the_open_question() {
    let mut stage = stage();
    question(&mut stage, &scenes::rate());
    stage.say("help");
    let lines = stage.lines_to("5 a little").join("\n");
    insta::assert_snapshot!("help", lines);
}

#[test]
fn notices_are_told_again_to_whoever_asks() {
    let mut stage = stage();
    let view = View { older_notices: vec!["The first.".into()], notices: vec!["The last.".into()], ..scenes::rate() };
    stage.show(&view);
    stage.lines_ending("help)");
    stage.say("notices");
    let lines = stage.lines_to("The last.");
    assert_eq!(lines.join("\n"), "Notices of this session, oldest first:\n  The first.\n  The last.");
}

#[test]
fn a_visit_ends_in_words() {
    let mut stage = stage();
    let view = scenes::rate();
    question(&mut stage, &view);
    stage.say("5");
    stage.action();
    let mut verdict = scenes::verdict();
    verdict.taken = Some("41 Hz, E1: a little strong".into());
    verdict.taken_question = Some(QuestionId(12));
    stage.show(&verdict);
    let mut lines = stage.lines_ending("help)");
    stage.say("yes");
    stage.action();
    let paused = View { paused: Some("somebody pressed stop".into()), notices: vec!["one thing".into()], ..verdict };
    stage.show(&paused);
    stage.show(&View { closing: true, ..scenes::done() });
    let (result, rest) = stage.end();
    assert!(result.is_ok());
    lines.extend(rest);
    insta::assert_snapshot!("end", lines.join("\n"));
}

#[test]
fn the_end_of_input_leaves() {
    let mut stage = stage();
    question(&mut stage, &scenes::rate());
    stage.hush();
    assert_eq!(stage.action(), Action::Leave);
    stage.show(&View { closing: true, ..scenes::rate() });
    let (result, lines) = stage.end();
    assert!(result.is_ok());
    assert_eq!(lines.last().unwrap(), "Left. The visit is kept in millbrook-7.visit.jsonl.");
}

#[test]
fn a_file_of_answers_goes_to_one_question_after_the_other() {
    let mut stage = stage();
    for line in ["3", "undo", "4"] {
        stage.say(line);
    }
    stage.hush();
    let first = scenes::rate();
    question(&mut stage, &first);
    assert_eq!(stage.action(), answer(&first, Answer::Rating(Rating::ALL[2])));
    assert_eq!(stage.action(), Action::Undo);
    let mut second = first.clone();
    let old = second.question.take().unwrap();
    second.question = Some(Arc::new(Question { id: QuestionId(20), ..(*old).clone() }));
    stage.show(&second);
    assert_eq!(stage.action(), answer(&second, Answer::Rating(Rating::ALL[3])));
}
