//! Sweeps: one frequency after the other, gliding.
//!
//! Source for the exponential sweep: Farina, AES 108th Convention, paper 5093 (2000):
//! x(t) = sin(2π·f1·L·(e^(t/L) - 1)) with L = T / ln(f2/f1). The linear one is x(t) = sin(2π·(f1·t + (f2 - f1)·t²/2T)).

use serde::{Deserialize, Serialize};

use crate::units::{FrameCount, SampleRate};

use super::error::Check;
use super::oscillator::{fraction, sine_of_cycles};
use super::{CHUNK, PEAK_OF_SINE, Prepared, RecipeError, Source};

/// The signal's name in recipes and commands.
pub const NAME: &str = "sweep";

/// How the frequency glides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Equal times for equal intervals.
    #[default]
    Exponential,
    /// Equal times for equal differences in hertz.
    Linear,
}

/// A glide from one frequency to another, upwards or downwards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sweep {
    /// Where it starts, hertz.
    pub from_hz: f64,
    /// Where it ends, hertz; below `from_hz` it goes downwards.
    pub to_hz: f64,
    /// How long it takes, from 0.1 s to an hour.
    pub seconds: f64,
    /// How it glides.
    #[serde(default)]
    pub shape: Shape,
}

impl Sweep {
    /// The lower of its two ends, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.from_hz.min(self.to_hz)
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: NAME, rate };
        check.below_nyquist("from_hz", self.from_hz, self.from_hz)?;
        check.below_nyquist("to_hz", self.to_hz, self.to_hz)?;
        check.within("seconds", self.seconds, 0.1, 3600.0)?;
        // An exponential sweep over no interval has no rate; it would be a pure tone.
        if libm::fabs(libm::log(self.to_hz / self.from_hz)) < 1e-3 {
            let allowed = format!("at least a thousandth away from from_hz, {}", self.from_hz);
            return Err(check.out_of_range("to_hz", self.to_hz, allowed));
        }
        Ok(())
    }

    /// Peak 1 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let length = rate.frames(self.seconds);
        let glide: Box<dyn Source> = match self.shape {
            Shape::Exponential => Box::new(Exponential::new(self, rate, length)),
            Shape::Linear => Box::new(Linear::new(self, rate, length)),
        };
        Prepared { source: glide, peak: PEAK_OF_SINE, lowest_hz: self.lowest_hz(), length: Some(length), limit: None }
    }
}

/// Counts the frames of a signal that ends.
struct Countdown {
    frame: u64,
    length: u64,
}

impl Countdown {
    /// Silences what lies beyond the end and moves on to the next chunk.
    fn cut(&mut self, out: &mut [f64; CHUNK]) {
        let rest = self.length.saturating_sub(self.frame).min(CHUNK as u64) as usize;
        out.iter_mut().skip(rest).for_each(|sample| *sample = 0.0);
        self.frame = self.frame.saturating_add(CHUNK as u64);
    }

    fn over(&self) -> bool {
        self.frame >= self.length
    }
}

struct Exponential {
    /// f1·L, cycles.
    scale_cycles: f64,
    /// 1/(L·rate).
    growth_per_frame: f64,
    /// e^(k/(L·rate)) - 1.
    growth: [f64; CHUNK],
    end: Countdown,
}

impl Exponential {
    fn new(sweep: &Sweep, rate: SampleRate, length: FrameCount) -> Self {
        let scale_s = sweep.seconds / libm::log(sweep.to_hz / sweep.from_hz);
        let growth_per_frame = 1.0 / (scale_s * rate.as_f64());
        Self {
            scale_cycles: sweep.from_hz * scale_s,
            growth_per_frame,
            growth: std::array::from_fn(|k| libm::expm1(k as f64 * growth_per_frame)),
            end: Countdown { frame: 0, length: length.0 },
        }
    }
}

impl Source for Exponential {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        if self.end.over() {
            out.fill(0.0);
            return;
        }
        let grown = libm::expm1(self.end.frame as f64 * self.growth_per_frame);
        let start = fraction(self.scale_cycles * grown);
        let per_chunk = self.scale_cycles * (grown + 1.0);
        for (out, growth) in out.iter_mut().zip(&self.growth) {
            *out = sine_of_cycles(start + per_chunk * growth);
        }
        self.end.cut(out);
    }
}

struct Linear {
    /// f1 / rate.
    first_step: f64,
    /// By how much a step is longer than the one before.
    slope: f64,
    end: Countdown,
}

impl Linear {
    fn new(sweep: &Sweep, rate: SampleRate, length: FrameCount) -> Self {
        let slope = (sweep.to_hz - sweep.from_hz) / (sweep.seconds * rate.as_f64() * rate.as_f64());
        Self { first_step: sweep.from_hz / rate.as_f64(), slope, end: Countdown { frame: 0, length: length.0 } }
    }
}

impl Source for Linear {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        if self.end.over() {
            out.fill(0.0);
            return;
        }
        let n = self.end.frame as f64;
        let start = fraction(n * (self.first_step + self.slope * n / 2.0));
        let step = self.first_step + self.slope * n;
        for (k, out) in out.iter_mut().enumerate() {
            let k = k as f64;
            *out = sine_of_cycles(start + k * (step + self.slope * k / 2.0));
        }
        self.end.cut(out);
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use realfft::RealFftPlanner;

    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::samples;

