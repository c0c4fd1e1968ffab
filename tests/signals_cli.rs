//! `play`, `render`, `levels` and `exposure` from outside: what is refused, by name, value and allowed range; what is
//! written.

use std::fs;
use std::path::Path;
use std::process::Command;

use evenbass::engine::{Engine, OfflineSink, Order, Outputs, Polarity, ToneId};
use evenbass::signal::Recipe;
use evenbass::units::{Dbfs, FrameCount, GainDb, SampleRate};

const EVENBASS: &str = env!("CARGO_BIN_EXE_evenbass");

/// The exit code and what was said.
fn run(folder: &Path, arguments: &str) -> (i32, String) {
    let output = Command::new(EVENBASS)
        .args(arguments.split_whitespace())
        .current_dir(folder)
        .env("XDG_CONFIG_HOME", folder.join("config"))
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.code().unwrap(), String::from_utf8(said).unwrap())
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Every refusal is wrong usage, says all of these, and leaves nothing behind. No sound device is needed to be refused.
#[test]
fn bad_input_is_refused_by_name_value_and_range_before_anything_sounds_or_is_written() {
    let cases: &[(&str, &[&str])] = &[
        ("render pure --hz 24000 -o a.wav", &["frequency_hz is 24000", "below 24000 (half the sample rate)"]),
        ("render pure --hz 30000 -o a.wav", &["frequency_hz is 30000", "below 24000"]),
        ("render pure --hz 5000 --rate 8000 -o a.wav", &["frequency_hz is 5000", "below 4000"]),
        ("render pure --hz 0 -o a.wav", &["frequency_hz is 0", "above 0"]),
        ("render pure --hz=-40 -o a.wav", &["frequency_hz is -40", "above 0"]),
        ("render pure --hz NaN -o a.wav", &["frequency_hz is NaN", "above 0"]),
        ("render pure --hz 40 --rate 7999 -o a.wav", &["--rate 7999", "8000 to 384000 Hz"]),
        ("render pure --hz 40 --dbfs 0 -o a.wav", &["--dbfs 0", "-3.0 dBFS or less"]),
        ("render pure --hz 40 --dbfs NaN -o a.wav", &["--dbfs NaN"]),
        ("render pure --hz 40 --dbfs -4 --channels L:2dB -o a.wav", &["--dbfs -4", "-5.0 dBFS or less"]),
        ("render steady-noise --hz 40 --dbfs -3 -o a.wav", &["--dbfs -3", "dBFS or less"]),
        ("render pure --hz 40 --seconds 0 -o a.wav", &["--seconds 0", "more than nothing"]),
        ("render pure --hz 40 --seconds=-1 -o a.wav", &["--seconds -1", "more than nothing"]),
        ("render pure --hz 40 --seconds 90000 -o a.wav", &["--seconds 90000", "at most a day"]),
        ("render pure --hz 40 --seconds 0.05 -o a.wav", &["2400 frames is too short", "4800 frames"]),
        ("render pure --hz 40 -o a.mp3", &["a.mp3", ".wav or .flac"]),
        ("render pure --hz 40 --sample 32f -o a.flac", &["FLAC cannot store 32-bit floating point"]),
        ("render pure --hz 40 --channels woofer -o a.wav", &["\"woofer\" is not a channel", "LFE"]),
        ("render pure --hz 40 --channels L,L -o a.wav", &["L is named twice"]),
        ("render pure --hz 40 --layout stereo --channels LFE -o a.wav", &["no channel LFE", "L (1), R (2)"]),
        ("render pure --hz 40 --layout 5.1 --channels 7 -o a.wav", &["no channel 7", "LFE (4)"]),
        ("render pure --hz 40 --channels 9 -o a.wav", &["at most 8 channels, not 9"]),
        ("render pure --hz 40 --channels LC -o a.wav", &["--channels LC", "no usual layout"]),
        ("render pure --hz 40 --channels L:101ms -o a.wav", &["101 ms", "0 to 100 ms"]),
        ("render pure --hz 40 --layout 9.1 -o a.wav", &["9.1", "mono, stereo, 2.1, 5.1, 7.1"]),
        ("render steady-noise --hz 40 --band 1/5 -o a.wav", &["1/5", "1/12"]),
        ("render warble --hz 40 --octaves 0 -o a.wav", &["half_width_octaves is 0"]),
        ("render band-noise --from-hz 100 --to-hz 100 -o a.wav", &["from_hz is 100", "to 99"]),
        ("render band-noise --from-hz 100 --to-hz 50 -o a.wav", &["from_hz is 100", "to 49"]),
        ("render band-noise --hz 40 --from-hz 20 --to-hz 80 -o a.wav", &["--hz", "cannot be used with"]),
        ("render band-noise --from-hz 20 -o a.wav", &["--to-hz"]),
        ("render sweep --from-hz 50 --to-hz 50 -o a.wav", &["to_hz"]),
        ("render sweep --from-hz 20 --to-hz 30000 -o a.wav", &["to_hz is 30000", "below 24000"]),
        ("render sweep --from-hz 20 --to-hz 90 --stepped-by fifth -o a.wav", &["fifth", "third-octave"]),
        ("render sweep --from-hz 20 --to-hz 90 --stepped-by octave --shape linear -o a.wav", &["cannot be used with"]),
        ("render sweep --from-hz 20 --to-hz 90 --tone warble -o a.wav", &["--stepped-by"]),
        ("render sweep --from-hz 20 --to-hz 90 --stepped-by semitone --sweep-seconds 3 -o a.wav", &["for each note"]),
        ("render silence --silence-seconds 0 -o a.wav", &["seconds is 0", "from 0.2"]),
        ("render wiring --channels L --folder f", &["leave --channels out"]),
        ("render wiring --layout mono --folder f", &["no channel L"]),
        ("render wiring --seconds 0 --folder f", &["--seconds 0", "more than nothing"]),
        ("render identify --dbfs -1 --folder f", &["would peak at", "above -3.0 dBFS"]),
        ("render routine --folder f", &["--spots"]),
        ("render routine --spots door,door --folder f", &["two spots called door"]),
        ("render routine --spots door --comfort-dbfs -10 --folder f", &["--comfort-dbfs", "-60 to -19 dBFS"]),
        ("render routine --spots door --comfort-dbfs -29.5 --folder f", &["whole decibels"]),
        ("render routine --spots door --low-pass-hz 40 --folder f", &["at least eight notes"]),
        ("begin --channels woofer", &["\"woofer\" is not a channel", "LFE"]),
        ("begin --channels LFE:-3dB", &["in a visit LFE sounds as it is"]),
        ("render burst --hz 50 --cycles 0 -o a.wav", &["cycles is 0"]),
        ("render burst --hz 50 --count 0 -o a.wav", &["count is 0"]),
        ("render notes --notes H1 -o a.wav", &["H1"]),
        (
            "render set walk-61 --folder s",
            &["no note set called \"walk-61\"", "did you mean \"walk-16\"", "known: walk-16"],
        ),
        ("levels walk-61", &["did you mean \"walk-16\""]),
        ("levels --levels usuall", &["did you mean \"usual\"", "late-evening"]),
        ("play preset bass-swep", &["no signal called \"bass-swep\"", "did you mean \"bass-sweep\"", "walking-line"]),
        ("render preset nothing-like-it -o a.wav", &["no signal called \"nothing-like-it\"", "known: bass-sweep, "]),
        ("presets show bass-swep", &["did you mean \"bass-sweep\""]),
        ("begin --notes walk-61", &["did you mean \"walk-16\""]),
        ("rehearse --listener typicel --folder .", &["did you mean \"typical\"", "known: typical"]),
        ("render set --folder s --comfort-dbfs -10", &["--comfort-dbfs", "-60 to -19 dBFS"]),
        ("render set --folder s --lowest-hz 200", &["--lowest-hz", "no two notes"]),
        ("render set --folder s --seconds 0", &["--seconds 0", "more than nothing"]),
        ("play pure --hz 40 --no-ramp", &["--no-ramp"]),
        ("play pure --hz 30000", &["frequency_hz is 30000", "below 24000"]),
        ("play pure --hz 40 --dbfs 0", &["--dbfs 0", "-3.0 dBFS or less"]),
        ("play pure --hz 40 --seconds 0", &["--seconds 0", "more than nothing"]),
        ("play pure --hz 40 --channels woofer", &["\"woofer\" is not a channel"]),
        ("play pure --hz 40 --channels L:3ms:loud", &["\"loud\" is no gain"]),
        ("play wiring --channels L", &["leave --channels out"]),
        ("levels --comfort-dbfs 0", &["--comfort-dbfs", "-60 to -19 dBFS"]),
        ("levels --boost-db 13", &["--boost-db", "0 to 12 dB"]),
        ("exposure --dba 300", &["--dba", "30 to 160 dB"]),
        ("exposure", &["--dba"]),
    ];
    let folder = tempfile::tempdir().unwrap();
    let mut wrong = Vec::new();
    for (arguments, expected) in cases {
        let (code, said) = run(folder.path(), arguments);
        let missing: Vec<_> = expected.iter().filter(|words| !said.contains(**words)).collect();
        let left = names(folder.path());
        if !missing.is_empty() || !left.is_empty() || code != 2 {
            wrong.push(format!("{arguments}: code {code}, without {missing:?}, leaving {left:?}: {said}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_file_that_exists_is_replaced_only_by_force() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("tone.wav"), "mine").unwrap();
    let (code, said) = run(folder.path(), "render pure --hz 40 --seconds 1 -o tone.wav");
    assert!(code == 1 && said.contains("tone.wav exists already") && said.contains("--force"), "{said}");
    assert_eq!(fs::read(folder.path().join("tone.wav")).unwrap(), b"mine");
    let (code, said) = run(folder.path(), "render pure --hz 40 --seconds 1 -o tone.wav --force");
    assert_eq!(code, 0, "{said}");
    assert_eq!(hound::WavReader::open(folder.path().join("tone.wav")).unwrap().duration(), 48_000);
    assert_eq!(names(folder.path()), ["tone.wav"]);
}

/// A limit on the size of files stands for a full disk: the system refuses to write on.
#[test]
#[cfg(target_os = "linux")]
fn a_full_disk_leaves_nothing_under_the_final_name() {
    let folder = tempfile::tempdir().unwrap();
    for (arguments, name) in [
        ("render pure --hz 40 --seconds 60 -o tone.wav", "tone.wav"),
        ("render pure --hz 40 --seconds 60 --no-ramp -o tone.wav", "tone.wav"),
        ("render band-noise --from-hz 20 --to-hz 2000 --seconds 60 -o tone.flac", "tone.flac"),
        ("render set --folder stick", "stick"),
    ] {
        // The signal that goes with the refusal would end the program before it can tidy up.
        let script = format!("trap '' XFSZ; ulimit -f 200; exec {} {arguments}", EVENBASS);
        let output = Command::new("sh").args(["-c", &script]).current_dir(folder.path()).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1), "{arguments}: {said}");
        assert!(said.contains("cannot write") && said.contains(name) && !said.contains(".part"), "{said}");
        assert_eq!(said.matches("too large").count(), 1, "{said}");
        assert_eq!(names(folder.path()), Vec::<String>::new());
    }
}

/// What a device would get: the engine's samples for the same order.
fn engine_samples(order: Order, channels: u16, frames: u64) -> Vec<f32> {
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(SampleRate::HZ_48000, channels, sink);
    engine.set_ceiling(Dbfs::new(-3.0));
    engine.start(order).unwrap();
    for _ in 0..frames.div_ceil(10_000) {
        engine.beat();
        engine.advance(FrameCount(10_000));
    }
    let mut samples = recording.take();
    samples.truncate((frames * u64::from(channels)) as usize);
    samples
}

fn order(recipe: &str, frames: u64, outputs: Outputs) -> Order {
    let recipe: Recipe = serde_json::from_str(recipe).unwrap();
    let prepared = recipe.prepare(SampleRate::HZ_48000).unwrap();
    Order {
        tone: ToneId(1),
        source: prepared.source,
        peak: prepared.peak,
        lowest_hz: prepared.lowest_hz,
        level: Dbfs::new(-20.0),
        length: Some(FrameCount(frames)),
        limit: prepared.limit,
        outputs,
    }
}

fn read(path: &Path) -> (hound::WavSpec, Vec<f32>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    (reader.spec(), reader.samples::<f32>().map(Result::unwrap).collect())
}

fn bits(samples: &[f32]) -> Vec<u32> {
    samples.iter().map(|sample| sample.to_bits()).collect()
}

#[test]
fn a_rendered_file_holds_the_engines_samples_bit_for_bit() {
    let folder = tempfile::tempdir().unwrap();
    let noise = r#"{"signal":"steady-noise","frequency_hz":63.0,"band":"1/3","seed":7}"#;
    let (code, said) = run(
        folder.path(),
        "render steady-noise --hz 63 --noise-seed 7 --seconds 2 --layout 5.1 --channels LFE:-3dB,L:inverted:14.569ms -o a.wav",
    );
    assert_eq!(code, 0, "{said}");
    // WAV order: L, R, C, LFE, BL, BR.
    let outputs = Outputs::NONE
        .and(3, GainDb::new(-3.0), Polarity::Normal)
        .and(0, GainDb::ZERO, Polarity::Inverted)
        .delayed(0, 14.569 / 1e3);
    let (spec, samples) = read(&folder.path().join("a.wav"));
    assert_eq!((spec.channels, spec.sample_rate), (6, 48_000));
    assert_eq!(bits(&samples), bits(&engine_samples(order(noise, 96_000, outputs), 6, 96_000)));
    // The mask of 5.1 is 0x3F, at byte 40 of WAVE_FORMAT_EXTENSIBLE.
    assert_eq!(fs::read(folder.path().join("a.wav")).unwrap()[40..44], [0x3F, 0, 0, 0]);
}

#[test]
fn layouts_set_the_channel_mask() {
    let folder = tempfile::tempdir().unwrap();
    for (layout, channels, mask) in
        [("mono", 1, 0x4_u32), ("stereo", 2, 0x3), ("2.1", 3, 0xB), ("5.1", 6, 0x3F), ("7.1", 8, 0x63F)]
    {
        let (code, said) =
            run(folder.path(), &format!("render pure --hz 40 --seconds 1 --layout {layout} -o {layout}.wav"));
        assert_eq!(code, 0, "{said}");
        let bytes = fs::read(folder.path().join(format!("{layout}.wav"))).unwrap();
        assert_eq!(bytes[22..24], [channels, 0]);
        assert_eq!(bytes[40..44], mask.to_le_bytes());
    }
}

#[test]
fn without_ramps_the_file_begins_at_full_level() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) = run(
        folder.path(),
        "render pure --hz 1000 --dbfs 0 --seconds 0.01 --no-ramp --channels L,R:inverted:1ms -o a.wav",
    );
    assert_eq!(code, 0, "{said}");
    let (_, samples) = read(&folder.path().join("a.wav"));
    assert_eq!(samples.len(), 2 * 480);
    for frame in 0..480 {
        let sine = |frame: usize| (std::f64::consts::TAU * frame as f64 / 48.0).sin();
        assert!((f64::from(samples[2 * frame]) - sine(frame)).abs() < 1e-7);
        let late = if frame < 48 { 0.0 } else { -sine(frame - 48) };
        assert!((f64::from(samples[2 * frame + 1]) - late).abs() < 1e-7);
    }
}

