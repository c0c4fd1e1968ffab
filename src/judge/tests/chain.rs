//! The fit against a slow reference: a long Markov chain on the posterior as it is defined.

use nalgebra::{DMatrix, DVector};

use crate::judge::grading::BORDERS_DB;
use crate::judge::posterior::{Listener, Offset, Problem, Start, border_covariance, contour_covariance};
use crate::judge::prior::FieldPrior;
use crate::judge::reading::{Answer, Says};
use crate::stats::gaussian::NormalDraws;
use crate::stats::normal;

/// Covariance of all deviations before any answer, pair after pair, written out in full.
fn dense(prior: &FieldPrior) -> DMatrix<f64> {
    let (notes, pairs) = (prior.notes, prior.mean.len());
    let of = |pair: usize| &prior.own[prior.own_of[pair]];
    let mut found = DMatrix::zeros(notes * pairs, notes * pairs);
    for p in 0..pairs {
        for q in 0..pairs {
            let mut block = &of(p).loading * of(q).loading.transpose();
            if p == q {
                block += of(p).precision.clone().try_inverse().unwrap();
            }
            found.view_mut((p * notes, q * notes), (notes, notes)).copy_from(&block);
        }
    }
    found
}

/// Log posterior of ratings straight from its definition, in borders, contour, one offset per pair, and deviations:
/// nothing of the fit's own algebra is used.
struct Definition<'a> {
    problem: &'a Problem<'a>,
    listener: Listener,
    borders: DMatrix<f64>,
    contour: DMatrix<f64>,
    field: DMatrix<f64>,
    field_mean: DVector<f64>,
}

impl Definition<'_> {
    fn log_posterior(&self, at: &DVector<f64>) -> f64 {
        let (notes, pairs) = (self.problem.octave.len(), self.problem.offsets.len());
        let borders = at.rows(0, 6).into_owned();
        let miss = DVector::from_fn(6, |i, _| borders[i] - BORDERS_DB[i]);
        let own = at.rows(6, notes).into_owned();
        let offsets = at.rows(6 + notes, pairs);
        let start = 6 + notes + pairs;
        let field = at.rows(start, notes * pairs).into_owned();
        let apart = &field - &self.field_mean;
        let mut total = -0.5 * miss.dot(&(&self.borders * &miss))
            - 0.5 * own.dot(&(&self.contour * &own))
            - 0.5 * offsets.norm_squared() / (self.listener.drift_db * self.listener.drift_db)
            - 0.5 * apart.dot(&(&self.field * &apart));
        for answer in self.problem.answers {
            let Says::Word { word, .. } = answer.says else { continue };
            let heard = self.problem.growth[answer.note] * field[answer.pair * notes + answer.note]
                + own[answer.note]
                + offsets[answer.pair];
            let edge = |k: Option<usize>, none: f64| k.map_or(none, |k| (borders[k] - heard) / self.listener.noise_db);
            let low = edge(word.checked_sub(1), f64::NEG_INFINITY);
            let high = edge(Some(word).filter(|w| *w < 6), f64::INFINITY);
            let attentive = normal::cumulative(high) - normal::cumulative(low);
            total += (0.97 * attentive.max(0.0) + 0.03 / 7.0).ln();
        }
        total
    }
}

