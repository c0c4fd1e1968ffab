//! A short visit with real sound: the program in a terminal, a person who reads the screen, a virtual card that is recorded.
//! What was recorded is compared, tone by tone in the order of the journal, with the offline rendering.
#![cfg(target_os = "linux")]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use evenbass::engine::rt::stop_ramp_frames;
use evenbass::routine::Event;
use evenbass::routine::levels::{START, ceiling_for};
use evenbass::signal::Recipe;
use evenbass::units::{Dbfs, GainDb};
use evenbass::visit;
use expectrl::process::unix::Signal;
use support::compare::*;
use support::screen::Screen;
use support::script::evenbass;
use support::sound_server::{Recorder, Sink, SoundServer, environment_without_outputs, wait_until};

/// What the person finds comfortable.
const COMFORT_DBFS: f64 = -52.0;
/// A person presses louder at this pace; the program takes no more than six a second.
const PACE: Duration = Duration::from_millis(180);
/// A pause between two tones is over after so many looks at the screen.
const LOOKS_OF_SILENCE: usize = 80;

/// One at a time, for fewer gaps.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A person at the screen of a visit.
struct Person {
    screen: Screen,
    ratings: usize,
}

impl Person {
    fn begin(server: &SoundServer, home: &Path, name: &str, sink: Sink, options: &[&str]) -> Self {
        let mut command = evenbass(home);
        command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
        command.args(["begin", name, "--room", "room.toml", "--kit", "small-kit.toml", "--notes", "short"]);
        command.args(["--buffer-frames", "8192", "--seed", "7", "--output", sink.name()]).args(options);
        std::fs::write(home.join("small-kit.toml"), "rated_low_hz = 45.0\ntoo_heavy = false\nmeter = false\n").unwrap();
        Self { screen: Screen::start(command), ratings: 0 }
    }

    fn resume(server: &SoundServer, home: &Path, file: &Path, sink: Sink) -> Self {
        let mut command = evenbass(home);
        command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
        command.arg("resume").arg(file).args(["--buffer-frames", "8192", "--output", sink.name()]);
        Self { screen: Screen::start(command), ratings: 0 }
    }

    /// Does what the screen says until it shows `wanted`.
    fn go_on_until(&mut self, wanted: &str) {
        loop {
            let text = self.read();
            if text.contains(wanted) {
                return;
            }
            if let Some(level_dbfs) = shown_level(&text) {
                if level_dbfs < COMFORT_DBFS {
                    self.screen.press("+");
                    std::thread::sleep(PACE);
                    continue;
                }
                self.answer("\r");
            } else if text.contains("How strong is") {
                self.ratings += 1;
                // Some people answer before the note has ended.
                if self.ratings % 4 != 2 {
                    self.hear_out();
                }
                let key = if self.ratings.is_multiple_of(4) { "d".into() } else { (3 + self.ratings % 3).to_string() };
                self.answer(&key);
            } else {
                self.hear_out();
                if instruction(&self.screen.text()) == instruction(&text) {
                    self.answer("\r");
                }
            }
        }
    }

    /// Reads the screen once it asks for something and has come to rest.
    fn read(&mut self) -> String {
        let (mut text, mut looks) = (String::new(), 0);
        self.screen.wait("something to do", |screen| {
            looks = if screen.text() == text { looks + 1 } else { 0 };
            text = screen.text();
            let waits =
                text.contains("One moment.") || text.contains("being written") || screen.page().trim().is_empty();
            looks > 3 && !waits
        });
        text
    }

    /// Listens until nothing has sounded for longer than the pause between two tones.
    fn hear_out(&mut self) {
        let mut looks = 0;
        self.screen.wait("the end of the tones", |screen| {
            looks = if screen.text().contains("silent  ") { looks + 1 } else { 0 };
            looks > LOOKS_OF_SILENCE
        });
    }

    /// One key, and what follows from it.
    fn answer(&mut self, key: &str) {
        let before = self.screen.page();
        self.screen.press(key);
        self.screen.wait("the next page", |screen| screen.page() != before && !screen.text().contains("being written"));
    }
}

/// What the page asks for.
fn instruction(text: &str) -> Option<&str> {
    text.lines().nth(3)
}

/// The level of the comfort page.
fn shown_level(text: &str) -> Option<f64> {
    text.lines().find_map(|line| line.trim().strip_prefix("now ")?.strip_suffix(" dBFS")?.trim().parse().ok())
}

fn file_of(home: &Path, name: &str) -> PathBuf {
    home.join(format!("{name}.visit.jsonl"))
}

fn whole_visit(sink: Sink, options: &[&str], chosen: &[usize]) {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps(&format!("a visit on {}", sink.name()), || {
        let home = tempfile::tempdir().unwrap();
        let recorder = server.record(sink);
        let mut person = Person::begin(&server, home.path(), "short", sink, options);
        person.go_on_until("The visit is complete.");
        person.screen.press("q");
        assert_eq!(person.screen.end(), 0, "{}", person.screen.raw);
        let recorded = recorder.stop();
        let ceiling = ceiling_for(Dbfs::new(COMFORT_DBFS));
        below_ceiling(&recorded, ceiling);
        let recorded = channel_of(&recorded, sink.channels(), chosen);
        let tones = tones(&file_of(home.path(), "short"));
        let count = |ended: &str| tones.iter().filter(|tone| tone.ended == ended).count();
        println!("{} tones whole, {} faded", count("whole"), count("faded"));
        assert!(count("whole") >= 16 && count("faded") >= 2, "{tones:#?}");
        compare(&recorded, &tones)
    });
}

