//! What a stay would teach: the share of the doubt about a spot's evenness that some more answers would take away.
//!
//! The squared spread is a quadratic form of the curve, and answers shrink a Gaussian's covariance by an amount that
//! does not depend on what they say. So the variance that is left on average has a closed form (moments of quadratic
//! forms: Mathai and Provost, Quadratic Forms in Random Variables, 1992), once the rating is taken as a reading with
//! the listener's noise and the width of a step.

use nalgebra::{DMatrix, DVector};

use crate::judge::answers::METER_NOISE_DB;
use crate::judge::arrow::Marginals;
use crate::judge::posterior::{Fit, Problem};
use crate::judge::prior::{FieldPrior, GridMap};

/// Variance of a value that is only known to lie within one of the middle steps (three wide, uniform: 9 / 12), dB^2.
const STEP_VARIANCE: f64 = 0.75;

/// With what the next answers are given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Means {
    /// Ears and seven words.
    Ears,
    /// A sound level meter.
    Meter,
}

/// What some answers would teach, the most telling notes first.
#[derive(Debug, Clone)]
pub struct Lesson {
    /// Notes, in the order in which each adds most.
    pub notes: Vec<usize>,
    /// The share of the variance of the squared spread that so many of them take away, where it was asked for;
    /// otherwise 0.
    pub share: Vec<f64>,
}

/// The squared spread as a quadratic form of the deviations from what is expected.
struct Form {
    square: DMatrix<f64>,
    slope: DVector<f64>,
    /// Variance that no answer takes away: what lies between the notes.
    open: f64,
}

fn form(map: &GridMap, curve: &DVector<f64>) -> Form {
    let grid = map.weights.nrows();
    let per = 1.0 / grid.max(1) as f64;
    let mut centred = map.weights.clone();
    let mut open = map.open.clone();
    for mut column in centred.column_iter_mut().chain(open.column_iter_mut()) {
        let mean = column.mean();
        column.add_scalar_mut(-mean);
    }
    let mut expected = &map.weights * curve + &map.known;
    let mean = expected.mean();
    expected.add_scalar_mut(-mean);
    let between = open.tr_mul(&open) * per;
    Form {
        square: centred.tr_mul(&centred) * per,
        slope: centred.tr_mul(&expected) * per,
        open: 2.0 * between.norm_squared() + 4.0 * (open.tr_mul(&expected) * per).norm_squared(),
    }
}

impl Form {
    /// Expected variance once `doubt` is left of `before`.
    fn left(&self, doubt: &DMatrix<f64>, before: &DMatrix<f64>) -> f64 {
        let own = &self.square * doubt;
        let learnt = &self.square * (before - doubt);
        2.0 * own.dot(&own.transpose())
            + 4.0 * self.slope.dot(&(doubt * &self.slope))
            + 4.0 * own.dot(&learnt.transpose())
            + self.open
    }
}

