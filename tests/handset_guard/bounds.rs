//! What may not be done by those who are let in, and how much of it.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::laptop::{Page, exchange, request, visit_file};
use crate::{go_on_until, home, is_comfort, laptop, paired};

#[test]
fn what_is_too_large_or_means_nothing_is_refused_and_the_visit_goes_on() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let own = [("Origin", page.as_str()), ("Cookie", &cookie)];
    let question = laptop.hear_of("ask");

    let large = "x".repeat(300);
    assert_eq!(request(&page, "POST /pair", &[("Origin", &page)], &large).expect("an answer").status, 413);
    let long = format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "a".repeat(100_000));
    assert!(exchange(&page, long.as_bytes()).is_none_or(|reply| reply.status >= 400));
    let many = format!("GET / HTTP/1.1\r\n{}\r\n", "A: b\r\n".repeat(5000));
    assert!(exchange(&page, many.as_bytes()).is_none_or(|reply| reply.status >= 400));
    for garbage in [&b"\x16\x03\x01\x02\x00\x01"[..], b"\0\0\0\0", b"HELO\r\n\r\n", b"GET\r\n\r\n", &[0xff; 4096]] {
        assert!(exchange(&page, garbage).is_none_or(|reply| reply.status >= 400));
    }

    let mut socket = Page::of(&page, &cookie);
    socket.card(|card| card["question"]["id"] == question["id"]);
    for nonsense in [
        "",
        "{",
        "null",
        "[]",
        "{}",
        "\u{0}",
        r#"{"do":"ceiling"}"#,
        r#"{"do":"leave"}"#,
        r#"{"alive":-1}"#,
        r#"{"do":"stop","then":"x"}"#,
        r#"{"answer":{"question":1}}"#,
        r#"{"answer":{"question":1,"answer":{"answer":"rating","value":9}}}"#,
        r#"{"answer":{"question":1,"answer":{"answer":"yes"},"seconds":1e9}}"#,
        &format!("[{}", "[".repeat(1500)),
    ] {
        socket.say_text(nonsense);
    }
    socket.say_bytes(&[0; 100]);
    socket.say(&json!({ "alive": 7 }));
    assert_eq!(socket.hear_of("alive"), json!(7), "it is still served");
    // A frame that is too large costs the socket; nothing else.
    socket.say_text(&"x".repeat(5000));
    while socket.hear().is_some() {}
    // A frame without a mask, reserved bits, an unknown kind.
    for frame in [&[0x81, 0x02, b'h', b'i'][..], &[0xf1, 0x80, 0, 0, 0, 0], &[0x83, 0x80, 0, 0, 0, 0], &[0x81, 0xff]] {
        let mut socket = Page::of(&page, &cookie);
        socket.stream().write_all(frame).expect("it is open");
        socket.stream().shutdown(std::net::Shutdown::Write).expect("it is open");
        while socket.hear().is_some() {}
    }
    assert_eq!(request(&page, "GET /", &own, "").expect("an answer").status, 200);
    assert!(laptop.heard_since().is_empty(), "the visit has not noticed");
    laptop.say(&json!({ "yes": true, "id": question["id"] }));
    laptop.hear_of("taken");
}

#[test]
fn an_answer_for_another_question_is_refused() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let mut socket = Page::of(&page, &cookie);
    let first = laptop.hear_of("ask")["id"].as_u64().expect("a number");
    laptop.say(&json!({ "yes": true, "id": first }));
    let second = laptop.hear_of("ask")["id"].as_u64().expect("a number");
    socket.card(|card| card["question"]["id"] == second);
    for wrong in [first, second + 1, 0, u64::MAX] {
        socket.say(&json!({ "answer": { "question": wrong, "answer": { "answer": "yes" } } }));
        let why = socket.hear_of("refused");
        assert!(why.as_str().expect("words").contains("no longer open"), "{why}");
    }
    socket.say(&json!({ "answer": { "question": second, "answer": { "answer": "rating", "value": 0 } } }));
    assert!(socket.hear_of("refused").as_str().expect("words").contains("does not answer this question"));
    assert!(laptop.heard_since().iter().all(|line| line.get("taken").is_none_or(|_| line["id"] == first)));
    socket.say(&json!({ "answer": { "question": second, "answer": { "answer": "yes" } } }));
    assert_eq!(laptop.hear_until(|line| line.get("taken").is_some() && line["id"] != first)["id"], second);
    socket.card(|card| card["taken_id"] == second);
}

