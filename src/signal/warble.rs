//! Warble tone: a frequency that swings to and fro around its middle, so that a narrow room resonance does not decide
//! alone how loud it is.
//!
//! The frequency moves on a **linear** axis, from f - Δf to f + Δf. The half width is given in octaves, h, as musicians
//! and rooms count; Δf = f·(2^h - 2^-h)/2, so that the swing is as wide in hertz as the interval from h below to h
//! above, and its spectrum is the textbook one: lines at f ± n·rate, of amplitude J_n(Δf/rate) for a sinusoidal swing.
//!
//! Source: for sinusoidal frequency modulation, Abramowitz & Stegun, 9.1.42 to 9.1.45 (expansion in Bessel functions).

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::units::SampleRate;

use super::error::Check;
use super::oscillator::{Phase, Rotation, fraction, sine_of_cycles};
use super::{CHUNK, PEAK_OF_SINE, Prepared, RecipeError, Source};

/// The signal's name in recipes and commands.
pub const NAME: &str = "warble";

/// How the frequency moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Like a pendulum.
    #[default]
    Sine,
    /// At a steady pace up and down.
    Triangle,
}

/// A warble tone. It starts at a zero of the wave, at its highest frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Warble {
    /// The middle of the swing, hertz.
    pub frequency_hz: f64,
    /// How far the frequency swings to either side, octaves: above 0, up to 1.
    pub half_width_octaves: f64,
    /// Swings to and fro a second, hertz: from 0.1 to 20, and at most the middle frequency.
    pub rate_hz: f64,
    /// How the frequency moves; a sine unless told otherwise.
    #[serde(default)]
    pub shape: Shape,
}

impl Warble {
    /// How far the frequency swings to either side, hertz.
    pub fn deviation_hz(&self) -> f64 {
        self.frequency_hz * (libm::exp2(self.half_width_octaves) - libm::exp2(-self.half_width_octaves)) / 2.0
    }

    /// The lowest frequency of the swing, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.frequency_hz - self.deviation_hz()
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: NAME, rate };
        check.below_nyquist("frequency_hz", self.frequency_hz, self.frequency_hz)?;
        check.within("half_width_octaves", self.half_width_octaves, 1e-6, 1.0)?;
        check.within("rate_hz", self.rate_hz, 0.1, self.frequency_hz.min(20.0))?;
        // Carson's rule: beyond Δf + rate there is next to nothing.
        let reach_hz = self.frequency_hz + self.deviation_hz() + self.rate_hz;
        check.below_nyquist("frequency_hz", self.frequency_hz, reach_hz)
    }

    /// Builds the tone; rms 1/√2 and peak 1 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        Prepared {
            source: self.source(rate),
            peak: PEAK_OF_SINE,
            lowest_hz: self.lowest_hz(),
            length: None,
            limit: None,
        }
    }

    fn source(&self, rate: SampleRate) -> Box<dyn Source> {
        let carrier = Carrier::new(Phase::step(self.frequency_hz, rate));
        let step = Phase::step(self.rate_hz, rate);
        let index = self.deviation_hz() / self.rate_hz;
        match self.shape {
            Shape::Sine => {
                let rotation = Rotation::new(step);
                Box::new(SineWarble { carrier, swing: Phase::ZERO, step, rotation, depth_cycles: index / TAU })
            }
            Shape::Triangle => Box::new(TriangleWarble { carrier, swing: Carrier::new(step), depth_cycles: index }),
        }
    }
}

/// A phase that advances evenly, and the cycles it advances within a chunk.
struct Carrier {
    phase: Phase,
    step: Phase,
    offsets: [f64; CHUNK],
}

impl Carrier {
    fn new(step: Phase) -> Self {
        let offsets = std::array::from_fn(|k| Phase::ZERO.after(k as u64, step).cycles());
        Self { phase: Phase::ZERO, step, offsets }
    }

    /// The cycles at the chunk's start; the phase moves on to the next chunk.
    fn advance(&mut self) -> f64 {
        let start = self.phase.cycles();
        self.phase = self.phase.after(CHUNK as u64, self.step);
        start
    }
}

struct SineWarble {
    carrier: Carrier,
    swing: Phase,
    step: Phase,
    rotation: Rotation,
    /// Δf / (2π·rate).
    depth_cycles: f64,
}

