//! A Gaussian whose inverse covariance looks like an arrow: many blocks that only hang together through a few common numbers.
//!
//! Given the borders, the contour and what all spots of a room share, the spots are independent. So nothing larger than one block is ever
//! factored, and the work grows with the number of spots, not with its cube.

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

    /// Turns independent normal numbers into deviations from the mean, in place: first the common ones (numbers x draws) …
    pub fn spread_common(&self, normal: &mut DMatrix<f64>) {
        gaussian::solve_transposed(self.common.lower(), normal);
    }

    /// … then each block's, which follow the common ones.
    pub fn spread_own(&self, block: usize, normal: &mut DMatrix<f64>, common: &DMatrix<f64>) {
        gaussian::solve_transposed(self.own[block].lower(), normal);
        gaussian::subtract_plain(normal, &self.pull[block], common);
    }
}
