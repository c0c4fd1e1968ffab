//! Who is not let in, and what may not be done by those who are: the handset attacked from outside, without a browser.
//! And what is said where there is no port, no address or no network to serve it on.
#![cfg(target_os = "linux")]

mod bounds;
mod door;
mod network;
#[path = "../support/mod.rs"]
mod support;

use std::path::Path;

use serde_json::{Value, json};
use support::laptop::{Laptop, pair, parts, rehearsal};

/// A rehearsal that a script answers, with a handset that only this machine can reach.
fn laptop(home: &Path, options: &[&str]) -> Laptop {
    let mut command = rehearsal(home);
    command.args(options);
    Laptop::start(command)
}

/// The page's address and the cookie of a phone that has just been paired.
fn paired(laptop: &Laptop) -> (String, String) {
    let invitation = laptop.invitation();
    (parts(&invitation).0, pair(&invitation))
}

fn home() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

/// Answers by what leads on until a question is as wanted.
fn go_on_until(laptop: &mut Laptop, wanted: impl Fn(&Value) -> bool) -> Value {
    loop {
        let question = laptop.hear_of("ask");
        if wanted(&question) {
            return question;
        }
        laptop.say(&json!({ "yes": true, "id": question["id"] }));
    }
}

fn is_comfort(question: &Value) -> bool {
    question["topic"] == "comfort"
}
