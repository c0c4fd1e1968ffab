//! A short visit with real sound: the program in a terminal, a person who reads the screen, a virtual card that is recorded.
//! What was recorded is compared, tone by tone in the order of the journal, with the offline rendering.
#![cfg(target_os = "linux")]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use evenbass::engine::rt::{ramp_frames, stop_ramp_frames};
use evenbass::engine::{Engine, OfflineSink, Order, Outputs, ToneId};
use evenbass::routine::Event;
use evenbass::routine::levels::{START, ceiling_for};
use evenbass::signal::Recipe;
use evenbass::units::{Dbfs, FrameCount, GainDb, SampleRate};
use evenbass::visit;
use expectrl::process::unix::Signal;
use support::screen::Screen;
use support::script::evenbass;
use support::sound_server::{Recorder, Sink, SoundServer, environment_without_outputs, wait_until};

/// A gap of the sound server itself, seen as repeated or missing frames, may be tried again this often.
const ATTEMPTS: usize = 4;
const SECOND: usize = 48_000;
const RATE: SampleRate = SampleRate::HZ_48000;
/// What the person finds comfortable.
const COMFORT_DBFS: f64 = -52.0;
/// A person presses louder at this pace; the program takes no more than six a second.
const PACE: Duration = Duration::from_millis(180);
/// After a tone that was cut short there is at least this much silence, frames.
const BREATH: usize = SECOND / 20;
/// A pause between two tones is over after so many looks at the screen.
const LOOKS_OF_SILENCE: usize = 80;
/// Two samples are the same if they differ by no more.
const SAME: f64 = 1e-6;

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

/// A tone as the journal tells it.
#[derive(Debug, Clone)]
struct Tone {
    recipe: Recipe,
    level: Dbfs,
    frames: usize,
    ended: String,
    /// Louder or quieter was pressed while it sounded.
    glided: bool,
}

fn tones(file: &Path) -> Vec<Tone> {
    let (mut tones, mut glided) = (Vec::new(), false);
    for recorded in visit::read(file).expect("the visit file is whole").events {
        match recorded.stamped.event {
            Event::Louder | Event::Quieter => glided = true,
            Event::Sounded { recipe, level, frames, ended, .. } => {
                tones.push(Tone { recipe, level, frames: frames as usize, ended, glided });
                glided = false;
            }
            _ => {}
        }
    }
    tones
}

/// `frames` of a tone as the offline engine renders it, one channel; it ends there if `ends`.
fn rendered(recipe: &Recipe, level: Dbfs, frames: usize, ends: bool) -> Vec<f32> {
    let prepared = recipe.prepare(RATE).expect("it was played");
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, 1, sink);
    engine.set_ceiling(Dbfs::new(-3.0));
    let order = Order {
        tone: ToneId(1),
        source: prepared.source,
        peak: prepared.peak,
        lowest_hz: prepared.lowest_hz,
        level,
        length: ends.then_some(FrameCount(frames as u64)),
        limit: None,
        outputs: Outputs::one(0),
    };
    engine.start(order).expect("it was played");
    for _ in 0..frames.div_ceil(SECOND) {
        engine.beat();
        engine.advance(FrameCount(SECOND as u64));
    }
    let mut samples = recording.take();
    samples.truncate(frames);
    samples
}

fn first_sound(samples: &[f32]) -> Option<usize> {
    samples.iter().position(|sample| *sample != 0.0)
}

/// Where two stretches part.
fn differ(recorded: &[f32], wanted: &[f32]) -> Option<(usize, f64)> {
    let difference = |(a, b): (&f32, &f32)| (f64::from(*a) - f64::from(*b)).abs();
    let at = recorded.iter().zip(wanted).position(|pair| difference(pair) > SAME)?;
    Some((at, difference((&recorded[at], &wanted[at]))))
}

/// Where a sound that is at most so long has ended: nothing, if there is none or the next sound is a longer one.
fn silence_after(recorded: &[f32], frames: usize) -> usize {
    let Some(begin) = first_sound(recorded) else { return 0 };
    let end = begin + frames + 1;
    let quiet = recorded.get(end..end + BREATH).is_some_and(|after| after.iter().all(|sample| *sample == 0.0));
    if quiet { end } else { 0 }
}

/// One channel of a recording; the other channels must be silent, or the same if they were chosen too.
fn channel_of(recorded: &[f32], channels: usize, chosen: &[usize]) -> Vec<f32> {
    for frame in recorded.chunks_exact(channels) {
        for (channel, sample) in frame.iter().enumerate() {
            let wanted = if chosen.contains(&channel) { frame[chosen[0]] } else { 0.0 };
            assert!(*sample == wanted, "channel {channel} plays {sample}, not {wanted}");
        }
    }
    recorded.chunks_exact(channels).map(|frame| frame[chosen[0]]).collect()
}