#[test]
fn a_sweep_goes_in_steps_and_silence_is_marked() {
    let folder = tempfile::tempdir().unwrap();
    let sweep = "render sweep --from-hz 25 --to-hz 100 --stepped-by third-octave --sweep-seconds 7 --no-ramp -o a.wav";
    let (code, said) = run(folder.path(), sweep);
    assert_eq!(code, 0, "{said}");
    let (_, samples) = read(&folder.path().join("a.wav"));
    // IEC 61260-1: seven bands, a second each, begin and end in silence.
    let mids_hz = [25.118864, 31.622777, 39.810717, 50.118723, 63.095734, 79.432823, 100.0];
    assert_eq!(samples.len(), 7 * 48_000);
    for (second, hz) in samples.chunks(48_000).zip(mids_hz) {
        assert!(second[0].abs() < 1e-6 && second[47_999].abs() < 1e-6);
        let rising: Vec<usize> = (1..48_000).filter(|n| second[n - 1] < 0.0 && second[*n] >= 0.0).collect();
        let periods = rising.len() - 1;
        let found_hz = periods as f64 * 48_000.0 / (rising[periods] - rising[0]) as f64;
        assert!((found_hz / hz - 1.0).abs() < 1e-3, "{found_hz} Hz, not {hz}");
    }
    let (code, said) = run(folder.path(), "render silence --silence-seconds 2 -o marked.wav");
    assert_eq!(code, 0, "{said}");
    let (_, marked) = read(&folder.path().join("marked.wav"));
    assert_eq!(marked.len(), 96_000);
    let pip: Vec<usize> = (0..96_000).filter(|n| marked[*n] != 0.0).collect();
    assert!(!pip.is_empty() && pip[pip.len() - 1] < 9_600, "{:?}", pip.last());
    let (code, said) = run(folder.path(), "render silence --silence-seconds 1 --marker none -o plain.wav");
    assert_eq!(code, 0, "{said}");
    assert!(read(&folder.path().join("plain.wav")).1.iter().all(|sample| *sample == 0.0));
}

