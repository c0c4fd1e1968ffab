//! What the answers so far say about mains and subwoofer at the seat.
//!
//! Unknown are four curves over the bands (mains, subwoofer, phase between the two, the person's own contour), seven numbers
//! about controls and person, and an offset for each pass. All are normal beforehand. For every delay and polarity in
//! question the most likely curves are found by Fisher's scoring (Gauss-Newton steps with expected information), and the
//! hypotheses are weighed by Laplace's approximation (MacKay, Information Theory, Inference, and Learning Algorithms,
//! chapter 27; from memory).

use nalgebra::{DMatrix, DVector};

use crate::acoustics::crossover::{Alignment, Filter, Order, Side};
use crate::blend::tune::model::{
    CONTOUR, Draw, Effect, FIRST_PASS, Hypothesis, Known, MAINS, PHASE, POINTS, Points, SUBWOOFER, Scalar, amplitude,
    grid_hz, power, under_band,
};
use crate::blend::tune::{Case, Pass, Sounding};
use crate::evidence::Heard;
use crate::stats::gaussian::{self, NormalDraws};
use crate::stats::normal;

/// Delays in question, milliseconds: a subwoofer that is later than the mains by so much.
const LATE_MS: [f64; 12] = [-1.0, 1.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0, 21.0];
/// Borders between the seven words, dB (design: near 1.5, 4 and 8).
const BORDERS_DB: [f64; 6] = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0];
/// Noise of one rating with borders that differ from person to person, and share of answers given without listening.
const RATING_DB: f64 = 1.8;
const LAPSES: f64 = 0.03;
/// Noise of a match and of a meter, dB.
const MATCH_DB: f64 = 1.5;
const METER_DB: f64 = 1.0;
/// From pass to pass all answers shift together by this, dB.
const MOOD_DB: f64 = 1.2;
const STEPS: usize = 12;

/// The belief after some passes.
#[derive(Debug, Clone)]
pub struct Belief {
    case: Case,
    peaks: Vec<Peak>,
}

/// The most likely system under one hypothesis.
#[derive(Debug, Clone)]
struct Peak {
    hypothesis: Hypothesis,
    mean: DVector<f64>,
    /// Factor of the precision there.
    factor: gaussian::Factor,
    weight: f64,
}

struct Prior {
    mean: DVector<f64>,
    precision: DMatrix<f64>,
}

impl Belief {
    /// Weighs all hypotheses by what was heard.
    pub fn new(case: &Case, passes: &[Pass]) -> Self {
        let prior = prior(case, passes.len());
        let effects: Vec<Effect> = passes.iter().map(|pass| Effect::of(case, &pass.setting)).collect();
        let mut found: Vec<(Hypothesis, DVector<f64>, gaussian::Factor, f64)> = Vec::new();
        for late_ms in LATE_MS {
            for inverted in [false, true] {
                let hypothesis = Hypothesis { late_s: late_ms * 1e-3, inverted };
                let fit = Fit { case, passes, effects: &effects, prior: &prior, hypothesis };
                let (mean, factor, evidence) = fit.climb();
                found.push((hypothesis, mean, factor, evidence));
            }
        }
        let best = found.iter().map(|peak| peak.3).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = found.iter().map(|peak| libm::exp(peak.3 - best)).sum();
        let peaks = found.into_iter().map(|(hypothesis, mean, factor, evidence)| Peak {
            hypothesis,
            mean,
            factor,
            weight: libm::exp(evidence - best) / total,
        });
        Self { case: case.clone(), peaks: peaks.collect() }
    }

    /// Possible systems, each as likely as the next.
    pub fn draws(&self, count: usize, seed: u64) -> Vec<Draw> {
        let mut normal = NormalDraws::new(seed);
        let offset = normal.uniform();
        (0..count)
            .map(|at| {
                let peak = self.peak_at((at as f64 + offset) / count as f64);
                let mut z = normal.matrix(peak.mean.len(), 1);
                gaussian::solve_transposed(peak.factor.lower(), &mut z);
                let unknowns: Vec<f64> = peak.mean.iter().zip(z.iter()).map(|(mean, z)| mean + z).collect();
                Draw::of(&self.case, &unknowns, peak.hypothesis)
            })
            .collect()
    }

    /// Chance that the subwoofer is turned over against the mains at the start, delay aside.
    pub fn inverted(&self) -> f64 {
        self.peaks.iter().filter(|peak| peak.hypothesis.inverted).map(|peak| peak.weight).sum()
    }

