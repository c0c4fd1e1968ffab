//! Dense Gaussian algebra: symmetric positive definite solves that never fail, and seeded normal draws.

use faer::dyn_stack::{MemBuffer, MemStack};
use faer::linalg::cholesky::llt;
use faer::linalg::matmul::matmul;
use faer::linalg::triangular_solve;
use faer::{Accum, MatMut, MatRef, Par};
use nalgebra::{DMatrix, DVector};
use rand_core::Rng;
use rand_pcg::Pcg64Mcg;

/// Cholesky factor of a symmetric positive definite matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Lower triangular, zero above the diagonal.
    lower: DMatrix<f64>,
}

/// Factors a symmetric matrix, of which only the lower triangle is read. If rounding has spoilt its definiteness, the
/// diagonal is raised until it is whole again.
pub fn factor(matrix: &DMatrix<f64>) -> Factor {
    let n = matrix.nrows();
    let scale = (0..n).map(|i| matrix[(i, i)].abs()).filter(|x| x.is_finite()).fold(1e-12, f64::max);
    let mut memory = MemBuffer::new(llt::factor::cholesky_in_place_scratch::<f64>(n, Par::Seq, Default::default()));
    let mut jitter = 0.0;
    while jitter < scale * 1e6 {
        let mut lower = matrix.clone();
        for i in 0..n {
            lower[(i, i)] += jitter;
        }
        let view = MatMut::from_column_major_slice_mut(lower.as_mut_slice(), n, n);
        let whole = llt::factor::cholesky_in_place(
            view,
            Default::default(),
            Par::Seq,
            MemStack::new(&mut memory),
            Default::default(),
        );
        if whole.is_ok() && (0..n).all(|i| lower[(i, i)] > 0.0) {
            lower.fill_upper_triangle(0.0, 1);
            return Factor { lower };
        }
        jitter = if jitter == 0.0 { scale * 1e-10 } else { jitter * 10.0 };
    }
    Factor { lower: DMatrix::identity(n, n) }
}

impl Factor {
    /// The lower triangular factor.
    pub const fn lower(&self) -> &DMatrix<f64> {
        &self.lower
    }

    /// Logarithm of the determinant of the factored matrix.
    pub fn log_determinant(&self) -> f64 {
        (0..self.lower.nrows()).map(|i| 2.0 * libm::log(self.lower[(i, i)])).sum()
    }

    /// x with A x = `right`.
    pub fn solve(&self, right: &DVector<f64>) -> DVector<f64> {
        let mut x = right.clone();
        self.lower.solve_lower_triangular_unchecked_mut(&mut x);
        self.lower.tr_solve_lower_triangular_unchecked_mut(&mut x);
        x
    }

    /// X with A X = `right`.
    pub fn solve_many(&self, right: &DMatrix<f64>) -> DMatrix<f64> {
        let mut x = right.clone();
        let (n, m) = x.shape();
        let view = MatMut::from_column_major_slice_mut(x.as_mut_slice(), n, m);
        triangular_solve::solve_lower_triangular_in_place(self.view(), view, Par::Seq);
        solve_transposed(&self.lower, &mut x);
        x
    }

    /// The inverse of the factored matrix.
    pub fn inverse(&self) -> DMatrix<f64> {
        let n = self.lower.nrows();
        self.solve_many(&DMatrix::identity(n, n))
    }

    /// Half a solution, in place: L^-1 X.
    pub fn halve(&self, right: &mut DMatrix<f64>) {
        let (n, m) = right.shape();
        let view = MatMut::from_column_major_slice_mut(right.as_mut_slice(), n, m);
        triangular_solve::solve_lower_triangular_in_place(self.view(), view, Par::Seq);
    }

    fn view(&self) -> MatRef<'_, f64> {
        MatRef::from_column_major_slice(self.lower.as_slice(), self.lower.nrows(), self.lower.ncols())
    }
}

/// Solves L' X = `right` in place for a lower triangular L: with L the factor of a precision matrix and `right`
/// independent normal numbers, draws with that precision.
pub fn solve_transposed(lower: &DMatrix<f64>, right: &mut DMatrix<f64>) {
    let (n, m) = right.shape();
    let l = MatRef::from_column_major_slice(lower.as_slice(), n, n);
    let view = MatMut::from_column_major_slice_mut(right.as_mut_slice(), n, m);
    triangular_solve::solve_upper_triangular_in_place(l.transpose(), view, Par::Seq);
}

fn seen(matrix: &DMatrix<f64>) -> MatRef<'_, f64> {
    MatRef::from_column_major_slice(matrix.as_slice(), matrix.nrows(), matrix.ncols())
}

fn less(from: &mut DMatrix<f64>, left: MatRef<'_, f64>, right: MatRef<'_, f64>) {
    let (n, m) = from.shape();
    let into = MatMut::from_column_major_slice_mut(from.as_mut_slice(), n, m);
    matmul(into, Accum::Add, left, right, -1.0, Par::Seq);
}

/// `from` - X'X.
pub fn subtract_square(from: &mut DMatrix<f64>, x: &DMatrix<f64>) {
    less(from, seen(x).transpose(), seen(x));
}

/// `from` - X Y'.
pub fn subtract_product(from: &mut DMatrix<f64>, x: &DMatrix<f64>, y: &DMatrix<f64>) {
    less(from, seen(x), seen(y).transpose());
}

