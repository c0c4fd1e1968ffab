//! Reading a room from TOML, and what is asked about before it is believed.

mod fittings;
mod floor;
mod places;
#[cfg(test)]
mod tests;

use std::io::Read as _;
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::room::plan::{Fittings, Place, Room, Surface};
use crate::toml_file::{self, TomlError};

/// Where ears are when somebody sits (common practice), metres.
pub const EAR_HEIGHT_M: f64 = 1.1;
/// Where a subwoofer's cone is (common practice), metres.
pub const CONE_HEIGHT_M: f64 = 0.3;
/// A home has no longer walls, whatever anybody says.
const LONGEST_M: f64 = 60.0;
/// As many seats, spots, openings, doors, areas or sockets as a room may have of each.
pub const MOST_PLACES: usize = 200;
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
    #[error("the room file {} has {bytes} bytes or more; a room needs a few hundred, and 1 MiB is the most that is \
             read", path.display())]
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
    // What grows while it is read, or says that it is empty and is not, is bounded as well.
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(LARGEST_FILE_BYTES + 1).read_to_string(&mut text).map_err(unreadable)?;
    if text.len() as u64 > LARGEST_FILE_BYTES {
        return Err(RoomError::TooLarge { path: path.into(), bytes: text.len() as u64 });
    }
    Ok(Room::from_toml(&path.display().to_string(), &text)?)
}

impl Room {
    /// Reads a room from TOML; see `docs/room.md` for the keys.
    ///
    /// Seats without a height get [`EAR_HEIGHT_M`], spots [`CONE_HEIGHT_M`]. Without any `[[seat]]` there is one called
    /// `seat`. A place outside the walls by no more than a tape errs is taken as it is.
    /// * `label` - what to call the text in messages
    /// # Errors
    /// Unknown keys, sizes that are zero, negative or probably feet, outlines that cross themselves, places outside,
    /// spots in a no-go area or in a door's way, names used twice: each with line, column and remedy.
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
    #[serde(default)]
    door: Vec<WrittenDoor>,
    #[serde(default)]
    socket: Vec<WrittenSocket>,
    subwoofers: Option<Spanned<i64>>,
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenDoor {
    name: Option<String>,
    hinge_m: Spanned<[f64; 2]>,
    latch_m: Spanned<[f64; 2]>,
    #[serde(default)]
    outwards: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenSocket {
    at_m: Spanned<[f64; 2]>,
    lead_m: Option<Spanned<f64>>,
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

    /// Refuses one more of something of which the room has as many already as it may have.
    fn few_enough(&self, already: usize, what: &str, span: Range<usize>, remedy: &str) -> Result<(), TomlError> {
        if already < MOST_PLACES {
            return Ok(());
        }
        self.refuse(span, &format!("there are more than {MOST_PLACES} {what}"), remedy)
    }

    fn room(&self, written: Written) -> Result<Room, TomlError> {
        let floor = self.floor(written.size_m, written.floor_m)?;
        let height_m = written.height_m.map(|height| self.height(&height)).transpose()?;
        let mut room = Room { name: written.name.unwrap_or_else(|| "room".into()), floor, height_m, ..Room::default() };
        let reverberation_s = written.reverberation_s.map(|time| self.reverberation(&time)).transpose()?;
        let corners = room.corners_m();
        room.fittings = Fittings {
            openings: self.openings(written.opening, &corners)?,
            no_go: self.no_go(written.no_go, &corners)?,
            walls: self.walls(written.walls, corners.len())?,
            floor: written.floor,
            ceiling: written.ceiling,
            reverberation_s,
            reach: written.reach.map(|reach| self.cable(&reach, &corners)).transpose()?,
            doors: self.doors(written.door, &corners)?,
            sockets: self.sockets(&written.socket, &corners)?,
            subwoofers: written.subwoofers.map(|count| self.subwoofers(&count)).transpose()?,
        };
        room.seat_weights = self.seat_weights(&written.seat, &written.spot)?;
        room.seats = self.places(written.seat, "seat", EAR_HEIGHT_M, &room)?;
        if room.seats.is_empty() {
            room.seats.push(Place { name: "seat".into(), at_m: None });
        }
        room.spots = self.places(written.spot, "spot", CONE_HEIGHT_M, &room)?;
        Ok(room)
    }
}
