//! `evenbass play`

use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGTSTP};
use signal_hook::iterator::Signals;

use crate::cli::args::{How, Play, PlayWhat};
use crate::cli::rounds::{ROUND_SECONDS, identify_recipe, sides, steady, wiring_recipe, words};
use crate::cli::routing::{DEVICE_ORDER, channel_words};
use crate::cli::session::SoundPath;
use crate::cli::{Failure, sound};
use crate::engine::{Cause, HIGHEST_CEILING, Moment, Order, ToneId};
use crate::routine::levels::START;
use crate::signal::Recipe;
use crate::signal::channel_check::ROUNDS;
use crate::units::{Dbfs, FrameCount, GainDb, SampleRate};

/// The level climbs at this rate to what was asked for.
const CLIMB_DB_PER_S: f64 = 20.0;
/// The climb is made of steps this long, each a glide of its own.
const STEP: Duration = Duration::from_millis(50);
/// Silence between the lead-in and a signal that a climb would spoil.
const AFTER_LEAD_IN: Duration = Duration::from_millis(500);
const LEAD_IN_HZ: f64 = 50.0;

/// Plays what was asked for.
pub fn run(play: &Play) -> Result<(), Failure> {
    match &play.what {
        PlayWhat::Signal(signal) => one_signal(&signal.recipe()?, signal.how()),
        PlayWhat::Identify { how } => identify(how),
        PlayWhat::Wiring { how } => wiring(how),
    }
}

fn one_signal(recipe: &Recipe, how: &How) -> Result<(), Failure> {
    let level = Dbfs::new(how.dbfs);
    let mut player = Playing::open(how, recipe, level)?;
    if recipe.may_climb() {
        player.start(recipe, START.min(level), None)?;
        player.climb(level)?;
        player.until_over(how.seconds)
    } else {
        player.start(&steady(LEAD_IN_HZ), START.min(level), None)?;
        player.climb(level)?;
        player.fade()?;
        player.pass(AFTER_LEAD_IN)?;
        if player.stopped {
            return Ok(());
        }
        player.start(recipe, level, how.seconds)?;
        player.until_over(None)
    }
}

/// One channel after the other. Each begins at the bottom: nobody knows yet how loud its speaker is.
fn identify(how: &How) -> Result<(), Failure> {
    let (recipe, level) = (identify_recipe(), Dbfs::new(how.dbfs));
    let mut player = Playing::open(how, &recipe, level)?;
    let (there, all) = (player.sound.engine.channels(), player.sound.outputs);
    for channel in all.channels() {
        say!("channel {}", channel_words(DEVICE_ORDER, there, channel));
        player.sound.outputs = all.only(channel);
        player.start(&recipe, START.min(level), None)?;
        player.climb(level)?;
        player.until_over(Some(how.seconds.unwrap_or(ROUND_SECONDS)))?;
        if player.stopped {
            break;
        }
        player.pass(AFTER_LEAD_IN)?;
    }
    Ok(())
}

/// Left and right: the sum first, since none of the others is louder; from one to the next by a cross-fade.
fn wiring(how: &How) -> Result<(), Failure> {
    if !how.routing.channels.is_empty() {
        return Err(Failure::Usage("play wiring: the check is made with L and R; leave --channels out.".into()));
    }
    let recipe = wiring_recipe();
    let level = Dbfs::new(how.dbfs);
    let mut player = Playing::open(how, &recipe, level)?;
    let there = player.sound.engine.channels();
    let mut sounding = false;
    for round in ROUNDS {
        let (sounds, to_be_heard) = words(round.name);
        say!("{sounds}: {to_be_heard}");
        let outputs = sides(round, DEVICE_ORDER, there)?;
        if sounding {
            player.sound.engine.set_outputs(player.tone, outputs)?;
        } else {
            player.sound.outputs = outputs;
            player.start(&recipe, START.min(level), None)?;
            player.climb(level)?;
            sounding = true;
        }
        player.pass(Duration::from_secs_f64(how.seconds.unwrap_or(ROUND_SECONDS)))?;
        if player.stopped {
            return Ok(());
        }
    }
    player.fade()
}

/// A device on which one tone after the other is played.
struct Playing {
    sound: SoundPath,
    moments: Receiver<Moment>,
    interrupted: Signals,
    tone: ToneId,
    level: Dbfs,
    /// The tone has ended.
    is_over: bool,
    /// Somebody pressed Ctrl-C.
    stopped: bool,
}

impl Playing {
    /// What cannot be played is refused before a device is opened, and what the device cannot play before anything
    /// sounds.
    fn open(how: &How, recipe: &Recipe, level: Dbfs) -> Result<Self, Failure> {
        check_seconds(how.seconds)?;
        peak(recipe, SampleRate::HZ_48000, level, how)?;
        let mut sound = sound::routed(how.output.as_deref(), &how.routing)?;
        let peak = peak(recipe, sound.engine.rate(), level, how)?;
        sound.engine.set_ceiling(peak.max(START) + GainDb::new(0.01));
        let moments = sound.moments.take().unwrap_or_else(crossbeam_channel::never);
        let interrupted = Signals::new([SIGINT, SIGTERM, SIGHUP, SIGTSTP])?;
        Ok(Self { sound, moments, interrupted, tone: ToneId(0), level, is_over: true, stopped: false })
    }

