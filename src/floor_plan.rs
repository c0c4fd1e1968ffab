//! From a room to the drawing of its plan, for every page and screen that shows one.

use crate::draw::plan::{Area, Gap, Mark, Plan, Role, Swing};
use crate::room::plan::{Door, NoGo, Opening};
use crate::room::{Place, Room};

/// The room's plan with one spot and one seat emphasised.
/// * `seat`, `chosen` - positions in the room's lists
pub fn plan(room: &Room, seat: usize, chosen: Option<usize>) -> Plan {
    let marks = |places: &[Place], emphasised: Option<usize>| {
        let mark = |(index, place): (usize, &Place)| {
            let [x, y, _] = place.at_m?;
            let role = if Some(index) == emphasised { Role::Chosen } else { Role::Other };
            Some(Mark { name: place.name.clone(), at_m: [x, y], role })
        };
        places.iter().enumerate().filter_map(mark).collect()
    };
    let fittings = &room.fittings;
    let gap = |opening: &Opening| Gap { name: opening.name.clone(), from_m: opening.from_m, to_m: opening.to_m };
    let area = |no_go: &NoGo| Area { name: no_go.name.clone(), corner_m: no_go.corner_m, size_m: no_go.size_m };
    let swing = |door: &Door| Swing { hinge_m: door.hinge_m, latch_m: door.latch_m, outwards: door.outwards };
    Plan {
        corners_m: room.corners_m(),
        gaps: fittings.openings.iter().map(gap).collect(),
        no_go: fittings.no_go.iter().map(area).collect(),
        doors: fittings.doors.iter().map(swing).collect(),
        sockets_m: fittings.sockets.iter().map(|socket| socket.from_m).collect(),
        cable_from_m: fittings.reach.as_ref().map(|reach| reach.from_m),
        seats: marks(&room.seats, Some(seat)),
        spots: marks(&room.spots, chosen),
        numbered: room.spots.len() > crate::draw::plan::MOST_NAMED,
        tapes_of_all: false,
    }
}
