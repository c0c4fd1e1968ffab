//! The flattest setting of the controls, over several possible systems.

use crate::blend::control::{Control, Role, Scale, Unit};
use crate::blend::tune::model::{Draw, Effect, POINTS, Points};
use crate::blend::tune::{Case, Sounding};

/// Possible systems that an expectation is taken over.
pub const DRAWS: usize = 32;
/// The same for the last decision.
pub const LAST_DRAWS: usize = 96;
/// Positions that a control is tried at, at most.
const MOST_POSITIONS: usize = 64;
/// The octave that counts, in points either side of the middle.
const COUNTS: usize = 6;
/// Places from which the descent starts, and rounds over all controls.
const STARTS: usize = 4;
const ROUNDS: usize = 4;

/// A setting and what is expected of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// In the system's order.
    pub setting: Vec<f64>,
    /// Mean of the worst deviation over the possible systems, dB.
    pub expected_db: f64,
}

/// Where a control is tried.
pub fn positions(control: &Control, start: f64) -> Vec<f64> {
    let (low, high) = control.ends();
    let spaced = |step: f64| {
        let count = ((high - low) / step).round().max(1.0) as usize;
        (0..=count).map(|k| control.nearest(low + (high - low) * k as f64 / count as f64)).collect::<Vec<f64>>()
    };
    let mut positions = match (&control.scale, control.role, control.unit) {
        (_, Role::Contour, _) => vec![start],
        (Scale::Positions(positions), ..) => positions.clone(),
        (_, _, Unit::Hertz) => {
            let count = (libm::log2(high / low) * 6.0).round().max(1.0);
            (0..=count as usize).map(|k| control.nearest(low * libm::pow(high / low, k as f64 / count))).collect()
        }
        (_, Role::Level, Unit::Percent) => spaced((high - low) / 40.0),
        (_, Role::Level, _) => spaced(1.0),
        (_, Role::Phase, _) => spaced(15.0),
        (_, _, Unit::Millisecond) => spaced(0.5),
        (_, _, Unit::Foot) => spaced(0.5),
        _ => spaced(0.15),
    };
    if positions.len() > MOST_POSITIONS {
        let count = positions.len();
        positions = (0..MOST_POSITIONS).map(|k| positions[k * (count - 1) / (MOST_POSITIONS - 1)]).collect();
    }
    positions.push(start);
    positions.sort_by(f64::total_cmp);
    positions.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    positions
}

/// What each position of each control adds, for each possible system: they add up, in dB and in phase.
struct Table<'a> {
    draws: &'a [Draw],
    base: Vec<Points>,
    steps: Vec<Vec<Vec<Points>>>,
}

impl<'a> Table<'a> {
    fn new(case: &Case, draws: &'a [Draw], positions: &[Vec<f64>]) -> Self {
        let base: Vec<Points> =
            draws.iter().map(|draw| Effect::of(case, &case.start).at_points(case, draw.known)).collect();
        let steps = positions.iter().enumerate().map(|(control, positions)| {
            let at = |&position: &f64| {
                let mut setting = case.start.clone();
                setting[control] = position;
                let effect = Effect::of(case, &setting);
                let per_draw =
                    draws.iter().zip(&base).map(|(draw, base)| less(&effect.at_points(case, draw.known), base));
                per_draw.collect::<Vec<Points>>()
            };
            positions.iter().map(at).collect()
        });
        let steps = steps.collect();
        Self { draws, base, steps }
    }

    /// Mean worst deviation at a choice of positions.
    fn expected_db(&self, chosen: &[usize]) -> f64 {
        let total: f64 = (0..self.draws.len()).map(|draw| self.worst_db(draw, chosen)).sum();
        total / self.draws.len() as f64
    }

    fn worst_db(&self, draw: usize, chosen: &[usize]) -> f64 {
        let mut points = self.base[draw].clone();
        for (control, &position) in self.steps.iter().zip(chosen) {
            let step = &control[position][draw];
            for k in 0..POINTS {
                points.mains_db[k] += step.mains_db[k];
                points.subwoofer_db[k] += step.subwoofer_db[k];
                points.phase[k] += step.phase[k];
            }
        }
        worst_of(&self.draws[draw].power(&points, Sounding::Both))
    }
}