/// A person's mask of permissions holds for what is written, as for any other program's files.
#[test]
#[cfg(unix)]
fn files_have_the_permissions_that_the_mask_leaves() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let mode = |name: &str| fs::metadata(folder.path().join(name)).unwrap().permissions().mode() & 0o777;
    for (mask, file, directory) in [("077", 0o600, 0o700), ("022", 0o644, 0o755), ("002", 0o664, 0o775)] {
        for command in ["render pure --hz 40 --seconds 1 -o", "render wiring --seconds 1 --folder"] {
            let name = if command.contains("wiring") { format!("w{mask}") } else { format!("{mask}.wav") };
            let script = format!("umask {mask}; exec {EVENBASS} {command} {name}");
            assert!(Command::new("sh").args(["-c", &script]).current_dir(folder.path()).status().unwrap().success());
        }
        assert_eq!((mode(&format!("{mask}.wav")), mode(&format!("w{mask}"))), (file, directory));
        assert_eq!((mode(&format!("w{mask}/01-same.wav")), mode(&format!("w{mask}/cue-sheet.txt"))), (file, file));
    }
}

#[test]
fn a_note_set_becomes_a_folder_with_a_cue_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) = run(folder.path(), "render set walk-16 --folder stick --sample 16 --rate 44100");
    assert_eq!(code, 0, "{said}");
    assert_eq!(names(folder.path()), ["stick"]);
    let stick = folder.path().join("stick");
    let files = names(&stick);
    assert_eq!(files.len(), 19);
    assert_eq!(files[..2], ["00-reference-50hz.wav", "01-25.0hz.wav"]);
    let sheet = fs::read_to_string(stick.join("cue-sheet.txt")).unwrap();
    let html = fs::read_to_string(stick.join("cue-sheet.html")).unwrap();
    for file in files.iter().filter(|file| file.ends_with(".wav")) {
        assert!(sheet.contains(file) && html.contains(file), "{file}");
    }
    assert!(sheet.contains("greatest boost") && html.contains("greatest boost"));
    // The lowest note is 12 dB over the reference at -30 dBFS, less 1 dB: its tone reaches about a twelfth of an octave
    // below 25 Hz, from where it falls by 12 dB an octave.
    let mut reader = hound::WavReader::open(stick.join("01-25.0hz.wav")).unwrap();
    assert_eq!((reader.spec().sample_rate, reader.spec().bits_per_sample, reader.duration()), (44_100, 16, 88_200));
    let samples: Vec<f64> = reader.samples::<i32>().map(|sample| f64::from(sample.unwrap()) / 32_768.0).collect();
    let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    assert!((20.0 * peak.log10() + 19.0).abs() < 0.1, "{peak}");
    // Not again without force; with it, what is not ours stays.
    fs::write(stick.join("mine.txt"), "mine").unwrap();
    let (code, said) = run(folder.path(), "render set walk-16 --folder stick");
    assert!(code == 1 && said.contains("exists already") && said.contains("--force"), "{said}");
    assert_eq!(run(folder.path(), "render set walk-16 --folder stick --force").0, 0);
    assert_eq!(fs::read(stick.join("mine.txt")).unwrap(), b"mine");
    assert_eq!(hound::WavReader::open(stick.join("01-25.0hz.wav")).unwrap().spec().sample_rate, 48_000);
    assert_eq!(names(folder.path()), ["stick"]);
}

