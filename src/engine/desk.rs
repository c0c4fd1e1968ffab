//! The control side of the rings: checks orders before any sound, keeps account of what sounds, frees what has ended.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use ringbuf::traits::{Consumer, Producer};

use super::error::EngineError;
use super::order::{Cause, Moment, Order, Outputs, Stopped, ToneId};
use super::rt::{Command, Controls, Ends, HIGHEST_CEILING, MAX_VOICES, Report, Rings, Voice};
use super::rt::{ramp_frames, stop_ramp_frames};
use crate::signal::delay::LONGEST_S;
use crate::signal::driver_guard_gain;
use crate::units::{Dbfs, FrameCount, FrameInstant, GainDb, SampleRate};

/// The level at which the first sound of a visit starts.
pub const START_LEVEL: Dbfs = Dbfs::new(-60.0);

/// By how much the ceiling lies above the reference: 12 dB of boost and the crest of noise over a sine.
pub const CEILING_OVER_REFERENCE: GainDb = GainDb::new(16.0);

/// Comparisons with the ceiling forgive rounding, not more.
const ROUNDING: f64 = 1.0 + 1e-9;

/// The ceiling before anything was agreed.
pub(super) fn start_ceiling() -> Dbfs {
    START_LEVEL + CEILING_OVER_REFERENCE
}

#[derive(Debug, Clone, Copy)]
struct Sounding {
    /// Peak for a level of 0 dBFS and a factor of 1.
    peak_at_full_scale: f64,
    highest_factor: f64,
    level: Dbfs,
    deep_bass_gain: f64,
    started_at: Option<u64>,
}

/// One stream's control side.
pub(super) struct Desk {
    rate: SampleRate,
    channels: u16,
    controls: Arc<Controls>,
    /// None while the device is lost.
    rings: Option<Rings>,
    /// Commands that found the ring full, in order.
    backlog: VecDeque<Command>,
    tones: BTreeMap<ToneId, Sounding>,
    ceiling: Dbfs,
    deep_bass_allowed: bool,
    /// Where the present stream's frame 0 lies on the engine's time line, and the latest frame heard of.
    stream_began_at: u64,
    latest: u64,
    moments: VecDeque<Moment>,
}

impl Desk {
    pub fn new(rate: SampleRate, channels: u16, controls: Arc<Controls>, rings: Rings) -> Self {
        Self {
            rate,
            channels,
            controls,
            rings: Some(rings),
            backlog: VecDeque::new(),
            tones: BTreeMap::new(),
            ceiling: start_ceiling(),
            deep_bass_allowed: false,
            stream_began_at: 0,
            latest: 0,
            moments: VecDeque::new(),
        }
    }

    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    pub fn channels(&self) -> u16 {
        self.channels
    }

    pub fn ceiling(&self) -> Dbfs {
        self.ceiling
    }

    pub fn set_ceiling(&mut self, ceiling: Dbfs) {
        self.ceiling = if ceiling.dbfs().is_nan() { Dbfs::SILENCE } else { ceiling.min(HIGHEST_CEILING) };
        self.controls.set_ceiling_peak(self.ceiling.sine_peak());
    }

    pub fn allow_deep_bass(&mut self, allowed: bool) {
        self.deep_bass_allowed = allowed;
    }

    pub fn sounding(&self) -> usize {
        self.tones.len()
    }

    pub fn start(&mut self, order: Order) -> Result<(), EngineError> {
        let sounding = self.check(&order)?;
        self.controls.beat();
        let amplitude = order.level.sine_peak() * sounding.deep_bass_gain;
        let ends = Ends { length: order.length, limit: order.limit };
        let voice = Voice::new(
            order.tone,
            order.source,
            order.outputs,
            amplitude,
            (self.rate, order.lowest_hz),
            ends,
            &self.controls,
        );
        self.tones.insert(order.tone, sounding);
        self.send(Command::Start(Box::new(voice)));
        Ok(())
    }

    fn check(&mut self, order: &Order) -> Result<Sounding, EngineError> {
        for (what, value) in [("peak", order.peak), ("lowest frequency", order.lowest_hz)] {
            if !(value.is_finite() && value > 0.0) {
                return Err(EngineError::BadNumber { what, value });
            }
        }
        if self.rings.is_none() {
            return Err(EngineError::DeviceLost);
        }
        self.collect();
        if self.tones.contains_key(&order.tone) {
            return Err(EngineError::ToneInUse { tone: order.tone });
        }
        if self.tones.len() >= MAX_VOICES {
            return Err(EngineError::TooManyTones { most: MAX_VOICES });
        }
        self.check_outputs(&order.outputs)?;
        let least = FrameCount(ramp_frames(self.rate, order.lowest_hz) + stop_ramp_frames(self.rate, order.lowest_hz));
        if let Some(asked) = order.length.filter(|length| *length < least) {
            return Err(EngineError::TooShort { asked, least });
        }
        let fall = if self.deep_bass_allowed { GainDb::ZERO } else { driver_guard_gain(order.lowest_hz) };
        let deep_bass_gain = fall.amplitude();
        let sounding = Sounding {
            peak_at_full_scale: order.peak * deep_bass_gain,
            highest_factor: order.outputs.highest_factor(),
            level: order.level,
            deep_bass_gain,
            started_at: None,
        };
        self.check_level(&sounding)?;
        Ok(sounding)
    }

