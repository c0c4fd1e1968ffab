//! What is believed of the curves before anything is heard: how bass usually varies over frequency and between spots of one room.

use nalgebra::{DMatrix, DVector};

use crate::room::ensemble::Draws;
use crate::stats::gaussian;

/// Half an octave apart, two points of a bass response in a room know little of each other. The figures below are the moments of
/// the modal sum over 600 boxes of random living-room sizes, damping, seats and wall-side spots (smoothed over 1/6 octave).
const SPREAD_LOW_DB: f64 = 6.6;
const SPREAD_HIGH_DB: f64 = 4.3;
const SHARED_LOW: f64 = 0.55;
const SHARED_HIGH: f64 = 0.42;
const REACH_LOW_OCTAVES: f64 = 0.155;
const REACH_HIGH_OCTAVES: f64 = 0.105;
/// What no smooth curve follows, dB.
const ROUGHNESS_DB: f64 = 0.35;
/// Freedom left to a curve's mean, which nobody hears, dB.
const MEAN_DB: f64 = 0.3;

/// How the evaluation grid of one seat and spot hangs on its notes.
#[derive(Debug, Clone)]
pub struct GridMap {
    /// Prior mean at the grid, dB.
    pub mean: DVector<f64>,
    /// Weights, grid x notes.
    pub weights: DMatrix<f64>,
    /// Factor of what the notes leave open, grid x grid (lower triangular).
    pub rest: DMatrix<f64>,
}

/// A Gaussian over the deviations of all notes at all seat-and-spot pairs, seats outermost, notes innermost, dB.
#[derive(Debug, Clone)]
pub struct FieldPrior {
    /// Number of notes.
    pub notes: usize,
    /// Number of spots.
    pub spots: usize,
    /// Number of seats.
    pub seats: usize,
    /// Mean, dB.
    pub mean: DVector<f64>,
    /// Inverse covariance, 1/dB^2.
    pub precision: DMatrix<f64>,
    /// Logarithm of the determinant of the covariance.
    pub log_determinant: f64,
    /// Per pair, how the grid follows.
    pub grids: Vec<GridMap>,
    /// Whether nothing of the room is in it.
    pub unknown_room: bool,
}

/// Frequencies at which evenness counts: every 1/12 octave from the lowest to the highest note.
pub fn evaluation_grid(notes_hz: &[f64]) -> Vec<f64> {
    let (low, high) = ends(notes_hz);
    let steps = (12.0 * libm::log2(high / low) + 1e-6).floor().clamp(0.0, 400.0) as usize;
    (0..=steps).map(|n| low * libm::exp2(n as f64 / 12.0)).collect()
}

fn ends(notes_hz: &[f64]) -> (f64, f64) {
    let low = notes_hz.iter().copied().fold(f64::INFINITY, f64::min);
    let high = notes_hz.iter().copied().fold(0.0, f64::max);
    (low, high)
}

/// Interpolates in log frequency between 50 Hz and 110 Hz.
fn between(frequency_hz: f64, low: f64, high: f64) -> f64 {
    let t = (libm::log(frequency_hz / 50.0) / libm::log(110.0 / 50.0)).clamp(0.0, 1.0);
    low + (high - low) * t
}

/// Covariance of two points of one curve before centring (a smooth kernel whose reach varies, after Gibbs).
fn kernel(f: f64, g: f64) -> f64 {
    let spread = between(f, SPREAD_LOW_DB, SPREAD_HIGH_DB) * between(g, SPREAD_LOW_DB, SPREAD_HIGH_DB);
    let (a, b) = (between(f, REACH_LOW_OCTAVES, REACH_HIGH_OCTAVES), between(g, REACH_LOW_OCTAVES, REACH_HIGH_OCTAVES));
    let both = a * a + b * b;
    let distance = libm::log2(f / g);
    spread * libm::sqrt(2.0 * a * b / both) * libm::exp(-distance * distance / both)
}

