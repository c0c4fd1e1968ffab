//! A phone in the hand: the program with a virtual sound card, a real browser, and what goes wrong in a house.
#![cfg(target_os = "linux")]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use evenbass::routine::levels::ceiling_for;
use evenbass::units::Dbfs;
use serde_json::{Value, json};
use support::browser::{Browser, Phone};
use support::compare::{SECOND, Tone, below_ceiling, channel_of, compare, tones};
use support::laptop::{Laptop, Page, pair, parts};
use support::proxy::{Proxy, Weather};
use support::script::{SHORT_SET, evenbass};
use support::sound_server::{Recorder, Sink, SoundServer, wait_until};

/// What the person finds comfortable.
const COMFORT_DBFS: f64 = -52.0;

/// One at a time, for fewer gaps.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn with_sound(server: &SoundServer, home: &Path, arguments: &[&str]) -> Command {
    let mut command = evenbass(home);
    std::fs::write(home.join("small-kit.toml"), "rated_low_hz = 45.0\ntoo_heavy = false\nmeter = false\n").unwrap();
    let long = SHORT_SET.replace("seconds = 0.5", "seconds = 8.0");
    std::fs::write(home.join("config/evenbass/notes/long.toml"), long).unwrap();
    command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
    command.env("XDG_DATA_HOME", home.join("data")).args(arguments);
    command.args(["--face", "json", "--output", Sink::Front.name()]);
    command
}

fn begin(server: &SoundServer, home: &Path, notes: &str, frames: &str) -> Command {
    let mut command = with_sound(server, home, &["begin", "short", "--room", "room.toml", "--kit", "small-kit.toml"]);
    command.args(["--notes", notes, "--seed", "7", "--minutes", "1", "--buffer-frames", frames, "--handset"]);
    command
}

fn rehearsal(home: &Path) -> Command {
    let mut command = evenbass(home);
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--minutes", "2"]);
    command.args(["--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]);
    command
}

fn file_of(home: &Path) -> PathBuf {
    home.join("short.visit.jsonl")
}

/// A person who reads the phone and presses what it offers.
struct Person<'a> {
    phone: &'a Phone,
    laptop: &'a Laptop,
    ratings: usize,
}

/// Somebody who has got to the first question of the kit and sees it; that question.
fn at_low_pass<'a>(phone: &'a Phone, laptop: &'a Laptop) -> (Person<'a>, Value) {
    let mut person = Person { phone, laptop, ratings: 0 };
    let question = person.go_on_until(is("low-pass-open"));
    person.see(&question);
    (person, question)
}

impl Person<'_> {
    /// Does what the page says until the laptop asks for something wanted; that question.
    fn go_on_until(&mut self, wanted: impl Fn(&Value) -> bool) -> Value {
        loop {
            let line = self.laptop.hear_until(|line| line.get("ask").is_some() || line.get("done").is_some());
            if wanted(&line) {
                return line;
            }
            assert!(line.get("done").is_none(), "it was over before");
            self.answer(&line);
        }
    }

    fn answer(&mut self, question: &Value) {
        self.see(question);
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

    /// Waits until the page shows a question, long enough for a person to have read it.
    fn see(&self, question: &Value) {
        self.phone.wait(&format!("document.body && document.body.dataset.question === '{}'", question["id"]));
        self.phone.settle(question["text"].as_str().expect("a text"));
    }
}

/// The visit file of a laptop, from where it runs.
fn visit_of(laptop: &Laptop) -> PathBuf {
    let home = std::fs::read_link(format!("/proc/{}/cwd", laptop.id())).expect("it runs");
    support::laptop::visit_file(&home)
}

fn is(topic: &'static str) -> impl Fn(&Value) -> bool {
    move |question| question["topic"] == topic || question["ask"] == topic
}

