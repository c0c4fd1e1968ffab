//! The blend as part of a visit: from what is connected to a system that is signed off.
//!
//! A routine's steps are gone through in order; those whose conditions do not hold never appear. What a step looks for is a
//! [`search`]; turning knobs, listening and the order of both are the same for all of them, and live here.

mod check;
mod kit;
mod question;
pub mod record;
pub mod scene;
pub mod search;
pub mod setup;
#[cfg(test)]
mod tests;
mod tones;
mod tuning;

use serde::{Deserialize, Serialize};

use crate::blend::compare::Choice;
use crate::blend::trace::{Trace, traces};
use crate::blend::tune::{Next, Tuner};
use crate::blend::wiring::{Middle, Side, Wiring};
use crate::blend::{Connection, Control, Device, Role, Scale, System, Unit};
use crate::evidence::Rating;
use crate::presets::BlendRoutine;
use crate::presets::routine::{BlendStep, Condition, ControlName, StepKind, Target};
use crate::random::Random;
use crate::routine::question::Answer;
use crate::routine::stage::Outcome;
use crate::routine::{Refusal, Stage, State};
use crate::units::GainDb;
use check::Run;
pub use kit::KitStep;
pub use record::{Decision, NoteHeard, Previous, SeatHeard};
use search::{Search, Want, translated};
pub use setup::{Own, Setup};
use tuning::{At, Tuning};

/// Sets the draws of the blend apart from all others.
const BLEND: u64 = 0x62_6c_65_6e;
/// A drift smaller than this share of a control's range is a hand's breadth and no drift.
const DRIFT_SHARE: f64 = 0.02;

/// What a blend starts from: part of the first line of a visit file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlendBrief {
    /// The system, if it came from a file; otherwise it is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub system: Option<System>,
    /// Routines to choose from: the first that fits the connection.
    pub routines: Vec<BlendRoutine>,
    /// The subwoofer stands where it stays: the blend is all there is to do.
    #[serde(default)]
    pub placed: bool,
    /// An earlier visit whose settings are looked at again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recheck: Option<Previous>,
}

/// Everything that a blend knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Blend {
    system: System,
    steps: Vec<BlendStep>,
    /// Which step is up.
    step: usize,
    pub(super) doing: Doing,
    stands: Setup,
    /// Where each control stood before anybody touched it.
    before: Vec<Option<f64>>,
    decisions: Vec<Decision>,
    wiring: Option<Wiring>,
    /// By how much the next tone has to climb, because a knob was turned up.
    climb: GainDb,
    notes: Vec<NoteHeard>,
    traces: Vec<Trace>,
    seats: Vec<SeatHeard>,
    heard_by: Option<String>,
    /// What was found on the subwoofer's own channel and no control could take up.
    left: Option<Own>,
    drifts: Vec<String>,
    answers: usize,
    rated: usize,
    /// From the first answer to the last, visit time.
    from_to_s: Option<(f64, f64)>,
}

/// What is being done.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Doing {
    /// Something about the system is asked.
    Kit(KitStep),
    /// The main speakers are switched on again.
    Mains,
    /// A round of the connection check.
    Connection(Round),
    /// What the connection check found.
    Wired,
    /// Something to know.
    Say,
    /// What a control shows now, and then it is put to a value.
    Before { control: usize, to: Target },
    /// A search: its knobs are turned, or it is listened to.
    Seek {
        /// What is looked for.
        search: Search,
        /// What the search is at.
        hand: Hand,
        /// The first of two was heard already, and the second is being set.
        first_heard: bool,
    },
    /// Bands are rated at a few settings.
    Tune(Box<Tuning>),
    /// Knobs are turned to where they belong; then the next step.
    Adjust(Setup),
    /// What a control that was written down shows today.
    Recheck(usize),
    /// Notes across the crossover.
    Check(Run),
    /// What they say.
    Checked,
    /// The notes at a seat.
    Verify(usize),
    /// Who heard it.
    Sign,
    /// Nothing more.
    Over,
}

/// What a search is at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Hand {
    /// A control is being turned to a value.
    Turn(usize, f64),
    /// The first of two is listened to.
    First,
    /// The question is open.
    Listen,
}