/// What answers at a pair would teach; the shares of these `counts` of notes are found.
pub fn lesson(
    problem: &Problem,
    prior: &FieldPrior,
    fit: &Fit,
    marginals: &Marginals,
    pair: usize,
    means: Means,
    counts: &[usize],
) -> Lesson {
    let (notes, first) = (prior.notes, Problem::CONTOUR);
    let own = marginals.own[pair].view((0, 0), (notes, notes)).into_owned();
    let tie = marginals.tie[pair].view((0, first), (notes, notes)).into_owned();
    let contour = marginals.common.view((first, first), (notes, notes)).into_owned();
    let curve = fit.mean.own[pair].rows(0, notes).into_owned();
    let form = form(&prior.grids[pair], &curve);
    let gain =
        DVector::from_fn(
            notes,
            |n, _| if means == Means::Ears { problem.growth[n] * fit.settled.stretch[pair] } else { 1.0 },
        );
    let ear = if means == Means::Ears { 1.0 } else { 0.0 };
    let noise = match means {
        Means::Ears => fit.listener.noise_db * fit.listener.noise_db + STEP_VARIANCE,
        Means::Meter => METER_NOISE_DB * METER_NOISE_DB,
    };
    // Covariances of the curve, of the curve with what is heard, and of what is heard.
    let mut curve_doubt = own.clone();
    let mut both = DMatrix::from_fn(notes, notes, |i, j| own[(i, j)] * gain[j] + ear * tie[(i, j)]);
    let mut heard = DMatrix::from_fn(notes, notes, |i, j| {
        gain[i] * own[(i, j)] * gain[j] + ear * (gain[i] * tie[(i, j)] + tie[(j, i)] * gain[j] + contour[(i, j)])
    });
    let before = curve_doubt.clone();
    let total = form.left(&before, &before).max(1e-12);
    let mut weighted = &form.square * &both;
    let (mut chosen, mut share) = (Vec::new(), vec![0.0; notes + 1]);
    while chosen.len() < notes {
        let score = |n: &usize| both.column(*n).dot(&weighted.column(*n)) / (heard[(*n, *n)] + noise);
        let left = (0..notes).filter(|n| !chosen.contains(n));
        let Some(best) = left.max_by(|a, b| score(a).total_cmp(&score(b))) else { break };
        let size = heard[(best, best)] + noise;
        let (k, s) = (both.column(best).into_owned(), heard.column(best).into_owned());
        curve_doubt.ger(-1.0 / size, &k, &k, 1.0);
        both.ger(-1.0 / size, &k, &s, 1.0);
        heard.ger(-1.0 / size, &s, &s, 1.0);
        weighted.ger(-1.0 / size, &(&form.square * &k), &s, 1.0);
        chosen.push(best);
        if counts.contains(&chosen.len()) {
            share[chosen.len()] = (1.0 - form.left(&curve_doubt, &before) / total).clamp(0.0, 1.0);
        }
    }
    Lesson { notes: chosen, share }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::posterior::{Listener, Offset};
    use crate::stats::gaussian::{self, NormalDraws};

    #[test]
    fn the_doubt_that_readings_leave_is_what_many_imagined_readings_leave() {
        let notes_hz: Vec<f64> = (0..8).map(|n| 40.0 * 2.0_f64.powf(n as f64 / 6.0)).collect();
        let octave: Vec<f64> = notes_hz.iter().map(|f| f.log2()).collect();
        let prior = FieldPrior::unknown_room(&notes_hz, 1, 1);
        let offsets = [Vec::<Offset>::new()];
        let problem =
            Problem { growth: &[1.0; 8], octave: &octave, answers: &[], offsets: &offsets, levels_as_heard: false };
        let listener = Listener { noise_db: 1.5, drift_db: 1.0, contour_db: 1.5 };
        let fit = problem.fit(&prior, listener, None, false);
        let marginals = fit.factored.marginals();
        let lesson = lesson(&problem, &prior, &fit, &marginals, 0, Means::Meter, &[4]);
        assert_eq!(lesson.notes.len(), 8);
        // Imagine curves, read the same four notes of each, and see how far the squared spread is still open.
        let (map, covariance) = (&prior.grids[0], marginals.own[0].view((0, 0), (8, 8)).into_owned());
        let mut source = NormalDraws::new(2);
        let root = gaussian::factor(&covariance).lower().clone();
        let read = DMatrix::from_fn(4, 8, |k, n| f64::from(u8::from(lesson.notes[k] == n)));
        let of_reading =
            &read * &covariance * read.transpose() + DMatrix::identity(4, 4) * METER_NOISE_DB * METER_NOISE_DB;
        let pull = &covariance * read.transpose() * of_reading.try_inverse().unwrap();
        let rest = gaussian::factor(&(&covariance - &pull * &read * &covariance)).lower().clone();
        let square = |x: &DVector<f64>, source: &mut NormalDraws| {
            let open = &map.open * source.matrix(map.open.ncols(), 1);
            (&map.weights * x + &map.known + open).column(0).variance()
        };
        let variance = |values: &[f64]| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / values.len() as f64
        };
        let expected = fit.mean.own[0].clone();
        let (mut all, mut left) = (Vec::new(), 0.0);
        let visits = 600;
        for _ in 0..visits {
            let apart = &root * source.matrix(8, 1).column(0);
            all.push(square(&(&expected + &apart), &mut source));
            let reading = &read * &apart + source.matrix(4, 1).column(0) * METER_NOISE_DB;
            let believed = &expected + &pull * reading;
            let after: Vec<f64> =
                (0..150).map(|_| square(&(&believed + &rest * source.matrix(8, 1).column(0)), &mut source)).collect();
            left += variance(&after) / visits as f64;
        }
        let share = 1.0 - left / variance(&all);
        assert!((share - lesson.share[4]).abs() < 0.08, "{share} by imagination, {} by formula", lesson.share[4]);
        assert!(share > 0.2);
    }
}
