//! Where to try: the trade's rules, and what is in the way.

use crate::room::load::CONE_HEIGHT_M;
use crate::room::outline;
use crate::room::plan::{Place, Room, wall_letter};

/// A subwoofer's cone is about this far from the wall that its box stands against (common practice), metres.
const OFF_WALL_M: f64 = 0.35;
/// A box needs this much floor to either side of its middle.
const HALF_BOX_M: f64 = 0.2;
/// Beside an open doorway bass leaks away, and the way is blocked.
const OFF_OPENING_M: f64 = 0.6;
/// Nobody wants the subwoofer in their lap.
const OFF_SEAT_M: f64 = 0.8;
/// Two spots nearer than this are one.
pub(in crate::room) const APART_M: f64 = 0.45;
/// Walls shorter than this have no thirds and fifths worth telling apart.
const SHORT_WALL_M: f64 = 1.2;

/// Why a spot was suggested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Every standing wave is loud here: the most bass, seldom the most even.
    Corner,
    /// In the middle of a wall the first wave along it is silent.
    MidWall,
    /// A third of a wall from its end.
    Third,
    /// A fifth of a wall from its end.
    Fifth,
    /// The model expects it to be among the most even.
    Model,
}

/// A place where the subwoofer could stand.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Candidate {
    /// Name and position.
    pub place: Place,
    /// Why it is worth a try.
    pub rule: Rule,
}

/// Spots to try by the trade's rules (common practice): corners, mid-walls, thirds and fifths, where a box fits, not in
/// a no-go area, not beside an opening, a door or a seat, and within reach of the cable and of a power socket. Empty
/// without an outline.
///
/// Walls are lettered in the order of the corners; a rectangle's wall A lies along y = 0.
pub fn candidates(room: &Room) -> Vec<Candidate> {
    let corners = room.corners_m();
    let mut found = Vec::new();
    for rule in [Rule::Corner, Rule::MidWall, Rule::Third, Rule::Fifth] {
        for wall in 0..corners.len() {
            for (name, place_m) in by_rule(&corners, wall, rule) {
                add(room, &corners, &mut found, &name, place_m, rule);
            }
        }
    }
    found
}

/// All places along the walls where a box fits, every `step_m`; what the model may choose from.
pub(in crate::room) fn along_walls(room: &Room, step_m: f64) -> Vec<[f64; 2]> {
    let corners = room.corners_m();
    let mut places = Vec::new();
    for wall in 0..corners.len() {
        let length_m = wall_length_m(&corners, wall);
        let steps = (length_m / step_m) as usize;
        for step in 0..=steps {
            let place_m = off_wall(&corners, wall, (step as f64 + 0.5) * step_m / length_m);
            if place_m.is_some_and(|place_m| free(room, &corners, place_m)) {
                places.extend(place_m);
            }
        }
    }
    places
}

fn by_rule(corners: &[[f64; 2]], wall: usize, rule: Rule) -> Vec<(String, [f64; 2])> {
    let count = corners.len();
    let next = (wall + 1) % count;
    let shares: &[(f64, &str)] = match rule {
        Rule::Corner => {
            let name = format!("corner of walls {} and {}", wall_letter(wall), wall_letter(next));
            return in_corner(corners, next).map(|place_m| (name, place_m)).into_iter().collect();
        }
        Rule::MidWall => &[(0.5, "middle of wall")],
        Rule::Third => &[(1.0 / 3.0, "first third of wall"), (2.0 / 3.0, "second third of wall")],
        Rule::Fifth => &[(0.2, "first fifth of wall"), (0.8, "last fifth of wall")],
        Rule::Model => &[],
    };
    if wall_length_m(corners, wall) < SHORT_WALL_M {
        return Vec::new();
    }
    let along = |(share, words): &(f64, &str)| {
        Some((format!("{words} {}", wall_letter(wall)), off_wall(corners, wall, *share)?))
    };
    shares.iter().filter_map(along).collect()
}

