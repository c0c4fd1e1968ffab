//! The listener and all curves together, given the answers: Laplace's approximation for a few listeners, from careful to poor.
//!
//! Unknowns, in this order: the six borders between the words; the listener's own equal-loudness error per note; one idea of 'even' per stay
//! of rating, one offset per stay and kind of reading; then the deviations of all notes at all seat-and-spot pairs.
//!
//! Source: Rue, Martino and Chopin, J. R. Statist. Soc. B 71 (2009), for Laplace within a small grid of hyperparameters.

use nalgebra::{DMatrix, DVector};

use crate::judge::grading::{BORDERS_DB, STEPS, grade};
use crate::judge::prior::FieldPrior;
use crate::stats::gaussian::{self, Factor};

const BORDERS: usize = STEPS - 1;
/// Share of answers given without listening, *from memory* a few in a hundred.
const CARELESS: f64 = 0.03;
/// Newton's method settles in five to ten rounds; this only bounds it.
const MOST_ROUNDS: usize = 25;

/// How well somebody listens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Listener {
    /// Noise of one rating, dB.
    pub noise_db: f64,
    /// Standard deviation of the idea of 'even' between stays, dB.
    pub drift_db: f64,
    /// Standard deviation of the listener's own equal-loudness contour, dB.
    pub contour_db: f64,
}

/// One answer, made ready.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Position of the seat-and-spot pair.
    pub pair: usize,
    /// Position of the note.
    pub note: usize,
    /// Position among the offsets (stays of rating, stays of match, stays of reading).
    pub offset: usize,
    /// What it says.
    pub says: Says,
}

/// What an answer says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Says {
    /// The position of the word among the seven; the shortfall is already in dB of loudness.
    Word {
        /// 0 ..= 6.
        word: usize,
        /// By how much the note was played under equal loudness, dB.
        shortfall_db: f64,
    },
    /// A level in dB up to the offset, with its own noise; `by_ear` if the listener's contour is in it.
    Level {
        /// dB.
        level_db: f64,
        /// Standard deviation, dB.
        noise_db: f64,
        /// Whether an ear compared it.
        by_ear: bool,
    },
}

/// What an offset is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Offset {
    /// The idea of 'even' in one stay: as wide as the listener drifts.
    Rating,
    /// The reference of a match or the scale of a reading: open.
    Reading,
}

/// All answers with what they hang on.
#[derive(Debug, Clone)]
pub struct Problem<'a> {
    /// Growth of loudness per dB at each note, 1 at 63 Hz.
    pub growth: &'a [f64],
    /// Log2 of each note's frequency.
    pub octave: &'a [f64],
    /// The answers.
    pub answers: &'a [Answer],
    /// What the offsets are.
    pub offsets: &'a [Offset],
    /// By which factor the scale is stretched or squeezed at each pair.
    pub stretch: &'a [f64],
}

/// One Gaussian belief.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The listener it holds for.
    pub listener: Listener,
    /// Most probable values.
    pub mode: DVector<f64>,
    /// Factor of the inverse covariance.
    pub factor: Factor,
    /// Logarithm of the evidence for this listener.
    pub log_evidence: f64,
}