#[test]
fn a_phone_raises_the_comfort_level_only_in_charge_and_only_so_far() {
    let home = home();
    let mut laptop = laptop(home.path(), &["--handset-louder-to", "-55"]);
    let (page, cookie) = paired(&laptop);
    let (mut one, mut other) = (Page::of(&page, &cookie), Page::of(&page, &paired(&laptop).1));
    let comfort = go_on_until(&mut laptop, is_comfort);
    let level = |card: &Value| card["question"]["nudge"]["scale"]["now"].as_f64();
    let louder = json!({ "do": "louder" });
    // The script answered last, so that neither phone may.
    for phone in [&mut one, &mut other] {
        phone.card(|card| card["question"]["id"] == comfort["id"]);
        phone.say(&louder);
        assert!(phone.hear_of("refused").as_str().expect("words").contains("Another screen"));
    }
    one.say(&json!({ "do": "pause" }));
    one.card(|card| !card["paused"].is_null());
    one.say(&json!({ "do": "continue" }));
    let begun = one.card(|card| card["paused"].is_null() && level(card).is_some());
    assert_eq!(begun["question"]["nudge"]["blocked"], Value::Null);
    let mut now = level(&begun).expect("a level");
    assert_eq!(now, -60.0);
    while now < -55.0 {
        one.say(&louder);
        now = level(&one.card(|card| level(card).is_some_and(|level| level > now))).expect("a level");
    }
    for _ in 0..20 {
        one.say(&louder);
    }
    assert!(one.hear_of("refused").as_str().expect("words").contains("A phone may raise it to -55.0 dBFS"));
    other.say(&louder);
    assert!(other.hear_of("refused").as_str().expect("words").contains("Another screen"));
    // Quieter is everybody's; the laptop may go further.
    other.say(&json!({ "do": "quieter" }));
    one.card(|card| level(card) == Some(-56.0));
    for wanted in [-55.0, -54.0] {
        laptop.say(&json!({ "do": "louder" }));
        one.card(|card| level(card) == Some(wanted));
    }
    // Answering fixes the level that was reached, and no phone moves it afterwards.
    laptop.say(&json!({ "yes": true }));
    one.card(|card| card["question"]["input"] == "confirm");
    one.say(&louder);
    assert!(one.hear_of("refused").as_str().expect("words").contains("nothing to raise"));
    laptop.leave();
    let text = std::fs::read_to_string(visit_file(home.path())).expect("a visit");
    assert_eq!(text.matches(r#""louder""#).count(), 7, "five from the phone, two from the laptop");
}

#[test]
fn ten_thousand_actions_are_bounded() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let before_kb = laptop.most_memory_kb();
    laptop.hear_of("ask");
    for action in ["undo", "again", "back", "pause", "louder", "quieter"] {
        let mut socket = Page::of(&page, &cookie);
        for _ in 0..10_000 {
            if !socket.say(&json!({ "do": action })) {
                break;
            }
        }
        drop(socket);
    }
    let mut socket = Page::of(&page, &cookie);
    socket.say(&json!({ "do": "continue" }));
    let card = socket.card(|card| card["paused"].is_null() && !card["question"].is_null());
    socket.say(&json!({ "answer": { "question": card["question"]["id"], "answer": { "answer": "yes" } } }));
    let question = card["question"]["id"].clone();
    socket.card(|card| card["taken_id"] == question);
    assert!(laptop.runs());
    let grown_kb = laptop.most_memory_kb() - before_kb;
    assert!(grown_kb < 32 * 1024, "{grown_kb} kB for nothing");
}

#[test]
fn five_hundred_connections_and_slow_ones_leave_the_phone_its_place() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let mut phone = Page::of(&page, &cookie);
    let question = laptop.hear_of("ask");
    phone.card(|card| card["question"]["id"] == question["id"]);
    let before_kb = laptop.most_memory_kb();
    let address = page.trim_start_matches("http://");
    // Each says a little and then nothing, as slowly as it can.
    let mut slow: Vec<TcpStream> = (0..500).filter_map(|_| TcpStream::connect(address).ok()).collect();
    for stream in &mut slow {
        stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a socket has timeouts");
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
    }
    phone.say(&json!({ "alive": 1 }));
    assert_eq!(phone.hear_of("alive"), json!(1));
    phone.say(&json!({ "answer": { "question": question["id"], "answer": { "answer": "yes" } } }));
    phone.card(|card| card["taken_id"] == question["id"]);
    // All are hung up on, without a word more from them.
    for stream in &mut slow {
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest);
        assert!(rest.len() < 1000);
    }
    assert_eq!(request(&page, "GET /", &[("Cookie", &cookie)], "").expect("an answer").status, 200);
    let grown_kb = laptop.most_memory_kb() - before_kb;
    assert!(grown_kb < 32 * 1024, "{grown_kb} kB for nothing");
    assert!(laptop.runs());
}

