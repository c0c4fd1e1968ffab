//! What the answers so far say about mains and subwoofer at the seat.
//!
//! Unknown are four curves over the bands (mains, subwoofer, phase between the two, the person's own contour), seven numbers
//! about controls and person, and an offset for each pass. All are normal beforehand. For every delay and polarity in
//! question the most likely curves are found by Fisher's scoring (Gauss-Newton steps with expected information), and the
//! hypotheses are weighed by Laplace's approximation (MacKay, Information Theory, Inference, and Learning Algorithms,
//! chapter 27; from memory).

use nalgebra::{DMatrix, DVector};

use crate::blend::control::{Device, Role, Unit};
use crate::blend::tune::model::{
    CONTOUR, Draw, Effect, FIRST_PASS, Hypothesis, Known, MAINS, PHASE, POINTS, Points, SUBWOOFER, Scalar, amplitude,
    grid_hz, high_pass_12, power, under_band,
};
use crate::blend::tune::{Case, Pass, Sounding};
use crate::evidence::Heard;
use crate::stats::gaussian::{self, NormalDraws};
use crate::stats::normal;

/// Delays in question, milliseconds: a subwoofer that is later than the mains by so much.
const LATE_MS: [f64; 12] = [-1.0, 1.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0, 21.0];
/// Borders between the seven words, dB (design: near 1.5, 4 and 8).
const BORDERS_DB: [f64; 6] = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0];
/// How far along the octaves the rough part of a response hangs together.
const ROUGH_OCTAVES: f64 = 0.12;
/// Noise of one rating with borders that differ from person to person, and share of answers given without listening.
pub const RATING_DB: f64 = 1.8;
const LAPSES: f64 = 0.03;
/// Noise of a match and of a meter, dB.
const MATCH_DB: f64 = 1.5;
const METER_DB: f64 = 1.0;
/// From pass to pass all answers shift together by this, dB.
const MOOD_DB: f64 = 1.2;
/// The subwoofer's level where climbs begin, over the mains', dB.
const LOUDER_DB: [f64; 3] = [-8.0, 0.0, 8.0];
/// Steps of the first climbs and of those that go on, and how many go on.
const SHORT: usize = 4;
const STEPS: usize = 12;
const PEAKS: usize = 14;

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
        let prior = prior(case, passes);
        let effects: Vec<Effect> = passes.iter().map(|pass| Effect::of(case, &pass.setting)).collect();
        let fit = |hypothesis| Fit { case, passes, effects: &effects, prior: &prior, hypothesis };
        // A short climb from every start, and to the top from where it looks best.
        let mut climbs: Vec<(Hypothesis, Climb)> = Vec::new();
        for late_ms in LATE_MS {
            for inverted in [false, true] {
                let hypothesis = Hypothesis { late_s: late_ms * 1e-3, inverted };
                for louder_db in LOUDER_DB {
                    climbs.push((hypothesis, fit(hypothesis).begin(louder_db, SHORT)));
                }
            }
        }
        climbs.sort_by(|a, b| b.1.evidence().total_cmp(&a.1.evidence()));
        climbs.truncate(PEAKS);
        let found: Vec<(Hypothesis, DVector<f64>, gaussian::Factor, f64)> = climbs
            .into_iter()
            .map(|(hypothesis, mut climb)| {
                fit(hypothesis).climb(&mut climb, STEPS);
                let evidence = climb.evidence();
                (hypothesis, climb.at, climb.factor, evidence)
            })
            .collect();
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

    /// Levels of bands that are expected at a setting, dB over equal loudness with the reference.
    pub fn expected_db(&self, setting: &[f64], sounding: Sounding, bands_hz: &[f64], seed: u64) -> Vec<f64> {
        const DRAWS: usize = 16;
        let effect = Effect::of(&self.case, setting);
        let mut sums_db = vec![0.0; bands_hz.len()];
        for draw in self.draws(DRAWS, seed) {
            let power = draw.power(&effect.at_points(&self.case, draw.known), sounding);
            for (sum_db, &hz) in sums_db.iter_mut().zip(bands_hz) {
                let total: f64 =
                    under_band(self.case.crossover_hz, hz).into_iter().map(|(k, weight)| weight * power[k]).sum();
                *sum_db += 10.0 * libm::log10(total) / DRAWS as f64;
            }
        }
        sums_db
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

fn prior(case: &Case, passes: &[Pass]) -> Prior {
    let size = FIRST_PASS + passes.len();
    let mut mean = DVector::zeros(size);
    let mut precision = DMatrix::zeros(size, size);
    let grid = grid_hz(case.crossover_hz);
    for (k, &hz) in grid.iter().enumerate() {
        let (db, radians) = high_pass_12(hz / case.system.mains.rated_low_hz);
        mean[MAINS + k] = db;
        mean[PHASE + k] = -radians;
    }
    // Same for all, slope per octave, smooth over a third of an octave and rough over an eighth: standard deviations. A standing
    // wave is 2.2/T wide, 4 to 9 Hz in furnished rooms: an eighth of an octave at the crossover.
    for (first, same, slope, smooth, rough, octaves) in [
        (MAINS, 5.0, 4.0, 4.0, 3.0, 0.33),
        (SUBWOOFER, 8.0, 3.0, 4.0, 3.0, 0.33),
        (PHASE, 0.9, 1.2, 0.6, 0.35, 0.33),
        (CONTOUR, 1.5, 0.0, 1.3, 0.0, 0.5),
    ] {
        let covariance = DMatrix::from_fn(POINTS, POINTS, |i, j| {
            let (x, y) = (libm::log2(grid[i] / case.crossover_hz), libm::log2(grid[j] / case.crossover_hz));
            let bell = |octaves: f64| libm::exp(-0.5 * ((x - y) / octaves).powi(2));
            let own = if i == j { 1e-3 * smooth * smooth } else { 0.0 };
            same * same
                + slope * slope * x * y
                + smooth * smooth * bell(octaves)
                + rough * rough * bell(ROUGH_OCTAVES)
                + own
        });
        let inverse = gaussian::factor(&covariance).inverse();
        precision.view_mut((first, first), (POINTS, POINTS)).copy_from(&inverse);
    }
    let slope = case.low_pass_order.map_or((0.8, 0.25), |order| (order / 4.0, 0.04));
    let role = |role: Role| case.system.any(role).map(|(_, control)| control);
    let level_doubt = match role(Role::Level) {
        Some(control) if control.unit == Unit::Percent => 0.25,
        Some(control) if control.on == Device::Processor => 0.02,
        _ => 0.1,
    };
    let low_pass_doubt = match role(Role::LowPass).or(role(Role::Crossover)) {
        Some(control) if control.unit == Unit::Percent => 0.4,
        Some(control) if control.on == Device::Processor => 0.02,
        _ => 0.15,
    };
    for (scalar, middle, doubt) in [
        (Scalar::LowPassOff, 0.0, low_pass_doubt),
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
    for (number, pass) in passes.iter().enumerate() {
        // Close by, only differences between bands count.
        let doubt_db = if pass.sounding == Sounding::NearSubwoofer { 10.0 } else { MOOD_DB };
        precision[(FIRST_PASS + number, FIRST_PASS + number)] = 1.0 / (doubt_db * doubt_db);
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

/// Where a climb has got to.
struct Climb {
    at: DVector<f64>,
    gradient: DVector<f64>,
    height: f64,
    factor: gaussian::Factor,
}

impl Climb {
    /// Laplace's approximation, but for a constant.
    fn evidence(&self) -> f64 {
        self.height - 0.5 * self.factor.log_determinant()
    }
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
    /// A climb from the prior's mean with the subwoofer louder by so much.
    fn begin(&self, louder_db: f64, steps: usize) -> Climb {
        let mut at = self.prior.mean.clone();
        for k in 0..POINTS {
            at[SUBWOOFER + k] += louder_db;
        }
        let here = self.slope(&at);
        let height = self.height(&at, &here);
        let factor = gaussian::factor(&here.information);
        let mut climb = Climb { at, gradient: here.gradient, height, factor };
        self.climb(&mut climb, steps);
        climb
    }

    /// Towards the most likely unknowns.
    fn climb(&self, climb: &mut Climb, steps: usize) {
        for _ in 0..steps {
            let mut step = climb.factor.solve(&climb.gradient);
            let longest = (0..POINTS).map(|k| step[PHASE + k].abs()).fold(0.0, f64::max);
            if longest > 1.0 {
                step *= 1.0 / longest;
            }
            let before = climb.height;
            for _ in 0..5 {
                let tried = &climb.at + &step;
                let there = self.slope(&tried);
                let reached = self.height(&tried, &there);
                if reached > climb.height {
                    let factor = gaussian::factor(&there.information);
                    *climb = Climb { at: tried, gradient: there.gradient, height: reached, factor };
                    break;
                }
                step *= 0.4;
            }
            if climb.height - before < 0.02 {
                break;
            }
        }
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
            for ((&band_hz, gain_db), heard) in pass.bands_hz.iter().zip(&pass.gains_db).zip(&pass.heard) {
                let Some(heard) = heard else { continue };
                let mut expected = self.expected(&draw, pass.sounding, &points, &moved, band_hz);
                expected.level_db += gain_db;
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
            let b = amplitude(draw.subwoofer_at(k, sounding) + points.subwoofer_db[k]);
            let phase = draw.phase[k] + points.phase[k];
            total += weight * power(a, b, phase, sounding);
            let (of_mains, of_subwoofer, of_phase) = match sounding {
                Sounding::Mains => (2.0 * a * a, 0.0, 0.0),
                Sounding::Subwoofer | Sounding::NearSubwoofer => (0.0, 2.0 * b * b, 0.0),
                Sounding::Both => {
                    let cross = a * b * libm::cos(phase);
                    (2.0 * (a * a + cross), 2.0 * (b * b + cross), -2.0 * a * b * libm::sin(phase))
                }
            };
            let per_db = std::f64::consts::LN_10 / 20.0;
            slopes.push((MAINS + k, weight * of_mains * per_db));
            if sounding != Sounding::NearSubwoofer {
                slopes.push((SUBWOOFER + k, weight * of_subwoofer * per_db));
            }
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
        Heard::Meter { level_db_spl: read_db } | Heard::Microphone { level_db: read_db } => gauss(
            read_db,
            expected.level_db + unknowns[Scalar::Meter.at()],
            std::env::var("MDB").map_or(METER_DB, |x| x.parse().unwrap()),
        ),
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