    /// How late the subwoofer is at the start, seconds: mean, and standard deviation.
    pub fn late_s(&self) -> (f64, f64) {
        let late = |peak: &Peak| peak.hypothesis.late_s + peak.mean[Scalar::Delay.at()] * 1e-3;
        let mean: f64 = self.peaks.iter().map(|peak| peak.weight * late(peak)).sum();
        let variance: f64 = self.peaks.iter().map(|peak| peak.weight * (late(peak) - mean).powi(2)).sum();
        (mean, variance.sqrt())
    }

    fn peak_at(&self, share: f64) -> &Peak {
        let mut sum = 0.0;
        for peak in &self.peaks {
            sum += peak.weight;
            if share < sum {
                return peak;
            }
        }
        &self.peaks[self.peaks.len() - 1]
    }
}

fn prior(case: &Case, passes: usize) -> Prior {
    let size = FIRST_PASS + passes;
    let mut mean = DVector::zeros(size);
    let mut precision = DMatrix::zeros(size, size);
    let grid = grid_hz(case.crossover_hz);
    let natural = |hz: f64| {
        let alignment = Alignment::Butterworth(Order::try_from(2).unwrap_or_else(|_| unreachable!()));
        Filter { alignment, side: Side::HighPass, corner_hz: case.system.mains.rated_low_hz }.response(hz)
    };
    for (k, &hz) in grid.iter().enumerate() {
        mean[MAINS + k] = natural(hz).db();
        mean[PHASE + k] = -natural(hz).phase_deg().to_radians();
    }
    // Same for all, slope per octave, smooth over octaves: standard deviations.
    for (first, same, slope, smooth, octaves) in [
        (MAINS, 2.5, 3.0, 4.0, 0.33),
        (SUBWOOFER, 8.0, 3.0, 4.0, 0.33),
        (PHASE, 0.6, 0.5, 0.6, 0.33),
        (CONTOUR, 0.7, 0.0, 1.3, 0.5),
    ] {
        let covariance = DMatrix::from_fn(POINTS, POINTS, |i, j| {
            let (x, y) = (libm::log2(grid[i] / case.crossover_hz), libm::log2(grid[j] / case.crossover_hz));
            let near = (x - y) / octaves;
            let own = if i == j { 1e-3 * smooth * smooth } else { 0.0 };
            same * same + slope * slope * x * y + smooth * smooth * libm::exp(-0.5 * near * near) + own
        });
        let inverse = gaussian::factor(&covariance).inverse();
        precision.view_mut((first, first), (POINTS, POINTS)).copy_from(&inverse);
    }
    let slope = case.low_pass_order.map_or((0.8, 0.25), |order| (order / 4.0, 0.07));
    let percent = case.system.controls.iter().any(|control| control.unit == crate::blend::Unit::Percent);
    let level_doubt = if percent { 0.25 } else { 0.05 };
    for (scalar, middle, doubt) in [
        (Scalar::LowPassOff, 0.0, 0.15),
        (Scalar::LowPassSlope, slope.0, slope.1),
        (Scalar::LevelScale, 1.0, level_doubt),
        (Scalar::PhaseScale, 1.0, 0.15),
        (Scalar::Delay, 0.0, 1.0),
        (Scalar::Stretch, 1.1, 0.2),
        (Scalar::Meter, 75.0, 30.0),
    ] {
        mean[scalar.at()] = middle;
        precision[(scalar.at(), scalar.at())] = 1.0 / (doubt * doubt);
    }
    for pass in 0..passes {
        precision[(FIRST_PASS + pass, FIRST_PASS + pass)] = 1.0 / (MOOD_DB * MOOD_DB);
    }
    Prior { mean, precision }
}

struct Fit<'a> {
    case: &'a Case,
    passes: &'a [Pass],
    effects: &'a [Effect],
    prior: &'a Prior,
    hypothesis: Hypothesis,
}

/// One answer against the unknowns: what was expected to be heard, and how that depends on them.
struct Expected {
    level_db: f64,
    slopes: Vec<(usize, f64)>,
}

/// How likely the answers are, and in which direction they would be likelier.
struct Slope {
    log_likelihood: f64,
    gradient: DVector<f64>,
    information: DMatrix<f64>,
}

