//! What is believed of the curves before anything is heard: how bass usually varies over frequency and between spots of
//! one room.

use nalgebra::{DMatrix, DVector};

use crate::judge::usual::{Usual, usual_mean};
use crate::room::ensemble::Draws;
use crate::stats::gaussian;

/// What no smooth curve follows, dB.
const ROUGHNESS_DB: f64 = 0.45;
/// Of what a room model predicts for all spots together, at most this share of the variance is left to each spot alone,
/// with at most so many shared numbers.
const UNSHARED: f64 = 0.02;
const MOST_SHARED: usize = 40;
/// Parts of what the notes leave open between them that are drawn one by one.
const MOST_OPEN: usize = 8;
/// Freedom left to a curve's mean, which nobody hears, dB.
const MEAN_DB: f64 = 0.3;

/// How the evaluation grid of one seat and spot hangs on its notes.
#[derive(Debug, Clone)]
pub struct GridMap {
    /// What the grid is where the notes are zero, dB.
    pub known: DVector<f64>,
    /// Weights, grid x notes.
    pub weights: DMatrix<f64>,
    /// The largest parts of what the notes leave open, grid x parts.
    pub open: DMatrix<f64>,
    /// Mean variance of all smaller parts, dB^2.
    pub rough: f64,
}

/// What belongs to one pair alone, given the numbers that the spots of a room share.
#[derive(Debug, Clone)]
pub struct Own {
    /// Loadings of the shared numbers, notes x numbers.
    pub loading: DMatrix<f64>,
    /// Inverse covariance of the rest, 1/dB^2.
    pub precision: DMatrix<f64>,
    /// Precision times loadings.
    pub of_shared: DMatrix<f64>,
    /// Loadings' times precision times loadings.
    pub square_of_shared: DMatrix<f64>,
}

/// A Gaussian over the deviations of all notes at all seat-and-spot pairs (seats outermost), dB: what some shared
/// numbers with variance 1 give, plus each pair's own part.
#[derive(Debug, Clone)]
pub struct FieldPrior {
    /// Number of notes.
    pub notes: usize,
    /// Number of spots.
    pub spots: usize,
    /// Number of seats.
    pub seats: usize,
    /// How many numbers are shared, all seats together.
    pub shared: usize,
    /// Mean of each pair, dB.
    pub mean: Vec<DVector<f64>>,
    /// The different own parts.
    pub own: Vec<Own>,
    /// Which own part each pair has.
    pub own_of: Vec<usize>,
    /// Per pair, how the grid follows.
    pub grids: Vec<GridMap>,
    /// Whether nothing of the room is in it.
    pub unknown_room: bool,
    seat_starts: Vec<usize>,
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

/// What is believed of one seat's curves: shared loadings (spots x notes stacked), and per spot the mean over notes
/// then grid, the own covariance of the notes, and the whole covariance over notes then grid.
struct SeatBelief {
    loadings: DMatrix<f64>,
    means: Vec<DVector<f64>>,
    own: Vec<DMatrix<f64>>,
    whole: Vec<DMatrix<f64>>,
}

impl FieldPrior {
    /// The prior of a room of which nothing is known.
    pub fn unknown_room(notes_hz: &[f64], spots: usize, seats: usize) -> Self {
        let notes = notes_hz.len();
        let grid_hz = evaluation_grid(notes_hz);
        let Usual { loading, own, whole } = Usual::new(notes_hz, &grid_hz);
        let mean = usual_mean(notes_hz, &grid_hz);
        let mut loadings = DMatrix::zeros(spots * notes, loading.ncols());
        for spot in 0..spots {
            loadings.view_mut((spot * notes, 0), loading.shape()).copy_from(&loading);
        }
        let seat = || SeatBelief {
            loadings: loadings.clone(),
            means: vec![mean.clone(); spots],
            own: vec![own.clone(); spots],
            whole: vec![whole.clone(); spots],
        };
        Self { unknown_room: true, ..Self::build(notes, spots, (0..seats).map(|_| seat()).collect()) }
    }