/// A round of the connection check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Round {
    /// Where the left channel comes from.
    Left,
    /// Where the right channel comes from.
    Right,
    /// Sum and difference.
    Middle,
    /// Whether the subwoofer sounds with a channel: left, right, its own.
    Subwoofer(usize),
}

/// What an answer leads to, seen from the visit.
pub(super) enum Flow {
    /// On with the blend.
    On,
    /// The level is found first, with the channels that sound from now on.
    Comfort,
    /// The blend is over.
    Over,
}

impl Blend {
    /// A blend at its beginning.
    pub fn new(brief: &BlendBrief, name: &str) -> Self {
        let system = brief.system.clone().unwrap_or_else(|| kit::blank(name));
        let mut blend = Self {
            steps: Vec::new(),
            step: 0,
            doing: if brief.system.is_some() { Doing::Mains } else { Doing::Kit(KitStep::FIRST) },
            stands: Setup::default(),
            before: Vec::new(),
            decisions: Vec::new(),
            wiring: None,
            climb: GainDb::ZERO,
            notes: Vec::new(),
            traces: Vec::new(),
            seats: Vec::new(),
            heard_by: None,
            left: None,
            drifts: Vec::new(),
            answers: 0,
            rated: 0,
            from_to_s: None,
            system,
        };
        if brief.system.is_some() {
            blend.know_system(brief);
        }
        blend
    }

    /// The system is known: its controls stand where they were said to, and the steps are those of its routine.
    fn know_system(&mut self, brief: &BlendBrief) {
        let values: Vec<Option<f64>> = self.system.controls.iter().map(|control| control.now).collect();
        self.before.clone_from(&values);
        self.stands = Setup { values, own: Own::default() };
        let fits = |routine: &&BlendRoutine| routine.fits.contains(&self.system.connection);
        let routine = brief.routines.iter().find(fits).or_else(|| brief.routines.first());
        self.steps = match (&brief.recheck, routine) {
            (Some(_), _) => [StepKind::Connection, StepKind::Check, StepKind::Verify]
                .map(|what| BlendStep { what, control: None, when: Vec::new(), why: String::new() })
                .into(),
            (None, Some(routine)) => routine.steps.clone(),
            (None, None) => Vec::new(),
        };
    }

    /// The system as far as it is known.
    pub fn system(&self) -> &System {
        &self.system
    }

    /// Where everything stands.
    pub fn stands(&self) -> &Setup {
        &self.stands
    }

    /// Where every control stood before anybody touched it.
    pub fn before(&self) -> &[Option<f64>] {
        &self.before
    }

    /// What was decided, in order.
    pub fn decisions(&self) -> &[Decision] {
        &self.decisions
    }

    /// What the connection check heard.
    pub fn wiring(&self) -> Option<&Wiring> {
        self.wiring.as_ref()
    }

    /// The notes across the crossover as they were heard last.
    pub fn notes(&self) -> &[NoteHeard] {
        &self.notes
    }

    /// What stands out in them.
    pub fn traces(&self) -> &[Trace] {
        &self.traces
    }

    /// What was heard at the seats.
    pub fn seats(&self) -> &[SeatHeard] {
        &self.seats
    }

    /// Who heard it.
    pub fn heard_by(&self) -> Option<&str> {
        self.heard_by.as_deref()
    }

    /// What nothing could take up.
    pub fn left(&self) -> Option<Own> {
        self.left
    }

    /// What has drifted since the earlier visit, in words.
    pub fn drifts(&self) -> &[String] {
        &self.drifts
    }

    /// Answers that count.
    pub fn answers(&self) -> usize {
        self.answers
    }

    /// Of these, notes that were rated or metered.
    pub fn rated(&self) -> usize {
        self.rated
    }

    /// From the first answer to the last, seconds of the visit's own time.
    pub fn seconds(&self) -> f64 {
        self.from_to_s.map_or(0.0, |(from_s, to_s)| to_s - from_s)
    }

    /// Whether anything was set that could drift.
    pub fn has_settings(&self) -> bool {
        self.stands.values.iter().any(Option::is_some)
    }

    /// The system with every control as it stands now.
    pub fn as_left(&self) -> System {
        let mut system = self.system.clone();
        for (control, value) in system.controls.iter_mut().zip(&self.stands.values) {
            control.now = *value;
        }
        system
    }

