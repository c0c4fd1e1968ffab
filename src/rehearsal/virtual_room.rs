//! What a subwoofer at each spot would sound like from the seat: from the room's standing waves, or from a table of
//! measured or simulated responses.

use thiserror::Error;

use crate::room::Room;
use crate::room::field::RoomField;
use crate::room::table::ResponseTable;

/// The standing waves are summed up to this frequency.
const UP_TO_HZ: f64 = 260.0;

/// Levels at the seats of a room from every spot.
pub struct VirtualRoom {
    source: Source,
    seats: Vec<String>,
    spots: Vec<String>,
}

enum Source {
    Waves { field: RoomField, seats_m: Vec<Option<[f64; 3]>>, spots_m: Vec<[f64; 3]> },
    Table(ResponseTable),
}

/// Why there is no virtual room.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum VirtualRoomError {
    /// The room file has no dimensions or positions to compute from.
    #[error(
        "the virtual room cannot be computed: {missing} is not known. Give `size_m`, `height_m` and every `at_m` in \
         the room file, or a table of responses with --response"
    )]
    Unmeasured {
        /// What is missing.
        missing: String,
    },
    /// The table does not hold a place that the room names.
    #[error("the response table has no rows for {place}. It knows: {known}")]
    NotInTable {
        /// The seat or spot.
        place: String,
        /// What the table has.
        known: String,
    },
}

impl VirtualRoom {
    /// Computes the room from its dimensions, for the seats at these positions in its list.
    /// # Errors
    /// [`VirtualRoomError::Unmeasured`] names what is missing.
    pub fn from_waves(room: &Room, seats: &[usize]) -> Result<Self, VirtualRoomError> {
        let missing = |missing: &str| VirtualRoomError::Unmeasured { missing: missing.into() };
        let field = RoomField::new(room, UP_TO_HZ).ok_or_else(|| missing("the room's size or height"))?;
        let place = |place: &crate::room::Place| place.at_m.ok_or_else(|| missing(&format!("where {} is", place.name)));
        for &seat in seats {
            place(room.seats.get(seat).ok_or_else(|| missing("the seat"))?)?;
        }
        let seats_m = room.seats.iter().map(|seat| seat.at_m).collect();
        let spots_m = room.spots.iter().map(place).collect::<Result<_, _>>()?;
        Ok(Self::new(Source::Waves { field, seats_m, spots_m }, room))
    }

    /// Reads the room off a table of responses, for the seats at these positions in the room's list.
    /// # Errors
    /// [`VirtualRoomError::NotInTable`] names the seat or spot that has no rows.
    pub fn from_table(table: ResponseTable, room: &Room, seats: &[usize]) -> Result<Self, VirtualRoomError> {
        let not_in_table = |place: &str, known: &[String]| VirtualRoomError::NotInTable {
            place: place.into(),
            known: known.join(", "),
        };
        for seat_name in seats.iter().filter_map(|&seat| room.seats.get(seat)).map(|seat| &seat.name) {
            if !table.seats().contains(seat_name) {
                return Err(not_in_table(seat_name, table.seats()));
            }
            if let Some(spot) = room.spots.iter().find(|spot| table.response(seat_name, &spot.name).is_none()) {
                return Err(not_in_table(&spot.name, table.spots()));
            }
        }
        Ok(Self::new(Source::Table(table), room))
    }

    fn new(source: Source, room: &Room) -> Self {
        let names = |places: &[crate::room::Place]| places.iter().map(|place| place.name.clone()).collect();
        Self { source, seats: names(&room.seats), spots: names(&room.spots) }
    }

    /// Level of a tone at a seat from a spot, dB on a scale of the room's own.
    ///
    /// A frequency or seat that is not known gives the level of nothing in particular: 0 dB.
    pub fn level_db(&self, seat: usize, spot: usize, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        match &self.source {
            Source::Waves { field, seats_m, spots_m } => match seats_m.get(seat) {
                Some(Some(seat_m)) => field.levels_db(spots_m[spot], *seat_m, &[frequency_hz], half_width_octaves)[0],
                _ => 0.0,
            },
            Source::Table(table) => self
                .seats
                .get(seat)
                .and_then(|seat| table.level_db(seat, &self.spots[spot], frequency_hz, half_width_octaves))
                .unwrap_or(0.0),
        }
    }
}
