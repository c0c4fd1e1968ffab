//! Finite elements over a floor: polynomials of fourth order on triangles.
//!
//! Smooth waves want few high-order elements rather than many simple ones. All integrals are exact: shape functions
//! are polynomials in the two local coordinates, and ∫x^a y^b over the reference triangle is a! b!/(a + b + 2)!.
//! Source: Zienkiewicz & Taylor, *The Finite Element Method*, chapters on standard shape functions.

use std::collections::HashMap;

use nalgebra::DMatrix;

use crate::room::mesh::Mesh;

/// Order of the polynomials.
const ORDER: usize = 4;
/// Shape functions of a triangle.
pub(in crate::room) const LOCAL: usize = (ORDER + 1) * (ORDER + 2) / 2;

/// What is the same for every triangle.
#[derive(Debug, Clone)]
pub(in crate::room) struct Reference {
    /// For each monomial (columns), its coefficient in each shape function.
    coefficients: DMatrix<f64>,
    mass: DMatrix<f64>,
    /// Products of derivatives: first-first, first-second plus second-first, second-second.
    stiffness: [DMatrix<f64>; 3],
    /// Products of shape functions along an edge.
    edge_mass: DMatrix<f64>,
}

/// Unknowns of a mesh, and which of them each triangle uses.
#[derive(Debug, Clone)]
pub(in crate::room) struct Unknowns {
    pub(in crate::room) count: usize,
    pub(in crate::room) of_triangle: Vec<[usize; LOCAL]>,
    /// Edges with a triangle on one side only, with their unknowns from end to end.
    pub(in crate::room) boundary: Vec<([usize; 2], [usize; ORDER + 1])>,
}

/// Sparse symmetric matrices of a mesh: squared gradient along x, along y, and mass.
#[derive(Debug, Clone)]
pub(in crate::room) struct Matrices {
    pub(in crate::room) along_x: Sparse,
    pub(in crate::room) along_y: Sparse,
    pub(in crate::room) mass: Sparse,
}

/// A sparse matrix, row by row.
#[derive(Debug, Clone)]
pub(in crate::room) struct Sparse {
    pub(in crate::room) starts: Vec<usize>,
    pub(in crate::room) columns: Vec<usize>,
    pub(in crate::room) values: Vec<f64>,
}

/// Exponents (a, b) of the monomials up to the order.
fn exponents() -> Vec<(usize, usize)> {
    (0..=ORDER).flat_map(|total| (0..=total).map(move |b| (total - b, b))).collect()
}

/// Places of the shape functions: numerators of the weights of the three nodes, adding up to the order.
fn lattice() -> Vec<[usize; 3]> {
    (0..=ORDER).flat_map(|j| (0..=ORDER - j).map(move |k| [ORDER - j - k, j, k])).collect()
}

fn integral(a: usize, b: usize) -> f64 {
    let factorial = |n: usize| (1..=n).map(|i| i as f64).product::<f64>();
    factorial(a) * factorial(b) / factorial(a + b + 2)
}

impl Reference {
    /// `None` never happens: the places of the shape functions determine a polynomial.
    pub(in crate::room) fn new() -> Option<Self> {
        let (powers, places) = (exponents(), lattice());
        let at = |place: &[usize; 3], (a, b): (usize, usize)| {
            (place[1] as f64 / ORDER as f64).powi(a as i32) * (place[2] as f64 / ORDER as f64).powi(b as i32)
        };
        let coefficients =
            DMatrix::from_fn(LOCAL, LOCAL, |row, column| at(&places[row], powers[column])).try_inverse()?;
        let product = |first: [usize; 2], second: [usize; 2]| {
            // Derivatives lower an exponent and bring it down as a factor.
            let lowered = |(a, b): (usize, usize), by: [usize; 2]| -> Option<(f64, usize, usize)> {
                let factor = if by[0] > 0 { a as f64 } else { 1.0 } * if by[1] > 0 { b as f64 } else { 1.0 };
                Some((factor, a.checked_sub(by[0])?, b.checked_sub(by[1])?))
            };
            let monomials =
                DMatrix::from_fn(LOCAL, LOCAL, |i, j| match (lowered(powers[i], first), lowered(powers[j], second)) {
                    (Some((f, a, b)), Some((g, c, d))) => f * g * integral(a + c, b + d),
                    _ => 0.0,
                });
            coefficients.transpose() * monomials * &coefficients
        };
        let mixed = product([1, 0], [0, 1]);
        let mass = product([0, 0], [0, 0]);
        let stiffness = [product([1, 0], [1, 0]), &mixed + mixed.transpose(), product([0, 1], [0, 1])];
        let line = DMatrix::from_fn(ORDER + 1, ORDER + 1, |row, power| (row as f64 / ORDER as f64).powi(power as i32))
            .try_inverse()?;
        let powers_of_line = DMatrix::from_fn(ORDER + 1, ORDER + 1, |i, j| 1.0 / (i + j + 1) as f64);
        let edge_mass = line.transpose() * powers_of_line * &line;
        Some(Self { coefficients: coefficients.transpose(), mass, stiffness, edge_mass })
    }

    /// What every shape function is worth at local coordinates.
    pub(in crate::room) fn shapes(&self, local: [f64; 2]) -> [f64; LOCAL] {
        let mut powers = [[1.0; ORDER + 1]; 2];
        for (axis, powers) in powers.iter_mut().enumerate() {
            for power in 1..=ORDER {
                powers[power] = powers[power - 1] * local[axis];
            }
        }
        let mut shapes = [0.0; LOCAL];
        let all = (0..=ORDER).flat_map(|total| (0..=total).map(move |b| (total - b, b)));
        for ((a, b), row) in all.zip(self.coefficients.as_slice().chunks_exact(LOCAL)) {
            let monomial = powers[0][a] * powers[1][b];
            shapes.iter_mut().zip(row).for_each(|(shape, coefficient)| *shape += monomial * coefficient);
        }
        shapes
    }

