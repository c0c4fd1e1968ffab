//! Reading a room from TOML, and what is asked about before it is believed.

use std::collections::HashSet;
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::room::outline;
use crate::room::plan::{Fittings, Floor, NoGo, Opening, Place, Reach, Room, Surface};
use crate::toml_file::{self, TomlError};

/// Where ears are when somebody sits (common practice), metres.
pub const EAR_HEIGHT_M: f64 = 1.1;
/// Where a subwoofer's cone is (common practice), metres.
pub const CONE_HEIGHT_M: f64 = 0.3;
/// Longer walls are asked about: probably feet.
const ASK_ABOVE_M: f64 = 20.0;
/// Higher ceilings are asked about: probably feet.
const ASK_ABOVE_HEIGHT_M: f64 = 6.0;
/// A home has no longer walls, whatever anybody says.
const LONGEST_M: f64 = 60.0;
const MOST_CORNERS: usize = 100;
const MOST_PLACES: usize = 200;
const LARGEST_FILE_BYTES: u64 = 1 << 20;

/// Why a room could not be read.
#[derive(Debug, thiserror::Error)]
pub enum RoomError {
    /// The file could not be opened or read.
    #[error("the room file {} cannot be read: {source}", path.display())]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is far larger than a room.
    #[error("the room file {} has {bytes} bytes; a room needs a few hundred, and 1 MiB is the most that is read", path.display())]
    TooLarge {
        /// Which file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// Something in it is wrong.
    #[error("{0}")]
    Content(#[from] TomlError),
}

/// Reads a room file.
/// # Errors
/// Unreadable files, and everything [`Room::from_toml`] refuses.
pub fn load(path: &Path) -> Result<Room, RoomError> {
    let unreadable = |source| RoomError::Unreadable { path: path.into(), source };
    let bytes = std::fs::metadata(path).map_err(unreadable)?.len();
    if bytes > LARGEST_FILE_BYTES {
        return Err(RoomError::TooLarge { path: path.into(), bytes });
    }
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    Ok(Room::from_toml(&path.display().to_string(), &text)?)
}

impl Room {
    /// Reads a room from TOML; see `docs/room.md` for the keys.
    ///
    /// Seats without a height get [`EAR_HEIGHT_M`], spots [`CONE_HEIGHT_M`]. Without any `[[seat]]` there is one called
    /// `seat`. A place outside the walls by no more than a tape errs is taken as it is.
    /// * `label` - what to call the text in messages
    /// # Errors
    /// Unknown keys, sizes that are zero, negative or probably feet, outlines that cross themselves, places outside or
    /// in a no-go area, names used twice: each with line, column and remedy.
    pub fn from_toml(label: &str, text: &str) -> Result<Self, TomlError> {
        let written: Written = toml_file::parse_toml(label, text)?;
        Reader { label, text, large: written.large }.room(written)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: Option<String>,
    size_m: Option<Spanned<[f64; 2]>>,
    floor_m: Option<Spanned<Vec<Spanned<[f64; 2]>>>>,
    height_m: Option<Spanned<f64>>,
    #[serde(default)]
    large: bool,
    #[serde(default)]
    seat: Vec<WrittenPlace>,
    #[serde(default)]
    spot: Vec<WrittenPlace>,
    #[serde(default)]
    opening: Vec<WrittenOpening>,
    #[serde(default)]
    no_go: Vec<WrittenNoGo>,
    walls: Option<Spanned<Walls>>,
    floor: Option<Surface>,
    ceiling: Option<Surface>,
    reverberation_s: Option<Spanned<f64>>,
    reach: Option<WrittenReach>,
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "walls are one of masonry, plasterboard, wood, glass, or a list with one for each wall")]
enum Walls {
    All(Surface),
    Each(Vec<Surface>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPlace {
    name: Spanned<String>,
    at_m: Option<Spanned<Vec<f64>>>,
    weight: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenOpening {
    name: Option<String>,
    from_m: Spanned<[f64; 2]>,
    to_m: Spanned<[f64; 2]>,
    height_m: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenNoGo {
    name: Option<String>,
    corner_m: Spanned<[f64; 2]>,
    size_m: Spanned<[f64; 2]>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenReach {
    from_m: Spanned<[f64; 2]>,
    cable_m: Spanned<f64>,
}

struct Reader<'a> {
    label: &'a str,
    text: &'a str,
    large: bool,
}

impl Reader<'_> {
    fn refuse<T>(&self, span: Range<usize>, message: &str, remedy: &str) -> Result<T, TomlError> {
        Err(TomlError::with_help(self.label, self.text, span, message.into(), Some(remedy.into())))
    }

    fn room(&self, written: Written) -> Result<Room, TomlError> {
        let floor = self.floor(written.size_m, written.floor_m)?;
        let height_m = written.height_m.map(|height| self.height(&height)).transpose()?;
        let mut room = Room { name: written.name.unwrap_or_else(|| "room".into()), floor, height_m, ..Room::default() };
        let reverberation_s = written.reverberation_s.map(|time| self.reverberation(&time)).transpose()?;
        let corners = room.corners_m();
        room.fittings = Fittings {
            openings: self.openings(written.opening, &corners)?,
            no_go: self.no_go(written.no_go)?,
            walls: self.walls(written.walls, corners.len())?,
            floor: written.floor,
            ceiling: written.ceiling,
            reverberation_s,
            reach: written.reach.map(|reach| self.reach(reach)).transpose()?,
        };
        room.seat_weights = self.seat_weights(&written.seat, &written.spot)?;
        room.seats = self.places(written.seat, "seat", EAR_HEIGHT_M, &room)?;
        if room.seats.is_empty() {
            room.seats.push(Place { name: "seat".into(), at_m: None });
        }
        room.spots = self.places(written.spot, "spot", CONE_HEIGHT_M, &room)?;
        Ok(room)
    }

    fn floor(
        &self,
        size_m: Option<Spanned<[f64; 2]>>,
        floor_m: Option<Spanned<Vec<Spanned<[f64; 2]>>>>,
    ) -> Result<Option<Floor>, TomlError> {
        match (size_m, floor_m) {
            (None, None) => Ok(None),
            (Some(_), Some(floor)) => self.refuse(
                floor.span(),
                "the room has both size_m and floor_m",
                "keep size_m for a rectangle, or floor_m for any other outline",
            ),
            (Some(size), None) => {
                for side_m in size.get_ref() {
                    self.length(*side_m, size.span(), "a wall")?;
                }
                let [length_m, width_m] = size.into_inner();
                Ok(Some(Floor::Rectangle { length_m, width_m }))
            }
            (None, Some(floor)) => self.polygon(floor).map(Some),
        }
    }

    fn polygon(&self, floor: Spanned<Vec<Spanned<[f64; 2]>>>) -> Result<Floor, TomlError> {
        let span = floor.span();
        let corners: Vec<[f64; 2]> = floor.get_ref().iter().map(|corner| *corner.get_ref()).collect();
        if corners.len() < 3 || corners.len() > MOST_CORNERS {
            let message = format!("an outline has 3 to {MOST_CORNERS} corners, this one {}", corners.len());
            return self.refuse(
                span,
                &message,
                "give the corners in order around the room; round walls need a few each",
            );
        }
        for (index, corner) in floor.get_ref().iter().enumerate() {
            let [x, y] = *corner.get_ref();
            let next = corners[(index + 1) % corners.len()];
            if !(x.is_finite() && y.is_finite()) {
                return self.refuse(corner.span(), "this corner is not a place", "give both coordinates in metres");
            }
            if (next[0] - x).hypot(next[1] - y) < 0.01 {
                return self.refuse(
                    corner.span(),
                    "this corner and the next are the same place",
                    "leave one of them out",
                );
            }
        }
        for axis in 0..2 {
            let along = || corners.iter().map(|corner| corner[axis]);
            let extent_m = along().fold(f64::NEG_INFINITY, f64::max) - along().fold(f64::INFINITY, f64::min);
            self.length(extent_m, span.clone(), "the outline")?;
        }
        if let Some((first, second)) = outline::crossing(&corners) {
            let message = format!("the walls from corner {} and from corner {} cross", first + 1, second + 1);
            return self.refuse(
                floor.get_ref()[second].span(),
                &message,
                "give the corners in the order in which you would walk along the walls",
            );
        }
        Ok(Floor::Polygon(corners))
    }

    fn length(&self, length_m: f64, span: Range<usize>, what: &str) -> Result<(), TomlError> {
        if !(length_m.is_finite() && length_m > 0.0) {
            return self.refuse(span, &format!("{what} of {length_m} m is no wall"), "sizes are metres above zero");
        }
        if length_m < 1.0 {
            let remedy = "sizes are metres; a room that a subwoofer fits into is at least 1 m long and wide";
            return self.refuse(span, &format!("{what} is only {length_m} m long"), remedy);
        }
        if length_m > LONGEST_M || (length_m > ASK_ABOVE_M && !self.large) {
            let remedy = format!(
                "if that is feet, write {:.2}; if centimetres, {:.2}; if the room really is that large, add `large = true` at the top (up to {LONGEST_M} m)",
                length_m * 0.3048,
                length_m / 100.0
            );
            return self.refuse(span, &format!("{what} is {length_m} m long: are these metres?"), &remedy);
        }
        Ok(())
    }

    fn height(&self, height: &Spanned<f64>) -> Result<f64, TomlError> {
        let height_m = *height.get_ref();
        if !(height_m.is_finite() && height_m >= 1.5) {
            let message = format!("a ceiling {height_m} m above the floor is too low to sit under");
            return self.refuse(height.span(), &message, "height_m is metres from floor to ceiling, 1.5 or more");
        }
        if height_m > LONGEST_M || (height_m > ASK_ABOVE_HEIGHT_M && !self.large) {
            let remedy = format!(
                "if that is feet, write {:.2}; if the room really is that high, add `large = true` at the top",
                height_m * 0.3048
            );
            let message = format!("the ceiling is {height_m} m above the floor: are these metres?");
            return self.refuse(height.span(), &message, &remedy);
        }
        Ok(height_m)
    }

    fn reverberation(&self, time: &Spanned<f64>) -> Result<f64, TomlError> {
        let seconds = *time.get_ref();
        if seconds.is_finite() && (0.05..=10.0).contains(&seconds) {
            return Ok(seconds);
        }
        let message = format!("a decay time of {seconds} s is no room's");
        self.refuse(time.span(), &message, "reverberation_s is the time in which bass falls by 60 dB, 0.05 to 10 s")
    }

    fn walls(&self, walls: Option<Spanned<Walls>>, corners: usize) -> Result<Vec<Surface>, TomlError> {
        let Some(walls) = walls else { return Ok(Vec::new()) };
        let span = walls.span();
        match walls.into_inner() {
            Walls::All(surface) => Ok(vec![surface; corners.max(4)]),
            Walls::Each(each) if each.len() == corners => Ok(each),
            Walls::Each(each) => {
                let message = format!("{} walls are described, the outline has {corners}", each.len());
                self.refuse(
                    span,
                    &message,
                    "give one kind for each wall, in the order of the corners, or one word for all",
                )
            }
        }
    }

    fn openings(&self, written: Vec<WrittenOpening>, corners: &[[f64; 2]]) -> Result<Vec<Opening>, TomlError> {
        let mut openings = Vec::new();
        for (index, opening) in written.into_iter().take(MOST_PLACES).enumerate() {
            let (from_m, to_m) = (*opening.from_m.get_ref(), *opening.to_m.get_ref());
            let remedy = "give both ends of the gap on one wall, in metres";
            if !(from_m.iter().chain(&to_m).all(|x| x.is_finite())
                && (to_m[0] - from_m[0]).hypot(to_m[1] - from_m[1]) > 0.05)
            {
                return self.refuse(opening.to_m.span(), "this opening has no width", remedy);
            }
            if !corners.is_empty() && outline::wall_of_gap(corners, from_m, to_m, 0.3).is_none() {
                return self.refuse(opening.from_m.span(), "this opening is not on a wall", remedy);
            }
            let height_m = opening.height_m.as_ref().map(|height| {
                let height_m = *height.get_ref();
                if height_m > 0.0 && height_m <= LONGEST_M {
                    return Ok(height_m);
                }
                self.refuse(height.span(), "an opening has a height above zero", "leave height_m out for a door of 2 m")
            });
            let name = opening.name.unwrap_or_else(|| format!("opening {}", index + 1));
            openings.push(Opening { name, from_m, to_m, height_m: height_m.transpose()? });
        }
        Ok(openings)
    }

    fn no_go(&self, written: Vec<WrittenNoGo>) -> Result<Vec<NoGo>, TomlError> {
        let mut areas = Vec::new();
        for (index, area) in written.into_iter().take(MOST_PLACES).enumerate() {
            let (corner_m, size_m) = (*area.corner_m.get_ref(), *area.size_m.get_ref());
            if !(size_m.iter().all(|side| side.is_finite() && *side > 0.0) && corner_m.iter().all(|x| x.is_finite())) {
                let remedy = "size_m is how far the rectangle goes from corner_m along x and y, both above zero";
                return self.refuse(area.size_m.span(), "this no-go area has no size", remedy);
            }
            let name = area.name.unwrap_or_else(|| format!("no-go area {}", index + 1));
            areas.push(NoGo { name, corner_m, size_m });
        }
        Ok(areas)
    }

    fn reach(&self, written: WrittenReach) -> Result<Reach, TomlError> {
        let (from_m, cable_m) = (*written.from_m.get_ref(), *written.cable_m.get_ref());
        if !(cable_m.is_finite() && cable_m > 0.0 && from_m.iter().all(|x| x.is_finite())) {
            let remedy = "cable_m is the length along the floor in metres, from_m where it starts";
            return self.refuse(written.cable_m.span(), "this cable has no length", remedy);
        }
        Ok(Reach { from_m, cable_m })
    }

    /// How much each seat counts; empty where no weight is given. A seat without one does not count then.
    fn seat_weights(&self, seats: &[WrittenPlace], spots: &[WrittenPlace]) -> Result<Vec<f64>, TomlError> {
        if let Some(weight) = spots.iter().find_map(|spot| spot.weight.as_ref()) {
            return self.refuse(weight.span(), "a spot has no weight", "give weights to seats: how much each counts");
        }
        let mut last = None;
        for weight in seats.iter().filter_map(|seat| seat.weight.as_ref()) {
            if !(0.0..=100.0).contains(weight.get_ref()) {
                let message = format!("a seat cannot count {} times", weight.get_ref());
                return self.refuse(
                    weight.span(),
                    &message,
                    "a weight is a number from 0 to 100, such as 2 for the main seat",
                );
            }
            last = Some(weight.span());
        }
        let weights: Vec<f64> =
            seats.iter().map(|seat| seat.weight.as_ref().map_or(0.0, |weight| *weight.get_ref())).collect();
        match last {
            None => Ok(Vec::new()),
            Some(span) if weights.iter().all(|&weight| weight == 0.0) => {
                self.refuse(span, "no seat counts", "give at least one seat a weight above 0, or leave all weights out")
            }
            Some(_) => Ok(weights),
        }
    }

    fn places(
        &self,
        written: Vec<WrittenPlace>,
        kind: &str,
        usual_z_m: f64,
        room: &Room,
    ) -> Result<Vec<Place>, TomlError> {
        let mut names = HashSet::new();
        let mut places = Vec::new();
        for place in written {
            let (span, name) = (place.name.span(), place.name.into_inner());
            if name.trim().is_empty() || name.chars().any(char::is_control) {
                return self.refuse(
                    span,
                    &format!("a {kind} needs a name that can be read out"),
                    "for example \"left corner\"",
                );
            }
            if !names.insert(name.clone()) {
                let message = format!("there are two {kind}s called {name:?}");
                return self.refuse(span, &message, "give each its own name: answers are kept by name");
            }
            if places.len() == MOST_PLACES {
                return self.refuse(
                    span,
                    &format!("there are more than {MOST_PLACES} {kind}s"),
                    "nobody visits that many",
                );
            }
            let at_m = place.at_m.map(|at| self.position(&at, &name, usual_z_m, room)).transpose()?;
            if let (Some(at), "spot", Some(area)) =
                (at_m, kind, at_m.and_then(|at| outline::no_go_at(room, [at[0], at[1]])))
            {
                let message =
                    format!("spot {name:?} at {:.2}, {:.2} m stands in the no-go area {:?}", at[0], at[1], area.name);
                return self.refuse(span, &message, "move the spot, or make the area smaller");
            }
            places.push(Place { name, at_m });
        }
        Ok(places)
    }

    fn position(&self, at: &Spanned<Vec<f64>>, name: &str, usual_z_m: f64, room: &Room) -> Result<[f64; 3], TomlError> {
        let remedy = "at_m is [x, y] or [x, y, z] in metres, from the corner where x and y are 0";
        let at_m = match at.get_ref()[..] {
            [x, y] => [x, y, usual_z_m],
            [x, y, z] => [x, y, z],
            _ => return self.refuse(at.span(), &format!("{name:?} is not at a place"), remedy),
        };
        if !at_m.iter().all(|x| x.is_finite()) {
            return self.refuse(at.span(), &format!("{name:?} is not at a place"), remedy);
        }
        let ceiling_m = room.height_m.unwrap_or(LONGEST_M);
        if at_m[2] < 0.0 || at_m[2] > ceiling_m + 0.1 {
            let message = format!("{name:?} is {} m above the floor, outside the room", at_m[2]);
            return self.refuse(at.span(), &message, remedy);
        }
        let corners = room.corners_m();
        if corners.is_empty() {
            return Ok(at_m);
        }
        let outside_m = outline::distance_outside_m(&corners, [at_m[0], at_m[1]]);
        if outside_m > outline::tape_allowance_m(&corners) {
            let message = format!("{name:?} is {outside_m:.2} m outside the walls");
            return self.refuse(at.span(), &message, remedy);
        }
        Ok(at_m)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: &str = "name = \"living room\"\nsize_m = [5, 4.1]\nheight_m = 2.5\n\n[[seat]]\nname = \"sofa\"\nat_m = [3.2, 2]\n\n[[spot]]\nname = \"left\"\nat_m = [0.4, 0.4, 0.25]\n[[spot]]\nname = \"right\"\n";

    #[test]
    fn reads_a_room_with_everything_usual() {
        let room = Room::from_toml("room.toml", PLAIN).unwrap();
        assert_eq!(room.floor, Some(Floor::Rectangle { length_m: 5.0, width_m: 4.1 }));
        assert_eq!(room.seats, [Place { name: "sofa".into(), at_m: Some([3.2, 2.0, EAR_HEIGHT_M]) }]);
        assert_eq!(room.spots[0].at_m, Some([0.4, 0.4, 0.25]));
        assert_eq!(room.spots[1].at_m, None);
    }

    #[test]
    fn names_alone_are_a_room() {
        let room = Room::from_toml("room.toml", "[[spot]]\nname = \"P1\"\n").unwrap();
        assert_eq!((room.floor, room.seats.len(), room.spots.len()), (None, 1, 1));
    }

    #[track_caller]
    fn refused(text: &str, line: usize, column: usize, says: &str, advises: &str) {
        let error = Room::from_toml("room.toml", text).unwrap_err();
        assert_eq!((error.line, error.column), (line, column), "{error}");
        assert!(error.message.contains(says), "{error}");
        assert!(error.help.as_deref().unwrap_or_default().contains(advises), "{error}");
    }

    #[test]
    fn bad_rooms_are_named_and_placed() {
        refused("size_m = [40, 13]\n", 1, 10, "are these metres?", "12.19");
        refused("size_m = [16, 12]\nheight_m = 8\n", 2, 12, "are these metres?", "2.44");
        refused("size_m = [5, 0]\n", 1, 10, "0 m", "above zero");
        refused("size_m = [5, -4]\n", 1, 10, "-4 m", "above zero");
        refused("size_m = [nan, 4]\n", 1, 10, "NaN", "above zero");
        refused("size_m = [5, 4]\nfloor_m = [[0,0],[1,0],[1,1]]\n", 2, 11, "both", "keep size_m");
        refused("floor_m = [[0,0],[4,4],[4,0],[0,4]]\n", 1, 24, "cross", "in the order");
        refused("floor_m = [[0,0],[4,0]]\n", 1, 11, "3 to 100", "in order");
        refused("size_m = [5, 4]\nheigth_m = 2.5\n", 2, 1, "unknown key", "did you mean `height_m`?");
        refused("size_m = [5, 4]\n[[seat]]\nname = \"a\"\nat_m = [7, 1]\n", 4, 8, "2.00 m outside", "from the corner");
        refused("[[spot]]\nname = \"a\"\n[[spot]]\nname = \"a\"\n", 4, 8, "two spots", "its own name");
        refused(
            "size_m=[5,4]\n[[no_go]]\ncorner_m=[0,0]\nsize_m=[1,1]\n[[spot]]\nname=\"a\"\nat_m=[0.4,0.4]\n",
            6,
            6,
            "no-go area",
            "move the spot",
        );
        refused("size_m=[5,4]\n[[opening]]\nfrom_m=[2,2]\nto_m=[3,2]\n", 3, 8, "not on a wall", "on one wall");
        refused("size_m=[5,4]\nwalls=[\"masonry\"]\n", 2, 7, "1 walls", "for each wall");
    }

    #[test]
    fn thousands_of_corners_are_refused_quickly() {
        let corners: Vec<String> = (0..5000).map(|i| format!("[{}, {}]", i % 5, i % 3)).collect();
        let text = format!("floor_m = [{}]\n", corners.join(","));
        assert!(Room::from_toml("room.toml", &text).unwrap_err().message.contains("this one 5000"));
    }

    #[test]
    fn a_large_room_is_believed_when_said_so() {
        assert!(Room::from_toml("room.toml", "large = true\nsize_m = [40, 13]\n").is_ok());
    }

    #[test]
    fn a_place_outside_by_a_tapes_error_is_taken() {
        assert!(Room::from_toml("r", "size_m = [7, 4]\n[[spot]]\nname = \"a\"\nat_m = [7.2, 1]\n").is_ok());
    }

    #[test]
    fn the_example_rooms_are_well_formed() {
        for (label, text) in [
            ("living-room.toml", include_str!("../../presets/rooms/living-room.toml")),
            ("garden-flat.toml", include_str!("../../presets/rooms/garden-flat.toml")),
        ] {
            let room = Room::from_toml(label, text).unwrap_or_else(|error| panic!("{error}"));
            assert!(room.floor.is_some() && room.seats.len() == 2);
        }
    }

    #[test]
    fn seats_may_have_weights_and_spots_may_not() {
        let room = |text: &str| Room::from_toml("room.toml", text);
        let two = "[[seat]]\nname = \"a\"\nweight = 2\n[[seat]]\nname = \"b\"\n[[seat]]\nname = \"c\"\nweight = 0.5\n";
        assert_eq!(room(two).unwrap().seat_weights, [2.0, 0.0, 0.5]);
        assert!(room(PLAIN).unwrap().seat_weights.is_empty());
        refused("[[spot]]\nname = \"a\"\nweight = 2\n", 3, 10, "a spot has no weight", "weights to seats");
        refused("[[seat]]\nname = \"a\"\nweight = -1\n", 3, 10, "cannot count -1 times", "from 0 to 100");
        refused("[[seat]]\nname = \"a\"\nweight = 0\n", 3, 10, "no seat counts", "above 0");
    }

    #[test]
    fn a_missing_file_says_which() {
        let error = load(Path::new("no-such-room.toml")).unwrap_err();
        assert!(error.to_string().contains("no-such-room.toml"));
    }
}