#[test]
fn a_whole_visit_is_answered_from_the_floor() {
    let _alone = alone();
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let mut laptop = Laptop::start(begin(&server, home.path(), "short", "8192"));
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let anchors = person.go_on_until(is("anchors"));
    // Nothing of the secret is left where it could be read or sent on.
    assert_eq!(phone.ask("location.href"), json!(format!("{page}/")));
    for request in phone.requests() {
        let headers = &request["headers"];
        assert!(headers["Referer"].as_str().unwrap_or("").is_empty(), "{request}");
        assert!(!headers.to_string().contains(&parts(&invitation).1), "{request}");
    }
    let errors = phone.errors();

    // A second phone: each shows the same, and either answers.
    let second = browser.phone();
    second.go(&laptop.invitation());
    let mut other = Person { phone: &second, laptop: &laptop, ratings: 0 };
    other.answer(&anchors);
    let question = other.go_on_until(is("rate"));
    Person { phone: &phone, laptop: &laptop, ratings: 3 }.answer(&question);
    let question = laptop.hear_of("ask");

    // The page is loaded anew in the middle of a note, and opened twice.
    phone.go(&format!("{page}/"));
    let twice = browser.second_page(&phone);
    twice.go(&format!("{page}/"));
    Person { phone: &twice, laptop: &laptop, ratings: 1 }.see(&question);
    Person { phone: &phone, laptop: &laptop, ratings: 1 }.answer(&question);

    // The laptop's power fails; the same port, the same phones.
    let question = laptop.hear_of("ask");
    Person { phone: &phone, laptop: &laptop, ratings: 1 }.see(&question);
    laptop.kill();
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.querySelectorAll('.answers button').length"), json!(0), "an old question is shown");
    let mut command = with_sound(&server, home.path(), &["resume", "short.visit.jsonl", "--buffer-frames", "8192"]);
    command.arg("--handset");
    let mut laptop = Laptop::start(command);
    assert_eq!(parts(&laptop.invitation()).0, page, "the port of before");
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 5 };
    let question = person.go_on_until(is("rate"));
    second.wait_for_text(question["text"].as_str().expect("a text"));
    person.answer(&question);
    person.go_on_until(|line| line.get("done").is_some());
    phone.wait_for_text("The visit is complete.");
    assert!(phone.text().contains("short.sheet.html"), "{}", phone.text());
    assert!(laptop.leave().success());
    for page in [&phone, &second, &twice] {
        assert!(page.errors().is_empty(), "{:#?}", page.errors());
    }
    assert!(errors.is_empty(), "{errors:#?}");
    let ceiling = ceiling_for(Dbfs::new(COMFORT_DBFS));
    let highest = tones(&file_of(home.path())).iter().map(|tone| tone.level.dbfs()).fold(f64::NEG_INFINITY, f64::max);
    assert!(highest <= ceiling.dbfs(), "a tone at {highest}");
}

/// Lets the note sound from its beginning, does something, stops it on the page, and compares what was recorded.
fn stopped(
    recorder: &Recorder,
    phone: &Phone,
    laptop: &Laptop,
    file: &Path,
    mut during: impl FnMut(),
) -> Result<(), String> {
    let (before, from) = (tones(file).len(), recorder.frames());
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    recorder.wait_for_sound(from);
    let begun = recorder.frames();
    during();
    // The notes of the spot run by first, each for less than half a second; then the one that is asked about, for eight.
    wait_until("the note is steady", || recorder.frames() > begun + 7 * SECOND);
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.wait_for_text("Stop was pressed.");
    recorder.wait_for_silence(SECOND / 2);
    let faded = |tones: &[Tone]| tones[before..].iter().any(|tone| tone.ended == "faded");
    wait_until("the note is written down", || faded(&tones(file)));
    let recorded = &recorder.samples()[from * recorder.channels()..];
    below_ceiling(recorded, ceiling_for(Dbfs::new(COMFORT_DBFS)));
    let recorded = channel_of(recorded, recorder.channels(), &[0, 1]);
    let tone = tones(file).pop().expect("a note");
    let last = recorded.iter().rposition(|sample| *sample != 0.0).expect("a note");
    // Half of the pause before it belongs to it.
    let begin = last.saturating_sub(tone.frames + SECOND / 20);
    // Counted by the engine, in frames handed to the device since the stop had reached it.
    let waited = tone.stop_waited.expect("it was a stop");
    assert!(waited <= 2 * 1024, "the fade began {waited} frames after the stop");
    compare(&recorded[begin..], &[tone])
}

