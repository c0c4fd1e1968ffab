//! How much a pass would tell about which setting is to be kept.
//!
//! Over the possible systems, what would be heard in a pass goes along with how much flatter one setting is than another. The share
//! of that difference's variance that the pass would explain follows from their covariances as in linear regression (as the
//! ensemble Kalman filter has it: Evensen, Ocean Dynamics 53, 343-367, 2003; from memory).

use nalgebra::DMatrix;

use crate::blend::tune::fit::RATING_DB;
use crate::blend::tune::model::{Draw, Effect, under_band};
use crate::blend::tune::prior::MOOD_DB;
use crate::blend::tune::{Case, Sounding, search};
use crate::stats::gaussian;

/// What would be heard of bands, for each possible system (a row) and band (a column), dB.
fn levels_db(case: &Case, draws: &[Draw], setting: &[f64], sounding: Sounding, bands_hz: &[f64]) -> DMatrix<f64> {
    let effect = Effect::of(case, setting);
    let under: Vec<Vec<(usize, f64)>> = bands_hz.iter().map(|&hz| under_band(case.crossover_hz, hz)).collect();
    let mut levels_db = DMatrix::zeros(draws.len(), bands_hz.len());
    for (row, draw) in draws.iter().enumerate() {
        let power = draw.power(&effect.at_points(case, draw.known), sounding);
        for (column, under) in under.iter().enumerate() {
            let total: f64 = under.iter().map(|(k, weight)| weight * power[*k]).sum();
            let own_db: f64 = under.iter().map(|(k, weight)| weight * draw.contour_db[*k]).sum();
            levels_db[(row, column)] = 10.0 * libm::log10(total) + own_db;
        }
    }
    levels_db
}

/// At stake: by how much each of some settings ends worse than the others, for each possible system.
pub struct Stakes {
    centred_db: DMatrix<f64>,
}

impl Stakes {
    /// Of some settings.
    pub fn of(case: &Case, draws: &[Draw], settings: &[Vec<f64>]) -> Self {
        let mut worst_db = DMatrix::zeros(draws.len(), settings.len());
        for (column, setting) in settings.iter().enumerate() {
            worst_db.column_mut(column).copy_from_slice(&search::each(case, draws, setting));
        }
        for mut row in worst_db.row_iter_mut() {
            let mean = row.mean();
            row.add_scalar_mut(-mean);
        }
        Self { centred_db: centred(worst_db) }
    }

    /// How much of that a pass would explain.
    pub fn explained_by(
        &self,
        case: &Case,
        draws: &[Draw],
        setting: &[f64],
        sounding: Sounding,
        bands_hz: &[f64],
    ) -> f64 {
        let mut heard = levels_db(case, draws, setting, sounding, bands_hz);
        if sounding == Sounding::NearSubwoofer {
            // Close by, only differences between bands count.
            for mut row in heard.row_iter_mut() {
                let mean = row.mean();
                row.add_scalar_mut(-mean);
            }
        }
        let heard = centred(heard);
        let count = draws.len() as f64;
        let mut own = heard.transpose() * &heard / count;
        own.add_scalar_mut(MOOD_DB * MOOD_DB);
        for band in 0..bands_hz.len() {
            own[(band, band)] += RATING_DB * RATING_DB;
        }
        let across = heard.transpose() * &self.centred_db / count;
        let solved = gaussian::factor(&own).solve_many(&across);
        across.component_mul(&solved).sum()
    }
}

fn centred(mut matrix: DMatrix<f64>) -> DMatrix<f64> {
    for mut column in matrix.column_iter_mut() {
        let mean = column.mean();
        column.add_scalar_mut(-mean);
    }
    matrix
}