    fn check_outputs(&self, outputs: &Outputs) -> Result<(), EngineError> {
        let Some(channel) = outputs.channels().max() else { return Err(EngineError::NoChannel) };
        if channel >= self.channels {
            return Err(EngineError::NoSuchChannel { channel, channels: self.channels });
        }
        match outputs.delays_s().find(|(_, delay_s)| !(0.0..=LONGEST_S).contains(delay_s)) {
            Some((channel, delay_s)) => Err(EngineError::Delay { channel, delay_s }),
            None => Ok(()),
        }
    }

    fn check_level(&self, sounding: &Sounding) -> Result<(), EngineError> {
        let peak = sounding.peak_at_full_scale * sounding.highest_factor * sounding.level.sine_peak();
        if !peak.is_finite() {
            return Err(EngineError::BadNumber { what: "level", value: sounding.level.dbfs() });
        }
        if peak > self.ceiling.sine_peak() * ROUNDING {
            let peak = Dbfs::new(20.0 * peak.log10());
            return Err(EngineError::AboveCeiling { peak, ceiling: self.ceiling });
        }
        Ok(())
    }

    pub fn set_level(&mut self, tone: ToneId, level: Dbfs) -> Result<(), EngineError> {
        let Some(sounding) = self.tones.get(&tone).copied() else { return Err(EngineError::NoSuchTone { tone }) };
        let sounding = Sounding { level, ..sounding };
        self.check_level(&sounding)?;
        self.tones.insert(tone, sounding);
        self.send(Command::Level { tone, amplitude: level.sine_peak() * sounding.deep_bass_gain });
        Ok(())
    }

    pub fn set_outputs(&mut self, tone: ToneId, outputs: Outputs) -> Result<(), EngineError> {
        let Some(sounding) = self.tones.get(&tone).copied() else { return Err(EngineError::NoSuchTone { tone }) };
        self.check_outputs(&outputs)?;
        let sounding = Sounding { highest_factor: outputs.highest_factor(), ..sounding };
        self.check_level(&sounding)?;
        self.tones.insert(tone, sounding);
        self.send(Command::Route { tone, outputs });
        Ok(())
    }

    pub fn fade(&mut self, tone: ToneId) {
        if self.tones.contains_key(&tone) {
            self.send(Command::Fade { tone });
        }
    }

    pub fn beat(&mut self) {
        self.controls.beat();
        self.send_backlog();
    }

    fn send(&mut self, command: Command) {
        self.backlog.push_back(command);
        self.send_backlog();
    }

    fn send_backlog(&mut self) {
        let Some(rings) = &mut self.rings else { return };
        while let Some(command) = self.backlog.pop_front() {
            if let Err(refused) = rings.commands.try_push(command) {
                self.backlog.push_front(refused);
                return;
            }
        }
    }

    /// Frees ended voices and turns reports into moments.
    pub fn collect(&mut self) {
        self.send_backlog();
        let Some(rings) = &mut self.rings else { return };
        while let Some(ended) = rings.retired.try_pop() {
            drop(ended);
        }
        let offset = self.stream_began_at;
        while let Some(report) = rings.reports.try_pop() {
            let moment = match report {
                Report::Started { tone, at } => {
                    let at = offset + at;
                    self.latest = self.latest.max(at);
                    if let Some(sounding) = self.tones.get_mut(&tone) {
                        sounding.started_at = Some(at);
                    }
                    Moment::Started { tone, at: FrameInstant(at) }
                }
                Report::Finished { tone, at, frames, cause, stopped } => {
                    let at = offset + at;
                    self.latest = self.latest.max(at);
                    self.tones.remove(&tone);
                    let stopped = stopped.map(|stopped| Stopped {
                        asked_at: FrameInstant(offset + stopped.asked_at.0),
                        fades_from: FrameInstant(offset + stopped.fades_from.0),
                    });
                    Moment::Finished { tone, at: FrameInstant(at), frames: FrameCount(frames), cause, stopped }
                }
                Report::Guard(counts) => Moment::Guard(counts),
            };
            self.moments.push_back(moment);
        }
    }

    /// Something that the backend noticed.
    pub fn note(&mut self, moment: Moment) {
        self.moments.push_back(moment);
    }

    pub fn take_moment(&mut self) -> Option<Moment> {
        self.moments.pop_front()
    }

    /// The stream is gone: every tone is lost, commands are forgotten.
    ///
    /// * `played_frames` - how far the stream came at least
    pub fn lose(&mut self, why: String, played_frames: u64) {
        self.collect();
        // Should the device go on after all before it is closed, it must not go on with the tone.
        self.controls.emergency_stop();
        self.rings = None;
        self.backlog.clear();
        self.latest = self.latest.max(self.stream_began_at + played_frames);
        for (tone, sounding) in std::mem::take(&mut self.tones) {
            let at = FrameInstant(self.latest);
            let frames = sounding.started_at.map_or(FrameCount(0), |started| at - FrameInstant(started));
            self.moments.push_back(Moment::Finished { tone, at, frames, cause: Cause::Lost, stopped: None });
        }
        self.moments.push_back(Moment::DeviceLost { why });
    }

    /// A new stream on the same device, at silence and with the ceiling back at the start.
    pub fn take_back(&mut self, controls: Arc<Controls>, rings: Rings) {
        self.stream_began_at = self.latest;
        self.controls = controls;
        self.rings = Some(rings);
        self.set_ceiling(start_ceiling());
        self.moments.push_back(Moment::DeviceBack { rate: self.rate, channels: self.channels });
    }

    pub fn fade_all(&mut self) {
        self.controls.fade_all();
        self.send_backlog();
    }

    pub fn emergency_stop(&mut self) {
        self.controls.emergency_stop();
        self.send_backlog();
    }
}
