//! What all tones are made of: phases that cannot drift, and sines that a compiler can vectorise.

use std::f64::consts::TAU;

use crate::units::SampleRate;

use super::CHUNK;

/// A phase in 2^-64 of a cycle. Overflow is the wrap-around, so sums of increments are exact for ever.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Phase(u64);

impl Phase {
    pub const ZERO: Self = Self(0);

    /// How far a frequency advances in one frame; `frequency_hz` must lie between 0 and the sample rate.
    pub fn step(frequency_hz: f64, rate: SampleRate) -> Self {
        // Scaling by a power of two is exact, so the relative error is that of the division, 2^-53 at most; the
        // conversion then drops less than 2^-64 of a cycle per frame.
        Self((frequency_hz / rate.as_f64() * TWO_TO_64) as u64)
    }

    pub fn after(self, frames: u64, step: Self) -> Self {
        Self(self.0.wrapping_add(step.0.wrapping_mul(frames)))
    }

    /// -0.5 ..= 0.5 of a cycle.
    pub fn cycles(self) -> f64 {
        self.0 as i64 as f64 / TWO_TO_64
    }

    pub fn sine_cosine(self) -> (f64, f64) {
        libm::sincos(TAU * self.cycles())
    }
}

const TWO_TO_64: f64 = 18_446_744_073_709_551_616.0;

/// Turns one sine and cosine at the start of a chunk into the sines of the whole chunk, by the addition theorem:
/// sin(p + k·d) = sin p · cos k·d + cos p · sin k·d. Every chunk starts from its exact phase, so nothing accumulates.
pub(super) struct Rotation {
    cosines: [f64; CHUNK],
    sines: [f64; CHUNK],
}

impl Rotation {
    pub fn new(step: Phase) -> Self {
        let mut rotation = Self { cosines: [0.0; CHUNK], sines: [0.0; CHUNK] };
        for (k, (sine, cosine)) in rotation.sines.iter_mut().zip(&mut rotation.cosines).enumerate() {
            (*sine, *cosine) = Phase::ZERO.after(k as u64, step).sine_cosine();
        }
        rotation
    }

    /// The sines of a chunk that starts at `phase`.
    pub fn sines_from(&self, phase: Phase, out: &mut [f64; CHUNK]) {
        let (sine, cosine) = phase.sine_cosine();
        for ((out, c), s) in out.iter_mut().zip(&self.cosines).zip(&self.sines) {
            *out = sine * c + cosine * s;
        }
    }
}

/// Adding and taking away 1.5 · 2^52 rounds to the nearest whole number, without a call, for magnitudes below 2^51.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// x minus the nearest whole number, for magnitudes below 2^51.
#[inline(always)]
pub(super) fn fraction(x: f64) -> f64 {
    x - ((x + ROUNDER) - ROUNDER)
}

/// sin(2π·cycles), within 1e-13, without a branch or a call, so that loops over it are vectorised.
///
/// The nearest half cycle is taken away, which leaves at most a quarter of one and perhaps a change of sign; the rest
/// is the Taylor series up to the 19th power, whose first omitted term is below 3e-16.
#[inline(always)]
pub(super) fn sine_of_cycles(cycles: f64) -> f64 {
    let doubled = cycles * 2.0;
    let shifted = doubled + ROUNDER;
    // The last bit of the rounded number says whether it is odd; moved to the front it is the sign.
    let sign = shifted.to_bits() << 63;
    let x = (doubled - (shifted - ROUNDER)) * std::f64::consts::PI;
    let square = x * x;
    let mut series = TAYLOR[0];
    for coefficient in &TAYLOR[1..] {
        series = series * square + coefficient;
    }
    let sine = x + x * square * series;
    f64::from_bits(sine.to_bits() ^ sign)
}

/// (-1)^n / (2n + 1)! for n = 9 down to 1.
const TAYLOR: [f64; 9] = [
    -1.0 / 121_645_100_408_832_000.0,
    1.0 / 355_687_428_096_000.0,
    -1.0 / 1_307_674_368_000.0,
    1.0 / 6_227_020_800.0,
    -1.0 / 39_916_800.0,
    1.0 / 362_880.0,
    -1.0 / 5_040.0,
    1.0 / 120.0,
    -1.0 / 6.0,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_series_is_the_sine() {
        for step in -200_000..200_000 {
            let cycles = f64::from(step) * 1.234_567e-4;
            let exact = libm::sin(TAU * (cycles - cycles.round()));
            assert!((sine_of_cycles(cycles) - exact).abs() < 1e-13, "at {cycles} cycles");
        }
        assert_eq!(sine_of_cycles(0.0), 0.0);
        assert!((sine_of_cycles(0.25) - 1.0).abs() < 1e-15);
        assert!((sine_of_cycles(0.75) + 1.0).abs() < 1e-15);
    }

    #[test]
    fn fractions_lie_within_half_a_cycle() {
        assert_eq!(fraction(2.25), 0.25);
        assert_eq!(fraction(-2.25), -0.25);
        assert!(fraction(31.999).abs() < 0.0011);
    }

    #[test]
    fn phases_are_exact_after_any_time() {
        let step = Phase::step(50.0, SampleRate::HZ_48000);
        // 50 Hz is 1/960 of a cycle a frame. After ten minutes the error is that of one conversion per frame at most.
        let after = Phase::ZERO.after(48_000 * 600, step);
        assert!(after.cycles().abs() < 48_000.0 * 600.0 / TWO_TO_64 * 2.0 + 30_000.0 * f64::EPSILON);
    }
}
