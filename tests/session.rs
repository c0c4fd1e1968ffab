//! Sessions on the fast clock through the JSON face: what is refused, what commands do, what happens when the disk is full.

mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use evenbass::evidence::Heard;
use evenbass::routine::{Event, Stage, State};
use evenbass::visit::{self, Opened};
use serde_json::{Value, json};
use support::script::{SMALL_ROOM, Talk, WHOLE_KIT, answer_to, evenbass, rehearsal};
use tempfile::TempDir;

struct Session {
    home: TempDir,
    talk: Talk,
}

impl Session {
    fn begin() -> Self {
        let home = tempfile::tempdir().unwrap();
        let talk = Talk::start(rehearsal(home.path(), home.path(), 11, "60"));
        Self { home, talk }
    }

    fn at(kind: &str) -> (Self, Value) {
        let mut session = Self::begin();
        let question = session.talk.answer_until(|question| question["ask"] == kind);
        (session, question)
    }

    fn file(&self) -> PathBuf {
        self.home.path().join("rehearsal.visit.jsonl")
    }

    fn opened(&self) -> Opened {
        visit::read(&self.file()).expect("the visit file is whole")
    }

    /// What was answered and asked for; not what sounded meanwhile.
    fn happened(&self) -> Vec<Event> {
        let events = self.opened().events.into_iter().map(|recorded| recorded.stamped.event);
        events.filter(|event| !matches!(event, Event::Sounded { .. })).collect()
    }

    fn state(&self) -> State {
        let opened = self.opened();
        let events = opened.events.into_iter().map(|recorded| recorded.stamped);
        State::replay(opened.header.brief.into(), events).expect("the file can be replayed")
    }

    fn say(&mut self, line: &Value) -> &mut Self {
        self.talk.say(line);
        self
    }

    fn command(&mut self, name: &str) -> &mut Self {
        self.say(&json!({ "do": name }))
    }

    fn answer(&mut self, question: &Value) -> &mut Self {
        self.say(&answer_to(question))
    }
}

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
    }
    assert_eq!(session.happened(), before, "what was refused has left a trace");
}

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

/// Goes on to the end; what it said there.
fn to_the_end(session: &mut Session) -> Value {
    loop {
        let line = session.talk.hear().expect("it goes on to the end");
        if line.get("ask").is_some() {
            session.answer(&line);
        }
        if let Some(done) = line.get("done") {
            let done = done.clone();
            assert!(session.talk.end().0.success());
            return done;
        }
    }
}

#[test]
fn notes_are_matched_and_rated_in_one_visit() {
    let home = tempfile::tempdir().unwrap();
    evenbass(home.path());
    fs::write(home.path().join("kit.toml"), format!("{WHOLE_KIT}answer_by = \"match\"\n")).unwrap();
    let talk = Talk::start(rehearsal(home.path(), home.path(), 11, "60"));
    let mut session = Session { home, talk };
    // The first stay is matched, the second one rated.
    let mut moves = 0;
    let rated = session.talk.answer_until(|question| {
        moves += usize::from(question["ask"] == "move");
        moves == 2 && question["ask"] == "match"
    });
    assert!(rated["asked"].is_null() && rated["run"] == 1, "{rated}");
    let matched = session.state().evidence();
    assert!(!matched.is_empty());
    for evidence in &matched {
        let Heard::Match { offset_db } = evidence.heard else { panic!("{evidence:?} was matched") };
        // The rule hears even numbers of decibels, and lets half a decibel pass from either side.
        let even_db = 2.0 * (offset_db / 2.0).round();
        assert!((offset_db - even_db).abs() <= 0.5, "{offset_db}");
    }
    session.command("rate");
    let mut rates = 0;
    let next = session.talk.answer_until(|question| {
        rates += usize::from(question["ask"] == "rate");
        rates == 4
    });
    session.answer(&next).talk.hear_of("taken");
    session.talk.hear_of("ask");
    session.command("decide");
    let done = to_the_end(&mut session);
    let evidence = session.state().evidence();
    let ratings = evidence.iter().filter(|evidence| matches!(evidence.heard, Heard::Rating { .. })).count();
    assert_eq!((ratings, evidence.len()), (4, matched.len() + 4));
    let sheet = fs::read_to_string(done["sheet"].as_str().unwrap()).unwrap();
    assert!(
        sheet.contains(&format!("{} answers matched by ear", matched.len())),
        "the sheet does not say how it was heard"
    );
    assert!(!sheet.contains("taken back"), "nothing was");
}