/// Covariance over notes then grid, relative to the mean of the notes.
pub fn centred_covariance(notes_hz: &[f64], grid_hz: &[f64]) -> DMatrix<f64> {
    let points: Vec<f64> = notes_hz.iter().chain(grid_hz).copied().collect();
    let raw = DMatrix::from_fn(points.len(), points.len(), |i, j| kernel(points[i], points[j]));
    centre(&raw, notes_hz.len())
}

/// Takes the mean of the first `notes` points off every point of a covariance.
pub fn centre(raw: &DMatrix<f64>, notes: usize) -> DMatrix<f64> {
    let n = raw.nrows();
    let k = 1.0 / notes.max(1) as f64;
    let taking = DMatrix::from_fn(n, n, |i, j| f64::from(u8::from(i == j)) - if j < notes { k } else { 0.0 });
    &taking * raw * taking.transpose()
}

impl FieldPrior {
    /// The prior of a room of which nothing is known.
    pub fn unknown_room(notes_hz: &[f64], spots: usize, seats: usize) -> Self {
        let notes = notes_hz.len();
        let grid_hz = evaluation_grid(notes_hz);
        let (field, covariance) = usual(notes_hz, &grid_hz, spots);
        let mean = DVector::zeros(notes + grid_hz.len());
        let means = vec![mean; spots * seats];
        let own = vec![covariance; spots * seats];
        Self { unknown_room: true, ..Self::build(notes, spots, seats, &vec![field; seats], &means, &own) }
    }

    /// The prior of a measured room: what the room model predicts, with its own doubt, and on top a share `residual` (of the usual
    /// standard deviation) that the model knows nothing of. A seat or spot without a position stays as in an unknown room.
    pub fn predicted(notes_hz: &[f64], predictions: &[Option<Draws>], spots: usize, residual: f64) -> Self {
        let notes = notes_hz.len();
        let grid_hz = evaluation_grid(notes_hz);
        let (usual_field, usual_own) = usual(notes_hz, &grid_hz, spots);
        let points = notes + grid_hz.len();
        let (mut fields, mut means, mut own) = (Vec::new(), Vec::new(), Vec::new());
        for prediction in predictions {
            let known: Vec<Option<DMatrix<f64>>> = (0..spots)
                .map(|spot| prediction.as_ref().and_then(|p| centred_curves(p, spot, notes, points)))
                .collect();
            let mut field = usual_field.clone();
            for a in 0..spots {
                for b in 0..spots {
                    let mut block = field.view_mut((a * notes, b * notes), (notes, notes));
                    if let (Some(x), Some(y)) = (&known[a].as_ref(), &known[b].as_ref()) {
                        block *= residual * residual;
                        block += x.rows(0, notes) * y.rows(0, notes).transpose() / (x.ncols() as f64 - 1.0);
                    } else if known[a].is_some() != known[b].is_some() {
                        block.fill(0.0);
                    }
                }
            }
            fields.push(field);
            for (spot, curves) in known.iter().enumerate() {
                match curves {
                    Some(x) => {
                        own.push(x * x.transpose() / (x.ncols() as f64 - 1.0) + &usual_own * (residual * residual));
                        means.push(
                            prediction
                                .as_ref()
                                .map_or_else(|| DVector::zeros(points), |p| mean_curve(p, spot, notes, points)),
                        );
                    }
                    None => {
                        own.push(usual_own.clone());
                        means.push(DVector::zeros(points));
                    }
                }
            }
        }
        Self::build(notes, spots, predictions.len(), &fields, &means, &own)
    }

