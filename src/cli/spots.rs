//! Spots for a room file that names none: those from which the plan expects the most even bass.

use anyhow::Context as _;

use crate::room::{self, Place, Room, walk};

/// The room with suggested spots if it has none of its own but an outline; the person is told on standard error.
/// * `seat` - the seat that they are for, by name; the main seat, or all seats with a weight, otherwise
/// # Errors
/// Outlines that leave no two spots, or cannot be worked with: a visit would have to ask for spots, and a tape knows
/// rectangles alone.
pub fn suggested(mut room: Room, seat: Option<&str>) -> anyhow::Result<Room> {
    if !room.spots.is_empty() || room.floor.is_none() {
        return Ok(room);
    }
    let study = room::study(&room).context("the room names no spots, and none can be suggested")?;
    let spread = |spot: &room::study::StudySpot| {
        let at_seat = seat.and_then(|seat| spot.seats.iter().find(|at| at.seat == seat));
        at_seat.map(|at| at.predicted_spread_db).or(spot.overall_spread_db).unwrap_or(f64::INFINITY)
    };
    let mut best: Vec<usize> = (0..study.spots.len()).collect();
    best.sort_by(|a, b| spread(&study.spots[*a]).total_cmp(&spread(&study.spots[*b])));
    let all = study.with_its_spots(&room).spots;
    let wanted: Vec<Place> = best.iter().map(|spot| all[*spot].clone()).collect();
    let chosen: Vec<usize> = walk::apart_first(&wanted).into_iter().map(|at| best[at]).collect();
    // In the order of a walk past them.
    room.spots = study.walk.iter().filter(|spot| chosen.contains(spot)).map(|spot| all[*spot].clone()).collect();
    if room.spots.len() < walk::FEWEST_SPOTS {
        anyhow::bail!(
            "the room names no spots, and by its plan there are not two where a subwoofer fits, is in nobody's way and \
             within reach of [reach] and [[socket]]. Add [[spot]] with a name and at_m for each place that there is, \
             or put right what leaves none: [[no_go]], [[door]], [[opening]], [reach], [[socket]]."
        );
    }
    eprintln!(
        "The room file names no spots. By its plan these {} are worth hearing (`evenbass room` shows where they are):",
        room.spots.len()
    );
    let words = crate::room::suggest::tape_words;
    for spot in &room.spots {
        let tape = spot.at_m.and_then(|at_m| words(&room, at_m)).unwrap_or_default();
        eprintln!("  {:<26} {tape}", spot.name);
    }
    Ok(room)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plan_without_spots_gets_those_that_are_expected_to_be_most_even() {
        let text = "size_m = [5, 4]\nheight_m = 2.5\n[[seat]]\nname = \"sofa\"\nat_m = [3.2, 2]\n";
        let room = Room::from_toml("r", text).unwrap();
        let found = suggested(room.clone(), None).unwrap();
        assert_eq!(found.spots.len(), walk::MOST_SPOTS);
        let study = room::study(&room).unwrap();
        let best = &study.spots[study.most_even_first()[0]].name;
        assert!(found.spots.iter().any(|spot| &spot.name == best), "{found:?} {best}");
    }

    #[test]
    fn own_spots_stay_and_without_an_outline_nothing_is_suggested() {
        let own = Room::unmeasured("r", &["sofa"], &["left"]);
        assert_eq!(suggested(own.clone(), None).unwrap(), own);
        let bare = Room::unmeasured("r", &["sofa"], &[]);
        assert_eq!(suggested(bare.clone(), None).unwrap(), bare);
    }
}
