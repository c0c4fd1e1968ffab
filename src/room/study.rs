//! Everything that a plan tells before the first note: waves, spots, how even each is expected to be, and why.

use serde::{Deserialize, Serialize};

use crate::room::added_spots;
use crate::room::draws::Draws;
pub use crate::room::draws::SeatSpread;
use crate::room::ensemble::{Doubt, Ensemble};
use crate::room::explain::{self, Cause};
use crate::room::field::RoomField;
use crate::room::modes::ModeKind;
use crate::room::pairs::{self, Pair};
use crate::room::plan::{Place, Room, USUAL_HEIGHT_M};
use crate::room::suggest::{self, Candidate, Rule};
use crate::room::walk;
use crate::room::walls::USUAL_REVERBERATION_S;

/// Why a room cannot be studied.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StudyError {
    /// Nobody measured the floor.
    #[error(
        "the room has no outline, so nothing can be said about its sound; add size_m = [length, width] in metres, or \
         floor_m with the corners"
    )]
    NoOutline,
    /// The outline is one that cannot be cut into triangles.
    #[error("the outline cannot be worked with; check floor_m for corners that nearly touch other walls")]
    Outline,
}

/// What a plan tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// The room's name.
    pub name: String,
    /// Floor area, m².
    pub floor_m2: f64,
    /// Volume, m³.
    pub volume_m3: f64,
    /// Decay time of the bass that the figures rest on.
    pub reverberation_s: f64,
    /// Above this frequency single standing waves explain nothing.
    pub schroeder_hz: f64,
    /// Standing waves up to [`MODES_UP_TO_HZ`], lowest first.
    pub modes: Vec<StudyMode>,
    /// Middles of the bands that spreads are taken over.
    pub frequencies_hz: Vec<f64>,
    /// The room's own spots, then suggested ones; without spots of its own, all suggested.
    pub spots: Vec<StudySpot>,
    /// Positions in `spots`, in a walking order past those with a position.
    pub walk: Vec<usize>,
    /// The best pairs of the spots for the main seat, most even first; `spots` are positions in the list above. Empty
    /// where there will be one subwoofer.
    pub pairs: Vec<Pair>,
    /// What stands out at the main seat from the spot that is expected to be most even.
    pub causes: Vec<Cause>,
    /// What was assumed where nothing was said.
    pub assumptions: Vec<String>,
}

/// A standing wave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StudyMode {
    /// Without damping.
    pub frequency_hz: f64,
    /// Between which surfaces.
    pub kind: ModeKind,
    /// Half waves along length, width and height, where the floor is a rectangle.
    pub half_waves: Option<[u32; 3]>,
    /// Between its half-power points.
    pub width_hz: f64,
    /// In words.
    pub words: String,
}

/// A place for the subwoofer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StudySpot {
    /// Its name.
    pub name: String,
    /// Where it is, if known.
    pub at_m: Option<[f64; 3]>,
    /// The rule that suggested it; none for the room's own spots.
    pub rule: Option<Rule>,
    /// Two walls (positions in the order of the corners) and the distances to them, metres.
    pub tape_m: Option<[(usize, f64); 2]>,
    /// At the main seat: standard deviation over the bands, dB, the middle of what is believed.
    pub predicted_spread_db: Option<f64>,
    /// At the main seat: four in five draws are between these.
    pub interval_db: Option<[f64; 2]>,
    /// The same for each seat with a position.
    pub seats: Vec<SeatSpread>,
    /// What spots are ordered by, dB: the mean over the seats by their weights, where the room gives weights; otherwise
    /// that of the main seat.
    #[serde(default)]
    pub overall_spread_db: Option<f64>,
}

/// Standing waves are listed up to here.
pub const MODES_UP_TO_HZ: f64 = 200.0;
const HALF_WIDTH_OCTAVES: f64 = 1.0 / 12.0;
const DRAWS: usize = 128;
const DRAWS_FOR_PAIRS: usize = 24;
const SEED: u64 = 1;
/// More pairs than these are not listed.
const MOST_PAIRS: usize = 20;