impl Source for SineWarble {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        self.rotation.sines_from(self.swing, out);
        self.swing = self.swing.after(CHUNK as u64, self.step);
        let start = self.carrier.advance();
        for (out, offset) in out.iter_mut().zip(&self.carrier.offsets) {
            *out = sine_of_cycles(start + offset + self.depth_cycles * *out);
        }
    }
}

struct TriangleWarble {
    carrier: Carrier,
    swing: Carrier,
    /// Δf / rate.
    depth_cycles: f64,
}

impl Source for TriangleWarble {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        let start = self.carrier.advance();
        let swing_start = self.swing.advance();
        for ((out, offset), swing_offset) in out.iter_mut().zip(&self.carrier.offsets).zip(&self.swing.offsets) {
            // The frequency is 1 - 4·|u| over a swing from -1/2 to 1/2; its integral is the phase.
            let u = fraction(swing_start + swing_offset);
            let phase = u - 2.0 * u * u.abs();
            *out = sine_of_cycles(start + offset + self.depth_cycles * phase);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::{lines, magnitudes, rms, samples};
    use realfft::num_complex::Complex64;

    /// A warble whose modulation index is exactly `index`.
    fn warble(frequency_hz: f64, rate_hz: f64, index: f64, shape: Shape) -> Recipe {
        let half_width_octaves = (index * rate_hz / frequency_hz).asinh() / std::f64::consts::LN_2;
        Recipe::Warble(Warble { frequency_hz, half_width_octaves, rate_hz, shape })
    }

    /// Compares the lines at f ± n·rate with the amplitudes; every other line must be as good as nothing.
    fn check(frequency: usize, rate_hz: usize, index: f64, shape: Shape, amplitudes: &[f64], tolerance: f64) {
        let recipe = warble(frequency as f64, rate_hz as f64, index, shape);
        let lines = magnitudes(&samples(&recipe, SampleRate::HZ_48000, 48_000));
        for (n, expected) in amplitudes.iter().enumerate() {
            for bin in [frequency + n * rate_hz, frequency - n * rate_hz] {
                let found = lines[bin];
                assert!(
                    (found - expected.abs()).abs() < tolerance,
                    "{shape:?} {index}, line {n}: {found}, not {expected}"
                );
            }
        }
        let off_grid = lines.iter().enumerate().filter(|(bin, _)| bin.abs_diff(frequency) % rate_hz != 0);
        let worst = off_grid.map(|(_, line)| *line).fold(0.0, f64::max);
        assert!(worst < 1e-12, "{worst} between the lines");
    }

    #[test]
    fn lines_of_a_sinusoidal_warble_are_bessel_functions() {
        // J_0 to J_6, Abramowitz & Stegun, table 9.1 (also scipy.special.jv).
        let half = [0.93846981, 0.24226846, 0.03060402, 0.00256373, 0.00016074];
        let one = [0.76519769, 0.44005059, 0.11490348, 0.01956335, 0.00247664, 0.00024976];
        let two = [0.22389078, 0.57672481, 0.35283403, 0.12894325, 0.03399572, 0.00703963];
        let five = [-0.17759677, -0.32757914, 0.04656512, 0.36483123, 0.39123236, 0.26114055, 0.13104873];
        for (frequency, rate_hz, index, amplitudes) in [
            (1000, 5, 1.0, one.as_slice()),
            (63, 4, 1.0, &one),
            (80, 4, 0.5, &half),
            (80, 5, 2.0, &two),
            (200, 4, 5.0, &five),
        ] {
            check(frequency, rate_hz, index, Shape::Sine, amplitudes, 1e-8);
        }
    }

    #[test]
    fn lines_of_a_triangular_warble_are_as_tabulated() {
        // Fourier integral of the triangular modulation, evaluated independently by quadrature.
        let half = [0.95927757, 0.19865250, 0.01874616, 0.00860381, 0.00123234, 0.00171582];
        let one = [0.84183890, 0.37398283, 0.07202476, 0.02352678, 0.00544982, 0.00403118];
        let two = [0.43825915, 0.57896503, 0.24412670, 0.08995317, 0.02902693, 0.01367499];
        for (index, amplitudes) in [(0.5, &half), (1.0, &one), (2.0, &two)] {
            check(2000, 5, index, Shape::Triangle, amplitudes, 1e-8);
            for (n, amplitude) in amplitudes.iter().enumerate() {
                assert!((triangle_line(index, n as i32).norm() - amplitude).abs() < 1e-8);
                assert!((triangle_line(index, -(n as i32)).norm() - amplitude).abs() < 1e-8);
            }
        }
    }

    /// Line n of a carrier whose frequency follows a triangle, with its phase: the mean over a swing from -1/2 to 1/2
    /// of exp(2πi·(index·(u - 2u|u|) - n·u)), by Simpson's rule with a kink at each end of both halves.
    fn triangle_line(index: f64, n: i32) -> Complex64 {
        const HALF: usize = 4096;
        let step = 0.5 / HALF as f64;
        let at = |u: f64| Complex64::cis(TAU * (index * (u - 2.0 * u * u.abs()) - f64::from(n) * u));
        let half = |from: f64| -> Complex64 {
            let weight = |k: usize| if k == 0 || k == HALF { 1.0 } else { 2.0 + 2.0 * (k % 2) as f64 };
            (0..=HALF).map(|k| at(from + step * k as f64) * (weight(k) * step / 3.0)).sum()
        };
        half(-0.5) + half(0.0)
    }

    #[test]
    fn in_the_bass_far_lines_of_a_triangular_warble_fold_at_zero_onto_near_ones_by_their_phase() {
        // The far lines die out slowly, by n²: 40 swing rates below 80 Hz they reach zero, and go on above it as the
        // conjugates of what they were. sin z = Im e^(iz): a line of c_n at ω is -i·c_n there and i·c_n* at -ω.
        for (frequency, rate_hz, index) in [(80, 4, 0.5), (80, 4, 1.0), (80, 4, 2.0), (50, 2, 1.4), (25, 5, 1.0)] {
            let recipe = warble(f64::from(frequency), f64::from(rate_hz), index, Shape::Triangle);
            let found = lines(&samples(&recipe, SampleRate::HZ_48000, 48_000));
            let mut largest_fold: f64 = 0.0;
            for bin in 1..400 {
                let line = |hz: i32| match (hz - frequency) % rate_hz {
                    0 => triangle_line(index, (hz - frequency) / rate_hz),
                    _ => Complex64::ZERO,
                };
                let (direct, folded) = (line(bin), line(-bin));
                let expected = -Complex64::I * (direct - folded.conj());
                largest_fold = largest_fold.max(folded.norm());
                let error = (found[bin as usize] - expected).norm();
                assert!(error < 1e-7, "{frequency} Hz, index {index}, at {bin} Hz: off by {error}");
            }
            // Without the folded lines the test would not have held.
            assert!(largest_fold > 1e-6, "{largest_fold}");
        }
    }

    #[test]
    fn the_swing_is_as_wide_as_the_interval() {
        let warble = Warble { frequency_hz: 50.0, half_width_octaves: 1.0 / 12.0, rate_hz: 2.0, shape: Shape::Sine };
        // A semitone up minus a semitone down: 50·(1.0594630943592953 - 1/1.0594630943592953).
        assert!((2.0 * warble.deviation_hz() - 5.779_439_084).abs() < 1e-8, "{}", 2.0 * warble.deviation_hz());
        assert!((warble.lowest_hz() - 47.110_280_458).abs() < 1e-8);
    }

    #[test]
    fn the_level_is_that_of_a_full_scale_sine() {
        // The far lines of the triangle fold back at zero and interfere, by less than a millionth.
        for (shape, tolerance) in [(Shape::Sine, 1e-12), (Shape::Triangle, 1e-6)] {
            let samples = samples(&warble(50.0, 2.0, 1.4, shape), SampleRate::HZ_48000, 48_000);
            assert!((rms(&samples) - std::f64::consts::FRAC_1_SQRT_2).abs() < tolerance);
            assert!(samples.iter().all(|sample| sample.abs() <= PEAK_OF_SINE));
        }
    }

    #[test]
    fn parameters_out_of_range_are_named() {
        let refuse = |warble: Warble| Recipe::Warble(warble).prepare(SampleRate::HZ_48000).err().unwrap().to_string();
        let good = Warble { frequency_hz: 50.0, half_width_octaves: 0.1, rate_hz: 4.0, shape: Shape::Sine };
        assert_eq!(refuse(Warble { rate_hz: 0.0, ..good.clone() }), "warble: rate_hz is 0, but must be from 0.1 to 20");
        assert!(refuse(Warble { half_width_octaves: 1.5, ..good.clone() }).contains("half_width_octaves is 1.5"));
        assert!(refuse(Warble { frequency_hz: 23_000.0, ..good }).contains("half the sample rate"));
    }
}