impl Problem<'_> {
    /// Where the contour begins among the unknowns.
    pub const CONTOUR: usize = BORDERS;

    /// Where the offsets begin.
    pub fn offset_start(&self) -> usize {
        BORDERS + self.octave.len()
    }

    /// Where the curves begin.
    pub fn field_start(&self) -> usize {
        BORDERS + self.octave.len() + self.offsets.len()
    }

    fn size(&self, prior: &FieldPrior) -> usize {
        self.field_start() + prior.mean.len()
    }

    /// Prior mean of all unknowns.
    pub fn prior_mean(&self, prior: &FieldPrior) -> DVector<f64> {
        let mut mean = DVector::zeros(self.size(prior));
        mean.rows_mut(0, BORDERS).copy_from_slice(&BORDERS_DB);
        mean.rows_mut(self.field_start(), prior.mean.len()).copy_from(&prior.mean);
        mean
    }

    fn prior_precision(&self, prior: &FieldPrior, listener: &Listener) -> (DMatrix<f64>, f64) {
        let n = self.size(prior);
        let mut precision = DMatrix::zeros(n, n);
        let borders = gaussian::factor(&DMatrix::from_fn(BORDERS, BORDERS, |i, j| {
            let both = BORDERS_DB[i] * BORDERS_DB[j];
            0.25 * 0.25 * both + 0.25 + if i == j { 0.01 * both } else { 0.0 }
        }));
        precision.view_mut((0, 0), (BORDERS, BORDERS)).copy_from(&borders.inverse());
        let notes = self.octave.len();
        let contour = gaussian::factor(&DMatrix::from_fn(notes, notes, |i, j| {
            let d = (self.octave[i] - self.octave[j]) / 0.5;
            listener.contour_db * listener.contour_db * (libm::exp(-0.5 * d * d) + if i == j { 0.01 } else { 0.0 })
        }));
        precision.view_mut((BORDERS, BORDERS), (notes, notes)).copy_from(&contour.inverse());
        let mut log_determinant = borders.log_determinant() + contour.log_determinant();
        for (i, offset) in self.offsets.iter().enumerate() {
            let sd = match offset {
                Offset::Rating => listener.drift_db,
                Offset::Reading => 30.0,
            };
            let k = self.offset_start() + i;
            precision[(k, k)] = 1.0 / (sd * sd);
            log_determinant += 2.0 * libm::log(sd);
        }
        let (start, field) = (self.field_start(), prior.mean.len());
        precision.view_mut((start, start), (field, field)).copy_from(&prior.precision);
        (precision, log_determinant + prior.log_determinant)
    }

    /// Log likelihood; adds slope and curvature if asked for (on the last look, the curvature that counts the doubt about attention).
    fn likelihood(
        &self,
        listener: &Listener,
        careless: f64,
        at: &DVector<f64>,
        last_look: bool,
        mut slopes: Option<(&mut DVector<f64>, &mut DMatrix<f64>)>,
    ) -> f64 {
        let mut total = 0.0;
        let s = listener.noise_db;
        for answer in self.answers {
            let field = self.field_start() + answer.pair * self.octave.len() + answer.note;
            let contour = Self::CONTOUR + answer.note;
            let offset = self.offset_start() + answer.offset;
            match answer.says {
                Says::Word { word, shortfall_db } => {
                    let gain = self.growth[answer.note] * self.stretch[answer.pair];
                    let heard = gain * at[field] + at[contour] + at[offset] - self.growth[answer.note] * shortfall_db;
                    let low = if word == 0 { f64::NEG_INFINITY } else { (at[word - 1] - heard) / s };
                    let high = if word == BORDERS { f64::INFINITY } else { (at[word] - heard) / s };
                    let g = grade(low, high, careless);
                    total += g.log_probability;
                    if let Some((slope, curvature)) = slopes.as_mut() {
                        let parts = [(field, -gain / s), (contour, -1.0 / s), (offset, -1.0 / s)];
                        let h = if last_look { g.doubtful_curvature } else { g.curvature };
                        let both = h[0] + 2.0 * h[1] + h[2];
                        add(slope, curvature, &parts, g.slope[0] + g.slope[1], both);
                        if word > 0 {
                            border(slope, curvature, &parts, word - 1, s, g.slope[0], h[0], h[0] + h[1]);
                        }
                        if word < BORDERS {
                            border(slope, curvature, &parts, word, s, g.slope[1], h[2], h[2] + h[1]);
                        }
                        if word > 0 && word < BORDERS {
                            curvature[(word, word - 1)] += h[1] / (s * s);
                            curvature[(word - 1, word)] += h[1] / (s * s);
                        }
                    }
                }
                Says::Level { level_db, noise_db, by_ear } => {
                    let ear = if by_ear { 1.0 / self.growth[answer.note] } else { 0.0 };
                    let miss = level_db - at[field] - ear * at[contour] - at[offset];
                    let w = 1.0 / (noise_db * noise_db);
                    total -= 0.5 * w * miss * miss + libm::log(noise_db);
                    if let Some((slope, curvature)) = slopes.as_mut() {
                        add(slope, curvature, &[(field, 1.0), (contour, ear), (offset, 1.0)], w * miss, w);
                    }
                }
            }
        }
        total
    }

    /// The most probable values for one listener, and how sure they are. `from` is where the search begins.
    pub fn fit(&self, prior: &FieldPrior, listener: Listener, from: Option<&DVector<f64>>) -> Fit {
        let mean = self.prior_mean(prior);
        let (precision, log_determinant) = self.prior_precision(prior, &listener);
        let hill = Hill { problem: self, listener, mean, precision };
        let start = match from {
            Some(from) if from.len() == hill.mean.len() => from.clone(),
            // Far from the answers every 'booming' looks careless. So the search begins as if nobody ever were, where there is one top only.
            _ => hill.climb(hill.mean.clone(), 0.0).0,
        };
        let (mode, value, _) = hill.climb(start, CARELESS);
        let factor = hill.curvature(&mode);
        let log_evidence = value - 0.5 * log_determinant - 0.5 * factor.log_determinant();
        Fit { listener, mode, factor, log_evidence }
    }
}

