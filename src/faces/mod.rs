//! The faces of a visit: each draws the latest [`View`](crate::view::View) and sends [`Action`]s, and knows nothing
//! else.
//!
//! A face is a blocking function that runs on its own thread until it has shown a view that says the program is about
//! to end, or until the conductor's end of the channel is gone. While it is truly there it says so each second; what
//! that means is for each face to decide (the terminal: its event loop turns; lines and JSON: standard input is open;
//! the handset: a page of it can be seen).

mod dialogue;
mod form;
pub mod handset;
pub mod json;
pub mod plain;
pub mod terminal;

mod words;

use std::io;
use std::time::Duration;

pub use crate::view::{FaceId, Wires};

use crate::view::Action;

/// How often a face says that it is still there.
const ALIVE_EVERY: Duration = Duration::from_secs(1);

/// Why a face ended early. The visit itself is unharmed: what was shown as taken is on disk.
#[derive(Debug, thiserror::Error)]
pub enum FaceError {
    /// Standard output is closed or full.
    #[error("cannot write to standard output: {0}")]
    Output(#[source] io::Error),
    /// The terminal does not do what is needed.
    #[error("cannot use this terminal: {0}; `--face lines` does without a full screen")]
    Terminal(#[source] io::Error),
}

/// The conductor is gone; there is nobody left to talk to.
struct Gone;

impl Wires {
    /// Hands an action to the conductor.
    fn send(&self, action: Action) -> Result<(), Gone> {
        self.actions.send((self.face, action)).map_err(|_| Gone)
    }
}

#[cfg(test)]
mod scenes;
#[cfg(test)]
mod stage;
