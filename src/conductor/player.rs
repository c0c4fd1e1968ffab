//! Plays cues on the engine: one tone after the other, with the gaps between them.

use std::time::Instant;

use crossbeam_channel::Receiver;

use crate::engine::{Cause, Engine, Moment, Order, Outputs, Polarity, Stopped, ToneId};
use crate::routine::effect::{CLIMB_DB_PER_S, Route};
use crate::routine::{Cue, Event, Part};
use crate::signal::RecipeError;
use crate::units::{Dbfs, FrameCount, GainDb};

/// The offline engine is asked for this much at a time.
const FAST_STEP: FrameCount = FrameCount(480);
/// Silence between a tone that was cut short and the next one.
const BREATH_S: f64 = 0.15;
/// A climb is made of glides to levels this far apart in time.
const CLIMB_STEP_S: f64 = 0.1;

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

    /// Glides what sounds to another level; a climb ends with it.
    pub fn glide(&mut self, level: Dbfs, told: &mut Vec<Told>) {
        let level = match self.climb.take() {
            // What has not climbed yet climbs no further, and certainly does not jump.
            Some(_) => self.current.as_ref().map_or(level, |(_, part)| level.min(part.level)),
            None => level,
        };
        self.bring_to(level, told);
    }

    fn bring_to(&mut self, level: Dbfs, told: &mut Vec<Told>) {
        if let Some((tone, part)) = &mut self.current {
            match self.engine.set_level(*tone, level) {
                Ok(()) => part.level = level,
                Err(refused) => told.push(Told::Refused(refused.to_string())),
            }
        }
        // A tone that has not begun yet begins at the new level.
        if let Some(part) = self.cue.as_mut().and_then(|cue| cue.parts.get_mut(self.next)) {
            part.level = level;
        }
    }

    /// Goes on with what sounds at the levels of `cue`, which has the same tones; plays it if nothing is left to sound.
    pub fn nudge(&mut self, cue: Cue, told: &mut Vec<Told>) {
        let going_on = self.is_playing() && self.cue.as_ref().is_some_and(|now| now.parts.len() == cue.parts.len());
        if !going_on {
            return self.play(cue);
        }
        let now = self.next.checked_sub(1).and_then(|now| cue.parts.get(now));
        if let (Some((tone, part)), Some(wanted)) = (&mut self.current, now)
            && part.level != wanted.level
        {
            match self.engine.set_level(*tone, wanted.level) {
                Ok(()) => part.level = wanted.level,
                Err(refused) => told.push(Told::Refused(refused.to_string())),
            }
        }
        self.cue = Some(cue);
    }

    /// Lowers what sounds and every part of the cue that is still to come, each from its own level.
    pub fn lower(&mut self, by: GainDb, told: &mut Vec<Told>) {
        if let Some((tone, part)) = &mut self.current {
            match self.engine.set_level(*tone, part.level - by) {
                Ok(()) => part.level = part.level - by,
                Err(refused) => told.push(Told::Refused(refused.to_string())),
            }
        }
        if let Some(cue) = &mut self.cue {
            for part in cue.parts.iter_mut().skip(self.next) {
                part.level = part.level - by;
            }
        }
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

    /// The next step of a climb, when its time has come. One that comes late is no larger for it.
    fn climb_on(&mut self, told: &mut Vec<Told>) {
        let now_s = self.now_s();
        let (Some((goal, last_s)), Some((tone, part))) = (self.climb, &mut self.current) else { return };
        if now_s - last_s < CLIMB_STEP_S {
            return;
        }
        let level = (part.level + GainDb::new(CLIMB_DB_PER_S * CLIMB_STEP_S)).min(goal);
        match self.engine.set_level(*tone, level) {
            Ok(()) => part.level = level,
            Err(refused) => told.push(Told::Refused(refused.to_string())),
        }
        self.climb = (level < goal).then_some((goal, now_s));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::OfflineSink;
    use crate::units::SampleRate;

    fn player() -> Player {
        let mut engine = Engine::offline(SampleRate::HZ_48000, 1, OfflineSink::nothing());
        engine.set_ceiling(Dbfs::new(-10.0));
        Player::new(engine, Outputs::all(&[0]), None)
    }

    fn cue(levels: &[f64]) -> Cue {
        let part = |&level: &f64| Part {
            recipe: crate::signal::Recipe::Pure(crate::signal::pure::Pure { frequency_hz: 20.0 }),
            level: Dbfs::new(level),
            seconds: Some(0.5),
            gap_s: 0.05,
            note: None,
            label: String::new(),
            routes: Vec::new(),
            climbs_from: None,
        };
        Cue { parts: levels.iter().map(part).collect(), question_at: 0 }
    }

    fn sounded(told: &[Told]) -> Vec<(f64, u64, String)> {
        let one = |told: &Told| match told {
            Told::Fact(Event::Sounded { level, frames, ended, .. }) => Some((level.dbfs(), *frames, ended.clone())),
            _ => None,
        };
        told.iter().filter_map(one).collect()
    }

    #[test]
    fn quieter_lowers_what_is_still_to_come_from_its_own_level() {
        let (mut player, mut told) = (player(), Vec::new());
        player.play(cue(&[-20.0, -26.0, -23.0]));
        player.render_for(0.2, &mut told);
        player.lower(GainDb::new(1.0), &mut told);
        player.render_until(&mut told, |_| false);
        let levels: Vec<f64> = sounded(&told).iter().map(|tone| tone.0).collect();
        assert_eq!(levels, [-21.0, -27.0, -24.0]);
    }

    #[test]
    fn an_emergency_overtakes_a_fade() {
        let lengths: Vec<(u64, String)> = [false, true]
            .map(|emergency| {
                let (mut player, mut told) = (player(), Vec::new());
                player.play(cue(&[-20.0]));
                player.render_for(0.2, &mut told);
                player.hush();
                if emergency {
                    player.emergency_stop();
                }
                player.render_until(&mut told, |player| player.sounding().is_none());
                let [(_, frames, ended)] = sounded(&told).try_into().unwrap();
                (frames, ended)
            })
            .into();
        assert_eq!((lengths[0].1.as_str(), lengths[1].1.as_str()), ("faded", "stopped"));
        // 50 ms, and a chunk of 64 frames at most until the audio thread looks.
        assert!(lengths[1].0 <= lengths[0].0 && lengths[1].0 <= 9600 + 480 + 2400 + 64, "{lengths:?}");
    }
}
