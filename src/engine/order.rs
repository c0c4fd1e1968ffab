//! What is asked of the engine, and what it tells.

use crate::signal::Source;
use crate::signal::delay::Path;
use crate::units::{Dbfs, FrameCount, FrameInstant, GainDb, SampleRate};

/// Which tone: given by whoever orders it, never used twice at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ToneId(pub u64);

/// One tone to be sounded.
pub struct Order {
    /// Its name in everything that is told about it.
    pub tone: ToneId,
    /// Where its samples come from.
    pub source: Box<dyn Source>,
    /// The highest peak the source makes at unit gain. A pure tone's is 1.
    pub peak: f64,
    /// The lowest frequency in it: ramps last at least two of its periods.
    pub lowest_hz: f64,
    /// The level of a source whose peak is 1.
    pub level: Dbfs,
    /// Its whole length, ramps included; silence follows exactly then. Without it, it sounds until it is stopped.
    pub length: Option<FrameCount>,
    /// After this long it fades by itself.
    pub limit: Option<FrameCount>,
    /// Where it is heard.
    pub outputs: Outputs,
}

/// Channels an engine can have.
pub const MAX_CHANNELS: usize = 32;

/// Which output channels sound, each with its own gain, polarity and delay. Channels count from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outputs {
    /// Factor for each channel; 0 where nothing sounds, negative where the polarity is turned over.
    factors: [f64; MAX_CHANNELS],
    delays_s: [f64; MAX_CHANNELS],
}

/// Which way round a signal goes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polarity {
    /// As it is.
    Normal,
    /// Turned over.
    Inverted,
}

impl Outputs {
    /// Nowhere.
    pub const NONE: Self = Self { factors: [0.0; MAX_CHANNELS], delays_s: [0.0; MAX_CHANNELS] };

    /// One channel at unit gain. A channel beyond [`MAX_CHANNELS`] is not kept; the engine refuses an order that goes
    /// nowhere.
    pub fn one(channel: u16) -> Self {
        Self::NONE.and(channel, GainDb::ZERO, Polarity::Normal)
    }

    /// Several channels at unit gain.
    pub fn all(channels: &[u16]) -> Self {
        channels.iter().fold(Self::NONE, |outputs, &channel| outputs.and(channel, GainDb::ZERO, Polarity::Normal))
    }

    /// These, and one more channel.
    #[must_use]
    pub fn and(mut self, channel: u16, gain: GainDb, polarity: Polarity) -> Self {
        if let Some(factor) = self.factors.get_mut(usize::from(channel)) {
            *factor = match polarity {
                Polarity::Normal => gain.amplitude(),
                Polarity::Inverted => -gain.amplitude(),
            };
        }
        self
    }

    /// These, with one channel delayed by so many seconds, exact to a small part of a frame. The engine refuses more
    /// than [`LONGEST_S`](crate::signal::delay::LONGEST_S).
    #[must_use]
    pub fn delayed(mut self, channel: u16, delay_s: f64) -> Self {
        if let Some(delay) = self.delays_s.get_mut(usize::from(channel)) {
            *delay = delay_s;
        }
        self
    }

    /// Of these, one channel alone, as it is here.
    #[must_use]
    pub fn only(&self, channel: u16) -> Self {
        let mut one = Self::NONE;
        let place = usize::from(channel);
        if let (Some(factor), Some(delay)) = (one.factors.get_mut(place), one.delays_s.get_mut(place)) {
            *factor = self.factors.get(place).copied().unwrap_or(0.0);
            *delay = self.delays_s.get(place).copied().unwrap_or(0.0);
        }
        one
    }

    /// The highest factor of any channel, without sign.
    pub(super) fn highest_factor(&self) -> f64 {
        self.factors.iter().fold(0.0, |highest, factor| factor.abs().max(highest))
    }

    /// The channels that sound.
    pub fn channels(&self) -> impl Iterator<Item = u16> + '_ {
        (0_u16..).zip(&self.factors).filter(|(_, factor)| **factor != 0.0).map(|(channel, _)| channel)
    }

    /// The delays of the channels that sound, seconds.
    pub fn delays_s(&self) -> impl Iterator<Item = (u16, f64)> + '_ {
        self.channels().map(|channel| (channel, self.delays_s.get(usize::from(channel)).copied().unwrap_or(0.0)))
    }

    /// The path of each channel. Real-time safe.
    pub fn paths(&self, rate: SampleRate) -> [Path; MAX_CHANNELS] {
        let mut ways = self.factors.iter().zip(&self.delays_s);
        core::array::from_fn(|_| match ways.next() {
            Some((factor, delay_s)) if *factor != 0.0 => Path::of(delay_s * rate.as_f64(), *factor),
            _ => Path::of(0.0, 0.0),
        })
    }
}

/// Why a tone ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Cause {
    /// Its length was over.
    Ended,
    /// It was told to fade.
    Faded,
    /// Emergency stop.
    Emergency,
    /// It had sounded for as long as it may.
    TimeLimit,
    /// Whoever is in charge had not been heard of for too long.
    HeartbeatLost,
    /// The device went away in the middle.
    Lost,
}

/// A stop that reached a tone: a fade or an emergency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Stopped {
    /// How many frames had been handed to the device when the stop was asked for.
    pub asked_at: FrameInstant,
    /// The first frame of the fade.
    pub fades_from: FrameInstant,
}

/// What the guard had to do, in total since the stream began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct GuardCounts {
    /// Times the gain had to be lowered to keep under the ceiling.
    pub interventions: u64,
    /// Frames played with the gain lowered.
    pub lowered_frames: u64,
    /// Samples that were not finite numbers and became silence.
    pub not_finite: u64,
    /// Samples that only the last resort kept under the ceiling. Should be 0.
    pub clamped: u64,
    /// Times a ring was full and something had to be tried again.
    pub full_rings: u64,
}

/// Something that happened in the engine.
#[derive(Debug, Clone, PartialEq)]
pub enum Moment {
    /// A tone's first frame.
    Started {
        /// Which tone.
        tone: ToneId,
        /// Frames since the engine began, on the time line of what is played.
        at: FrameInstant,
    },
    /// A tone is over.
    Finished {
        /// Which tone.
        tone: ToneId,
        /// Its first silent frame.
        at: FrameInstant,
        /// How many frames sounded.
        frames: FrameCount,
        /// Why it is over.
        cause: Cause,
        /// The stop for everything that ended it, if one did.
        stopped: Option<Stopped>,
    },
    /// The guard acted. Totals.
    Guard(GuardCounts),
    /// The device has stopped asking for samples. What sounded is lost, and nothing sounds until `DeviceBack`.
    DeviceLost {
        /// What is known of the reason, for a person.
        why: String,
    },
    /// The same device is back, at silence, with the ceiling back at the start.
    DeviceBack {
        /// Its rate.
        rate: SampleRate,
        /// Its channels.
        channels: u16,
    },
    /// The device ran out of samples in time, so that there was a gap in the sound.
    Gap {
        /// Gaps in total since the engine began.
        count: u64,
    },
}