/// Adds a place if nothing is in the way and no other is too near.
pub(in crate::room) fn add(
    room: &Room,
    corners: &[[f64; 2]],
    found: &mut Vec<Candidate>,
    name: &str,
    place_m: [f64; 2],
    rule: Rule,
) {
    let near =
        |other: &Candidate| other.place.at_m.is_some_and(|at| (at[0] - place_m[0]).hypot(at[1] - place_m[1]) < APART_M);
    if free(room, corners, place_m) && !found.iter().any(near) {
        let [x, y] = to_centimetre(place_m);
        let at_m = Some([x, y, CONE_HEIGHT_M]);
        found.push(Candidate { place: Place { name: name.to_owned(), at_m }, rule });
    }
}

/// Whether a box can stand here.
fn free(room: &Room, corners: &[[f64; 2]], place_m: [f64; 2]) -> bool {
    let fits = outline::contains(corners, place_m) && outline::distance_to_walls_m(corners, place_m) >= HALF_BOX_M;
    let on_no_go = room.fittings.no_go.iter().any(|area| {
        let beyond = |axis: usize| {
            let low = area.corner_m[axis] - place_m[axis];
            low.max(place_m[axis] - area.corner_m[axis] - area.size_m[axis])
        };
        beyond(0).max(beyond(1)) < HALF_BOX_M
    });
    let beside_opening = room
        .fittings
        .openings
        .iter()
        .any(|gap| outline::distance_to_wall_m(gap.from_m, gap.to_m, place_m) < OFF_OPENING_M);
    let at_seat = room
        .seats
        .iter()
        .filter_map(|seat| seat.at_m)
        .any(|at| (at[0] - place_m[0]).hypot(at[1] - place_m[1]) < OFF_SEAT_M);
    let before_door = room.fittings.doors.iter().any(|door| {
        door.sweeps(place_m, HALF_BOX_M)
            || outline::distance_to_wall_m(door.hinge_m, door.latch_m, place_m) < OFF_OPENING_M
    });
    let reached = within_reach(room, place_m);
    fits && !on_no_go && !beside_opening && !before_door && !at_seat && reached
}

/// What is wrong with standing at a place, in words that follow the spot's name; `None` where nothing is in the way.
pub fn in_the_way(room: &Room, place_m: [f64; 2]) -> Option<String> {
    let area = outline::no_go_at(room, place_m).map(|area| format!("stands in \u{2018}{}\u{2019}", area.name));
    let door = || room.fittings.doors.iter().find(|door| door.sweeps(place_m, 0.0));
    area.or_else(|| door().map(|door| format!("is in the way of \u{2018}{}\u{2019}", door.name)))
}

/// What is said of seats where no subwoofer may stand: a sofa with its seat is usual there, a tape that slipped is not.
pub fn seats_in_the_way(room: &Room) -> Vec<String> {
    let of_seat = |seat: &Place| {
        let [x, y, _] = seat.at_m?;
        let words = in_the_way(room, [x, y])?;
        Some(format!(
            "\u{2018}{}\u{2019} at {x:.2}, {y:.2} m {words}: kept, since that keeps out the subwoofer alone.",
            seat.name
        ))
    };
    room.seats.iter().filter_map(of_seat).collect()
}

/// Whether the signal's cable and a power lead go as far as a place.
pub fn within_reach(room: &Room, place_m: [f64; 2]) -> bool {
    let sockets = &room.fittings.sockets;
    room.fittings.reach.as_ref().is_none_or(|reach| reach.covers(place_m))
        && (sockets.is_empty() || sockets.iter().any(|socket| socket.covers(place_m)))
}

fn wall_length_m(corners: &[[f64; 2]], wall: usize) -> f64 {
    let (a, b) = (corners[wall], corners[(wall + 1) % corners.len()]);
    (b[0] - a[0]).hypot(b[1] - a[1])
}

/// The place before a wall, a share of its length from its first corner; never nearer to its ends than a box allows.
fn off_wall(corners: &[[f64; 2]], wall: usize, share: f64) -> Option<[f64; 2]> {
    let (a, b) = (corners[wall], corners[(wall + 1) % corners.len()]);
    let length_m = wall_length_m(corners, wall);
    if length_m < 2.0 * OFF_WALL_M {
        return None;
    }
    let share = share.clamp(OFF_WALL_M / length_m, 1.0 - OFF_WALL_M / length_m);
    let along = [(b[0] - a[0]) / length_m, (b[1] - a[1]) / length_m];
    let on_wall = [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])];
    let before = |side: f64| [on_wall[0] - side * along[1] * OFF_WALL_M, on_wall[1] + side * along[0] * OFF_WALL_M];
    [1.0, -1.0].map(before).into_iter().find(|place_m| outline::contains(corners, *place_m))
}