    fn start(&mut self, recipe: &Recipe, level: Dbfs, seconds: Option<f64>) -> Result<(), Failure> {
        let rate = self.sound.engine.rate();
        let prepared = recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
        let asked: Option<FrameCount> = seconds.map(|seconds| rate.frames(seconds));
        self.tone = ToneId(self.tone.0 + 1);
        self.level = level;
        self.is_over = false;
        self.sound.engine.start(Order {
            tone: self.tone,
            source: prepared.source,
            peak: prepared.peak,
            lowest_hz: prepared.lowest_hz,
            level,
            length: asked.into_iter().chain(prepared.length).min(),
            limit: prepared.limit,
            outputs: self.sound.outputs,
        })?;
        Ok(())
    }

    /// Up to a level, at no more than [`CLIMB_DB_PER_S`].
    fn climb(&mut self, to: Dbfs) -> Result<(), Failure> {
        let step = GainDb::new(CLIMB_DB_PER_S * STEP.as_secs_f64());
        while self.level < to {
            self.pass(STEP)?;
            if self.is_over {
                return Ok(());
            }
            self.level = (self.level + step).min(to);
            self.sound.engine.set_level(self.tone, self.level)?;
        }
        Ok(())
    }

    fn fade(&mut self) -> Result<(), Failure> {
        self.sound.engine.fade(self.tone);
        self.until_over(None)
    }

    /// Lets time pass, or what is left of the tone, with the engine told that somebody is here.
    fn pass(&mut self, time: Duration) -> Result<(), Failure> {
        let (until, was_over) = (Instant::now() + time, self.is_over);
        while Instant::now() < until {
            if self.turn(until.saturating_duration_since(Instant::now()).min(STEP))? && !was_over {
                return Ok(());
            }
        }
        Ok(())
    }

    /// Until the tone is over, or has sounded at its level for `seconds`.
    fn until_over(&mut self, seconds: Option<f64>) -> Result<(), Failure> {
        if self.is_over {
            return Ok(());
        }
        let fade_at = seconds.map(|seconds| Instant::now() + Duration::from_secs_f64(seconds.clamp(0.0, 86_400.0)));
        loop {
            if fade_at.is_some_and(|at| Instant::now() >= at) {
                self.sound.engine.fade(self.tone);
            }
            if self.turn(STEP)? {
                return Ok(());
            }
        }
    }

    /// One turn; whether the tone is over.
    fn turn(&mut self, wait: Duration) -> Result<bool, Failure> {
        self.sound.engine.beat();
        if self.interrupted.pending().next().is_some() {
            self.sound.engine.fade_all();
            self.stopped = true;
        }
        self.is_over |= match self.moments.recv_timeout(wait) {
            Ok(Moment::DeviceLost { why }) => {
                return Err(anyhow::anyhow!("{why} Plug it in again or restart its server, and play it anew.").into());
            }
            // Why it is lost comes next.
            Ok(Moment::Finished { cause: Cause::Lost, .. }) => false,
            Ok(Moment::Finished { tone, cause, .. }) if tone == self.tone => {
                if cause == Cause::TimeLimit {
                    eprintln!("It had sounded for as long as such a signal may, and faded.");
                }
                true
            }
            Ok(_) | Err(RecvTimeoutError::Timeout) => false,
            Err(RecvTimeoutError::Disconnected) => true,
        };
        Ok(self.is_over)
    }
}

fn check_seconds(seconds: Option<f64>) -> Result<(), Failure> {
    match seconds.filter(|seconds| !(*seconds > 0.0 && *seconds <= 86_400.0)) {
        Some(wrong) => {
            Err(Failure::Usage(format!("--seconds {wrong}: more than nothing and at most a day can be played.")))
        }
        None => Ok(()),
    }
}

/// The highest peak at any channel.
fn peak(recipe: &Recipe, rate: SampleRate, level: Dbfs, how: &How) -> Result<Dbfs, Failure> {
    let prepared = recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let over = GainDb::new(20.0 * libm::log10(prepared.peak.max(1.0))) + how.routing.highest_gain();
    let peak = level + over;
    if !level.dbfs().is_finite() || peak.dbfs() > HIGHEST_CEILING.dbfs() {
        return Err(Failure::Usage(format!(
            "--dbfs {}: this signal would peak at {peak}; nothing is played above {HIGHEST_CEILING}. Ask for {:.1} \
             dBFS or less, and turn the amplifier up.",
            how.dbfs,
            (HIGHEST_CEILING - over).dbfs()
        )));
    }
    Ok(peak)
}
