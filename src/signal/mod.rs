//! Test signals: pure sample generation. One file per signal; its recipe is its serde description, shared by presets,
//! commands and the visit file.
//!
//! A source makes whole chunks of [`CHUNK`] frames from their absolute position. Whoever plays it cuts the chunks to
//! the device's blocks, so that no sample can depend on the block size.
//!
//! **Unit gain.** Pure tones, warbles, noises and runs of them have the rms of a full-scale sine, 1/√2, so that one
//! gain plays them all at the same level in dBFS; noise peaks higher than 1 ([`Prepared::peak`] says how high). Sweeps,
//! bursts, pulses and markers have a peak of at most 1.

#[cfg(test)]
mod any_recipe;
pub mod band_noise;
pub mod channel_check;
pub mod channels;
pub mod delay;
mod driver_guard;
mod error;
mod lines;
#[cfg(test)]
mod measure;
pub mod note_run;
mod oscillator;
pub mod pulses;
pub mod pure;
mod random;
pub mod steady_noise;
pub mod sweep;
pub mod sweep_step;
mod tone;
pub mod warble;

use serde::{Deserialize, Serialize};

use crate::units::{FrameCount, SampleRate};

pub use driver_guard::driver_guard_gain;
pub use error::RecipeError;
pub use tone::Tone;

/// Frames a [`Source`] makes at a time.
pub const CHUNK: usize = 64;

/// The peak of a sine: 1, and room for the last bits of the arithmetic.
const PEAK_OF_SINE: f64 = 1.0 + 1e-12;

/// Makes one channel of a signal, chunk by chunk, without end.
///
/// Real-time safe: an implementation neither allocates, locks, formats nor panics. Everything that takes time is done
/// when the source is built, on a control thread.
pub trait Source: Send {
    /// Fills the next chunk. At unit gain a pure tone has a peak of 1.0, which is 0 dBFS.
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]);
}

/// A signal ready to be played at one sample rate.
pub struct Prepared {
    /// Makes the samples, from the first one.
    pub source: Box<dyn Source>,
    /// No sample is larger than this in magnitude at unit gain.
    pub peak: f64,
    /// The lowest frequency in the signal, hertz. It sets how long a ramp must be.
    pub lowest_hz: f64,
    /// After this many frames the signal is over and the source gives silence; `None` where it has no end.
    pub length: Option<FrameCount>,
    /// A device must not sound it for longer than this; files have no such limit.
    pub limit: Option<FrameCount>,
}

/// What to play: everything that determines a signal's samples but its level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "signal", rename_all = "kebab-case")]
pub enum Recipe {
    /// One frequency.
    Pure(pure::Pure),
    /// A frequency that swings to and fro.
    Warble(warble::Warble),
    /// Band noise whose level does not wander.
    SteadyNoise(steady_noise::SteadyNoise),
    /// Ordinary noise in a fractional-octave band.
    BandNoise(band_noise::BandNoise),
    /// Pink or white noise between two frequencies.
    Noise(band_noise::Noise),
    /// A glide from one frequency to another.
    Sweep(sweep::Sweep),
    /// From one frequency to another, note by note.
    SteppedSweep(note_run::SteppedSweep),
    /// Tone bursts with a Hann envelope.
    Burst(pulses::Burst),
    /// Pulses that push first.
    Polarity(pulses::Polarity),
    /// Notes one after the other.
    Notes(note_run::NoteRun),
    /// Nothing, with a mark.
    Silence(pulses::Silence),
}

impl Recipe {
    /// Builds the source and everything that it needs. Control thread only.
    ///
    /// # Errors
    /// [`RecipeError`] names the parameter, the value given and the allowed range.
    pub fn prepare(&self, rate: SampleRate) -> Result<Prepared, RecipeError> {
        self.check(rate)?;
        Ok(self.unchecked(rate))
    }

    fn unchecked(&self, rate: SampleRate) -> Prepared {
        match self {
            Self::Pure(pure) => pure.prepare(rate),
            Self::Warble(warble) => warble.prepare(rate),
            Self::SteadyNoise(noise) => noise.prepare(rate),
            Self::BandNoise(noise) => noise.prepare(rate),
            Self::Noise(noise) => noise.prepare(rate),
            Self::Sweep(sweep) => sweep.prepare(rate),
            Self::SteppedSweep(sweep) => sweep.prepare(rate),
            Self::Burst(burst) => burst.prepare(rate),
            Self::Polarity(pulse) => pulse.prepare(rate),
            Self::Notes(run) => run.prepare(rate),
            Self::Silence(silence) => silence.prepare(rate),
        }
    }