/// The place in a corner, as far from both of its walls as a box needs; none in corners that point into the room.
fn in_corner(corners: &[[f64; 2]], corner: usize) -> Option<[f64; 2]> {
    let count = corners.len();
    let at = corners[corner];
    let towards = |other: [f64; 2]| {
        let length_m = (other[0] - at[0]).hypot(other[1] - at[1]);
        [(other[0] - at[0]) / length_m, (other[1] - at[1]) / length_m]
    };
    let (u, v) = (towards(corners[(corner + count - 1) % count]), towards(corners[(corner + 1) % count]));
    let sine = (u[0] * v[1] - u[1] * v[0]).abs();
    if sine < 0.2 {
        return None;
    }
    let out_m = OFF_WALL_M / sine;
    let place_m = [at[0] + out_m * (u[0] + v[0]), at[1] + out_m * (u[1] + v[1])];
    outline::contains(corners, place_m).then_some(place_m)
}

/// How far a place is from walls, in the order of a tape measure: two distances off walls that are not parallel.
pub fn tape_distances(room: &Room, place_m: [f64; 3]) -> Option<[(usize, f64); 2]> {
    let corners = room.corners_m();
    let place = [place_m[0], place_m[1]];
    let count = corners.len();
    let direction = |wall: usize| {
        let (a, b) = (corners[wall], corners[(wall + 1) % count]);
        let length_m = wall_length_m(&corners, wall);
        [(b[0] - a[0]) / length_m, (b[1] - a[1]) / length_m]
    };
    let mut by_distance: Vec<(usize, f64)> = (0..count)
        .map(|wall| (wall, outline::distance_to_wall_m(corners[wall], corners[(wall + 1) % count], place)))
        .collect();
    by_distance.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (first, rest) = by_distance.split_first()?;
    let u = direction(first.0);
    let crosswise = |wall: &&(usize, f64)| {
        let v = direction(wall.0);
        (u[0] * v[1] - u[1] * v[0]).abs() > 0.5
    };
    rest.iter().find(crosswise).map(|second| [*first, *second])
}

/// The same in words: '0.35 m off wall A, 1.20 m off wall D'.
pub fn tape_words(room: &Room, place_m: [f64; 3]) -> Option<String> {
    let [(one, one_m), (other, other_m)] = tape_distances(room, place_m)?;
    Some(format!("{one_m:.2} m off wall {}, {other_m:.2} m off wall {}", wall_letter(one), wall_letter(other)))
}

/// What a place along the walls is called: 'wall B, 1.35 m off wall A'; to the centimetre, as [`add`] keeps places.
pub(in crate::room) fn place_name(room: &Room, place_m: [f64; 2]) -> Option<String> {
    let [x, y] = to_centimetre(place_m);
    let [(wall, _), (other, along_m)] = tape_distances(room, [x, y, CONE_HEIGHT_M])?;
    Some(format!("wall {}, {along_m:.2} m off wall {}", wall_letter(wall), wall_letter(other)))
}

