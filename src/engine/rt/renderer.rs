//! The one renderer: file and device get the same numbers from it.

use std::sync::Arc;

use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

use super::command::{Command, Controls, Report};
use super::envelope::fast_ramp_frames;
use super::guard::{Guard, Mix};
use super::voice::Voice;
use crate::engine::{Cause, GuardCounts, Stopped};
use crate::signal::CHUNK;
use crate::units::{FrameInstant, SampleRate};

/// Voices that may sound at once.
pub const MAX_VOICES: usize = 16;

/// Without a heartbeat for this long, everything fades.
pub const HEARTBEAT_LIMIT_S: f64 = 2.0;

const COMMAND_RING: usize = 256;
const REPORT_RING: usize = 1024;
/// A guard that is busy all the time reports its counts at most this often.
const GUARD_REPORTS_PER_S: f64 = 10.0;

/// The control side's ends of the rings.
pub struct Rings {
    /// Orders to the audio thread.
    pub commands: HeapProd<Command>,
    /// What it tells.
    pub reports: HeapCons<Report>,
    /// Voices that have ended, to be freed.
    pub retired: HeapCons<Box<Voice>>,
}

#[derive(Debug)]
enum Slot {
    Free,
    Sounding(Box<Voice>),
    /// Ended, but one of the rings is full: the box is not back yet, or the reports are not delivered.
    Ending {
        voice: Option<Box<Voice>>,
        start: Option<Report>,
        finish: Report,
    },
}

/// Mixes voices chunk by chunk and hands out interleaved samples in pieces of any size.
///
/// Chunks lie on a grid of [`CHUNK`] frames from the first frame on, commands take effect at the beginning of a chunk,
/// and all ramps count frames, so that no sample depends on the block size. The guard looks one chunk ahead: a command
/// takes effect 64 to 128 frames after it was taken, except before the first frame.
pub struct Renderer {
    channels: usize,
    controls: Arc<Controls>,
    commands: HeapCons<Command>,
    reports: HeapProd<Report>,
    retired: HeapProd<Box<Voice>>,
    slots: [Slot; MAX_VOICES],
    /// A voice that found no free slot; commands wait behind it.
    waiting: Option<Box<Voice>>,
    heartbeat: Heartbeat,
    guard: Guard,
    guard_report: GuardReport,
    held: Mix,
    next: Mix,
    /// Interleaved samples that have passed the guard, and how many of them were handed out.
    ready: Box<[f32]>,
    handed_out: usize,
    /// The first frame of the next chunk to mix.
    mixed_until: u64,
}

#[derive(Debug)]
struct Heartbeat {
    limit_frames: u64,
    beats: u64,
    frames_since: u64,
}

#[derive(Debug)]
struct GuardReport {
    every_frames: u64,
    next_at: u64,
    told: GuardCounts,
}

impl Renderer {
    /// A renderer at silence, and the control side's ends of its rings. Allocates: control thread only.
    #[allow(clippy::disallowed_macros, clippy::disallowed_methods)]
    pub fn new(rate: SampleRate, channels: u16, controls: Arc<Controls>) -> (Self, Rings) {
        let (command_sender, commands) = HeapRb::new(COMMAND_RING).split();
        let (reports, report_receiver) = HeapRb::new(REPORT_RING).split();
        let (retired, retired_receiver) = HeapRb::new(2 * MAX_VOICES).split();
        let channels = usize::from(channels.max(1));
        let ready = vec![0.0; channels * CHUNK].into_boxed_slice();
        let renderer = Self {
            channels,
            heartbeat: Heartbeat {
                limit_frames: rate.frames(HEARTBEAT_LIMIT_S).0,
                beats: controls.beats(),
                frames_since: 0,
            },
            guard: Guard::new(controls.ceiling_peak(), rate, fast_ramp_frames(rate)),
            guard_report: GuardReport {
                every_frames: rate.frames(1.0 / GUARD_REPORTS_PER_S).0,
                next_at: 0,
                told: GuardCounts::default(),
            },
            controls,
            commands,
            reports,
            retired,
            slots: [const { Slot::Free }; MAX_VOICES],
            waiting: None,
            held: vec![[0.0; CHUNK]; channels].into_boxed_slice(),
            next: vec![[0.0; CHUNK]; channels].into_boxed_slice(),
            handed_out: ready.len(),
            ready,
            mixed_until: 0,
        };
        (renderer, Rings { commands: command_sender, reports: report_receiver, retired: retired_receiver })
    }

    /// Channels in a frame.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The next interleaved samples: whole frames, at least one and at most `frames` of them, none only for `frames` 0.
    ///
    /// Real-time safe.
    pub fn pull(&mut self, frames: usize) -> &[f32] {
        if frames > 0 && self.handed_out >= self.ready.len() {
            self.make_ready();
        }
        let from = self.handed_out;
        let until = from.saturating_add(frames.saturating_mul(self.channels)).min(self.ready.len());
        self.handed_out = until;
        let frames = until.saturating_sub(from).checked_div(self.channels).unwrap_or(0);
        self.controls.count_frames(frames as u64);
        self.ready.get(from..until).unwrap_or(&[])
    }

