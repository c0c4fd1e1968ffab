//! An output that goes and comes back.

use std::path::Path;

use evenbass::routine::Event;
use evenbass::routine::levels::START;
use evenbass::units::GainDb;

use crate::person::{Person, shown_level};
use crate::support::sound_server::{Recorder, Sink, SoundServer};
use crate::{alone, answers, events};

/// A visit on the stereo output that has come to its notes; the recording goes on.
fn at_the_notes(server: &SoundServer, home: &Path) -> Person {
    let mut person = Person::begin(server, home, "short", Sink::Front, &[]);
    person.go_on_until("How strong is");
    person
}

/// The output goes and comes back in the middle of the reference tone; the visit goes on from the lowest level.
fn lose_and_go_on(server: SoundServer, lose: impl Fn(&mut SoundServer), bring_back: impl FnOnce(&mut SoundServer)) {
    let mut server = server;
    let home = tempfile::tempdir().unwrap();
    let mut person = at_the_notes(&server, home.path());
    person.answer("5");
    let before = events(home.path());
    // A note that is played again sounds for certain.
    person.screen.press("a");
    person.screen.wait_for("sounding");
    lose(&mut server);
    person.screen.wait_for("sound device gone");
    person.screen.wait_for("Notice:");
    bring_back(&mut server);
    person.screen.wait_for("The level starts low again.");
    let text = person.screen.text();
    assert_eq!(shown_level(&text), Some(START.dbfs()), "{text}");
    let recorder = server.record(Sink::Front);
    recorder.wait_for_sound(0);
    let peak = |recorder: &Recorder| recorder.samples().iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    assert!(
        f64::from(peak(&recorder)) <= (START + GainDb::new(6.0)).sine_peak(),
        "it came back at {}",
        peak(&recorder)
    );
    person.go_on_until("The visit is complete.");
    // Once more, while the last screen is left open: that is no part of the visit any more.
    drop(recorder);
    let complete = events(home.path());
    lose(&mut server);
    person.screen.wait_for("sound device gone");
    person.screen.press("q");
    assert_eq!(person.screen.end(), 0, "{}", person.screen.raw);
    let after = events(home.path());
    assert_eq!(after, complete);
    assert_eq!(after[..before.len()], before[..], "what had been written is as it was");
    let lost = after.iter().position(|event| matches!(event, Event::DeviceLost { .. })).expect("the loss is written");
    let back = after.iter().position(|event| matches!(event, Event::DeviceBack)).expect("the return is written");
    assert!(before.len() <= lost && lost < back && answers(&after) > answers(&before) + 3, "{after:#?}");
}

#[test]
fn an_output_that_is_unplugged_in_a_tone_is_taken_up_again() {
    let _alone = alone();
    let server = SoundServer::start();
    // The server itself would move the stream to another sink if there were one.
    server.remove(Sink::Surround);
    lose_and_go_on(server, |server| server.remove(Sink::Front), |server| server.bring_back(Sink::Front));
}

#[test]
fn a_sound_server_that_dies_in_a_tone_is_taken_up_again() {
    let _alone = alone();
    lose_and_go_on(SoundServer::start(), SoundServer::kill, SoundServer::start_again);
}