fn to_centimetre(place_m: [f64; 2]) -> [f64; 2] {
    place_m.map(|x| (x * 100.0).round() / 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn room(more: &str) -> Room {
        let text =
            format!("size_m = [5.4, 4.2]\nheight_m = 2.5\n{more}\n[[seat]]\nname = \"sofa\"\nat_m = [3.6, 2.1]\n");
        Room::from_toml("r", &text).unwrap()
    }

    #[test]
    fn corners_middles_thirds_and_fifths_of_four_walls() {
        let found = candidates(&room(""));
        let count = |rule| found.iter().filter(|c| c.rule == rule).count();
        assert_eq!((count(Rule::Corner), count(Rule::MidWall), count(Rule::Third)), (4, 4, 8));
        assert!(count(Rule::Fifth) > 0);
        let corner = &found.iter().find(|c| c.rule == Rule::Corner).unwrap().place;
        assert_eq!((corner.name.as_str(), corner.at_m), ("corner of walls A and B", Some([5.05, 0.35, CONE_HEIGHT_M])));
    }

    #[test]
    fn nothing_is_suggested_where_something_is_in_the_way() {
        let blocked = room(
            "[[no_go]]\ncorner_m = [0, 0]\nsize_m = [5.4, 0.8]\n[[opening]]\nfrom_m = [5.4, 3.2]\nto_m = [5.4, 4.0]\n\
             [reach]\nfrom_m = [5.0, 2.0]\ncable_m = 4.5\n",
        );
        for candidate in candidates(&blocked) {
            let [x, y, _] = candidate.place.at_m.unwrap();
            assert!(y >= 1.0 - 1e-9, "in the no-go area: {candidate:?}");
            assert!(!(x > 4.9 && y > 2.8), "beside the opening: {candidate:?}");
            assert!((x - 5.0).abs() + (y - 2.0).abs() <= 4.5 + 0.01, "beyond the cable: {candidate:?}");
        }
        assert!(!candidates(&blocked).is_empty());
        assert!(candidates(&Room::unmeasured("r", &[], &[])).is_empty());
    }

    #[test]
    fn nothing_is_suggested_in_a_door_s_way_or_beyond_the_sockets() {
        let limited = room(
            "[[door]]\nhinge_m = [0.0, 0.6]\nlatch_m = [0.0, 1.4]\n[[socket]]\nat_m = [0.0, 2.1]\nlead_m = 3\n\
             [[socket]]\nat_m = [5.4, 0.0]\nlead_m = 1\n",
        );
        let found = candidates(&limited);
        for candidate in &found {
            let [x, y, _] = candidate.place.at_m.unwrap();
            assert!(x.hypot(y - 0.6) >= 1.0 - 0.01, "where the door turns: {candidate:?}");
            assert!(x + (y - 2.1).abs() <= 3.01 || 5.4 - x + y <= 1.01, "beyond the leads: {candidate:?}");
            assert!(in_the_way(&limited, [x, y]).is_none() && within_reach(&limited, [x, y]));
        }
        assert!(found.iter().any(|candidate| candidate.place.name == "corner of walls A and B"), "{found:?}");
        assert_eq!(in_the_way(&limited, [0.3, 0.8]).as_deref(), Some("is in the way of \u{2018}door 1\u{2019}"));
    }

    #[test]
    fn a_seat_on_a_sofa_is_kept_and_named() {
        let sofa = room("[[no_go]]\nname = \"settee\"\ncorner_m = [3.2, 1.2]\nsize_m = [0.9, 1.8]\n");
        assert_eq!(sofa.seats[0].at_m, Some([3.6, 2.1, crate::room::EAR_HEIGHT_M]));
        let said = seats_in_the_way(&sofa);
        assert!(
            said[0].starts_with("\u{2018}sofa\u{2019} at 3.60, 2.10 m stands in \u{2018}settee\u{2019}"),
            "{said:?}"
        );
        assert!(crate::room::study(&sofa).unwrap().assumptions.contains(&said[0]));
        assert!(seats_in_the_way(&room("")).is_empty());
    }

    #[test]
    fn corners_that_point_into_the_room_get_no_spot() {
        let l_shape = "floor_m = [[0,0],[6,0],[6,2.5],[3.5,2.5],[3.5,4.5],[0,4.5]]\n";
        let found = candidates(&Room::from_toml("r", l_shape).unwrap());
        assert_eq!(found.iter().filter(|c| c.rule == Rule::Corner).count(), 5);
        assert!(found.iter().all(|c| c.place.at_m.is_some_and(|at| !(at[0] > 3.5 && at[1] > 2.5))));
    }

    #[test]
    fn two_distances_off_two_walls() {
        let [(first, one_m), (second, other_m)] = tape_distances(&room(""), [0.4, 1.7, 0.3]).unwrap();
        assert_eq!((first + 1, second + 1), (4, 1));
        assert!((one_m - 0.4).abs() < 1e-12 && (other_m - 1.7).abs() < 1e-12);
    }
}