    /// Where main speakers and subwoofer meet, Hz: a processor divides between them by its own setting; main speakers that play on
    /// downwards end where they are rated to.
    pub fn crossover_hz(&self) -> f64 {
        let divides = |role: Role| {
            let (at, control) = self.system.control(role, Device::Processor)?;
            (control.unit == Unit::Hertz).then(|| self.stands.values.get(at).copied().flatten()).flatten()
        };
        let by_processor = match self.system.connection {
            Connection::Lfe => divides(Role::Crossover).or_else(|| divides(Role::LowPass)),
            Connection::Line | Connection::Both => None,
        };
        by_processor.unwrap_or(self.system.mains.rated_low_hz).clamp(35.0, 200.0)
    }

    fn control(&self, name: ControlName) -> Option<(usize, &Control)> {
        match name.on {
            Some(on) => self.system.control(name.role, on),
            None => self.system.any(name.role),
        }
    }

    fn holds(&self, condition: Condition) -> bool {
        let from_mains = self.wiring.as_ref().and_then(Wiring::bass_from_two_channel);
        match condition {
            Condition::Line => self.system.connection.has_line(),
            Condition::Lfe => self.system.connection.has_lfe(),
            Condition::TwoChannel => self.system.two_channel,
            Condition::Film => !self.system.two_channel,
            Condition::Wireless => self.system.wireless,
            Condition::OwnChannel => self.system.channels.subwoofer.is_some(),
            Condition::NoOwnChannel => self.system.channels.subwoofer.is_none(),
            Condition::WithoutPhase => self.system.any(Role::Phase).is_none(),
            Condition::SmallMains => self.system.has_small_mains(),
            Condition::LargeMains => !self.system.has_small_mains(),
            Condition::BassFromTwoChannel => from_mains == Some(true),
            Condition::NoBassFromTwoChannel => from_mains != Some(true),
        }
    }

    /// Goes to the first step from `from` on that has something to do.
    fn go_to_step(&mut self, from: usize, seed: u64) {
        self.step = from;
        while let Some(step) = self.steps.get(self.step).cloned() {
            if step.when.iter().all(|&condition| self.holds(condition))
                && let Some(doing) = self.begun(&step, seed)
            {
                self.doing = doing;
                self.settle();
                return;
            }
            self.step += 1;
        }
        self.doing = Doing::Over;
    }

    /// What a step begins with; `None` if it has nothing to do here.
    fn begun(&mut self, step: &BlendStep, seed: u64) -> Option<Doing> {
        let control = match step.control {
            Some(name) => Some(self.control(name)?.0),
            None => None,
        };
        let seed = seed ^ Random::new(seed, BLEND + self.step as u64).below(1 << 30) as u64;
        let seek = |search| Doing::Seek { search, hand: Hand::Listen, first_heard: false };
        match (&step.what, control) {
            (StepKind::Connection, _) => {
                self.wiring = Some(Wiring::default());
                Some(Doing::Connection(Round::Left))
            }
            (StepKind::Set(target), Some(at)) => self.set_to(at, *target),
            (StepKind::Film(_), Some(_)) | (StepKind::Say(_), _) => Some(Doing::Say),
            (StepKind::Bracket | StepKind::Match, Some(at)) => {
                Search::bracket(&self.system, &self.stands, at).map(seek)
            }
            (StepKind::Tree(pairs), Some(at)) => Search::tree(&self.system, &self.stands, at, pairs, seed).map(seek),
            (StepKind::Narrow, Some(at)) => Search::narrow(&self.system, &self.stands, at, seed).map(seek),
            (StepKind::Sweep, _) if self.system.channels.subwoofer.is_some() => {
                Some(seek(Search::scan(&self.stands, self.crossover_hz(), seed)))
            }
            (StepKind::Tune, _) => Tuning::begin(&self.system, &self.stands, self.crossover_hz(), seed)
                .map(|tuning| Doing::Tune(Box::new(tuning))),
            (StepKind::Check, _) => Some(Doing::Check(Run::new(self.crossover_hz()))),
            (StepKind::Verify, _) => {
                self.seats.clear();
                Some(Doing::Verify(0))
            }
            _ => None,
        }
    }

