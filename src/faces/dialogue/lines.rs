//! Lines of input, read on a thread of their own and bounded in length.

use std::io::{BufRead, BufReader, Read};
use std::thread;

use crossbeam_channel::{Receiver, bounded};

/// Bytes in a line. Nothing that can be said is longer.
pub(super) const LINE_BYTES: u64 = 64 * 1024;

/// A line of input, or why there is none.
pub(super) enum Line {
    Text(String),
    TooLong,
}

/// Reads lines on a thread of their own, since reading cannot be given up; it ends with the input or with the process.
pub(super) fn read_lines(input: impl Read + Send + 'static) -> Receiver<Line> {
    let (sender, receiver) = bounded(64);
    thread::spawn(move || {
        let mut input = BufReader::new(input);
        while let Some(line) = read_line(&mut input) {
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    receiver
}

/// One line without its end; `None` when the input has ended or cannot be read.
fn read_line(input: &mut impl BufRead) -> Option<Line> {
    let mut bytes = Vec::new();
    input.by_ref().take(LINE_BYTES + 1).read_until(b'\n', &mut bytes).ok().filter(|&n| n > 0)?;
    let whole = bytes.last() == Some(&b'\n');
    if !whole && bytes.len() as u64 > LINE_BYTES {
        skip_line(input)?;
        return Some(Line::TooLong);
    }
    while matches!(bytes.last(), Some(b'\n' | b'\r')) {
        bytes.pop();
    }
    Some(Line::Text(String::from_utf8_lossy(&bytes).into_owned()))
}

/// Passes over the rest of a line without keeping it.
fn skip_line(input: &mut impl BufRead) -> Option<()> {
    loop {
        let buffer = input.fill_buf().ok()?;
        if buffer.is_empty() {
            return Some(());
        }
        let end = buffer.iter().position(|&byte| byte == b'\n');
        let used = end.map_or(buffer.len(), |position| position + 1);
        input.consume(used);
        if end.is_some() {
            return Some(());
        }
    }
}
