//! `evenbass render … --picture`: what a signal looks like, worked out from its samples.

use std::path::Path;

use anyhow::Context;
use realfft::RealFftPlanner;

use crate::cli::Failure;
use crate::draw::signal_picture::{SignalPicture, svg};
use crate::draw::theme::Theme;
use crate::signal::{CHUNK, Recipe};
use crate::units::{Dbfs, FrameCount, SampleRate};

/// Points of each curve: as many as the picture is wide.
const POINTS: usize = 260;
const HERTZ: [f64; 2] = [10.0, 1000.0];
/// IEC 61672-1: the time constant of the weighting Fast.
const FAST_S: f64 = 0.125;
/// More would be slow and look no different.
const LONGEST_S: f64 = 60.0;

/// Draws a signal as a file would hold it.
pub fn write(
    path: &Path,
    recipe: &Recipe,
    level: Dbfs,
    (frames, rate): (FrameCount, SampleRate),
) -> Result<(), Failure> {
    let (samples, whole) = samples(recipe, level, frames.0.min(rate.frames(LONGEST_S).0) as usize, rate)?;
    let picture = SignalPicture {
        title: format!("{}: spectrum, and level over time", recipe.name()),
        spectrum: spectrum(&samples, whole, rate)?,
        level: fast_level(&samples, rate),
    };
    std::fs::write(path, svg(&picture, &Theme::PRINT)).with_context(|| format!("cannot write {}", path.display()))?;
    Ok(())
}

/// The samples, and whether they are the whole of a signal that has an end.
fn samples(recipe: &Recipe, level: Dbfs, frames: usize, rate: SampleRate) -> Result<(Vec<f64>, bool), Failure> {
    let mut prepared = recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let whole = prepared.length.is_some_and(|length| length.0 <= frames as u64);
    let mut samples = Vec::with_capacity(frames + CHUNK);
    let mut chunk = [0.0; CHUNK];
    while samples.len() < frames {
        prepared.source.next_chunk(&mut chunk);
        samples.extend(chunk.map(|sample| level.sine_peak() * sample));
    }
    samples.truncate(frames);
    Ok((samples, whole))
}

/// The strongest line in each of many narrow bands, dB below the strongest of all. A part of a signal gets a Hann
/// window; a whole one needs none, and a window would hide its beginning and end.
fn spectrum(samples: &[f64], whole: bool, rate: SampleRate) -> Result<Vec<[f64; 2]>, Failure> {
    let count = samples.len();
    let turn = std::f64::consts::TAU / count as f64;
    let window = |n: usize| if whole { 1.0 } else { 0.5 - 0.5 * (turn * n as f64).cos() };
    let mut windowed: Vec<f64> = samples.iter().enumerate().map(|(n, sample)| sample * window(n)).collect();
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(count);
    let mut bins = transform.make_output_vec();
    transform.process(&mut windowed, &mut bins).context("the spectrum could not be worked out")?;
    let edge = |point: usize| HERTZ[0] * (HERTZ[1] / HERTZ[0]).powf(point as f64 / POINTS as f64);
    let bin = |hz: f64| (hz * count as f64 / rate.as_f64()).round() as usize;
    let power = |point: usize| {
        let (from, to) = (bin(edge(point)), bin(edge(point + 1)));
        bins.iter().take(to.max(from + 1)).skip(from).map(|line| line.norm_sqr()).fold(0.0, f64::max)
    };
    let powers: Vec<f64> = (0..POINTS).map(power).collect();
    let strongest = powers.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let db = |power: f64| 10.0 * (power / strongest).max(1e-20).log10();
    Ok((0..POINTS).map(|point| [edge(point) * edge(1).sqrt() / edge(0).sqrt(), db(powers[point])]).collect())
}

/// What a meter with the weighting Fast shows, dBFS (a full-scale sine is 0).
fn fast_level(samples: &[f64], rate: SampleRate) -> Vec<[f64; 2]> {
    let share = 1.0 - (-1.0 / (FAST_S * rate.as_f64())).exp();
    let every = samples.len().div_ceil(POINTS).max(1);
    let (mut mean, mut level) = (0.0, Vec::with_capacity(POINTS));
    for (frame, sample) in samples.iter().enumerate() {
        mean += share * (sample * sample - mean);
        if (frame + 1) % every == 0 || frame + 1 == samples.len() {
            let db = 10.0 * (2.0 * mean).max(1e-20).log10();
            level.push([(frame + 1) as f64 / rate.as_f64(), db]);
        }
    }
    level
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::pure::Pure;

    #[test]
    fn a_tone_is_one_line_at_its_level() {
        let recipe = Recipe::Pure(Pure { frequency_hz: 50.0 });
        let rate = SampleRate::HZ_48000;
        let (samples, whole) = samples(&recipe, Dbfs::new(-20.0), 96_000, rate).unwrap();
        assert!(!whole);
        let spectrum = spectrum(&samples, whole, rate).unwrap();
        let strong: Vec<f64> = spectrum.iter().filter(|point| point[1] > -60.0).map(|point| point[0]).collect();
        assert!(strong.iter().all(|hz| (48.0..52.0).contains(hz)) && !strong.is_empty(), "{strong:?}");
        // After eight time constants a meter shows the level, but for the ripple of the square, at 100 Hz.
        let level = fast_level(&samples, rate);
        assert_eq!(level.last().unwrap()[0], 2.0);
        assert!(level.iter().filter(|point| point[0] > 1.0).all(|point| (point[1] + 20.0).abs() < 0.1));
    }

    #[test]
    fn a_whole_sweep_has_the_level_of_its_octaves_up_to_both_ends() {
        // An exponential sweep has equal energy in each octave: its lines fall by 3.01 dB from one to the next.
        let shape = crate::signal::sweep::Shape::Exponential;
        let sweep = crate::signal::sweep::Sweep { from_hz: 20.0, to_hz: 200.0, seconds: 10.0, shape };
        let rate = SampleRate::HZ_48000;
        let (samples, whole) = samples(&Recipe::Sweep(sweep), Dbfs::new(-20.0), 480_000, rate).unwrap();
        assert!(whole);
        let spectrum = spectrum(&samples, whole, rate).unwrap();
        let mean = |from_hz: f64, to_hz: f64| {
            let inside: Vec<f64> =
                spectrum.iter().filter(|point| (from_hz..to_hz).contains(&point[0])).map(|point| point[1]).collect();
            inside.iter().sum::<f64>() / inside.len() as f64
        };
        let falls_db = mean(24.0, 30.0) - mean(96.0, 120.0);
        assert!((falls_db - 6.02).abs() < 1.0, "{falls_db}");
    }
}
