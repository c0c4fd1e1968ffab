//! Files that are missing or wrong: what is said about them, and the exit code.

mod support;

use std::fs;
use std::path::Path;

use support::script::Talk;
use support::script::{SHORT_SET, SMALL_ROOM, WHOLE_KIT, evenbass, rehearsal};

/// Exit code and standard error; nothing may have been printed, and no visit begun.
fn refused(home: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let output = evenbass(home).args(arguments).output().expect("the program starts");
    let printed = String::from_utf8_lossy(&output.stdout);
    assert!(printed.is_empty(), "{arguments:?} printed {printed}");
    let visits = fs::read_dir(home).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let visits: Vec<_> = visits.filter(|name| name.contains(".visit.jsonl") && !name.starts_with("given")).collect();
    assert!(visits.is_empty(), "{arguments:?} left {visits:?}");
    (output.status.code(), String::from_utf8(output.stderr).expect("words"))
}

#[track_caller]
fn says(home: &Path, arguments: &[&str], code: i32, wanted: &[&str]) {
    let (given, words) = refused(home, arguments);
    assert_eq!(given, Some(code), "{arguments:?}: {words}");
    for wanted in wanted {
        assert!(words.contains(wanted), "{arguments:?}: no '{wanted}' in\n{words}");
    }
    assert!(words.starts_with("evenbass: ") || code == 2, "{words}");
}

fn with(name: &str, text: &str) -> tempfile::TempDir {
    let home = tempfile::tempdir().unwrap();
    evenbass(home.path());
    fs::write(home.path().join(name), text).unwrap();
    home
}

/// A room with one thing changed.
fn room(from: &str, to: &str) -> tempfile::TempDir {
    assert!(SMALL_ROOM.contains(from));
    with("given.toml", &SMALL_ROOM.trim_start().replacen(from, to, 1))
}

const REHEARSE_ROOM: [&str; 3] = ["rehearse", "--room", "given.toml"];

#[test]
fn a_room_that_is_missing_is_named() {
    let home = tempfile::tempdir().unwrap();
    for command in ["rehearse", "begin"] {
        says(home.path(), &[command, "--room", "none.toml"], 1, &["room file none.toml cannot be read"]);
    }
}

#[test]
fn an_outline_that_leaves_no_spot_is_refused_before_a_tape_would_replace_it() {
    // No cable leads farther than a hand.
    let outline =
        "floor_m = [[0,0],[6,0],[6,2.5],[3.5,2.5],[3.5,4.5],[0,4.5]]\n[reach]\nfrom_m = [2, 2]\ncable_m = 0.1\n";
    let home = with("given.toml", outline);
    for command in ["rehearse", "begin"] {
        let arguments = [command, "--room", "given.toml"];
        says(home.path(), &arguments, 1, &["names no spots", "within reach of [reach]", "Add [[spot]]"]);
    }
}

#[test]
fn a_mistake_in_a_room_is_shown_in_its_place() {
    let home = room("[[seat]]\nname", "[[seat]]\nnmae");
    says(home.path(), &REHEARSE_ROOM, 1, &["given.toml:4:1", "unknown key `nmae`", "did you mean `name`?"]);
    let home = room("[[spot]]\nname = \"door side\"", "[[spot]]\nname = 7");
    says(home.path(), &REHEARSE_ROOM, 1, &["given.toml:10:8", "expected a string"]);
    let home = room("name = \"garden room\"", "name = \"garden room");
    says(home.path(), &REHEARSE_ROOM, 1, &["given.toml:1:"]);
    let home = room("name = \"garden room\"", "name = \"garden room\"\nsize_m = [16.4, 40.0]");
    says(home.path(), &REHEARSE_ROOM, 1, &["given.toml:2:10", "are these metres?", "if that is feet, write 12.19"]);
    let home = room("name = \"door side\"", "name = \"window corner\"");
    says(home.path(), &REHEARSE_ROOM, 1, &["given.toml:10:8", "window corner"]);
}

#[test]
fn a_mistake_in_a_kit_is_shown_in_its_place() {
    let arguments = ["rehearse", "--kit", "given.toml"];
    let kit = |text: &str| with("given.toml", text);
    let home = kit(&WHOLE_KIT.replace("too_heavy", "to_heavy"));
    says(home.path(), &arguments, 1, &["given.toml:2:1", "unknown key `to_heavy`", "did you mean `too_heavy`?"]);
    let home = kit(&WHOLE_KIT.replace("30.0", "\"30 Hz\""));
    says(home.path(), &arguments, 1, &["given.toml:1:16", "expected a number"]);
    let home = tempfile::tempdir().unwrap();
    says(home.path(), &["rehearse", "--kit", "none.toml"], 1, &["cannot read none.toml"]);
}

#[test]
fn a_mistake_in_a_note_set_is_shown_in_its_place() {
    let arguments = ["rehearse", "--notes", "mine"];
    let set = |from: &str, to: &str| {
        assert!(SHORT_SET.contains(from));
        with("config/evenbass/notes/mine.toml", &SHORT_SET.trim_start().replacen(from, to, 1))
    };
    says(set("gap_s", "gap_ms").path(), &arguments, 1, &["mine.toml:4:1", "did you mean `gap_s`?"]);
    says(set("count = 8", "count = 1").path(), &arguments, 1, &["mine.toml:10:9", "must be from 2 to 64"]);
    says(set("\"warble\"", "\"wobble\"").path(), &arguments, 1, &["mine.toml:13:11", "did you mean `warble`?"]);
    says(set("seconds = 0.5", "").path(), &arguments, 1, &["mine.toml:", "missing key `seconds`"]);
    let home = with("unused", "");
    let wanted = ["there is no note set called \"shrot\" (did you mean \"short\"?)", "known: short, walk-16"];
    says(home.path(), &["rehearse", "--notes", "shrot"], 2, &wanted);
}

