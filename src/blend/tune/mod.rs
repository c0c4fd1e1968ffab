//! Polarity, phase, delay, level and low-pass together, by ear: which setting to hear next, and which one to keep.
//!
//! Steady noise in narrow bands across the crossover is rated against a reference that only the main speakers play.
//! What is heard at a few settings says how loud mains and subwoofer arrive, band by band, and how they stand in phase:
//! a model of the two (filters, delay, polarity, and whatever smooth response the room adds) is held against the
//! answers, and the setting with the flattest expected sum is heard next. It is done when the setting it would choose
//! has been heard and no other promises to be flatter by more than a little.
//!
//! * `filters`, `model`: what a setting does to the two, and what would be heard;
//! * `prior`, `fit`, `belief`: what the answers so far say about the two, with its doubt (Laplace's approximation for
//!   each of several delays and both polarities);
//! * `search`: the flattest setting of the controls under that belief;
//! * `passes`: what may be heard next, how long that takes, and what has been heard of a setting;
//! * `telling`: which of these would say most, and by which bands.

mod belief;
mod filters;
mod fit;
mod model;
mod passes;
mod prior;
mod search;
mod telling;

use serde::{Deserialize, Serialize};

use crate::blend::control::{Control, Device, Role};
use crate::blend::system::System;
use crate::evidence::Heard;

pub use belief::Belief;

/// Half the width of a band, octaves.
pub const BAND_HALF_WIDTH_OCTAVES: f64 = 1.0 / 12.0;

/// The reference for the ratings: a band this many times the crossover, where the main speakers play alone.
pub const REFERENCE_RATIO: f64 = 3.0;

/// What is to be tuned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// The system with its controls.
    pub system: System,
    /// Where mains and subwoofer meet, Hz; stays the same whatever the controls do.
    pub crossover_hz: f64,
    /// Where each control stands at the beginning, in the system's order.
    pub start: Vec<f64>,
    /// Controls that the program can imitate on the subwoofer's own channel, so that nobody has to turn them while
    /// listening.
    pub reached: Vec<bool>,
    /// The person's time, seconds.
    pub budget_s: f64,
    /// Everything random hangs on this.
    pub seed: u64,
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sounding {
    /// The main speakers alone.
    Mains,
    /// The subwoofer alone, where the program can reach it.
    Subwoofer,
    /// Both, heard within arm's reach of the subwoofer's cone, where the room hardly counts and the subwoofer is known
    /// to be flat: this says how the person's own ear differs (near-field sound pressure: Keele, J. Audio Eng. Soc. 22,
    /// 154-162, 1974; from memory).
    NearSubwoofer,
    /// Both.
    Both,
}

/// One setting and the bands heard at it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pass {
    /// Where each control stands, in the system's order.
    pub setting: Vec<f64>,
    /// What sounds.
    pub sounding: Sounding,
    /// Middles of the bands to rate, in the order in which they sound, Hz.
    pub bands_hz: Vec<f64>,
    /// By how much each is played over equal loudness with the reference, dB: what is expected to be missing, so that
    /// the answers fall where the words are finest.
    pub gains_db: Vec<f64>,
    /// What was heard so far, as many as there are answers; `None` for a band left out.
    pub heard: Vec<Option<Heard>>,
}

/// What comes next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Next {
    /// Hear this setting.
    Hear(Pass),
    /// Done.
    Keep(Outcome),
}

/// The result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Where each control is to stand, in the system's order.
    pub setting: Vec<f64>,
    /// The expected worst deviation of the sum from its own mean around the crossover, dB, and the values it exceeds
    /// nine times and one time in ten.
    pub worst_db: [f64; 3],
    /// The same for the best setting with the polarity turned over; `None` if polarity cannot be turned.
    pub other_polarity_db: Option<f64>,
    /// Chance that the polarity kept is the better one, with the rest set to suit.
    pub polarity_surely: Option<f64>,
    /// The person's time so far, seconds, by the usual pace.
    pub seconds: f64,
    /// It ended because the time was up, not because nothing better was in sight.
    pub out_of_time: bool,
}

/// Tuning in progress.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tuner {
    case: Case,
    passes: Vec<Pass>,
}

/// Listening to one band and answering, seconds (*common practice*).
const BAND_S: f64 = 3.5;
/// The reference before a pass, seconds.
const REFERENCE_S: f64 = 3.0;
/// Setting the subwoofer's own controls, and the processor's from the seat, seconds; each further control on the same
/// box.
const SUBWOOFER_S: f64 = 15.0;
const PROCESSOR_S: f64 = 8.0;
const FURTHER_S: f64 = 4.0;
/// It is done when less than this is lost by not knowing the system exactly, dB.
const GOOD_ENOUGH_DB: f64 = 0.5;
/// A setting that was not heard must promise this much more than one that was, dB.
const UNHEARD_DB: f64 = 0.7;