    fn set_to(&mut self, at: usize, target: Target) -> Option<Doing> {
        let control = self.system.controls.get(at)?;
        match (self.stands.values[at], self.target_value(control, target)) {
            (None, _) => Some(Doing::Before { control: at, to: target }),
            (Some(stands), Some(value)) if (stands - value).abs() < 1e-9 => {
                self.decide(at, value, "it stood there already", "");
                None
            }
            (Some(_), Some(value)) => {
                self.decide(at, value, "start value", "common practice");
                Some(Doing::Adjust(self.stands.with(at, value)))
            }
            (Some(_), None) => None,
        }
    }

    /// The value that a target means for a control; a file's own start value comes first.
    fn target_value(&self, control: &Control, target: Target) -> Option<f64> {
        let (low, high) = control.ends();
        let at = self.system.controls.iter().position(|other| other == control)?;
        let value = match (control.start, target) {
            (Some(start), _) => start,
            (None, Target::Value(value)) => value,
            (None, Target::OfTravel(share)) if control.is_ratio() => low * (high / low).powf(share),
            (None, Target::OfTravel(share)) => low + share * (high - low),
            (None, Target::OfMainsLow(share)) if control.unit == Unit::Hertz => share * self.system.mains.rated_low_hz,
            // A knob without figures: a quarter of its travel is low enough to be raised from.
            (None, Target::OfMainsLow(_)) => low + 0.25 * (high - low),
            (None, Target::Latency) => control.later_by(self.stands.values[at]?, -self.system.allowed_latency_s())?,
        };
        Some(control.nearest(value))
    }

    fn decide(&mut self, control: usize, value: f64, how: &str, sure: &str) {
        let decision = Decision {
            control,
            value,
            before: self.before.get(control).copied().flatten(),
            why: self.steps.get(self.step).map(|step| step.why.clone()).unwrap_or_default(),
            how: how.into(),
            sure: sure.into(),
            answers: 0,
        };
        self.decisions.retain(|other| other.control != control);
        self.decisions.push(decision);
    }

    /// Brings the hand to where it has to be next: turning, listening, or on to where everything belongs.
    fn settle(&mut self) {
        let Doing::Seek { search, hand, first_heard } = &mut self.doing else { return };
        let stands = &self.stands;
        let set = |goal: &Setup| stands.first_turn(goal).map(|(control, to)| Hand::Turn(control, to));
        match search.want() {
            Some(Want::Hear(setup)) => *hand = set(&setup).unwrap_or(Hand::Listen),
            Some(Want::Prefer([first, second])) => {
                // Without a knob between them both are heard in one go.
                let in_one_go = first.values == second.values;
                *hand = match (in_one_go, *first_heard) {
                    (true, _) => set(&first).unwrap_or(Hand::Listen),
                    (false, false) => set(&first).unwrap_or(Hand::First),
                    (false, true) => set(&second).unwrap_or(Hand::Listen),
                };
            }
            Some(Want::Fullest(_)) => *hand = Hand::Listen,
            None => {
                if let Some(found) = search.found(&self.system) {
                    self.keep(&found);
                }
            }
        }
    }

    /// What a search has found goes into the controls.
    fn keep(&mut self, found: &search::Found) {
        let crossover_hz = self.crossover_hz();
        let goal = if found.setup.own == self.stands.own {
            found.setup.clone()
        } else {
            let (into, left) = translated(&self.system, &found.setup, crossover_hz);
            let remains = left.inverted || left.later_s.abs() > 0.5e-3;
            self.left = remains.then_some(left);
            into
        };
        let sought = self.steps.get(self.step).and_then(|step| step.control).and_then(|name| self.control(name));
        let sought = sought.map(|(at, _)| at);
        for at in 0..goal.values.len() {
            let changed = goal.values[at] != self.stands.values[at];
            if let (true, Some(value)) = (changed || sought == Some(at), goal.values[at]) {
                self.decide(at, value, &found.how, &found.sure);
                if let Some(decision) = self.decisions.last_mut() {
                    decision.answers = found.answers;
                }
            }
        }
        self.stands.own = goal.own;
        self.doing = Doing::Adjust(goal);
    }

    /// A hand has turned a control: where it stands now, and by how much the tone has to climb for it.
    fn turned(&mut self, control: usize, to: f64) {
        let from = self.stands.values.get(control).copied().flatten();
        self.climb = self.climb.max(self.climb_after(control, from, to));
        self.stands = self.stands.with(control, to);
    }

