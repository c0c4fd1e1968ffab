//! The flattest setting of the controls, over several possible systems.

use crate::acoustics::crossover::Response;
use crate::blend::control::{Control, Role};
use crate::blend::places::{Grain, places};
use crate::blend::tune::model::{Draw, Effect, NEVER_NOTHING, POINTS, Points, amplitude};
use crate::blend::tune::{Case, Sounding};
use crate::random::Random;

/// Possible systems that an expectation is taken over.
pub const DRAWS: usize = 64;
/// The same for the last decision.
pub const LAST_DRAWS: usize = 256;
/// Positions that a control is tried at, at most.
const MOST_POSITIONS: usize = 64;
/// Points that count: the middle octave, and one at either end to smooth with.
const SEEN: usize = 15;
/// Rounds over all controls, at most.
const ROUNDS: usize = 6;

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
    // A contour has nothing to do with the sum.
    let mut positions = if control.role == Role::Contour { vec![start] } else { places(control, Grain::Heard) };
    if positions.len() > MOST_POSITIONS {
        let count = positions.len();
        positions = (0..MOST_POSITIONS).map(|k| positions[k * (count - 1) / (MOST_POSITIONS - 1)]).collect();
    }
    positions.push(start);
    positions.sort_by(f64::total_cmp);
    positions.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    positions
}

/// Responses at the points that count.
type Curve = [Response; SEEN];

/// What each position of each control makes of mains and subwoofer, for each possible system: factors that multiply.
struct Table {
    /// Mains and subwoofer of each system with every control at its start.
    base: Vec<[Curve; 2]>,
    /// By control, position and system.
    factors: Vec<Vec<Vec<[Curve; 2]>>>,
}

fn response(db: f64, radians: f64) -> Response {
    let size = amplitude(db);
    Response { re: size * libm::cos(radians), im: size * libm::sin(radians) }
}

impl Table {
    fn new(case: &Case, draws: &[Draw], positions: &[Vec<f64>]) -> Self {
        let at = |k: usize| POINTS / 2 - SEEN / 2 + k;
        let start = Effect::of(case, &case.start);
        let starts: Vec<Points> = draws.iter().map(|draw| start.at_points(case, draw.known)).collect();
        let base = draws.iter().zip(&starts).map(|(draw, points)| {
            [
                std::array::from_fn(|k| response(draw.mains_db[at(k)] + points.mains_db[at(k)], 0.0)),
                std::array::from_fn(|k| {
                    let (db, radians) = (draw.subwoofer_db[at(k)], draw.phase[at(k)]);
                    response(db + points.subwoofer_db[at(k)], radians + points.phase[at(k)])
                }),
            ]
        });
        let base = base.collect();
        let factors = positions.iter().enumerate().map(|(control, positions)| {
            let of = |&position: &f64| {
                let mut setting = case.start.clone();
                setting[control] = position;
                let effect = Effect::of(case, &setting);
                let factor = |(draw, start): (&Draw, &Points)| {
                    let there = effect.at_points(case, draw.known);
                    [
                        std::array::from_fn(|k| response(there.mains_db[at(k)] - start.mains_db[at(k)], 0.0)),
                        std::array::from_fn(|k| {
                            let db = there.subwoofer_db[at(k)] - start.subwoofer_db[at(k)];
                            response(db, there.phase[at(k)] - start.phase[at(k)])
                        }),
                    ]
                };
                draws.iter().zip(&starts).map(factor).collect::<Vec<[Curve; 2]>>()
            };
            positions.iter().map(of).collect()
        });
        let factors = factors.collect();
        Self { base, factors }
    }

    /// Both curves of each system with one control left out.
    fn without(&self, left_out: usize, chosen: &[usize]) -> Vec<[Curve; 2]> {
        let mut curves = self.base.clone();
        for (control, &position) in chosen.iter().enumerate().filter(|(control, _)| *control != left_out) {
            for (curves, factors) in curves.iter_mut().zip(&self.factors[control][position]) {
                for (curve, factor) in curves.iter_mut().zip(factors) {
                    for k in 0..SEEN {
                        curve[k] = curve[k] * factor[k];
                    }
                }
            }
        }
        curves
    }

    /// Mean worst deviation for every position of one control.
    fn along(&self, control: usize, chosen: &[usize]) -> Vec<f64> {
        let curves = self.without(control, chosen);
        let mean = |position: &Vec<[Curve; 2]>| {
            let worst = curves.iter().zip(position).map(|(curves, factors)| {
                let power = std::array::from_fn(|k| {
                    let (a, b) = (curves[0][k] * factors[0][k], curves[1][k] * factors[1][k]);
                    let sum = a + b;
                    let alone = a.re * a.re + a.im * a.im + b.re * b.re + b.im * b.im;
                    sum.re * sum.re + sum.im * sum.im + NEVER_NOTHING * alone
                });
                worst_of(&power)
            });
            worst.sum::<f64>() / curves.len() as f64
        };
        self.factors[control].iter().map(mean).collect()
    }

    /// Down control by control.
    fn descend(&self, mut at: Vec<usize>) -> (f64, Vec<usize>) {
        let mut height = f64::INFINITY;
        for _ in 0..ROUNDS {
            let before = height;
            for control in 0..at.len() {
                let heights = self.along(control, &at);
                let lowest = (0..heights.len()).min_by(|a, b| heights[*a].total_cmp(&heights[*b])).unwrap_or(0);
                if heights[lowest] < height {
                    (height, at[control]) = (heights[lowest], lowest);
                }
            }
            if before - height < 2e-3 {
                break;
            }
        }
        (height, at)
    }
}

/// Worst deviation of a power curve from its mean in dB: a sixth of an octave smoothed, over the middle octave.
fn worst_of(power: &[f64; SEEN]) -> f64 {
    let levels_db: [f64; SEEN - 2] =
        std::array::from_fn(|k| 10.0 * libm::log10(0.25 * power[k] + 0.5 * power[k + 1] + 0.25 * power[k + 2]));
    let mean_db = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    levels_db.iter().map(|level_db| (level_db - mean_db).abs()).fold(0.0, f64::max)
}

/// The worst deviation of one setting for each possible system, dB.
pub fn each(case: &Case, draws: &[Draw], setting: &[f64]) -> Vec<f64> {
    let effect = Effect::of(case, setting);
    let worst = |draw: &Draw| {
        let power = draw.power(&effect.at_points(case, draw.known), Sounding::Both);
        worst_of(&std::array::from_fn(|k| power[POINTS / 2 - SEEN / 2 + k]))
    };
    draws.iter().map(worst).collect()
}

/// The setting with the least expected worst deviation, by descent control by control from the given settings and from
/// some at random. `held` keeps one control at one value.
pub fn flattest(
    case: &Case,
    draws: &[Draw],
    positions: &[Vec<f64>],
    starts: &[Vec<f64>],
    at_random: usize,
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
    let mut random = Random::new(case.seed, 0x73_65_61);
    let given = starts.iter().map(|start| start.iter().enumerate().map(|(at, &value)| nearest(at, value)).collect());
    let mut places: Vec<Vec<usize>> = given.collect();
    places.extend((0..at_random).map(|_| positions.iter().map(|positions| random.below(positions.len())).collect()));
    let reached = places.into_iter().map(|place| table.descend(place));
    let best = reached.min_by(|a, b| a.0.total_cmp(&b.0));
    let (expected_db, at) = best.unwrap_or_default();
    let setting = at.iter().enumerate().map(|(control, &place)| positions[control][place]).collect();
    Found { setting, expected_db }
}
