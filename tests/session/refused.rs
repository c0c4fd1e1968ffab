//! What is refused, and what stays as it was.

use std::fs;
use std::process::Command;

use evenbass::routine::Event;
use serde_json::json;

use crate::support::script::{Talk, answer_to, evenbass, rehearsal};
use crate::{Session, output};

#[test]
fn what_does_not_fit_is_refused_and_changes_nothing() {
    let (mut session, question) = Session::at("rate");
    let id = question["id"].as_u64().unwrap();
    let before = session.happened();
    for (said, why) in [
        (json!({ "rating": 4, "id": id }), "-3 (lost) to 3 (booming)"),
        (json!({ "rating": 0.5, "id": id }), "whole number"),
        (json!({ "level_db": 70.0, "id": id }), "there is no answer to this question"),
        (json!({ "yes": true, "id": id }), "does not answer this question"),
        (json!({ "rating": 1, "id": id - 1 }), "is not open"),
        (json!({ "rating": 1, "id": id + 1 }), "is not open"),
        (json!({ "answer": "level", "value": 70.0, "id": id }), "does not answer this question"),
        (json!({ "do": "sing" }), "there is no command"),
        (json!([1]), "a list"),
    ] {
        let refused = session.say(&said).talk.hear_of("refused");
        let words = refused["refused"].as_str().unwrap();
        println!("{said}: {words}");
        assert!(words.contains(why), "{said}: {words}");
    }
    assert_eq!(session.happened(), before, "what was refused has left a trace");
    let taken = session.say(&json!({ "rating": 1, "id": id })).talk.hear_of("taken");
    assert_eq!(taken["id"], id);
    let again = session.say(&json!({ "rating": 2, "id": id })).talk.hear_of("refused");
    assert_eq!(again["id"], id);
    let events = session.happened();
    let added = &events[before.len()..];
    assert!(matches!(added, [Event::Answered { question, .. }] if question.0 == id), "{added:?}");
}

#[test]
fn commands_at_the_wrong_time_are_refused() {
    let (mut session, _) = Session::at("confirm");
    let before = session.happened();
    for command in ["back", "skip", "decide", "again", "louder", "undo"] {
        let refused = session.command(command).talk.hear_of("refused");
        println!("{command}: {}", refused["refused"]);
        let says_how_to_end = refused["refused"].as_str().is_some_and(|why| why.contains("To end for now, leave"));
        assert_eq!(says_how_to_end, command == "skip", "{refused}");
    }
    assert_eq!(session.happened(), before, "what was refused has left a trace");
}

#[test]
fn a_visit_is_never_replaced() {
    let home = tempfile::tempdir().unwrap();
    evenbass(home.path());
    fs::write(home.path().join("attic.visit.jsonl"), "something of value").unwrap();
    let (code, _, words) = output(home.path(), &["begin", "attic", "--room", "room.toml", "--kit", "kit.toml"]);
    assert_eq!(code, Some(2), "{words}");
    assert!(words.contains("attic.visit.jsonl") && words.contains("not replaced"), "{words}");
    assert_eq!(fs::read_to_string(home.path().join("attic.visit.jsonl")).unwrap(), "something of value");
}

/// The program in a shell that lets no file grow beyond so many blocks of 512 bytes (POSIX, `ulimit -f`).
fn with_a_full_disk(command: &Command, blocks: u64) -> Command {
    let mut shell = Command::new("sh");
    // The limit comes as a signal as well; ignored, the write fails as on a full disk.
    shell.args(["-c", "trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\"", &blocks.to_string()]);
    shell.arg(command.get_program()).args(command.get_args());
    for (name, value) in command.get_envs() {
        value.map(|value| shell.env(name, value));
    }
    shell.current_dir(command.get_current_dir().expect("it runs in the test's home"));
    shell
}

