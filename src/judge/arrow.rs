//! A Gaussian whose inverse covariance looks like an arrow: many blocks that only hang together through a few common
//! numbers.
//!
//! Given the borders, the contour and what all spots of a room share, the spots are independent. So nothing larger than
//! one block is ever factored, and the work grows with the number of spots, not with its cube.

use nalgebra::{DMatrix, DVector};

use crate::stats::gaussian::{self, Factor};

/// Inverse covariance: per block its own part and its tie to the common numbers, and the common part.
#[derive(Debug, Clone)]
pub struct Arrow {
    /// Own part of each block.
    pub own: Vec<DMatrix<f64>>,
    /// Tie of each block (rows) to the common numbers (columns).
    pub tie: Vec<DMatrix<f64>>,
    /// The common part.
    pub common: DMatrix<f64>,
}

/// An arrow, factored.
#[derive(Debug, Clone)]
pub struct Factored {
    own: Vec<Factor>,
    /// own^-1 tie.
    pull: Vec<DMatrix<f64>>,
    common: Factor,
}

/// A vector in the parts of an arrow.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    /// One per block.
    pub own: Vec<DVector<f64>>,
    /// The common numbers.
    pub common: DVector<f64>,
}

/// The parts of the covariance that are asked for.
#[derive(Debug, Clone)]
pub struct Marginals {
    /// Covariance of each block.
    pub own: Vec<DMatrix<f64>>,
    /// Covariance of each block with the common numbers.
    pub tie: Vec<DMatrix<f64>>,
    /// Covariance of the common numbers.
    pub common: DMatrix<f64>,
}

impl Parts {
    /// Scalar product.
    pub fn dot(&self, other: &Self) -> f64 {
        self.common.dot(&other.common) + self.own.iter().zip(&other.own).map(|(a, b)| a.dot(b)).sum::<f64>()
    }
}

impl Arrow {
    /// Factors the arrow block by block.
    pub fn factor(&self) -> Factored {
        let mut common = self.common.clone();
        let (mut own, mut pull) = (Vec::with_capacity(self.own.len()), Vec::with_capacity(self.own.len()));
        for (block, tie) in self.own.iter().zip(&self.tie) {
            let factor = gaussian::factor(block);
            let mut half = tie.clone();
            factor.halve(&mut half);
            gaussian::subtract_square(&mut common, &half);
            gaussian::solve_transposed(factor.lower(), &mut half);
            own.push(factor);
            pull.push(half);
        }
        Factored { own, pull, common: gaussian::factor(&common) }
    }

    /// The arrow times a vector.
    pub fn times(&self, at: &Parts) -> Parts {
        let mut common = &self.common * &at.common;
        let own = (self.own.iter().zip(&self.tie).zip(&at.own))
            .map(|((own, tie), x)| {
                common += tie.tr_mul(x);
                own * x + tie * &at.common
            })
            .collect();
        Parts { own, common }
    }
}

impl Factored {
    /// x with (arrow) x = `right`.
    pub fn solve(&self, right: &Parts) -> Parts {
        let mut rest = right.common.clone();
        for (pull, r) in self.pull.iter().zip(&right.own) {
            rest -= pull.tr_mul(r);
        }
        let common = self.common.solve(&rest);
        let own = (self.own.iter().zip(&self.pull).zip(&right.own))
            .map(|((own, pull), r)| own.solve(r) - pull * &common)
            .collect();
        Parts { own, common }
    }

    /// Logarithm of the determinant of the arrow.
    pub fn log_determinant(&self) -> f64 {
        self.common.log_determinant() + self.own.iter().map(Factor::log_determinant).sum::<f64>()
    }

    /// Covariances within the blocks, with the common numbers, and among these.
    pub fn marginals(&self) -> Marginals {
        let common = self.common.inverse();
        let (mut own, mut tie) = (Vec::with_capacity(self.own.len()), Vec::with_capacity(self.own.len()));
        for (factor, pull) in self.own.iter().zip(&self.pull) {
            let with_common = -(pull * &common);
            let mut block = factor.inverse();
            gaussian::subtract_product(&mut block, &with_common, pull);
            own.push(block);
            tie.push(with_common);
        }
        Marginals { own, tie, common }
    }

