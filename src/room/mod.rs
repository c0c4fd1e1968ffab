//! The room: its plan, and what its shape does to bass.
//!
//! Positions are metres in a right-handed frame: x along the length, y along the width, z up from the floor.

mod added_spots;
mod draws;
mod eigen;
mod elements;
pub mod ensemble;
pub mod explain;
pub mod field;
pub mod forecast;
pub mod green;
mod load;
pub mod map;
mod mesh;
pub mod modes;
mod outline;
pub mod pairs;
pub mod plan;
mod port;
pub mod study;
pub mod suggest;
pub mod table;
pub mod walk;
mod walls;
mod waves;

pub use load::{CONE_HEIGHT_M, EAR_HEIGHT_M, MOST_PLACES, RoomError, load};
pub use plan::{Floor, Place, Room};
pub use study::{Study, StudyError, study};