fn less(points: &Points, base: &Points) -> Points {
    Points {
        mains_db: std::array::from_fn(|k| points.mains_db[k] - base.mains_db[k]),
        subwoofer_db: std::array::from_fn(|k| points.subwoofer_db[k] - base.subwoofer_db[k]),
        phase: std::array::from_fn(|k| points.phase[k] - base.phase[k]),
    }
}

/// Worst deviation of a power curve from its mean in dB: a sixth of an octave smoothed, over the middle octave.
fn worst_of(power: &[f64; POINTS]) -> f64 {
    let middle = POINTS / 2;
    let levels_db: [f64; 2 * COUNTS + 1] = std::array::from_fn(|at| {
        let k = middle - COUNTS + at;
        10.0 * libm::log10(0.25 * power[k - 1] + 0.5 * power[k] + 0.25 * power[k + 1])
    });
    let mean_db = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    levels_db.iter().map(|level_db| (level_db - mean_db).abs()).fold(0.0, f64::max)
}

/// The worst deviation of one setting for each possible system, dB.
pub fn each(case: &Case, draws: &[Draw], setting: &[f64]) -> Vec<f64> {
    let effect = Effect::of(case, setting);
    draws.iter().map(|draw| worst_of(&draw.power(&effect.at_points(case, draw.known), Sounding::Both))).collect()
}

/// The setting with the least expected worst deviation: coarse over what turns the phase, then control by control.
/// `held` keeps one control at one value.
pub fn flattest(
    case: &Case,
    draws: &[Draw],
    positions: &[Vec<f64>],
    starts: Vec<Vec<f64>>,
    held: Option<(usize, f64)>,
) -> Found {
    let mut positions = positions.to_vec();
    if let Some((control, value)) = held {
        positions[control] = vec![value];
    }
    let table = Table::new(case, draws, &positions);
    let nearest = |control: usize, value: f64| {
        let apart = |at: &usize| (positions[control][*at] - value).abs();
        (0..positions[control].len()).min_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap_or(0)
    };
    let mut chosen: Vec<(f64, Vec<usize>)> = Vec::new();
    for start in starts {
        let from: Vec<usize> = start.iter().enumerate().map(|(control, &value)| nearest(control, value)).collect();
        let mut all = vec![from];
        for (control, positions) in positions.iter().enumerate() {
            let role = case.system.controls[control].role;
            if !matches!(role, Role::Phase | Role::Polarity | Role::Delay | Role::Distance) {
                continue;
            }
            let every = (positions.len() / 16).max(1);
            let places: Vec<usize> = (0..positions.len()).step_by(every).collect();
            all = all
                .iter()
                .flat_map(|chosen| {
                    places.iter().map(|&place| {
                        let mut chosen = chosen.clone();
                        chosen[control] = place;
                        chosen
                    })
                })
                .collect();
            if all.len() > 400 {
                all = best_of(&table, all, 40).into_iter().map(|(_, chosen)| chosen).collect();
            }
        }
        chosen.extend(best_of(&table, all, STARTS));
    }
    chosen.sort_by(|a, b| a.0.total_cmp(&b.0));
    chosen.truncate(STARTS);
    let mut best: Option<(f64, Vec<usize>)> = None;
    for (mut height, mut at) in chosen {
        for _ in 0..ROUNDS {
            let before = height;
            for control in 0..positions.len() {
                for place in 0..positions[control].len() {
                    let mut tried = at.clone();
                    tried[control] = place;
                    let reached = table.expected_db(&tried);
                    if reached < height - 1e-9 {
                        (height, at) = (reached, tried);
                    }
                }
            }
            if before - height < 1e-3 {
                break;
            }
        }
        if best.as_ref().is_none_or(|best| height < best.0) {
            best = Some((height, at));
        }
    }
    let (expected_db, at) = best.unwrap_or_default();
    let setting = at.iter().enumerate().map(|(control, &place)| positions[control][place]).collect();
    Found { setting, expected_db }
}

fn best_of(table: &Table<'_>, all: Vec<Vec<usize>>, count: usize) -> Vec<(f64, Vec<usize>)> {
    let mut rated: Vec<(f64, Vec<usize>)> =
        all.into_iter().map(|chosen| (table.expected_db(&chosen), chosen)).collect();
    rated.sort_by(|a, b| a.0.total_cmp(&b.0));
    rated.truncate(count);
    rated
}
