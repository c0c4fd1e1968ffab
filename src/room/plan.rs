//! Walls, seats and spots, as somebody with a tape measure would write them down.

use serde::{Deserialize, Serialize};

/// Ceilings of homes are near this (common practice); used where nobody measured.
pub const USUAL_HEIGHT_M: f64 = 2.5;
/// A subwoofer's power lead where nobody measured it (common practice), metres.
pub const LEAD_M: f64 = 2.0;
/// Pairs are predicted, more subwoofers are not.
pub const MOST_SUBWOOFERS: u8 = 2;

/// The outline of the floor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Floor {
    /// One corner at the origin; metres.
    Rectangle {
        /// Along x.
        length_m: f64,
        /// Along y.
        width_m: f64,
    },
    /// Corners in order, metres.
    Polygon(Vec<[f64; 2]>),
}

/// A seat or a spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Unique among its kind.
    pub name: String,
    /// Where it is, if somebody measured it.
    pub at_m: Option<[f64; 3]>,
}

/// A room and what stands in it. Everything but the names is optional: ears need no dimensions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Room {
    /// What the person calls it.
    pub name: String,
    /// The outline, if known.
    pub floor: Option<Floor>,
    /// Floor to ceiling.
    pub height_m: Option<f64>,
    /// Listening positions; the first is the main seat.
    pub seats: Vec<Place>,
    /// Where the subwoofer could stand.
    pub spots: Vec<Place>,
    /// How much each seat counts, in their order; empty where one seat is judged for alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub seat_weights: Vec<f64>,
    /// What else is known: openings, no-go areas, what the walls are made of.
    #[serde(default)]
    pub fittings: Fittings,
}

/// What a room is made of and what is in the way; all of it optional.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Fittings {
    /// Doorways and archways without a shut door.
    pub openings: Vec<Opening>,
    /// Rectangles of the floor where no subwoofer may stand.
    pub no_go: Vec<NoGo>,
    /// What each wall is made of, in the order of the corners (a rectangle begins along y = 0); empty where nobody
    /// said.
    pub walls: Vec<Surface>,
    /// What the floor is made of.
    pub floor: Option<Surface>,
    /// What the ceiling is made of.
    pub ceiling: Option<Surface>,
    /// Decay time in the bass (60 dB), if somebody measured it.
    pub reverberation_s: Option<f64>,
    /// Where a cable reaches, if that limits the spots.
    pub reach: Option<Reach>,
    /// Doors: shut they are wall, but no subwoofer may stand in their way.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doors: Vec<Door>,
    /// Power sockets, if they limit the spots: one of them has to be within its lead.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sockets: Vec<Reach>,
    /// How many subwoofers there will be, if somebody said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subwoofers: Option<u8>,
}

/// A door that is shut when music plays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Door {
    /// What the person calls it.
    pub name: String,
    /// Its hinge on the wall, metres.
    pub hinge_m: [f64; 2],
    /// Its other side on the same wall, metres.
    pub latch_m: [f64; 2],
    /// It opens out of the room.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub outwards: bool,
}

/// A gap in a wall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// What the person calls it.
    pub name: String,
    /// One end on the wall, metres.
    pub from_m: [f64; 2],
    /// The other end on the same wall, metres.
    pub to_m: [f64; 2],
    /// How high it is; a door's 2 m unless told (common practice).
    pub height_m: Option<f64>,
}

/// A rectangle of the floor where no subwoofer may stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoGo {
    /// What is in the way.
    pub name: String,
    /// The corner nearest the origin, metres.
    pub corner_m: [f64; 2],
    /// Along x and along y, metres.
    pub size_m: [f64; 2],
}

impl Door {
    /// How wide it is, metres.
    pub fn width_m(&self) -> f64 {
        (self.latch_m[0] - self.hinge_m[0]).hypot(self.latch_m[1] - self.hinge_m[1])
    }

    /// Whether the door, when it opens into the room, comes nearer to a place than this.
    pub fn sweeps(&self, place_m: [f64; 2], nearer_than_m: f64) -> bool {
        let from_hinge_m = (place_m[0] - self.hinge_m[0]).hypot(place_m[1] - self.hinge_m[1]);
        !self.outwards && from_hinge_m < self.width_m() + nearer_than_m
    }
}

/// How far a cable goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// Where the cable starts, metres.
    pub from_m: [f64; 2],
    /// Its length along the floor, metres.
    pub cable_m: f64,
}

impl Reach {
    /// Whether it goes as far as a place. Cables lie along walls: sideways and forwards count in full.
    pub fn covers(&self, place_m: [f64; 2]) -> bool {
        (self.from_m[0] - place_m[0]).abs() + (self.from_m[1] - place_m[1]).abs() <= self.cable_m
    }
}

/// What a wall, a floor or a ceiling is made of, as far as bass cares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Surface {
    /// Brick, block, stone or concrete, plastered or painted.
    Masonry,
    /// Plasterboard on studs or battens.
    Plasterboard,
    /// Boards or panels before a cavity, wooden floors on joists.
    Wood,
    /// Windows and glass doors.
    Glass,
}

/// The letter of a wall, by its position in the order of the corners: A, B, C … as on every plan.
pub fn wall_letter(wall: usize) -> String {
    match u8::try_from(wall) {
        Ok(index) if index < 26 => char::from(b'A' + index).to_string(),
        _ => format!("W{}", wall + 1),
    }
}

impl Room {
    /// A room of which only names are known. The first seat is the main seat.
    pub fn unmeasured(name: &str, seats: &[&str], spots: &[&str]) -> Self {
        let places = |names: &[&str]| names.iter().map(|name| Place { name: (*name).into(), at_m: None }).collect();
        Self { name: name.into(), seats: places(seats), spots: places(spots), ..Self::default() }
    }

    /// The corners of the floor in order, metres; empty where the outline is not known.
    pub fn corners_m(&self) -> Vec<[f64; 2]> {
        match &self.floor {
            None => Vec::new(),
            Some(Floor::Rectangle { length_m, width_m }) => {
                vec![[0.0, 0.0], [*length_m, 0.0], [*length_m, *width_m], [0.0, *width_m]]
            }
            Some(Floor::Polygon(corners)) => corners.clone(),
        }
    }
}
