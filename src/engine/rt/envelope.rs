//! How a tone starts and stops: raised-cosine ramps, counted in frames.

use crate::signal::CHUNK;
use crate::units::SampleRate;

/// Shortest ramp at a start or stop, the length of an emergency stop, and the time a change of level takes, in seconds.
pub const FAST_RAMP_S: f64 = 0.050;

/// A stop takes at most this long, in seconds, from the block that took the command.
const LONGEST_STOP_S: f64 = 0.250;

/// Periods of the lowest frequency that a ramp must last at least.
const PERIODS_IN_RAMP: f64 = 2.0;

/// A command can wait two chunks before it takes effect: one until the running chunk is over, one in the guard's
/// look-ahead.
const COMMAND_WAIT_FRAMES: u64 = 2 * CHUNK as u64;

/// Frames of a starting ramp: 50 ms, or two periods of `lowest_hz` where that is longer.
pub fn ramp_frames(rate: SampleRate, lowest_hz: f64) -> u64 {
    let seconds = (PERIODS_IN_RAMP / lowest_hz).max(FAST_RAMP_S);
    // Rounded up, so that a ramp is never shorter than promised.
    ceil_frames(rate, seconds)
}

/// Frames of a stopping ramp: like a start, but the whole stop, waiting included, ends within 250 ms.
pub fn stop_ramp_frames(rate: SampleRate, lowest_hz: f64) -> u64 {
    ramp_frames(rate, lowest_hz).min(rate.frames(LONGEST_STOP_S).0.saturating_sub(COMMAND_WAIT_FRAMES))
}

/// Frames of an emergency stop: 50 ms.
pub(super) fn fast_ramp_frames(rate: SampleRate) -> u64 {
    ceil_frames(rate, FAST_RAMP_S)
}

fn ceil_frames(rate: SampleRate, seconds: f64) -> u64 {
    libm::ceil(seconds * rate.as_f64()).max(1.0) as u64
}

/// Half a cosine, rising from 0 at `position` 0 to exactly 1 at `frames`: 0.5 − 0.5·cos(π·position/frames).
///
/// Gives the frames of a chunk one after the other, by turning a pointer instead of working out a cosine each.
///
/// Begun anew for each chunk, so that rounding does not add up: within a chunk it stays below 1e-14.
#[derive(Debug, Clone, Copy)]
pub(super) struct Turning {
    position: u64,
    frames: u64,
    cosine: f64,
    sine: f64,
    turn_cosine: f64,
    turn_sine: f64,
}

impl Turning {
    pub fn new(position: u64, frames: u64) -> Self {
        let step = core::f64::consts::PI / frames.max(1) as f64;
        let (sine, cosine) = libm::sincos(step * position.min(frames) as f64);
        let (turn_sine, turn_cosine) = libm::sincos(step);
        Self { position, frames, cosine, sine, turn_cosine, turn_sine }
    }

    pub fn next(&mut self) -> f64 {
        let value = if self.position >= self.frames { 1.0 } else { (0.5 - 0.5 * self.cosine).clamp(0.0, 1.0) };
        let cosine = self.cosine * self.turn_cosine - self.sine * self.turn_sine;
        self.sine = self.sine * self.turn_cosine + self.cosine * self.turn_sine;
        self.cosine = cosine;
        self.position += 1;
        value
    }
}

/// A fall to silence that begins at frame `start` of the tone; frame `start + frames` is the first silent one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fall {
    pub start: u64,
    pub frames: u64,
}

impl Fall {
    pub fn end(self) -> u64 {
        self.start.saturating_add(self.frames)
    }

    /// Multiplies a chunk whose first frame is `position` by the falling gain.
    fn shape(self, position: u64, chunk: &mut [f64; CHUNK]) {
        let before = self.start.saturating_sub(position);
        let mut rise = Turning::new(position.saturating_sub(self.start), self.frames);
        let falling = chunk.iter_mut().skip(usize::try_from(before).unwrap_or(CHUNK));
        falling.for_each(|sample| *sample *= 1.0 - rise.next());
    }
}

/// The gain of a tone over its life, 0 to 1: one rise and at most two falls, multiplied.
///
/// A stop in the middle of the rise does not bend the rise: both go on and their product has neither a step nor a
/// corner.
#[derive(Debug, Clone, Copy)]
pub(super) struct Envelope {
    pub rise_frames: u64,
    pub fall: Option<Fall>,
    pub emergency: Option<Fall>,
}

impl Envelope {
    /// The first frame from which the tone is silent for good, if that is settled.
    pub fn end(&self) -> Option<u64> {
        match (self.fall.map(Fall::end), self.emergency.map(Fall::end)) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// Multiplies a chunk whose first frame is `position` by the rise.
    pub fn raise(&self, position: u64, chunk: &mut [f64; CHUNK]) {
        if position < self.rise_frames {
            let mut rise = Turning::new(position, self.rise_frames);
            chunk.iter_mut().for_each(|sample| *sample *= rise.next());
        }
    }

    /// Multiplies a chunk whose first frame is `position` by the falls.
    pub fn lower(&self, position: u64, chunk: &mut [f64; CHUNK]) {
        for fall in [self.fall, self.emergency].into_iter().flatten() {
            if fall.start < position.saturating_add(CHUNK as u64) {
                fall.shape(position, chunk);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition.
    fn raised_cosine(position: u64, frames: u64) -> f64 {
        let position = position.min(frames) as f64;
        0.5 - 0.5 * (core::f64::consts::PI * position / frames as f64).cos()
    }

    #[test]
    fn ramps_last_fifty_milliseconds_or_two_periods() {
        let rate = SampleRate::HZ_48000;
        assert_eq!(ramp_frames(rate, 120.0), 2400);
        assert_eq!(ramp_frames(rate, 25.0), 3840);
        assert_eq!(stop_ramp_frames(rate, 25.0), 3840);
        // 250 ms is 12,000 frames; 5 Hz would ask for 19,200.
        assert_eq!(ramp_frames(rate, 5.0), 19_200);
        assert_eq!(stop_ramp_frames(rate, 5.0) + COMMAND_WAIT_FRAMES, 12_000);
    }

    #[test]
    fn a_stop_in_the_rise_leaves_no_step_and_ends_when_it_says() {
        let envelope = Envelope { rise_frames: 2400, fall: Some(Fall { start: 1000, frames: 2400 }), emergency: None };
        assert_eq!(envelope.end(), Some(3400));
        let mut gains = [[1.0; CHUNK]; 60];
        for (chunk, index) in gains.iter_mut().zip(0..) {
            envelope.raise(index * CHUNK as u64, chunk);
            envelope.lower(index * CHUNK as u64, chunk);
        }
        let gains = gains.as_flattened();
        assert_eq!(gains[0], 0.0);
        assert_eq!(gains[3400], 0.0);
        assert!(gains[3399] > 0.0);
        for (position, gain) in (0..).zip(gains) {
            let fall = 1.0 - raised_cosine(u64::saturating_sub(position, 1000), 2400);
            assert!((gain - raised_cosine(position, 2400) * fall).abs() < 1e-14);
        }
        let steepest = gains.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f64::max);
        assert!(steepest <= core::f64::consts::PI / 2400.0, "{steepest}");
    }
}
