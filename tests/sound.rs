//! Real sound: a live engine on a virtual sound card, recorded and compared with the offline rendering.

mod support;

use std::sync::{Mutex, MutexGuard, PoisonError};

use evenbass::engine::{Engine, OfflineSink, Order, Outputs};
use evenbass::units::{Dbfs, FrameCount, SampleRate};
use support::player::Player;
use support::sound_server::{Sink, SoundServer, environment_without_outputs};
use support::tones::sine_of;

/// A buffer that does without gaps on a busy machine.
const BUFFER: u64 = 8192;
/// A gap of the sound server itself, seen as repeated or missing frames, may be tried again this often.
const ATTEMPTS: usize = 4;
const SECOND: usize = 48_000;

/// Not a test: the process that plays.
#[test]
#[ignore = "run by the other tests, in a process of its own"]
fn player() {
    support::player::run();
}

/// One at a time, for fewer gaps.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What the offline engine makes of the same order.
fn rendered(order: Order, channels: u16, ceiling_dbfs: f64) -> Vec<f32> {
    let frames = order.length.expect("a length").0;
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(SampleRate::HZ_48000, channels, sink);
    engine.set_ceiling(Dbfs::new(ceiling_dbfs));
    engine.start(order).expect("a fair order");
    for _ in 0..frames.div_ceil(SECOND as u64) {
        engine.beat();
        engine.advance(FrameCount(SECOND as u64));
    }
    let mut samples = recording.take();
    samples.truncate(frames as usize * usize::from(channels));
    samples
}

fn first_sound(samples: &[f32]) -> Option<usize> {
    samples.iter().position(|sample| *sample != 0.0)
}

/// Compares the first sound in a recording with a rendering, first sample to last; all around it must be silence.
///
/// Returns the largest difference, or what is wrong.
fn compare(recorded: &[f32], rendered: &[f32], channels: usize) -> Result<f64, String> {
    let sound = first_sound(recorded).ok_or("nothing was recorded")?;
    let wanted = first_sound(rendered).ok_or("nothing was rendered")?;
    let begin = sound.checked_sub(wanted).filter(|begin| begin % channels == 0).ok_or("it began on a wrong channel")?;
    let recorded = &recorded[begin..];
    if recorded.len() < rendered.len() {
        return Err("the recording is too short".to_owned());
    }
    let difference = |(a, b): (&f32, &f32)| (f64::from(*a) - f64::from(*b)).abs();
    let largest = recorded.iter().zip(rendered).map(difference).fold(0.0, f64::max);
    if largest > 1e-6 {
        let place = recorded.iter().zip(rendered).position(|pair| difference(pair) > 1e-6).unwrap_or(0);
        return Err(format!("it differs by {largest} from frame {} on", place / channels));
    }
    match recorded[rendered.len()..].iter().position(|sample| *sample != 0.0) {
        Some(place) => Err(format!("there is sound {} frames after the end", place / channels)),
        None => Ok(largest),
    }
}

/// Tries again after a gap of the sound server, and says so.
fn allowing_gaps(what: &str, mut attempt: impl FnMut() -> Result<f64, String>) {
    for number in 1..=ATTEMPTS {
        match attempt() {
            Ok(difference) => {
                println!("{what}: largest difference {difference:.1e}, {} attempts spoilt by gaps", number - 1);
                return;
            }
            Err(wrong) => println!("{what}: attempt {number}: {wrong}"),
        }
    }
    panic!("{what}: {ATTEMPTS} attempts, all different from the rendering");
}

#[test]
fn recorded_samples_equal_the_offline_rendering_on_the_right_channels() {
    let _alone = alone();
    let server = SoundServer::start();
    for (sink, outputs) in [(Sink::Front, &[0_u16, 1][..]), (Sink::Surround, &[5, 0])] {
        let channels = sink.channels() as u16;
        let mut player = Player::start(server.environment(), sink.name(), channels, BUFFER);
        println!("{}", player.wait_for("open"));
        let mut tone = 0;
        for &output in outputs {
            allowing_gaps(&format!("{} channel {output}", sink.name()), || {
                tone += 1;
                let recorder = server.record(sink);
                player.say(&format!("start {tone} 40 -46 {SECOND} {output}"));
                player.wait_for("Finished");
                recorder.wait_for_sound(0);
                recorder.wait_for_silence(SECOND / 2);
                let recorded = recorder.stop();
                let order = Order { outputs: Outputs::one(output), ..sine_of(1, 40.0, -46.0, SECOND as u64) };
                let ceiling = Dbfs::new(-44.0).sine_peak();
                assert!(recorded.iter().all(|sample| f64::from(sample.abs()) <= ceiling));
                compare(&recorded, &rendered(order, channels, -44.0), usize::from(channels))
            });
        }
        let errors = player.close();
        assert!(!errors.contains("ALSA"), "{errors}");
    }
}

