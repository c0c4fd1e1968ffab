//! What the tests of signals measure with. Nothing here knows how a signal is made.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

use crate::units::SampleRate;

use super::{CHUNK, Recipe};

/// The first `frames` samples at unit gain.
pub fn samples(recipe: &Recipe, rate: SampleRate, frames: usize) -> Vec<f64> {
    let mut source = recipe.prepare(rate).unwrap().source;
    let mut chunk = [0.0; CHUNK];
    let mut samples = Vec::with_capacity(frames + CHUNK);
    while samples.len() < frames {
        source.next_chunk(&mut chunk);
        samples.extend_from_slice(&chunk);
    }
    samples.truncate(frames);
    samples
}

/// Lines of the spectrum over the whole stretch, without a window: a sine of amplitude 1 on a bin has magnitude 1.
pub fn lines(samples: &[f64]) -> Vec<Complex64> {
    let transform = RealFftPlanner::new().plan_fft_forward(samples.len());
    let mut spectrum = transform.make_output_vec();
    transform.process(&mut samples.to_vec(), &mut spectrum).unwrap();
    spectrum.iter().map(|bin| bin * 2.0 / samples.len() as f64).collect()
}

pub fn magnitudes(samples: &[f64]) -> Vec<f64> {
    lines(samples).iter().map(|line| line.norm()).collect()
}

pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub fn rms(samples: &[f64]) -> f64 {
    mean(&samples.iter().map(|sample| sample * sample).collect::<Vec<_>>()).sqrt()
}

/// Mean fourth power over the squared mean square: 1.5 for a sine, 3 for Gaussian noise.
pub fn fourth_moment(samples: &[f64]) -> f64 {
    mean(&samples.iter().map(|sample| sample.powi(4)).collect::<Vec<_>>()) / rms(samples).powi(4)
}

/// Peak to peak of the Fast level (exponential average of the square, 125 ms), dB, of a signal that repeats after the
/// stretch: the first time round only fills the average.
pub fn fast_swing_db(period: &[f64], rate: SampleRate) -> f64 {
    let keep = (-1.0 / (0.125 * rate.as_f64())).exp();
    let mut average = rms(period).powi(2);
    let (mut lowest, mut highest) = (f64::INFINITY, 0.0_f64);
    for turn in 0..2 {
        for sample in period {
            average = keep * average + (1.0 - keep) * sample * sample;
            if turn == 1 {
                lowest = lowest.min(average);
                highest = highest.max(average);
            }
        }
    }
    10.0 * (highest / lowest).log10()
}
