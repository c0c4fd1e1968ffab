//! Low-pass, level, polarity, phase and time together: bands across the crossover are rated at a few settings, and the
//! setting with the flattest expected sum is kept. Which setting comes next is thought out beside the visit, like the
//! judge's advice.

use crate::blend::tune::{Case, Next, Outcome, Pass, REFERENCE_RATIO, Sounding, Tuner};
use crate::blend::{Control, Role, System};
use crate::evidence::Heard;
use crate::routine::Refusal;
use crate::routine::blend::setup::{Own, Setup};
use crate::routine::question::Answer;

/// A whole blend takes a quarter of an hour of the person's time: a tuning gets what the steps before it have left of
/// that, seconds.
const WHOLE_S: f64 = 900.0;
/// What comes after it: the notes across the crossover, the notes by each seat, and a contour control by pairs, seconds
/// (*common practice*).
const CHECK_S: f64 = 45.0;
const SEAT_S: f64 = 20.0;
const CONTOUR_S: f64 = 180.0;
/// However long the steps before it took, it gets this, seconds.
const LEAST_S: f64 = 240.0;
/// Somebody who takes longer than usual is believed to go on so once it was seen for a while, seconds.
const PACE_SEEN_S: f64 = 120.0;

/// The person's time in a blend so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spent {
    /// Without pauses, seconds.
    pub spent_s: f64,
    /// Seats that hear the notes at the end.
    pub seats: usize,
}

/// A tuning under way.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::routine) struct Tuning {
    case: Case,
    tuner: Tuner,
    /// The person's time before it began, seconds.
    from_s: f64,
    /// What is being heard; `None` while it is thought out.
    pass: Option<Pass>,
    /// What is kept, while something still has to be switched on.
    kept: Option<Outcome>,
    /// Nobody hears the subwoofer: it is switched off.
    subwoofer_off: bool,
    /// The person is within arm's reach of the subwoofer.
    near: bool,
}

/// What a tuning is at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum At {
    /// It is being thought out.
    Thinking,
    /// A control is turned.
    Turn(usize, f64),
    /// The subwoofer is switched off (false) or on (true).
    Switch(bool),
    /// The person goes to the subwoofer (true) or back to the seat (false).
    Go(bool),
    /// A band is rated: its position in the pass.
    Band(usize),
}

impl Tuning {
    /// Begins where everything stands. `None` where no control has anything to do with the sum.
    pub fn begin(system: &System, stands: &Setup, crossover_hz: f64, from_s: f64, seed: u64) -> Option<Self> {
        let tunes = |control: &Control| control.role != Role::Contour;
        if !system.controls.iter().any(tunes) {
            return None;
        }
        let start = system.controls.iter().zip(&stands.values).map(|(control, stands)| {
            let (low, high) = control.ends();
            stands.unwrap_or_else(|| control.nearest(f64::midpoint(low, high)))
        });
        // How long it may take is said anew each time something has to be thought out.
        let case = Case::new(system.clone(), crossover_hz, start.collect(), LEAST_S, seed);
        let tuner = Tuner::new(case.clone());
        Some(Self { case, tuner, from_s, pass: None, kept: None, subwoofer_off: false, near: false })
    }

    /// Whether something has to be thought out before anything can be asked.
    fn has_to_think(&self) -> bool {
        self.pass.is_none() && self.kept.is_none()
    }

    /// What has to be thought out now, if it is that, with the time that is left: a tuner counts by the usual pace, the
    /// visit by this person's.
    pub(super) fn to_think(&self, spent: Spent) -> Option<Tuner> {
        if !self.has_to_think() {
            return None;
        }
        let usual_s = self.tuner.seconds(None);
        let took_s = spent.spent_s - self.from_s;
        let pace = ((took_s + PACE_SEEN_S) / (usual_s + PACE_SEEN_S)).max(1.0);
        let contour_s = if self.case.system.any(Role::Contour).is_some() { CONTOUR_S } else { 0.0 };
        let after_s = CHECK_S + SEAT_S * spent.seats as f64 + contour_s;
        let until_s = (WHOLE_S - after_s).max(self.from_s + LEAST_S);
        let left_s = (until_s - spent.spent_s).max(0.0);
        let mut tuner = Tuner::new(Case { budget_s: usual_s + left_s / pace, ..self.case.clone() });
        for pass in self.tuner.passes() {
            tuner.take(pass.clone());
        }
        Some(tuner)
    }

    /// Takes what was thought out, if it was about this; what is kept once nothing has to be switched any more.
    pub fn thought(&mut self, passes: usize, next: &Next) -> Result<(), Refusal> {
        if !self.has_to_think() || passes != self.tuner.passes().len() {
            return Err(Refusal::Because("Nobody asked what to hear next.".into()));
        }
        match next {
            Next::Hear(pass) => {
                let fits = pass.setting.len() == self.case.start.len() && !pass.bands_hz.is_empty();
                if !fits {
                    return Err(Refusal::Because("That setting is not one of this system.".into()));
                }
                self.pass = Some(Pass { heard: Vec::new(), ..pass.clone() });
            }
            Next::Keep(outcome) if outcome.setting.len() == self.case.start.len() => self.kept = Some(outcome.clone()),
            Next::Keep(_) => return Err(Refusal::Because("That setting is not one of this system.".into())),
        }
        Ok(())
    }

