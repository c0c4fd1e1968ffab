//! Pure tone: one frequency and nothing else.

use serde::{Deserialize, Serialize};

use crate::units::SampleRate;

use super::error::Check;
use super::oscillator::{Phase, Rotation};
use super::{CHUNK, PEAK_OF_SINE, Prepared, RecipeError, Source};

/// The signal's name in recipes and commands.
pub const NAME: &str = "pure";

/// For how long a device may sound a pure tone, seconds: long enough to listen, short enough for a voice coil that
/// gets all of the power all of the time.
const LIMIT_S: f64 = 30.0;

/// A sine that starts at its rising zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pure {
    /// Hertz, above 0 and below half the sample rate.
    pub frequency_hz: f64,
}

impl Pure {
    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        Check { signal: NAME, rate }.below_nyquist("frequency_hz", self.frequency_hz, self.frequency_hz)
    }

    /// Builds the tone; peak 1 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let step = Phase::step(self.frequency_hz, rate);
        Prepared {
            source: Box::new(Tone { phase: Phase::ZERO, step, rotation: Rotation::new(step) }),
            peak: PEAK_OF_SINE,
            lowest_hz: self.frequency_hz,
            length: None,
            limit: Some(rate.frames(LIMIT_S)),
        }
    }
}

struct Tone {
    phase: Phase,
    step: Phase,
    rotation: Rotation,
}

impl Source for Tone {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        self.rotation.sines_from(self.phase, out);
        self.phase = self.phase.after(CHUNK as u64, self.step);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::{magnitudes, rms, samples};

    fn tone(frequency_hz: f64) -> Recipe {
        Recipe::Pure(Pure { frequency_hz })
    }

    #[test]
    fn the_phase_is_right_after_ten_minutes() {
        // 40.1 Hz is 401/480000 of a cycle a frame at 48 kHz, so the exact phase is a whole number of those.
        let mut source = tone(40.1).prepare(SampleRate::HZ_48000).unwrap().source;
        let mut chunk = [0.0; CHUNK];
        let chunks: u64 = 600 * 48_000 / CHUNK as u64;
        (0..chunks).for_each(|_| source.next_chunk(&mut chunk));
        for (k, sample) in chunk.iter().enumerate() {
            let frame = (chunks - 1) * CHUNK as u64 + k as u64;
            let exact = libm::sin(std::f64::consts::TAU * (frame * 401 % 480_000) as f64 / 480_000.0);
            // A relative error of 1e-9 in frequency would be 1.5e-4 rad here.
            assert!((sample - exact).abs() < 1e-9, "frame {frame}: {sample}, not {exact}");
        }
    }

    #[test]
    fn distortion_and_noise_of_the_float_output_are_below_minus_140_db() {
        // Coherent sampling: 55 periods in 65536 frames (AES17: everything but the fundamental over the total).
        let samples = samples(&tone(55.0 * 48_000.0 / 65_536.0), SampleRate::HZ_48000, 65_536);
        for (output, limit) in
            [(samples.clone(), -250.0), (samples.iter().map(|sample| f64::from(*sample as f32)).collect(), -140.0)]
        {
            let lines = magnitudes(&output);
            assert!((lines[55] - 1.0).abs() < 1e-8);
            let rest: f64 = lines.iter().enumerate().filter(|(bin, _)| *bin != 55).map(|(_, line)| line * line).sum();
            let ratio_db = 10.0 * (rest / lines[55].powi(2)).log10();
            assert!(ratio_db < limit, "THD+N {ratio_db} dB");
        }
    }

    #[test]
    fn the_level_is_that_of_a_full_scale_sine() {
        let samples = samples(&tone(50.0), SampleRate::HZ_48000, 48_000);
        assert!((rms(&samples) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-12);
        assert_eq!(samples[0], 0.0);
        assert!(samples[1] > 0.0);
    }

    #[test]
    fn frequencies_at_or_above_half_the_rate_are_refused_by_name() {
        let refused = |hz| tone(hz).prepare(SampleRate::HZ_48000).err().map(|error| error.to_string());
        let range = "but must be above 0 and below 24000 (half the sample rate)";
        assert_eq!(refused(24_000.0), Some(format!("pure: frequency_hz is 24000, {range}")));
        assert_eq!(refused(0.0), Some(format!("pure: frequency_hz is 0, {range}")));
        assert_eq!(refused(f64::NAN), Some(format!("pure: frequency_hz is NaN, {range}")));
        assert_eq!(refused(23_999.0), None);
    }
}
