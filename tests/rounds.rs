//! `play wiring` and `play identify` on the virtual sound card: what sounds where, and nothing anywhere else.

mod support;

use std::process::Output;
use std::sync::{Mutex, MutexGuard, PoisonError};

use support::sound_server::{Sink, SoundServer};

/// Shorter stretches than this are not looked at one by one: 20 ms.
const SHORTEST: usize = 960;

/// One at a time, for fewer gaps.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What the program said, and what was recorded of it until silence.
fn heard(server: &SoundServer, sink: Sink, arguments: &[&str]) -> (Output, Vec<f32>) {
    let recorder = server.record(sink);
    let mut command = server.command(env!("CARGO_BIN_EXE_evenbass"));
    let output = command.arg("play").args(arguments).args(["--output", sink.name()]).output().expect("it starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    recorder.wait_for_sound(0);
    recorder.wait_for_silence(24_000);
    (output, recorder.stop())
}

/// What each frame is, as stretches of the same. Those that are too short to be one are left out, and so is silence: on
/// a busy machine the sound server makes gaps of its own.
fn stretches<T: PartialEq + Copy>(samples: &[f32], channels: usize, silence: T, what: impl Fn(&[f32]) -> T) -> Vec<T> {
    let mut stretches: Vec<(T, usize)> = Vec::new();
    for frame in samples.chunks_exact(channels).map(what) {
        match stretches.last_mut() {
            Some((last, length)) if *last == frame => *length += 1,
            _ => stretches.push((frame, 1)),
        }
    }
    let long = stretches.into_iter().filter(|(what, length)| *length >= SHORTEST && *what != silence);
    let mut long: Vec<T> = long.map(|(what, _)| what).collect();
    long.dedup();
    long
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Sides {
    Silent,
    Same,
    Opposite,
    LeftAlone,
    RightAlone,
    /// On the way from one to the next.
    Between,
}

fn sides(frame: &[f32]) -> Sides {
    match (frame[0], frame[1]) {
        (0.0, 0.0) => Sides::Silent,
        (left, 0.0) if left != 0.0 => Sides::LeftAlone,
        (0.0, _) => Sides::RightAlone,
        (left, right) if left == right => Sides::Same,
        (left, right) if left == -right => Sides::Opposite,
        _ => Sides::Between,
    }
}

#[test]
fn the_wiring_rounds_sound_in_turn_with_exact_signs_and_cross_fades_between() {
    let _alone = alone();
    let server = SoundServer::start();
    let (output, recorded) = heard(&server, Sink::Front, &["wiring", "--seconds", "0.6", "--dbfs", "-50"]);
    use Sides::{Between, LeftAlone, Opposite, RightAlone, Same};
    assert_eq!(
        stretches(&recorded, 2, Sides::Silent, sides),
        [Same, Between, Opposite, Between, LeftAlone, Between, RightAlone]
    );
    let said = String::from_utf8(output.stdout).unwrap();
    let places =
        ["the same from both", "opposite from both", "left alone", "right alone"].map(|words| said.find(words));
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{said}");
}

#[test]
fn wiring_on_a_surround_output_leaves_all_other_channels_silent() {
    let _alone = alone();
    let server = SoundServer::start();
    let arguments = ["wiring", "--layout", "5.1", "--seconds", "0.6", "--dbfs", "-55"];
    let (_, recorded) = heard(&server, Sink::Surround, &arguments);
    assert!(recorded.chunks_exact(6).all(|frame| frame[2..].iter().all(|sample| *sample == 0.0)));
    let (left, right) = (Sides::LeftAlone, Sides::RightAlone);
    let found = stretches(&recorded, 6, Sides::Silent, sides);
    assert!(found.contains(&left) && found.contains(&right) && found.contains(&Sides::Opposite), "{found:?}");
}

#[test]
fn each_channel_is_named_and_sounds_alone_in_its_turn() {
    let _alone = alone();
    let server = SoundServer::start();
    let arguments = ["identify", "--layout", "5.1", "--seconds", "0.4", "--dbfs", "-57"];
    let (output, recorded) = heard(&server, Sink::Surround, &arguments);
    // Which channels sound, as bits. Never two at a time: not in a single frame.
    let sounding = |frame: &[f32]| {
        frame
            .iter()
            .enumerate()
            .filter(|(_, sample)| **sample != 0.0)
            .fold(0_u32, |bits, (channel, _)| bits | 1 << channel)
    };
    assert!(recorded.chunks_exact(6).all(|frame| sounding(frame).count_ones() <= 1));
    let turns: Vec<u32> = stretches(&recorded, 6, 0, sounding);
    assert_eq!(turns, [1, 2, 4, 8, 16, 32]);
    // ALSA's order, in which the sink takes them.
    let said = String::from_utf8(output.stdout).unwrap();
    let names: Vec<&str> = said.lines().collect();
    let expected = ["1 (L)", "2 (R)", "3 (BL)", "4 (BR)", "5 (C)", "6 (LFE)"].map(|name| format!("channel {name}"));
    assert_eq!(names, expected);
}

#[test]
fn a_few_channels_can_be_told_apart_with_their_own_gain_and_polarity() {
    let _alone = alone();
    let server = SoundServer::start();
    let arguments = ["identify", "--channels", "L,R:-6dB:inverted", "--seconds", "0.4", "--dbfs", "-55"];
    let (_, recorded) = heard(&server, Sink::Front, &arguments);
    assert_eq!(stretches(&recorded, 2, Sides::Silent, sides), [Sides::LeftAlone, Sides::RightAlone]);
    // The same noise from its first sample on: 6 dB less and turned over, but for where the climb's steps fall.
    let first = |channel: usize| recorded.iter().skip(channel).step_by(2).find(|sample| **sample != 0.0).unwrap();
    let ratio = f64::from(*first(1)) / f64::from(*first(0));
    assert!((ratio + 10_f64.powf(-6.0 / 20.0)).abs() < 1e-3, "{ratio}");
}