    fn make_ready(&mut self) {
        if self.mixed_until == 0 {
            self.mix_next();
            self.guard.look_at_first(&mut self.next);
            core::mem::swap(&mut self.held, &mut self.next);
        }
        self.mix_next();
        self.guard.pass(&self.held, &mut self.next, &mut self.ready);
        core::mem::swap(&mut self.held, &mut self.next);
        self.handed_out = 0;
        self.report_guard();
    }

    /// Mixes one more chunk into `next`.
    fn mix_next(&mut self) {
        self.guard.set_ceiling(self.controls.ceiling_peak());
        self.retry_endings();
        self.take_commands();
        self.obey_stops();
        self.next.iter_mut().for_each(|channel| channel.fill(0.0));
        let at = self.mixed_until;
        for slot in &mut self.slots {
            if let Slot::Sounding(voice) = slot
                && let Some(finish) = voice.add_to(&mut self.next, at)
            {
                let start = voice.undelivered_start(at);
                if let Slot::Sounding(voice) = core::mem::replace(slot, Slot::Free) {
                    *slot = Slot::Ending { voice: Some(voice), start, finish };
                }
            }
        }
        self.mixed_until = at + CHUNK as u64;
        self.report_starts();
        self.retry_endings();
    }

    fn take_commands(&mut self) {
        if let Some(voice) = self.waiting.take() {
            self.seat(voice);
        }
        // At most one ringful per chunk, so that the work is bounded whatever the control side does meanwhile.
        for _ in 0..COMMAND_RING {
            if self.waiting.is_some() {
                return;
            }
            match self.commands.try_pop() {
                Some(Command::Start(voice)) => self.seat(voice),
                Some(Command::Level { tone, amplitude }) => {
                    self.voices().filter(|voice| voice.tone() == tone).for_each(|voice| voice.set_amplitude(amplitude));
                }
                Some(Command::Route { tone, outputs }) => {
                    self.voices().filter(|voice| voice.tone() == tone).for_each(|voice| voice.set_outputs(&outputs));
                }
                Some(Command::Fade { tone }) => {
                    for voice in self.voices().filter(|voice| voice.tone() == tone) {
                        voice.fade(Cause::Faded);
                    }
                }
                None => return,
            }
        }
    }

    fn seat(&mut self, voice: Box<Voice>) {
        match self.slots.iter_mut().find(|slot| matches!(slot, Slot::Free)) {
            Some(slot) => *slot = Slot::Sounding(voice),
            None => self.waiting = Some(voice),
        }
    }

    fn voices(&mut self) -> impl Iterator<Item = &mut Box<Voice>> {
        self.slots.iter_mut().filter_map(|slot| match slot {
            Slot::Sounding(voice) => Some(voice),
            _ => None,
        })
    }

    /// Stops that concern every voice: fades, emergency stops, and the loss of whoever is in charge.
    fn obey_stops(&mut self) {
        let (fades, emergencies, beats) = (self.controls.fades(), self.controls.emergencies(), self.controls.beats());
        if beats != self.heartbeat.beats {
            self.heartbeat.beats = beats;
            self.heartbeat.frames_since = 0;
        }
        let stopped = Stopped {
            asked_at: FrameInstant(self.controls.stop_asked_at()),
            fades_from: FrameInstant(self.mixed_until),
        };
        let lost = self.heartbeat.frames_since > self.heartbeat.limit_frames;
        self.heartbeat.frames_since = self.heartbeat.frames_since.saturating_add(CHUNK as u64);
        for voice in self.voices() {
            voice.obey(fades, emergencies, stopped);
            if lost {
                voice.fade(Cause::HeartbeatLost);
            }
        }
    }

    fn report_starts(&mut self) {
        let next = self.mixed_until;
        for slot in &mut self.slots {
            if let Slot::Sounding(voice) = slot
                && let Some(start) = voice.undelivered_start(next)
            {
                match self.reports.try_push(start) {
                    Ok(()) => voice.start_delivered(),
                    Err(_) => self.guard.counts.full_rings += 1,
                }
            }
        }
    }

    /// Sends ended voices back to be freed, then tells about them. What finds a full ring stays and is tried again.
    fn retry_endings(&mut self) {
        for slot in &mut self.slots {
            let Slot::Ending { voice, start, finish } = slot else { continue };
            if let Some(ended) = voice.take()
                && let Err(refused) = self.retired.try_push(ended)
            {
                *voice = Some(refused);
                self.guard.counts.full_rings += 1;
                continue;
            }
            if let Some(report) = *start {
                if self.reports.try_push(report).is_err() {
                    self.guard.counts.full_rings += 1;
                    continue;
                }
                *start = None;
            }
            match self.reports.try_push(*finish) {
                Ok(()) => *slot = Slot::Free,
                Err(_) => self.guard.counts.full_rings += 1,
            }
        }
    }

    fn report_guard(&mut self) {
        let counts = self.guard.counts;
        let report = &mut self.guard_report;
        if counts != report.told
            && self.mixed_until >= report.next_at
            && self.reports.try_push(Report::Guard(counts)).is_ok()
        {
            report.told = counts;
            report.next_at = self.mixed_until + report.every_frames;
        }
    }
}
