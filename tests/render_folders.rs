//! Whole routines and rounds of checks as files: what is in each, in which order, on which channels.

use std::fs;
use std::path::Path;
use std::process::Command;

const SECOND: usize = 48_000;

fn evenbass(folder: &Path, arguments: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_evenbass"));
    let output = command.args(arguments).current_dir(folder).env("XDG_CONFIG_HOME", folder).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{said}");
    said
}

fn files(folder: &Path) -> Vec<String> {
    let names = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".wav")).collect();
    names.sort();
    names
}

fn channels(path: &Path) -> Vec<Vec<f32>> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let count = usize::from(reader.spec().channels);
    let samples: Vec<f32> = reader.samples().map(Result::unwrap).collect();
    (0..count).map(|channel| samples.iter().skip(channel).step_by(count).copied().collect()).collect()
}

fn silent(samples: &[f32]) -> bool {
    samples.iter().all(|sample| *sample == 0.0)
}

#[test]
fn the_wiring_rounds_are_the_same_noise_with_exact_signs() {
    let folder = tempfile::tempdir().unwrap();
    evenbass(folder.path(), &["render", "wiring", "--folder", "w", "--seconds", "1"]);
    let folder = folder.path().join("w");
    assert_eq!(files(&folder), ["01-same.wav", "02-opposite.wav", "03-left.wav", "04-right.wav"]);
    let round = |name: &str| channels(&folder.join(name));
    let same = round("01-same.wav");
    assert!(same.len() == 2 && same[0].len() == SECOND && same[0] == same[1] && !silent(&same[0]));
    let opposite = round("02-opposite.wav");
    assert_eq!(opposite[0], same[0]);
    assert!(opposite[0].iter().zip(&opposite[1]).all(|(left, right)| *left == -*right));
    let (left, right) = (round("03-left.wav"), round("04-right.wav"));
    assert!(left[0] == same[0] && silent(&left[1]) && silent(&right[0]) && right[1] == same[0]);
    let sheet = fs::read_to_string(folder.join("cue-sheet.txt")).unwrap();
    assert!(files(&folder).iter().all(|file| sheet.contains(file)) && sheet.contains("no place, and less bass"));
}

#[test]
fn the_channel_rounds_go_through_the_channels_one_by_one() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = ["render", "identify", "--layout", "5.1", "--folder", "i", "--seconds", "0.5", "--flac"];
    evenbass(folder.path(), &arguments);
    assert_eq!(fs::read_dir(folder.path().join("i")).unwrap().count(), 8);
    evenbass(folder.path(), &["render", "identify", "--layout", "5.1", "--folder", "i", "--seconds", "0.5", "--force"]);
    let folder = folder.path().join("i");
    let names = files(&folder);
    assert_eq!(names[3], "04-channel-4-lfe.wav");
    for (place, name) in names.iter().enumerate() {
        let channels = channels(&folder.join(name));
        let sounding: Vec<usize> = (0..6).filter(|&channel| !silent(&channels[channel])).collect();
        assert_eq!(sounding, [place], "{name}");
    }
}

/// The level of the middle of a stretch as that of a sine, dBFS.
fn level_dbfs(samples: &[f32]) -> f64 {
    let middle = &samples[samples.len() / 3..samples.len() * 2 / 3];
    let square = middle.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / middle.len() as f64;
    10.0 * (2.0 * square).log10()
}

#[test]
fn a_routine_is_one_file_a_step_in_the_order_of_a_visit() {
    let folder = tempfile::tempdir().unwrap();
    let routine = |seed: &str, name: &str| {
        let rest = ["--lowest-hz", "30", "--seed", seed, "--folder", name];
        evenbass(folder.path(), &[&["render", "routine", "--spots", "door,left corner"][..], &rest].concat())
    };
    assert!(routine("5", "stick").contains("sound files"));
    let stick = folder.path().join("stick");
    let names = files(&stick);
    // Reference, notes that are raised, words; at each spot all notes and then each; the last scale.
    let raised = names.iter().filter(|name| name.contains("-raised-")).count();
    assert_eq!(names.len(), 1 + raised + 1 + 2 * 17 + 1);
    assert!(raised > 0 && names[0] == "00-reference.wav" && names[names.len() - 1].ends_with("-last-scale.wav"));
    let sheet = fs::read_to_string(stick.join("cue-sheet.txt")).unwrap();
    let html = fs::read_to_string(stick.join("cue-sheet.html")).unwrap();
    let places: Vec<usize> = names.iter().map(|name| sheet.find(name.as_str()).unwrap()).collect();
    assert!(places.is_sorted() && names.iter().all(|name| html.contains(name)));
    assert!(
        sheet.contains("\nAt: door\n") && sheet.contains("\nAt: left corner\n") && html.contains("At: left corner")
    );
    // The reference sounds at the comfort level for half a minute.
    let reference = channels(&stick.join(&names[0])).remove(0);
    assert_eq!(reference.len(), 30 * SECOND);
    assert!((level_dbfs(&reference) + 30.0).abs() < 0.1, "{}", level_dbfs(&reference));
    // The lowest note rises by three decibels a step to where it is played, each step 0.9 s with 0.1 s between.
    let lowest = names.iter().find(|name| name.ends_with("-raised-30hz.wav")).unwrap();
    let steps = channels(&stick.join(lowest)).remove(0);
    let loud: Vec<f64> =
        (0..3).map(|step| level_dbfs(&steps[step * SECOND..step * SECOND + 9 * SECOND / 10])).collect();
    assert!((loud[1] - loud[0] - 3.0).abs() < 0.05 && (loud[2] - loud[1] - 3.0).abs() < 0.05, "{loud:?}");
    // The notes of both spots are the same ones in another order, and the seed decides which.
    let order = |name: &str, spot: &str| {
        let of_spot = |file: &String| file.split_once(spot).map(|(_, note)| note.to_owned());
        let files = files(&folder.path().join(name));
        files.iter().filter_map(of_spot).filter(|note| note != "all.wav").collect::<Vec<_>>()
    };
    let (one, other) = (order("stick", "spot-1-"), order("stick", "spot-2-"));
    assert!(one != other && one.len() == 16 && one.iter().all(|note| other.contains(note)));
    routine("6", "again");
    assert_ne!(order("again", "spot-1-"), one);
}

#[test]
fn a_note_that_falls_short_is_as_loud_in_a_set_as_in_a_routine_and_as_both_cue_sheets_say() {
    let folder = tempfile::tempdir().unwrap();
    evenbass(folder.path(), &["render", "set", "walk-16", "--folder", "set"]);
    evenbass(folder.path(), &["render", "routine", "--spots", "door", "--folder", "routine"]);
    for (name, note) in [("set", "-25.0hz.wav"), ("routine", "-spot-1-25hz.wav")] {
        let names = files(&folder.path().join(name));
        let file = names.iter().find(|file| file.ends_with(note)).unwrap();
        let level = level_dbfs(&channels(&folder.path().join(name).join(file))[0]);
        let sheet = fs::read_to_string(folder.path().join(name).join("cue-sheet.txt")).unwrap();
        let row = sheet.lines().find(|line| line.contains(file.as_str())).unwrap();
        assert!(row.contains(&format!("{level:.1}")) && row.contains("4.2 dB"), "{level}: {row}");
    }
}
