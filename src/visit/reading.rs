//! A whole file to header and events; what is torn, what is damaged.

use std::fs;
use std::io;
use std::path::Path;

use crate::visit::error::VisitError;
use crate::visit::line::{Claim, Recorded, decode_event, decode_header};
use crate::visit::schema::{Header, SCHEMA};

/// What a visit file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Opened {
    /// The first line.
    pub header: Header,
    /// All whole events in order.
    pub events: Vec<Recorded>,
    /// Something to tell the person: the program had been stopped in the middle of writing.
    pub notice: Option<TornTail>,
}

/// What stood at the end of the file without a line feed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TornTail {
    /// Which line, counted from 1.
    pub line: usize,
    /// Its bytes.
    pub bytes: usize,
    /// The line was whole but for its line feed, and counts; otherwise it was cut.
    pub kept: bool,
}

impl TornTail {
    /// The same for those who only look: the file stays as it is.
    pub fn words_for_readers(&self) -> String {
        if self.kept {
            return self.words();
        }
        format!(
            "The last line of the visit file (line {}, {} bytes) had not been written to its end when the program \
             stopped; it is passed over, and the file stays as it is. It had never been shown as taken.",
            self.line, self.bytes
        )
    }

    /// One sentence for the person, once the file has been opened for writing and repaired.
    pub fn words(&self) -> String {
        if self.kept {
            format!("The last line of the visit file (line {}) was whole but not ended; it counts.", self.line)
        } else {
            format!(
                "The last line of the visit file (line {}) had not been written to its end when the program stopped, \
                 and was cut ({} bytes). It had never been shown as taken.",
                self.line, self.bytes
            )
        }
    }
}

/// Reads a visit file without locking or repairing it: for ranking and reports, also while a visit goes on.
/// # Errors
/// See [`VisitError`]: missing, not a visit, newer, damaged in the middle.
pub fn read(path: &Path) -> Result<Opened, VisitError> {
    let bytes = fs::read(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => VisitError::Missing(path.to_path_buf()),
        _ => VisitError::io(path, "read", error),
    })?;
    parse(path, &bytes).map(|parsed| parsed.opened)
}

/// What [`parse`] found, and where the sound part of the file ends.
pub(crate) struct Parsed {
    pub opened: Opened,
    /// Bytes up to and including the last whole line (a kept tail without its line feed included).
    pub good_bytes: u64,
}

pub(crate) fn parse(path: &Path, bytes: &[u8]) -> Result<Parsed, VisitError> {
    let (whole, tail) = split_tail(bytes);
    let mut lines = whole.split(|byte| *byte == b'\n');
    // The last line feed leaves one empty piece behind it.
    let count = whole.iter().filter(|byte| **byte == b'\n').count();
    let header = if count == 0 {
        header_of(path, tail, false)
    } else {
        header_of(path, lines.next().unwrap_or_default(), true)
    }?;
    let mut events = Vec::with_capacity(count);
    for (index, line) in lines.take(count.saturating_sub(1)).enumerate() {
        let number = index + 2;
        let bad = |why| VisitError::BadLine { path: path.to_path_buf(), line: number, why };
        events.push(next_event(line, header.schema, number).map_err(bad)?);
    }
    let tail_line = count + 1;
    let notice = if tail.is_empty() {
        None
    } else if count == 0 {
        Some(TornTail { line: 1, bytes: tail.len(), kept: true })
    } else {
        let last = next_event(tail, header.schema, tail_line).ok();
        let kept = last.is_some();
        events.extend(last);
        Some(TornTail { line: tail_line, bytes: tail.len(), kept })
    };
    let kept_bytes = if notice.as_ref().is_some_and(|tail| tail.kept) { tail.len() } else { 0 };
    Ok(Parsed { opened: Opened { header, events, notice }, good_bytes: (whole.len() + kept_bytes) as u64 })
}

/// The part that ends in a line feed, and what stands behind it.
fn split_tail(bytes: &[u8]) -> (&[u8], &[u8]) {
    let end = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |last| last + 1);
    bytes.split_at(end)
}

fn header_of(path: &Path, line: &[u8], ended: bool) -> Result<Header, VisitError> {
    let not_a_visit = |why: String| VisitError::NotAVisit { path: path.to_path_buf(), why };
    if line.is_empty() {
        return Err(not_a_visit(if ended { "its first line is empty" } else { "it is empty" }.to_owned()));
    }
    match Claim::of(line) {
        Some(claim) if claim.schema > u64::from(SCHEMA) => {
            let program = if claim.program.is_empty() { "another program".to_owned() } else { claim.program };
            Err(VisitError::Newer { path: path.to_path_buf(), schema: claim.schema, program })
        }
        _ => decode_header(line).map_err(|why| not_a_visit(format!("line 1: {why}"))),
    }
}

/// Decodes line `number`, whose sequence number must be one less than its own.
fn next_event(line: &[u8], schema: u32, number: usize) -> Result<Recorded, String> {
    if line.is_empty() {
        return Err("the line is empty".to_owned());
    }
    let recorded = decode_event(line, schema, number)?;
    let expected = (number - 1) as u64;
    if recorded.seq == expected {
        Ok(recorded)
    } else {
        Err(format!(
            "its sequence number is {} where {expected} should follow, so lines are missing, doubled or moved",
            recorded.seq
        ))
    }
}
