//! Steady noise: band noise whose level does not wander.
//!
//! The level of ordinary band noise wanders by 7 to 12 dB at bass frequencies, which is more than what a room does to
//! it. This one is a sum of closely spaced lines that repeats without a seam after a period. Their phases start at
//! random (by seed); then, again and again, the envelope is divided by itself and what has left the band is taken away,
//! which makes the envelope ever flatter. Two bounds keep it noise and keep the band filled: no line may be more than
//! 6 dB above or 12 dB below the mean; and each twelfth of the band stays within what a class 1 filter of IEC 61260-1
//! may leave of even noise there.
//!
//! Source: the construction by dividing by the envelope is from Kohlrausch et al., Acustica 83, 659-669 (1997); the
//! bounds and the number of passes are ours.

use std::cell::RefCell;
use std::sync::Arc;

use realfft::num_complex::Complex64;
use rustfft::{Fft, FftDirection};
use serde::{Deserialize, Serialize};

use crate::acoustics::bands::{Band, Width, class_1_limits_db};
use crate::units::SampleRate;

use super::error::Check;
use super::lines::{Lines, Period, plan};
use super::{Prepared, RecipeError};

/// The signal's name in recipes and commands.
pub const NAME: &str = "steady-noise";

/// So many samples of loops are kept at most: 64 MiB.
const MOST_KEPT: usize = 8 << 20;

/// How often the envelope is flattened. The peak-to-peak level falls by another third from 100 to 400.
const PASSES: usize = 400;

/// Bounds on a line's amplitude over the rms of all lines.
const LINE_BOUNDS: (f64, f64) = (0.25, 2.0);

/// How many parts of the band have bounds of their own.
const PARTS: usize = 12;

/// No part is weaker than this against the mean, dB, although the standard would allow it near the edges.
const WEAKEST_PART_DB: f64 = 2.0;

/// The share of the standard's tolerance that is used: what is bounded last may shift the others by a little.
const SHARE_OF_TOLERANCE: f64 = 0.85;

/// Bounding one part shifts the mean that the others are held against; after so many rounds that has settled.
const SETTLING: usize = 3;

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

    /// Computes the loop; rms 1/√2 at unit gain. Control thread only: it takes tens of milliseconds, if it was not made
    /// lately.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        LATELY.with_borrow_mut(|lately| lately.period(self, rate)).prepared()
    }
}

thread_local! {
    /// What this thread has made lately: in a visit the same few bands sound again and again.
    static LATELY: RefCell<Lately> = const { RefCell::new(Lately(Vec::new())) };
}

/// Loops with what they were made of, the latest last.
struct Lately(Vec<(SteadyNoise, SampleRate, Period)>);

impl Lately {
    /// One period of a noise: as it was made before, or made now.
    fn period(&mut self, noise: &SteadyNoise, rate: SampleRate) -> Period {
        let known = self.0.iter().position(|(other, at_rate, _)| other == noise && *at_rate == rate);
        let entry = match known {
            Some(at) => self.0.remove(at),
            None => {
                let band = Band::around(noise.frequency_hz, noise.band);
                (noise.clone(), rate, flattened(band, noise.band, noise.seed).period(rate))
            }
        };
        let period = entry.2.clone();
        self.0.push(entry);
        while self.0.len() > 1 && self.samples() > MOST_KEPT {
            self.0.remove(0);
        }
        period
    }

    fn samples(&self) -> usize {
        self.0.iter().map(|(_, _, period)| period.table.len()).sum()
    }
}

/// Random lines whose envelope has been flattened.
fn flattened(band: Band, width: Width, seed: u64) -> Lines {
    let mut lines = Lines::random(band.lower_hz, band.upper_hz, seed);
    let part_of = |line: usize| {
        let share = (lines.frequency_hz(line) - band.lower_hz) / band.width_hz();
        ((share * PARTS as f64) as usize).min(PARTS - 1)
    };
    let parts: Vec<usize> = (0..lines.values.len()).map(part_of).collect();
    let bounds = part_bounds(band, width);
    let mut envelope = Envelope::new(lines.values.len());
    for _ in 0..PASSES {
        envelope.flatten(&mut lines.values);
        for _ in 0..SETTLING {
            lines.normalise();
            bound(&mut lines.values, &parts, &bounds);
        }
    }
    lines.normalise();
    lines
}

