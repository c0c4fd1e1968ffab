//! The listener and all curves together, given the answers: expectation propagation for a few listeners, from careful
//! to poor.
//!
//! Unknowns: per seat-and-spot pair the deviations of all notes and one offset per stay there (the idea of 'even', the
//! scale of a meter); common to all pairs the six borders between the words, the listener's own equal-loudness error
//! per note, and the numbers that the spots of a room share.
//!
//! Source: Minka (2001) as in `grading`; the sums of evidence after Seeger, Expectation propagation for exponential
//! families (2005).

use nalgebra::{DMatrix, DVector};

use crate::judge::arrow::{Arrow, Factored, Marginals, Parts};
use crate::judge::grading::{BORDERS_DB, Site, tilt};
use crate::judge::prior::FieldPrior;
use crate::judge::reading::{Answer, BORDERS, Reading, Says};
use crate::stats::gaussian;

/// Share of answers given without listening, *from memory* a few in a hundred.
pub const CARELESS: f64 = 0.03;
/// The sites settle in five to ten rounds; this only bounds them.
const MOST_ROUNDS: usize = 14;
/// All is settled when no answer's expected loudness moves by more than this, dB.
const SETTLED_DB: f64 = 0.05;
/// Listeners stretch the scale where all is even and squeeze it where all is uneven, by this power of the spread:
/// between not at all and 0.15 in range-effect experiments, *from memory*.
const STRETCH: f64 = 0.08;
/// The spread at which they do neither, dB.
const USUAL_SPREAD_DB: f64 = 6.0;

/// That a curve's own part varies as usual counts as much as this many notes (its size then differs by 16 % between
/// curves).
const USUAL_COUNTS: f64 = 20.0;

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
    /// What the offsets of each pair are.
    pub offsets: &'a [Vec<Offset>],
    /// Whether there are levels that stand as they were heard, not turned back to the bell curve behind them.
    pub levels_as_heard: bool,
}

/// What a fit can begin from: another listener's, or nothing.
#[derive(Debug, Clone)]
pub struct Start {
    /// What each answer says by itself.
    sites: Vec<Site>,
    /// How much more each pair's own curve varies than usual (a variance ratio).
    pub unusual: Vec<f64>,
    /// By which factor the scale is stretched or squeezed at each pair.
    pub stretch: Vec<f64>,
}

impl Start {
    /// Nothing heard yet, and nothing unusual.
    pub fn plain(answers: usize, pairs: usize) -> Self {
        Self { sites: vec![Site::default(); answers], unusual: vec![1.0; pairs], stretch: vec![1.0; pairs] }
    }
}

/// One Gaussian belief.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The listener it holds for.
    pub listener: Listener,
    /// Expected values.
    pub mean: Parts,
    /// Factored inverse covariance.
    pub factored: Factored,
    /// Logarithm of the evidence for this listener.
    pub log_evidence: f64,
    /// What the next fit can begin from.
    pub settled: Start,
}

