//! The lowest eigenpairs of a sparse symmetric problem K u = λ M u.
//!
//! Lanczos with the shifted inverse, (K + σM)⁻¹ M, and full orthogonalisation. Source: Ericsson & Ruhe, Mathematics of
//! Computation 35, 1251-1268 (1980); Golub & Van Loan, *Matrix Computations*, chapter on Lanczos methods.

use faer::linalg::solvers::Solve;
use faer::sparse::{SparseColMat, Triplet};
use faer::{Mat, Side};

use crate::random::Random;
use crate::room::elements::{Matrices, Sparse};

/// Relative accuracy of an eigenvalue that counts as found.
const ACCURACY: f64 = 1e-9;
const MOST_STEPS: usize = 2000;

/// The vectors (uᵀ M u = 1) of all eigenvalues up to `up_to`, lowest first; `expected` is a guess of how many there
/// are.
///
/// `None` if the matrices are not positive, or the search does not settle (never seen).
pub(in crate::room) fn lowest(matrices: &Matrices, up_to: f64, expected: usize) -> Option<Vec<Vec<f64>>> {
    let count = matrices.mass.starts.len() - 1;
    let shift = 0.05 * up_to;
    let inverse = factor(matrices, shift)?;
    let mut search = Search::new(&matrices.mass, count);
    let mut size = (expected + expected / 2 + 24).min(count);
    loop {
        while search.basis.len() < size && search.step(&matrices.mass, &inverse) {}
        if let Some(vectors) = search.vectors(up_to, shift) {
            return Some(vectors);
        }
        if size >= MOST_STEPS {
            return None;
        }
        size = (size + size / 8 + 8).min(count);
    }
}

type Inverse = faer::sparse::linalg::solvers::Llt<usize, f64>;

fn factor(matrices: &Matrices, shift: f64) -> Option<Inverse> {
    let mass = &matrices.mass;
    let count = mass.starts.len() - 1;
    let mut entries = Vec::with_capacity(mass.values.len() / 2 + count);
    for row in 0..count {
        for at in mass.starts[row]..mass.starts[row + 1] {
            let column = mass.columns[at];
            if column <= row {
                let value = matrices.along_x.values[at] + matrices.along_y.values[at] + shift * mass.values[at];
                entries.push(Triplet::new(row, column, value));
            }
        }
    }
    SparseColMat::<usize, f64>::try_new_from_triplets(count, count, &entries).ok()?.sp_cholesky(Side::Lower).ok()
}

/// A growing Krylov space.
struct Search {
    /// Orthonormal in the mass matrix.
    basis: Vec<Vec<f64>>,
    /// The basis times the mass matrix.
    weighted: Vec<Vec<f64>>,
    diagonal: Vec<f64>,
    beside: Vec<f64>,
    next: Vec<f64>,
    next_weighted: Vec<f64>,
}

impl Search {
    fn new(mass: &Sparse, count: usize) -> Self {
        let mut random = Random::new(0x6d6f_6465, 0);
        let next: Vec<f64> = (0..count).map(|_| random.normal()).collect();
        let mut search = Self {
            basis: Vec::new(),
            weighted: Vec::new(),
            diagonal: Vec::new(),
            beside: Vec::new(),
            next,
            next_weighted: vec![0.0; count],
        };
        search.scale(mass);
        search
    }

    /// One more vector; `false` if the space is closed.
    fn step(&mut self, mass: &Sparse, inverse: &Inverse) -> bool {
        let current = std::mem::take(&mut self.next);
        let weighted = std::mem::replace(&mut self.next_weighted, vec![0.0; current.len()]);
        let mut solution = Mat::from_fn(current.len(), 1, |row, _| weighted[row]);
        inverse.solve_in_place(&mut solution);
        let mut next: Vec<f64> = solution.col(0).iter().copied().collect();
        self.diagonal.push(dot(&next, &weighted));
        self.basis.push(current);
        self.weighted.push(weighted);
        // The last two hold almost all that is to be taken off; then once over all, and where that still took much,
        // once more: twice is enough (Kahan, in Parlett, The Symmetric Eigenvalue Problem).
        let count = self.basis.len();
        self.take_off(&mut next, count.saturating_sub(2)..count);
        for _ in 0..2 {
            let before = dot(&next, &next);
            self.take_off(&mut next, 0..count);
            if dot(&next, &next) > 0.25 * before {
                break;
            }
        }
        self.next = next;
        let norm = self.scale(mass);
        self.beside.push(norm);
        if norm < 1e-14 * self.diagonal[0].abs() {
            self.next.clear();
            return false;
        }
        true
    }

    /// Makes the next vector one of length 1 in the mass matrix; its length before.
    fn scale(&mut self, mass: &Sparse) -> f64 {
        mass.times(&self.next, &mut self.next_weighted);
        let norm = dot(&self.next, &self.next_weighted).max(0.0).sqrt();
        let inverse = 1.0 / norm.max(f64::MIN_POSITIVE);
        self.next.iter_mut().chain(&mut self.next_weighted).for_each(|value| *value *= inverse);
        norm
    }

    /// Takes off what a vector has of some of the basis.
    fn take_off(&self, next: &mut [f64], of: std::ops::Range<usize>) {
        for (vector, weighted) in self.basis[of.clone()].iter().zip(&self.weighted[of]) {
            let share = dot(next, weighted);
            for (value, part) in next.iter_mut().zip(vector) {
                *value -= share * part;
            }
        }
    }

    /// Eigenvectors up to a value, once all of them, and one beyond, are accurate.
    fn vectors(&self, up_to: f64, shift: f64) -> Option<Vec<Vec<f64>>> {
        let size = self.basis.len();
        let small = Mat::from_fn(size, size, |i, j| match i.abs_diff(j) {
            0 => self.diagonal[i],
            1 => self.beside[i.min(j)],
            _ => 0.0,
        });
        let solved = small.self_adjoint_eigen(Side::Lower).ok()?;
        let (values, shares) = (solved.S(), solved.U());
        let mut order: Vec<usize> = (0..size).filter(|i| values[*i] > 0.0).collect();
        order.sort_by(|a, b| values[*b].total_cmp(&values[*a]));
        let mut found: Vec<Vec<f64>> = Vec::new();
        // A space that cannot grow holds everything there is.
        let mut settled = self.next.is_empty() || size == self.basis[0].len();
        for index in order {
            let inverse = values[index];
            let vector: Vec<f64> = shares.col(index).iter().copied().collect();
            let error = (self.beside[size - 1] * vector[size - 1]).abs() / inverse;
            let value = 1.0 / inverse - shift;
            if error > ACCURACY.sqrt() {
                break;
            }
            if value > up_to {
                settled = true;
                break;
            }
            found.push(vector);
        }
        // Putting vectors together costs as much as finding them, so that waits until they are good.
        settled.then(|| found.iter().map(|shares| self.combine(shares)).collect())
    }

    fn combine(&self, shares: &[f64]) -> Vec<f64> {
        let mut sum = vec![0.0; self.basis[0].len()];
        for (share, vector) in shares.iter().zip(&self.basis) {
            for (value, part) in sum.iter_mut().zip(vector) {
                *value += share * part;
            }
        }
        sum
    }
}

/// Eight sums side by side, which the processor adds at once; one sum in order would wait for each addition.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 8;
    let mut sums = [0.0; LANES];
    let (a_blocks, b_blocks) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest: f64 = a_blocks.remainder().iter().zip(b_blocks.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a_blocks.zip(b_blocks) {
        for lane in 0..LANES {
            sums[lane] += x[lane] * y[lane];
        }
    }
    sums.iter().sum::<f64>() + rest
}