#[test]
fn levels_tell_what_falls_short() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) = run(folder.path(), "levels walk-16 --comfort-dbfs -30 --json");
    assert_eq!(code, 0, "{said}");
    let rows: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(rows.as_array().unwrap().len(), 16);
    // The lowest tone reaches from 25 Hz a twelfth of an octave down, and falls by 12 dB an octave from there.
    let (level_dbfs, held_by) = (rows[0]["level_dbfs"].as_f64().unwrap(), rows[0]["held_by"].as_str());
    assert!((level_dbfs + 19.0).abs() < 0.1 && held_by == Some("driver guard"), "{level_dbfs} {held_by:?}");
    let (_, said) = run(folder.path(), "levels walk-16 --comfort-dbfs -30 --deep-driver --json");
    let rows: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!((rows[0]["level_dbfs"].as_f64(), rows[0]["held_by"].as_str()), (Some(-18.0), Some("greatest boost")));
    let (_, said) = run(folder.path(), "levels --lowest-hz 40");
    assert!(said.contains("every note reaches equal loudness"), "{said}");
    // ISO 226:2023 at 70 phon: 40 Hz needs 3.94 dB more than 50 Hz.
    let (_, said) = run(folder.path(), "levels --lowest-hz 40 --loudness 70 --json");
    let rows: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert!((rows[0]["level_dbfs"].as_f64().unwrap() + 30.0 - (11.2888 - 7.3476)).abs() < 1e-3, "{said}");
}

