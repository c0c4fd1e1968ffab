//! The room's plan to scale, seen from above: walls with letters, seats, spots with two tape distances each.

mod labels;
mod scale;
mod svg;
mod text;

pub use svg::svg;
pub use text::{spot_sign, text_floor, text_plan};

pub(in crate::draw) use labels::Labels;
pub(in crate::draw) use scale::Scale;
pub(in crate::draw) use svg::{Key, marks, outline};

/// With more spots than this, numbers and a key read better than names, which would cross each other.
pub const MOST_NAMED: usize = 6;

/// What is drawn. Positions are metres, x to the right and y up on the page. Places that nobody measured are left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// Corners of the floor in order; the walls between them are lettered in this order.
    pub corners_m: Vec<[f64; 2]>,
    /// Doorways and other gaps in walls.
    pub gaps: Vec<Gap>,
    /// Doors.
    pub doors: Vec<Swing>,
    /// Power sockets.
    pub sockets_m: Vec<[f64; 2]>,
    /// Where the signal's cable starts.
    pub cable_from_m: Option<[f64; 2]>,
    /// Where no subwoofer may stand.
    pub no_go: Vec<Area>,
    /// Seats; the first is the main seat.
    pub seats: Vec<Mark>,
    /// Spots.
    pub spots: Vec<Mark>,
    /// Spots are numbered in their order, and a key under the picture has their names: for many spots, or little room.
    pub numbered: bool,
    /// The tape distances of all spots are written beside them, not only those of the chosen one; for a picture with
    /// room.
    pub tapes_of_all: bool,
}

/// A gap in a wall from one point to another, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// What it is called.
    pub name: String,
    /// One end.
    pub from_m: [f64; 2],
    /// The other end.
    pub to_m: [f64; 2],
}

/// A door, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Swing {
    /// Its hinge.
    pub hinge_m: [f64; 2],
    /// Its other side.
    pub latch_m: [f64; 2],
    /// It opens out of the room.
    pub outwards: bool,
}

/// A rectangle, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// What is there.
    pub name: String,
    /// Its corner nearest the origin.
    pub corner_m: [f64; 2],
    /// Along x and y.
    pub size_m: [f64; 2],
}

/// A seat or a spot.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its name.
    pub name: String,
    /// Where it is, metres.
    pub at_m: [f64; 2],
    /// How it is drawn.
    pub role: Role,
}

/// What a mark stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The spot that was chosen, or is being talked about, or the seat placed for.
    Chosen,
    /// Any other.
    Other,
}

/// A distance that can be measured with a tape, square to a wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tape {
    /// Which wall, position in the order of the corners.
    pub wall: usize,
    /// Where the tape meets the wall, metres.
    pub foot_m: [f64; 2],
    /// How long it is, metres.
    pub distance_m: f64,
}

/// The letter of a wall: A, B, C …
pub fn wall_letter(wall: usize) -> String {
    match u8::try_from(wall) {
        Ok(index) if index < 26 => char::from(b'A' + index).to_string(),
        _ => format!("W{}", wall + 1),
    }
}

impl Plan {
    /// Whether there is anything to draw.
    pub fn is_known(&self) -> bool {
        self.corners_m.len() >= 3
    }

    /// The distances to the nearest wall and to the nearest wall that stands across it; fewer where no wall can be met
    /// squarely.
    pub fn tapes(&self, at_m: [f64; 2]) -> Vec<Tape> {
        let mut all: Vec<(Tape, [f64; 2])> =
            (0..self.corners_m.len()).filter_map(|wall| self.tape_to(wall, at_m)).collect();
        all.sort_by(|(a, _), (b, _)| a.distance_m.total_cmp(&b.distance_m));
        let Some((first, along)) = all.first().copied() else { return Vec::new() };
        // Walls within 30 degrees of parallel would not say where on the first wall the spot is.
        let across = |other: &[f64; 2]| (along[0] * other[1] - along[1] * other[0]).abs() > 0.5;
        let second = all.iter().find(|(_, other)| across(other)).map(|(tape, _)| *tape);
        std::iter::once(first).chain(second).collect()
    }