#[test]
fn stop_on_the_page_fades_the_tone_as_designed() {
    let _alone = alone();
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let recorder = server.record(Sink::Front);
    let mut laptop = Laptop::start(begin(&server, home.path(), "long", "1024"));
    let invitation = laptop.invitation();
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let question = person.go_on_until(is("rate"));
    person.see(&question);
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.wait_for_text("Stop was pressed.");
    recorder.wait_for_silence(SECOND / 2);
    let file = file_of(home.path());
    // A buffer of this size has gaps on a busy machine; what is looked for is one note without any.
    for_as_long_as_gaps("stop from the page", || stopped(&recorder, &phone, &laptop, &file, || {}));
    // While everybody knocks and one phone says ten thousand things, what sounds is the same.
    let (page, _) = parts(&invitation);
    let address = page.trim_start_matches("http://").to_owned();
    let mut socket = Page::of(&page, &pair(&laptop.invitation()));
    for_as_long_as_gaps("stop while the handset is attacked", || {
        stopped(&recorder, &phone, &laptop, &file, || {
            let knocking = (0..500).filter_map(|_| std::net::TcpStream::connect(&address).ok());
            let knocking: Vec<_> = knocking.collect();
            for _ in 0..10_000 {
                socket.say(&json!({ "do": "back" }));
            }
            drop(knocking);
        })
    });
    assert!(laptop.leave().success());
}

/// Tries again after a gap of the sound server, within the same visit, and says so.
fn for_as_long_as_gaps(what: &str, mut attempt: impl FnMut() -> Result<(), String>) {
    const ATTEMPTS: usize = 15;
    let mut wrong = Vec::new();
    while wrong.len() < ATTEMPTS {
        match attempt() {
            Ok(()) => return println!("{what}: {} attempts spoilt by gaps", wrong.len()),
            Err(why) => wrong.push(why),
        }
    }
    panic!("{what}: {wrong:#?}");
}

#[test]
fn a_phone_in_charge_that_is_gone_ends_the_tone() {
    let _alone = alone();
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(begin(&server, home.path(), "short", "8192"));
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let question = person.go_on_until(is("comfort"));
    person.see(&question);
    phone.tap("[data-k=louder]");
    phone.offline(true);
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("3 seconds"), "{paused}");
    phone.wait_for_text("Out of touch with the laptop");
    phone.offline(false);
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    // A page that cannot be seen is nobody's, although its socket stays.
    phone.wait_for_text("louder");
    phone.ask(
        "Object.defineProperty(document, 'visibilityState', { get: () => 'hidden' }); \
         document.dispatchEvent(new Event('visibilitychange')); 1",
    );
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("3 seconds"), "{paused}");
}

/// The page shows a question that can be answered.
const OPEN: &str = "document.querySelector('.lead:not([data-k=go])')";

