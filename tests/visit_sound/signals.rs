//! What the operating system asks for in the middle of a tone.

use evenbass::signal::Recipe;
use expectrl::process::unix::Signal;

use crate::person::Person;
use crate::support::compare::*;
use crate::support::screen::Screen;
use crate::support::script::SHORT_SET;
use crate::support::sound_server::{Sink, SoundServer, wait_until};
use crate::{alone, answers, events, faded_end, file_of};

/// A signal in the middle of a tone: a fade in the recording, a whole file, and a visit that goes on.
fn ends_by(signal: Signal) {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps(&format!("{signal}"), || {
        let home = tempfile::tempdir().unwrap();
        let recorder = server.record(Sink::Front);
        let mut person = Person::begin(&server, home.path(), "short", Sink::Front, &[]);
        person.go_on_until("now -60 dBFS");
        recorder.wait_for_sound(0);
        let heard = recorder.frames();
        wait_until("the tone is steady", || recorder.frames() > heard + SECOND);
        person.screen.send(signal);
        if signal == Signal::SIGTSTP {
            person.screen.wait("the stop", Screen::is_stopped);
            recorder.wait_for_silence(SECOND / 2);
            person.screen.send(Signal::SIGCONT);
            person.screen.wait_for("The program was suspended.");
            person.screen.press("q");
            assert_eq!(person.screen.end(), 0);
        } else {
            assert_eq!(person.screen.end(), 128 + signal as i32, "{}", person.screen.raw);
            recorder.wait_for_silence(SECOND / 2);
        }
        let file = file_of(home.path(), "short");
        let taken = answers(&events(home.path()));
        assert!(taken >= 7, "{taken} answers");
        let recorded = channel_of(&recorder.stop(), 2, &[0, 1]);
        let mut again = Person::resume(&server, home.path(), &file, Sink::Front);
        again.screen.wait_for("now -60 dBFS");
        again.screen.press("q");
        assert_eq!(again.screen.end(), 0);
        faded_end(&recorded, &reference())
    });
}

/// The reference tone of the short set, as every visit here plays it first.
fn reference() -> Recipe {
    evenbass::presets::NoteSet::parse("short.toml", SHORT_SET).unwrap().reference_recipe(7)
}

#[test]
fn sigterm_fades() {
    ends_by(Signal::SIGTERM);
}

#[test]
fn sighup_fades() {
    ends_by(Signal::SIGHUP);
}

#[test]
fn sigint_fades() {
    ends_by(Signal::SIGINT);
}

#[test]
fn sigtstp_fades() {
    ends_by(Signal::SIGTSTP);
}