#[test]
fn exposure_says_how_long_and_what_a_weighting_hides() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) = run(folder.path(), "exposure --dba 85 --hz 40 --c-peak 138");
    assert_eq!(code, 0, "{said}");
    // NIOSH 98-126: 8 h. H.870: 12 h 38 min a week for adults, a quarter-decade less for others. IEC 61672-1:
    // 119.54 dB.
    for words in [
        "8 h 0 min",
        "13 h",
        "4 h 0 min",
        "A-weighting hides bass",
        "119.5 dB SPL",
        "138.0 dB(C) is at or above the upper",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let at = |words: &str| said.find(words).unwrap();
    let warned = at("119.5 dB SPL").max(at("138.0 dB(C)"));
    assert!(warned < at("8 h 0 min"), "what harms comes before what is allowed: {said}");
}

#[test]
fn a_set_as_a_table_falls_as_short_as_it_does_in_a_visit() {
    let folder = tempfile::tempdir().unwrap();
    let (_, said) = run(folder.path(), "levels walk-16 --comfort-dbfs -30 --json");
    let rows: Vec<serde_json::Value> = serde_json::from_str(&said).unwrap();
    let set = evenbass::presets::note_set("walk-16", None).unwrap();
    let notes_hz = set.notes_hz();
    let lowest_hz: Vec<f64> = notes_hz.iter().map(|&hz| set.recipe(hz, 1).lowest_hz()).collect();
    let plan = evenbass::routine::levels::LevelPlan::new(&notes_hz, &lowest_hz, set.reference_hz, 50.0, false);
    assert_eq!(rows.len(), plan.notes().len());
    for (row, level) in rows.iter().zip(plan.notes()) {
        let short_db = row["shortfall_db"].as_f64().unwrap();
        assert!((short_db - level.shortfall.db()).abs() < 1e-9, "{row}: {level:?}");
    }
}