    /// What a turn can have added, at most: nothing for a loudness control that was turned down.
    fn climb_after(&self, control: usize, from: Option<f64>, to: f64) -> GainDb {
        let Some(of) = self.system.controls.get(control) else { return GainDb::ZERO };
        let from = from.unwrap_or(of.ends().0);
        if of.role.is_loudness() && to <= from { GainDb::ZERO } else { GainDb::new(of.can_still_add_db(from)) }
    }

    fn finish_step(&mut self, seed: u64) {
        let next = self.step + 1;
        self.go_to_step(next, seed);
        self.unless_there(seed);
    }

    /// Takes an answer.
    pub(super) fn answer(&mut self, answer: &Answer, brief: &BlendBrief, at: &Here<'_>) -> Result<Flow, Refusal> {
        let seed = at.seed;
        // Whatever has sounded has climbed.
        if !matches!(
            self.doing,
            Doing::Adjust(_) | Doing::Seek { hand: Hand::Turn(..), .. } | Doing::Before { .. } | Doing::Say
        ) {
            self.climb = GainDb::ZERO;
        }
        match (self.doing.clone(), answer) {
            (Doing::Kit(step), answer) => match step.answer(&mut self.system, answer)? {
                Some(next) => self.doing = Doing::Kit(next),
                None => {
                    self.know_system(brief);
                    self.doing = Doing::Mains;
                }
            },
            (Doing::Mains, Answer::Yes) => {
                if brief.recheck.is_some() && !self.system.controls.is_empty() {
                    self.doing = Doing::Recheck(0);
                    return Ok(Flow::On);
                }
                self.go_to_step(0, seed);
                self.count(answer, at.now_s);
                return Ok(Flow::Comfort);
            }
            (Doing::Recheck(control), answer) => {
                let shows = self.shown(control, answer)?;
                self.compare_with_before(control, shows);
                if control + 1 < self.system.controls.len() {
                    self.doing = Doing::Recheck(control + 1);
                } else {
                    self.go_to_step(0, seed);
                    return Ok(Flow::Comfort);
                }
            }
            (Doing::Connection(round), answer) => self.wired(round, answer, seed)?,
            (Doing::Wired, Answer::Yes | Answer::No) => {
                let faults = self.faults();
                // With a fault, yes means that it has been put right and is heard again.
                if !faults.is_empty() && *answer == Answer::Yes {
                    self.wiring = Some(Wiring::default());
                    self.doing = Doing::Connection(Round::Left);
                } else {
                    self.finish_step(seed);
                }
            }
            (Doing::Say, Answer::Yes | Answer::No) => self.finish_step(seed),
            (Doing::Before { control, to }, answer) => {
                let shown = self.shown(control, answer)?;
                self.before[control] = Some(shown);
                self.stands = self.stands.with(control, shown);
                let value = self.target_value(&self.system.controls[control].clone(), to).unwrap_or(shown);
                // It was put there by the same question, unless where it goes depends on what it showed.
                self.decide(control, value, "start value", "common practice");
                if to == Target::Latency {
                    self.doing = Doing::Adjust(self.stands.with(control, value));
                    self.unless_there(seed);
                } else {
                    self.turned(control, value);
                    self.finish_step(seed);
                }
            }
            (Doing::Adjust(goal), Answer::Yes) => {
                if let Some((control, to)) = self.stands.first_turn(&goal) {
                    self.turned(control, to);
                }
                self.unless_there(seed);
            }
            (Doing::Seek { search, hand, first_heard }, answer) => {
                self.sought(search, hand, first_heard, answer, seed)?;
            }
            (Doing::Tune(tuning), answer) => self.tuned(*tuning, answer, seed)?,
            (Doing::Check(run), answer) => self.noted(run, answer)?,
            (Doing::Checked, &Answer::Choice(option)) => self.after_check(option, seed),
            (Doing::Verify(seat), Answer::Yes | Answer::No) => {
                self.seats.push(SeatHeard { seat, even: *answer == Answer::Yes });
                self.doing = if seat + 1 < at.seats { Doing::Verify(seat + 1) } else { Doing::Sign };
            }
            (Doing::Sign, Answer::Text(name)) => {
                let name = name.trim();
                self.heard_by = (name != question::NOT_NAMED).then(|| name.to_owned());
                self.finish_step(seed);
            }
            _ => return Err(Refusal::WrongKind),
        }
        self.count(answer, at.now_s);
        Ok(if self.doing == Doing::Over { Flow::Over } else { Flow::On })
    }

