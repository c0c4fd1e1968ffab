//! Invented rooms with tall furniture that their plan does not show, to see how far a plan can be believed.
//!
//! The truth is this program's own finite elements over what is left of the floor, with walls of random kinds; the plan
//! that is predicted from is the bare rectangle. So the furniture is a physical disturbance and not the one that the
//! ensemble draws.

use std::fmt::Write as _;

use evenbass::room::field::RoomField;
use evenbass::room::plan::{Fittings, Surface};
use evenbass::room::table::ResponseTable;
use evenbass::room::{Floor, Place, Room};

use crate::truth::{Known, uniform};

const ROOMS: u64 = 40;
const SPOTS: usize = 8;

/// As many rooms as are worth the wait, each by its number.
pub fn rooms() -> Vec<Known> {
    (0..ROOMS).map(room).collect()
}

fn room(number: u64) -> Known {
    let mut state = 0x5bd1_e995_u64.wrapping_mul(number + 17);
    let mut between = |low: f64, high: f64| low + (high - low) * uniform(&mut state);
    let size_m = [between(3.4, 7.5), between(2.8, 5.5)];
    let height_m = between(2.3, 2.8);
    let (corners, furniture) = furnished(size_m, &mut between);
    let mut places = Vec::new();
    while places.len() < SPOTS + 1 {
        let seat = places.is_empty();
        let wall = between(0.0, 4.0) as usize;
        let (x, y) = (between(0.4, size_m[0] - 0.4), between(0.4, size_m[1] - 0.4));
        let at = match wall {
            _ if seat => [between(0.3, 0.8) * size_m[0], between(0.3, 0.7) * size_m[1], 1.1],
            0 => [x, 0.35, 0.3],
            1 => [size_m[0] - 0.35, y, 0.3],
            2 => [x, size_m[1] - 0.35, 0.3],
            _ => [0.35, y, 0.3],
        };
        let clear = furniture.iter().all(|[left, low, right, high]| {
            at[0] < left - 0.2 || at[0] > right + 0.2 || at[1] < low - 0.2 || at[1] > high + 0.2
        });
        if clear {
            places.push(Place { name: format!("P{}", places.len()), at_m: Some(at) });
        }
    }
    let spots = places.split_off(1);
    let surface = |x: f64| [Surface::Masonry, Surface::Plasterboard, Surface::Wood, Surface::Glass][(x * 4.0) as usize];
    let fittings = Fittings {
        walls: corners.iter().map(|_| surface(between(0.0, 0.999))).collect(),
        floor: Some(surface(between(0.0, 0.999))),
        ceiling: Some(surface(between(0.0, 0.999))),
        reverberation_s: Some(between(0.25, 0.9)),
        ..Fittings::default()
    };
    let name = format!("furnished {number}");
    let whole = Room {
        name: name.clone(),
        floor: Some(Floor::Polygon(corners)),
        height_m: Some(height_m),
        seats: places,
        spots,
        fittings,
        ..Room::default()
    };
    let table = response(&whole);
    let floor = Some(Floor::Rectangle { length_m: size_m[0], width_m: size_m[1] });
    let plan = Room { floor, fittings: Fittings::default(), ..whole };
    Known { name, kind: "furnished".into(), opening: None, room: plan, table }
}

/// The floor without its furniture (corners counter-clockwise), and the furniture: left, low, right, high.
fn furnished(size_m: [f64; 2], between: &mut impl FnMut(f64, f64) -> f64) -> (Vec<[f64; 2]>, Vec<[f64; 4]>) {
    let (mut corners, mut furniture) = (Vec::new(), Vec::new());
    for wall in 0..4 {
        let length_m = size_m[wall % 2];
        // Along the wall and into the room, to the plan's x and y.
        let place = |along: f64, into: f64| match wall {
            0 => [along, into],
            1 => [size_m[0] - into, along],
            2 => [size_m[0] - along, size_m[1] - into],
            _ => [into, size_m[1] - along],
        };
        corners.push(place(0.0, 0.0));
        if between(0.0, 1.0) < 0.75 {
            let depth_m = between(0.3, 0.7);
            let wide_m = between(0.8, 2.4).min(length_m - 2.0);
            let start_m = between(0.8, length_m - wide_m - 0.8);
            let ends = [[start_m, 0.0], [start_m, depth_m], [start_m + wide_m, depth_m], [start_m + wide_m, 0.0]];
            let ends = ends.map(|[along, into]| place(along, into));
            corners.extend(ends);
            let extreme = |axis: usize, of: fn(f64, f64) -> f64| ends.iter().map(|e| e[axis]).reduce(of).unwrap_or(0.0);
            furniture.push([extreme(0, f64::min), extreme(1, f64::min), extreme(0, f64::max), extreme(1, f64::max)]);
        }
    }
    (corners, furniture)
}

fn response(room: &Room) -> ResponseTable {
    let field = RoomField::new(room, 200.0).expect("an outline");
    let frequencies_hz: Vec<f64> = (0..144).map(|n| 20.0 * (f64::from(n) / 48.0).exp2()).collect();
    let mut text = "seat,spot,frequency_hz,level_db\n".to_owned();
    for (seat, spot) in room.seats.iter().flat_map(|seat| room.spots.iter().map(move |spot| (seat, spot))) {
        let [Some(spot_m), Some(seat_m)] = [spot.at_m, seat.at_m] else { continue };
        let levels = field.levels_db(spot_m, seat_m, &frequencies_hz, 0.0);
        for (frequency_hz, level_db) in frequencies_hz.iter().zip(levels) {
            writeln!(text, "{},{},{frequency_hz},{level_db}", seat.name, spot.name).expect("text takes everything");
        }
    }
    ResponseTable::from_csv("invented", &text).expect("the table is well formed")
}
