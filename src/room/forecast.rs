//! What each seat is expected to hear from each spot, with its doubt.

use serde::{Deserialize, Serialize};

use crate::room::ensemble::{Doubt, Draws, Ensemble};
use crate::room::plan::Room;

/// A figure and where four in five draws are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// The middle of what is believed.
    pub middle_db: f64,
    /// One in ten draws is below.
    pub low_db: f64,
    /// One in ten draws is above.
    pub high_db: f64,
}

/// What one seat is expected to hear from one spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Position in the room's list of seats.
    pub seat: usize,
    /// Position in the room's list of spots.
    pub spot: usize,
    /// Level at each frequency; 0 dB is a free field at 1 m from a flat source.
    pub levels: Vec<Band>,
    /// The same less the mean over the frequencies, which no ear knows: what is heard as even or not.
    pub deviations: Vec<Band>,
}

/// What every seat with a position is expected to hear from every spot with one; empty where nothing is known.
/// * `frequencies_hz`, `half_width_octaves`, `draws`, `seed` - as [`crate::room::ensemble::predicted_levels`]
pub fn forecasts(
    room: &Room,
    frequencies_hz: &[f64],
    half_width_octaves: f64,
    draws: usize,
    seed: u64,
) -> Vec<Forecast> {
    let Some(ensemble) = Ensemble::new(room, frequencies_hz, half_width_octaves, Doubt::default()) else {
        return Vec::new();
    };
    let heard = (0..room.seats.len()).filter_map(|seat| Some((seat, ensemble.levels(seat, draws, seed)?)));
    heard.flat_map(|(seat, draws)| of_seat(seat, &draws)).collect()
}

fn of_seat(seat: usize, draws: &Draws) -> Vec<Forecast> {
    let of_spot = |spot: usize| {
        let curves: Vec<&[f64]> = (0..draws.draws()).filter_map(|draw| draws.curve_db(draw, spot)).collect();
        let means: Vec<f64> = curves.iter().map(|curve| curve.iter().sum::<f64>() / curve.len() as f64).collect();
        let band = |at: usize, less: &dyn Fn(usize) -> f64| {
            let mut values: Vec<f64> = curves.iter().enumerate().map(|(draw, curve)| curve[at] - less(draw)).collect();
            values.sort_by(f64::total_cmp);
            let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
            Band { middle_db: at(0.5), low_db: at(0.1), high_db: at(0.9) }
        };
        (!curves.is_empty()).then(|| Forecast {
            seat,
            spot,
            levels: (0..draws.frequencies()).map(|at| band(at, &|_| 0.0)).collect(),
            deviations: (0..draws.frequencies()).map(|at| band(at, &|draw| means[draw])).collect(),
        })
    };
    (0..draws.spots()).filter_map(of_spot).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_placed_pair_has_a_band_round_its_middle() {
        let text = "size_m = [5, 4]\n[[seat]]\nname = \"a\"\nat_m = [3, 2]\n[[seat]]\nname = \"b\"\n[[spot]]\nname = \"p\"\n\
                    at_m = [0.4, 0.4]\n[[spot]]\nname = \"q\"\n[[spot]]\nname = \"r\"\nat_m = [4.6, 2]\n";
        let notes_hz = [30.0, 45.0, 70.0, 110.0];
        let found = forecasts(&Room::from_toml("r", text).unwrap(), &notes_hz, 1.0 / 12.0, 16, 3);
        assert_eq!(found.iter().map(|f| (f.seat, f.spot)).collect::<Vec<_>>(), [(0, 0), (0, 2)]);
        for band in found.iter().flat_map(|f| f.levels.iter().chain(&f.deviations)) {
            assert!(band.low_db <= band.middle_db && band.middle_db <= band.high_db && band.low_db < band.high_db);
        }
        assert!(forecasts(&Room::unmeasured("r", &["a"], &["p"]), &notes_hz, 0.0, 4, 1).is_empty());
    }
}
