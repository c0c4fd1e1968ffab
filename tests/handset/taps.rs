//! Taps, keys and page-turners: what counts as an answer, and what was not meant for this screen.

use std::time::{Duration, Instant};

use serde_json::json;

use crate::person::{Hand, at_low_pass, is};
use crate::support::browser::Phone;

#[test]
fn keys_and_page_turners_answer_too() {
    let hand = Hand::ready();
    let (laptop, phone) = (&hand.laptop, &hand.phone);
    let (mut person, _) = at_low_pass(phone, laptop);
    phone.key("Enter");
    laptop.hear_of("taken");
    let question = person.go_on_until(is("rate"));
    person.see(&question);
    // From even, two steps on, and the marked one.
    phone.key("r");
    for key in ["PageDown", "PageDown", "PageDown", "PageUp"] {
        phone.key(key);
    }
    let taken = laptop.hear_of("taken");
    assert!(taken["taken"].as_str().expect("words").contains("strong, something rattles"), "{taken}");
    let question = laptop.hear_of("ask");
    person.see(&question);
    phone.key("2");
    assert!(laptop.hear_of("taken")["taken"].as_str().expect("words").ends_with("weak"));
    phone.key(" ");
    laptop.hear_of("paused");
    phone.settle("It is silent now.");
    phone.key("p");
    laptop.hear_of("continued");
    phone.key("Escape");
    laptop.hear_of("paused");
}

#[test]
fn a_tap_counts_although_the_page_is_told_something_under_the_thumb() {
    let mut hand = Hand::ready();
    let (laptop, phone) = (&mut hand.laptop, &hand.phone);
    let (_, question) = at_low_pass(phone, laptop);
    let began = Instant::now();
    phone.tap_while(".lead", || {
        // There is no note to go back to, which is said on every screen.
        laptop.say(&json!({ "do": "back" }));
        laptop.hear_of("refused");
        phone.wait_for_message("\"refusals\":1,");
    });
    if began.elapsed() > Duration::from_secs(1) {
        // A thumb that rests this long presses nothing.
        return println!("the machine is too busy to tell");
    }
    assert_eq!(laptop.hear_of("taken")["id"], question["id"]);
}

/// From here on the page's clock moves by hand alone (`pass`), and what it sends is counted by its kind (`sent`).
fn hold_clock(phone: &Phone) {
    phone.ask(
        "(() => { const sends = WebSocket.prototype.send; window.sent = {}; \
         WebSocket.prototype.send = function (said) { const told = JSON.parse(said), kind = told.do || Object.keys(told)[0]; \
         sent[kind] = (sent[kind] || 0) + 1; sends.call(this, said); }; let now = performance.now(); \
         performance.now = () => now; window.pass = (ms) => { now += ms; }; })()",
    );
}

#[test]
fn no_screen_takes_a_second_tap_that_was_meant_for_the_one_before() {
    let hand = Hand::ready();
    let (laptop, phone) = (&hand.laptop, &hand.phone);
    let times = |kind: &str| phone.ask(&format!("sent['{kind}'] || 0")).as_u64().expect("a number");
    hold_clock(phone);
    phone.ask("pass(300)");
    // Pause is heard at any time; going on is not where the second tap of a pair would do it.
    phone.tap("[data-k=pause]");
    laptop.hear_of("paused");
    // A thumb has just been there, and the drawing waits for it to be gone.
    phone.ask("pass(100)");
    phone.wait("document.querySelector('[data-k=go]')");
    phone.tap("[data-k=go]");
    phone.key("p");
    assert_eq!(times("continue"), 0, "nobody can have read that it is paused");
    phone.ask("pass(300)");
    phone.tap("[data-k=go]");
    phone.tap("[data-k=go]");
    assert_eq!(times("continue"), 1, "one press, sent once");
    laptop.hear_of("continued");
    // The question is back, as new as it was the first time.
    phone.ask("pass(100)");
    phone.wait("document.querySelector('.lead:not([data-k=go])')");
    phone.tap(".lead");
    for key in ["Enter", "a", "b", "s", "u", "d"] {
        phone.key(key);
    }
    for kind in ["answer", "again", "back", "skip", "undo", "decide"] {
        assert_eq!(times(kind), 0, "{kind}: nobody can have read the question");
    }
    // Stop never waits.
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.ask("pass(100)");
    phone.wait("document.querySelector('[data-k=go]')");
    phone.ask("pass(300)");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    phone.ask("pass(100)");
    phone.wait("document.querySelector('.lead:not([data-k=go])')");
    phone.ask("pass(300)");
    let question = phone.ask("Number(document.body.dataset.question)");
    phone.tap(".lead");
    assert_eq!(laptop.hear_of("taken")["id"], question);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_question_that_was_drawn_this_moment_takes_no_tap_however_long_a_thumb_held_it_back() {
    let mut hand = Hand::ready();
    let (laptop, phone) = (&mut hand.laptop, &hand.phone);
    let first = laptop.hear_of("ask");
    phone.wait_for_text(first["text"].as_str().expect("a text"));
    hold_clock(phone);
    let mut second = json!(null);
    phone.tap_while("h1", || {
        laptop.say(&json!({ "yes": true, "id": first["id"] }));
        laptop.hear_of("taken");
        second = laptop.hear_of("ask");
        phone.wait_for_message(&format!(r#""id":{},"#, second["id"]));
        assert!(phone.text().contains(first["text"].as_str().expect("a text")), "the thumb holds it back");
        phone.ask("pass(1000)");
    });
    // The thumb has left for long enough; the new question is drawn, and the clock has not moved since.
    phone.ask("pass(100)");
    phone.wait_for_text(second["text"].as_str().expect("a text"));
    phone.tap(".lead");
    assert_eq!(phone.ask("sent.answer || 0"), json!(0), "nobody can have read it");
    phone.ask("pass(300)");
    phone.tap(".lead");
    assert_eq!(phone.ask("sent.answer || 0"), json!(1));
    assert_eq!(laptop.hear_of("taken")["id"], second["id"]);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}
