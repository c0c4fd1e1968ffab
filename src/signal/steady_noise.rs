//! Steady noise: band noise whose level does not wander.
//!
//! The level of ordinary band noise wanders by 7 to 12 dB at bass frequencies, which is more than what a room does to it.
//! This one is a sum of closely spaced lines that repeats without a seam after a period. Their phases start at
//! random (by seed); then, again and again, the envelope is divided by itself and what has left the band is taken
//! away, which makes the envelope ever flatter. Two bounds keep it noise and keep the band filled: no line may be more than
//! 6 dB above or 12 dB below the mean, and no twelfth of the band more than 2 dB off it.
//!
//! Source: the construction by dividing by the envelope is from Kohlrausch et al., Acustica 83, 659-669 (1997); the
//! bounds and the number of passes are ours.

use std::sync::Arc;

use realfft::num_complex::Complex64;
use rustfft::{Fft, FftDirection};
use serde::{Deserialize, Serialize};

use crate::acoustics::bands::{Band, Width};
use crate::units::SampleRate;

use super::error::Check;
use super::lines::{Lines, plan};
use super::{Prepared, RecipeError};

/// The signal's name in recipes and commands.
pub const NAME: &str = "steady-noise";

/// How often the envelope is flattened. The peak-to-peak level falls by another third from 100 to 400.
const PASSES: usize = 400;

/// Bounds on a line's amplitude over the rms of all lines.
const LINE_BOUNDS: (f64, f64) = (0.25, 2.0);

/// Bounds on the power of a twelfth of the band over the mean: 2 dB.
const PART_BOUNDS: (f64, f64) = (0.630_957_344_480_193_2, 1.584_893_192_461_113_5);

const PARTS: usize = 12;

/// Band noise with a steady level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SteadyNoise {
    /// The middle of the band, hertz.
    pub frequency_hz: f64,
    /// The width of the band as a fraction of an octave.
    #[serde(default)]
    pub band: Width,
    /// Each seed gives another noise of the same kind.
    #[serde(default)]
    pub seed: u64,
}

impl SteadyNoise {
    /// The lower edge of the band, hertz.
    pub fn lowest_hz(&self) -> f64 {
        Band::around(self.frequency_hz, self.band).lower_hz
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let band = Band::around(self.frequency_hz, self.band);
        let check = Check { signal: NAME, rate };
        check.below_nyquist("frequency_hz", self.frequency_hz, band.upper_hz)?;
        check.within("frequency_hz", self.frequency_hz, 10.0, f64::INFINITY)
    }

    /// Computes the loop; rms 1/√2 at unit gain. Control thread only: it takes tens of milliseconds.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let band = Band::around(self.frequency_hz, self.band);
        flattened(band, self.seed).prepare(rate)
    }
}

/// Random lines whose envelope has been flattened.
fn flattened(band: Band, seed: u64) -> Lines {
    let mut lines = Lines::random(band.lower_hz, band.upper_hz, seed);
    let part_of = |line: usize| {
        let share = (lines.frequency_hz(line) - band.lower_hz) / band.width_hz();
        ((share * PARTS as f64) as usize).min(PARTS - 1)
    };
    let parts: Vec<usize> = (0..lines.values.len()).map(part_of).collect();
    let mut envelope = Envelope::new(lines.values.len());
    for _ in 0..PASSES {
        envelope.flatten(&mut lines.values);
        lines.normalise();
        bound(&mut lines.values, &parts);
    }
    lines.normalise();
    lines
}

/// Takes the lines to the envelope and back.
struct Envelope {
    to_envelope: Arc<dyn Fft<f64>>,
    to_lines: Arc<dyn Fft<f64>>,
    samples: Vec<Complex64>,
}

impl Envelope {
    fn new(lines: usize) -> Self {
        // Four samples a line: the envelope divided by its magnitude is wider than the band, and must not fold into it.
        let length = (4 * lines).next_power_of_two();
        Self {
            to_envelope: plan(length, FftDirection::Inverse),
            to_lines: plan(length, FftDirection::Forward),
            samples: vec![Complex64::ZERO; length],
        }
    }