    fn count(&mut self, answer: &Answer, now_s: f64) {
        self.answers += 1;
        self.rated += usize::from(matches!(answer, Answer::Rating(_) | Answer::Level(_)));
        self.from_to_s = Some((self.from_to_s.map_or(now_s, |(from_s, _)| from_s), now_s));
    }

    /// An answer to 'what does it show': a number on the scale, or a position.
    fn shown(&self, control: usize, answer: &Answer) -> Result<f64, Refusal> {
        let of = self.system.controls.get(control).ok_or(Refusal::WrongKind)?;
        match (&of.scale, answer) {
            (Scale::Range { .. }, &Answer::Number(value)) => Ok(value),
            (Scale::Positions(positions), &Answer::Choice(at)) => positions.get(at).copied().ok_or(Refusal::WrongKind),
            _ => Err(Refusal::WrongKind),
        }
    }

    fn compare_with_before(&mut self, control: usize, shows: f64) {
        let of = &self.system.controls[control];
        let (low, high) = of.ends();
        if let Some(was) = self.before[control]
            && (shows - was).abs() > DRIFT_SHARE * (high - low)
        {
            self.drifts.push(format!("{} stood at {} and shows {} now.", of.label(), of.say(was), of.say(shows)));
        }
        self.stands = self.stands.with(control, shows);
        self.decide(control, shows, "as found at the re-check", "");
    }

    fn wired(&mut self, round: Round, answer: &Answer, seed: u64) -> Result<(), Refusal> {
        let wiring = self.wiring.get_or_insert_default();
        match (round, answer) {
            (Round::Left, &Answer::Choice(at)) => wiring.left = Side::ALL.get(at).copied(),
            (Round::Right, &Answer::Choice(at)) => wiring.right = Side::ALL.get(at).copied(),
            (Round::Middle, &Answer::Choice(at)) => {
                let same_first = same_comes_first(seed);
                wiring.middle = Some(match at {
                    2.. => Middle::Unclear,
                    0 if same_first => Middle::Same,
                    1 if !same_first => Middle::Same,
                    _ => Middle::Opposite,
                });
            }
            (Round::Subwoofer(channel), Answer::Yes | Answer::No) => {
                let sounds = Some(*answer == Answer::Yes);
                match channel {
                    0 => wiring.subwoofer_from_left = sounds,
                    1 => wiring.subwoofer_from_right = sounds,
                    _ => wiring.subwoofer_from_own = sounds,
                }
            }
            _ => return Err(Refusal::WrongKind),
        }
        self.doing = match round {
            Round::Left => Doing::Connection(Round::Right),
            Round::Right => Doing::Connection(Round::Middle),
            Round::Middle => Doing::Connection(Round::Subwoofer(0)),
            Round::Subwoofer(0) => Doing::Connection(Round::Subwoofer(1)),
            Round::Subwoofer(1) if self.system.channels.subwoofer.is_some() => Doing::Connection(Round::Subwoofer(2)),
            Round::Subwoofer(_) => Doing::Wired,
        };
        Ok(())
    }

    fn faults(&self) -> Vec<crate::blend::wiring::Fault> {
        self.wiring.as_ref().map(|wiring| wiring.faults(self.system.connection)).unwrap_or_default()
    }

    fn sought(
        &mut self,
        mut search: Search,
        hand: Hand,
        first_heard: bool,
        answer: &Answer,
        seed: u64,
    ) -> Result<(), Refusal> {
        let first_heard = match (hand, search.want(), answer) {
            (Hand::Turn(control, to), _, Answer::Yes) => {
                self.turned(control, to);
                first_heard
            }
            (Hand::First, _, Answer::Yes) => true,
            (Hand::Listen, Some(Want::Hear(_)), Answer::Yes | Answer::No) => {
                search.heard(*answer == Answer::Yes);
                false
            }
            (Hand::Listen, Some(Want::Prefer(_)), &Answer::Choice(at)) => {
                search.preferred([Choice::First, Choice::Second, Choice::Neither][at.min(2)]);
                false
            }
            (Hand::Listen, Some(Want::Fullest(_)), &Answer::Number(number)) => {
                if number.fract() != 0.0 {
                    return Err(Refusal::Because("The steps are counted: type a whole number.".into()));
                }
                search.fullest((number as usize).saturating_sub(1));
                false
            }
            _ => return Err(Refusal::WrongKind),
        };
        self.doing = Doing::Seek { search, hand: Hand::Listen, first_heard };
        self.settle();
        self.unless_there(seed);
        Ok(())
    }