#[test]
fn on_a_full_disk_nothing_is_shown_as_taken() {
    let (mut session, question) = Session::at("rate");
    session.answer(&question).talk.hear_of("taken");
    session.command("leave").talk.hear_of("left");
    session.talk.end();
    // Room for the events that open the session and lead back to the notes, and for some of the notes of this stay.
    let bytes = fs::metadata(session.file()).unwrap().len();
    let blocks = (bytes + 2_000).div_ceil(512);
    let mut resume = evenbass(session.home.path());
    resume.arg("resume").arg(session.file()).args(["--face", "json"]);
    session.talk = Talk::start(with_a_full_disk(&resume, blocks));
    let mut taken = Vec::new();
    // What sounded may meet the full disk before an answer does: that brings a notice alone, and no question is asked
    // again.
    let (words, refused) = loop {
        let line = session.talk.hear().expect("the program survives");
        if let Some(words) = line.get("refused") {
            break (words.as_str().unwrap().to_owned(), taken.len());
        }
        if line.get("taken").is_some() {
            taken.push(line["id"].as_u64().unwrap());
        }
        if line.get("ask").is_some() {
            session.answer(&line);
        }
    };
    println!("{words}");
    assert!(words.contains("make space on the disk") && words.contains("not taken"), "{words}");
    // The question is open again, and goes on being refused.
    let open = session.talk.hear_of("ask");
    session.answer(&open).command("leave").talk.hear_of("left");
    let (status, words) = session.talk.end();
    assert!(status.success(), "{words}");
    let answered: Vec<u64> = session
        .happened()
        .iter()
        .filter_map(|event| if let Event::Answered { question, .. } = event { Some(question.0) } else { None })
        .collect();
    assert!(taken.iter().all(|id| answered.contains(id)), "{taken:?} {answered:?}");
    assert_eq!(taken.len(), refused);
    let mut again = Talk::start(resume);
    let question = again.hear_of("ask");
    again.say(&answer_to(&question));
    again.hear_of("taken");
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    let home = tempfile::tempdir().unwrap();
    let nowhere = home.path().join("not-there");
    let mut talk = Talk::start(rehearsal(home.path(), &nowhere, 1, "10"));
    let (status, words) = talk.end();
    assert_eq!(status.code(), Some(1), "{words}");
    assert!(words.contains("not-there") && words.contains("the folder is not there"), "{words}");
}

#[test]
fn a_rehearsal_on_a_full_disk_ends_and_says_why() {
    let home = tempfile::tempdir().unwrap();
    let mut rehearse = evenbass(home.path());
    rehearse.args(["rehearse", "--kit", "kit.toml", "--notes", "short", "--seed", "11"]);
    let whole = rehearse.output().unwrap();
    assert!(whole.status.success(), "{}", String::from_utf8_lossy(&whole.stderr));
    let visit_bytes = fs::metadata(home.path().join("rehearsal.visit.jsonl")).unwrap().len();
    let sheet_bytes = fs::metadata(home.path().join("rehearsal.sheet.html")).unwrap().len();
    assert!(sheet_bytes > visit_bytes + 1024, "otherwise the second limit lets everything be written");
    for (bytes, what) in [(visit_bytes / 2, "could not write to"), (visit_bytes + 1024, "sheet was not written")] {
        let ended = with_a_full_disk(&rehearse, bytes.div_ceil(512)).output().unwrap();
        let words = String::from_utf8(ended.stderr).unwrap();
        assert_eq!(ended.status.code(), Some(1), "{words}");
        assert!(words.contains("the rehearsal cannot go on") && words.contains(what), "{bytes} bytes: {words}");
    }
}

#[test]
fn who_leaves_is_told_a_command_that_goes_on() {
    let home = tempfile::tempdir().unwrap();
    // Whoever types nothing more has left.
    let left = ["rehearse", "--room", "room.toml", "--kit", "kit.toml", "--face", "lines", "--folder", "two words"];
    fs::create_dir(home.path().join("two words")).unwrap();
    let (code, printed, words) = output(home.path(), &left);
    let file = format!("two words{}rehearsal.visit.jsonl", std::path::MAIN_SEPARATOR);
    let hint = format!("`evenbass resume \"{file}\"` goes on with it");
    assert!(code == Some(0) && printed.contains(&hint), "{printed} {words}");
    let (code, _, words) = output(home.path(), &["resume", &file, "--face", "lines"]);
    assert!(code == Some(0) && words.contains(&hint), "{words}");
}

#[test]
fn of_a_rehearsal_in_passing_nothing_is_said_to_be_kept() {
    let home = tempfile::tempdir().unwrap();
    for (folder, said) in [(None, "nothing of it is kept"), (Some("."), "resume ./rehearsal.visit.jsonl` goes on")] {
        let Ok(full) = fs::File::options().write(true).open("/dev/full") else { continue };
        let mut rehearse = evenbass(home.path());
        rehearse.args(["rehearse", "--room", "room.toml", "--kit", "kit.toml", "--face", "json"]);
        let ended =
            rehearse.args(folder.map(|folder| ["--folder", folder]).into_iter().flatten()).stdout(full).output();
        let ended = ended.unwrap();
        let words = String::from_utf8(ended.stderr).unwrap();
        assert!(!ended.status.success() && words.contains(said), "{words}");
        assert_eq!(words.contains("kept, "), folder.is_some(), "{words}");
    }
}
