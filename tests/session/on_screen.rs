//! What a person sees on the full screen.

use std::path::Path;

use evenbass::routine::State;
use evenbass::visit;
use tempfile::TempDir;

use crate::support::screen::Screen;
use crate::support::script::evenbass;

/// A rehearsal on the screen, answered by keys.
fn rehearsal(home: &Path) -> Screen {
    begun(home, &[])
}

fn begun(home: &Path, options: &[&str]) -> Screen {
    let mut command = evenbass(home);
    command.args(["rehearse", "--face", "terminal", "--room", "room.toml", "--notes", "short", "--minutes", "60"]);
    command.args(["--kit", "kit.toml", "--seed", "11", "--folder"]).arg(home).args(options);
    Screen::start(command)
}

/// Whether something is asked, and no answer is on its way.
fn is_settled(screen: &Screen) -> bool {
    !screen.page().contains("One moment.") && !screen.page().contains("being written")
}

/// Answers by Enter until something is on the screen.
fn go_on_until(screen: &mut Screen, wanted: &str) {
    screen.wait_for("STOP");
    while !screen.text().contains(wanted) {
        let before = screen.page();
        screen.press("\r");
        screen.wait("the next question", |screen| screen.page() != before && is_settled(screen));
    }
}

#[test]
fn a_visit_that_begins_with_a_handset_begins_with_its_code() {
    let home = home();
    let mut screen = begun(home.path(), &["--handset", "127.0.0.1"]);
    screen.wait_for("any key goes on to the visit");
    assert!(screen.text().contains("http://127.0.0.1:"), "{}", screen.text());
    screen.press("x");
    screen.wait_for("? help");
    assert!(!screen.text().contains("any key"), "{}", screen.text());
    screen.press("q");
    screen.end();
}

fn home() -> TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
fn nobody_is_told_that_an_answer_is_taken_which_was_taken_back() {
    let home = home();
    let mut screen = rehearsal(home.path());
    go_on_until(&mut screen, "Taken:");
    let before = screen.page();
    screen.press("u");
    screen.wait("the question of before", |screen| screen.page() != before && is_settled(screen));
    assert!(!screen.text().contains("Taken:"), "{}", screen.text());
    screen.press("\r");
    screen.wait_for("Taken:");
    screen.press("q");
    screen.end();
}

#[test]
fn a_note_that_is_skipped_takes_the_word_of_the_last_answer_with_it() {
    let home = home();
    let mut screen = rehearsal(home.path());
    go_on_until(&mut screen, "How strong is");
    screen.press("4");
    screen.wait_for(": even");
    let before = screen.page();
    screen.press("s");
    screen.wait("the next note", |screen| screen.page() != before && screen.page().contains("How strong is"));
    assert!(!screen.text().contains("Taken:"), "{}", screen.text());
    screen.press("q");
    screen.end();
}

#[test]
fn the_lowest_level_is_comfortable_only_when_it_is_said_twice() {
    let home = home();
    let mut screen = rehearsal(home.path());
    go_on_until(&mut screen, "now -60 dBFS");
    screen.press("\r");
    screen.wait_for("It is at the lowest level, -60 dBFS,");
    screen.wait_for("answer once more.");
    screen.press("\r");
    screen.wait_for("Taken: comfortable at -60.0 dBFS");
    let opened = visit::read(&home.path().join("rehearsal.visit.jsonl")).unwrap();
    let events = opened.events.into_iter().map(|recorded| recorded.stamped);
    let state = State::replay(opened.header.brief.into(), events).unwrap();
    assert_eq!(state.comfort().map(|level| level.dbfs()), Some(-60.0));
    screen.press("q");
    screen.end();
}

#[test]
fn a_level_that_was_raised_is_taken_at_once() {
    let home = home();
    let mut screen = rehearsal(home.path());
    go_on_until(&mut screen, "now -60 dBFS");
    screen.press("+");
    screen.wait_for("now -59 dBFS");
    screen.press("-");
    screen.wait_for("now -60 dBFS");
    screen.press("\r");
    screen.wait_for("Taken: comfortable at -60.0 dBFS");
    screen.press("q");
    screen.end();
}
