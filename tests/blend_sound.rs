//! The blend with real sound: connection check, polarity and a delay scan on the 5.1 output of a virtual card,
//! recorded.
//!
//! Every tone is compared with its rendering, on every channel; delays and polarity are measured in the recording as
//! well.
#![cfg(target_os = "linux")]

mod support;

use std::f64::consts::TAU;
use std::ffi::OsString;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use evenbass::engine::rt::{ramp_frames, stop_ramp_frames};
use evenbass::engine::{Engine, OfflineSink, Order, Outputs, Polarity, ToneId};
use evenbass::routine::Event;
use evenbass::routine::effect::Route;
use evenbass::signal::Recipe;
use evenbass::units::{Dbfs, FrameCount, SampleRate};
use evenbass::visit;
use serde_json::{Value, json};
use support::script::{Talk, evenbass};
use support::sound_server::{Sink, SoundServer};

const RATE: SampleRate = SampleRate::HZ_48000;
const SECOND: usize = 48_000;
/// Two samples are the same if they differ by no more: a few millionths, at peaks of a thousandth.
const SAME: f64 = 1e-6;
/// A gap of the sound server itself may be tried again this often.
const ATTEMPTS: usize = 4;
/// A delay may be off by this, seconds.
const DELAY_S: f64 = 1e-5;
const CHANNELS: usize = 6;
/// A person presses louder at this pace; the program takes no more than six a second.
const PACE: Duration = Duration::from_millis(180);

/// Left and right on the first channels, the subwoofer on the LFE channel, which ALSA has sixth.
const SYSTEM: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 40.0\n\n[channels]\n\
                      left = 1\nright = 2\nsubwoofer = 6\n\n[[control]]\nrole = \"polarity\"\nnow = 0.0\n";
const ROUTINE: &str = "name = \"sound\"\nabout = \"For a test.\"\nfits = [\"line\"]\n[[step]]\ndo = \"connection\"\n\
                       [[step]]\ndo = \"sweep\"\n[[step]]\ndo = \"verify\"\n";

struct Tone {
    recipe: Recipe,
    level: Dbfs,
    frames: usize,
    routes: Vec<Route>,
    /// It sounded at one level from first to last.
    steady: bool,
}

fn tones(file: &Path) -> Vec<Tone> {
    let (mut tones, mut glided) = (Vec::new(), false);
    for recorded in visit::read(file).expect("the visit file is whole").events {
        match recorded.stamped.event {
            Event::Louder | Event::Quieter => glided = true,
            Event::Sounded { recipe, level, frames, ended, routes, .. } => {
                let steady = ended == "whole" && !glided;
                tones.push(Tone { recipe, level, frames: frames as usize, routes, steady });
                glided = false;
            }
            _ => {}
        }
    }
    tones
}

/// A tone as the offline engine renders it on all channels, with what a delay puts after its end.
fn rendered(tone: &Tone) -> Vec<f32> {
    let prepared = tone.recipe.prepare(RATE).expect("it was played");
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, CHANNELS as u16, sink);
    engine.set_ceiling(Dbfs::new(-3.0));
    let outputs = tone.routes.iter().fold(Outputs::NONE, |outputs, route| {
        let polarity = if route.inverted { Polarity::Inverted } else { Polarity::Normal };
        outputs.and(route.channel - 1, route.gain, polarity).delayed(route.channel - 1, route.delay_s)
    });
    let order = Order {
        tone: ToneId(1),
        source: prepared.source,
        peak: prepared.peak,
        lowest_hz: prepared.lowest_hz,
        level: tone.level,
        length: Some(FrameCount(tone.frames as u64)),
        limit: None,
        outputs,
    };
    engine.start(order).expect("it was played");
    for _ in 0..tone.frames.div_ceil(SECOND) + 1 {
        engine.beat();
        engine.advance(FrameCount(SECOND as u64));
    }
    let mut samples = recording.take();
    samples.truncate(CHANNELS * tone.frames);
    samples
}

/// The first frame in which any channel sounds.
fn first_sound(samples: &[f32]) -> Option<usize> {
    samples.chunks_exact(CHANNELS).position(|frame| frame.iter().any(|sample| *sample != 0.0))
}