    /// The tape to one wall and the wall's direction; `None` if its square foot lies beside the wall.
    fn tape_to(&self, wall: usize, at_m: [f64; 2]) -> Option<(Tape, [f64; 2])> {
        let from = self.corners_m[wall];
        let to = self.corners_m[(wall + 1) % self.corners_m.len()];
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        if length < 1e-6 {
            return None;
        }
        let along = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
        let position = (at_m[0] - from[0]) * along[0] + (at_m[1] - from[1]) * along[1];
        if !(-1e-9..=length + 1e-9).contains(&position) {
            return None;
        }
        let foot_m = [from[0] + along[0] * position, from[1] + along[1] * position];
        let distance_m = (at_m[0] - foot_m[0]).hypot(at_m[1] - foot_m[1]);
        Some((Tape { wall, foot_m, distance_m }, along))
    }

    /// The tape distances in words: '0.40 m from wall A, 1.15 m from wall D'; empty if the plan is not known.
    pub fn tape_words(&self, at_m: [f64; 2]) -> String {
        let words: Vec<String> = self
            .tapes(at_m)
            .iter()
            .map(|tape| format!("{:.2} m from wall {}", tape.distance_m, wall_letter(tape.wall)))
            .collect();
        words.join(", ")
    }

    /// The tape distances in short: 'A 0.40 \u{b7} D 1.15' (wall, metres); empty if the plan is not known.
    pub fn tape_signs(&self, at_m: [f64; 2]) -> String {
        let sign = |tape: &Tape| format!("{} {:.2}", wall_letter(tape.wall), tape.distance_m);
        self.tapes(at_m).iter().map(sign).collect::<Vec<_>>().join(" \u{b7} ")
    }

    fn bounds(&self) -> ([f64; 2], [f64; 2]) {
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for corner in &self.corners_m {
            for axis in 0..2 {
                low[axis] = low[axis].min(corner[axis]);
                high[axis] = high[axis].max(corner[axis]);
            }
        }
        (low, high)
    }
}

impl Swing {
    /// Where the other side is when the door stands open at a right angle; `None` if the plan has no wall there.
    fn open_m(&self, plan: &Plan) -> Option<[f64; 2]> {
        let count = plan.corners_m.len();
        let off_wall = |wall: &usize| {
            let (from, to) = (plan.corners_m[*wall], plan.corners_m[(wall + 1) % count]);
            let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1e-9);
            let off = |at: [f64; 2]| {
                ((at[0] - from[0]) * (to[1] - from[1]) - (at[1] - from[1]) * (to[0] - from[0])).abs() / length
            };
            off(self.hinge_m).max(off(self.latch_m))
        };
        let wall = (0..count).min_by(|a, b| off_wall(a).total_cmp(&off_wall(b)))?;
        let [dx, dy] = outward_of(plan, wall);
        let width = (self.latch_m[0] - self.hinge_m[0]).hypot(self.latch_m[1] - self.hinge_m[1]);
        let reach = if self.outwards { width } else { -width };
        Some([self.hinge_m[0] + dx * reach, self.hinge_m[1] + dy * reach])
    }
}