#[test]
fn closing_in_mid_tone_plays_the_fade_to_its_end() {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps("closing", || {
        let recorder = server.record(Sink::Front);
        let mut player = Player::start(server.environment(), "front", 2, BUFFER);
        player.say(&format!("start 1 40 -46 {} 0", 60 * SECOND));
        player.wait_for("Started");
        recorder.wait_for_sound(0);
        player.say("close");
        let finished = player.wait_for("Finished");
        player.wait_for("closed");
        recorder.wait_for_silence(SECOND / 2);
        // The fade ends after a number of frames that the engine tells; a rendering of that length ends by the same
        // ramp.
        let frames = finished.split("FrameCount(").nth(1).and_then(|rest| rest.split(')').next());
        let frames: u64 = frames.and_then(|frames| frames.parse().ok()).expect("a finished tone tells its frames");
        compare(&recorder.stop(), &rendered(sine_of(1, 40.0, -46.0, frames), 2, -44.0), 2)
    });
}

#[test]
fn a_sink_removed_in_mid_tone_is_found_again_when_it_is_back() {
    let _alone = alone();
    let server = SoundServer::start();
    // The server itself would move the stream to another sink if there were one.
    server.remove(Sink::Surround);
    lose_and_find_again(&server, || server.remove(Sink::Front), || server.bring_back(Sink::Front));
}

#[test]
fn a_killed_server_is_found_again_when_it_is_back() {
    let _alone = alone();
    let server = Mutex::new(SoundServer::start());
    let environment = server.lock().unwrap().environment();
    let mut player = sounding_player(environment);
    server.lock().unwrap().kill();
    see_it_lost(&mut player);
    server.lock().unwrap().start_again();
    hear_it_again(&mut player, &server.lock().unwrap());
}

#[test]
fn a_frozen_server_does_not_hang_the_engine() {
    let _alone = alone();
    let server = SoundServer::start();
    lose_and_find_again(&server, || server.freeze(), || server.thaw());
}

#[test]
fn closing_does_not_hang_while_the_server_is_frozen() {
    let _alone = alone();
    let server = SoundServer::start();
    let mut player = sounding_player(server.environment());
    server.freeze();
    player.wait_for("DeviceLost");
    player.say("close");
    player.wait_for("closed");
    server.thaw();
}

fn lose_and_find_again(server: &SoundServer, lose: impl FnOnce(), bring_back: impl FnOnce()) {
    let mut player = sounding_player(server.environment());
    lose();
    see_it_lost(&mut player);
    bring_back();
    hear_it_again(&mut player, server);
}

fn sounding_player(environment: Vec<(&'static str, std::ffi::OsString)>) -> Player {
    let mut player = Player::start(environment, "front", 2, BUFFER);
    player.say("ceiling -30");
    player.say(&format!("start 1 40 -36 {} 0", 60 * SECOND));
    player.wait_for("Started");
    player
}

fn see_it_lost(player: &mut Player) {
    let lost = player.wait_for("Finished");
    assert!(lost.contains("Lost"), "{lost}");
    player.wait_for("DeviceLost");
    player.say(&format!("start 2 40 -46 {SECOND} 0"));
    player.wait_for("refused DeviceLost");
}

/// The device comes back at silence, with the ceiling back at the start, and plays as before.
fn hear_it_again(player: &mut Player, server: &SoundServer) {
    player.wait_for("DeviceBack");
    player.say(&format!("start 2 40 -36 {SECOND} 0"));
    player.wait_for("refused AboveCeiling");
    let mut tone = 2;
    allowing_gaps("after the device is back", || {
        tone += 1;
        let recorder = server.record(Sink::Front);
        player.say(&format!("start {tone} 40 -46 {SECOND} 0"));
        player.wait_for("Finished");
        recorder.wait_for_sound(0);
        recorder.wait_for_silence(SECOND / 2);
        compare(&recorder.stop(), &rendered(sine_of(1, 40.0, -46.0, SECOND as u64), 2, -44.0), 2)
    });
    let errors = player.close();
    assert!(!errors.contains("ALSA"), "{errors}");
}

#[test]
fn a_machine_without_sound_is_told_what_to_do() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    let player = Player::start(environment_without_outputs(folder.path()), "", 2, BUFFER);
    let refused = player.wait_for("refused");
    assert!(refused.contains("NoDevice") && refused.contains("evenbass rehearse"), "{refused}");
}

