//! The set-up sheet and the exports: what was found, how sure that is, and what it rests on.
//!
//! A report is made from [`Facts`] alone, which come from the visit file and the judge. The same facts give the same
//! bytes: times and the program's version are part of them.

mod blend;
mod detail;
mod export;
mod facts;
mod gather;
mod pictures;
mod sheet;
mod why;
mod words;
mod write;

pub use blend::{BlendFacts, ControlFacts, PredictedFacts, SinceFacts};
pub use export::{EXPORT_VERSION, evidence_csv, evidence_json};
pub use facts::{Facts, Guarded, NoteLevel, StayFacts};
pub use gather::facts_of;
pub use pictures::{curves, spots_by_notes};
pub use sheet::sheet;
pub use why::{Agreement, agreement, agreement_words};
pub use words::odds;
pub use write::{ReportError, Written, write};
