//! Visits to their end, by each way of answering, and what is left of them.

use std::fs;
use std::path::Path;

use evenbass::evidence::Heard;
use evenbass::routine::{Stage, State};
use evenbass::visit;
use serde_json::{Value, json};

use crate::support::script::{SMALL_ROOM, Talk, WHOLE_KIT, evenbass, rehearsal};
use crate::{Session, output, to_the_end};

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

#[test]
fn matching_in_little_time_compares_two_spots_and_names_one() {
    let home = tempfile::tempdir().unwrap();
    let said = evenbass(home.path()).args(["rehearse", "--match", "--minutes", "4", "--seed", "2"]).output().unwrap();
    let words = String::from_utf8(said.stdout).unwrap();
    assert!(said.status.success() && words.contains("is the most even spot."), "{words}");
    let file = home.path().join("rehearsal.visit.jsonl");
    let opened = visit::read(&file).unwrap();
    let events = opened.events.into_iter().map(|recorded| recorded.stamped);
    let state = State::replay(std::sync::Arc::new(opened.header.brief), events).unwrap();
    let heard: std::collections::BTreeSet<usize> = state.evidence().iter().map(|evidence| evidence.spot).collect();
    assert!(heard.len() >= 2, "{heard:?}");
}
