//! The visit file: everything that happened in a visit, one line an event, on disk before it is shown as taken.
//!
//! * [`Journal`] is the writer: one at a time, each event whole and synced, or not there at all.
//! * [`read`] is for those who only look: no lock, no repair.
//! * [`spawn`] puts a journal on its own thread.
//!
//! The format is described in `docs/visit-file.md`. Control threads only: every write waits for the disk.

mod error;
mod journal;
mod line;
mod reading;
mod schema;
mod storage;
mod thread;
mod wall;

pub use error::VisitError;
pub use journal::{Journal, WallClock};
pub use line::{Recorded, event_line, header_line};
pub use reading::{Opened, TornTail, read};
pub use schema::{Header, SCHEMA};
pub use storage::{FileStorage, Storage};
pub use thread::{JournalHandle, JournalMoment, QUEUE, Refused, Ticket, spawn};
pub use wall::WallTime;

/// What the name of a visit file ends in.
pub const SUFFIX: &str = ".visit.jsonl";

/// The name that the files beside a visit file share with it: its own without [`SUFFIX`].
pub fn name_of(file: &std::path::Path) -> String {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    name.strip_suffix(SUFFIX).unwrap_or(&name).to_owned()
}
