//! What the tests of signals measure with. Nothing here knows how a signal is made.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

use crate::acoustics::bands::{Band, Width, class_1_limits_db, class_1_sixty_db_ratio};
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

/// The shortest whole number of seconds up to 20 after which the samples come again, and the samples until then.
pub fn one_period(recipe: &Recipe, rate: SampleRate) -> (usize, Vec<f64>) {
    let second = rate.hz() as usize;
    let mut long = samples(recipe, rate, 2 * 20 * second);
    let repeats = |seconds: &usize| long.iter().zip(&long[seconds * second..]).all(|(a, b)| a == b);
    let period_s = (1..=20).find(repeats).unwrap();
    long.truncate(period_s * second);
    (period_s, long)
}

/// The frequency of each line of a period but the first, and its level relative to the mean power in the band, dB.
pub fn relative_spectrum(lines: &[f64], period_s: usize, band: Band) -> Vec<(f64, f64)> {
    let spectrum = lines.iter().enumerate().skip(1).map(|(bin, line)| (bin as f64 / period_s as f64, line * line));
    let spectrum: Vec<(f64, f64)> = spectrum.collect();
    let inside: Vec<f64> = spectrum.iter().filter(|(hz, _)| band.contains(*hz)).map(|(_, power)| *power).collect();
    let mean = mean(&inside);
    spectrum.into_iter().map(|(hz, power)| (hz, 10.0 * (power / mean).max(1e-300).log10())).collect()
}

/// Holds a spectrum to class 1 of IEC 61260-1, as if a filter had cut it out of white noise: `level_db` is the level of
/// each of some frequencies relative to the mean over the band. What is at least 60 dB down beyond the points where the
/// class asks for 60 dB has to be so by another 60 dB, in sum.
///
/// # Errors
/// The first frequency that is outside the limits, or how much power there is beyond.
pub fn within_class_1(spectrum: &[(f64, f64)], band: Band, width: Width) -> Result<(), String> {
    let far = class_1_sixty_db_ratio(width);
    let mut beyond = 0.0;
    for &(frequency_hz, level_db) in spectrum {
        let ratio = frequency_hz / band.middle_hz;
        let (least, most) = class_1_limits_db(ratio, width);
        if !(least - 1e-9..=most + 1e-9).contains(&-level_db) {
            return Err(format!("{frequency_hz} Hz: {level_db} dB, but from {} to {} dB", -most, -least));
        }
        if ratio > far || ratio < 1.0 / far {
            beyond += 10_f64.powf(level_db / 10.0);
        }
    }
    let inside = spectrum.iter().filter(|(hz, _)| band.contains(*hz)).count() as f64;
    let beyond_db = 10.0 * (beyond / inside).log10();
    if beyond_db < -120.0 { Ok(()) } else { Err(format!("{beyond_db} dB beyond the points of 60 dB")) }
}