impl Fit<'_> {
    /// The most likely unknowns, the precision there, and the evidence for the hypothesis.
    fn climb(&self) -> (DVector<f64>, gaussian::Factor, f64) {
        let mut at = self.prior.mean.clone();
        let mut here = self.slope(&at);
        let mut height = self.height(&at, &here);
        let mut factor = gaussian::factor(&here.information);
        for _ in 0..STEPS {
            let mut step = factor.solve(&here.gradient);
            let longest = (0..POINTS).map(|k| step[PHASE + k].abs()).fold(0.0, f64::max);
            if longest > 0.8 {
                step *= 0.8 / longest;
            }
            let before = height;
            for _ in 0..5 {
                let tried = &at + &step;
                let there = self.slope(&tried);
                let reached = self.height(&tried, &there);
                if reached > height {
                    (at, here, height) = (tried, there, reached);
                    factor = gaussian::factor(&here.information);
                    break;
                }
                step *= 0.4;
            }
            if height - before < 0.02 {
                break;
            }
        }
        let evidence = height - 0.5 * factor.log_determinant();
        (at, factor, evidence)
    }

    fn height(&self, at: &DVector<f64>, slope: &Slope) -> f64 {
        let off = at - &self.prior.mean;
        slope.log_likelihood - 0.5 * off.dot(&(&self.prior.precision * &off))
    }

    fn slope(&self, at: &DVector<f64>) -> Slope {
        let mut slope = Slope {
            log_likelihood: 0.0,
            gradient: -(&self.prior.precision * (at - &self.prior.mean)),
            information: self.prior.precision.clone(),
        };
        let unknowns = at.as_slice();
        let draw = Draw::of(self.case, unknowns, self.hypothesis);
        for (number, (pass, effect)) in self.passes.iter().zip(self.effects).enumerate() {
            let points = effect.at_points(self.case, draw.known);
            let moved = self.moved(effect, draw.known, &points);
            for (&band_hz, heard) in pass.bands_hz.iter().zip(&pass.heard) {
                let Some(heard) = heard else { continue };
                let expected = self.expected(unknowns, &draw, pass.sounding, &points, &moved, band_hz);
                add(&mut slope, unknowns, number, *heard, &expected, &self.contour(band_hz));
            }
        }
        slope
    }

    /// How the points move with each unknown about controls.
    fn moved(&self, effect: &Effect, known: Known, points: &Points) -> [(Scalar, Points); 4] {
        const STEP: f64 = 1e-3;
        let moved = |known: Known| {
            let there = effect.at_points(self.case, known);
            Points {
                mains_db: std::array::from_fn(|k| (there.mains_db[k] - points.mains_db[k]) / STEP),
                subwoofer_db: std::array::from_fn(|k| (there.subwoofer_db[k] - points.subwoofer_db[k]) / STEP),
                phase: std::array::from_fn(|k| (there.phase[k] - points.phase[k]) / STEP),
            }
        };
        [
            (Scalar::LowPassOff, moved(Known { low_pass_off: known.low_pass_off + STEP, ..known })),
            (Scalar::LowPassSlope, moved(Known { low_pass_slope: known.low_pass_slope + STEP, ..known })),
            (Scalar::LevelScale, moved(Known { level_scale: known.level_scale + STEP, ..known })),
            (Scalar::PhaseScale, moved(Known { phase_scale: known.phase_scale + STEP, ..known })),
        ]
    }

    fn expected(
        &self,
        unknowns: &[f64],
        draw: &Draw,
        sounding: Sounding,
        points: &Points,
        moved: &[(Scalar, Points); 4],
        band_hz: f64,
    ) -> Expected {
        let grid = grid_hz(self.case.crossover_hz);
        let under = under_band(self.case.crossover_hz, band_hz);
        let mut total = 0.0;
        let mut slopes: Vec<(usize, f64)> = Vec::with_capacity(16);
        let mut scalars = [0.0; 5];
        for &(k, weight) in &under {
            let a = amplitude(draw.mains_db[k] + points.mains_db[k]);
            let b = amplitude(draw.subwoofer_db[k] + points.subwoofer_db[k]);
            let phase = draw.phase[k] + points.phase[k];
            total += weight * power(a, b, phase, sounding);
            let (of_mains, of_subwoofer, of_phase) = match sounding {
                Sounding::Mains => (2.0 * a * a, 0.0, 0.0),
                Sounding::Both => {
                    let cross = a * b * libm::cos(phase);
                    (2.0 * (a * a + cross), 2.0 * (b * b + cross), -2.0 * a * b * libm::sin(phase))
                }
            };
            let per_db = std::f64::consts::LN_10 / 20.0;
            slopes.push((MAINS + k, weight * of_mains * per_db));
            slopes.push((SUBWOOFER + k, weight * of_subwoofer * per_db));
            slopes.push((PHASE + k, weight * of_phase));
            for (sum, (_, moved)) in scalars.iter_mut().zip(moved) {
                *sum += weight
                    * (of_mains * per_db * moved.mains_db[k]
                        + of_subwoofer * per_db * moved.subwoofer_db[k]
                        + of_phase * moved.phase[k]);
            }
            scalars[4] -= weight * of_phase * std::f64::consts::TAU * grid[k] * 1e-3;
        }
        slopes.extend(moved.iter().zip(scalars).map(|((scalar, _), slope)| (scalar.at(), slope)));
        slopes.push((Scalar::Delay.at(), scalars[4]));
        let to_db = 10.0 / std::f64::consts::LN_10 / total;
        for slope in &mut slopes {
            slope.1 *= to_db;
        }
        let _ = unknowns;
        Expected { level_db: 10.0 * libm::log10(total), slopes }
    }

    fn contour(&self, band_hz: f64) -> Vec<(usize, f64)> {
        under_band(self.case.crossover_hz, band_hz).into_iter().map(|(k, weight)| (CONTOUR + k, weight)).collect()
    }
}