/// Finds each tone in its place, from first sample to last, with silence between. What a gap spoils is said.
fn compare(recorded: &[f32], tones: &[Tone]) -> Result<(), String> {
    let mut from = 0;
    for (number, tone) in tones.iter().enumerate() {
        let wrong = |what: String| format!("tone {number} of {}, {}, {tone:?}: {what}", tones.len(), from);
        let ramps = ramp_frames(RATE, tone.recipe.lowest_hz()) + stop_ramp_frames(RATE, tone.recipe.lowest_hz());
        if (tone.frames as u64) < ramps {
            // Stopped while it rose: both ramps at once, which has no rendering of its own; nothing but its end is told.
            let end = from + silence_after(&recorded[from..], tone.frames);
            from = end;
            continue;
        }
        let wanted = rendered(&tone.recipe, tone.level, tone.frames, true);
        let Some(skipped) = first_sound(&wanted) else { continue };
        let sound = first_sound(&recorded[from..]).ok_or_else(|| wrong("was not recorded".into()))?;
        let begin = (from + sound).checked_sub(skipped).ok_or_else(|| wrong("began too early".into()))?;
        let here = recorded.get(begin..begin + tone.frames).ok_or_else(|| wrong("was cut off".into()))?;
        if tone.glided {
            glided(here, tone).map_err(wrong)?;
        } else if let Some((at, by)) = differ(here, &wanted) {
            return Err(wrong(format!("differs by {by:.1e} from frame {at} on")));
        }
        if tone.ended == "faded" {
            let most = stop_ramp_frames(RATE, tone.recipe.lowest_hz()) as usize;
            assert!(most <= SECOND / 4, "a stop of {most} frames");
            let begun = tone.frames.saturating_sub(most);
            fades(&here[begun..], &rendered(&tone.recipe, tone.level, tone.frames, false)[begun..]).map_err(wrong)?;
        }
        from = begin + tone.frames;
    }
    match first_sound(&recorded[from..]) {
        Some(at) => Err(format!("there is sound {at} frames after the last tone")),
        None => Ok(()),
    }
}

/// A tone whose level was moved begins at the lowest level, rises by no more than 6 dB a second, and ends at its last level.
fn glided(here: &[f32], tone: &Tone) -> Result<(), String> {
    let lowest = rendered(&tone.recipe, START, tone.frames, false);
    for (frame, (sample, lowest)) in here.iter().zip(&lowest).enumerate() {
        // One press of 1 dB at once, and two more for what a buffer may bring closer together.
        let most_db = 3.0 + 6.0 * frame as f64 / SECOND as f64;
        let most = f64::from(lowest.abs()) * 10_f64.powf(most_db / 20.0) + SAME;
        if f64::from(sample.abs()) > most {
            return Err(format!("at frame {frame} it is {sample}, more than {most_db:.1} dB above {START}"));
        }
    }
    // A tenth of a second is enough for the last glide.
    let end = here.len().saturating_sub(SECOND / 10);
    match differ(&here[end..], &rendered(&tone.recipe, tone.level, tone.frames, true)[end..]) {
        Some((at, by)) => Err(format!("does not end at {}: differs by {by:.1e} at frame {at}", tone.level)),
        None => Ok(()),
    }
}

/// The recorded end is the tone as it would have gone on, under half a cosine.
fn fades(recorded: &[f32], going_on: &[f32]) -> Result<(), String> {
    let frames = recorded.len() as f64;
    let ramp = |frame: usize| 0.5 + 0.5 * (std::f64::consts::PI * frame as f64 / frames).cos();
    let wanted: Vec<f32> =
        going_on.iter().enumerate().map(|(frame, sample)| (f64::from(*sample) * ramp(frame)) as f32).collect();
    match differ(recorded, &wanted) {
        Some((at, by)) => Err(format!("its fade differs from half a cosine by {by:.1e} at frame {at}")),
        None => Ok(()),
    }
}

fn below_ceiling(recorded: &[f32], ceiling: Dbfs) {
    let peak = recorded.iter().fold(0.0_f64, |peak, sample| peak.max(f64::from(sample.abs())));
    assert!(peak <= ceiling.sine_peak(), "a peak of {peak} above the ceiling {ceiling}");
}

/// Tries again after a gap of the sound server, and says so.
fn allowing_gaps(what: &str, mut attempt: impl FnMut() -> Result<(), String>) {
    for number in 1..=ATTEMPTS {
        match attempt() {
            Ok(()) => return println!("{what}: {} attempts spoilt by gaps", number - 1),
            Err(wrong) => println!("{what}: attempt {number}: {wrong}"),
        }
    }
    panic!("{what}: {ATTEMPTS} attempts, all different from the rendering");
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