#[test]
fn leaders_that_are_close_are_compared_with_the_subwoofer_moved() {
    let (mut session, question) = Session::at("rate");
    // One note alone leaves everything open.
    session.answer(&question).talk.hear_of("taken");
    session.talk.hear_of("ask");
    session.command("decide");
    let verdict = session.talk.hear_of("verdict");
    let chances = |verdict: &Value| -> Vec<(String, f64)> {
        let spots = verdict["verdict"]["spots"].as_array().unwrap().clone();
        let one = |spot: &Value| (spot["spot"].as_str().unwrap().into(), spot["probability_best"].as_f64().unwrap());
        spots.iter().map(one).collect()
    };
    let question = session.talk.hear_of("ask");
    assert!(question["no"].is_null(), "one spot alone is no reason to compare: {question}");
    assert!(!chances(&verdict).is_empty());
    session.command("undo");
    // Every spot is heard; then two of them are made to look alike.
    let mut last = String::new();
    let offer = loop {
        let line = session.talk.hear().expect("it goes on to the verdict");
        if line["topic"] == "verdict" {
            break line;
        }
        if line["ask"] == "rate" {
            last = line["spot"].to_string();
            let answer =
                json!({ "rating": (line["note"].as_u64().unwrap() % 2) as i64, "id": line["id"], "seconds": 20.0 });
            session.say(&answer);
        } else if line.get("ask").is_some() {
            session.answer(&line);
        }
    };
    assert!(!last.is_empty() && offer["no"].as_str().unwrap_or_default().contains("Compare"), "{offer}");
    let before = session.state().consultation().ranked();
    session.say(&json!({ "yes": false, "id": offer["id"] }));
    // Somebody else carries; the last place always sounds more even than the one before it.
    let mut placed = 0;
    let after = loop {
        let line = session.talk.hear().expect("it goes on to the second verdict");
        match line["topic"].as_str() {
            Some("shoot-out-carrier") => session.say(&json!({ "choice": 0, "id": line["id"] })),
            Some("shoot-out-more-even") => session.say(&json!({ "choice": "More even now", "id": line["id"] })),
            Some("shoot-out-placed") => {
                placed += 1;
                session.answer(&line)
            }
            Some("verdict") => break line,
            _ if line.get("ask").is_some() => session.answer(&line),
            _ => &mut session,
        };
    };
    let compared = session.state().comparisons().to_vec();
    assert_eq!(compared.len() + 1, placed);
    assert!(
        compared.iter().all(|compared| compared.blind && compared.more_even == Some(compared.after)),
        "{compared:?}"
    );
    assert!(after["no"].is_null() && after["why"].as_str().unwrap().contains("blind comparison"), "{after}");
    assert_ne!(session.state().consultation().ranked(), before, "it counts");
    session.answer(&after);
    let done = to_the_end(&mut session);
    let sheet = fs::read_to_string(done["sheet"].as_str().unwrap()).unwrap();
    assert!(sheet.contains("without knowing where it stood"), "the sheet tells of it");
}

#[test]
fn two_seats_are_heard_for_in_turn_and_the_sheet_names_both() {
    let home = tempfile::tempdir().unwrap();
    evenbass(home.path());
    let seats = "[[seat]]\nname = \"bench\"\nweight = 2\n[[seat]]\nname = \"swing\"\nweight = 1\n";
    let room = SMALL_ROOM.replace("[[seat]]\nname = \"bench\"\n", seats);
    assert_ne!(room, SMALL_ROOM);
    fs::write(home.path().join("room.toml"), room).unwrap();
    let talk = Talk::start(rehearsal(home.path(), home.path(), 11, "6"));
    let mut session = Session { home, talk };
    let mut placed = Vec::new();
    let mut heard_for = Vec::new();
    session.talk.answer_until(|question| {
        if question["topic"] == "subwoofer-placed" {
            placed.push(question["text"].as_str().unwrap().to_owned());
        }
        if question["ask"] == "rate" {
            heard_for.push(question["seat"].as_str().unwrap().to_owned());
        }
        question["topic"] == "verdict"
    });
    assert_eq!(placed.len(), 2, "{placed:?}");
    assert!(placed[0].contains("bench") && placed[1].contains("swing"), "{placed:?}");
    let first = heard_for.iter().position(|seat| seat == "swing").expect("the second seat has its turn");
    assert!(heard_for[..first].iter().all(|seat| seat == "bench") && first >= 8, "{heard_for:?}");
    assert!(heard_for[first..].iter().all(|seat| seat == "swing") && heard_for.len() >= first + 8, "{heard_for:?}");
    let state = session.state();
    let of_seat = |seat| state.evidence().iter().filter(|evidence| evidence.seat == seat).count();
    assert_eq!((of_seat(0), of_seat(1)), (first, heard_for.len() - first));
    let question = state.question().unwrap();
    session.say(&json!({ "yes": true, "id": question.id.0 }));
    let done = to_the_end(&mut session);
    let sheet = fs::read_to_string(done["sheet"].as_str().unwrap()).unwrap();
    for words in ["\u{2018}bench\u{2019} (weight 2) and \u{2018}swing\u{2019} (weight 1)", "For each seat alone: "] {
        assert!(sheet.contains(words), "{words}");
    }
}

