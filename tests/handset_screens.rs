//! Every screen of the phone page in a real browser, looked at by `support::looker`, and no error in its script.
#![cfg(target_os = "linux")]

mod support;

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};
use support::browser::{Browser, Looks, Phone};
use support::laptop::Laptop;
use support::looker::{Looker, take_number};
use support::script::evenbass;
use support::sound_server::{Sink, SoundServer};

/// A room whose plan is known.
const TAPED_ROOM: &str = r#"
name = "garden room"
size_m = [5.2, 3.8]
height_m = 2.4

[[seat]]
name = "bench"
at_m = [3.9, 1.9, 1.1]

[[spot]]
name = "window corner"
at_m = [0.4, 0.5, 0.3]

[[spot]]
name = "door side"
at_m = [0.4, 2.6, 0.3]

[[spot]]
name = "behind the bench"
at_m = [4.8, 3.4, 0.3]
"#;

fn command(home: &Path, arguments: &[&str]) -> Command {
    let mut command = evenbass(home);
    std::fs::write(home.join("taped.toml"), TAPED_ROOM).expect("files can be written");
    command.env("XDG_DATA_HOME", home.join("data")).args(arguments);
    command
}

/// Matches one note instead of rating it; the question after that, which is a rating again.
fn match_one(phone: &Phone, laptop: &Laptop, looker: &mut Looker) -> Value {
    phone.key("m");
    let question = laptop.hear_until(|line| line["ask"] == "match");
    let text = question["text"].as_str().expect("a text");
    phone.settle(text);
    looker.look(phone, "23-match");
    phone.key("ArrowUp");
    laptop.hear_of("ask");
    phone.tap("[data-k=nudge-down]");
    laptop.hear_of("ask");
    phone.settle(text);
    phone.tap(".lead");
    laptop.hear_of("taken");
    let question = laptop.hear_until(|line| line["ask"] == "match");
    phone.settle(question["text"].as_str().expect("a text"));
    phone.key("m");
    laptop.hear_until(|line| line["ask"] == "rate")
}

/// What a wide screen shows beside the question: everything that was answered, but nothing of who leads before the
/// verdict.
fn check_desk(phone: &Phone, has_verdict: bool) {
    phone.looks(Looks { width: 1280, height: 800, dark: false });
    let last = if has_verdict { "Ranking" } else { "Answers" };
    phone.wait(&format!(
        "!document.getElementById('desk').hidden && document.getElementById('desk').innerText.includes('{last}')"
    ));
    let shown = phone.ask("document.getElementById('desk').innerText");
    let shown = shown.as_str().expect("words");
    assert!(shown.contains("Plan") && shown.contains("Answers"), "{shown}");
    // Each answer stands with its question, unless it names its note; it goes back for so long, and no further.
    assert_eq!(shown.contains("or bypass it.\nIt is open"), !has_verdict, "{shown}");
    for part in ["Ranking", "What it sounds like at the seat"] {
        assert_eq!(shown.contains(part), has_verdict, "{part}: {shown}");
    }
    phone.looks(Looks { width: 390, height: 844, dark: true });
}

