//! How a setting is looked for: what has to be heard next, what an answer leads to, and what was found.
//!
//! Pure: a search keeps its answers and works the rest out. It knows nothing of knobs and hands.

use crate::blend::bracket::{Bracket, Heard, Ladder, Toward};
use crate::blend::compare::{Choice, Comparison, Rule, Side, Tree, contour_towards_zero};
use crate::blend::{Control, Device, Role, Scale, System, Unit};
use crate::presets::routine::Pair;
use crate::routine::blend::setup::{Own, Setup};

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
                let least = 0.5 * fine_step(of);
                let sure = match (estimate.at_the_end, estimate.agreed) {
                    (true, _) => "the control ended before it had gone too far".to_owned(),
                    (_, true) => format!(
                        "two runs from both sides agreed; give or take {}",
                        of.say(estimate.standard_error.max(least).max(if of.unit == Unit::Decibel {
                            0.5
                        } else {
                            1.0
                        }))
                    ),
                    (_, false) => {
                        format!(
                            "the runs did not agree; give or take {}",
                            of.say(estimate.standard_error.max(least).max(if of.unit == Unit::Decibel {
                                0.5
                            } else {
                                1.0
                            }))
                        )
                    }
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
            positions.iter().copied().filter(|position| *position <= value).last().unwrap_or(nearest)
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

/// The pairs of a routine as a tree over settings. A pair of which one setting cannot be taken leads on as if the other had won.
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

/// The control at a value. Phase beyond the knob's end is reached by the polarity switch, which turns by 180 degrees.
fn turned_to(system: &System, around: &Setup, control: usize, value: f64) -> Option<Setup> {
    let of = system.controls.get(control)?;
    if of.has(value) {
        return Some(around.with(control, value));
    }
    let (polarity, switch) = system.control(Role::Polarity, of.on).or_else(|| system.any(Role::Polarity))?;
    let rest = (value + 180.0).rem_euclid(360.0);
    if of.role != Role::Phase || !of.has(rest) {
        return None;
    }
    let stands = around.values.get(polarity).copied().flatten().unwrap_or(0.0);
    Some(around.with(control, rest).with(polarity, switch.nearest(180.0 - stands)))
}

/// The controls that can take up what was found on the subwoofer's own channel, with their new values; and what is left of it.
///
/// Time goes into a distance or delay, polarity into its switch, the rest into the phase control's degrees at the crossover.
pub fn translated(system: &System, setup: &Setup, crossover_hz: f64) -> (Setup, Own) {
    let mut into = setup.clone();
    let mut left = setup.own;
    let time = [Role::Distance, Role::Delay]
        .into_iter()
        .find_map(|role| system.control(role, Device::Processor).or_else(|| system.control(role, Device::Subwoofer)));
    if let Some((at, control)) = time {
        let stands = into.values[at].unwrap_or_else(|| control.ends().0);
        if let Some(wanted) = control.later_by(stands, left.later_s) {
            let given = control.nearest(wanted);
            if let (Some(before_s), Some(after_s)) = (control.as_delay_s(stands), control.as_delay_s(given)) {
                left.later_s -= after_s - before_s;
                into = into.with(at, given);
            }
        }
    }
    if let (true, Some((at, _))) = (left.inverted, system.any(Role::Polarity)) {
        into = into.with(at, 180.0 - into.values[at].unwrap_or(0.0));
        left.inverted = false;
    }
    if let Some((at, control)) = system.any(Role::Phase) {
        let stands = into.values[at].unwrap_or(0.0);
        let turn = 360.0 * crossover_hz * left.later_s + if left.inverted { 180.0 } else { 0.0 };
        let (given, flips) = nearest_phase(control, stands + turn, system.any(Role::Polarity).is_some());
        // Only what is nearer than leaving it is worth a hand on the knob.
        if turn.abs() > 5.0 {
            into = into.with(at, given);
            if let (true, Some((polarity, _))) = (flips, system.any(Role::Polarity)) {
                into = into.with(polarity, 180.0 - into.values[polarity].unwrap_or(0.0));
            }
            left = Own { later_s: 0.0, inverted: false, ..left };
        }
    }
    into.own = Own { gain_db: left.gain_db, ..Own::default() };
    (into, left)
}

/// The knob's value nearest to a phase, and whether the polarity switch has to be turned over for it.
fn nearest_phase(control: &Control, wanted: f64, may_flip: bool) -> (f64, bool) {
    let away = |value: f64, wanted: f64| {
        let turn = (value - wanted).rem_euclid(360.0);
        turn.min(360.0 - turn)
    };
    let options = [(0.0, false), (180.0, true)].into_iter().filter(|(_, flips)| may_flip || !flips).flat_map(
        |(turned, flips)| {
            let aim = (wanted - turned).rem_euclid(360.0);
            let (low, high) = control.ends();
            [control.nearest(aim), low, high].map(|value| (value, flips, away(value, aim)))
        },
    );
    let best = options.min_by(|a, b| a.2.total_cmp(&b.2));
    best.map_or((wanted, false), |(value, flips, _)| (value, flips))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::presets;
    use crate::presets::routine::StepKind;

    fn system(controls: &str) -> System {
        let text = format!("name = \"den\"\nconnection = \"line\"\nmains_low_hz = 60.0\n{controls}");
        System::parse("den.toml", &text).unwrap()
    }

    const KNOB: &str = "[[control]]\nrole = \"phase\"\nlow = 0.0\nhigh = 180.0\n[[control]]\nrole = \"polarity\"\n";

    fn phase_tree() -> Vec<Pair> {
        let routine = presets::routine("assistant", None).unwrap();
        let pairs = routine.steps.into_iter().find_map(|step| match step.what {
            StepKind::Tree(pairs) if pairs.len() > 1 => Some(pairs),
            _ => None,
        });
        pairs.unwrap()
    }

    /// Runs a tree with a listener who prefers the setting for which `better` is larger.
    fn run(mut search: Search, system: &System, better: impl Fn(&Setup) -> f64) -> Setup {
        for _ in 0..200 {
            match search.want() {
                Some(Want::Prefer([first, second])) => {
                    let choice = if better(&first) >= better(&second) { Choice::First } else { Choice::Second };
                    search.preferred(choice);
                }
                Some(Want::Fullest(setups)) => {
                    let best = (0..setups.len()).max_by(|&a, &b| better(&setups[a]).total_cmp(&better(&setups[b])));
                    search.fullest(best.unwrap());
                }
                Some(Want::Hear(_)) => unreachable!(),
                None => return search.found(system).unwrap().setup,
            }
        }
        panic!("the search never ends");
    }

    #[test]
    fn the_phase_tree_reaches_all_four_quarters_with_knob_and_switch() {
        let system = system(KNOB);
        let around = Setup { values: vec![Some(90.0), Some(0.0)], own: Own::default() };
        for (wanted, expected) in
            [(0.0, [0.0, 0.0]), (90.0, [90.0, 0.0]), (180.0, [180.0, 0.0]), (270.0, [90.0, 180.0])]
        {
            let search = Search::tree(&system, &around, 0, &phase_tree(), 5).unwrap();
            let found = run(search, &system, |setup| {
                let phase = setup.values[0].unwrap() + setup.values[1].unwrap();
                libm::cos((phase - wanted).to_radians())
            });
            assert_eq!(found.values, expected.map(Some), "{wanted}");
        }
    }

    #[test]
    fn a_knob_without_a_switch_leaves_the_quarter_out_that_it_cannot_take() {
        let system = system("[[control]]\nrole = \"phase\"\nlow = 0.0\nhigh = 180.0\n");
        let around = Setup { values: vec![Some(90.0)], own: Own::default() };
        let search = Search::tree(&system, &around, 0, &phase_tree(), 5).unwrap();
        let found = run(search, &system, |setup| libm::cos((setup.values[0].unwrap() - 290.0).to_radians()));
        assert_eq!(found.values, [Some(0.0)]);
    }

    #[test]
    fn a_contour_is_narrowed_to_its_favourite() {
        let system = system("[[control]]\nrole = \"contour\"\nlow = -8.0\nhigh = 8.0\n");
        let around = Setup { values: vec![Some(0.0)], own: Own::default() };
        for favourite in [-8.0, -4.0, -2.0, 0.0, 2.0, 8.0] {
            let search = Search::narrow(&system, &around, 0, 9).unwrap();
            let found = run(search, &system, |setup| -(setup.values[0].unwrap() - favourite).abs() - 1e-9);
            assert!((found.values[0].unwrap() - favourite).abs() < 1e-9, "{favourite}: {found:?}");
        }
    }

    #[test]
    fn a_scan_finds_delay_and_polarity_within_a_sixteenth_of_a_period() {
        let system = system(KNOB);
        let around = Setup { values: vec![Some(0.0), Some(0.0)], own: Own::default() };
        for (true_s, inverted) in [(0.011, false), (-0.0143, true), (0.002, true)] {
            let fullness = |setup: &Setup| {
                // Two equal signals over the octave around 80 Hz.
                let power = (-6..=6).map(|step| {
                    let hz = 80.0 * libm::exp2(f64::from(step) / 12.0);
                    let turn = std::f64::consts::TAU * hz * (setup.own.later_s - true_s);
                    let sign = if setup.own.inverted == inverted { 1.0 } else { -1.0 };
                    2.0 + 2.0 * sign * libm::cos(turn)
                });
                power.sum::<f64>()
            };
            let found = run(Search::scan(&around, 80.0, 3), &system, fullness);
            assert_eq!(found.own.inverted, inverted);
            assert!((found.own.later_s - true_s).abs() <= 0.25 / 80.0 / 8.0 + 1e-9, "{true_s}: {found:?}");
        }
    }

    #[test]
    fn time_goes_into_the_distance_and_polarity_into_its_switch() {
        let system = system(&format!(
            "{KNOB}[[control]]\nrole = \"distance\"\non = \"processor\"\nunit = \"ft\"\nlow = 0.0\nhigh = 60.0\nstep = 0.5\n"
        ));
        let own = Own { inverted: true, later_s: -12.433_566_434e-3, ..Own::default() };
        let setup = Setup { values: vec![Some(0.0), Some(0.0), Some(10.0)], own };
        let (into, left) = translated(&system, &setup, 80.0);
        // Earlier by 14 ft of sound is a subwoofer 14 ft farther.
        assert_eq!(into.values, [Some(0.0), Some(180.0), Some(24.0)]);
        assert!(left.later_s.abs() < 1e-6 && !left.inverted, "{left:?}");
    }

    #[test]
    fn without_a_distance_the_phase_knob_takes_the_turn_at_the_crossover() {
        let system = system(KNOB);
        // A quarter of a period at 80 Hz is 3.125 ms: 90 degrees.
        let setup = Setup { values: vec![Some(0.0), Some(0.0)], own: Own { later_s: 3.125e-3, ..Own::default() } };
        assert_eq!(translated(&system, &setup, 80.0).0.values, [Some(90.0), Some(0.0)]);
        let earlier = Setup { own: Own { later_s: -3.125e-3, ..Own::default() }, ..setup };
        assert_eq!(translated(&system, &earlier, 80.0).0.values, [Some(90.0), Some(180.0)]);
    }
}
