//! What each seat is expected to hear from each spot, with its doubt.

use serde::{Deserialize, Serialize};

pub use crate::room::draws::Band;
use crate::room::ensemble::{Doubt, Draws, Ensemble};
use crate::room::plan::Room;

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
        let (levels, deviations): (Vec<Band>, Vec<Band>) = draws.levels(spot).into_iter().unzip();
        (!levels.is_empty()).then_some(Forecast { seat, spot, levels, deviations })
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