/// `from` - X Y.
pub fn subtract_plain(from: &mut DMatrix<f64>, x: &DMatrix<f64>, y: &DMatrix<f64>) {
    less(from, seen(x), seen(y));
}

/// `to` + `scale` X Y'.
pub fn add_product(to: &mut DMatrix<f64>, x: &DMatrix<f64>, y: &DMatrix<f64>, scale: f64) {
    let (n, m) = to.shape();
    let into = MatMut::from_column_major_slice_mut(to.as_mut_slice(), n, m);
    matmul(into, Accum::Add, seen(x), seen(y).transpose(), scale, Par::Seq);
}

/// Columns W with W W' close to a positive semidefinite matrix from below (Cholesky with pivoting; Harbrecht, Peters
/// and Schneider, Appl. Numer. Math. 62, 2012): as many as leave at most a share `left` of the trace, `most` at the
/// utmost. The rest, which stays positive semidefinite, is left in `matrix`.
pub fn few_columns(matrix: &mut DMatrix<f64>, left: f64, most: usize) -> DMatrix<f64> {
    let n = matrix.nrows();
    let enough = left * matrix.trace();
    let mut columns: Vec<DVector<f64>> = Vec::new();
    while columns.len() < most.min(n) && matrix.trace() > enough {
        let pivot = matrix.diagonal().imax();
        let size = matrix[(pivot, pivot)];
        if size.is_nan() || size <= 1e-12 {
            break;
        }
        let column = matrix.column(pivot) / libm::sqrt(size);
        matrix.ger(-1.0, &column, &column, 1.0);
        columns.push(column);
    }
    if columns.is_empty() { DMatrix::zeros(n, 0) } else { DMatrix::from_columns(&columns) }
}

/// Standard normal draws by the polar method of Box, Muller and Marsaglia, from a seed.
#[derive(Debug, Clone)]
pub struct NormalDraws {
    source: Pcg64Mcg,
    spare: Option<f64>,
}

impl NormalDraws {
    /// The same seed gives the same draws on every platform.
    pub fn new(seed: u64) -> Self {
        let mixed = u128::from(seed).wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835) ^ 0x5851_F42D_4C95_7F2D;
        let mut source = Pcg64Mcg::new(mixed | 1);
        source.next_u64();
        Self { source, spare: None }
    }

    /// Uniform on 0 <= u < 1.
    pub fn uniform(&mut self) -> f64 {
        (self.source.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// One standard normal number.
    pub fn draw(&mut self) -> f64 {
        if let Some(z) = self.spare.take() {
            return z;
        }
        loop {
            let (a, b) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let r = a * a + b * b;
            if r > 0.0 && r < 1.0 {
                let k = libm::sqrt(-2.0 * libm::log(r) / r);
                self.spare = Some(b * k);
                return a * k;
            }
        }
    }

    /// A matrix of independent standard normal numbers.
    pub fn matrix(&mut self, rows: usize, columns: usize) -> DMatrix<f64> {
        DMatrix::from_fn(rows, columns, |_, _| self.draw())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factor_solves_and_inverts() {
        let a = DMatrix::from_fn(70, 70, |i, j| {
            libm::exp(-0.1 * (i as f64 - j as f64).abs()) + if i == j { 0.2 } else { 0.0 }
        });
        let found = factor(&a);
        assert!((found.lower() * found.lower().transpose() - &a).amax() < 1e-12);
        assert!((found.inverse() * &a - DMatrix::identity(70, 70)).amax() < 1e-10);
        let right = DVector::from_fn(70, |i, _| i as f64);
        assert!((&a * found.solve(&right) - right).amax() < 1e-9);
        assert!((found.log_determinant() - libm::log(a.determinant())).abs() < 1e-9);
    }

    #[test]
    fn a_matrix_that_rounding_spoilt_still_factors() {
        let a = DMatrix::from_element(5, 5, 1.0);
        let found = factor(&a);
        assert!((found.lower() * found.lower().transpose() - a).amax() < 1e-6);
        assert!(factor(&DMatrix::from_element(3, 3, f64::NAN)).lower().iter().all(|x| x.is_finite()));
    }

    #[test]
    fn a_few_columns_stand_for_a_smooth_covariance() {
        let a = DMatrix::from_fn(60, 60, |i, j| {
            let d = (i as f64 - j as f64) / 12.0;
            libm::exp(-0.5 * d * d)
        });
        let mut rest = a.clone();
        let columns = few_columns(&mut rest, 0.01, 60);
        assert!(columns.ncols() < 20, "{}", columns.ncols());
        assert!(rest.trace() <= 0.6);
        assert!(
            (&columns * columns.transpose() + &rest - &a).amax() < 1e-12,
            "nothing is lost between columns and rest"
        );
        assert!(rest.symmetric_eigenvalues().min() > -1e-9);
        assert_eq!(few_columns(&mut DMatrix::zeros(3, 3), 0.1, 3).ncols(), 0);
    }

    #[test]
    fn draws_are_normal_and_repeatable() {
        let mut source = NormalDraws::new(7);
        let x = source.matrix(1, 40_000);
        assert!(x.mean().abs() < 0.02, "{}", x.mean());
        assert!((x.variance() - 1.0).abs() < 0.03, "{}", x.variance());
        assert_eq!(NormalDraws::new(7).matrix(1, 5), NormalDraws::new(7).matrix(1, 5));
        assert_ne!(NormalDraws::new(7).matrix(1, 5), NormalDraws::new(8).matrix(1, 5));
    }
}