    /// From the covariance over spots and notes of each seat, and per pair the mean and covariance over notes then grid.
    pub fn build(
        notes: usize,
        spots: usize,
        seats: usize,
        fields: &[DMatrix<f64>],
        means: &[DVector<f64>],
        own: &[DMatrix<f64>],
    ) -> Self {
        let one = spots * notes;
        let mut precision = DMatrix::zeros(one * seats, one * seats);
        let mut log_determinant = 0.0;
        for (seat, field) in fields.iter().enumerate() {
            let mut field = field.clone();
            for a in 0..spots {
                for i in 0..notes {
                    field[(a * notes + i, a * notes + i)] += ROUGHNESS_DB * ROUGHNESS_DB;
                    for j in 0..notes {
                        field[(a * notes + i, a * notes + j)] += MEAN_DB * MEAN_DB;
                    }
                }
            }
            let factor = gaussian::factor(&field);
            log_determinant += factor.log_determinant();
            precision.view_mut((seat * one, seat * one), (one, one)).copy_from(&factor.inverse());
        }
        let mut mean = DVector::zeros(one * seats);
        for (pair, m) in means.iter().enumerate() {
            for i in 0..notes {
                mean[pair * notes + i] = m[i];
            }
        }
        let mut grids: Vec<GridMap> = Vec::with_capacity(own.len());
        for (pair, (m, c)) in means.iter().zip(own).enumerate() {
            if pair > 0 && own[pair - 1] == *c {
                let (weights, rest) = (grids[pair - 1].weights.clone(), grids[pair - 1].rest.clone());
                grids.push(GridMap { mean: m.rows(notes, m.len() - notes).into_owned(), weights, rest });
            } else {
                grids.push(grid_map(m, c, notes));
            }
        }
        Self { notes, spots, seats, mean, precision, log_determinant, grids, unknown_room: false }
    }
}

/// The usual covariance over spots and notes, and of one spot over notes then grid.
fn usual(notes_hz: &[f64], grid_hz: &[f64], spots: usize) -> (DMatrix<f64>, DMatrix<f64>) {
    let notes = notes_hz.len();
    let covariance = centred_covariance(notes_hz, grid_hz);
    let shared = |i: usize| libm::sqrt(between(notes_hz[i], SHARED_LOW, SHARED_HIGH));
    let field = DMatrix::from_fn(spots * notes, spots * notes, |p, q| {
        let (i, j) = (p % notes, q % notes);
        let part = if p / notes == q / notes { 1.0 } else { shared(i) * shared(j) };
        part * covariance[(i, j)]
    });
    (field, covariance)
}

/// A spot's predicted curves relative to the mean of their notes, points x draws, less their mean; `None` for a spot without a position.
fn centred_curves(draws: &Draws, spot: usize, notes: usize, points: usize) -> Option<DMatrix<f64>> {
    draws.curve_db(0, spot)?;
    let mean = mean_curve(draws, spot, notes, points);
    let mut found = DMatrix::zeros(points, draws.draws());
    for (k, mut column) in found.column_iter_mut().enumerate() {
        let curve = draws.curve_db(k, spot)?;
        let level = curve[..notes].iter().sum::<f64>() / notes as f64;
        for i in 0..points {
            column[i] = curve[i] - level - mean[i];
        }
    }
    Some(found)
}

fn mean_curve(draws: &Draws, spot: usize, notes: usize, points: usize) -> DVector<f64> {
    let mut mean = DVector::zeros(points);
    let count = draws.draws() as f64;
    for curve in (0..draws.draws()).filter_map(|k| draws.curve_db(k, spot)) {
        let level = curve[..notes].iter().sum::<f64>() / notes as f64;
        for i in 0..points {
            mean[i] += (curve[i] - level) / count;
        }
    }
    mean
}

fn grid_map(mean: &DVector<f64>, covariance: &DMatrix<f64>, notes: usize) -> GridMap {
    let grid = mean.len() - notes;
    let mut at_notes = covariance.view((0, 0), (notes, notes)).into_owned();
    for i in 0..notes {
        at_notes[(i, i)] += ROUGHNESS_DB * ROUGHNESS_DB;
        for j in 0..notes {
            at_notes[(i, j)] += MEAN_DB * MEAN_DB;
        }
    }
    let cross = covariance.view((0, notes), (notes, grid)).into_owned();
    let factor = gaussian::factor(&at_notes);
    let weights = factor.solve_many(&cross).transpose();
    let mut rest = covariance.view((notes, notes), (grid, grid)) - &weights * &cross;
    for i in 0..grid {
        rest[(i, i)] += 1e-3;
    }
    GridMap { mean: mean.rows(notes, grid).into_owned(), weights, rest: gaussian::factor(&rest).lower().clone() }
}