    /// Where everything stands where it belongs already, nothing has to be turned: the next step.
    fn unless_there(&mut self, seed: u64) {
        if let Doing::Adjust(goal) = &self.doing
            && self.stands.first_turn(goal).is_none()
        {
            self.finish_step(seed);
        }
    }

    fn tuned(&mut self, mut tuning: Tuning, answer: &Answer, seed: u64) -> Result<(), Refusal> {
        match (tuning.at(&self.stands), answer) {
            (At::Turn(control, to), Answer::Yes) => self.turned(control, to),
            (At::Turn(..) | At::Thinking, _) => return Err(Refusal::WrongKind),
            (at, answer) => tuning.answer(at, answer)?,
        }
        self.doing = Doing::Tune(Box::new(tuning));
        self.keep_tuned(seed);
        Ok(())
    }

    /// What has to be thought out before anything can be asked.
    pub(super) fn to_think(&self) -> Option<&Tuner> {
        match &self.doing {
            Doing::Tune(tuning) => tuning.to_think(),
            _ => None,
        }
    }

    /// Takes what was thought out.
    pub(super) fn thought(&mut self, passes: usize, next: &Next, seed: u64) -> Outcome {
        let Doing::Tune(tuning) = &mut self.doing else {
            return Err(Refusal::Because("Nobody asked what to hear next.".into()));
        };
        tuning.thought(passes, next)?;
        self.keep_tuned(seed);
        Ok(())
    }

    /// What a tuning keeps goes into the controls.
    fn keep_tuned(&mut self, seed: u64) {
        let Doing::Tune(tuning) = &self.doing else { return };
        let Some(outcome) = tuning.kept().cloned() else { return };
        let how = format!("bands across the crossover rated at {} settings; the flattest kept", tuning.passes());
        let answers = tuning.answers();
        let sure = tuning::sure(&outcome);
        for (at, &value) in outcome.setting.iter().enumerate() {
            if self.system.controls[at].role != Role::Contour {
                self.decide(at, value, &how, &sure);
                if let Some(decision) = self.decisions.last_mut() {
                    decision.answers = answers;
                }
            }
        }
        let values = outcome.setting.iter().map(|&value| Some(value)).collect();
        self.doing = Doing::Adjust(Setup { values, own: self.stands.own });
        self.unless_there(seed);
    }

    fn noted(&mut self, mut run: Run, answer: &Answer) -> Result<(), Refusal> {
        let heard = match *answer {
            Answer::Rating(rating) => NoteHeard { frequency_hz: run.note_hz(), rating: Some(rating), level_db: None },
            Answer::Level(level_db) => {
                NoteHeard { frequency_hz: run.note_hz(), rating: None, level_db: Some(level_db) }
            }
            _ => return Err(Refusal::WrongKind),
        };
        if run.is_first() {
            self.notes.clear();
        }
        self.notes.push(heard);
        self.notes.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        self.doing = if run.go_on() {
            Doing::Check(run)
        } else {
            let levels: Vec<(f64, f64)> = self.notes.iter().map(|note| (note.frequency_hz, note.db())).collect();
            self.traces = traces(self.crossover_hz(), &levels);
            Doing::Checked
        };
        Ok(())
    }

    /// Goes on, hears the notes again, or goes back to the step that the likely cause asks for.
    fn after_check(&mut self, option: usize, seed: u64) {
        let again = self.steps_to_try();
        match (option, option.checked_sub(1).and_then(|at| again.get(at))) {
            (0, _) => self.finish_step(seed),
            (_, Some(&(step, _))) => self.go_to_step(step, seed),
            _ => {
                let step = self.step;
                self.go_to_step(step, seed);
            }
        }
        self.unless_there(seed);
    }

