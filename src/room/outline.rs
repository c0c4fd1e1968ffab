//! Plane geometry of the floor's outline.

use crate::room::plan::{NoGo, Room};

/// Area of a polygon, m² (the shoelace formula), whichever way round its corners go.
pub(in crate::room) fn area_m2(corners: &[[f64; 2]]) -> f64 {
    let twice: f64 = (0..corners.len())
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum();
    0.5 * twice.abs()
}

/// The first two walls (by their first corner) that cross or touch away from a shared corner.
pub(in crate::room) fn crossing(corners: &[[f64; 2]]) -> Option<(usize, usize)> {
    let count = corners.len();
    let wall = |i: usize| (corners[i], corners[(i + 1) % count]);
    for first in 0..count {
        for second in first + 1..count {
            let neighbours = second == first + 1 || (first == 0 && second == count - 1);
            let (a, b) = (wall(first), wall(second));
            if neighbours && folds_back(a, b) || !neighbours && touch(a, b) {
                return Some((first, second));
            }
        }
    }
    None
}

type Wall = ([f64; 2], [f64; 2]);

/// Two walls with a corner in common that lie on top of each other.
fn folds_back(a: Wall, b: Wall) -> bool {
    let (shared, one, other) = if a.1 == b.0 { (a.1, a.0, b.1) } else { (a.0, a.1, b.0) };
    let (u, v) = ([one[0] - shared[0], one[1] - shared[1]], [other[0] - shared[0], other[1] - shared[1]]);
    let cross = u[0] * v[1] - u[1] * v[0];
    let along = u[0] * v[0] + u[1] * v[1];
    along > 0.0 && cross.abs() < 1e-6 * u[0].hypot(u[1]) * v[0].hypot(v[1])
}

fn touch(a: Wall, b: Wall) -> bool {
    let side = |wall: Wall, p: [f64; 2]| {
        let d = [wall.1[0] - wall.0[0], wall.1[1] - wall.0[1]];
        d[0] * (p[1] - wall.0[1]) - d[1] * (p[0] - wall.0[0])
    };
    let apart = side(a, b.0) * side(a, b.1) < 0.0 && side(b, a.0) * side(b, a.1) < 0.0;
    let on = |wall: Wall, p: [f64; 2]| distance_to_wall_m(wall.0, wall.1, p) < 1e-3;
    apart || on(a, b.0) || on(a, b.1) || on(b, a.0) || on(b, a.1)
}

/// The point of a wall nearest to a place.
pub(in crate::room) fn nearest_on_wall(from: [f64; 2], to: [f64; 2], place: [f64; 2]) -> [f64; 2] {
    let d = [to[0] - from[0], to[1] - from[1]];
    let length2 = (d[0] * d[0] + d[1] * d[1]).max(1e-30);
    let share = (((place[0] - from[0]) * d[0] + (place[1] - from[1]) * d[1]) / length2).clamp(0.0, 1.0);
    [from[0] + share * d[0], from[1] + share * d[1]]
}

pub(in crate::room) fn distance_to_wall_m(from: [f64; 2], to: [f64; 2], place: [f64; 2]) -> f64 {
    let nearest = nearest_on_wall(from, to, place);
    (nearest[0] - place[0]).hypot(nearest[1] - place[1])
}

/// Whether a place is inside the outline (on a wall counts either way).
pub(in crate::room) fn contains(corners: &[[f64; 2]], place: [f64; 2]) -> bool {
    let mut inside = false;
    for (index, a) in corners.iter().enumerate() {
        let b = corners[(index + 1) % corners.len()];
        if (a[1] > place[1]) != (b[1] > place[1]) {
            let x = a[0] + (place[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]);
            inside ^= place[0] < x;
        }
    }
    inside
}

/// Distance to the nearest wall.
pub(in crate::room) fn distance_to_walls_m(corners: &[[f64; 2]], place: [f64; 2]) -> f64 {
    (0..corners.len())
        .map(|i| distance_to_wall_m(corners[i], corners[(i + 1) % corners.len()], place))
        .fold(f64::INFINITY, f64::min)
}

/// The place itself, or the place on a wall nearest to it if it is outside.
pub(in crate::room) fn inside(corners: &[[f64; 2]], place: [f64; 2]) -> [f64; 2] {
    if contains(corners, place) {
        return place;
    }
    let away = |p: &[f64; 2]| (p[0] - place[0]).hypot(p[1] - place[1]);
    (0..corners.len())
        .map(|i| nearest_on_wall(corners[i], corners[(i + 1) % corners.len()], place))
        .min_by(|a, b| away(a).total_cmp(&away(b)))
        .unwrap_or(place)
}

/// By how much a place is outside; 0 inside.
pub(in crate::room) fn distance_outside_m(corners: &[[f64; 2]], place: [f64; 2]) -> f64 {
    if contains(corners, place) { 0.0 } else { distance_to_walls_m(corners, place) }
}

/// By how much a place may be outside because tapes err: 8 % of the longer side, four times what 2 % on the wall and
/// on the place come to together.
pub(in crate::room) fn tape_allowance_m(corners: &[[f64; 2]]) -> f64 {
    let extent = |axis: usize| {
        let along = || corners.iter().map(move |corner| corner[axis]);
        along().fold(f64::NEG_INFINITY, f64::max) - along().fold(f64::INFINITY, f64::min)
    };
    (0.08 * extent(0).max(extent(1))).max(0.3)
}

/// Which wall both ends of a gap are on, give or take.
pub(in crate::room) fn wall_of_gap(
    corners: &[[f64; 2]],
    from: [f64; 2],
    to: [f64; 2],
    allowance_m: f64,
) -> Option<usize> {
    (0..corners.len()).find(|i| {
        let (a, b) = (corners[*i], corners[(i + 1) % corners.len()]);
        distance_to_wall_m(a, b, from) <= allowance_m && distance_to_wall_m(a, b, to) <= allowance_m
    })
}

/// The no-go area that a place is in.
pub(in crate::room) fn no_go_at(room: &Room, place: [f64; 2]) -> Option<&NoGo> {
    room.fittings.no_go.iter().find(|area| {
        (0..2).all(|axis| place[axis] > area.corner_m[axis] && place[axis] < area.corner_m[axis] + area.size_m[axis])
    })
}
