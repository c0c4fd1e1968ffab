//! The JSON face: a question a line on standard output, an answer a line on standard input. `docs/json-face.md` is its
//! description for those who write the other side.

mod reading;
mod writing;

#[cfg(test)]
mod tests;

use std::io::{Read, Write};

use crate::faces::dialogue::{self, Meaning, News, Reply, Tongue, Unfit};
use crate::faces::{FaceError, Wires};
use crate::view::{Question, View};

/// Talks JSON until the visit ends: returns when `done` (or `left`) was written, or when the conductor is gone.
///
/// The end of `input` means that the person left. `output` is flushed after each line.
///
/// # Errors
/// [`FaceError::Output`]: nobody reads the questions any more; the visit has been asked to close.
pub fn run(wires: Wires, input: impl Read + Send + 'static, output: impl Write) -> Result<(), FaceError> {
    dialogue::run(wires, Json, input, output)
}

struct Json;

impl Tongue for Json {
    fn question(&mut self, view: &View, question: &Question, asked: u32) -> String {
        writing::question(view, question, asked)
    }

    fn news(&mut self, news: News<'_>) -> Option<String> {
        Some(writing::news(news))
    }

    fn meaning(&self, line: &str, _open: Option<&Question>) -> Meaning {
        reading::meaning(line)
    }

    fn reply(&mut self, line: &str, question: &Question) -> Result<Reply, Unfit> {
        reading::reply(line, question)
    }
}
