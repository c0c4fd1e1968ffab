//! Pictures: the room's plan, maps over its floor, the spots by notes, curves over frequency. Numbers in, picture out.
//!
//! Each picture comes as SVG (a string, well-formed, without scripts or outside references) and as text for terminals.
//! What matters is said by shape and word; colour only repeats it. The same numbers give the same bytes.

mod contours;
pub mod curves;
pub mod floor_map;
pub mod plan;
pub mod signal_picture;
pub mod spots_by_notes;
pub mod steps;
mod svg;
mod text;
pub mod theme;

pub use curves::{Curve, Curves, Point};
pub use floor_map::{FloorMap, Step};
pub use plan::{Area, Gap, Mark, Plan, Role, Tape};
pub use spots_by_notes::{Cell, Column, Note, SpotsByNotes};
pub use text::Glyphs;
pub use theme::Theme;