/// The direction from a wall out of the room, for corners in either sense of turning.
fn outward_of(plan: &Plan, wall: usize) -> [f64; 2] {
    let count = plan.corners_m.len();
    let doubled_area: f64 = (0..count)
        .map(|index| {
            let (a, b) = (plan.corners_m[index], plan.corners_m[(index + 1) % count]);
            a[0] * b[1] - a[1] * b[0]
        })
        .sum();
    let (from, to) = (plan.corners_m[wall], plan.corners_m[(wall + 1) % count]);
    let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1e-9);
    let sense = if doubled_area >= 0.0 { 1.0 } else { -1.0 };
    [(to[1] - from[1]) / length * sense, -(to[0] - from[0]) / length * sense]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rectangle() -> Plan {
        Plan { corners_m: vec![[0.0, 0.0], [5.2, 0.0], [5.2, 3.9], [0.0, 3.9]], ..Plan::default() }
    }

    #[test]
    fn a_spot_in_a_rectangle_has_a_tape_to_each_of_two_walls_that_meet() {
        let tapes = rectangle().tapes([0.4, 3.5]);
        let found: Vec<(usize, f64)> = tapes.iter().map(|tape| (tape.wall, tape.distance_m)).collect();
        assert_eq!(found.len(), 2);
        // In a corner the two are equal; the order then does not matter.
        assert!(found.iter().any(|(wall, distance)| *wall == 2 && (distance - 0.4).abs() < 1e-12), "{found:?}");
        assert!(found.iter().any(|(wall, distance)| *wall == 3 && (distance - 0.4).abs() < 1e-12), "{found:?}");
    }

    #[test]
    fn two_parallel_walls_do_not_say_where_a_spot_is() {
        // In a corridor both long walls are nearer than either short one.
        let corridor = Plan { corners_m: vec![[0.0, 0.0], [9.0, 0.0], [9.0, 1.2], [0.0, 1.2]], ..Plan::default() };
        let walls: Vec<usize> = corridor.tapes([4.0, 0.5]).iter().map(|tape| tape.wall).collect();
        assert_eq!(walls, [0, 3]);
        assert_eq!(corridor.tape_words([4.0, 0.5]), "0.50 m from wall A, 4.00 m from wall D");
    }

    #[test]
    fn a_wall_round_the_corner_cannot_be_measured_to() {
        // An L: wall C (from [5, 2] to [2, 2]) lies beside a spot at [1, 3], so its foot is not on it.
        let corners_m = vec![[0.0, 0.0], [5.0, 0.0], [5.0, 2.0], [2.0, 2.0], [2.0, 4.0], [0.0, 4.0]];
        let plan = Plan { corners_m, ..Plan::default() };
        assert!(plan.tape_to(2, [1.0, 3.0]).is_none());
        let found: Vec<usize> = plan.tapes([1.2, 3.1]).iter().map(|tape| tape.wall).collect();
        assert_eq!(found, [3, 4]);
    }

    #[test]
    fn walls_face_outwards_whichever_way_the_corners_turn() {
        let mut plan = rectangle();
        assert_eq!(outward_of(&plan, 0), [0.0, -1.0]);
        plan.corners_m.reverse();
        assert_eq!(outward_of(&plan, 0), [0.0, 1.0]);
    }

    #[test]
    fn a_door_turns_to_its_side_of_the_wall() {
        let plan = rectangle();
        let door = Swing { hinge_m: [1.0, 0.0], latch_m: [1.8, 0.0], outwards: false };
        let open = |door: &Swing| door.open_m(&plan).unwrap().map(|metres| (metres * 100.0).round() / 100.0);
        assert_eq!(open(&door), [1.0, 0.8]);
        assert_eq!(open(&Swing { outwards: true, ..door.clone() }), [1.0, -0.8]);
        let beside = Swing { hinge_m: [5.2, 3.0], latch_m: [5.2, 2.2], outwards: false };
        assert_eq!(open(&beside), [4.4, 3.0]);
        assert!(door.open_m(&Plan::default()).is_none());
    }

    #[test]
    fn an_area_far_beyond_the_walls_ends_at_the_edge_of_the_text() {
        for far_m in [1e9, 1e300, f64::MAX] {
            let area = Area { name: "hearth".into(), corner_m: [2.0, 1.0], size_m: [far_m, 1.0] };
            let plan = Plan { no_go: vec![area], ..rectangle() };
            let drawn = text_floor(&plan, 40, 20, crate::draw::Glyphs::Ascii).unwrap();
            assert!(
                drawn.lines().any(|line| line.contains("::")) && drawn.lines().all(|line| line.len() <= 40),
                "{drawn}"
            );
        }
    }

    #[test]
    fn cable_and_sockets_are_named_and_nothing_leaves_the_picture() {
        let mut plan = rectangle();
        plan.sockets_m = vec![[0.0, 1.0]];
        plan.cable_from_m = Some([5.2, 2.0]);
        plan.doors = vec![Swing { hinge_m: [1.0, 3.9], latch_m: [2.0, 3.9], outwards: true }];
        let drawn = svg(&plan, 400.0, 300.0, &crate::draw::Theme::PRINT).unwrap();
        assert!(drawn.contains(">socket<") && drawn.contains(">cable<") && drawn.contains("stroke-dasharray"));
        let numbers = drawn.split(['"', ' ', 'M', 'L', 'A', 'Z']).filter_map(|part| part.parse::<f64>().ok());
        assert!(numbers.into_iter().all(|number| number >= 0.0), "{drawn}");
    }
}
