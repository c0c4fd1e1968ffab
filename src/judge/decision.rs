//! From beliefs about curves to a decision: draws of every spot's spread, who is best how often, what choosing the
//! leader costs.

use nalgebra::DMatrix;

use crate::judge::posterior::Problem;
use crate::judge::prior::GridMap;
use crate::judge::usual::skewed;
use crate::judge::weighing::Weighed;
use crate::judge::{Estimate, ShootOut};
use crate::stats::gaussian::NormalDraws;
use crate::stats::normal;

/// How unusual a curve may be of which nothing was heard: standard deviation of the logarithm of its size.
const UNUSUAL: f64 = 0.15;

/// Noise of a comparison, as a difference of spreads, dB (careful guesses, not measured): blind, and where the listener
/// knew which spot was heard, so that what was expected is heard as well.
const BLIND_NOISE_DB: f64 = 1.0;
const KNOWN_NOISE_DB: f64 = 2.0;

/// Draws of everything that is decided on.
#[derive(Debug, Clone)]
pub struct Draws {
    /// Spread in dB, draws x spots (weighted mean over the seats).
    pub spread_db: DMatrix<f64>,
    /// Deviations of the notes, draws x (pairs x notes), dB.
    pub field_db: DMatrix<f64>,
}

/// Draws from a mixture of fits with weights that sum to 1.
pub fn draw(problem: &Problem, fits: &[Weighed], seat_weights: &[f64], draws: usize, seed: u64) -> Draws {
    let Some(prior) = fits.first().map(|f| f.prior) else {
        return Draws { spread_db: DMatrix::zeros(0, 0), field_db: DMatrix::zeros(0, 0) };
    };
    let (notes, pairs) = (prior.notes, prior.spots * prior.seats);
    let mut answers = vec![0; pairs];
    problem.answers.iter().for_each(|a| answers[a.pair] += 1);
    let mut source = NormalDraws::new(seed);
    let mut field_db = DMatrix::zeros(notes * pairs, draws);
    let mut spread_db = DMatrix::zeros(draws, prior.spots);
    let total: f64 = seat_weights.iter().take(prior.seats).sum();
    let (mut filled, mut cumulative) = (0, 0.0);
    for (index, Weighed { prior, fit, weight }) in fits.iter().enumerate() {
        cumulative += weight;
        let until = if index + 1 == fits.len() {
            draws
        } else {
            ((cumulative * draws as f64).round() as usize).clamp(filled, draws)
        };
        let count = until - filled;
        if count == 0 {
            continue;
        }
        // What a room model predicts is skewed by itself.
        let skew = prior.unknown_room && !problem.levels_as_heard;
        let half = count.div_ceil(2);
        let mut common = source.matrix(fit.mean.common.len(), half);
        fit.factored.spread_common(&mut common);
        for pair in 0..pairs {
            let mut apart = source.matrix(fit.mean.own[pair].len(), half);
            fit.factored.spread_own(pair, &mut apart, &common);
            let mut curves = field_db.view_mut((pair * notes, filled), (notes, count));
            // A curve of which little was heard may be wilder or tamer than usual.
            let doubt = UNUSUAL / libm::sqrt(1.0 + answers[pair] as f64 / notes as f64);
            for (k, mut column) in curves.column_iter_mut().enumerate() {
                let wild = libm::exp(doubt * source.draw());
                column.copy_from(&fit.mean.own[pair].rows(0, notes));
                column.axpy(if k < half { wild } else { -wild }, &apart.column(k % half).rows(0, notes), 1.0);
            }
            let share = seat_weights[pair / prior.spots] / total;
            if share > 0.0 {
                let spread = spreads(&prior.grids[pair], &curves.clone_owned(), skew, &mut source);
                for (k, s) in spread.into_iter().enumerate() {
                    spread_db[(filled + k, pair % prior.spots)] += share * s;
                }
            }
            if skew {
                curves.apply(|x| *x = skewed(*x));
            }
        }
        filled = until;
    }
    Draws { spread_db, field_db }
}