    fn flatten(&mut self, lines: &mut [Complex64]) {
        self.samples.fill(Complex64::ZERO);
        self.samples[..lines.len()].copy_from_slice(lines);
        self.to_envelope.process(&mut self.samples);
        for sample in &mut self.samples {
            *sample /= libm::sqrt(sample.norm_sqr()).max(1e-9);
        }
        self.to_lines.process(&mut self.samples);
        lines.copy_from_slice(&self.samples[..lines.len()]);
    }
}

/// Keeps every line and every part of the band within its bounds; phases stay. The powers of the lines must sum to 1.
fn bound(lines: &mut [Complex64], parts: &[usize]) {
    let mean_power = 1.0 / lines.len() as f64;
    let rms = libm::sqrt(mean_power);
    let mut powers = [(0.0, 0.0); PARTS];
    for (line, part) in lines.iter_mut().zip(parts) {
        let amplitude = libm::sqrt(line.norm_sqr()).max(1e-12);
        *line *= (amplitude / rms).clamp(LINE_BOUNDS.0, LINE_BOUNDS.1) * rms / amplitude;
        powers[*part].0 += line.norm_sqr() / mean_power;
        powers[*part].1 += 1.0;
    }
    let factors = powers.map(|(power, count)| {
        let mean: f64 = power / f64::max(count, 1.0);
        if count > 0.0 { libm::sqrt(mean.clamp(PART_BOUNDS.0, PART_BOUNDS.1) / mean) } else { 1.0 }
    });
    for (line, part) in lines.iter_mut().zip(parts) {
        *line *= factors[*part];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::band_noise::BandNoise;
    use crate::signal::measure::{fast_swing_db, fourth_moment, magnitudes, mean, rms, samples};
    use crate::signal::{CHUNK, Recipe};

    /// The tests listen at a low rate: the lines are the same ones at any rate.
    const RATE_HZ: u32 = 2000;

    struct Heard {
        band: Band,
        period_s: usize,
        samples: Vec<f64>,
        lines: Vec<f64>,
    }

    fn hear(frequency_hz: f64, band: Width, seed: u64) -> Heard {
        let rate = SampleRate::new(RATE_HZ).unwrap();
        let edges = Band::around(frequency_hz, band);
        let recipe = Recipe::SteadyNoise(SteadyNoise { frequency_hz, band, seed });
        let long = samples(&recipe, rate, 2 * 20 * RATE_HZ as usize);
        // The period is found in the samples: the first whole second after which they come again.
        let repeats = |seconds: &usize| long.iter().zip(&long[seconds * RATE_HZ as usize..]).all(|(a, b)| a == b);
        let period_s = (1..=20).find(repeats).unwrap();
        let samples = long[..period_s * RATE_HZ as usize].to_vec();
        Heard { band: edges, period_s, lines: magnitudes(&samples), samples }
    }

    impl Heard {
        fn frequency_hz(&self, bin: usize) -> f64 {
            bin as f64 / self.period_s as f64
        }

        /// Power in each twelfth of the band over the mean of them, dB.
        fn parts_db(&self) -> Vec<f64> {
            let power_of = |part: usize| {
                let inside = self.lines.iter().enumerate().filter(|(bin, _)| {
                    let share = (self.frequency_hz(*bin) - self.band.lower_hz) / self.band.width_hz();
                    (part as f64 / 12.0..(part + 1) as f64 / 12.0).contains(&share)
                });
                let powers: Vec<f64> = inside.map(|(_, line)| line * line).collect();
                mean(&powers)
            };
            let powers: Vec<f64> = (0..12).map(power_of).collect();
            let overall = mean(&powers);
            powers.iter().map(|power| 10.0 * (power / overall).log10()).collect()
        }
    }

    #[test]
    fn the_level_stays_put_and_the_noise_stays_noise() {
        let rate = SampleRate::new(RATE_HZ).unwrap();
        for (frequency_hz, limit_db) in [(25.0, 0.95), (40.0, 0.7), (63.0, 0.5), (80.0, 0.5)] {
            let mut seeds: Vec<Heard> = Vec::new();
            for seed in 0..20 {
                let heard = hear(frequency_hz, Width::Third, seed);
                assert!(heard.period_s >= 8);
                let swing_db = fast_swing_db(&heard.samples, rate);
                assert!(swing_db < limit_db, "{frequency_hz} Hz, seed {seed}: {swing_db} dB peak to peak");
                let gaussian = Recipe::BandNoise(BandNoise { frequency_hz, band: Width::Third, seed });
                let gaussian_db = fast_swing_db(&samples(&gaussian, rate, heard.samples.len()), rate);
                assert!(swing_db < gaussian_db / 4.0, "{swing_db} dB against {gaussian_db} dB of Gaussian noise");
                let moment = fourth_moment(&heard.samples);
                // Kohlrausch et al. (1997): at most 1.54 after ten plain passes; a sine has 1.5.
                assert!((1.5..1.54).contains(&moment), "{frequency_hz} Hz, seed {seed}: W_x {moment}");
                assert!(heard.parts_db().iter().all(|part| part.abs() < 3.0), "{:?}", heard.parts_db());
                assert!(heard.lines.iter().filter(|line| **line > 1e-3).count() >= 24);
                seeds.push(heard);
            }
            for (one, heard) in seeds.iter().enumerate() {
                for other in &seeds[..one] {
                    let products = heard.samples.iter().zip(&other.samples).map(|(a, b)| a * b).collect::<Vec<_>>();
                    let correlation = mean(&products) / (rms(&heard.samples) * rms(&other.samples));
                    assert!(correlation.abs() < 0.3, "{frequency_hz} Hz: two seeds correlate by {correlation}");
                }
            }
        }
    }

    #[test]
    fn nothing_lies_outside_the_band() {
        for width in Width::ALL {
            let heard = hear(63.0, width, 3);
            let inside = |bin: usize| heard.band.contains(heard.frequency_hz(bin));
            let outside: f64 =
                heard.lines.iter().enumerate().filter(|(bin, _)| !inside(*bin)).map(|(_, line)| line * line).sum();
            assert!(outside < 1e-20, "1/{}: {outside}", width.bands_per_octave());
            assert!((rms(&heard.samples) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-9);
            let lines = heard.lines.iter().filter(|line| **line > 1e-6).count();
            assert!(lines >= if width == Width::Twelfth { 8 } else { 24 }, "{width}: {lines} lines");
        }
    }

    #[test]
    fn the_loop_has_no_seam() {
        let rate = SampleRate::HZ_48000;
        let recipe = Recipe::SteadyNoise(SteadyNoise { frequency_hz: 80.0, band: Width::Third, seed: 1 });
        let peak = recipe.prepare(rate).unwrap().peak;
        let long = samples(&recipe, rate, 8 * 48_000 + 10 * CHUNK);
        // The second difference of a band below 89.125 Hz is bounded by its sharpest sine.
        let bound = peak * (std::f64::consts::TAU * 89.125 / 48_000.0).powi(2) * 1.5;
        assert!(long.windows(3).all(|three| (three[2] - 2.0 * three[1] + three[0]).abs() < bound));
        assert_eq!(long[..10 * CHUNK], long[8 * 48_000..]);
        assert!(long.iter().all(|sample| sample.abs() <= peak));
    }

    #[test]
    fn a_seed_gives_the_same_noise_at_every_rate() {
        let recipe = Recipe::SteadyNoise(SteadyNoise { frequency_hz: 40.0, band: Width::Third, seed: 7 });
        let slow = samples(&recipe, SampleRate::new(12_000).unwrap(), 1000);
        let fast = samples(&recipe, SampleRate::HZ_48000, 4000);
        assert!(slow.iter().zip(fast.iter().step_by(4)).all(|(a, b)| (a - b).abs() < 1e-12));
    }
}