    /// The prior of a measured room: what the room model predicts, with its own doubt, and on top a share `residual`
    /// (of the usual standard deviation) that the model knows nothing of. A seat or spot without a position stays as in
    /// an unknown room.
    pub fn predicted(notes_hz: &[f64], predictions: &[Option<Draws>], spots: usize, residual: f64) -> Self {
        let notes = notes_hz.len();
        let grid_hz = evaluation_grid(notes_hz);
        let points = notes + grid_hz.len();
        let Usual { loading: usual_loading, own: usual_own, whole: usual_whole } = Usual::new(notes_hz, &grid_hz);
        let share = residual * residual;
        let seat = |prediction: &Option<Draws>| {
            let known: Vec<Option<DMatrix<f64>>> = (0..spots)
                .map(|spot| prediction.as_ref().and_then(|p| centred_curves(p, spot, notes, points)))
                .collect();
            let draws = known.iter().flatten().map(|x| x.ncols()).max().unwrap_or(0);
            let mut stacked = DMatrix::zeros(spots * notes, draws);
            for (spot, curves) in known.iter().enumerate() {
                if let Some(x) = curves {
                    stacked.view_mut((spot * notes, 0), (notes, draws)).copy_from(&x.rows(0, notes));
                }
            }
            let mut left = DMatrix::zeros(spots * notes, spots * notes);
            gaussian::add_product(&mut left, &stacked, &stacked, 1.0 / (draws as f64 - 1.0).max(1.0));
            loosen(&mut left, notes, draws);
            let predicted = gaussian::few_columns(&mut left, UNSHARED, MOST_SHARED);
            let width = usual_loading.ncols();
            let (any, lacking) = (known.iter().any(Option::is_some), known.iter().any(Option::is_none));
            // What measured spots share beyond the model, and what spots without a position share.
            let columns = predicted.ncols() + width * (usize::from(any) + usize::from(lacking));
            let mut loadings = DMatrix::zeros(spots * notes, columns);
            let (mut means, mut own, mut whole) = (Vec::new(), Vec::new(), Vec::new());
            for (spot, curves) in known.iter().enumerate() {
                let first = spot * notes;
                match (curves, prediction) {
                    (Some(x), Some(prediction)) => {
                        loadings
                            .view_mut((first, 0), (notes, predicted.ncols()))
                            .copy_from(&predicted.rows(first, notes));
                        loadings
                            .view_mut((first, predicted.ncols()), (notes, width))
                            .copy_from(&(&usual_loading * residual));
                        own.push(left.view((first, first), (notes, notes)) + &usual_own * share);
                        let mut all = &usual_whole * share;
                        gaussian::add_product(&mut all, x, x, 1.0 / (x.ncols() as f64 - 1.0).max(1.0));
                        whole.push(all);
                        means.push(mean_curve(prediction, spot, notes, points));
                    }
                    _ => {
                        loadings.view_mut((first, columns - width), (notes, width)).copy_from(&usual_loading);
                        own.push(usual_own.clone());
                        whole.push(usual_whole.clone());
                        means.push(usual_mean(notes_hz, &grid_hz));
                    }
                }
            }
            SeatBelief { loadings, means, own, whole }
        };
        Self::build(notes, spots, predictions.iter().map(seat).collect())
    }