    /// The steps that the likely causes ask for, with the control's name, the likeliest first.
    fn steps_to_try(&self) -> Vec<(usize, String)> {
        use crate::blend::trace::Cause;
        let mut found: Vec<(usize, String)> = Vec::new();
        for trace in &self.traces {
            let roles: &[Role] = match trace.cause {
                Cause::Polarity | Cause::Delay => &[Role::Phase, Role::Polarity],
                Cause::Overlap | Cause::Gap => &[Role::LowPass, Role::Crossover],
                Cause::TooLoud | Cause::TooSoft => &[Role::Level],
                Cause::Room => &[],
            };
            let fits = |step: &BlendStep| {
                let seeks = matches!(step.what, StepKind::Bracket | StepKind::Match | StepKind::Tree(_));
                let about = step.control.filter(|name| roles.contains(&name.role)).and_then(|name| self.control(name));
                let holds = step.when.iter().all(|&condition| self.holds(condition));
                (seeks && holds).then_some(about).flatten().map(|(_, control)| control.label())
            };
            let step = self.steps.iter().enumerate().find_map(|(at, step)| Some((at, fits(step)?)));
            if let Some(step) = step.filter(|step| !found.contains(step)) {
                found.push(step);
            }
        }
        found
    }
}

/// Whether the sum comes before the difference, drawn from the seed.
fn same_comes_first(seed: u64) -> bool {
    Random::new(seed, BLEND).uniform() < 0.5
}

/// What a blend needs to know of the visit around it.
#[derive(Debug, Clone, Copy)]
pub(in crate::routine) struct Here<'a> {
    /// Seeds draws and noises.
    pub seed: u64,
    /// How many seats there are.
    pub seats: usize,
    /// Their names.
    pub seat_names: &'a [crate::room::Place],
    /// The seat that everything is set for.
    pub seat: usize,
    /// A meter is at hand.
    pub meter: bool,
    /// Visit time.
    pub now_s: f64,
    /// Where a note is heard, for the question about it.
    pub spot: usize,
    /// What levels hang on.
    pub loudness: tones::Loudness,
}

impl State {
    pub(super) fn here(&self) -> Here<'_> {
        Here {
            seed: self.brief.seed,
            seats: self.room.seats.len(),
            seat_names: &self.room.seats,
            seat: self.brief.seat,
            meter: self.kit.meter == Some(true),
            now_s: self.now_s,
            spot: self.chosen().unwrap_or(0),
            loudness: tones::Loudness {
                reference: self.reference_level(),
                phon: self.brief.loudness_phon,
                seed: self.brief.seed,
            },
        }
    }

    /// The blend, if there is one in this visit.
    pub fn blend(&self) -> Option<&Blend> {
        self.blend.as_deref()
    }

    /// Whether the channels of the blend sound from now on.
    pub(super) fn is_blending(&self) -> bool {
        matches!(self.stage, Stage::Blend) || self.after_comfort.as_deref() == Some(&Stage::Blend)
    }

    pub(super) fn take_thought(&mut self, passes: usize, next: &Next) -> Outcome {
        let seed = self.brief.seed;
        let Some(blend) = &mut self.blend else {
            return Err(Refusal::Because("There is no blend in this visit.".into()));
        };
        blend.thought(passes, next, seed)?;
        if blend.doing == Doing::Over {
            self.stage = Stage::Done;
        }
        Ok(())
    }

    pub(super) fn blend_answer(&mut self, answer: &Answer) -> Outcome {
        let (Some(mut blend), Some(brief)) = (self.blend.clone(), self.brief.blend.clone()) else {
            return Err(Refusal::WrongKind);
        };
        let flow = blend.answer(answer, &brief, &self.here())?;
        self.blend = Some(blend);
        match flow {
            Flow::On => {}
            Flow::Comfort => {
                // Other channels sound from now on: comfort belongs to the channels that it was found with.
                self.after_comfort = Some(Box::new(Stage::Blend));
                self.stage = Stage::Comfort { level: crate::routine::levels::START, raised_at_s: None };
            }
            Flow::Over => self.stage = Stage::Done,
        }
        Ok(())
    }
}

/// A rating in the middle of its word's range, dB (as the words are demonstrated).
fn rating_db(rating: Rating) -> f64 {
    [-10.0, -6.0, -2.75, 0.0, 2.75, 6.0, 10.0][rating.index()]
}
