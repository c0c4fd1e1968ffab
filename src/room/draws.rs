//! What many drawn rooms say together: curves, spreads over the notes, and where most of them lie.

use serde::{Deserialize, Serialize};

/// Levels that the seat would get from every spot, for many rooms that the plan could stand for.
#[derive(Debug, Clone, PartialEq)]
pub struct Draws {
    frequencies: usize,
    draws: usize,
    /// For each spot, whether its position is known.
    placed: Vec<bool>,
    /// Draw by draw, spot by spot, frequency by frequency.
    levels_db: Vec<f64>,
}

/// A figure and where four in five rooms are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// The middle of what is believed.
    pub middle_db: f64,
    /// One room in ten is below.
    pub low_db: f64,
    /// One room in ten is above.
    pub high_db: f64,
}

/// How even a spot is expected to be at a seat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeatSpread {
    /// The seat's name.
    pub seat: String,
    /// Standard deviation over the bands, dB, the middle of what is believed.
    pub predicted_spread_db: f64,
    /// Four in five draws are between these.
    pub interval_db: [f64; 2],
}

impl SeatSpread {
    pub(in crate::room) fn new(seat: &str, band: Band) -> Self {
        let interval_db = [band.low_db, band.high_db];
        Self { seat: seat.to_owned(), predicted_spread_db: band.middle_db, interval_db }
    }
}

/// The share of draws left out at either end of a band of levels that is to hold four in five of real ones.
///
/// Draws never differ in all ways in which rooms do. This was chosen so that the bands hold 80 % in the mean of two
/// kinds of simulated rooms: boxes whose every wave is disturbed, and boxes with tall furniture that no plan shows
/// (`cargo bench --bench room -- truth`, `-- furnished`). In bare rooms they then hold more.
pub(in crate::room) const LEVEL_TAIL: f64 = 0.08;
/// The same for bands of spreads.
pub(in crate::room) const SPREAD_TAIL: f64 = 0.05;

impl Draws {
    /// * `placed` - for each spot, whether its position is known
    /// * `levels_db` - draw by draw, spot by spot, frequency by frequency
    pub(in crate::room) fn new(placed: Vec<bool>, frequencies: usize, draws: usize, levels_db: Vec<f64>) -> Self {
        Self { frequencies, draws, placed, levels_db }
    }

    /// How many rooms were drawn.
    pub fn draws(&self) -> usize {
        self.draws
    }

    /// How many spots there are, placed or not.
    pub fn spots(&self) -> usize {
        self.placed.len()
    }

    /// How many frequencies were asked for.
    pub fn frequencies(&self) -> usize {
        self.frequencies
    }

    /// Levels in dB (0 dB: free field at 1 m from a flat source), one for each frequency asked for; `None` for a spot
    /// without a position, or out of range. The same draw of the same seed is the same room for every seat.
    pub fn curve_db(&self, draw: usize, spot: usize) -> Option<&[f64]> {
        if draw >= self.draws || !self.placed.get(spot).copied().unwrap_or(false) {
            return None;
        }
        let start = (draw * self.placed.len() + spot) * self.frequencies;
        self.levels_db.get(start..start + self.frequencies)
    }

    /// Where a spot's spread (standard deviation over the frequencies, dB) lies; `None` for a spot without a position.
    pub fn spread(&self, spot: usize) -> Option<Band> {
        let spread = |draw: usize| Some(spread_db(self.curve_db(draw, spot)?));
        spread_band((0..self.draws).filter_map(spread).collect())
    }

    /// Where a spot's levels lie, and its levels less their mean over the frequencies; empty for a spot without a
    /// position.
    pub fn levels(&self, spot: usize) -> Vec<(Band, Band)> {
        let curves: Vec<&[f64]> = (0..self.draws).filter_map(|draw| self.curve_db(draw, spot)).collect();
        let means: Vec<f64> = curves.iter().map(|curve| curve.iter().sum::<f64>() / curve.len() as f64).collect();
        let at = |note: usize| {
            let levels = curves.iter().map(|curve| curve[note]).collect();
            let deviations = curves.iter().zip(&means).map(|(curve, mean)| curve[note] - mean).collect();
            Some((band(levels, LEVEL_TAIL)?, band(deviations, LEVEL_TAIL)?))
        };
        (0..self.frequencies).filter_map(at).collect()
    }
}

/// Standard deviation over the frequencies, dB.
pub(in crate::room) fn spread_db(levels_db: &[f64]) -> f64 {
    let mean = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    (levels_db.iter().map(|level| (level - mean).powi(2)).sum::<f64>() / levels_db.len() as f64).sqrt()
}

/// The band of some drawn spreads; `None` of none.
pub(in crate::room) fn spread_band(spreads_db: Vec<f64>) -> Option<Band> {
    band(spreads_db, SPREAD_TAIL)
}

fn band(mut values: Vec<f64>, tail: f64) -> Option<Band> {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values.get((values.len().saturating_sub(1) as f64 * share).round() as usize).copied();
    Some(Band { middle_db: at(0.5)?, low_db: at(tail)?, high_db: at(1.0 - tail)? })
}
