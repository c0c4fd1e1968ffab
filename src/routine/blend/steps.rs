//! From step to step: which ones have something to do here, what each begins with, and what a search or a tuning leaves
//! in the controls.

use crate::blend::trace::Cause;
use crate::blend::wiring::Wiring;
use crate::blend::{Control, Role, Unit};
use crate::presets::routine::{BlendStep, Condition, ControlName, StepKind, Target};
use crate::random::Random;
use crate::routine::blend::check::Run;
use crate::routine::blend::record::Decision;
use crate::routine::blend::search::{self, Search, Want};
use crate::routine::blend::setup::Setup;
use crate::routine::blend::translate::translated;
use crate::routine::blend::tuning::{self, Tuning};
use crate::routine::blend::{BLEND, Blend, Doing, Hand, Round};
use crate::units::GainDb;

impl Blend {
    pub(super) fn control(&self, name: ControlName) -> Option<(usize, &Control)> {
        match name.on {
            Some(on) => self.system.control(name.role, on),
            None => self.system.any(name.role),
        }
    }

    pub(super) fn holds(&self, condition: Condition) -> bool {
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
    pub(super) fn go_to_step(&mut self, from: usize, seed: u64) {
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
    pub(super) fn begun(&mut self, step: &BlendStep, seed: u64) -> Option<Doing> {
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
            (StepKind::Tune, _) => Tuning::begin(&self.system, &self.stands, self.crossover_hz(), self.spent_s, seed)
                .map(|tuning| Doing::Tune(Box::new(tuning))),
            (StepKind::Check, _) => Some(Doing::Check(Run::new(self.crossover_hz()))),
            (StepKind::Verify, _) => {
                self.seats.clear();
                Some(Doing::Verify(0))
            }
            _ => None,
        }
    }

    pub(super) fn set_to(&mut self, at: usize, target: Target) -> Option<Doing> {
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
    pub(super) fn target_value(&self, control: &Control, target: Target) -> Option<f64> {
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

    pub(super) fn decide(&mut self, control: usize, value: f64, how: &str, sure: &str) {
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
    pub(super) fn settle(&mut self) {
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
    pub(super) fn keep(&mut self, found: &search::Found) {
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
    pub(super) fn turned(&mut self, control: usize, to: f64) {
        let from = self.stands.values.get(control).copied().flatten();
        self.climb = self.climb.max(self.climb_after(control, from, to));
        self.stands = self.stands.with(control, to);
    }

    /// What a turn can have added, at most: nothing for a loudness control that was turned down.
    pub(super) fn climb_after(&self, control: usize, from: Option<f64>, to: f64) -> GainDb {
        let Some(of) = self.system.controls.get(control) else { return GainDb::ZERO };
        let from = from.unwrap_or(of.ends().0);
        if of.role.is_loudness() && to <= from { GainDb::ZERO } else { GainDb::new(of.can_still_add_db(from)) }
    }

    pub(super) fn finish_step(&mut self, seed: u64) {
        let next = self.step + 1;
        self.go_to_step(next, seed);
        self.unless_there(seed);
    }

    /// Where everything stands where it belongs already, nothing has to be turned: the next step.
    pub(super) fn unless_there(&mut self, seed: u64) {
        if let Doing::Adjust(goal) = &self.doing
            && self.stands.first_turn(goal).is_none()
        {
            self.finish_step(seed);
        }
    }

    /// What a tuning keeps goes into the controls.
    pub(super) fn keep_tuned(&mut self, seed: u64) {
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

    /// Goes on, hears the notes again, or goes back to the step that the likely cause asks for.
    pub(super) fn after_check(&mut self, option: usize, seed: u64) {
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
    pub(super) fn steps_to_try(&self) -> Vec<(usize, String)> {
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
