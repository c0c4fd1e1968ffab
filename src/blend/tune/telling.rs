//! How much a pass would tell about which setting is to be kept, and by which bands.
//!
//! Over the possible systems, what would be heard in a pass goes along with how much flatter one setting is than
//! another. The share of that difference's variance that the pass would explain follows from their covariances as in
//! linear regression, band by band (as the ensemble Kalman filter has it: Evensen, Ocean Dynamics 53, 343-367, 2003;
//! from memory).

use nalgebra::DMatrix;

use crate::blend::tune::fit::RATING_DB;
use crate::blend::tune::model::{Draw, Effect, under_band};
use crate::blend::tune::prior::mood_db;
use crate::blend::tune::{Case, Sounding, search};

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

    /// The bands that tell most per second of a pass, one after the other: each the one that explains most of what
    /// those before it leave open. `None` if there is no time for as many as a pass needs.
    pub fn best_bands(&self, case: &Case, draws: &[Draw], offer: &Offer) -> Option<Telling> {
        let heard = centred(levels_db(case, draws, &offer.setting, offer.sounding, &offer.bands_hz));
        let count = draws.len() as f64;
        let mood_db = mood_db(offer.sounding);
        let mut own = heard.transpose() * &heard / count;
        own.add_scalar_mut(mood_db * mood_db);
        let mut across = heard.transpose() * &self.centred_db / count;
        let mut explained = 0.0;
        let mut bands_hz = Vec::new();
        let mut best: Option<Telling> = None;
        for number in 1..=offer.most {
            let variance = |band: usize| own[(band, band)] + RATING_DB * RATING_DB;
            let gain = |band: usize| across.row(band).norm_squared() / variance(band);
            let band = (0..offer.bands_hz.len()).max_by(|a, b| gain(*a).total_cmp(&gain(*b)))?;
            explained += gain(band);
            bands_hz.push(offer.bands_hz[band]);
            let per_s = explained / (offer.before_s + offer.each_s * number as f64);
            if number >= offer.least && best.as_ref().is_none_or(|best| per_s > best.per_s) {
                best = Some(Telling { per_s, bands_hz: bands_hz.clone() });
            }
            // What is left open once this band has been rated.
            let along = own.column(band) / variance(band);
            let (own_row, across_row) = (own.row(band).clone_owned(), across.row(band).clone_owned());
            own -= &along * own_row;
            across -= along * across_row;
        }
        best
    }
}

/// A pass that could be heard.
pub struct Offer {
    pub setting: Vec<f64>,
    pub sounding: Sounding,
    /// Middles of the bands to choose from, Hz; one may be rated more than once.
    pub bands_hz: Vec<f64>,
    /// How many ratings there are to be, at least and at most.
    pub least: usize,
    pub most: usize,
    /// Time until the first band sounds, and for each band, seconds.
    pub before_s: f64,
    pub each_s: f64,
}

/// What a pass would tell.
pub struct Telling {
    /// Explained variance of what is at stake, dB² a second.
    pub per_s: f64,
    /// Middles of the bands to rate, Hz.
    pub bands_hz: Vec<f64>,
}

fn centred(mut matrix: DMatrix<f64>) -> DMatrix<f64> {
    for mut column in matrix.column_iter_mut() {
        let mean = column.mean();
        column.add_scalar_mut(-mean);
    }
    matrix
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blend::tune::{Belief, tests::case};
    use crate::stats::gaussian;

    #[test]
    fn band_by_band_explains_what_all_of_them_explain_at_once() {
        let case = case(true);
        let draws = Belief::new(&case, &[]).draws(60, 5);
        let turned = vec![100.0, 3.0, 5.0, 180.0];
        let stakes = Stakes::of(&case, &draws, &[case.start.clone(), turned.clone()]);
        let bands_hz = vec![60.0, 70.0, 80.0, 95.0];
        for sounding in [Sounding::Both, Sounding::NearSubwoofer] {
            let (setting, bands_hz) = (turned.clone(), bands_hz.clone());
            let offer = Offer { setting, sounding, bands_hz, least: 7, most: 7, before_s: 1.0, each_s: 0.0 };
            let telling = stakes.best_bands(&case, &draws, &offer).expect("seven of four bands, some of them twice");
            assert_eq!(telling.bands_hz.len(), 7);
            // Linear regression on all seven answers: across' (own + noise)^-1 across.
            let heard = centred(levels_db(&case, &draws, &turned, sounding, &telling.bands_hz));
            let mut own = heard.transpose() * &heard / draws.len() as f64;
            own.add_scalar_mut(mood_db(sounding) * mood_db(sounding));
            for band in 0..telling.bands_hz.len() {
                own[(band, band)] += RATING_DB * RATING_DB;
            }
            let across = heard.transpose() * &stakes.centred_db / draws.len() as f64;
            let explained = across.component_mul(&gaussian::factor(&own).solve_many(&across)).sum();
            assert!(explained > 0.0 && (telling.per_s / explained - 1.0).abs() < 1e-9, "{sounding:?}: {explained}");
        }
    }
}