    fn sweep(from_hz: f64, to_hz: f64, seconds: f64, shape: Shape) -> Recipe {
        Recipe::Sweep(Sweep { from_hz, to_hz, seconds, shape })
    }

    #[test]
    fn the_exponential_sweep_has_farinas_values() {
        // Farina (2000), closed form, evaluated with 40 digits at 0.1, 1.0 and 4.9 s.
        for (from_hz, to_hz, seconds, expected) in [
            (20.0, 200.0, 10.0, [0.145_276_604_166, 0.062_944_069_369, -0.372_527_443_420]),
            (16.0, 160.0, 20.0, [-0.633_765_498_216, -0.264_350_305_790, 0.870_635_887_528]),
            (20.0, 20_000.0, 10.0, [0.429_731_958_205, -0.915_758_294_856, -0.060_423_720_348]),
            (10.0, 1000.0, 5.0, [0.294_032_549_544, 0.508_509_358_523, 0.824_154_517_177]),
        ] {
            let samples = samples(&sweep(from_hz, to_hz, seconds, Shape::Exponential), SampleRate::HZ_48000, 240_000);
            for (at_s, expected) in [0.1, 1.0, 4.9].into_iter().zip(expected) {
                let found = samples[(at_s * 48_000.0_f64).round() as usize];
                assert!(
                    (found - expected).abs() < 1e-9,
                    "{from_hz} to {to_hz} Hz at {at_s} s: {found}, not {expected}"
                );
            }
        }
    }

    #[test]
    fn every_sample_equals_the_closed_form() {
        for (from_hz, to_hz) in [(20.0, 200.0), (200.0, 20.0)] {
            let scale_s = 10.0 / libm::log(to_hz / from_hz);
            let exponential = samples(&sweep(from_hz, to_hz, 10.0, Shape::Exponential), SampleRate::HZ_48000, 480_100);
            let linear = samples(&sweep(from_hz, to_hz, 10.0, Shape::Linear), SampleRate::HZ_48000, 480_100);
            for frame in 0..480_000 {
                let t = frame as f64 / 48_000.0;
                let closed = libm::sin(TAU * from_hz * scale_s * (libm::exp(t / scale_s) - 1.0));
                assert!((exponential[frame] - closed).abs() < 1e-10, "frame {frame}");
                let closed = libm::sin(TAU * (from_hz * t + (to_hz - from_hz) * t * t / 20.0));
                assert!((linear[frame] - closed).abs() < 1e-10, "frame {frame}");
            }
            assert!(exponential[480_000..].iter().chain(&linear[480_000..]).all(|sample| *sample == 0.0));
        }
    }

    #[test]
    fn harmonics_fall_where_farina_says() {
        // 20 to 2000 Hz in 8 s at 8 kHz through y = x + 0.1·x² + 0.05·x³: after deconvolution with the time-reversed
        // sweep, falling by 6.02 dB per octave, the second and third harmonic lie 9632.96 and 15267.88 samples early.
        let (rate, frames) = (SampleRate::new(8000).unwrap(), 64_000);
        let x = samples(&sweep(20.0, 2000.0, 8.0, Shape::Exponential), rate, frames);
        let scale_s = 8.0 / libm::log(100.0);
        let reversed = (0..frames).map(|n| x[frames - 1 - n] * libm::exp(-(n as f64) / 8000.0 / scale_s));
        let response = convolve(
            &x.iter().map(|x| x + 0.1 * x * x + 0.05 * x * x * x).collect::<Vec<_>>(),
            &reversed.collect::<Vec<_>>(),
        );
        let peak_near = |early: usize| {
            let middle = frames - 1 - early;
            (middle - 200..middle + 200).max_by(|a, b| response[*a].abs().total_cmp(&response[*b].abs())).unwrap()
        };
        assert_eq!(peak_near(0), frames - 1);
        assert!(peak_near(9633).abs_diff(frames - 1 - 9633) <= 1, "{}", frames - 1 - peak_near(9633));
        assert!(peak_near(15_268).abs_diff(frames - 1 - 15_268) <= 1, "{}", frames - 1 - peak_near(15_268));
    }

    fn convolve(one: &[f64], other: &[f64]) -> Vec<f64> {
        let length = (one.len() + other.len()).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let spectrum = |samples: &[f64]| {
            let mut padded = samples.to_vec();
            padded.resize(length, 0.0);
            let mut bins = forward.make_output_vec();
            forward.process(&mut padded, &mut bins).unwrap();
            bins
        };
        let mut product: Vec<_> = spectrum(one).iter().zip(spectrum(other)).map(|(a, b)| a * b).collect();
        product[0].im = 0.0;
        product[length / 2].im = 0.0;
        let mut result = vec![0.0; length];
        planner.plan_fft_inverse(length).process(&mut product, &mut result).unwrap();
        result
    }

    #[test]
    fn impossible_sweeps_are_refused_by_name() {
        let refuse = |from_hz, to_hz, seconds| {
            sweep(from_hz, to_hz, seconds, Shape::Linear).prepare(SampleRate::HZ_48000).err().unwrap().to_string()
        };
        assert!(refuse(20.0, 24_000.0, 1.0).starts_with("sweep: to_hz is 24000, but must be above 0 and below 24000"));
        assert_eq!(refuse(20.0, 200.0, 0.0), "sweep: seconds is 0, but must be from 0.1 to 3600");
        assert!(refuse(20.0, 20.0, 1.0).contains("at least a thousandth away from from_hz, 20"));
    }
}
