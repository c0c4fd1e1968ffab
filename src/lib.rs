//! evenbass: known test tones, a guide and a judge for the person who makes a subwoofer vanish into a room.

pub mod acoustics;
pub mod blend;
pub mod cli;
pub mod conductor;
pub mod draw;
pub mod engine;
pub mod evidence;
pub mod faces;
pub mod floor_plan;
pub mod html_page;
pub mod judge;
pub mod presets;
pub mod random;
pub mod rehearsal;
pub mod report;
pub mod room;
pub mod routine;
pub mod signal;
pub mod sound_file;
pub mod stats;
pub mod toml_file;
pub mod units;
pub mod view;
pub mod visit;
