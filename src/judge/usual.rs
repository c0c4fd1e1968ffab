//! How bass usually varies over frequency and between the spots of a room of which nothing is known.
//!
//! All figures are moments and quantiles of the modal sum over random boxes of living-room sizes, damping, seats and
//! wall-side spots.

use nalgebra::{DMatrix, DVector};

use crate::stats::gaussian;

/// How a curve varies, at some frequencies; in between by log frequency. Half an octave apart, two points of a bass
/// response in a room know little of each other; the lowest notes, where few modes are, hang together most.
struct Variation {
    /// Standard deviation, dB.
    spread_db: [f64; 6],
    /// How far two points still know of each other, octaves.
    reach_octaves: [f64; 6],
}
const AT_HZ: [f64; 6] = [25.0, 35.0, 50.0, 70.0, 95.0, 120.0];
/// What a spot has of its own, and what all spots of a room share because they share the seat: the likeliest figures
/// for the modal sums of 400 boxes of random living-room sizes, damping, seats and wall-side spots (smoothed over
/// 1/6 octave).
const OWN: Variation = Variation {
    spread_db: [6.3, 5.27, 4.46, 3.36, 3.44, 3.79],
    reach_octaves: [0.448, 0.190, 0.130, 0.092, 0.086, 0.096],
};
const SHARED: Variation = Variation {
    spread_db: [5.47, 4.99, 4.32, 3.16, 3.17, 2.36],
    reach_octaves: [0.228, 0.169, 0.121, 0.094, 0.093, 0.081],
};
/// The mean of 300 random boxes: low notes gain from the small room, and with an ear at 1.1 m under a ceiling of 2.35
/// to 2.7 m the first floor-to-ceiling wave is nearly inaudible.
const USUAL_MEAN_DB: [(f64, f64); 9] = [
    (25.0, 2.9),
    (30.0, 1.9),
    (36.0, 0.8),
    (40.0, 0.1),
    (55.0, 0.1),
    (65.0, -1.7),
    (72.0, -2.4),
    (80.0, -0.6),
    (120.0, -1.0),
];
/// Levels are no bell curve: a hole, where waves cancel, is deeper than one would have it, and a peak lower. Below the
/// first figure (dB from the mean) a curve runs so many times as steep, above the second likewise: quantiles of 400
/// random boxes.
const HOLES: (f64, f64) = (-7.0, 1.27);
const PEAKS: (f64, f64) = (8.0, 0.82);
/// What bass in rooms is like on average, over notes then grid, relative to the mean of the notes, dB.
pub fn usual_mean(notes_hz: &[f64], grid_hz: &[f64]) -> DVector<f64> {
    let at = |f: &f64| {
        let above = USUAL_MEAN_DB.iter().position(|(hz, _)| hz >= f).unwrap_or(USUAL_MEAN_DB.len() - 1).max(1);
        let ((low, a), (high, b)) = (USUAL_MEAN_DB[above - 1], USUAL_MEAN_DB[above]);
        a + (b - a) * (libm::log(f / low) / libm::log(high / low)).clamp(0.0, 1.0)
    };
    let mut found = DVector::from_iterator(notes_hz.len() + grid_hz.len(), notes_hz.iter().chain(grid_hz).map(at));
    let level = found.rows(0, notes_hz.len()).mean();
    found.add_scalar_mut(-level);
    found
}

/// Interpolates the logarithms of values in log frequency; constant beyond the ends.
fn between(frequency_hz: f64, values: &[f64; 6]) -> f64 {
    let above = AT_HZ.iter().position(|hz| *hz >= frequency_hz).unwrap_or(AT_HZ.len() - 1).max(1);
    let t = libm::log(frequency_hz / AT_HZ[above - 1]) / libm::log(AT_HZ[above] / AT_HZ[above - 1]);
    values[above - 1] * libm::pow(values[above] / values[above - 1], t.clamp(0.0, 1.0))
}

impl Variation {
    /// Covariance of two points of one curve before centring (a smooth kernel whose reach varies, after Gibbs).
    fn kernel(&self, f: f64, g: f64) -> f64 {
        let spread = between(f, &self.spread_db) * between(g, &self.spread_db);
        let (a, b) = (between(f, &self.reach_octaves), between(g, &self.reach_octaves));
        let both = a * a + b * b;
        let distance = libm::log2(f / g);
        spread * libm::sqrt(2.0 * a * b / both) * libm::exp(-distance * distance / both)
    }

    /// Covariance over notes then grid, relative to the mean of the notes.
    fn covariance(&self, notes_hz: &[f64], grid_hz: &[f64]) -> DMatrix<f64> {
        let points: Vec<f64> = notes_hz.iter().chain(grid_hz).copied().collect();
        let raw = DMatrix::from_fn(points.len(), points.len(), |i, j| self.kernel(points[i], points[j]));
        centre(&raw, notes_hz.len())
    }
}

