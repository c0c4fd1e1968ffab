//! From beliefs about curves to a decision: draws of every spot's spread, who is best how often, what choosing the leader costs.

use nalgebra::{DMatrix, DVector};

use crate::judge::posterior::Problem;
use crate::judge::prior::FieldPrior;
use crate::judge::ranking::Weighed;
use crate::judge::{Estimate, ShootOut};
use crate::stats::gaussian::{self, NormalDraws};
use crate::stats::normal;

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
    let (start, width) = (problem.field_start(), notes * pairs);
    let mut source = NormalDraws::new(seed);
    let mut field = DMatrix::zeros(width, draws);
    let mut spread_db = DMatrix::zeros(draws, prior.spots);
    let mut filled = 0;
    let mut cumulative = 0.0;
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
        // The curves come last among the unknowns, so the trailing block of the factor alone gives their joint draws.
        let lower = fit.factor.lower().view((start, start), (width, width)).into_owned();
        let half = count.div_ceil(2);
        let mut x = source.matrix(width, half);
        gaussian::solve_transposed(&lower, &mut x);
        let mode = fit.mode.rows(start, width);
        for k in 0..count {
            let sign = if k < half { 1.0 } else { -1.0 };
            let mut column = field.column_mut(filled + k);
            column.copy_from(&mode);
            column.axpy(sign, &x.column(k % half), 1.0);
        }
        let spread = spreads(prior, &field.columns(filled, count).into_owned(), seat_weights, &mut source);
        spread_db.rows_mut(filled, count).copy_from(&spread);
        filled = until;
    }
    Draws { spread_db, field_db: field }
}

/// Lets blind comparisons speak: draws are kept in proportion to how likely they make the outcomes (each a probit in the difference of
/// spreads with `noise_db`), by systematic resampling.
pub fn heed(draws: &mut Draws, outcomes: &[ShootOut], noise_db: f64) {
    let (count, spots) = draws.spread_db.shape();
    let usable: Vec<&ShootOut> =
        outcomes.iter().filter(|o| o.more_even < spots && o.less_even < spots && o.more_even != o.less_even).collect();
    if usable.is_empty() || count == 0 {
        return;
    }
    let weight = |k: usize| -> f64 {
        let apart = |o: &&ShootOut| draws.spread_db[(k, o.less_even)] - draws.spread_db[(k, o.more_even)];
        usable.iter().map(|o| 0.02 + 0.96 * normal::cumulative(apart(o) / noise_db)).product()
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

fn spreads(prior: &FieldPrior, field: &DMatrix<f64>, seat_weights: &[f64], source: &mut NormalDraws) -> DMatrix<f64> {
    let draws = field.ncols();
    let total: f64 = seat_weights.iter().take(prior.seats).sum();
    let mut spread = DMatrix::zeros(draws, prior.spots);
    for (seat, weight) in seat_weights.iter().enumerate().take(prior.seats) {
        let share = weight / total;
        if share <= 0.0 {
            continue;
        }
        for spot in 0..prior.spots {
            let pair = seat * prior.spots + spot;
            let map = &prior.grids[pair];
            let at = field.rows(pair * prior.notes, prior.notes);
            let known: DVector<f64> = &map.mean - &map.weights * prior.mean.rows(pair * prior.notes, prior.notes);
            let z = source.matrix(map.rest.ncols(), draws);
            let mut curve = &map.weights * at + &map.rest * z;
            for mut column in curve.column_iter_mut() {
                column += &known;
            }
            for (k, column) in curve.column_iter().enumerate() {
                spread[(k, spot)] += share * libm::sqrt(column.variance());
            }
        }
    }
    spread
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
    values.sort_by(f64::total_cmp);
    let at = |p: f64| values[((values.len() - 1) as f64 * p).round() as usize];
    Estimate { value: values.iter().sum::<f64>() / values.len() as f64, low: at(0.1), high: at(0.9) }
}
