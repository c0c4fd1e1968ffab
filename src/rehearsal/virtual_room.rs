//! What a subwoofer at each spot would sound like from the seat: from the room's standing waves, or from a table of
//! measured or simulated responses.

use thiserror::Error;

use crate::room::Room;
use crate::room::field::RoomField;
use crate::room::table::ResponseTable;

/// The standing waves are summed up to this frequency.
const UP_TO_HZ: f64 = 260.0;

/// Levels at one seat from every spot of a room.
pub struct VirtualRoom {
    source: Source,
    seat: String,
    spots: Vec<String>,
}

enum Source {
    Waves { field: RoomField, seat_m: [f64; 3], spots_m: Vec<[f64; 3]> },
    Table(ResponseTable),
}

/// Why there is no virtual room.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum VirtualRoomError {
    /// The room file has no dimensions or positions to compute from.
    #[error(
        "the virtual room cannot be computed: {missing} is not known. Give `size_m`, `height_m` and every `at_m` in the \
         room file, or a table of responses with --response"
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
    /// Computes the room from its dimensions.
    /// # Errors
    /// [`VirtualRoomError::Unmeasured`] names what is missing.
    pub fn from_waves(room: &Room, seat: usize) -> Result<Self, VirtualRoomError> {
        let missing = |missing: &str| VirtualRoomError::Unmeasured { missing: missing.into() };
        let field = RoomField::new(room, UP_TO_HZ).ok_or_else(|| missing("the room's size or height"))?;
        let place = |place: &crate::room::Place| place.at_m.ok_or_else(|| missing(&format!("where {} is", place.name)));
        let seat_m = place(room.seats.get(seat).ok_or_else(|| missing("the seat"))?)?;
        let spots_m = room.spots.iter().map(place).collect::<Result<_, _>>()?;
        Ok(Self::new(Source::Waves { field, seat_m, spots_m }, room, seat))
    }

    /// Reads the room off a table of responses.
    /// # Errors
    /// [`VirtualRoomError::NotInTable`] names the seat or spot that has no rows.
    pub fn from_table(table: ResponseTable, room: &Room, seat: usize) -> Result<Self, VirtualRoomError> {
        let seat_name = &room.seats[seat].name;
        let not_in_table = |place: &str, known: &[String]| VirtualRoomError::NotInTable {
            place: place.into(),
            known: known.join(", "),
        };
        if !table.seats().contains(seat_name) {
            return Err(not_in_table(seat_name, table.seats()));
        }
        if let Some(spot) = room.spots.iter().find(|spot| table.response(seat_name, &spot.name).is_none()) {
            return Err(not_in_table(&spot.name, table.spots()));
        }
        Ok(Self::new(Source::Table(table), room, seat))
    }

    fn new(source: Source, room: &Room, seat: usize) -> Self {
        let spots = room.spots.iter().map(|spot| spot.name.clone()).collect();
        Self { source, seat: room.seats[seat].name.clone(), spots }
    }

    /// Level of a tone from a spot, dB on a scale of the room's own.
    ///
    /// A frequency that a table does not hold gives the level of nothing in particular: 0 dB.
    pub fn level_db(&self, spot: usize, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        match &self.source {
            Source::Waves { field, seat_m, spots_m } => {
                field.levels_db(spots_m[spot], *seat_m, &[frequency_hz], half_width_octaves)[0]
            }
            Source::Table(table) => {
                table.level_db(&self.seat, &self.spots[spot], frequency_hz, half_width_octaves).unwrap_or(0.0)
            }
        }
    }
}