/// Studies a room: everything that its plan tells.
///
/// Spreads are standard deviations over 28 bands of 1/6 octave from 25 to 119 Hz, for 128 rooms that the plan could
/// stand for ([`crate::room::ensemble`]). The same room gives the same study.
/// # Errors
/// Rooms without an outline, or with one that cannot be worked with.
pub fn study(room: &Room) -> Result<Study, StudyError> {
    if room.floor.is_none() {
        return Err(StudyError::NoOutline);
    }
    let frequencies_hz: Vec<f64> = (0..28).map(|n| 25.0 * (f64::from(n) / 12.0).exp2()).collect();
    let field = RoomField::new(room, MODES_UP_TO_HZ).ok_or(StudyError::Outline)?;
    let rules = added_spots::added_spots(room, &frequencies_hz, HALF_WIDTH_OCTAVES);
    let mut tried = room.clone();
    tried.spots.extend(rules.iter().map(|candidate| candidate.place.clone()));
    let ensemble =
        Ensemble::new(&tried, &frequencies_hz, HALF_WIDTH_OCTAVES, Doubt::default()).ok_or(StudyError::Outline)?;
    let spots = spots(&tried, room.spots.len(), &rules, &ensemble);
    let causes = causes(&tried, &field, &spots, &frequencies_hz);
    let pairs = best_pairs(&tried, &ensemble);
    Ok(Study {
        name: room.name.clone(),
        floor_m2: field.volume_m3() / room.height_m.unwrap_or(USUAL_HEIGHT_M),
        volume_m3: field.volume_m3(),
        reverberation_s: field.reverberation_s(),
        schroeder_hz: field.schroeder_hz(),
        modes: modes(&field),
        frequencies_hz,
        spots,
        walk: walk::walking_order(&tried),
        pairs,
        causes,
        assumptions: assumptions(room),
    })
}

impl Study {
    /// The room with the spots of the study in place of its own.
    pub fn with_its_spots(&self, room: &Room) -> Room {
        let spots = self.spots.iter().map(|spot| Place { name: spot.name.clone(), at_m: spot.at_m });
        Room { spots: spots.collect(), ..room.clone() }
    }

    /// Positions of the spots with a position, most even first: at the main seat, or over all seats by their weights.
    pub fn most_even_first(&self) -> Vec<usize> {
        let spread = |spot: &usize| self.spots[*spot].overall_spread_db.unwrap_or(f64::INFINITY);
        let mut order: Vec<usize> = (0..self.spots.len()).filter(|spot| self.spots[*spot].at_m.is_some()).collect();
        order.sort_by(|a, b| spread(a).total_cmp(&spread(b)));
        order
    }
}

/// The best pairs at the main seat, and how they do at the others; none where there will be one subwoofer.
fn best_pairs(tried: &Room, ensemble: &Ensemble) -> Vec<Pair> {
    if tried.fittings.subwoofers == Some(1) {
        return Vec::new();
    }
    let mut pairs = pairs::best_pairs(ensemble, 0, DRAWS_FOR_PAIRS, SEED).unwrap_or_default();
    pairs.truncate(MOST_PAIRS);
    for (seat, place) in tried.seats.iter().enumerate() {
        // A seat without a position hears nothing.
        let _ = pairs::hear_at(&mut pairs, ensemble, (seat, &place.name), DRAWS_FOR_PAIRS, SEED);
    }
    pairs
}

fn modes(field: &RoomField) -> Vec<StudyMode> {
    let sounding = field.resonances().iter().filter(|resonance| resonance.frequency_hz > 0.0);
    let mode = |resonance: &crate::room::field::Resonance| StudyMode {
        frequency_hz: resonance.frequency_hz,
        kind: resonance.kind,
        half_waves: resonance.plan_half_waves.map(|[x, y]| [x, y, resonance.vertical]),
        width_hz: resonance.damping_per_s / std::f64::consts::PI,
        words: explain::mode_in_words(field, resonance),
    };
    sounding.map(mode).collect()
}

