//! Sessions on the fast clock, through the JSON face and on the screen; `early` alone takes real time.

mod commands;
mod early;
mod on_screen;
mod refused;
#[path = "../support/mod.rs"]
mod support;
mod whole;

use std::path::{Path, PathBuf};

use evenbass::routine::{Event, State};
use evenbass::visit::{self, Opened};
use serde_json::{Value, json};
use support::script::{Talk, answer_to, evenbass, rehearsal};
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

/// Another run of the program: its status, and what it printed on either stream.
fn output(home: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = evenbass(home).args(arguments).output().expect("the program starts");
    let text = |bytes| String::from_utf8(bytes).expect("text");
    (output.status.code(), text(output.stdout), text(output.stderr))
}