/// For every deviation: by how much the fit's mean misses the chain's (in the chain's standard deviations), and the
/// ratio of the widths.
fn against_a_chain(words: [usize; 8]) -> Vec<(f64, f64)> {
    // Random-walk Metropolis (Metropolis et al., J. Chem. Phys. 21, 1953), shaped by the fit but accepted by the
    // definition above, so that its law does not depend on the fit.
    let hz = [25.0_f64, 40.0, 63.0, 100.0];
    let octave = hz.map(f64::log2);
    let growth = [1.2, 1.1, 1.0, 0.9];
    let listener = Listener { noise_db: 1.5, drift_db: 1.0, contour_db: 1.5 };
    let prior = FieldPrior::unknown_room(&hz, 2, 1);
    let says = |k: usize| Says::Word { word: words[k], shortfall_db: 0.0 };
    let answers: Vec<Answer> = (0..8).map(|k| Answer { pair: k / 4, note: k % 4, offset: 0, says: says(k) }).collect();
    let offsets = [vec![Offset::Rating], vec![Offset::Rating]];
    let problem =
        Problem { growth: &growth, octave: &octave, answers: &answers, offsets: &offsets, levels_as_heard: false };
    let fit = problem.fit(&prior, listener, Some(&Start::plain(8, 2)), false);
    let definition = Definition {
        problem: &problem,
        listener,
        borders: border_covariance().try_inverse().unwrap(),
        contour: contour_covariance(&octave, listener.contour_db).try_inverse().unwrap(),
        field: dense(&prior).try_inverse().unwrap(),
        field_mean: DVector::from_iterator(8, prior.mean.iter().flat_map(|m| m.iter().copied())),
    };
    // Borders and contour, offsets, deviations: from the parts of an arrow.
    let flat = |common: DVector<f64>, own: [DVector<f64>; 2]| {
        let mut found = common.rows(0, 10).iter().copied().collect::<Vec<_>>();
        found.extend(own.iter().map(|o| o[4]));
        found.extend(own.iter().flat_map(|o| o.rows(0, 4).iter().copied().collect::<Vec<_>>()));
        DVector::from_vec(found)
    };
    let top = flat(fit.mean.common.clone(), [fit.mean.own[0].clone(), fit.mean.own[1].clone()]);
    let (size, start) = (top.len(), 12);
    let mut source = NormalDraws::new(5);
    let mut at = top.clone();
    let mut now = definition.log_posterior(&at);
    let scale = 1.7 / (size as f64).sqrt();
    let (mut mean, mut square, mut kept) = (DVector::zeros(size), DVector::zeros(size), 0.0);
    for step in 0..200_000 {
        let mut common = source.matrix(fit.mean.common.len(), 1);
        fit.factored.spread_common(&mut common);
        let own = [0, 1].map(|pair| {
            let mut apart = source.matrix(5, 1);
            fit.factored.spread_own(pair, &mut apart, &common);
            apart.column(0).into_owned()
        });
        let next = &at + flat(common.column(0).into_owned(), own) * scale;
        let there = definition.log_posterior(&next);
        if there - now > source.uniform().max(1e-300).ln() {
            (at, now) = (next, there);
        }
        if step > 5_000 {
            mean += &at;
            square += at.component_mul(&at);
            kept += 1.0;
        }
    }
    mean /= kept;
    square /= kept;
    let marginals = fit.factored.marginals();
    (start..size)
        .map(|k| {
            let chain = (square[k] - mean[k] * mean[k]).sqrt();
            let (pair, note) = ((k - start) / 4, (k - start) % 4);
            ((top[k] - mean[k]).abs() / chain, marginals.own[pair][(note, note)].sqrt() / chain)
        })
        .collect()
}

#[test]
fn the_fit_agrees_with_a_long_markov_chain() {
    // Mixed and extreme answers, and two where they lean to one side: there an answer may be true or a slip.
    let cases = [
        ("mixed", [5, 3, 2, 4, 3, 3, 4, 2]),
        ("extreme", [6, 0, 6, 0, 3, 3, 3, 3]),
        ("leaning", [4, 4, 5, 6, 3, 5, 4, 4]),
        ("leaning too", [4, 4, 5, 5, 3, 5, 4, 4]),
    ];
    for (name, words) in cases {
        for (k, (miss, width)) in against_a_chain(words).into_iter().enumerate() {
            println!("{name} {k}: mean off by {miss:.2} sd, width {width:.2} of the chain's");
            assert!(miss < 0.1, "{name} {k}: the mean is off by {miss} standard deviations");
            assert!((0.75..1.2).contains(&width), "{name} {k}: width {width} of the chain's");
        }
    }
}