fn spots(tried: &Room, own: usize, rules: &[Candidate], ensemble: &Ensemble) -> Vec<StudySpot> {
    let heard: Vec<(usize, Draws)> =
        (0..tried.seats.len()).filter_map(|seat| Some((seat, ensemble.levels(seat, DRAWS, SEED)?))).collect();
    let of_spot = |(spot, place): (usize, &Place)| {
        let at_seat =
            |(seat, draws): &(usize, Draws)| Some(SeatSpread::new(&tried.seats[*seat].name, draws.spread(spot)?));
        let seats: Vec<SeatSpread> = heard.iter().filter_map(at_seat).collect();
        let main = seats.first().filter(|_| heard.first().is_some_and(|(seat, _)| *seat == 0));
        StudySpot {
            name: place.name.clone(),
            at_m: place.at_m,
            rule: spot.checked_sub(own).and_then(|index| rules.get(index)).map(|candidate| candidate.rule),
            tape_m: place.at_m.and_then(|at_m| suggest::tape_distances(tried, at_m)),
            predicted_spread_db: main.map(|seat| seat.predicted_spread_db),
            interval_db: main.map(|seat| seat.interval_db),
            overall_spread_db: overall(tried, &seats).or(main.map(|seat| seat.predicted_spread_db)),
            seats,
        }
    };
    tried.spots.iter().enumerate().map(of_spot).collect()
}

/// The mean over the seats by their weights; `None` without weights, or without a position for any seat that counts.
fn overall(room: &Room, seats: &[SeatSpread]) -> Option<f64> {
    let weight = |at: &SeatSpread| {
        let seat = room.seats.iter().position(|seat| seat.name == at.seat);
        seat.and_then(|seat| room.seat_weights.get(seat)).copied().unwrap_or(0.0)
    };
    let total: f64 = seats.iter().map(weight).sum();
    (total > 0.0).then(|| seats.iter().map(|at| weight(at) * at.predicted_spread_db).sum::<f64>() / total)
}

fn causes(tried: &Room, field: &RoomField, spots: &[StudySpot], frequencies_hz: &[f64]) -> Vec<Cause> {
    let predicted = spots.iter().filter_map(|spot| Some((spot.at_m?, spot.overall_spread_db?)));
    let best = predicted.min_by(|a, b| a.1.total_cmp(&b.1));
    match (best, tried.seats.first().and_then(|seat| seat.at_m)) {
        (Some((spot_m, _)), Some(seat_m)) => {
            explain::explain(tried, field, spot_m, seat_m, frequencies_hz, HALF_WIDTH_OCTAVES)
        }
        _ => Vec::new(),
    }
}