#[test]
fn every_screen_of_a_visit_can_be_read_and_pressed() {
    let home = tempfile::tempdir().expect("a folder");
    let arguments = [
        "rehearse",
        "--face",
        "json",
        "--room",
        "taped.toml",
        "--notes",
        "short",
        "--minutes",
        "3",
        "--kit",
        "kit.toml",
        "--seed",
        "7",
        "--folder",
        ".",
        "--handset",
    ];
    let mut laptop = Laptop::start(command(home.path(), &arguments));
    let browser = Browser::start();
    let mut looker = Looker::new();
    let phone = browser.phone();

    let invitation = laptop.invitation();
    phone.go(&invitation.replace('#', "#x"));
    phone.wait_for_text("This code is not valid");
    phone.wait_for_text("Stop is at the laptop: the space bar.");
    looker.look(&phone, "00-wrong-code");
    phone.go("about:blank");
    phone.go(&invitation);
    phone.settle("STOP");

    let mut seen = std::collections::BTreeSet::new();
    let (mut rated, mut next) = (0, None);
    loop {
        let heard = || laptop.hear_until(|line| line.get("ask").is_some() || line.get("done").is_some());
        let line = next.take().unwrap_or_else(heard);
        if line.get("done").is_some() {
            break;
        }
        let (kind, text) = (line["ask"].as_str().expect("a kind"), line["text"].as_str().expect("a text"));
        let topic = line["topic"].as_str().unwrap_or("");
        let screen = format!("{kind}{}{topic}", if topic.is_empty() { "" } else { "-" });
        if kind == "rate" && seen.contains(&screen) {
            // Ratings are many, and one is like the other: the rest is said at the laptop, where it may be said just as
            // well.
            rated += 1;
            laptop.say(&json!({ "id": line["id"], "rating": rated % 5 - 2 }));
            laptop.hear_of("taken");
            continue;
        }
        phone.settle(text);
        if seen.insert(screen.clone()) {
            looker.look(&phone, &format!("{:02}-{screen}", seen.len()));
            if kind == "rate" {
                check_desk(&phone, false);
                phone.tap("[data-k=rattles]");
                phone.wait("document.querySelector('[data-k=rattles][aria-pressed=true]')");
                phone.tap("[data-k=pause]");
                phone.settle("It is silent now.");
                looker.look(&phone, "20-paused");
                phone.tap("[data-k=go]");
                phone.settle(text);
                phone.offline(true);
                phone.wait_for_text("Out of touch with the laptop");
                looker.look(&phone, "21-away");
                phone.offline(false);
                phone.settle(text);
                phone.tap("[data-k=more]");
                phone.wait("document.querySelector('[data-k=answer-by]')");
                looker.look(&phone, "22-more");
                next = Some(match_one(&phone, &laptop, &mut looker));
                continue;
            }
        }
        if topic == "comfort" {
            // At the lowest level it would be asked whether it is heard at all.
            phone.tap("[data-k=louder]");
            laptop.hear_of("ask");
            phone.settle("-59 dBFS");
        }
        match (kind, topic) {
            ("rate", _) => phone.tap(".steps button:nth-child(2)"),
            _ => phone.tap(".lead"),
        }
        laptop.hear_of("taken");
    }
    assert!(seen.contains("rate") && seen.contains("move") && seen.contains("anchors"), "{seen:?}");
    phone.settle("The visit is complete.");
    looker.look(&phone, "40-done");
    check_desk(&phone, true);
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
}

#[test]
fn every_question_about_room_and_kit_can_be_read_and_answered() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().expect("a folder");
    let mut command = command(home.path(), &["begin", "attic", "--face", "json", "--notes", "short", "--handset"]);
    command.envs(server.environment()).args(["--output", Sink::Front.name()]);
    command.env("HOME", home.path()).env("XDG_CONFIG_HOME", home.path().join("config"));
    let laptop = Laptop::start(command);
    let browser = Browser::start();
    let mut looker = Looker::new();
    let phone = browser.phone();
    phone.go(&laptop.invitation());

    let mut seen = std::collections::BTreeSet::new();
    // What the walls are made of, a second subwoofer, nothing more.
    let mut more = [4, 7, 0].into_iter();
    loop {
        let line = laptop.hear_of("ask");
        let (kind, text) = (line["ask"].as_str().expect("a kind"), line["text"].as_str().expect("a text"));
        // The same words may be asked twice in a row.
        phone.wait(&format!("document.body && document.body.dataset.question === '{}'", line["id"]));
        phone.settle(text);
        let screen = format!("{kind}-{}", line["topic"].as_str().unwrap_or(""));
        // The list of what else there is is the longest screen of buttons.
        if !seen.contains(kind) || line["topic"] == "room-more" && seen.insert("room-more".to_owned()) {
            looker.look(&phone, &format!("50-{screen}"));
        }
        let known = seen.contains(kind);
        seen.insert(kind.to_owned());
        match kind {
            "number" => {
                if !known {
                    phone.ask("document.getElementById('typed').focus()");
                    phone.tap("#typed");
                    phone.key("x");
                    phone.tap("[data-k=take]");
                    phone.wait_for_text("is not a number");
                    looker.look(&phone, "60-refused");
                    phone.key("Backspace");
                }
                take_number(&phone, &line);
            }
            "text" => phone.tap("[data-k=take]"),
            "choose" if line["topic"] == "room-more" => {
                let at = more.next().expect("the list is left by its first entry");
                phone.tap(&format!(".answers button:nth-of-type({})", at + 1));
            }
            "choose" => phone.tap(".answers button"),
            "confirm" if line["topic"] == "safety" => break,
            _ => phone.tap(".lead"),
        }
        laptop.hear_of("taken");
    }
    assert!(seen.contains("number") && seen.contains("text") && seen.contains("room-more"), "{seen:?}");
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
}
