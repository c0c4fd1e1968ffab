//! Which of many spots to hear, and in which order to walk past them.

use crate::room::plan::{Place, Room};

/// As many spots as a crawl of twenty minutes hears.
pub const MOST_SPOTS: usize = 12;
/// With fewer there is nothing to compare.
pub const FEWEST_SPOTS: usize = 2;
/// Those that are taken first are this far from each other, metres.
const FIRST_APART_M: f64 = 0.9;

/// No more spots than a person would walk to: positions in `places`, which stand in the order in which they are wanted.
///
/// Neighbours sound alike, and where a plan is wrong, they are wrong together. So those come first that are 0.9 m from
/// all that are wanted more, then whichever is farthest from those chosen. Places without a position are far from all.
pub fn apart_first(places: &[Place]) -> Vec<usize> {
    let away_m = |a: usize, b: usize| match (places[a].at_m, places[b].at_m) {
        (Some(a), Some(b)) => (a[0] - b[0]).hypot(a[1] - b[1]),
        _ => f64::INFINITY,
    };
    let nearest_m =
        |place: usize, others: &[usize]| others.iter().map(|other| away_m(place, *other)).fold(f64::INFINITY, f64::min);
    let mut chosen: Vec<usize> = Vec::new();
    let mut left: Vec<usize> = Vec::new();
    for place in 0..places.len() {
        if nearest_m(place, &chosen) >= FIRST_APART_M {
            chosen.push(place);
        } else {
            left.push(place);
        }
    }
    while chosen.len() < MOST_SPOTS {
        // Of equals, the one that is wanted more.
        let farthest =
            |a: &usize, b: &usize| nearest_m(left[*a], &chosen).total_cmp(&nearest_m(left[*b], &chosen)).then(b.cmp(a));
        let Some(next) = (0..left.len()).max_by(farthest) else { break };
        chosen.push(left.remove(next));
    }
    chosen.truncate(MOST_SPOTS);
    chosen
}

/// A short walk past all spots: from the first one to the nearest, and so on, then improved by turning parts round.
///
/// Spots without a position follow in the order of the list. Gives positions in the room's list of spots.
pub fn walking_order(room: &Room) -> Vec<usize> {
    let placed: Vec<(usize, [f64; 3])> =
        room.spots.iter().enumerate().filter_map(|(index, spot)| Some((index, spot.at_m?))).collect();
    let away = |a: usize, b: usize| (placed[a].1[0] - placed[b].1[0]).hypot(placed[a].1[1] - placed[b].1[1]);
    let mut left: Vec<usize> = (0..placed.len()).collect();
    let mut walk: Vec<usize> = Vec::new();
    while !left.is_empty() {
        let next = walk.last().map_or(0, |last| {
            (0..left.len()).min_by(|a, b| away(*last, left[*a]).total_cmp(&away(*last, left[*b]))).unwrap_or(0)
        });
        walk.push(left.remove(next));
    }
    turn_round(&mut walk, away);
    let unplaced = (0..room.spots.len()).filter(|index| room.spots[*index].at_m.is_none());
    walk.iter().map(|at| placed[*at].0).chain(unplaced).collect()
}

/// Turns round parts of the walk as long as that shortens it (2-opt; Croes 1958).
fn turn_round(walk: &mut [usize], away: impl Fn(usize, usize) -> f64) {
    const MOST_PASSES: usize = 50;
    for _ in 0..MOST_PASSES {
        let mut shorter = false;
        for first in 0..walk.len().saturating_sub(1) {
            for last in first + 1..walk.len() {
                let ends = |a: Option<usize>, b: usize| a.map_or(0.0, |a| away(a, b));
                let before = first.checked_sub(1).map(|i| walk[i]);
                let after = walk.get(last + 1).copied();
                let now = ends(before, walk[first]) + ends(after, walk[last]);
                let turned = ends(before, walk[last]) + ends(after, walk[first]);
                if turned < now - 1e-9 {
                    walk[first..=last].reverse();
                    shorter = true;
                }
            }
        }
        if !shorter {
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::suggest::candidates;

    #[test]
    fn no_wall_of_a_plain_room_is_left_out_for_another() {
        // Corners and middles are far apart; of the thirds, walls A and C get two each and not A and B.
        let room = Room::from_toml("r", "size_m = [5, 4]\n").unwrap();
        let places: Vec<Place> = candidates(&room).into_iter().map(|candidate| candidate.place).collect();
        let chosen = apart_first(&places);
        assert_eq!(chosen.len(), MOST_SPOTS);
        let beyond = |far: &dyn Fn([f64; 3]) -> f64| {
            chosen.iter().filter(|place| far(places[**place].at_m.unwrap()) > 0.01).count()
        };
        assert_eq!(beyond(&|at| at[0] - 2.5), beyond(&|at| 2.5 - at[0]), "{places:?} {chosen:?}");
        assert_eq!(beyond(&|at| at[1] - 2.0), beyond(&|at| 2.0 - at[1]), "{places:?} {chosen:?}");
    }

    #[test]
    fn neighbours_come_last_and_the_most_wanted_comes_first() {
        let at = |x: f64| Place { name: String::new(), at_m: Some([x, 0.4, 0.3]) };
        assert_eq!(apart_first(&[at(2.0), at(2.3), at(2.6), at(4.0), at(1.0)]), [0, 3, 4, 2, 1]);
        assert!(apart_first(&[]).is_empty());
    }

    #[test]
    fn the_walk_goes_round_instead_of_back_and_forth() {
        let mut room = Room::from_toml("r", "size_m = [5.4, 4.2]\n").unwrap();
        let spot = |name: &str, at_m| Place { name: name.into(), at_m };
        room.spots = vec![
            spot("a", Some([0.4, 0.4, 0.3])),
            spot("b", Some([5.0, 3.8, 0.3])),
            spot("unplaced", None),
            spot("c", Some([0.4, 3.8, 0.3])),
            spot("d", Some([5.0, 0.4, 0.3])),
        ];
        let walk = walking_order(&room);
        assert_eq!(walk.len(), 5);
        assert_eq!(walk[4], 2);
        let length_m: f64 = walk[..4]
            .windows(2)
            .map(|pair| {
                let (a, b) = (room.spots[pair[0]].at_m.unwrap(), room.spots[pair[1]].at_m.unwrap());
                (a[0] - b[0]).hypot(a[1] - b[1])
            })
            .sum();
        // Two short sides and a long one, the shortest way past four corners.
        assert!((length_m - (3.4 + 4.6 + 3.4)).abs() < 1e-9, "{length_m}");
    }
}