#[test]
fn a_mistake_in_a_response_table_is_shown_in_its_place() {
    let text = "seat,spot,frequency_hz,level_db\nbench,window corner,30,loud\n";
    let home = with("given.csv", text);
    let arguments = ["rehearse", "--room", "room.toml", "--response", "given.csv"];
    says(home.path(), &arguments, 1, &["given.csv", "2", "loud"]);
    says(home.path(), &["rehearse", "--room", "room.toml", "--response", "none.csv"], 1, &["none.csv"]);
}

#[test]
fn a_visit_file_that_is_missing_or_damaged_is_named_with_its_line() {
    let home = with("given.visit.jsonl", "{\"hello\":1}\n");
    for command in ["rank", "report", "resume"] {
        says(home.path(), &[command, "none.visit.jsonl"], 1, &["there is no visit file none.visit.jsonl"]);
        says(home.path(), &[command, "given.visit.jsonl"], 1, &["given.visit.jsonl is not a visit file", "line 1"]);
    }
    // A whole visit with one letter changed in its fourth line.
    let visits = tempfile::tempdir().unwrap();
    let mut talk = Talk::start(rehearsal(home.path(), visits.path(), 3, "10"));
    talk.answer_until(|question| question["ask"] == "rate");
    talk.say(&serde_json::json!({ "do": "leave" }));
    talk.end();
    let whole = fs::read_to_string(visits.path().join("rehearsal.visit.jsonl")).unwrap();
    let mut lines: Vec<String> = whole.lines().map(str::to_owned).collect();
    lines[3] = lines[3].replacen("at_s", "at_z", 1);
    let damaged = lines.join("\n") + "\n";
    let file = home.path().join("given.visit.jsonl");
    fs::write(&file, &damaged).unwrap();
    for command in ["rank", "report", "resume"] {
        says(home.path(), &[command, "given.visit.jsonl"], 1, &["given.visit.jsonl, line 4", "was left as it is"]);
        assert_eq!(fs::read_to_string(&file).unwrap(), damaged, "{command} changed the file");
    }
}

#[test]
fn who_only_looks_is_told_that_a_cut_line_is_passed_over_and_the_file_stays() {
    let home = with("unused", "");
    let visits = tempfile::tempdir().unwrap();
    let mut talk = Talk::start(rehearsal(home.path(), visits.path(), 3, "5"));
    talk.answer_until(|question| question["ask"] == "rate");
    talk.end();
    let mut torn = fs::read_to_string(visits.path().join("rehearsal.visit.jsonl")).unwrap();
    torn.truncate(torn.len() - 9);
    let file = home.path().join("given.visit.jsonl");
    fs::write(&file, &torn).unwrap();
    let output = evenbass(home.path()).args(["rank", "given.visit.jsonl"]).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success() && said.contains("passed over, and the file stays as it is"), "{said}");
    assert!(!said.contains("was cut"), "{said}");
    assert_eq!(fs::read_to_string(&file).unwrap(), torn);
}

#[test]
fn what_is_typed_wrong_is_wrong_usage() {
    let home = with("unused", "");
    for (arguments, wanted) in [
        (&["rehearse", "--minutes", "0"][..], "1 to 240 minutes"),
        (&["rehearse", "--minutes", "soon"], "a number of minutes was expected"),
        (&["begin", "--seat", "bench"], "give --room as well"),
        (&["rehearse", "--room", "room.toml", "--seat", "stool"], "Its seats: bench."),
        (&["begin", "a/b"], "cannot be the name of a visit"),
        (&["rehearse", "--match", "--minutes", "3"], "comparing two spots takes about 4 minutes here"),
        (&["resume"], "is unfinished. Name the visit's file"),
        (&["fiddle"], "unrecognized subcommand"),
        (&["play", "pure"], "--hz"),
    ] {
        says(home.path(), arguments, 2, &[wanted]);
    }
}

#[test]
fn standard_output_that_takes_nothing_is_no_accident() {
    let home = with("unused", "");
    for arguments in [&["presets", "list"][..], &["completions", "bash"], &["levels", "walk-16"]] {
        // Whoever read from it has had enough, as `head` has.
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let closed = evenbass(home.path()).args(arguments).stdout(writer).output().unwrap();
        assert_eq!((closed.status.code(), String::from_utf8_lossy(&closed.stderr).as_ref()), (Some(0), ""));
        let Ok(full) = fs::File::options().write(true).open("/dev/full") else { continue };
        let full = evenbass(home.path()).args(arguments).stdout(full).output().unwrap();
        let words = String::from_utf8(full.stderr).unwrap();
        assert_eq!(full.status.code(), Some(1), "{words}");
        assert!(words.starts_with("evenbass: standard output cannot be written") && words.contains("Make space"));
    }
}