#[test]
fn presets_of_every_kind_are_listed_shown_checked_and_used() {
    let folder = tempfile::tempdir().unwrap();
    let (code, listed) = run(folder.path(), "presets list");
    assert_eq!(code, 0, "{listed}");
    for name in ["walk-16", "bass-sweep", "late-evening", "typical"] {
        assert!(listed.contains(name), "{listed}");
        let (code, shown) = run(folder.path(), &format!("presets show {name}"));
        assert!(code == 0 && shown.contains(&format!("name = \"{name}\"")), "{shown}");
        fs::write(folder.path().join("mine.toml"), shown).unwrap();
        let (code, said) = run(folder.path(), "presets check mine.toml");
        assert_eq!(code, 0, "{said}");
    }
    let (code, said) = run(folder.path(), "presets show bass-swep");
    assert!(code == 2 && said.contains("did you mean \"bass-sweep\""), "{said}");
    // One's own hides the program's of the same name.
    let own = folder.path().join("config/evenbass/signals");
    fs::create_dir_all(&own).unwrap();
    let (_, shown) = run(folder.path(), "presets show bass-sweep");
    fs::write(own.join("bass-sweep.toml"), shown.replace("seconds = 30.0", "seconds = 2.0")).unwrap();
    let (code, said) = run(folder.path(), "render preset bass-sweep -o sweep.wav");
    assert_eq!(code, 0, "{said}");
    assert_eq!(hound::WavReader::open(folder.path().join("sweep.wav")).unwrap().duration(), 96_000);
    fs::write(own.join("wrong.toml"), shown.replace("to_hz = 200.0", "to_hz = 24000.0")).unwrap();
    let (code, said) = run(folder.path(), "render preset wrong -o wrong.wav");
    assert!(code == 1 && said.contains("wrong.toml:") && said.contains("below 24000"), "{said}");
    fs::write(folder.path().join("odd.toml"), "name = \"odd\"").unwrap();
    assert!(run(folder.path(), "presets check odd.toml").1.contains("cannot tell what kind"));
    let (_, quiet) = run(folder.path(), "levels --levels late-evening --json");
    assert!(quiet.contains("-27.0"), "{quiet}");
}