    /// The integral of a wave's square along an edge.
    pub(in crate::room) fn along_edge(&self, length_m: f64, values: &[f64; ORDER + 1]) -> f64 {
        let mut sum = 0.0;
        for (i, a) in values.iter().enumerate() {
            for (j, b) in values.iter().enumerate() {
                sum += a * b * self.edge_mass[(i, j)];
            }
        }
        sum * length_m
    }

    pub(in crate::room) fn assemble(&self, mesh: &Mesh, unknowns: &Unknowns) -> Matrices {
        let mut rows: Vec<Vec<(usize, [f64; 3])>> = vec![Vec::new(); unknowns.count];
        for (triangle, own) in unknowns.of_triangle.iter().enumerate() {
            let [a, b, c] = mesh.triangles[triangle].map(|node| mesh.nodes[node]);
            let twice = mesh.twice_area_m2(triangle);
            // How the local coordinates change along x and y.
            let first = [(c[1] - a[1]) / twice, (a[0] - c[0]) / twice];
            let second = [(a[1] - b[1]) / twice, (b[0] - a[0]) / twice];
            for (i, row) in own.iter().enumerate() {
                for (j, column) in own.iter().enumerate() {
                    let along = |axis: usize| {
                        let (u, v) = (first[axis], second[axis]);
                        let [uu, uv, vv] = &self.stiffness;
                        twice * (u * u * uu[(i, j)] + u * v * uv[(i, j)] + v * v * vv[(i, j)])
                    };
                    rows[*row].push((*column, [along(0), along(1), twice * self.mass[(i, j)]]));
                }
            }
        }
        collect(rows)
    }
}

fn collect(rows: Vec<Vec<(usize, [f64; 3])>>) -> Matrices {
    let (mut starts, mut columns, mut values) = (vec![0], Vec::new(), [const { Vec::new() }; 3]);
    for mut row in rows {
        row.sort_by_key(|(column, _)| *column);
        for (index, (column, entries)) in row.iter().enumerate() {
            let again = index > 0 && row[index - 1].0 == *column;
            if !again {
                columns.push(*column);
            }
            for (all, entry) in values.iter_mut().zip(entries) {
                match all.last_mut() {
                    Some(last) if again => *last += entry,
                    _ => all.push(*entry),
                }
            }
        }
        starts.push(columns.len());
    }
    let [x, y, mass] = values.map(|values| Sparse { starts: starts.clone(), columns: columns.clone(), values });
    Matrices { along_x: x, along_y: y, mass }
}

impl Unknowns {
    pub(in crate::room) fn of(mesh: &Mesh) -> Self {
        let mut count = mesh.nodes.len();
        let mut edges: HashMap<[usize; 2], (usize, usize)> = HashMap::new();
        let mut of_triangle = Vec::with_capacity(mesh.triangles.len());
        let places = lattice();
        for triangle in &mesh.triangles {
            let mut own = [0; LOCAL];
            for (unknown, place) in own.iter_mut().zip(&places) {
                let corners: Vec<usize> = (0..3).filter(|c| place[*c] > 0).collect();
                *unknown = match corners[..] {
                    [corner] => triangle[corner],
                    [one, other] => {
                        let (low, high) = if triangle[one] < triangle[other] { (one, other) } else { (other, one) };
                        let key = [triangle[low], triangle[high]];
                        let (first, _) = *edges.entry(key).or_insert_with(|| {
                            count += ORDER - 1;
                            (count - (ORDER - 1), 0)
                        });
                        first + place[high] - 1
                    }
                    _ => {
                        count += 1;
                        count - 1
                    }
                };
            }
            for [one, other] in [[0, 1], [1, 2], [2, 0]] {
                let key = [triangle[one].min(triangle[other]), triangle[one].max(triangle[other])];
                if let Some(edge) = edges.get_mut(&key) {
                    edge.1 += 1;
                }
            }
            of_triangle.push(own);
        }
        let mut boundary: Vec<([usize; 2], [usize; ORDER + 1])> = edges
            .into_iter()
            .filter(|(_, (_, sides))| *sides == 1)
            .map(|(ends, (first, _))| {
                let along = |i: usize| match i {
                    0 => ends[0],
                    ORDER => ends[1],
                    _ => first + i - 1,
                };
                (ends, std::array::from_fn(along))
            })
            .collect();
        boundary.sort_unstable();
        Self { count, of_triangle, boundary }
    }
}

impl Sparse {
    /// Matrix times vector.
    pub(in crate::room) fn times(&self, vector: &[f64], product: &mut [f64]) {
        for (row, value) in product.iter_mut().enumerate() {
            let range = self.starts[row]..self.starts[row + 1];
            let entries = self.columns[range.clone()].iter().zip(&self.values[range]);
            *value = entries.map(|(column, entry)| entry * vector[*column]).sum();
        }
    }

    /// vᵀ A v.
    pub(in crate::room) fn quadratic(&self, vector: &[f64]) -> f64 {
        let mut product = vec![0.0; vector.len()];
        self.times(vector, &mut product);
        product.iter().zip(vector).map(|(a, b)| a * b).sum()
    }
}
