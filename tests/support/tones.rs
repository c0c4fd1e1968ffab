//! Simple sources and orders for tests of the engine.

use evenbass::engine::{Order, Outputs, ToneId};
use evenbass::signal::{CHUNK, Source};
use evenbass::units::{Dbfs, FrameCount};

/// A sine of unit peak at 48 kHz.
pub struct Sine {
    frame: u64,
    frequency_hz: f64,
    factor: f64,
}

impl Sine {
    pub fn new(frequency_hz: f64) -> Self {
        Self { frame: 0, frequency_hz, factor: 1.0 }
    }

    /// A sine that peaks at `factor`, whatever its order says.
    pub fn with_factor(frequency_hz: f64, factor: f64) -> Self {
        Self { frame: 0, frequency_hz, factor }
    }
}

impl Source for Sine {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        for (sample, frame) in out.iter_mut().zip(self.frame..) {
            let cycles = self.frequency_hz * frame as f64 / 48_000.0;
            *sample = self.factor * (std::f64::consts::TAU * cycles.fract()).sin();
        }
        self.frame += CHUNK as u64;
    }
}

/// The same value for ever.
pub struct Constant(pub f64);

impl Source for Constant {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        out.fill(self.0);
    }
}

/// A sine order on the first channel, without end.
pub fn sine(tone: u64, frequency_hz: f64, level_dbfs: f64) -> Order {
    Order {
        tone: ToneId(tone),
        source: Box::new(Sine::new(frequency_hz)),
        peak: 1.0,
        lowest_hz: frequency_hz,
        level: Dbfs::new(level_dbfs),
        length: None,
        limit: None,
        outputs: Outputs::one(0),
    }
}

/// The same with a length.
pub fn sine_of(tone: u64, frequency_hz: f64, level_dbfs: f64, frames: u64) -> Order {
    Order { length: Some(FrameCount(frames)), ..sine(tone, frequency_hz, level_dbfs) }
}