/// Log posterior of one listener.
struct Hill<'a> {
    problem: &'a Problem<'a>,
    listener: Listener,
    mean: DVector<f64>,
    precision: DMatrix<f64>,
}

impl Hill<'_> {
    fn height(&self, at: &DVector<f64>, careless: f64) -> f64 {
        let d = at - &self.mean;
        self.problem.likelihood(&self.listener, careless, at, false, None) - 0.5 * d.dot(&(&self.precision * &d))
    }

    /// Factor of the curvature at the top, with the doubt whether each answer was attentive.
    fn curvature(&self, top: &DVector<f64>) -> Factor {
        let mut curvature = self.precision.clone();
        let mut slope = DVector::zeros(top.len());
        self.problem.likelihood(&self.listener, CARELESS, top, true, Some((&mut slope, &mut curvature)));
        gaussian::factor(&curvature)
    }

    /// Newton's method with halved steps; the top, its height, and the factor of the curvature there.
    fn climb(&self, start: DVector<f64>, careless: f64) -> (DVector<f64>, f64, Factor) {
        let mut at = start;
        let mut now = self.height(&at, careless);
        for round in 0.. {
            let mut slope = -(&self.precision * (&at - &self.mean));
            let mut curvature = self.precision.clone();
            self.problem.likelihood(&self.listener, careless, &at, false, Some((&mut slope, &mut curvature)));
            let factor = gaussian::factor(&curvature);
            let step = factor.solve(&slope);
            let settled = slope.dot(&step) < 1e-3 || round >= MOST_ROUNDS;
            let lengths = [1.0, 0.5, 0.25, 0.125, 0.06, 0.03, 0.015, 0.004];
            let better = lengths.iter().map(|l| &at + &step * *l).find_map(|next| {
                let there = self.height(&next, careless);
                (there > now).then_some((next, there))
            });
            match better {
                Some((next, there)) if !settled => (at, now) = (next, there),
                _ => return (at, now, factor),
            }
        }
        unreachable!("the loop above has no other end")
    }
}

fn add(slope: &mut DVector<f64>, curvature: &mut DMatrix<f64>, parts: &[(usize, f64)], g: f64, h: f64) {
    for &(i, a) in parts {
        slope[i] += a * g;
        for &(j, b) in parts {
            curvature[(i, j)] += a * b * h;
        }
    }
}

/// Adds what one border contributes: its own slope and curvature, and its tie to what is heard.
#[allow(clippy::too_many_arguments)]
fn border(
    slope: &mut DVector<f64>,
    curvature: &mut DMatrix<f64>,
    parts: &[(usize, f64)],
    k: usize,
    s: f64,
    g: f64,
    own: f64,
    tie: f64,
) {
    slope[k] += g / s;
    curvature[(k, k)] += own / (s * s);
    for &(i, a) in parts {
        curvature[(i, k)] += a * tie / s;
        curvature[(k, i)] += a * tie / s;
    }
}