/// Spread over the grid of each curve, which is given as the bell curve has it, `skew`ed or not.
fn spreads(map: &GridMap, curves: &DMatrix<f64>, skew: bool, source: &mut NormalDraws) -> Vec<f64> {
    let mut grid = &map.weights * curves + &map.open * source.matrix(map.open.ncols(), curves.ncols());
    grid.column_iter_mut().for_each(|mut column| {
        column += &map.known;
        if skew {
            column.apply(|x| *x = skewed(*x));
        }
    });
    grid.column_iter().map(|column| libm::sqrt(column.variance() + map.rough)).collect()
}

/// Lets comparisons speak: draws are kept in proportion to how likely they make the outcomes (each a probit in the
/// difference of spreads), by systematic resampling.
pub fn heed(draws: &mut Draws, outcomes: &[ShootOut]) {
    let (count, spots) = draws.spread_db.shape();
    let usable: Vec<&ShootOut> =
        outcomes.iter().filter(|o| o.more_even < spots && o.less_even < spots && o.more_even != o.less_even).collect();
    if usable.is_empty() || count == 0 {
        return;
    }
    let weight = |k: usize| -> f64 {
        let apart = |o: &&ShootOut| draws.spread_db[(k, o.less_even)] - draws.spread_db[(k, o.more_even)];
        let noise_db = |o: &&ShootOut| if o.blind { BLIND_NOISE_DB } else { KNOWN_NOISE_DB };
        usable.iter().map(|o| 0.02 + 0.96 * normal::cumulative(apart(o) / noise_db(o))).product()
    };
    let weights: Vec<f64> = (0..count).map(weight).collect();
    let total: f64 = weights.iter().sum();
    let mut kept = Vec::with_capacity(count);
    let mut sum = 0.0;
    for (k, w) in weights.iter().enumerate() {
        sum += w / total * count as f64;
        while kept.len() < count && (kept.len() as f64 + 0.5) <= sum {
            kept.push(k);
        }
    }
    kept.resize(count, kept.last().copied().unwrap_or(0));
    draws.spread_db = draws.spread_db.select_rows(&kept);
    draws.field_db = draws.field_db.select_columns(&kept);
}

/// Mean of each column.
pub fn means(matrix: &DMatrix<f64>) -> Vec<f64> {
    matrix.column_iter().map(|c| c.mean()).collect()
}

/// Covariance of the columns.
pub fn covariance(matrix: &DMatrix<f64>) -> DMatrix<f64> {
    let mut apart = matrix.clone();
    for mut column in apart.column_iter_mut() {
        let mean = column.mean();
        column.add_scalar_mut(-mean);
    }
    apart.tr_mul(&apart) / matrix.nrows().max(1) as f64
}

/// How often each column is the smallest of its row.
pub fn probability_smallest(matrix: &DMatrix<f64>) -> Vec<f64> {
    let mut count = vec![0.0; matrix.ncols()];
    for row in matrix.row_iter() {
        count[row.transpose().imin()] += 1.0 / matrix.nrows() as f64;
    }
    count
}

/// By how much column `chosen` exceeds the smallest of its row, on average.
pub fn regret(matrix: &DMatrix<f64>, chosen: usize) -> f64 {
    matrix.row_iter().map(|row| row[chosen] - row.min()).sum::<f64>() / matrix.nrows() as f64
}

/// Mean with its 80 % interval.
pub fn estimate(values: &mut [f64]) -> Estimate {
    if values.is_empty() {
        return Estimate { value: 0.0, low: 0.0, high: 0.0 };
    }
    let last = (values.len() - 1) as f64;
    let mut at = |p: f64| *values.select_nth_unstable_by((last * p).round() as usize, f64::total_cmp).1;
    let (low, high) = (at(0.1), at(0.9));
    let value = values.iter().sum::<f64>() / values.len() as f64;
    Estimate { value, low, high }
}