#[test]
fn a_press_of_stop_that_comes_as_several_requests_is_one_press() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let own = [("Origin", page.as_str()), ("Cookie", &cookie)];
    let stop = |press: &str| request(&page, "POST /stop", &own, press).expect("an answer").status;
    laptop.hear_of("ask");
    assert_eq!((stop("7-1"), stop("7-1")), (204, 204));
    laptop.hear_of("paused");
    laptop.say(&json!({ "do": "continue" }));
    laptop.hear_of("continued");
    // It comes once more, late; then somebody presses again.
    assert_eq!(stop("7-1"), 204);
    laptop.say(&json!({ "do": "back" }));
    let refused = laptop.hear_until(|line| line.get("refused").is_some() || line.get("paused").is_some());
    assert!(refused.get("refused").is_some(), "the same press has stopped it twice: {refused}");
    assert_eq!(stop("7-2"), 204);
    laptop.hear_of("paused");
}

/// Answers on a phone by what leads on until its card is as wanted.
fn walk_until(phone: &mut Page, wanted: impl Fn(&Value) -> bool) -> Value {
    let mut answered = Value::Null;
    loop {
        // The card that says that an answer was taken may hold the next question already.
        let is_next = |card: &Value| !card["question"].is_null() && card["question"]["id"] != answered;
        let card = phone.card(|card| is_next(card) && card["paused"].is_null());
        if wanted(&card) {
            return card;
        }
        answered = card["question"]["id"].clone();
        let answer = &card["question"]["buttons"][0]["answer"];
        phone.say(&json!({ "answer": { "question": answered, "answer": answer } }));
    }
}

#[test]
fn a_phone_nudges_a_match_by_one_decibel_and_never_past_the_notes_own_level() {
    let home = home();
    let laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let mut phone = Page::of(&page, &cookie);
    walk_until(&mut phone, |card| card["question"]["input"] == "steps");
    phone.say(&json!({ "do": "answer-by" }));
    let card = phone.card(|card| card["question"]["input"] == "nudge");
    assert_eq!(card["question"]["nudge"]["matching"], json!(true));
    let mut open = laptop.hear_until(|line| line["ask"] == "match");
    let number = |line: &Value, key: &str| line[key].as_f64().expect("a number");
    let (begun_db, highest_db) = (number(&open, "offset_db"), number(&open, "highest_offset_db"));
    assert!(begun_db < highest_db - 2.0, "otherwise nothing would be climbed: {open}");
    // Louder and quieter are the match's own two buttons; each press is heard of before the next, so that none is too
    // many.
    for press in ["nudge-up", "louder"].iter().cycle() {
        phone.say(&json!({ "do": press }));
        let line = laptop.hear_until(|line| line["ask"] == "match" || line.get("refused").is_some());
        if line.get("refused").is_some() {
            break;
        }
        let risen_db = number(&line, "offset_db") - number(&open, "offset_db");
        assert!(risen_db > 0.0 && risen_db <= 1.0 + 1e-9, "{risen_db} dB by {press}");
        open = line;
    }
    assert!((number(&open, "offset_db") - highest_db).abs() < 1e-9, "refused before the top: {open}");
    let card = phone.card(|card| card["refusals"].as_u64() > Some(0));
    assert!(card["question"]["nudge"]["blocked"].as_str().expect("words").contains("no louder"), "{card}");
    // It is made by ear: no card holds a figure.
    assert_eq!(card["question"]["nudge"]["scale"], Value::Null);
    phone.say(&json!({ "do": "quieter" }));
    let is_lower = |line: &Value| line["ask"] == "match" && number(line, "offset_db") < highest_db - 1e-9;
    let line = laptop.hear_until(is_lower);
    assert!(number(&line, "offset_db") >= highest_db - 1.0 - 1e-9, "more than 1 dB: {line}");
}