#[test]
fn bad_weather_is_said_and_got_over() {
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(rehearsal(home.path()));
    let invitation = laptop.invitation().replace("127.0.0.1", "localhost");
    let (page, _) = parts(&invitation);
    let port: u16 = page.rsplit(':').next().expect("a port").parse().expect("a number");
    let proxy = Proxy::before(([127, 0, 0, 1], port).into());
    let led = format!("--host-resolver-rules=MAP localhost:{port} 127.0.0.1:{}", proxy.port);
    let browser = Browser::start_with(&[&led]);
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    person.go_on_until(is("low-pass-open"));
    for weather in [Weather::Cut, Weather::Silent] {
        phone.wait(OPEN);
        proxy.weather(weather);
        let noticed = phone.wait_for_text("Out of touch with the laptop");
        assert_eq!(phone.ask("document.querySelectorAll('.lead').length"), json!(0), "an old question is shown");
        proxy.weather(Weather::Fair);
        let back = phone.wait(OPEN);
        println!("{weather:?}: said after {noticed:.1?}, back {back:.1?} after the network");
    }
    // Stop finds its way when the network comes back, even from a page that shows nothing.
    proxy.weather(Weather::Cut);
    phone.wait_for_text("Out of touch with the laptop");
    phone.tap("#stop");
    phone.wait_for_text("being sent");
    proxy.weather(Weather::Fair);
    laptop.hear_of("paused");
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    // Half a second late, and in another order, everything still arrives once.
    for weather in [Weather::Late(Duration::from_millis(500)), Weather::Shuffled] {
        proxy.weather(weather);
        if weather == Weather::Shuffled {
            phone.go(&format!("{page}/"));
        }
        phone.wait(OPEN);
        phone.settle("");
        phone.tap(".lead");
        let taken = laptop.hear_of("taken");
        phone.wait(&format!("document.body.dataset.taken === '{}'", taken["id"]));
    }
    // An answer that was on its way when the network went is never shown as taken.
    proxy.weather(Weather::Fair);
    phone.wait(OPEN);
    phone.settle("");
    let before = phone.ask("document.body.dataset.taken");
    proxy.weather(Weather::Silent);
    phone.tap(".lead");
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.body.dataset.taken"), before);
    proxy.weather(Weather::Fair);
    phone.wait(OPEN);
    assert_eq!(phone.ask("document.body.dataset.taken"), before);
    assert!(laptop.heard_since().iter().all(|line| line.get("taken").is_none()), "it did not arrive");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn keys_and_page_turners_answer_too() {
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(rehearsal(home.path()));
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    let (mut person, _) = at_low_pass(&phone, &laptop);
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
    let home = tempfile::tempdir().unwrap();
    let mut laptop = Laptop::start(rehearsal(home.path()));
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    let (_, question) = at_low_pass(&phone, &laptop);
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

#[test]
fn a_phone_that_is_removed_is_told_and_shut_out() {
    let home = tempfile::tempdir().unwrap();
    let mut first = Laptop::start(rehearsal(home.path()));
    let invitation = first.invitation();
    let (page, _) = parts(&invitation);
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&invitation);
    phone.wait_for_text("STOP");
    first.kill();
    phone.wait_for_text("Out of touch with the laptop");
    // Another visit on the same port does not know this phone.
    let mut command = rehearsal(home.path());
    command.arg(page.trim_start_matches("http://"));
    let laptop = Laptop::start(command);
    let invitation = laptop.invitation();
    assert_eq!(parts(&invitation).0, page);
    phone.wait_for_text("This screen is not paired");
    let notice = laptop.hear_of("notice");
    assert!(notice["notice"].as_str().expect("words").contains("A phone of another visit"), "{notice}");
    phone.ask(&format!("document.getElementById('code').value = {}; 1", json!(parts(&invitation).1)));
    phone.tap("form button");
    phone.wait_for_text("STOP");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_lid_that_closes_and_opens_again_is_said_and_got_over() {
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(rehearsal(home.path()));
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    at_low_pass(&phone, &laptop);
    // A closed lid stops every program; no connection is cut.
    laptop.freeze(true);
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.querySelectorAll('.lead').length"), json!(0), "an old question is shown");
    phone.tap("#stop");
    phone.wait_for_text("Stop: being sent …");
    laptop.freeze(false);
    laptop.hear_of("paused");
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    phone.wait(OPEN);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}
