//! A person who holds a phone, and what such a person can see.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::laptops::COMFORT_DBFS;
use crate::support::browser::{Browser, PATIENCE, Phone};
use crate::support::laptop::{Laptop, rehearsal, visit_file};

/// The page shows a question that can be answered.
pub const OPEN: &str = "document.querySelector('.lead:not([data-k=go])')";

/// A person who reads the phone and presses what it offers.
pub struct Person<'a> {
    pub phone: &'a Phone,
    pub laptop: &'a Laptop,
    pub ratings: usize,
}

impl Person<'_> {
    /// Does what the page says until the laptop asks for something wanted; that question.
    pub fn go_on_until(&mut self, wanted: impl Fn(&Value) -> bool) -> Value {
        loop {
            let line = self.laptop.hear_until(|line| line.get("ask").is_some() || line.get("done").is_some());
            if wanted(&line) {
                return line;
            }
            assert!(line.get("done").is_none(), "it was over before");
            self.answer(&line);
        }
    }

    pub fn answer(&mut self, question: &Value) {
        let question = &self.newest(question);
        if let Some(level) = question["level_dbfs"].as_f64().filter(|level| *level < COMFORT_DBFS) {
            self.phone.settle(&format!("{level:.0} dBFS"));
            return self.phone.tap("[data-k=louder]");
        }
        match question["ask"].as_str() {
            Some("rate") => {
                self.ratings += 1;
                self.phone.tap(&format!(".steps button:nth-child({})", 2 + self.ratings % 5));
            }
            _ => self.phone.tap(".lead"),
        }
        let id = question["id"].as_u64().expect("a number");
        self.phone.wait(&format!("document.body.dataset.taken === '{id}'"));
        let text = std::fs::read_to_string(visit_of(self.laptop)).expect("a visit");
        assert!(text.contains(&format!(r#""question":{id},"#)), "shown as taken before it was written");
    }

    /// The question that the page shows, once it is the laptop's: another one, where a busy machine has lost the sound
    /// output for a moment and begins anew.
    fn newest(&self, question: &Value) -> Value {
        let mut open = question.clone();
        let began = Instant::now();
        while !self.phone.has_settled(&open) {
            let heard = self.laptop.heard_since();
            open = heard.into_iter().rfind(|line| line.get("ask").is_some()).unwrap_or(open);
            assert!(began.elapsed() < PATIENCE, "waited in vain for {open}:\n{}", self.phone.text());
            std::thread::park_timeout(Duration::from_millis(10));
        }
        open
    }

    /// Waits until the page shows a question, long enough for a person to have read it.
    pub fn see(&self, question: &Value) {
        self.phone.wait(&format!("document.body && document.body.dataset.question === '{}'", question["id"]));
        self.phone.settle(question["text"].as_str().expect("a text"));
    }
}

/// The visit file of a laptop, from where it runs.
pub fn visit_of(laptop: &Laptop) -> PathBuf {
    let home = std::fs::read_link(format!("/proc/{}/cwd", laptop.id())).expect("it runs");
    visit_file(&home)
}

pub fn is(topic: &'static str) -> impl Fn(&Value) -> bool {
    move |question| question["topic"] == topic || question["ask"] == topic
}

/// Somebody who has got to the first question of the kit and sees it; that question.
pub fn at_low_pass<'a>(phone: &'a Phone, laptop: &'a Laptop) -> (Person<'a>, Value) {
    let mut person = Person { phone, laptop, ratings: 0 };
    let question = person.go_on_until(is("low-pass-open"));
    person.see(&question);
    (person, question)
}

/// A rehearsal, and a phone that is paired with it.
pub struct Hand {
    pub phone: Phone,
    pub browser: Browser,
    pub laptop: Laptop,
    pub home: TempDir,
}

impl Hand {
    /// The phone shows the first question.
    pub fn ready() -> Self {
        Self::ready_after(&[])
    }

    /// The same, where each of these scripts has run before the page's own.
    pub fn ready_after(scripts: &[&str]) -> Self {
        let home = tempfile::tempdir().unwrap();
        let laptop = Laptop::start(rehearsal(home.path()));
        let browser = Browser::start();
        let phone = browser.phone();
        for script in scripts {
            phone.call("Page.addScriptToEvaluateOnNewDocument", json!({ "source": script }));
        }
        phone.go(&laptop.invitation());
        phone.wait(OPEN);
        Self { phone, laptop, browser, home }
    }
}