    /// Turns independent normal numbers into deviations from the mean, in place: first the common ones (numbers x
    /// draws) …
    pub fn spread_common(&self, normal: &mut DMatrix<f64>) {
        gaussian::solve_transposed(self.common.lower(), normal);
    }

    /// … then each block's, which follow the common ones.
    pub fn spread_own(&self, block: usize, normal: &mut DMatrix<f64>, common: &DMatrix<f64>) {
        gaussian::solve_transposed(self.own[block].lower(), normal);
        gaussian::subtract_plain(normal, &self.pull[block], common);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::gaussian::NormalDraws;

    /// Three blocks of 3, 4 and 2 numbers, five common ones, and the same written out in full.
    fn case() -> (Arrow, DMatrix<f64>) {
        let sizes = [3, 4, 2];
        let mut source = NormalDraws::new(9);
        let root = source.matrix(14, 20);
        let mut full = &root * root.transpose();
        let starts = [0, 3, 7];
        for a in 0..3 {
            for b in (0..3).filter(|b| *b != a) {
                full.view_mut((starts[a], starts[b]), (sizes[a], sizes[b])).fill(0.0);
            }
        }
        for k in 0..14 {
            full[(k, k)] += 30.0;
        }
        let part = |a: usize| full.view((starts[a], starts[a]), (sizes[a], sizes[a])).into_owned();
        let tie = |a: usize| full.view((starts[a], 9), (sizes[a], 5)).into_owned();
        let arrow = Arrow {
            own: (0..3).map(part).collect(),
            tie: (0..3).map(tie).collect(),
            common: full.view((9, 9), (5, 5)).into_owned(),
        };
        (arrow, full)
    }

    #[test]
    fn an_arrow_is_solved_as_if_it_were_written_out() {
        let (arrow, full) = case();
        let inverse = full.clone().try_inverse().unwrap();
        let factored = arrow.factor();
        assert!((factored.log_determinant() - full.determinant().ln()).abs() < 1e-9);
        let right = DVector::from_fn(14, |k, _| k as f64 - 4.0);
        let parts = Parts {
            own: vec![right.rows(0, 3).into_owned(), right.rows(3, 4).into_owned(), right.rows(7, 2).into_owned()],
            common: right.rows(9, 5).into_owned(),
        };
        let (found, expected) = (factored.solve(&parts), &inverse * &right);
        assert!((&found.common - expected.rows(9, 5)).amax() < 1e-10);
        assert!((&found.own[1] - expected.rows(3, 4)).amax() < 1e-10);
        let back = arrow.times(&found);
        assert!(
            (back.own[2].clone() - right.rows(7, 2)).amax() < 1e-10 && (back.common - right.rows(9, 5)).amax() < 1e-10
        );
        let marginals = factored.marginals();
        assert!((&marginals.own[0] - inverse.view((0, 0), (3, 3))).amax() < 1e-12);
        assert!((&marginals.tie[1] - inverse.view((3, 9), (4, 5))).amax() < 1e-12);
        assert!((&marginals.common - inverse.view((9, 9), (5, 5))).amax() < 1e-12);
    }

    #[test]
    fn draws_have_the_arrows_covariance() {
        let (arrow, full) = case();
        let inverse = full.try_inverse().unwrap();
        let factored = arrow.factor();
        let mut source = NormalDraws::new(4);
        let count = 40_000;
        let mut common = source.matrix(5, count);
        factored.spread_common(&mut common);
        let mut own = source.matrix(4, count);
        factored.spread_own(1, &mut own, &common);
        let scale = inverse.amax();
        // Five standard errors of a covariance.
        let allowed = 5.0 * scale * (2.0 / count as f64).sqrt();
        assert!((&own * own.transpose() / count as f64 - inverse.view((3, 3), (4, 4))).amax() < allowed);
        assert!((&own * common.transpose() / count as f64 - inverse.view((3, 9), (4, 5))).amax() < allowed);
    }
}