/// A visit that was finished early; what it said at its end.
fn finished() -> (Session, Value) {
    let (mut session, question) = Session::at("rate");
    session.answer(&question).talk.hear_of("taken");
    session.talk.hear_of("ask");
    session.command("decide");
    session.talk.hear_of("verdict");
    let done = to_the_end(&mut session);
    (session, done)
}

fn output(home: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = evenbass(home).args(arguments).output().expect("the program starts");
    let text = |bytes| String::from_utf8(bytes).expect("text");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[test]
fn a_finished_visit_is_ranked_and_reported_the_same_each_time() {
    let (session, done) = finished();
    assert_eq!(session.state().stage(), &Stage::Done);
    assert!(Path::new(done["sheet"].as_str().unwrap()).exists());
    let home = session.home.path();
    let file = "rehearsal.visit.jsonl";
    let bytes = fs::read(session.file()).unwrap();
    let (code, ranked, words) = output(home, &["rank", "--json", file]);
    assert_eq!(code, Some(0), "{words}");
    let ranking: Value = serde_json::from_str(&ranked).unwrap();
    assert_eq!(ranking["spots"].as_array().map(Vec::len), Some(3), "{ranking}");
    let leader = ranking["ranking"]["spots"][0]["spot"].as_u64().unwrap() as usize;
    assert_eq!(ranking["spots"][leader], done["spot"], "the ranking names another spot than the visit did");
    assert_eq!(output(home, &["rank", "--json", file]).1, ranked, "the same file ranks differently");
    let reports: Vec<Vec<(String, Vec<u8>)>> = ["one", "two"]
        .into_iter()
        .map(|folder| {
            fs::create_dir(home.join(folder)).unwrap();
            let (code, sheet, words) = output(home, &["report", file, "--folder", folder]);
            assert_eq!(code, Some(0), "{words}");
            assert!(home.join(sheet.trim()).exists(), "{sheet}");
            let mut files: Vec<_> = fs::read_dir(home.join(folder)).unwrap().map(|entry| entry.unwrap()).collect();
            files.sort_by_key(|entry| entry.file_name());
            let read = |entry: &fs::DirEntry| {
                (entry.file_name().to_string_lossy().into_owned(), fs::read(entry.path()).unwrap())
            };
            files.iter().map(read).collect()
        })
        .collect();
    assert!(reports[0] == reports[1], "the same file gives different reports");
    assert_eq!(fs::read(session.file()).unwrap(), bytes, "rank and report leave the visit as it is");
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
    // What sounded may meet the full disk before an answer does: that brings a notice alone, and no question is asked again.
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

/// One spot with a hole off the scale once got nearly all the answers of a rehearsal, and eight of ten spots none.
#[test]
fn no_spot_is_rated_again_and_again_while_others_wait() {
    let home = tempfile::tempdir().unwrap();
    let done = evenbass(home.path()).args(["rehearse", "--seed", "1", "--folder"]).arg(home.path()).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let opened = visit::read(&home.path().join("rehearsal.visit.jsonl")).unwrap();
    let events = opened.events.into_iter().map(|recorded| recorded.stamped);
    let state = State::replay(opened.header.brief.into(), events).unwrap();
    let evidence = state.evidence();
    let mut answers = vec![0; state.room().spots.len()];
    for answer in &evidence {
        answers[answer.spot] += 1;
    }
    assert!(answers.iter().all(|&count| 2 * count < evidence.len()), "{answers:?}");
    assert!(answers.iter().filter(|&&count| count > 0).count() >= 4, "{answers:?}");
}
