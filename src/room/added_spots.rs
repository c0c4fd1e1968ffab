//! Spots that a study adds to the room's own, so that there are some worth hearing.

use crate::room::ensemble::{Doubt, Ensemble};
use crate::room::plan::{Place, Room};
use crate::room::suggest::{self, Candidate, Rule};

const DRAWS_FOR_CHOICE: usize = 12;
const SEED: u64 = 1;
/// How many spots the model may add, and how far apart it looks along the walls.
const OWN_CHOICE: usize = 3;
const LOOK_EVERY_M: f64 = 0.25;
const MOST_LOOKS: f64 = 120.0;

/// Spots to add to the room's own: the trade's rules where it has none, and the model's choice along the walls.
pub(in crate::room) fn added_spots(room: &Room, frequencies_hz: &[f64], half_width_octaves: f64) -> Vec<Candidate> {
    let own = room.spots.iter().any(|spot| spot.at_m.is_some());
    let mut found = if own { Vec::new() } else { suggest::candidates(room) };
    let corners = room.corners_m();
    for place_m in model_choice(room, frequencies_hz, half_width_octaves) {
        let added = found.iter().filter(|candidate| candidate.rule == Rule::Model).count();
        let taken = room.spots.iter().filter_map(|spot| spot.at_m);
        let near_own = |at: [f64; 3]| (at[0] - place_m[0]).hypot(at[1] - place_m[1]) < suggest::APART_M;
        // By its place: a name that praises would tell the listener what to hear.
        let Some(name) = suggest::place_name(room, place_m) else { continue };
        let names = found.iter().map(|candidate| &candidate.place).chain(&room.spots).map(|place| &place.name);
        if added < OWN_CHOICE && !taken.into_iter().any(near_own) && !names.into_iter().any(|other| *other == name) {
            suggest::add(room, &corners, &mut found, &name, place_m, Rule::Model);
        }
    }
    found
}

/// Places along the walls, most even first over all seats with a position.
fn model_choice(room: &Room, frequencies_hz: &[f64], half_width_octaves: f64) -> Vec<[f64; 2]> {
    let corners = room.corners_m();
    let perimeter_m: f64 = (0..corners.len())
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
            (b[0] - a[0]).hypot(b[1] - a[1])
        })
        .sum();
    let places = suggest::along_walls(room, LOOK_EVERY_M.max(perimeter_m / MOST_LOOKS));
    let mut trial = room.clone();
    let spot = |place_m: &[f64; 2]| Place {
        name: String::new(),
        at_m: Some([place_m[0], place_m[1], crate::room::CONE_HEIGHT_M]),
    };
    trial.spots = places.iter().map(spot).collect();
    let Some(ensemble) = Ensemble::new(&trial, frequencies_hz, half_width_octaves, Doubt::default()) else {
        return Vec::new();
    };
    let mut totals = vec![0.0; places.len()];
    let mut heard = false;
    for seat in 0..room.seats.len() {
        if let Some(draws) = ensemble.levels(seat, DRAWS_FOR_CHOICE, SEED) {
            heard = true;
            let middle_db = |spot: usize| draws.spread(spot).map_or(0.0, |band| band.middle_db);
            let weight = room.seat_weights.get(seat).copied().unwrap_or(1.0);
            totals.iter_mut().enumerate().for_each(|(spot, total)| *total += weight * middle_db(spot));
        }
    }
    let mut order: Vec<usize> = if heard { (0..places.len()).collect() } else { Vec::new() };
    order.sort_by(|a, b| totals[*a].total_cmp(&totals[*b]));
    order.into_iter().map(|place| places[place]).collect()
}