fn assumptions(room: &Room) -> Vec<String> {
    let mut said = Vec::new();
    if room.height_m.is_none() {
        said.push(format!("Nobody measured the height; {USUAL_HEIGHT_M} m was taken."));
    }
    let fittings = &room.fittings;
    if fittings.reverberation_s.is_none()
        && (fittings.walls.is_empty() || fittings.floor.is_none() || fittings.ceiling.is_none())
    {
        said.push(format!(
            "Nobody said what all surfaces are made of; a decay time of about {USUAL_REVERBERATION_S} s was taken, \
             half of homes being within two thirds and one and a half of it."
        ));
    }
    if room.seats.first().is_none_or(|seat| seat.at_m.is_none()) {
        said.push("The main seat has no position, so spots cannot be compared; add at_m to the first seat.".into());
    }
    said.extend(suggest::seats_in_the_way(room));
    for spot in &room.spots {
        let beyond = |at: &[f64; 3]| !suggest::within_reach(room, [at[0], at[1]]);
        if spot.at_m.as_ref().is_some_and(beyond) {
            said.push(format!("No cable or lead reaches \u{2018}{}\u{2019}; it was kept all the same.", spot.name));
        }
    }
    said.push("Doors are shut but for the openings named; furniture is only allowed for as doubt.".into());
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    const L_ROOM: &str = "name = \"den\"\nfloor_m = [[0,0],[5.6,0],[5.6,2.6],[3.4,2.6],[3.4,4.3],[0,4.3]]\nheight_m = 2.45\n\
        [[opening]]\nfrom_m = [5.6, 1.0]\nto_m = [5.6, 1.9]\n[[seat]]\nname = \"sofa\"\nat_m = [2.4, 1.7]\n\
        [[seat]]\nname = \"stool\"\nat_m = [4.1, 1.3]\n";

    #[test]
    fn an_l_shaped_room_is_studied_whole() {
        let study = study(&Room::from_toml("r", L_ROOM).unwrap()).unwrap();
        assert!((study.floor_m2 - (5.6 * 2.6 + 3.4 * 1.7)).abs() < 1e-9);
        assert!(study.modes.windows(2).all(|two| two[0].frequency_hz <= two[1].frequency_hz));
        assert!(study.modes.iter().any(|mode| mode.kind == ModeKind::Plan));
        let by_model: Vec<&StudySpot> = study.spots.iter().filter(|spot| spot.rule == Some(Rule::Model)).collect();
        assert!(!by_model.is_empty());
        for spot in by_model {
            // Where it is, and not how good it is thought to be.
            let [(wall, _), (other, along_m)] = spot.tape_m.unwrap();
            let [wall, other] = [wall, other].map(crate::room::plan::wall_letter);
            assert_eq!(spot.name, format!("wall {wall}, {along_m:.2} m off wall {other}"));
        }
        for spot in &study.spots {
            let ([low, high], middle) = (spot.interval_db.unwrap(), spot.predicted_spread_db.unwrap());
            assert!(low <= middle && middle <= high && spot.seats.len() == 2);
        }
        let mut walk = study.walk.clone();
        walk.sort_unstable();
        assert_eq!(walk, (0..study.spots.len()).collect::<Vec<_>>());
        let json = serde_json::to_value(&study).unwrap();
        assert!(json["modes"][0]["frequency_hz"].is_number() && json["modes"][0]["kind"].is_string());
        assert!(json["spots"][0]["predicted_spread_db"].is_number() && json["spots"][0]["at_m"].is_array());
    }

    #[test]
    fn with_weights_spots_are_ordered_over_all_seats_that_count() {
        let weights = L_ROOM
            .replace("name = \"sofa\"", "name = \"sofa\"\nweight = 1")
            .replace("name = \"stool\"", "name = \"stool\"\nweight = 3");
        let study = study(&Room::from_toml("r", &weights).unwrap()).unwrap();
        for spot in &study.spots {
            let [sofa, stool] = [0, 1].map(|seat| spot.seats[seat].predicted_spread_db);
            assert!((spot.overall_spread_db.unwrap() - (sofa + 3.0 * stool) / 4.0).abs() < 1e-9, "{spot:?}");
        }
        let order = study.most_even_first();
        let overall = |at: usize| study.spots[order[at]].overall_spread_db.unwrap();
        assert!((1..order.len()).all(|at| overall(at - 1) <= overall(at)));
    }

    #[test]
    fn a_hall_is_studied_with_bounded_effort() {
        let hall = Room::from_toml(
            "r",
            "large = true\nsize_m = [60, 55]\nheight_m = 9\n[[seat]]\nname = \"s\"\nat_m = [30, 20]\n",
        );
        assert!(study(&hall.unwrap()).unwrap().spots.len() > 4);
    }

    #[test]
    fn a_room_without_an_outline_says_what_is_missing() {
        let error = study(&Room::unmeasured("r", &["sofa"], &["left"])).unwrap_err();
        assert!(error.to_string().contains("size_m"));
    }

    #[test]
    fn own_spots_stay_first_and_unplaced_ones_are_kept() {
        let text = "size_m = [5, 4]\n[[seat]]\nname = \"s\"\nat_m = [3, 2]\n[[spot]]\nname = \"a\"\nat_m = [0.4, 0.4]\n[[spot]]\nname = \"b\"\n";
        let study = study(&Room::from_toml("r", text).unwrap()).unwrap();
        assert_eq!((study.spots[0].name.as_str(), study.spots[1].name.as_str()), ("a", "b"));
        assert!(study.spots[0].predicted_spread_db.is_some() && study.spots[1].predicted_spread_db.is_none());
        assert!(study.assumptions.iter().any(|said| said.contains("height")));
    }
}