fn channel(samples: &[f32], channel: u16) -> Vec<f64> {
    samples.chunks_exact(CHANNELS).map(|frame| f64::from(frame[usize::from(channel) - 1])).collect()
}

/// One line of a spectrum, under half a cosine.
fn line(samples: &[f64], hz: f64) -> (f64, f64) {
    let count = samples.len() as f64;
    samples.iter().enumerate().fold((0.0, 0.0), |(re, im), (frame, sample)| {
        let window = 0.5 - 0.5 * (TAU * frame as f64 / count).cos();
        let angle = -TAU * hz * frame as f64 / SECOND as f64;
        (re + window * sample * angle.cos(), im + window * sample * angle.sin())
    })
}

/// How far one channel is late against another beyond `expected_s`, seconds: the mean over lines between two
/// frequencies; and whether it is turned over.
fn lateness(reference: &[f64], other: &[f64], expected_s: f64, (from_hz, to_hz): (f64, f64)) -> (f64, bool) {
    let (mut aligned, mut power, mut late) = (0.0, 0.0, 0.0);
    // The same stretch of the signal from both, to the frame; what is left of the delay is part of one.
    let shift = (expected_s.abs() * SECOND as f64).round() as usize;
    let left_s = expected_s - expected_s.signum() * shift as f64 / SECOND as f64;
    let count = reference.len() - shift;
    let (reference, other) =
        if expected_s < 0.0 { (&reference[shift..], &other[..count]) } else { (&reference[..count], &other[shift..]) };
    let mut hz = from_hz;
    let mut turned = Vec::new();
    while hz <= to_hz {
        let ((a, b), (c, d)) = (line(reference, hz), line(other, hz));
        // other times the conjugate of the reference, turned back by the expected delay.
        let (re, im) = (c * a + d * b, d * a - c * b);
        let back = TAU * hz * left_s;
        turned.push((hz, re * back.cos() - im * back.sin(), re * back.sin() + im * back.cos()));
        hz += 2.0;
    }
    for (_, re, _) in &turned {
        aligned += re;
    }
    let sign = if aligned < 0.0 { -1.0 } else { 1.0 };
    for (hz, re, im) in turned {
        let weight = re.hypot(im);
        late += weight * -(sign * im).atan2(sign * re) / (TAU * hz);
        power += weight;
    }
    (late / power, sign < 0.0)
}

/// The steepest bend between three frames.
fn sharpest(samples: &[f64]) -> f64 {
    samples.windows(3).map(|three| (three[2] - 2.0 * three[1] + three[0]).abs()).fold(0.0, f64::max)
}