    fn build(notes: usize, spots: usize, seats: Vec<SeatBelief>) -> Self {
        let mut found = Self {
            notes,
            spots,
            seats: seats.len(),
            shared: 0,
            mean: Vec::new(),
            own: Vec::new(),
            own_of: Vec::new(),
            grids: Vec::new(),
            unknown_room: false,
            seat_starts: Vec::new(),
        };
        for seat in &seats {
            found.seat_starts.push(found.shared);
            found.shared += seat.loadings.ncols();
            for spot in 0..spots {
                found.mean.push(seat.means[spot].rows(0, notes).into_owned());
                let same = spot > 0
                    && seat.own[spot] == seat.own[spot - 1]
                    && seat.whole[spot] == seat.whole[spot - 1]
                    && seat.loadings.rows(spot * notes, notes) == seat.loadings.rows((spot - 1) * notes, notes);
                if same {
                    found.own_of.push(found.own.len() - 1);
                    let (Some(grid), mean) = (found.grids.last().cloned(), &seat.means[spot]) else { continue };
                    let known = mean.rows(notes, mean.len() - notes) - &grid.weights * mean.rows(0, notes);
                    found.grids.push(GridMap { known, ..grid });
                } else {
                    found.own_of.push(found.own.len());
                    let loading = seat.loadings.rows(spot * notes, notes).into_owned();
                    found.own.push(own(loading, &seat.own[spot]));
                    found.grids.push(grid_map(&seat.means[spot], &seat.whole[spot], notes));
                }
            }
        }
        found
    }

    /// Where the shared numbers of a pair's seat begin.
    pub fn seat_start(&self, pair: usize) -> usize {
        self.seat_starts[pair / self.spots.max(1)]
    }
}

/// Takes the chance ties between spots out of a covariance found from few draws: all ties between different spots
/// shrink by the share of their size that the draws' own noise explains (Ledoit and Wolf, J. Multivariate Analysis 88,
/// 2004, with the blocks as the target).
fn loosen(covariance: &mut DMatrix<f64>, notes: usize, draws: usize) {
    let size = covariance.nrows();
    let variance: Vec<f64> = covariance.diagonal().iter().copied().collect();
    let (mut noise, mut square) = (0.0, 0.0);
    let different = |i: usize, j: usize| i / notes != j / notes;
    for j in 0..size {
        for i in (0..size).filter(|&i| different(i, j)) {
            let tie = covariance[(i, j)] * covariance[(i, j)];
            square += tie;
            noise += (variance[i] * variance[j] + tie) / draws.max(1) as f64;
        }
    }
    let keep = if square > noise { 1.0 - noise / square } else { 0.0 };
    for j in 0..size {
        for i in (0..size).filter(|&i| different(i, j)) {
            covariance[(i, j)] *= keep;
        }
    }
}

/// Adds what no smooth curve follows, and the freedom of the mean.
fn free(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let mut found = covariance.clone();
    found.add_scalar_mut(MEAN_DB * MEAN_DB);
    for i in 0..found.nrows() {
        found[(i, i)] += ROUGHNESS_DB * ROUGHNESS_DB;
    }
    found
}

fn own(loading: DMatrix<f64>, covariance: &DMatrix<f64>) -> Own {
    let precision = gaussian::factor(&free(covariance)).inverse();
    let of_shared = &precision * &loading;
    let square_of_shared = loading.tr_mul(&of_shared);
    Own { loading, precision, of_shared, square_of_shared }
}

/// A spot's predicted curves relative to the mean of their notes, points x draws, less their mean; `None` for a spot
/// without a position.
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

fn grid_map(mean: &DVector<f64>, whole: &DMatrix<f64>, notes: usize) -> GridMap {
    let grid = mean.len() - notes;
    let at_notes = free(&whole.view((0, 0), (notes, notes)).into_owned());
    let cross = whole.view((0, notes), (notes, grid)).into_owned();
    let weights = gaussian::factor(&at_notes).solve_many(&cross).transpose();
    let mut rest = whole.view((notes, notes), (grid, grid)) - &weights * &cross;
    let open = gaussian::few_columns(&mut rest, 0.1, MOST_OPEN);
    let known = mean.rows(notes, grid) - &weights * mean.rows(0, notes);
    GridMap { known, weights, open, rough: rest.trace().max(0.0) / grid.max(1) as f64 }
}
