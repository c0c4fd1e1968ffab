//! One sounding tone.

use std::fmt;

use super::command::{Controls, Report};
use super::envelope::{Envelope, Fall, fast_ramp_frames, ramp_frames, stop_ramp_frames};
use super::glide::Glide;
use super::routes::Routes;
use crate::engine::{Cause, Outputs, Stopped, ToneId};
use crate::signal::{CHUNK, Source};
use crate::units::{FrameCount, SampleRate};

/// A source with its level, its ramps and its outputs.
///
/// Its samples depend on nothing but the frames since it started and the frames at which commands reached it.
pub struct Voice {
    tone: ToneId,
    source: Box<dyn Source>,
    routes: Routes,
    /// Amplitude of a signal of unit peak.
    level: Glide,
    envelope: Envelope,
    stop_frames: u64,
    emergency_frames: u64,
    /// Frames sounded so far.
    position: u64,
    /// Why the fall in `envelope` was planned.
    cause: Cause,
    /// The stop for everybody that this is the fall of.
    stopped: Option<Stopped>,
    fades_when_ordered: u64,
    emergencies_when_ordered: u64,
    start_reported: bool,
    chunk: [f64; CHUNK],
}

/// When a voice ends by itself, in frames since its start.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ends {
    /// Silence follows exactly here: the last ramp lies before it.
    pub length: Option<FrameCount>,
    /// Here a fade begins if the tone still sounds.
    pub limit: Option<FrameCount>,
}

impl Voice {
    /// A voice that begins with a ramp when the audio thread takes it. Control thread only.
    ///
    /// * `amplitude` - of a signal of unit peak
    /// * `lowest_hz` - the lowest frequency in the source, which sets the length of the ramps
    pub fn new(
        tone: ToneId,
        source: Box<dyn Source>,
        outputs: Outputs,
        amplitude: f64,
        (rate, lowest_hz): (SampleRate, f64),
        ends: Ends,
        controls: &Controls,
    ) -> Self {
        let (rise_frames, stop_frames) = (ramp_frames(rate, lowest_hz), stop_ramp_frames(rate, lowest_hz));
        let at_length = ends.length.map(|length| {
            (Fall { start: length.0.saturating_sub(stop_frames), frames: stop_frames.min(length.0) }, Cause::Ended)
        });
        let at_limit = ends.limit.map(|limit| (Fall { start: limit.0, frames: stop_frames }, Cause::TimeLimit));
        let planned = match (at_length, at_limit) {
            (Some(length), Some(limit)) => Some(if limit.0.start < length.0.start { limit } else { length }),
            (length, limit) => length.or(limit),
        };
        Self {
            tone,
            source,
            // A channel that comes in or goes is started or stopped, so the change takes as long as a start.
            routes: Routes::new(&outputs, rate, rise_frames),
            level: Glide::new(amplitude, fast_ramp_frames(rate)),
            envelope: Envelope { rise_frames, fall: planned.map(|(fall, _)| fall), emergency: None },
            stop_frames,
            emergency_frames: fast_ramp_frames(rate),
            position: 0,
            cause: planned.map_or(Cause::Ended, |(_, cause)| cause),
            stopped: None,
            fades_when_ordered: controls.fades(),
            emergencies_when_ordered: controls.emergencies(),
            start_reported: false,
            chunk: [0.0; CHUNK],
        }
    }

    /// Which tone this is.
    pub fn tone(&self) -> ToneId {
        self.tone
    }

    /// Heads for a new amplitude.
    pub(super) fn set_amplitude(&mut self, amplitude: f64) {
        self.level.retarget(amplitude);
    }

    /// Cross-fades to other outputs.
    pub(super) fn set_outputs(&mut self, outputs: &Outputs) {
        self.routes.change(outputs);
    }

    /// Begins to fade, unless it is fading already; whether it did.
    pub(super) fn fade(&mut self, cause: Cause) -> bool {
        let begins = self.envelope.fall.is_none_or(|fall| fall.start > self.position);
        if begins {
            self.envelope.fall = Some(Fall { start: self.position, frames: self.stop_frames_now() });
            self.cause = cause;
        }
        begins
    }

    /// A tone that has not sounded yet has nothing to fade.
    fn stop_frames_now(&self) -> u64 {
        if self.position == 0 { 0 } else { self.stop_frames }
    }

    /// Follows the stops for everybody that came after this voice was ordered, of which `stopped` is the latest.
    pub(super) fn obey(&mut self, fades: u64, emergencies: u64, stopped: Stopped) {
        if self.fades_when_ordered < fades {
            self.fades_when_ordered = fades;
            if self.fade(Cause::Faded) {
                self.stopped = Some(stopped);
            }
        }
        if self.emergencies_when_ordered < emergencies && self.envelope.emergency.is_none() {
            let frames = if self.position == 0 { 0 } else { self.emergency_frames };
            let emergency = Fall { start: self.position, frames };
            if self.envelope.fall.is_none_or(|fall| emergency.end() < fall.end()) {
                self.cause = Cause::Emergency;
                self.stopped = Some(stopped);
            }
            self.envelope.emergency = Some(emergency);
        }
    }

    /// Adds the next chunk, whose first frame is `at`, to the mix. Returns how the tone finished, if it did in this
    /// chunk.
    pub(super) fn add_to(&mut self, mix: &mut [[f64; CHUNK]], at: u64) -> Option<Report> {
        let end = self.envelope.end().unwrap_or(u64::MAX);
        if self.position < end {
            self.source.next_chunk(&mut self.chunk);
            self.level.scale(&mut self.chunk);
            // The rise goes down a delay with the signal. A fall does not: it must end everywhere at once.
            self.envelope.raise(self.position, &mut self.chunk);
            let mut gain = [1.0; CHUNK];
            self.envelope.lower(self.position, &mut gain);
            // What the source makes after the end may be anything, so that multiplying by zero is not enough.
            for ((sample, gain), frame) in self.chunk.iter_mut().zip(&mut gain).zip(self.position..) {
                if frame >= end {
                    *sample = 0.0;
                    *gain = 0.0;
                }
            }
            self.routes.send(&self.chunk, &gain, mix);
        }
        let started_at = at - self.position.min(at);
        let after = self.position + CHUNK as u64;
        if end <= after {
            let (tone, cause, stopped) = (self.tone, self.cause, self.stopped);
            return Some(Report::Finished { tone, at: started_at + end, frames: end, cause, stopped });
        }
        self.position = after;
        None
    }

    /// The report of the start, until it has been delivered. `next` is the frame after the last one mixed.
    pub(super) fn undelivered_start(&self, next: u64) -> Option<Report> {
        let at = next - self.position.min(next);
        (!self.start_reported && self.position > 0).then_some(Report::Started { tone: self.tone, at })
    }

    pub(super) fn start_delivered(&mut self) {
        self.start_reported = true;
    }
}

impl fmt::Debug for Voice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Voice").field("tone", &self.tone).field("position", &self.position).finish_non_exhaustive()
    }
}
