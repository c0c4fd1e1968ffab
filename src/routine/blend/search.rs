//! How a setting is looked for: what has to be heard next, what an answer leads to, and what was found.
//!
//! Pure: a search keeps its answers and works the rest out. It knows nothing of knobs and hands.

use crate::blend::bracket::{Bracket, Heard, Ladder, Toward};
use crate::blend::compare::{Choice, Comparison, Rule, Side, Tree, contour_towards_zero};
use crate::blend::{Control, Scale, System, Unit};
use crate::presets::routine::Pair;
use crate::routine::blend::setup::{Own, Setup};
use crate::routine::blend::translate::turned_to;

/// A coarse step of a bracket, which is called one step, is this many fine ones: half steps.
const COARSE_OF_FINE: usize = 2;
/// Half steps to the octave, of a level in dB, of a knob's travel, and to the range of anything else.
const FINE_PER_OCTAVE: f64 = 6.0;
const FINE_DB: f64 = 1.0;
const FINE_PERCENT: f64 = 2.5;
const FINE_STEPS: f64 = 20.0;
/// How far the subwoofer may be out of time, seconds, either way: the delays that a scan covers.
const SCANNED_S: f64 = 0.02;
/// A contour is halved this often on the way to 0.
const HALVINGS: u32 = 2;

/// What has to be heard next.
#[derive(Debug, Clone, PartialEq)]
pub enum Want {
    /// One setting: has it gone too far?
    Hear(Setup),
    /// Two settings, in this order: which is better?
    Prefer([Setup; 2]),
    /// Several settings in a row: which of them has the fullest bass?
    Fullest(Vec<Setup>),
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The setting.
    pub setup: Setup,
    /// How it was found, for the sheet.
    pub how: String,
    /// How sure that is, for the sheet.
    pub sure: String,
    /// Answers that it rests on.
    pub answers: usize,
}

/// A search under way.
#[derive(Debug, Clone, PartialEq)]
pub enum Search {
    /// Too far and back.
    Bracket {
        /// Its state.
        bracket: Bracket,
        /// Which control, and how everything else stands.
        control: usize,
        /// Everything else.
        around: Setup,
    },
    /// Pairs that lead to other pairs.
    Tree {
        /// The settings of the tree.
        settings: Vec<Setup>,
        /// What is compared, and what follows.
        tree: Tree,
        /// The winners so far.
        winners: Vec<Side>,
        /// The pair that is being compared.
        pair: Comparison,
        /// Seed of the comparisons.
        seed: u64,
        /// Answers, and the share of doubt of each pair.
        answers: usize,
        /// The doubt of the pairs so far.
        doubts: Vec<f64>,
    },
    /// Delays in a row, in both polarities.
    Scan(Scan),
}

/// Delays in a row: normal, turned over, the two winners against each other, and finer around the better one.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    around: Setup,
    /// A quarter of a period at the crossover, seconds.
    quarter_s: f64,
    /// The winner of each polarity.
    winners: Vec<Own>,
    pair: Comparison,
    better: Option<(Own, f64)>,
    finest: Option<Own>,
    answers: usize,
}

impl Search {
    /// A bracket of a control, from where it stands. `None` for a control with fewer than two positions.
    pub fn bracket(system: &System, around: &Setup, control: usize) -> Option<Self> {
        let of = system.controls.get(control)?;
        let (low, high) = of.ends();
        let fine = fine_step(of);
        let ladder = match &of.scale {
            Scale::Positions(positions) => Ladder::stepped(positions.clone(), 1),
            Scale::Range { step: None, .. } if of.is_ratio() => {
                Ladder::by_ratio(low, high, FINE_PER_OCTAVE, COARSE_OF_FINE)
            }
            Scale::Range { .. } => Ladder::continuous(low, high, fine, COARSE_OF_FINE),
        };
        let start = around.values.get(control).copied().flatten().unwrap_or(low);
        let bracket = Bracket::new(ladder.ok()?, Toward::Up, start);
        Some(Self::Bracket { bracket, control, around: around.clone() })
    }

    /// A tree of comparisons of a control. Settings that the control cannot take are left out with their pairs.
    pub fn tree(system: &System, around: &Setup, control: usize, pairs: &[Pair], seed: u64) -> Option<Self> {
        let mut settings = Vec::new();
        let tree = tree_of(system, around, control, pairs, pairs.first()?, &mut settings)?;
        Some(Self::over(settings, tree, seed))
    }

    /// A contour control from its extremes towards 0.
    pub fn narrow(system: &System, around: &Setup, control: usize, seed: u64) -> Option<Self> {
        let of = system.controls.get(control)?;
        let (low, high) = of.ends();
        if low >= 0.0 || high <= 0.0 {
            return None;
        }
        let trial = contour_towards_zero(low, high, HALVINGS);
        let settings = trial.settings.iter().map(|setting| around.with(control, of.nearest(setting.value))).collect();
        Some(Self::over(settings, trial.tree, seed))
    }

