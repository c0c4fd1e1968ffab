//! How fast signals are made: seconds of audio per second of one core, next to a plain loop that computes the same
//! signal sample by sample with the standard library's functions.
//!
//! `cargo bench --bench signals`; each figure is the best of five runs, for the other work on a machine only ever slows
//! one down. The last column of `benches/reference/signals.py` has numpy's figures for the same signals. At the end the
//! program renders ten minutes of eight channels, next to the disk alone: the same bytes, written and synced.

use std::f64::consts::TAU;
use std::fs::File;
use std::hint::black_box;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

use evenbass::acoustics::bands::Width;
use evenbass::signal::band_noise::BandNoise;
use evenbass::signal::pulses::Burst;
use evenbass::signal::pure::Pure;
use evenbass::signal::steady_noise::SteadyNoise;
use evenbass::signal::sweep::{self, Sweep};
use evenbass::signal::warble::{self, Warble};
use evenbass::signal::{CHUNK, Recipe};
use evenbass::units::SampleRate;

const RATE_HZ: f64 = 48_000.0;

/// How much audio each run makes.
const SECONDS: usize = 600;

const RUNS: usize = 5;

fn main() {
    println!("{:<22}{:>16}{:>16}{:>8}{:>14}", "signal", "times real time", "plain loop", "ratio", "prepare");
    let pure = Recipe::Pure(Pure { frequency_hz: 50.0 });
    compare("pure 50 Hz", &pure, |n| (TAU * 50.0 * n / RATE_HZ).sin());
    for (name, shape) in [("warble, sine", warble::Shape::Sine), ("warble, triangle", warble::Shape::Triangle)] {
        let warble = Warble { frequency_hz: 50.0, half_width_octaves: 1.0 / 12.0, rate_hz: 2.0, shape };
        let index = warble.deviation_hz() / 2.0;
        compare(name, &Recipe::Warble(warble), |n| warbled(n / RATE_HZ, index, shape));
    }
    for (name, sweep, shape) in [
        ("sweep, exponential", exponential as fn(f64) -> f64, sweep::Shape::Exponential),
        ("sweep, linear", linear, sweep::Shape::Linear),
    ] {
        let recipe = Recipe::Sweep(Sweep { from_hz: 20.0, to_hz: 200.0, seconds: SECONDS as f64, shape });
        compare(name, &recipe, sweep);
    }
    let burst = Recipe::Burst(Burst { frequency_hz: 50.0, cycles: 6.5, pause_s: 0.1, count: None });
    compare("burst", &burst, |n| {
        let cycles = (n % 11_040.0 - 4800.0).max(0.0) * 50.0 / RATE_HZ;
        0.5 * (1.0 - (TAU * cycles / 6.5).cos()) * (TAU * cycles).sin()
    });
    let (lines, plain) = line_sum();
    let steady = SteadyNoise { frequency_hz: 40.0, band: Width::Third, seed: 1 };
    compare(&format!("steady noise, {lines} lines"), &Recipe::SteadyNoise(steady), plain.clone());
    let noise = BandNoise { frequency_hz: 40.0, band: Width::Third, seed: 1 };
    compare("band noise", &Recipe::BandNoise(noise), plain);
    render_to_disk();
}