impl Problem<'_> {
    /// Where the contour begins among the common numbers.
    pub const CONTOUR: usize = BORDERS;

    /// Where what the spots share begins among the common numbers.
    pub fn shared_start(&self) -> usize {
        BORDERS + self.octave.len()
    }

    fn prior_mean(&self, prior: &FieldPrior) -> Parts {
        let mut common = DVector::zeros(self.shared_start() + prior.shared);
        common.rows_mut(0, BORDERS).copy_from_slice(&BORDERS_DB);
        let own = (prior.mean.iter().zip(self.offsets))
            .map(|(mean, offsets)| mean.clone().resize_vertically(prior.notes + offsets.len(), 0.0))
            .collect();
        Parts { own, common }
    }

    /// The inverse covariance before any answer.
    fn prior_arrow(&self, prior: &FieldPrior, listener: &Listener, unusual: &[f64]) -> Arrow {
        let (notes, start) = (prior.notes, self.shared_start());
        let size = start + prior.shared;
        let mut common = DMatrix::zeros(size, size);
        common.view_mut((0, 0), (BORDERS, BORDERS)).copy_from(&gaussian::factor(&border_covariance()).inverse());
        let contour = contour_covariance(self.octave, listener.contour_db);
        common.view_mut((BORDERS, BORDERS), (notes, notes)).copy_from(&gaussian::factor(&contour).inverse());
        for k in start..size {
            common[(k, k)] = 1.0;
        }
        let (mut own, mut tie) = (Vec::new(), Vec::new());
        for (pair, offsets) in self.offsets.iter().enumerate() {
            let (of_pair, usual) = (&prior.own[prior.own_of[pair]], 1.0 / unusual[pair]);
            let seat = start + prior.seat_start(pair);
            let width = of_pair.of_shared.ncols();
            let mut block = (&of_pair.precision * usual).resize(notes + offsets.len(), notes + offsets.len(), 0.0);
            for (k, offset) in offsets.iter().enumerate() {
                let sd = match offset {
                    Offset::Rating => listener.drift_db,
                    Offset::Reading => 30.0,
                };
                block[(notes + k, notes + k)] = 1.0 / (sd * sd);
            }
            let mut with_common = DMatrix::zeros(block.nrows(), size);
            with_common.view_mut((0, seat), (notes, width)).copy_from(&(&of_pair.of_shared * -usual));
            let mut square = common.view_mut((seat, seat), (width, width));
            square += &of_pair.square_of_shared * usual;
            own.push(block);
            tie.push(with_common);
        }
        Arrow { own, tie, common }
    }

    /// Expected values and uncertainty for one listener. What is unusual about each pair is learnt on the
    /// way, or stays as it is.
    pub fn fit(&self, prior: &FieldPrior, listener: Listener, from: Option<&Start>, learning: bool) -> Fit {
        let pairs = self.offsets.len();
        let mut now = from.cloned().unwrap_or_else(|| Start::plain(self.answers.len(), pairs));
        let prior_mean = self.prior_mean(prior);
        let mut arrow = self.prior_arrow(prior, &listener, &now.unusual);
        let mut before: Option<Vec<f64>> = None;
        for round in 0.. {
            let prior_shift = arrow.times(&prior_mean);
            let (with, shift, constant) = self.with_answers(&arrow, &prior_shift, &now);
            let factored = with.factor();
            let mean = factored.solve(&shift);
            let marginals = factored.marginals();
            let heard = self.heard(&mean, &now.stretch);
            let moved = before
                .as_ref()
                .map_or(f64::INFINITY, |old| old.iter().zip(&heard).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max));
            let last = moved < SETTLED_DB || round >= MOST_ROUNDS;
            let mut evidence = 0.0;
            let damping = if round < 2 { 1.0 } else { 0.8 };
            for (answer, site) in self.answers.iter().zip(&mut now.sites) {
                let Says::Word { word, shortfall_db } = answer.says else { continue };
                let reading = Reading::of(answer, self.growth, now.stretch[answer.pair]);
                let belief = reading.distances(word, &mean, &marginals);
                let Some(cavity) = belief.without(site) else { continue };
                let known = self.growth[answer.note] * shortfall_db;
                let tilted = tilt(&cavity, known, word, listener.noise_db, CARELESS);
                if last {
                    evidence += tilted.evidence(&cavity, &belief);
                    continue;
                }
                let wanted = tilted.site(&cavity).unwrap_or_default();
                for k in 0..3 {
                    site.precision[k] += damping * (wanted.precision[k] - site.precision[k]);
                }
                for k in 0..2 {
                    site.shift[k] += damping * (wanted.shift[k] - site.shift[k]);
                }
            }
            if last {
                let of = |m: &Parts, s: &Parts, log_determinant: f64| 0.5 * (m.dot(s) - log_determinant);
                let log_evidence = of(&mean, &shift, factored.log_determinant())
                    - of(&prior_mean, &prior_shift, arrow.factor().log_determinant())
                    + constant
                    + evidence;
                return Fit { listener, mean, factored, log_evidence, settled: now };
            }
            if learning && round < 6 {
                self.learn(prior, &mean, &marginals, &mut now);
                arrow = self.prior_arrow(prior, &listener, &now.unusual);
            }
            before = Some(heard);
        }
        unreachable!("the loop above has no other end")
    }

    fn heard(&self, mean: &Parts, stretch: &[f64]) -> Vec<f64> {
        let one = |a: &Answer| {
            let r = Reading::of(a, self.growth, stretch[a.pair]);
            r.gain * mean.own[r.pair][r.note] + mean.own[r.pair][r.offset] + r.ear * mean.common[r.contour]
        };
        self.answers.iter().map(one).collect()
    }

    /// The prior with what every answer adds; and the constant that levels add to the evidence.
    fn with_answers(&self, prior: &Arrow, prior_shift: &Parts, now: &Start) -> (Arrow, Parts, f64) {
        let (mut arrow, mut shift, mut constant) = (prior.clone(), prior_shift.clone(), 0.0);
        for (answer, site) in self.answers.iter().zip(&now.sites) {
            let r = Reading::of(answer, self.growth, now.stretch[answer.pair]);
            match answer.says {
                Says::Word { word, .. } => {
                    let [aa, ab, bb] = site.precision;
                    r.add(&mut arrow, &mut shift, -(site.shift[0] + site.shift[1]), aa + 2.0 * ab + bb);
                    if word > 0 {
                        r.add_border(&mut arrow, &mut shift, word - 1, site.shift[0], aa, -(aa + ab));
                    }
                    if word < BORDERS {
                        r.add_border(&mut arrow, &mut shift, word, site.shift[1], bb, -(bb + ab));
                    }
                    if word > 0 && word < BORDERS {
                        arrow.common[(word, word - 1)] += ab;
                        arrow.common[(word - 1, word)] += ab;
                    }
                }
                Says::Level { level_db, noise_db, .. } => {
                    let w = 1.0 / (noise_db * noise_db);
                    r.add(&mut arrow, &mut shift, w * level_db, w);
                    constant += 0.5 * (libm::log(w) - w * level_db * level_db);
                }
            }
        }
        (arrow, shift, constant)
    }

    /// How unusual each pair's own curve is, and how the listener stretches the scale there, from what is believed now.
    fn learn(&self, prior: &FieldPrior, mean: &Parts, at: &Marginals, now: &mut Start) {
        let (notes, start) = (prior.notes, self.shared_start());
        for pair in 0..self.offsets.len() {
            let of_pair = &prior.own[prior.own_of[pair]];
            let seat = start + prior.seat_start(pair);
            let loading = &of_pair.loading;
            let width = loading.ncols();
            let curve = mean.own[pair].rows(0, notes).into_owned();
            let own = &curve - &prior.mean[pair] - loading * mean.common.rows(seat, width);
            let block = at.own[pair].view((0, 0), (notes, notes));
            let tie = at.tie[pair].view((0, seat), (notes, width));
            let common = at.common.view((seat, seat), (width, width));
            // Trace of the precision times the covariance of the pair's own part.
            let doubt = of_pair.precision.component_mul(&block).sum()
                - 2.0 * of_pair.of_shared.component_mul(&tie).sum()
                + of_pair.square_of_shared.component_mul(&common).sum();
            let square = own.dot(&(&of_pair.precision * &own)) + doubt.max(0.0);
            now.unusual[pair] = ((USUAL_COUNTS + square) / (USUAL_COUNTS + notes as f64)).clamp(0.3, 4.0);
            let middle = curve.mean();
            let spread_db = libm::sqrt(
                curve.iter().map(|x| (x - middle) * (x - middle)).sum::<f64>() / notes as f64
                    + block.trace() / notes as f64,
            );
            now.stretch[pair] = libm::pow(spread_db.max(0.5) / USUAL_SPREAD_DB, -STRETCH).clamp(0.8, 1.25);
        }
    }
}

/// How listeners' borders differ: a common scale (25 %), a common shift (0.5 dB), 10 % of their own.
pub fn border_covariance() -> DMatrix<f64> {
    DMatrix::from_fn(BORDERS, BORDERS, |i, j| {
        let both = BORDERS_DB[i] * BORDERS_DB[j];
        0.25 * 0.25 * both + 0.25 + if i == j { 0.01 * both } else { 0.0 }
    })
}

/// How listeners' own equal-loudness contours differ: smooth over half an octave.
pub fn contour_covariance(octave: &[f64], contour_db: f64) -> DMatrix<f64> {
    DMatrix::from_fn(octave.len(), octave.len(), |i, j| {
        let d = (octave[i] - octave[j]) / 0.5;
        contour_db * contour_db * (libm::exp(-0.5 * d * d) + if i == j { 0.01 } else { 0.0 })
    })
}