    fn over(settings: Vec<Setup>, tree: Tree, seed: u64) -> Self {
        let pair = Comparison::new(Rule::QUICK, seed);
        Self::Tree { settings, tree, winners: Vec::new(), pair, seed, answers: 0, doubts: Vec::new() }
    }

    /// Delays and polarities on the subwoofer's own channel.
    pub fn scan(around: &Setup, crossover_hz: f64, seed: u64) -> Self {
        Self::Scan(Scan {
            around: around.clone(),
            quarter_s: 0.25 / crossover_hz,
            winners: Vec::new(),
            pair: Comparison::new(Rule::QUICK, seed),
            better: None,
            finest: None,
            answers: 0,
        })
    }

    /// What has to be heard next; `None` when it is over.
    pub fn want(&self) -> Option<Want> {
        match self {
            Self::Bracket { bracket, control, around } => {
                let to = bracket.instruction()?.to;
                // At first it is heard where it stands, even between two positions of the ladder.
                let stands = around.values.get(*control).copied().flatten().filter(|_| bracket.answers() == 0);
                Some(Want::Hear(around.with(*control, stands.unwrap_or(to))))
            }
            Self::Tree { settings, tree, winners, pair, .. } => match tree.after(winners) {
                Tree::Compare { a, b, .. } => {
                    let of = |side| if side == Side::A { *a } else { *b };
                    let [first, second] = pair.next()?;
                    Some(Want::Prefer([settings[of(first)].clone(), settings[of(second)].clone()]))
                }
                Tree::Keep(_) => None,
            },
            Self::Scan(scan) => scan.want(),
        }
    }

    /// Takes whether the present setting has gone too far.
    pub fn heard(&mut self, too_far: bool) {
        if let Self::Bracket { bracket, .. } = self {
            bracket.answer(if too_far { Heard::TooFar } else { Heard::NotYet });
        }
    }

    /// Takes which of two was better.
    pub fn preferred(&mut self, choice: Choice) {
        match self {
            Self::Tree { winners, pair, seed, answers, doubts, .. } => {
                pair.answer(choice);
                *answers += 1;
                if let Some(verdict) = pair.verdict() {
                    winners.push(verdict.better.unwrap_or(Side::A));
                    doubts.push(verdict.doubt);
                    *pair = Comparison::new(Rule::QUICK, seed.wrapping_add(winners.len() as u64));
                }
            }
            Self::Scan(scan) => {
                scan.pair.answer(choice);
                scan.answers += 1;
                if let (Some(verdict), [normal, inverted]) = (scan.pair.verdict(), scan.winners.as_slice()) {
                    let better = if verdict.better == Some(Side::B) { inverted } else { normal };
                    scan.better = Some((*better, verdict.doubt));
                }
            }
            Self::Bracket { .. } => {}
        }
    }

    /// Takes which of several was the fullest, counted from 0.
    pub fn fullest(&mut self, at: usize) {
        if let Self::Scan(scan) = self
            && let Some(Want::Fullest(setups)) = scan.want()
            && let Some(chosen) = setups.get(at)
        {
            scan.answers += 1;
            if scan.winners.len() < 2 {
                scan.winners.push(chosen.own);
            } else {
                scan.finest = Some(chosen.own);
            }
        }
    }

    /// What was found; `None` until nothing more has to be heard.
    pub fn found(&self, system: &System) -> Option<Found> {
        if self.want().is_some() {
            return None;
        }
        Some(match self {
            Self::Bracket { bracket, control, around } => {
                let estimate = bracket.estimate()?;
                let of = system.controls.get(*control)?;
                // No figure is known better than half of what can be turned.
                let least = (0.5 * fine_step(of)).max(if of.unit == Unit::Decibel { 0.5 } else { 1.0 });
                let doubt = of.say(estimate.standard_error.max(least));
                let sure = match (estimate.at_the_end, estimate.agreed) {
                    (true, _) => "the control ended before it had gone too far".to_owned(),
                    (_, true) => format!("two runs from both sides agreed; give or take {doubt}"),
                    (_, false) => format!("the runs did not agree; give or take {doubt}"),
                };
                Found {
                    setup: around.with(*control, backed_off(of, estimate.value - estimate.standard_error)),
                    how: "turned up until the bass pulled towards the subwoofer, and back".into(),
                    sure,
                    answers: bracket.answers(),
                }
            }
            Self::Tree { settings, tree, winners, answers, doubts, .. } => {
                let Tree::Keep(kept) = tree.after(winners) else { return None };
                Found {
                    setup: settings.get(*kept)?.clone(),
                    how: "compared blind, pair by pair".into(),
                    sure: sure_of(doubts.iter().copied().fold(0.0, f64::max)),
                    answers: *answers,
                }
            }
            Self::Scan(scan) => Found {
                setup: Setup { own: scan.finest?, ..scan.around.clone() },
                how: "delays in a row in both polarities, on the subwoofer's own channel".into(),
                sure: sure_of(scan.better?.1),
                answers: scan.answers,
            },
        })
    }
}