/// Finds each tone in its place on every channel. What a gap spoils is said.
fn compare(recorded: &[f32], tones: &[Tone]) -> Result<usize, String> {
    let (mut from, mut measured) = (0, 0);
    for (number, tone) in tones.iter().enumerate() {
        let wrong = |what: String| format!("tone {number} of {}: {what}", tones.len());
        let ramps = ramp_frames(RATE, tone.recipe.lowest_hz()) + stop_ramp_frames(RATE, tone.recipe.lowest_hz());
        if (tone.frames as u64) < ramps {
            // Stopped while it rose: it has no rendering of its own. One that never sounded takes no room.
            let sound = first_sound(&recorded[CHANNELS * from..]).filter(|_| tone.frames > 0);
            from += sound.map_or(0, |sound| sound + tone.frames);
            continue;
        }
        let wanted = rendered(tone);
        let Some(skipped) = first_sound(&wanted) else { continue };
        let sound = first_sound(&recorded[CHANNELS * from..]).ok_or_else(|| wrong("was not recorded".into()))?;
        let begin = (from + sound).checked_sub(skipped).ok_or_else(|| wrong("began too early".into()))?;
        let here = recorded.get(CHANNELS * begin..CHANNELS * (begin + tone.frames));
        let here = here.ok_or_else(|| wrong("was cut off".into()))?;
        from = begin + tone.frames;
        if !tone.steady {
            continue;
        }
        let apart = here.iter().zip(&wanted).position(|(a, b)| f64::from((a - b).abs()) > SAME);
        if let Some(at) = apart {
            return Err(wrong(format!("differs on channel {} at frame {}", at % CHANNELS + 1, at / CHANNELS)));
        }
        for quiet in (1..=CHANNELS as u16).filter(|quiet| !tone.routes.iter().any(|route| route.channel == *quiet)) {
            assert!(channel(here, quiet).iter().all(|sample| *sample == 0.0), "{}", wrong(format!("is on {quiet}")));
        }
        // An octave of noise around 40 Hz, from three channels.
        let (Recipe::SteadyNoise(noise), [left, _, subwoofer]) = (&tone.recipe, tone.routes.as_slice()) else {
            continue;
        };
        if noise.frequency_hz != 40.0 {
            continue;
        }
        let (mains, own) = (channel(here, left.channel), channel(here, subwoofer.channel));
        let expected_s = subwoofer.delay_s - left.delay_s;
        let (late_s, inverted) = lateness(&mains, &own, expected_s, (32.0, 50.0));
        assert!(late_s.abs() < DELAY_S, "{}", wrong(format!("late by {late_s:.2e} s against {expected_s} s")));
        assert_eq!(inverted, subwoofer.inverted, "{}", wrong("polarity".into()));
        // No bend sharper than that of a sine at the upper edge of the band with the peak of the noise, twice over for
        // the ramps.
        let peak = own.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        assert!(sharpest(&own) < 2.0 * peak * (TAU * 57.0 / 48_000.0).powi(2), "{}", wrong("clicks".into()));
        measured += 1;
    }
    Ok(measured)
}

/// The same person every time: hears everything as it should be, and picks a step of each scan.
fn answer(question: &Value) -> Value {
    let scene = &question["scene"];
    let mut answer = match (scene["hearing"]["about"].as_str(), question["ask"].as_str(), question["topic"].as_str()) {
        (_, _, Some("comfort")) => match question["level_dbfs"].as_f64() {
            Some(level) if level < -52.0 => {
                std::thread::sleep(PACE);
                json!({ "louder": true })
            }
            _ => json!({ "yes": true }),
        },
        (Some("side"), ..) => {
            let to = scene["sounds"][0]["part"]["routes"][0]["channel"].as_u64().expect("a channel");
            json!({ "choice": to - 1 })
        }
        (Some("fullest"), ..) => json!({ "number": 3 }),
        (_, Some("choose"), _) => json!({ "choice": 0 }),
        _ => json!({ "yes": true }),
    };
    answer["id"] = question["id"].clone();
    answer
}

/// The server's outputs, and two more, through doors that let a fixed number of channels through: `narrow` has two,
/// `wide` has six. The server's own doors take any number and mix down what the output lacks.
fn with_fixed_outputs(server: &SoundServer, folder: &Path) -> Vec<(&'static str, OsString)> {
    let mut environment = server.environment();
    let (_, configuration) =
        environment.iter_mut().find(|(name, _)| *name == "ALSA_CONFIG_PATH").expect("it has a configuration");
    let outputs = std::fs::read_to_string(&configuration).expect("the server wrote it");
    let door = |name: &str, to: Sink, description: &str| {
        let bindings: String = (0..to.channels()).map(|at| format!("{at} {{ slave a channel {at} }} ")).collect();
        format!(
            "pcm.{name}_door {{ type mmap_emul slave.pcm {} }}\npcm.{name} {{ type multi slaves.a {{ pcm {name}_door channels {} }} \
             bindings {{ {bindings}}} hint {{ show on description \"{description}\" }} }}\n",
            to.name(),
            to.channels()
        )
    };
    let doors = door("narrow", Sink::Front, "Two channels") + &door("wide", Sink::Surround, "Six channels");
    let file = folder.join("asound.conf");
    std::fs::write(&file, outputs + &doors).unwrap();
    *configuration = file.into();
    environment
}

/// The program refuses within its patience; what it says, and with which status it ends.
fn refused(mut command: Command) -> (String, Option<i32>) {
    let output = command.output().unwrap();
    (String::from_utf8_lossy(&output.stderr).into_owned(), output.status.code())
}