impl Case {
    /// A system to be tuned from where its controls stand at the beginning.
    pub fn new(system: System, crossover_hz: f64, start: Vec<f64>, budget_s: f64, seed: u64) -> Self {
        let reached = system.controls.iter().map(|control| system.imitates(control)).collect();
        Self { system, crossover_hz, start, reached, budget_s, seed }
    }

    /// How long it takes to go from one setting to another, seconds.
    pub fn turning_s(&self, from: &[f64], to: &[f64], all_by_hand: bool) -> f64 {
        let changed = |on: Device| {
            let controls = self.system.controls.iter().enumerate();
            controls
                .filter(|(at, control)| {
                    control.on == on && (from[*at] - to[*at]).abs() > 1e-9 && (all_by_hand || !self.reached[*at])
                })
                .count()
        };
        let time = |count: usize, first_s: f64| if count == 0 { 0.0 } else { first_s + FURTHER_S * (count - 1) as f64 };
        time(changed(Device::Subwoofer), SUBWOOFER_S) + time(changed(Device::Processor), PROCESSOR_S)
    }

    /// Every control turned once, seconds.
    fn setting_for_good_s(&self) -> f64 {
        let end = |low: bool| -> Vec<f64> {
            let ends = self.system.controls.iter().map(|control| control.ends());
            ends.map(|(bottom, top)| if low { bottom } else { top }).collect()
        };
        self.turning_s(&end(true), &end(false), true)
    }

    /// Where each control is tried. Where time and polarity can be set, a phase control stays as it is: it would do the
    /// same once more, and each control more is one more thing that is not known exactly.
    fn positions(&self) -> Vec<Vec<f64>> {
        let has = |role: Role| self.system.any(role).is_some();
        let timed = has(Role::Polarity) && (has(Role::Distance) || has(Role::Delay));
        let places = |(control, &start): (&Control, &f64)| match control.role {
            Role::Phase if timed => vec![start],
            _ => search::positions(control, start),
        };
        self.system.controls.iter().zip(&self.start).map(places).collect()
    }

    /// The same setting with the subwoofer turned over: by the polarity switch, or a phase switch that goes round.
    fn turned_over(&self, setting: &[f64]) -> Option<Vec<f64>> {
        let mut turned = setting.to_vec();
        if let Some(at) = self.polarity() {
            turned[at] = 180.0 - turned[at];
            return Some(turned);
        }
        let controls = &self.system.controls;
        let at = controls.iter().position(|control| control.role == Role::Phase && control.ends().1 > 180.0)?;
        turned[at] = controls[at].nearest((turned[at] + 180.0) % 360.0);
        Some(turned)
    }

    /// A setting with the low-pass as far open as it goes.
    fn opened(&self, setting: &[f64]) -> Vec<f64> {
        let open = |(control, &value): (&Control, &f64)| match control.role {
            Role::LowPass | Role::Crossover => control.ends().1,
            _ => value,
        };
        self.system.controls.iter().zip(setting).map(open).collect()
    }

    /// The control that turns the polarity over, as its position in the list and the two values.
    fn polarity(&self) -> Option<usize> {
        self.system.controls.iter().position(|control| control.role == Role::Polarity)
    }
}

impl Tuner {
    /// Begins at the case's start.
    pub fn new(case: Case) -> Self {
        Self { case, passes: Vec::new() }
    }

    /// What has been heard.
    pub fn passes(&self) -> &[Pass] {
        &self.passes
    }

    /// Takes a pass with its answers.
    pub fn take(&mut self, pass: Pass) {
        self.passes.push(pass);
    }

    /// Takes the last pass back: `None` if there is none.
    pub fn back(&mut self) -> Option<Pass> {
        self.passes.pop()
    }

    /// The person's time so far, by the usual pace, seconds; with the controls then turned to `last`.
    pub fn seconds(&self, last: Option<&[f64]>) -> f64 {
        let mut stands: &[f64] = &self.case.start;
        let mut seconds = 0.0;
        for pass in &self.passes {
            seconds += self.case.turning_s(stands, &pass.setting, false);
            // The subwoofer off and on again, where the program cannot do it.
            if pass.sounding == Sounding::Mains && !self.case.reached.iter().any(|reached| *reached) {
                seconds += 2.0 * SUBWOOFER_S;
            }
            if pass.sounding == Sounding::NearSubwoofer {
                seconds += 2.0 * SUBWOOFER_S;
            }
            seconds += REFERENCE_S + BAND_S * pass.heard.len() as f64;
            stands = &pass.setting;
        }
        // What the program only imitated is set for good.
        seconds + last.map_or(0.0, |last| self.case.turning_s(&self.case.start, last, true))
    }

