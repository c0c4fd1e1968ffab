//! What crosses between the control side and the audio thread.
//!
//! Two channels. Commands whose order matters go through a ring, first in, first out. Values of which only the latest
//! matters, and stops, which must never wait behind a full ring, are atomics in [`Controls`]. Nothing that owns memory
//! is ever dropped on the audio thread: a [`Voice`] comes in a box and goes back in it.

use std::sync::atomic::{AtomicU64, Ordering};

use super::voice::Voice;
use crate::engine::{Cause, GuardCounts, Outputs, Stopped, ToneId};

/// An ordered command to the audio thread. Outputs come in it by value, since a box would have to be sent back.
#[allow(clippy::large_enum_variant)]
#[derive(Debug)]
pub enum Command {
    /// Sound this voice from the next chunk on.
    Start(Box<Voice>),
    /// Bring the tone's level to this amplitude.
    Level {
        /// Which tone; one that does not sound any more is ignored.
        tone: ToneId,
        /// The amplitude of a signal of unit peak.
        amplitude: f64,
    },
    /// Cross-fade the tone to other outputs.
    Route {
        /// Which tone; one that does not sound any more is ignored.
        tone: ToneId,
        /// Where it is heard from now on.
        outputs: Outputs,
    },
    /// Fade the tone to silence.
    Fade {
        /// Which tone; one that does not sound any more is ignored.
        tone: ToneId,
    },
}

/// What the audio thread tells: small, `Copy`, numbers only. Frames count from the renderer's first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Report {
    /// The tone's first frame is at `at`.
    Started {
        /// Which tone.
        tone: ToneId,
        /// Its first frame.
        at: u64,
    },
    /// The tone is silent from `at` on.
    Finished {
        /// Which tone.
        tone: ToneId,
        /// The first silent frame.
        at: u64,
        /// How many frames it sounded.
        frames: u64,
        /// Why it ended.
        cause: Cause,
        /// The stop for everything that ended it, if one did.
        stopped: Option<Stopped>,
    },
    /// The guard had to act. Totals since the renderer was made.
    Guard(GuardCounts),
}

/// Latest-value parameters, shared by the control side and the audio thread.
#[derive(Debug, Default)]
pub struct Controls {
    ceiling_bits: AtomicU64,
    beats: AtomicU64,
    fades: AtomicU64,
    emergencies: AtomicU64,
    callbacks: AtomicU64,
    frames: AtomicU64,
    sound_until_ns: AtomicU64,
    /// Frames handed out when everything was last told to fade or stop.
    stop_asked_at: AtomicU64,
}

impl Controls {
    /// Controls with a ceiling of `ceiling_peak`, peak amplitude.
    pub fn new(ceiling_peak: f64) -> Self {
        let controls = Self::default();
        controls.set_ceiling_peak(ceiling_peak);
        controls
    }

    /// The ceiling as a peak amplitude.
    pub fn ceiling_peak(&self) -> f64 {
        f64::from_bits(self.ceiling_bits.load(Ordering::Acquire))
    }

    /// Sets the ceiling. Control thread.
    pub fn set_ceiling_peak(&self, peak: f64) {
        self.ceiling_bits.store(peak.to_bits(), Ordering::Release);
    }

    /// Tells the audio thread that somebody is still in charge. Control thread.
    pub fn beat(&self) {
        self.beats.fetch_add(1, Ordering::AcqRel);
    }

    /// How often somebody said so.
    pub fn beats(&self) -> u64 {
        self.beats.load(Ordering::Acquire)
    }

    /// Fades every voice ordered so far. Control thread.
    pub fn fade_all(&self) {
        self.note_stop();
        self.fades.fetch_add(1, Ordering::AcqRel);
    }

    /// How often everything was faded.
    pub fn fades(&self) -> u64 {
        self.fades.load(Ordering::Acquire)
    }

    /// Stops every voice ordered so far within 50 ms. Control thread.
    pub fn emergency_stop(&self) {
        self.note_stop();
        self.emergencies.fetch_add(1, Ordering::AcqRel);
    }

    fn note_stop(&self) {
        self.stop_asked_at.store(self.frames(), Ordering::Release);
    }

    /// How many frames had been handed out when everything was last told to fade or stop.
    pub fn stop_asked_at(&self) -> u64 {
        self.stop_asked_at.load(Ordering::Acquire)
    }

    /// How often everything was stopped.
    pub fn emergencies(&self) -> u64 {
        self.emergencies.load(Ordering::Acquire)
    }

    /// Callbacks so far: whether the device still asks for samples.
    pub fn callbacks(&self) -> u64 {
        self.callbacks.load(Ordering::Acquire)
    }

    /// Frames handed to the device so far.
    pub fn frames(&self) -> u64 {
        self.frames.load(Ordering::Acquire)
    }

    /// When the last frame that was not silent will have been played, in nanoseconds on the stream's own clock.
    pub fn sound_until_ns(&self) -> u64 {
        self.sound_until_ns.load(Ordering::Acquire)
    }

    pub(super) fn count_frames(&self, frames: u64) {
        self.frames.fetch_add(frames, Ordering::AcqRel);
    }

    pub(super) fn count_callback(&self) {
        self.callbacks.fetch_add(1, Ordering::AcqRel);
    }

    pub(super) fn set_sound_until_ns(&self, instant_ns: u64) {
        self.sound_until_ns.store(instant_ns, Ordering::Release);
    }
}
