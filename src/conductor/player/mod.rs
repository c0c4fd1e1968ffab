//! Plays cues on the engine: one tone after the other, with the gaps between them.

mod levels;
#[cfg(test)]
mod tests;

use std::time::Instant;

use crossbeam_channel::Receiver;

use crate::engine::{Cause, Engine, Moment, Order, Outputs, Polarity, Stopped, ToneId};
use crate::routine::effect::Route;
use crate::routine::{Cue, Event, Part};
use crate::signal::RecipeError;
use crate::units::{Dbfs, FrameCount, GainDb};

/// The offline engine is asked for this much at a time.
const FAST_STEP: FrameCount = FrameCount(480);
/// Silence between a tone that was cut short and the next one.
const BREATH_S: f64 = 0.15;
/// What the player has to tell.
#[derive(Debug)]
pub enum Told {
    /// Something to be written down.
    Fact(Event),
    /// A tone could not be played.
    Refused(String),
    /// The sound had gaps, in total.
    Gaps(u64),
}

/// Plays the cue it was given last.
pub struct Player {
    engine: Engine,
    outputs: Outputs,
    cue: Option<Cue>,
    next: usize,
    begun: usize,
    current: Option<(ToneId, Part)>,
    tones: u64,
    silent_until_s: f64,
    rendered_s: f64,
    since: Instant,
    offline: bool,
    device: Option<Receiver<Moment>>,
    lost: bool,
    guarded: (u64, u64),
    moments: Vec<Moment>,
    /// A climb under way: up to which level, and when its last step was.
    climb: Option<(Dbfs, f64)>,
}

impl Player {
    /// A silent player. `device` brings the moments of an engine on a device; without it the engine is an offline one.
    pub fn new(engine: Engine, outputs: Outputs, device: Option<Receiver<Moment>>) -> Self {
        Self {
            engine,
            outputs,
            cue: None,
            next: 0,
            begun: 0,
            current: None,
            tones: 0,
            silent_until_s: 0.0,
            rendered_s: 0.0,
            since: Instant::now(),
            offline: device.is_none(),
            device,
            lost: false,
            guarded: (0, 0),
            moments: Vec::new(),
            climb: None,
        }
    }

    /// Plays a cue from its beginning; what sounds fades first.
    pub fn play(&mut self, cue: Cue) {
        self.hush();
        self.cue = Some(cue);
    }

    /// Fades to silence, at once and before anything else.
    pub fn hush(&mut self) {
        if self.current.is_some() {
            self.engine.fade_all();
            self.silent_until_s = self.silent_until_s.max(self.now_s() + BREATH_S);
        }
        self.cue = None;
        self.climb = None;
        self.next = 0;
        self.begun = 0;
    }

    /// One ramp of 50 ms to silence.
    pub fn emergency_stop(&mut self) {
        self.hush();
        self.engine.emergency_stop();
    }

    /// No sample passes this from now on.
    pub fn set_ceiling(&mut self, ceiling: Dbfs) {
        self.engine.set_ceiling(ceiling);
    }

    /// How many parts of the cue have begun to sound.
    pub fn begun(&self) -> usize {
        self.begun
    }

    /// Whether part of the cue is still to come or sounding.
    pub fn is_playing(&self) -> bool {
        self.current.is_some() || self.cue.as_ref().is_some_and(|cue| self.next < cue.parts.len())
    }

    /// What sounds now.
    pub fn sounding(&self) -> Option<&Part> {
        self.current.as_ref().map(|(_, part)| part)
    }

    /// Whether the device is there.
    pub fn connected(&self) -> bool {
        !self.lost
    }

    /// The ceiling in force.
    pub fn ceiling(&self) -> Dbfs {
        self.engine.ceiling()
    }

    /// Seconds rendered offline so far.
    pub fn rendered_s(&self) -> f64 {
        self.rendered_s
    }

    /// Takes up what happened in the engine, and starts the next part when its time has come. Also the heartbeat.
    pub fn turn(&mut self, told: &mut Vec<Told>) {
        self.engine.beat();
        let mut moments = std::mem::take(&mut self.moments);
        match &self.device {
            Some(device) => moments.extend(device.try_iter()),
            None => self.engine.poll(&mut moments),
        }
        for moment in moments.drain(..) {
            self.take(&moment, told);
        }
        self.moments = moments;
        self.climb_on(told);
        if self.current.is_none() && !self.lost && self.now_s() >= self.silent_until_s {
            self.start_next(told);
        }
    }

    /// Renders until `done`, or until nothing is left to play. For the offline engine; a device keeps its own time.
    pub fn render_until(&mut self, told: &mut Vec<Told>, done: impl Fn(&Self) -> bool) {
        while self.offline {
            self.turn(told);
            if done(self) || !self.is_playing() {
                return;
            }
            self.engine.advance(FAST_STEP);
            self.rendered_s += FAST_STEP.seconds(self.engine.rate());
        }
    }

