//! From samples to the whole numbers that a file stores.

use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64;

use crate::sound_file::Sample;

/// Makes whole numbers of samples. Triangular dither of ±1 step keeps the error free of distortion and of any
/// dependence on the signal; it costs 4.77 dB of noise.
pub(super) struct Quantiser {
    dither: Pcg64,
    clipped: u64,
}

impl Quantiser {
    pub(super) fn new(dither_seed: u64) -> Self {
        Self { dither: Pcg64::seed_from_u64(dither_seed), clipped: 0 }
    }

    /// Samples that did not fit so far and were held at the largest number.
    pub(super) fn clipped(&self) -> u64 {
        self.clipped
    }

    /// One sample as a whole number of so many bits.
    pub(super) fn quantise(&mut self, sample: f32, bits: u32) -> i32 {
        let full_scale = f64::from(1_u32 << (bits - 1));
        let random = self.dither.next_u64();
        // Two independent even distributions over 0 to 1; their sum less 1 is triangular from -1 to 1.
        let low = f64::from(random as u32);
        let high = f64::from((random >> 32) as u32);
        let dither = (low + high + 1.0) / 4_294_967_296.0 - 1.0;
        let stepped = (f64::from(sample) * full_scale + dither).round_ties_even();
        let held = stepped.clamp(-full_scale, full_scale - 1.0);
        self.clipped += u64::from(held != stepped);
        // A sample that is not a number becomes silence.
        held as i32
    }

    /// Samples as they stand in a WAV file.
    pub(super) fn encode(&mut self, interleaved: &[f32], sample: Sample, bytes: &mut Vec<u8>) {
        match sample {
            Sample::Float32 => bytes.extend(interleaved.iter().flat_map(|sample| sample.to_le_bytes())),
            Sample::Int16 => {
                bytes.extend(interleaved.iter().flat_map(|sample| (self.quantise(*sample, 16) as i16).to_le_bytes()));
            }
            Sample::Int24 => bytes.extend(interleaved.iter().flat_map(|sample| {
                let [low, middle, high, _] = self.quantise(*sample, 24).to_le_bytes();
                [low, middle, high]
            })),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_large_samples_are_held_and_counted() {
        let mut quantiser = Quantiser::new(3);
        assert_eq!(quantiser.quantise(1.5, 16), 32_767);
        assert_eq!(quantiser.quantise(-1.5, 16), -32_768);
        assert_eq!(quantiser.quantise(f32::NAN, 16), 0);
        assert!(quantiser.clipped >= 2);
    }
}