/// The highest value that the control can take and that is not over this one: back off, rather than stay too far.
fn backed_off(of: &Control, value: f64) -> f64 {
    let nearest = of.nearest(value);
    match &of.scale {
        _ if nearest <= value => nearest,
        Scale::Range { step: Some(step), .. } => of.nearest(nearest - step),
        Scale::Range { step: None, .. } => nearest,
        Scale::Positions(positions) => {
            positions.iter().copied().rfind(|position| *position <= value).unwrap_or(nearest)
        }
    }
}

/// Half a step of a control, in its unit; for a frequency at the geometric middle of its scale.
fn fine_step(of: &Control) -> f64 {
    let (low, high) = of.ends();
    let wanted = match of.unit {
        Unit::Hertz => (low * high).sqrt() * (libm::exp2(1.0 / FINE_PER_OCTAVE) - 1.0),
        Unit::Decibel => FINE_DB,
        Unit::Percent => FINE_PERCENT,
        _ => (high - low) / FINE_STEPS,
    };
    match of.scale {
        // A control that clicks is turned by whole clicks.
        Scale::Range { step: Some(step), .. } => (wanted / step).round().max(1.0) * step,
        _ => wanted.min(high - low),
    }
}

/// How a control is turned, as it is said: 'Turn LEVEL up one step, to 45 % of travel.'
pub(super) fn spoken(of: &Control, from: Option<f64>, to: f64) -> String {
    let (label, value) = (of.label(), of.say(to));
    let (Some(from), Scale::Range { .. }) = (from, &of.scale) else {
        return if matches!(of.scale, Scale::Positions(_)) {
            format!("Switch {label} to {value}.")
        } else {
            format!("Set {label} to {value}.")
        };
    };
    if !of.role.is_loudness() {
        return format!("Set {label} to {value}.");
    }
    let halves = if of.is_ratio() { libm::log2(to / from) * FINE_PER_OCTAVE } else { (to - from) / fine_step(of) };
    let way = if to >= from { "up" } else { "back" };
    match halves.abs().round() as u64 {
        1 => format!("Turn {label} {way} half a step, to {value}."),
        2 => format!("Turn {label} {way} one step, to {value}."),
        3 => format!("Turn {label} {way} one and a half steps, to {value}."),
        4 => format!("Turn {label} {way} two steps, to {value}."),
        _ => format!("Turn {label} {way} to {value}."),
    }
}

fn sure_of(doubt: f64) -> String {
    match doubt {
        doubt if doubt < 0.05 => "right in more than 19 of 20 cases".into(),
        doubt if doubt < 0.45 => format!("right in about {:.0} of 10 cases", ((1.0 - doubt) * 10.0).round().min(9.0)),
        _ => "nothing told them apart".into(),
    }
}

impl Scan {
    fn want(&self) -> Option<Want> {
        let setup = |own: Own| Setup { own, ..self.around.clone() };
        if self.winners.len() < 2 {
            let inverted = self.winners.len() == 1;
            let steps = (SCANNED_S / self.quarter_s).ceil() as i32;
            let delays = (-steps..=steps).map(|step| Own {
                inverted: inverted != self.around.own.inverted,
                later_s: self.around.own.later_s + f64::from(step) * self.quarter_s,
                ..self.around.own
            });
            return Some(Want::Fullest(delays.map(setup).collect()));
        }
        match (self.better, self.finest) {
            (None, _) => {
                let [first, second] = self.pair.next()?;
                let of = |side| self.winners[usize::from(side == Side::B)];
                Some(Want::Prefer([setup(of(first)), setup(of(second))]))
            }
            (Some((better, _)), None) => {
                let finer = (-4..=4)
                    .map(|step| Own { later_s: better.later_s + f64::from(step) * self.quarter_s / 4.0, ..better });
                Some(Want::Fullest(finer.map(setup).collect()))
            }
            _ => None,
        }
    }
}

/// The pairs of a routine as a tree over settings. A pair of which one setting cannot be taken leads on as if the other
/// had won.
fn tree_of(
    system: &System,
    around: &Setup,
    control: usize,
    pairs: &[Pair],
    pair: &Pair,
    settings: &mut Vec<Setup>,
) -> Option<Tree> {
    let mut place = |value: f64| {
        let setup = turned_to(system, around, control, value)?;
        Some(settings.iter().position(|known| *known == setup).unwrap_or_else(|| {
            settings.push(setup);
            settings.len() - 1
        }))
    };
    let [a, b] = pair.compare.map(&mut place);
    let mut onward = |name: &Option<String>, otherwise: usize| {
        let next = name.as_ref().and_then(|name| pairs.iter().find(|pair| pair.name == *name));
        next.and_then(|next| tree_of(system, around, control, pairs, next, settings)).unwrap_or(Tree::Keep(otherwise))
    };
    Some(match (a, b) {
        (Some(a), Some(b)) => {
            let (if_a, if_b) = (onward(&pair.first, a), onward(&pair.second, b));
            Tree::Compare { a, b, if_a: Box::new(if_a), if_b: Box::new(if_b) }
        }
        (Some(a), None) => onward(&pair.first, a),
        (None, Some(b)) => onward(&pair.second, b),
        (None, None) => return None,
    })
}

#[cfg(test)]
mod tests;