    /// Renders a fixed time. For the offline engine.
    pub fn render_for(&mut self, seconds: f64, told: &mut Vec<Told>) {
        let until_s = self.rendered_s + seconds;
        while self.offline && self.rendered_s < until_s {
            self.turn(told);
            self.engine.advance(FAST_STEP);
            self.rendered_s += FAST_STEP.seconds(self.engine.rate());
        }
        self.turn(told);
    }

    /// Fades, waits until the last frame has been heard, and gives the device back.
    pub fn close(mut self, told: &mut Vec<Told>) {
        self.hush();
        self.render_until(told, |player| player.current.is_none());
        self.engine.close();
    }

    fn now_s(&self) -> f64 {
        if self.offline { self.rendered_s } else { self.since.elapsed().as_secs_f64() }
    }

    fn start_next(&mut self, told: &mut Vec<Told>) {
        let Some(mut part) = self.cue.as_ref().and_then(|cue| cue.parts.get(self.next)).cloned() else { return };
        let goal = part.level;
        part.level = part.climbs_from.unwrap_or(goal).min(goal);
        self.tones += 1;
        let tone = ToneId(self.tones);
        let started = self
            .order(tone, &part)
            .map_err(|error| error.to_string())
            .and_then(|order| self.engine.start(order).map_err(|error| error.to_string()));
        match started {
            Ok(()) => {
                self.next += 1;
                self.begun = self.next;
                self.climb = (part.level < goal).then(|| (goal, self.now_s()));
                self.current = Some((tone, part));
            }
            Err(refused) => {
                self.cue = None;
                told.push(Told::Refused(refused));
            }
        }
    }

    fn order(&self, tone: ToneId, part: &Part) -> Result<Order, RecipeError> {
        let rate = self.engine.rate();
        let prepared = part.recipe.prepare(rate)?;
        Ok(Order {
            tone,
            source: prepared.source,
            peak: prepared.peak,
            lowest_hz: prepared.lowest_hz,
            level: part.level,
            length: part.seconds.map(|seconds| rate.frames(seconds)).or(prepared.length),
            limit: prepared.limit,
            outputs: if part.routes.is_empty() { self.outputs } else { outputs(&part.routes) },
        })
    }

    fn take(&mut self, moment: &Moment, told: &mut Vec<Told>) {
        match moment {
            Moment::Started { .. } => {}
            Moment::Finished { tone, frames, cause, stopped, .. } => {
                self.finished(*tone, *frames, (*cause, *stopped), told);
            }
            Moment::Guard(counts) => {
                let now = (counts.not_finite, counts.interventions + counts.clamped);
                let (non_finite, over_ceiling) =
                    (now.0.saturating_sub(self.guarded.0), now.1.saturating_sub(self.guarded.1));
                self.guarded = now;
                if non_finite + over_ceiling > 0 {
                    told.push(Told::Fact(Event::Guarded { non_finite, over_ceiling }));
                }
            }
            Moment::DeviceLost { why } => {
                self.lost = true;
                self.cue = None;
                self.begun = 0;
                told.push(Told::Fact(Event::DeviceLost { why: why.clone() }));
            }
            Moment::DeviceBack { .. } => {
                self.lost = false;
                self.guarded = (0, 0);
                told.push(Told::Fact(Event::DeviceBack));
            }
            Moment::Gap { count } => told.push(Told::Gaps(*count)),
        }
    }

    fn finished(
        &mut self,
        tone: ToneId,
        frames: FrameCount,
        (cause, stopped): (Cause, Option<Stopped>),
        told: &mut Vec<Told>,
    ) {
        let Some((_, part)) = self.current.take_if(|(current, _)| *current == tone) else { return };
        let now_s = self.now_s();
        self.silent_until_s =
            self.silent_until_s.max(now_s + if cause == Cause::Ended { part.gap_s } else { BREATH_S });
        told.push(Told::Fact(Event::Sounded {
            note: part.note,
            recipe: part.recipe,
            level: part.level,
            frames: frames.0,
            ended: ended(cause).into(),
            stop_waited: stopped.map(|stopped| (stopped.fades_from - stopped.asked_at).0),
            routes: part.routes,
        }));
    }
}

/// Routes as the engine knows them: channels counted from 0.
fn outputs(routes: &[Route]) -> Outputs {
    routes.iter().fold(Outputs::NONE, |outputs, route| {
        let channel = route.channel.saturating_sub(1);
        let polarity = if route.inverted { Polarity::Inverted } else { Polarity::Normal };
        // Nothing is ever raised on its way: the tone's own level is the agreed one.
        outputs.and(channel, route.gain.min(GainDb::ZERO), polarity).delayed(channel, route.delay_s)
    })
}

fn ended(cause: Cause) -> &'static str {
    match cause {
        Cause::Ended => "whole",
        Cause::Faded => "faded",
        Cause::Emergency => "stopped",
        Cause::TimeLimit => "time-limit",
        Cause::HeartbeatLost => "nobody-in-charge",
        Cause::Lost => "device-lost",
    }
}