/// Adds one answer to the slope.
fn add(slope: &mut Slope, unknowns: &[f64], pass: usize, heard: Heard, expected: &Expected, contour: &[(usize, f64)]) {
    let stretch = unknowns[Scalar::Stretch.at()].clamp(0.3, 3.0);
    let own_db: f64 = contour.iter().map(|(at, weight)| weight * unknowns[*at]).sum();
    let mood_db = unknowns[FIRST_PASS + pass];
    let mut slopes = expected.slopes.clone();
    let by_ear = matches!(heard, Heard::Rating { .. } | Heard::Match { .. });
    if by_ear {
        slopes.extend_from_slice(contour);
        slopes.push((FIRST_PASS + pass, 1.0));
    } else {
        slopes.push((Scalar::Meter.at(), 1.0));
    }
    let gauss = |read_db: f64, expected_db: f64, noise_db: f64| {
        let off = read_db - expected_db;
        let precision = 1.0 / (noise_db * noise_db);
        (-0.5 * off * off * precision, off * precision, precision)
    };
    let (log_likelihood, score, information) = match heard {
        Heard::Rating { rating } => {
            for slope in slopes.iter_mut().take(expected.slopes.len()) {
                slope.1 *= stretch;
            }
            slopes.push((Scalar::Stretch.at(), expected.level_db));
            graded(rating.index(), stretch * expected.level_db + own_db + mood_db)
        }
        Heard::Match { offset_db } => gauss(offset_db, expected.level_db + own_db + mood_db, MATCH_DB),
        Heard::Meter { level_db_spl: read_db } | Heard::Microphone { level_db: read_db } => {
            gauss(read_db, expected.level_db + unknowns[Scalar::Meter.at()], METER_DB)
        }
    };
    slope.log_likelihood += log_likelihood;
    for &(at, by) in &slopes {
        slope.gradient[at] += score * by;
        for &(other, other_by) in &slopes {
            slope.information[(at, other)] += information * by * other_by;
        }
    }
}

/// Log-likelihood of a rating when so much is expected to be heard, its derivative, and the expected information.
fn graded(rating: usize, heard_db: f64) -> (f64, f64, f64) {
    let words = BORDERS_DB.len() + 1;
    let chance = |word: usize| {
        let low = if word == 0 { f64::NEG_INFINITY } else { (BORDERS_DB[word - 1] - heard_db) / RATING_DB };
        let high = if word + 1 == words { f64::INFINITY } else { (BORDERS_DB[word] - heard_db) / RATING_DB };
        let p = LAPSES / words as f64 + (1.0 - LAPSES) * normal::interval(low, high);
        (p, (1.0 - LAPSES) * (normal::density(low) - normal::density(high)) / RATING_DB)
    };
    let (p, slope) = chance(rating);
    let information: f64 = (0..words)
        .map(|word| {
            let (p, slope) = chance(word);
            slope * slope / p
        })
        .sum();
    (libm::log(p), slope / p, information)
}