    /// How everything is set while the present pass is heard: the controls that are turned by hand, and what the
    /// program imitates.
    pub fn setup(&self) -> Setup {
        let setting = self.pass.as_ref().map_or(&self.case.start, |pass| &pass.setting);
        let mut own = Own::default();
        let mut values = Vec::with_capacity(setting.len());
        for (at, control) in self.case.system.controls.iter().enumerate() {
            let (start, value) = (self.case.start[at], setting[at]);
            if !self.case.reached[at] {
                values.push(Some(value));
                continue;
            }
            values.push(Some(start));
            match control.role {
                Role::Polarity => own.inverted ^= start != value,
                Role::Level => own.gain_db += value - start,
                _ => {
                    if let (Some(from_s), Some(to_s)) = (control.as_delay_s(start), control.as_delay_s(value)) {
                        own.later_s += to_s - from_s;
                    }
                }
            }
        }
        Setup { values, own }
    }

    /// What it is at, with the controls where they stand.
    pub(super) fn at(&self, stands: &Setup) -> At {
        let own_channel = self.case.system.channels.subwoofer.is_some();
        let sounding = match (&self.pass, &self.kept) {
            (Some(pass), None) => pass.sounding,
            (None, None) => return At::Thinking,
            // What is kept is set with the subwoofer on, from the seat.
            (_, Some(_)) => Sounding::Both,
        };
        if self.kept.is_none()
            && let Some((control, to)) = stands.first_turn(&self.setup())
        {
            return At::Turn(control, to);
        }
        let wants_off = sounding == Sounding::Mains && !own_channel;
        let wants_near = sounding == Sounding::NearSubwoofer;
        if wants_off != self.subwoofer_off {
            At::Switch(!wants_off)
        } else if wants_near != self.near {
            At::Go(wants_near)
        } else {
            self.pass.as_ref().map_or(At::Thinking, |pass| At::Band(pass.heard.len()))
        }
    }

    /// The present pass.
    pub fn pass(&self) -> Option<&Pass> {
        self.pass.as_ref()
    }

    /// The reference that the bands are rated against, Hz: where the main speakers play alone; close to the subwoofer
    /// its own middle.
    pub fn reference_hz(&self) -> f64 {
        if self.near { self.case.crossover_hz } else { REFERENCE_RATIO * self.case.crossover_hz }
    }

    /// Whether the person is close to the subwoofer.
    pub(super) fn is_near(&self) -> bool {
        self.near
    }

    /// What is kept, once the subwoofer is on and the person back at the seat.
    pub fn kept(&self) -> Option<&Outcome> {
        self.kept.as_ref().filter(|_| !self.subwoofer_off && !self.near)
    }

    /// Settings heard so far.
    pub fn passes(&self) -> usize {
        self.tuner.passes().len()
    }

    /// Bands rated so far.
    pub fn answers(&self) -> usize {
        self.tuner.passes().iter().map(|pass| pass.heard.len()).sum()
    }

    /// Takes what was said of a band, or that something was switched.
    pub(super) fn answer(&mut self, at: At, answer: &Answer) -> Result<(), Refusal> {
        let heard = match (at, answer) {
            (At::Switch(on), Answer::Yes) => {
                self.subwoofer_off = !on;
                return Ok(());
            }
            (At::Go(near), Answer::Yes | Answer::Arrived) => {
                self.near = near;
                return Ok(());
            }
            (At::Band(_), &Answer::Rating(rating)) => Heard::Rating { rating },
            (At::Band(_), &Answer::Level(level_db_spl)) => Heard::Meter { level_db_spl },
            _ => return Err(Refusal::WrongKind),
        };
        let Some(pass) = &mut self.pass else { return Err(Refusal::WrongKind) };
        pass.heard.push(Some(heard));
        if pass.heard.len() >= pass.bands_hz.len()
            && let Some(pass) = self.pass.take()
        {
            self.tuner.take(pass);
        }
        Ok(())
    }
}

/// How sure an outcome is, for the sheet.
pub(super) fn sure(outcome: &Outcome) -> String {
    let [mean, low, high] = outcome.worst_db;
    let polarity = match outcome.polarity_surely {
        Some(chance) if chance >= 0.95 => "; polarity right in more than 19 of 20 cases".to_owned(),
        Some(chance) => format!("; polarity right in about {:.0} of 10 cases", (chance * 10.0).round().clamp(1.0, 9.0)),
        None => String::new(),
    };
    format!("worst note expected within {mean:.1} dB ({low:.1} to {high:.1}){polarity}")
}