/// Bounds on the power of each part of the band over the mean.
fn part_bounds(band: Band, width: Width) -> [(f64, f64); PARTS] {
    std::array::from_fn(|part| {
        let middle_hz = band.lower_hz + (part as f64 + 0.5) / PARTS as f64 * band.width_hz();
        let (least_db, most_db) = class_1_limits_db(middle_hz / band.middle_hz, width);
        let power = |attenuation_db: f64| libm::exp10(-SHARE_OF_TOLERANCE * attenuation_db / 10.0);
        (power(most_db.min(WEAKEST_PART_DB)), power(least_db))
    })
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
fn bound(lines: &mut [Complex64], parts: &[usize], bounds: &[(f64, f64); PARTS]) {
    let mean_power = 1.0 / lines.len() as f64;
    let rms = libm::sqrt(mean_power);
    let mut powers = [(0.0, 0.0); PARTS];
    for (line, part) in lines.iter_mut().zip(parts) {
        let amplitude = libm::sqrt(line.norm_sqr()).max(1e-12);
        *line *= (amplitude / rms).clamp(LINE_BOUNDS.0, LINE_BOUNDS.1) * rms / amplitude;
        powers[*part].0 += line.norm_sqr() / mean_power;
        powers[*part].1 += 1.0;
    }
    let mut factors = [1.0; PARTS];
    for ((factor, (power, count)), (least, most)) in factors.iter_mut().zip(powers).zip(bounds) {
        if count > 0.0 {
            let mean: f64 = power / count;
            *factor = libm::sqrt(mean.clamp(*least, *most) / mean);
        }
    }
    for (line, part) in lines.iter_mut().zip(parts) {
        *line *= factors[*part];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::band_noise::BandNoise;
    use crate::signal::measure::{
        fast_swing_db, fourth_moment, magnitudes, mean, one_period, relative_spectrum, rms, samples, within_class_1,
    };
    use crate::signal::{CHUNK, Recipe};

    /// The tests listen at a low rate: the lines are the same ones at any rate.
    const RATE_HZ: u32 = 2000;

    #[test]
    fn what_was_made_lately_is_not_made_again_and_is_let_go_in_the_end() {
        let rate = SampleRate::HZ_48000;
        let noise = |seed| SteadyNoise { frequency_hz: 50.0, band: Width::Third, seed };
        let mut lately = Lately(Vec::new());
        let first = lately.period(&noise(0), rate);
        assert!(Arc::ptr_eq(&first.table, &lately.period(&noise(0), rate).table));
        let other_rate = SampleRate::new(RATE_HZ).unwrap();
        for (other, rate) in [(noise(1), rate), (noise(0), other_rate)] {
            assert!(!Arc::ptr_eq(&first.table, &lately.period(&other, rate).table));
        }
        for seed in 2..2 + (MOST_KEPT / first.table.len()) as u64 {
            lately.period(&noise(seed), rate);
            assert!(lately.samples() <= MOST_KEPT);
        }
        let again = lately.period(&noise(0), rate);
        assert!(!Arc::ptr_eq(&first.table, &again.table));
        assert_eq!(first.table, again.table);
    }

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
        let (period_s, samples) = one_period(&recipe, rate);
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

    impl Heard {
        /// Noise has no level at a single frequency: inside the band its level is that of each twelfth, taken to be in
        /// the middle of it. Outside every line counts.
        fn within_class_1(&self, width: Width) -> Result<(), String> {
            let parts = self.parts_db().into_iter().enumerate().map(|(part, level_db)| {
                (self.band.lower_hz + (part as f64 + 0.5) / 12.0 * self.band.width_hz(), level_db)
            });
            let spectrum = relative_spectrum(&self.lines, self.period_s, self.band);
            let outside = spectrum.into_iter().filter(|(hz, _)| !self.band.contains(*hz));
            within_class_1(&outside.chain(parts).collect::<Vec<_>>(), self.band, width)
        }
    }

    #[test]
    fn the_level_stays_put_and_the_noise_stays_noise() {
        let rate = SampleRate::new(RATE_HZ).unwrap();
        for (frequency_hz, limit_db) in [(25.0, 1.0), (40.0, 0.85), (63.0, 0.6), (80.0, 0.55)] {
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
                heard.within_class_1(Width::Third).unwrap_or_else(|wrong| panic!("seed {seed}: {wrong}"));
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
    fn the_spectrum_is_what_a_filter_of_class_1_may_leave_of_noise() {
        for width in Width::ALL {
            for (hz, seed) in [25.0, 40.0, 63.0, 80.0].into_iter().zip(3..) {
                let heard = hear(hz, width, seed);
                heard.within_class_1(width).unwrap_or_else(|wrong| panic!("{hz} Hz, {width}: {wrong}"));
            }
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