    /// What comes next. Thinks for a while; the same answers lead to the same.
    pub fn next(&self) -> Next {
        let case = &self.case;
        if self.passes.is_empty() {
            return self.hear(case.start.clone(), Sounding::Both, self.first_bands_hz(), None);
        }
        let belief = Belief::new(case, &self.passes);
        if let Some((setting, sounding)) = self.opening() {
            return self.hear(setting, sounding, self.first_bands_hz(), Some(&belief));
        }
        let positions = case.positions();
        let draws = belief.draws(search::DRAWS, case.seed);
        let possible = self.possible(&belief, &positions);
        let mut starts = self.starts();
        starts.extend(possible.iter().map(|(_, found)| found.setting.clone()));
        let best = search::flattest(case, &draws, &positions, &starts, 3, None);
        let heard_best = self.has_covered(&best.setting);
        let lost_db = possible
            .iter()
            .map(|(draw, found)| search::each(case, std::slice::from_ref(draw), &best.setting)[0] - found.expected_db);
        let regret_db = lost_db.sum::<f64>() / possible.len() as f64;
        let left_s = case.budget_s - self.seconds(None) - case.setting_for_good_s();
        let whole_s = self.pass_s(&best.setting, Sounding::Both, self.all_bands_hz().len());
        if heard_best && regret_db < GOOD_ENOUGH_DB {
            return self.keep(&belief, &positions, best, false);
        }
        if !heard_best && left_s < 2.0 * whole_s {
            // The last pass goes to what will be kept.
            return if whole_s <= left_s {
                self.hear(best.setting, Sounding::Both, self.all_bands_hz(), Some(&belief))
            } else {
                self.keep(&belief, &positions, best, true)
            };
        }
        match self.most_telling(&belief, &best, &possible, left_s) {
            Some((setting, sounding, bands_hz)) => self.hear(setting, sounding, bands_hz, Some(&belief)),
            None => self.keep(&belief, &positions, best, true),
        }
    }

    /// Some possible systems, and the best setting for each if it were the real one.
    fn possible(&self, belief: &Belief, positions: &[Vec<f64>]) -> Vec<(model::Draw, search::Found)> {
        const COUNT: usize = 5;
        let draws = belief.draws(COUNT, self.case.seed ^ (1 + self.passes.len() as u64));
        let found = |draw: model::Draw| {
            let found = search::flattest(&self.case, std::slice::from_ref(&draw), positions, &self.starts(), 25, None);
            (draw, found)
        };
        draws.into_iter().map(found).collect()
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        let mut starts = vec![self.case.start.clone()];
        for pass in self.passes.iter().rev().take(3) {
            if !starts.contains(&pass.setting) {
                starts.push(pass.setting.clone());
            }
        }
        starts
    }

    fn keep(&self, belief: &Belief, positions: &[Vec<f64>], best: search::Found, out_of_time: bool) -> Next {
        // With more possible systems than the search could afford: what was heard against what is only believed.
        let draws = &belief.draws(search::LAST_DRAWS, self.case.seed ^ u64::MAX);
        let mean = |setting: &[f64]| {
            let each = search::each(&self.case, draws, setting);
            each.iter().sum::<f64>() / each.len() as f64
        };
        let mut covered: Vec<&Vec<f64>> = Vec::new();
        for setting in self.passes.iter().map(|pass| &pass.setting) {
            if !covered.contains(&setting) && self.has_covered(setting) {
                covered.push(setting);
            }
        }
        let heard = covered.into_iter().map(|setting| (mean(setting), setting.clone()));
        let unheard = (mean(&best.setting) + UNHEARD_DB, best.setting.clone());
        let kept = heard.chain([unheard]).min_by(|a, b| a.0.total_cmp(&b.0));
        let best = search::Found { setting: kept.map_or(best.setting, |kept| kept.1), ..best };
        let seconds = self.seconds(Some(&best.setting));
        let mut worst_db = search::each(&self.case, draws, &best.setting);
        worst_db.sort_by(f64::total_cmp);
        let share = |share: f64| worst_db[((worst_db.len() - 1) as f64 * share).round() as usize];
        let mean_db = worst_db.iter().sum::<f64>() / worst_db.len() as f64;
        let other = self.case.polarity().map(|at| {
            let kept = best.setting[at];
            search::flattest(&self.case, draws, positions, &self.starts(), 6, Some((at, 180.0 - kept)))
        });
        let surely = other.as_ref().map(|other| {
            let ours = search::each(&self.case, draws, &best.setting);
            let theirs = search::each(&self.case, draws, &other.setting);
            ours.iter().zip(&theirs).filter(|(a, b)| a <= b).count() as f64 / ours.len() as f64
        });
        Next::Keep(Outcome {
            worst_db: [mean_db, share(0.1), share(0.9)],
            other_polarity_db: other.map(|other| other.expected_db),
            polarity_surely: surely,
            setting: best.setting,
            seconds,
            out_of_time,
        })
    }
}

#[cfg(test)]
mod tests;
