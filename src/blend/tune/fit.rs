//! The most likely system under one hypothesis about delay and polarity.

use nalgebra::{DMatrix, DVector};

use crate::blend::tune::model::{
    CONTOUR, Draw, Effect, FIRST_PASS, Hypothesis, Known, MAINS, PHASE, POINTS, Points, SUBWOOFER, Scalar, amplitude,
    grid_hz, power, under_band,
};
use crate::blend::tune::prior::Prior;
use crate::blend::tune::{Case, Pass, Sounding};
use crate::evidence::Heard;
use crate::stats::gaussian;
use crate::stats::normal;

/// Borders between the seven words, dB (design: near 1.5, 4 and 8).
const BORDERS_DB: [f64; 6] = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0];
/// Noise of one rating with borders that differ from person to person, dB.
pub const RATING_DB: f64 = 1.65;
/// Noise of a match and of a meter, dB.
const MATCH_DB: f64 = 1.5;
const METER_DB: f64 = 1.0;

/// How far ratings are trusted.
#[derive(Debug, Clone, Copy)]
pub struct Trust {
    /// Noise of one rating, dB.
    rating_db: f64,
    /// Share of answers given without listening.
    lapses: f64,
}

impl Trust {
    /// As people rate.
    pub const USUAL: Self = Self { rating_db: RATING_DB, lapses: 0.03 };
    /// For the first steps. An answer far from what is expected might be a lapse, so that nothing would lead on from
    /// there, and a deep hole that was heard again and again would be taken for as many lapses. With hardly any of
    /// these, and a wide noise, the climb goes to where the answers point.
    pub const WIDE: Self = Self { rating_db: 4.0, lapses: 1e-15 };
}

/// The answers, and what they are held against.
pub struct Fit<'a> {
    pub case: &'a Case,
    pub passes: &'a [Pass],
    pub effects: &'a [Effect],
    pub prior: &'a Prior,
    pub hypothesis: Hypothesis,
    pub trust: Trust,
}

/// Where a climb has got to.
pub struct Climb {
    pub at: DVector<f64>,
    gradient: DVector<f64>,
    height: f64,
    pub factor: gaussian::Factor,
}

impl Climb {
    /// Laplace's approximation, but for a constant.
    pub fn evidence(&self, prior: &Prior) -> f64 {
        self.height + 0.5 * prior.log_determinant - 0.5 * self.factor.log_determinant()
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
    pub fn begin(&self, louder_db: f64, steps: usize) -> Climb {
        let mut at = self.prior.mean.clone();
        for k in 0..POINTS {
            at[SUBWOOFER + k] += louder_db;
        }
        let mut climb = self.from(at);
        self.climb(&mut climb, steps);
        climb
    }

    /// Where a climb from here starts.
    pub fn from(&self, at: DVector<f64>) -> Climb {
        let here = self.slope(&at);
        let height = self.height(&at, &here);
        let factor = gaussian::factor(&here.information);
        Climb { at, gradient: here.gradient, height, factor }
    }

    /// Towards the most likely unknowns.
    pub fn climb(&self, climb: &mut Climb, steps: usize) {
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
                self.add(&mut slope, unknowns, number, *heard, &expected, &self.contour(band_hz));
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
        let near = sounding == Sounding::NearSubwoofer;
        let mut total = 0.0;
        let mut slopes: Vec<(usize, f64)> = Vec::with_capacity(16);
        let mut scalars = [0.0; 5];
        for &(k, weight) in &under {
            let a = amplitude(draw.mains_db[k] + points.mains_db[k]);
            let b = amplitude(draw.subwoofer_at(points, k, sounding));
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
            if !near {
                slopes.push((SUBWOOFER + k, weight * of_subwoofer * per_db));
            }
            slopes.push((PHASE + k, weight * of_phase));
            for (sum, (_, moved)) in scalars.iter_mut().zip(moved) {
                let middle_db = if near { moved.subwoofer_db[POINTS / 2] } else { 0.0 };
                *sum += weight
                    * (of_mains * per_db * moved.mains_db[k]
                        + of_subwoofer * per_db * (moved.subwoofer_db[k] - middle_db)
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

    /// Adds one answer to the slope.
    fn add(
        &self,
        slope: &mut Slope,
        unknowns: &[f64],
        pass: usize,
        heard: Heard,
        expected: &Expected,
        contour: &[(usize, f64)],
    ) {
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
                graded(rating.index(), stretch * expected.level_db + own_db + mood_db, self.trust)
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
}

/// Log-likelihood of a rating when so much is expected to be heard, its derivative, and the expected information.
fn graded(rating: usize, heard_db: f64, Trust { rating_db, lapses }: Trust) -> (f64, f64, f64) {
    let words = BORDERS_DB.len() + 1;
    let chance = |word: usize| {
        let low = if word == 0 { f64::NEG_INFINITY } else { (BORDERS_DB[word - 1] - heard_db) / rating_db };
        let high = if word + 1 == words { f64::INFINITY } else { (BORDERS_DB[word] - heard_db) / rating_db };
        let p = lapses / words as f64 + (1.0 - lapses) * normal::interval(low, high);
        (p, (1.0 - lapses) * (normal::density(low) - normal::density(high)) / rating_db)
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
