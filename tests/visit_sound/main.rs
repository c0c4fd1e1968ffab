//! A short visit with real sound: the program in a terminal, a person who reads the screen, a virtual card that is
//! recorded. What was recorded is compared, tone by tone in the order of the journal, with the offline rendering.
#![cfg(target_os = "linux")]

mod lost;
mod person;
mod signals;
#[path = "../support/mod.rs"]
mod support;
mod whole;
mod without_visit;

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use evenbass::engine::rt::stop_ramp_frames;
use evenbass::routine::Event;
use evenbass::routine::levels::START;
use evenbass::signal::Recipe;
use evenbass::visit;
use support::compare::*;

/// One at a time, for fewer gaps.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn file_of(home: &Path, name: &str) -> PathBuf {
    home.join(format!("{name}.visit.jsonl"))
}

fn events(home: &Path) -> Vec<Event> {
    let opened = visit::read(&file_of(home, "short")).expect("the visit file is whole");
    opened.events.into_iter().map(|recorded| recorded.stamped.event).collect()
}

fn answers(events: &[Event]) -> usize {
    events.iter().filter(|event| matches!(event, Event::Answered { .. })).count()
}

/// A recording of one tone at the lowest level that was faded at some time: it is the rendering up to there, then half
/// a cosine.
fn faded_end(recorded: &[f32], recipe: &Recipe) -> Result<(), String> {
    let first = first_sound(recorded).ok_or("nothing was recorded")?;
    let last = recorded.iter().rposition(|sample| *sample != 0.0).unwrap_or(first);
    let going_on = rendered(recipe, START, last + SECOND - first, false);
    let begin = first - first_sound(&going_on).ok_or("nothing was rendered")?.min(first);
    let ramp = stop_ramp_frames(RATE, recipe.lowest_hz()) as usize;
    assert!(ramp <= SECOND / 4);
    // The very last samples of a ramp are too small for a sample, so that its end is not seen to the frame.
    let ends = (last + 1..last + 8).map(|end| {
        let start = end - ramp;
        if let Some((at, by)) = differ(&recorded[begin..start], &going_on) {
            return Err(format!("it differs by {by:.1e} from frame {at} on, before its fade"));
        }
        fades(&recorded[start..end], &going_on[start - begin..end - begin])
    });
    ends.reduce(|one, other| one.or(other)).unwrap_or(Ok(()))
}
