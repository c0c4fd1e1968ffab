//! Sound without a visit: the outputs, `play`, and no output at all.

use std::path::Path;
use std::process::Command;

use evenbass::signal::Recipe;
use evenbass::units::Dbfs;

use crate::support::compare::*;
use crate::support::screen::Screen;
use crate::support::script::evenbass;
use crate::support::sound_server::{Sink, SoundServer, environment_without_outputs, wait_until};
use crate::{alone, faded_end};

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
        // Whole periods of 40 Hz, 1200 frames each: the level may follow a straight line of 20 dB a second, and a step
        // of it more.
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
