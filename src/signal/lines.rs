//! Noise as a sum of closely spaced lines, which repeats without a seam, and whose spectrum outside its band is zero by
//! construction.

use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex64;
use rustfft::{Fft, FftDirection, FftPlannerScalar};

use crate::units::SampleRate;

use super::random::Random;
use super::{CHUNK, Prepared, Source};

/// The period is at least this long, seconds.
const SHORTEST_PERIOD_S: f64 = 8.0;

/// The period is at most this long, seconds; it bounds the memory that a loop takes.
const LONGEST_PERIOD_S: f64 = 20.0;

/// As many lines as the period is lengthened for. Fewer lines make two seeds resemble each other.
const LINES_WANTED: f64 = 112.0;

/// Neighbouring multiples of one over the period, with the amplitude and phase of each.
pub(super) struct Lines {
    period_s: u32,
    /// Which multiple the first line is.
    first: usize,
    pub values: Vec<Complex64>,
}

impl Lines {
    /// Equal amplitudes and random phases. The powers sum to 1.
    pub fn random(lower_hz: f64, upper_hz: f64, seed: u64) -> Self {
        let wanted_s = libm::ceil(LINES_WANTED / (upper_hz - lower_hz));
        let period_s = wanted_s.clamp(SHORTEST_PERIOD_S, LONGEST_PERIOD_S);
        let first = libm::ceil(lower_hz * period_s) as usize;
        let last = libm::floor(upper_hz * period_s) as usize;
        let mut random = Random::from_seed(seed);
        let line = |_| {
            let (sine, cosine) = libm::sincos(TAU * random.unit());
            Complex64::new(cosine, sine)
        };
        let mut lines = Self { period_s: period_s as u32, first, values: (first..=last).map(line).collect() };
        lines.normalise();
        lines
    }

    /// The frequency of a line, counted from the first.
    pub fn frequency_hz(&self, line: usize) -> f64 {
        (self.first + line) as f64 / f64::from(self.period_s)
    }

    /// Scales the lines so that their powers sum to 1, which gives the signal the rms of a full-scale sine.
    pub fn normalise(&mut self) {
        let power: f64 = self.values.iter().map(|line| line.norm_sqr()).sum();
        let factor = 1.0 / libm::sqrt(power);
        self.values.iter_mut().for_each(|line| *line *= factor);
    }

    /// A source that plays the sum of the lines over and over. All lines must lie below half the sample rate.
    pub fn prepare(&self, rate: SampleRate) -> Prepared {
        self.period(rate).prepared()
    }

    /// One period of the sum of the lines.
    pub fn period(&self, rate: SampleRate) -> Period {
        let frames = self.period_s as usize * rate.hz() as usize;
        let mut spectrum = vec![Complex64::ZERO; frames];
        for (bin, value) in spectrum.iter_mut().skip(self.first).zip(&self.values) {
            *bin = *value;
        }
        plan(frames, FftDirection::Inverse).process(&mut spectrum);
        let table: Arc<[f64]> = spectrum.iter().map(|value| value.re).collect();
        let peak = table.iter().fold(0.0, |peak: f64, sample| peak.max(sample.abs()));
        Period { table, peak, lowest_hz: self.frequency_hz(0) }
    }
}

/// One period of a sum of lines, shared by whoever plays it.
#[derive(Clone)]
pub(super) struct Period {
    /// Its samples.
    pub table: Arc<[f64]>,
    peak: f64,
    lowest_hz: f64,
}

impl Period {
    /// A source that plays it over and over.
    pub fn prepared(&self) -> Prepared {
        Prepared {
            source: Box::new(Loop { table: self.table.clone(), position: 0 }),
            peak: self.peak,
            lowest_hz: self.lowest_hz,
            length: None,
            limit: None,
        }
    }
}

/// Without vector instructions, so that a seed gives the same noise on every machine.
pub(super) fn plan(length: usize, direction: FftDirection) -> Arc<dyn Fft<f64>> {
    FftPlannerScalar::new().plan_fft(length, direction)
}

/// Plays a table over and over.
struct Loop {
    table: Arc<[f64]>,
    position: usize,
}

impl Source for Loop {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        let mut filled = 0;
        while filled < CHUNK {
            let rest = self.table.get(self.position..).unwrap_or(&[]);
            let take = rest.len().min(CHUNK - filled);
            for (out, sample) in out.iter_mut().skip(filled).zip(rest) {
                *out = *sample;
            }
            filled += take;
            self.position += take;
            if self.position >= self.table.len() {
                self.position = 0;
            }
        }
    }
}