#[test]
fn what_is_heard_in_a_visit_is_what_was_rendered() {
    whole_visit(Sink::Front, &[], &[0, 1]);
}

#[test]
fn a_subwoofer_on_the_lfe_channel_is_all_that_sounds() {
    // ALSA has it sixth.
    whole_visit(Sink::Surround, &["--channels", "LFE"], &[5]);
}

/// A visit on the stereo output that has come to its notes; the recording goes on.
fn at_the_notes(server: &SoundServer, home: &Path) -> Person {
    let mut person = Person::begin(server, home, "short", Sink::Front, &[]);
    person.go_on_until("How strong is");
    person
}

fn events(home: &Path) -> Vec<Event> {
    let opened = visit::read(&file_of(home, "short")).expect("the visit file is whole");
    opened.events.into_iter().map(|recorded| recorded.stamped.event).collect()
}

fn answers(events: &[Event]) -> usize {
    events.iter().filter(|event| matches!(event, Event::Answered { .. })).count()
}

/// The output goes and comes back in the middle of the reference tone; the visit goes on from the lowest level.
fn lose_and_go_on(server: SoundServer, lose: impl FnOnce(&mut SoundServer), bring_back: impl FnOnce(&mut SoundServer)) {
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
    person.screen.press("q");
    assert_eq!(person.screen.end(), 0, "{}", person.screen.raw);
    let after = events(home.path());
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
    evenbass::presets::NoteSet::parse("short.toml", support::script::SHORT_SET).unwrap().reference_recipe(7)
}

/// A recording of one tone at the lowest level that was faded at some time: it is the rendering up to there, then half a cosine.
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

fn without_outputs(home: &Path, arguments: &[&str]) -> std::process::Output {
    let mut command = evenbass(home);
    command.envs(environment_without_outputs(home)).args(arguments);
    command.output().expect("the program starts")
}

#[test]
fn without_a_device_nothing_is_left_behind_but_advice() {
    let home = tempfile::tempdir().unwrap();
    evenbass(home.path());
    for arguments in [
        &["begin", "short", "--room", "room.toml", "--kit", "kit.toml"][..],
        &["play", "pure", "--hz", "40"],
        &["outputs"],
    ] {
        let output = without_outputs(home.path(), arguments);
        let words = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(3), "{arguments:?}: {words}");
        assert!(words.contains("evenbass rehearse"), "{arguments:?}: {words}");
        assert!(!words.contains("ALSA lib"), "{arguments:?}: {words}");
    }
    let left = std::fs::read_dir(home.path()).unwrap().map(|entry| entry.unwrap().file_name());
    let left: Vec<_> = left.filter(|name| name.to_string_lossy().contains("short")).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn the_outputs_are_listed() {
    let _alone = alone();
    let server = SoundServer::start();
    let list = |arguments: &[&str]| {
        let output = server.command(env!("CARGO_BIN_EXE_evenbass")).args(arguments).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let words = list(&["outputs"]);
    assert!(words.contains("(the default)") && words.contains("Virtual 5.1 output"), "{words}");
    let outputs: serde_json::Value = serde_json::from_str(&list(&["outputs", "--json"])).unwrap();
    assert_eq!(outputs.as_array().map(Vec::len), Some(3), "{outputs}");
}

fn play(server: &SoundServer, arguments: &[&str]) -> Command {
    let mut command = server.command(env!("CARGO_BIN_EXE_evenbass"));
    command.args(["play", "pure", "--hz", "40", "--output", "front"]).args(arguments);
    command
}

/// The level of a stretch, as that of a sine, dBFS.
fn level_of(samples: &[f32]) -> f64 {
    let square = samples.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / samples.len() as f64;
    10.0 * (2.0 * square).log10()
}

#[test]
fn a_signal_that_is_played_climbs_from_the_lowest_level() {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps("play", || {
        let recorder = server.record(Sink::Front);
        let output = play(&server, &["--seconds", "1"]).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        recorder.wait_for_silence(SECOND / 2);
        let recorded = channel_of(&recorder.stop(), 2, &[0, 1]);
        below_ceiling(&recorded, Dbfs::new(-39.9));
        let first = first_sound(&recorded).expect("sound");
        // Whole periods of 40 Hz, 1200 frames each: the level may follow a straight line of 20 dB a second, and a step of it more.
        for (period, samples) in recorded[first..].chunks_exact(1200).enumerate() {
            let most_dbfs = (-60.0 + 20.0 * (period + 1) as f64 / 40.0 + 3.0).min(-40.0);
            let level_dbfs = level_of(samples);
            if level_dbfs > most_dbfs + 0.05 {
                return Err(format!("{level_dbfs:.1} dBFS after {period} periods, more than {most_dbfs:.1}"));
            }
        }
        let loudest = recorded[first..].chunks_exact(1200).map(level_of).fold(f64::NEG_INFINITY, f64::max);
        if (loudest + 40.0).abs() > 0.05 { Err(format!("it reached {loudest:.2} dBFS, not -40")) } else { Ok(()) }
    });
}

#[test]
fn an_interrupted_signal_fades() {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps("play and interrupt", || {
        let recorder = server.record(Sink::Front);
        let mut screen = Screen::start(play(&server, &["--dbfs", "-60"]));
        recorder.wait_for_sound(0);
        let heard = recorder.frames();
        wait_until("the tone is steady", || recorder.frames() > heard + SECOND);
        screen.press("\u{3}");
        screen.end();
        recorder.wait_for_silence(SECOND / 2);
        let recorded = channel_of(&recorder.stop(), 2, &[0, 1]);
        faded_end(&recorded, &Recipe::Pure(evenbass::signal::pure::Pure { frequency_hz: 40.0 }))
    });
}