#[test]
fn a_stopped_server_counts_as_no_device() {
    let _alone = alone();
    let mut server = SoundServer::start();
    server.kill();
    let player = Player::start(server.environment(), "", 2, BUFFER);
    let refused = player.wait_for("refused");
    assert!(refused.contains("NoDevice") && refused.contains("evenbass rehearse"), "{refused}");
}

#[test]
fn what_the_device_cannot_do_is_refused_with_what_it_can() {
    let _alone = alone();
    let server = SoundServer::start();
    let player = Player::start(server.environment(), "kitchen", 2, BUFFER);
    let refused = player.wait_for("refused");
    assert!(refused.contains("UnknownDevice") && refused.contains("front, surround"), "{refused}");
    let player = Player::start(server.environment(), "front", 40, BUFFER);
    let refused = player.wait_for("refused");
    assert!(refused.contains("UnsupportedChannels") && refused.contains("offers 1 to 32"), "{refused}");
}

#[test]
fn the_outputs_are_listed_with_what_they_can() {
    let _alone = alone();
    let server = SoundServer::start();
    let player = Player::start(server.environment(), "list", 2, BUFFER);
    let default = player.wait_for("output");
    assert!(default.contains("\"alsa:default\"") && default.contains("is_default: true"), "{default}");
    for (id, name) in [("front", "Virtual stereo output"), ("surround", "Virtual 5.1 output")] {
        let line = player.wait_for(&format!("\"alsa:{id}\""));
        println!("{line}");
        assert!(line.contains(name) && line.contains("is_default: false") && line.contains("problem: None"), "{line}");
        assert!(line.contains("channels: [1, 2, 3, 4, 5, 6,"), "{line}");
    }
}

#[test]
fn an_emergency_stop_is_heard_as_one_short_ramp() {
    let _alone = alone();
    let server = SoundServer::start();
    let mut player = Player::start(server.environment(), "front", 2, 1024);
    allowing_gaps("emergency stop", || {
        let recorder = server.record(Sink::Front);
        player.say(&format!("start 1 30 -46 {} 1", 60 * SECOND));
        player.wait_for("Started");
        recorder.wait_for_sound(0);
        let heard = recorder.frames();
        // Half a second of steady tone, so that the stop does not fall into the rise.
        support::sound_server::wait_until("the tone is steady", || recorder.frames() > heard + SECOND / 2);
        player.say("stop");
        let finished = player.wait_for("Finished");
        assert!(finished.contains("Emergency"), "{finished}");
        recorder.wait_for_silence(SECOND / 2);
        let recorded = recorder.stop();
        let (first, last) = (first_sound(&recorded), recorded.iter().rposition(|sample| *sample != 0.0));
        let (first, last) = (first.expect("sound") / 2, last.expect("sound") / 2);
        // Without the ramp the tone would go on as it began: what was recorded, divided by it, is the ramp.
        let steady = rendered(sine_of(1, 30.0, -46.0, 60 * SECOND as u64), 1, -44.0);
        let offset = first_sound(&steady).expect("sound");
        let begin = last + 1 - 2400;
        let ramp = |frame: usize| 0.5 + 0.5 * (std::f64::consts::PI * frame as f64 / 2400.0).cos();
        let largest = (0..2400)
            .map(|frame| {
                let expected = f64::from(steady[begin + frame - first + offset]) * ramp(frame);
                (f64::from(recorded[2 * (begin + frame) + 1]) - expected).abs()
            })
            .fold(0.0, f64::max);
        if largest < 1e-6 { Ok(largest) } else { Err(format!("the stop differs from its ramp by {largest}")) }
    });
}
