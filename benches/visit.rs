//! How long a visit file takes to read and to write. Run with `cargo bench --bench visit`.

use std::fmt::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use evenbass::evidence::Rating;
use evenbass::routine::question::{Answer, QuestionId};
use evenbass::routine::{Brief, Event, Kit, Stamped};
use evenbass::visit::{Header, Journal, Recorded, WallTime, event_line, header_line, read};

const EVENTS: u64 = 10_000;
const REPEATS: usize = 20;
const APPENDS: u64 = 300;

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    reading(folder.path());
    appending(folder.path());
}

fn reading(folder: &Path) {
    let path = folder.join("long.visit.jsonl");
    let mut text = header_line(&header()).expect("a header");
    for seq in 1..=EVENTS {
        let line = event_line(&Recorded { seq, wall: wall(), stamped: event(seq) }).expect("an event");
        let _ = write!(text, "{line}");
    }
    std::fs::write(&path, &text).expect("a file");
    let mut times: Vec<Duration> = (0..REPEATS)
        .map(|_| {
            let start = Instant::now();
            let opened = read(&path).expect("a visit");
            assert_eq!(opened.events.len() as u64, EVENTS);
            start.elapsed()
        })
        .collect();
    report(&format!("read {EVENTS} events ({} kB)", text.len() / 1000), &mut times);
}

fn appending(folder: &Path) {
    let mut journal = Journal::create(&folder.join("short.visit.jsonl"), &header()).expect("a journal");
    let mut times: Vec<Duration> = (1..=APPENDS)
        .map(|seq| {
            let event = event(seq);
            let start = Instant::now();
            journal.append(&event).expect("space");
            start.elapsed()
        })
        .collect();
    report("append one event, synced", &mut times);
}

fn report(what: &str, times: &mut [Duration]) {
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    println!("{what}: median {:.3} ms, 9 in 10 below {:.3} ms, longest {:.3} ms", at(0.5), at(0.9), at(1.0));
}

fn wall() -> WallTime {
    WallTime::parse("2026-03-14T10:20:30.250+01:00").expect("a time")
}

fn event(seq: u64) -> Stamped {
    let rating = Rating::ALL[(seq % 7) as usize];
    let answer = Answer::Rating(rating);
    let event = Event::Answered { question: QuestionId(seq), answer, rattles: seq.is_multiple_of(50), parts_begun: 1 };
    Stamped { at_s: seq as f64 * 3.217, event }
}

fn header() -> Header {
    let brief = Brief {
        name: "long".to_owned(),
        seed: 7,
        minutes: None,
        room: None,
        seat: 0,
        kit: Kit::default(),
        note_set: evenbass::presets::note_set("walk-16", None).expect("an embedded preset"),
        loudness_phon: 50.0,
        rehearsal: true,
        asks_more: false,
        blend: None,
    };
    Header::new("evenbass 0.0.0", wall(), None, brief)
}