/// A file of ten minutes and eight channels, rendered by the program and, in turn, written by this one from memory:
/// both in the folder for temporary files (`TMPDIR`), which should be on the disk that is asked about.
fn render_to_disk() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (rendered, copied) = (folder.path().join("rendered.wav"), folder.path().join("written"));
    let render = || {
        let started = Instant::now();
        let mut command = Command::new(env!("CARGO_BIN_EXE_evenbass"));
        command.args(["render", "steady-noise", "--hz", "40", "--seconds", "600", "--layout", "7.1", "--force", "-o"]);
        let status = command.arg(&rendered).stderr(Stdio::null()).status().expect("the program starts");
        assert!(status.success());
        started.elapsed().as_secs_f64()
    };
    let write = |bytes: u64| {
        let block = vec![0xA5_u8; 1 << 20];
        let started = Instant::now();
        let mut file = File::create(&copied).expect("a file can be made");
        let mut left = bytes;
        while left > 0 {
            let take = left.min(block.len() as u64);
            file.write_all(&block[..take as usize]).expect("the disk has room");
            left -= take;
        }
        file.sync_all().expect("the disk takes it");
        started.elapsed().as_secs_f64()
    };
    // In turn, so that other work on the machine slows both down.
    let mut best = (f64::INFINITY, f64::INFINITY);
    let mut bytes = 0;
    for _ in 0..3 {
        best.0 = best.0.min(render());
        bytes = std::fs::metadata(&rendered).expect("it is there").len();
        best.1 = best.1.min(write(bytes));
    }
    println!(
        "render, 8 channels of 600 s ({:.0} MB): {:.1} s; the same bytes written and synced: {:.1} s; ratio {:.2}",
        bytes as f64 / 1e6,
        best.0,
        best.1,
        best.0 / best.1
    );
}

fn warbled(t: f64, index: f64, shape: warble::Shape) -> f64 {
    match shape {
        warble::Shape::Sine => (TAU * 50.0 * t + index * (TAU * 2.0 * t).sin()).sin(),
        warble::Shape::Triangle => {
            let u = (2.0 * t + 0.5).fract() - 0.5;
            (TAU * (50.0 * t + index * (u - 2.0 * u * u.abs()))).sin()
        }
    }
}

fn exponential(n: f64) -> f64 {
    let scale_s = SECONDS as f64 / 10_f64.ln();
    (TAU * 20.0 * scale_s * ((n / RATE_HZ / scale_s).exp() - 1.0)).sin()
}

fn linear(n: f64) -> f64 {
    let t = n / RATE_HZ;
    (TAU * (20.0 * t + 90.0 / SECONDS as f64 * t * t)).sin()
}

/// The plain way to make noise of lines: add them up for every sample.
fn line_sum() -> (usize, impl Fn(f64) -> f64 + Clone) {
    let frequencies: Vec<f64> = (0..120).map(|line| 35.5 + f64::from(line) / 13.0).collect();
    (frequencies.len(), move |n: f64| frequencies.iter().map(|hz| (TAU * hz * n / RATE_HZ + hz * hz).sin()).sum())
}

fn compare(name: &str, recipe: &Recipe, plain: impl Fn(f64) -> f64) {
    let started = Instant::now();
    black_box(recipe.prepare(SampleRate::HZ_48000).expect("a recipe that can be played"));
    let prepare_ms = started.elapsed().as_secs_f64() * 1e3;
    let ours = best(SECONDS, || {
        let mut source = recipe.prepare(SampleRate::HZ_48000).expect("a recipe that can be played").source;
        let mut chunk = [0.0; CHUNK];
        let started = Instant::now();
        for _ in 0..SECONDS * RATE_HZ as usize / CHUNK {
            source.next_chunk(&mut chunk);
            black_box(&chunk);
        }
        started.elapsed().as_secs_f64()
    });
    // A slow loop makes less audio; the figure is per second all the same.
    let plain_seconds = 10;
    let plain = best(plain_seconds, || {
        let mut chunk = [0.0; CHUNK];
        let started = Instant::now();
        for number in 0..plain_seconds * RATE_HZ as usize / CHUNK {
            for (k, sample) in chunk.iter_mut().enumerate() {
                *sample = plain((number * CHUNK + k) as f64);
            }
            black_box(&chunk);
        }
        started.elapsed().as_secs_f64()
    });
    println!("{name:<22}{ours:>16.0}{plain:>16.0}{:>8.1}{prepare_ms:>11.1} ms", ours / plain);
}

/// Seconds of audio per second, the best of some runs.
fn best(seconds: usize, run: impl Fn() -> f64) -> f64 {
    seconds as f64 / (0..RUNS).map(|_| run()).fold(f64::INFINITY, f64::min)
}