#[test]
fn an_output_with_too_few_channels_is_refused_before_any_sound_at_the_beginning_and_on_resume() {
    const THREE: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 40.0\n\n[channels]\n\
                         left = 1\nright = 2\nsubwoofer = 3\n\n[[control]]\nrole = \"polarity\"\nnow = 0.0\n";
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("system.toml"), THREE).unwrap();
    let environment = with_fixed_outputs(&server, home.path());
    let on = |output: &str, arguments: &[&str]| {
        let mut command = evenbass(home.path());
        command.envs(environment.iter().cloned()).env("HOME", home.path()).stdin(Stdio::null());
        command.args(arguments).args(["--face", "json", "--output", output]);
        command
    };
    let begin = ["begin", "blend", "--placed", "--system", "system.toml", "--seed", "7"];
    let says = |said: &str| {
        for words in [
            "The blend sounds on channel 3",
            "'Two channels' has only 2",
            "--output",
            "`evenbass outputs`",
            "[channels]",
        ] {
            assert!(said.contains(words), "{words}: {said}");
        }
    };
    let recorder = server.record(Sink::Front);
    let (said, code) = refused(on("narrow", &begin));
    says(&said);
    assert_eq!(code, Some(2), "{said}");
    let file = home.path().join("blend.visit.jsonl");
    assert!(!file.exists(), "a visit that has no sound leaves no file");

    // Begun where there are enough, it is resumed where there are not: the same words, and not a byte is added to the
    // visit.
    let mut talk = Talk::start(on("surround", &begin));
    talk.hear_of("ask");
    assert!(talk.end().0.success());
    let before = std::fs::read(&file).unwrap();
    let (said, code) = refused(on("narrow", &["resume", "blend.visit.jsonl"]));
    says(&said);
    assert_eq!(code, Some(2), "{said}");
    assert_eq!(std::fs::read(&file).unwrap(), before);
    assert!(recorder.stop().iter().all(|sample| *sample == 0.0), "nothing sounds on an output that is refused");
    // And what was refused goes on where there are enough, even if there are more than are needed and it has to have
    // them all.
    let mut talk = Talk::start(on("wide", &["resume", "blend.visit.jsonl"]));
    talk.hear_of("ask");
    assert!(talk.end().0.success());
}

#[test]
fn channels_polarity_and_delays_are_as_they_were_asked_for() {
    let server = SoundServer::start();
    for attempt in 1..=ATTEMPTS {
        let home = tempfile::tempdir().unwrap();
        let mut command = evenbass(home.path());
        let routines = home.path().join("config/evenbass/routines");
        std::fs::create_dir_all(&routines).unwrap();
        std::fs::write(routines.join("sound.toml"), ROUTINE).unwrap();
        std::fs::write(home.path().join("system.toml"), SYSTEM).unwrap();
        command.envs(server.environment()).env("HOME", home.path()).env("XDG_CONFIG_HOME", home.path().join("config"));
        command.args(["begin", "blend", "--placed", "--system", "system.toml", "--routine", "sound", "--seed", "7"]);
        command.args(["--buffer-frames", "8192", "--face", "json", "--output", Sink::Surround.name()]);
        let recorder = server.record(Sink::Surround);
        let mut talk = Talk::start(command);
        let done = talk.answer_with(answer, |line| line.get("done").is_some());
        assert!(done["done"]["sheet"].is_string(), "{done}");
        talk.end();
        let recorded = recorder.stop();
        let tones = tones(&home.path().join("blend.visit.jsonl"));
        match compare(&recorded, &tones) {
            // Three scans of nine steps, of each of which the last is cut short by the answer.
            Ok(measured) => {
                assert!(measured >= 24, "{measured} tones measured");
                println!("{measured} tones measured, {} attempts spoilt by gaps", attempt - 1);
                return;
            }
            Err(wrong) => println!("attempt {attempt}: {wrong}"),
        }
    }
    panic!("{ATTEMPTS} attempts, all different from the rendering");
}