    /// Whether the signal can be made at this sample rate; much cheaper than [`Recipe::prepare`].
    ///
    /// # Errors
    /// The same as those of [`Recipe::prepare`].
    pub fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        match self {
            Self::Pure(pure) => pure.check(rate),
            Self::Warble(warble) => warble.check(rate),
            Self::SteadyNoise(noise) => noise.check(rate),
            Self::BandNoise(noise) => noise.check(rate),
            Self::Noise(noise) => noise.check(rate),
            Self::Sweep(sweep) => sweep.check(rate),
            Self::SteppedSweep(sweep) => sweep.check(rate),
            Self::Burst(burst) => burst.check(rate),
            Self::Polarity(pulse) => pulse.check(rate),
            Self::Notes(run) => run.check(rate),
            Self::Silence(silence) => silence.check(rate),
        }
    }

    /// The name by which presets and commands know the signal.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Pure(_) => pure::NAME,
            Self::Warble(_) => warble::NAME,
            Self::SteadyNoise(_) => steady_noise::NAME,
            Self::BandNoise(_) => band_noise::BAND_NAME,
            Self::Noise(_) => band_noise::WIDE_NAME,
            Self::Sweep(_) => sweep::NAME,
            Self::SteppedSweep(_) => note_run::STEPPED_NAME,
            Self::Burst(_) => pulses::BURST_NAME,
            Self::Polarity(_) => pulses::POLARITY_NAME,
            Self::Notes(_) => note_run::RUN_NAME,
            Self::Silence(_) => pulses::SILENCE_NAME,
        }
    }

    /// The lowest frequency in the signal, hertz. It sets how long a ramp must be.
    pub fn lowest_hz(&self) -> f64 {
        match self {
            Self::Pure(pure) => pure.frequency_hz,
            Self::Warble(warble) => warble.lowest_hz(),
            Self::SteadyNoise(noise) => noise.lowest_hz(),
            Self::BandNoise(noise) => noise.lowest_hz(),
            Self::Noise(noise) => noise.from_hz,
            Self::Sweep(sweep) => sweep.lowest_hz(),
            Self::SteppedSweep(sweep) => sweep.lowest_hz(),
            Self::Burst(burst) => burst.lowest_hz(),
            Self::Polarity(pulse) => pulse.lowest_hz(),
            Self::Notes(run) => run.lowest_hz(),
            Self::Silence(_) => pulses::MARKER_HZ,
        }
    }

    /// Whether the level may climb while the signal sounds. Sweeps, bursts, pulses and runs would be spoilt by it; they
    /// follow a lead-in of steady noise that climbs instead.
    pub const fn may_climb(&self) -> bool {
        match self {
            Self::Pure(_) | Self::Warble(_) | Self::SteadyNoise(_) | Self::BandNoise(_) | Self::Noise(_) => true,
            Self::Sweep(_)
            | Self::SteppedSweep(_)
            | Self::Burst(_)
            | Self::Polarity(_)
            | Self::Notes(_)
            | Self::Silence(_) => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recipes_are_written_by_name() {
        let text =
            r#"{"signal":"warble","frequency_hz":50.0,"half_width_octaves":0.08,"rate_hz":4.0,"shape":"triangle"}"#;
        let recipe: Recipe = serde_json::from_str(text).unwrap();
        assert_eq!(recipe.name(), "warble");
        assert_eq!(serde_json::to_string(&recipe).unwrap(), text);
        let noise: Recipe =
            serde_json::from_str(r#"{"signal":"steady-noise","frequency_hz":40.0,"band":"1/3","seed":7}"#).unwrap();
        assert_eq!(noise.name(), "steady-noise");
    }

    #[test]
    fn unknown_parameters_are_refused() {
        let text = r#"{"signal":"pure","frequency_hz":50.0,"frequenzy_hz":60.0}"#;
        assert!(serde_json::from_str::<Recipe>(text).unwrap_err().to_string().contains("frequenzy_hz"));
    }
}