/// The deviation that stands for a value of the bell curve, dB.
pub fn skewed(x: f64) -> f64 {
    if x < HOLES.0 {
        HOLES.0 + HOLES.1 * (x - HOLES.0)
    } else if x > PEAKS.0 {
        PEAKS.0 + PEAKS.1 * (x - PEAKS.0)
    } else {
        x
    }
}

/// The value of the bell curve that a deviation stands for, and how steeply the deviation follows it there.
pub fn straightened(deviation_db: f64) -> (f64, f64) {
    if deviation_db < HOLES.0 {
        (HOLES.0 + (deviation_db - HOLES.0) / HOLES.1, HOLES.1)
    } else if deviation_db > PEAKS.0 {
        (PEAKS.0 + (deviation_db - PEAKS.0) / PEAKS.1, PEAKS.1)
    } else {
        (deviation_db, 1.0)
    }
}

/// How the curves of a room usually vary.
pub struct Usual {
    /// Loadings of what all spots of a room share, over the notes.
    pub loading: DMatrix<f64>,
    /// Covariance of what is a spot's own, over the notes.
    pub own: DMatrix<f64>,
    /// Covariance of both together, over notes then grid.
    pub whole: DMatrix<f64>,
}

impl Usual {
    /// Over these notes and this grid.
    pub fn new(notes_hz: &[f64], grid_hz: &[f64]) -> Self {
        let notes = notes_hz.len();
        let (own, shared) = (OWN.covariance(notes_hz, grid_hz), SHARED.covariance(notes_hz, grid_hz));
        let mut left = shared.view((0, 0), (notes, notes)).into_owned();
        let loading = gaussian::few_columns(&mut left, 0.005, notes);
        Self { loading, own: own.view((0, 0), (notes, notes)) + left, whole: own + shared }
    }
}

/// Takes the mean of the first `notes` points off every point of a covariance.
fn centre(raw: &DMatrix<f64>, notes: usize) -> DMatrix<f64> {
    let n = raw.nrows();
    let k = 1.0 / notes.max(1) as f64;
    let taking = DMatrix::from_fn(n, n, |i, j| f64::from(u8::from(i == j)) - if j < notes { k } else { 0.0 });
    &taking * raw * taking.transpose()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::prior::evaluation_grid;
    use crate::stats::gaussian::NormalDraws;

    #[test]
    fn a_hole_is_deeper_and_a_peak_lower_than_a_bell_curve_has_them_and_back() {
        for tenth in -300..300 {
            let x = f64::from(tenth) / 10.0;
            let (straight, slope) = straightened(skewed(x));
            assert!((straight - x).abs() < 1e-12);
            assert!((skewed(x + 1e-6) - skewed(x)).abs() <= 1e-6 * slope.max(1.0) + 1e-12);
        }
        // Of 3981 curves in 400 random boxes (25 to 120 Hz, 1/6 octave): 1 in 100 values lies below -15.8 dB, 1 in 100
        // above 12.8 dB.
        let mut source = NormalDraws::new(3);
        let mut values: Vec<f64> = (0..40_000).map(|_| skewed(5.93 * source.draw())).collect();
        values.sort_by(f64::total_cmp);
        assert!((values[400] + 15.8).abs() < 0.6, "{}", values[400]);
        assert!((values[39_600] - 12.8).abs() < 0.6, "{}", values[39_600]);
    }

    #[test]
    fn the_usual_curves_vary_as_those_of_random_boxes() {
        // Standard deviation of each note from the mean of all, and correlation with the next note, in 400 random boxes
        // (3981 curves).
        let sd = [7.2, 6.7, 6.4, 6.6, 6.5, 6.3, 6.3, 6.1, 6.2, 5.4, 5.0, 5.3, 5.3, 5.2, 4.9, 5.0];
        let next = [0.76, 0.74, 0.70, 0.70, 0.57, 0.60, 0.56, 0.54, 0.32, 0.44, 0.42, 0.43, 0.34, 0.40, 0.49];
        let notes: Vec<f64> = (0..16).map(|n| 25.0 * libm::pow(4.8, f64::from(n) / 15.0)).collect();
        let usual = Usual::new(&notes, &evaluation_grid(&notes));
        for n in 0..16 {
            let own = libm::sqrt(usual.whole[(n, n)]);
            assert!((own - sd[n]).abs() < 1.0, "{n}: {own}");
            if n < 15 {
                let tie = usual.whole[(n, n + 1)] / (own * libm::sqrt(usual.whole[(n + 1, n + 1)]));
                assert!((tie - next[n]).abs() < 0.18, "{n}: {tie}");
            }
        }
    }
}
