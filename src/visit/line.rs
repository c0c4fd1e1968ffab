//! One line of the file: text to event and back, with its checksum.
//!
//! The checksum is the last member of every line, `,"crc":"xxxxxxxx"}`: the CRC-32 (ISO-HDLC, as in gzip and PNG) of
//! all bytes of the line before that comma, as eight hexadecimal digits. A tool needs no JSON parser to check it.

use serde::de::{DeserializeOwned, IgnoredAny};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::routine::Stamped;
use crate::visit::error::VisitError;
use crate::visit::schema::{Header, MIGRATIONS, SCHEMA, migrate};
use crate::visit::wall::WallTime;

/// An event as it stands in the file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recorded {
    /// Counted from 1 without gaps.
    pub seq: u64,
    /// When it was written down.
    pub wall: WallTime,
    /// What happened, and when on the visit's own clock.
    #[serde(flatten)]
    pub stamped: Stamped,
}

/// `,"crc":"` and `"}` around eight digits.
const SEAL_BEFORE: &[u8] = b",\"crc\":\"";
const SEAL_AFTER: &[u8] = b"\"}";
const SEAL_BYTES: usize = SEAL_BEFORE.len() + 8 + SEAL_AFTER.len();

/// The header as a line, line feed included.
/// # Errors
/// [`VisitError::Unwritable`] if it would not read back as it is.
pub fn header_line(header: &Header) -> Result<String, VisitError> {
    let line = seal(header)?;
    match decode_header(line.trim_end().as_bytes()) {
        Ok(ref back) if back == header => Ok(line),
        Ok(_) => Err(VisitError::Unwritable { why: "the header reads back differently".to_owned() }),
        Err(why) => Err(VisitError::Unwritable { why }),
    }
}

/// An event as a line, line feed included.
/// # Errors
/// [`VisitError::Unwritable`] if it would not read back as it is (a level that is not a finite number, for example).
pub fn event_line(recorded: &Recorded) -> Result<String, VisitError> {
    let line = seal(recorded)?;
    match decode_event(line.trim_end().as_bytes(), SCHEMA, 0) {
        Ok(ref back) if back == recorded => Ok(line),
        Ok(_) => Err(VisitError::Unwritable { why: "it reads back differently".to_owned() }),
        Err(why) => Err(VisitError::Unwritable { why }),
    }
}

fn seal(content: &impl Serialize) -> Result<String, VisitError> {
    let mut line = serde_json::to_string(content).map_err(|error| VisitError::Unwritable { why: error.to_string() })?;
    line.pop();
    let crc = crc32fast::hash(line.as_bytes());
    line.push_str(&format!(",\"crc\":\"{crc:08x}\"}}\n"));
    Ok(line)
}

/// Whether the checksum fits.
fn check_seal(line: &[u8]) -> Result<(), String> {
    let start = line.len().checked_sub(SEAL_BYTES).ok_or("the line is too short to hold a checksum")?;
    let (body, seal) = line.split_at(start);
    let digits = seal
        .strip_prefix(SEAL_BEFORE)
        .and_then(|rest| rest.strip_suffix(SEAL_AFTER))
        .and_then(|digits| std::str::from_utf8(digits).ok())
        .filter(|digits| digits.bytes().all(|digit| matches!(digit, b'0'..=b'9' | b'a'..=b'f')))
        .ok_or("it does not end in a checksum")?;
    let found = format!("{:08x}", crc32fast::hash(body));
    if found == digits {
        Ok(())
    } else {
        Err(format!("its checksum is {found} but should be {digits}, so it was changed or damaged"))
    }
}

#[derive(Deserialize)]
struct EventIn {
    seq: u64,
    wall: WallTime,
    #[serde(rename = "crc")]
    _crc: IgnoredAny,
    #[serde(flatten)]
    stamped: Stamped,
}

/// Reads an event line without its line feed.
/// * `schema` - of the file
/// * `number` - of the line, for migrations
pub(crate) fn decode_event(line: &[u8], schema: u32, number: usize) -> Result<Recorded, String> {
    check_seal(line)?;
    let EventIn { seq, wall, stamped, .. } = parse(line, schema, number)?;
    Ok(Recorded { seq, wall, stamped })
}

#[derive(Deserialize)]
struct HeaderIn {
    #[serde(rename = "crc")]
    _crc: IgnoredAny,
    #[serde(flatten)]
    header: Header,
}

/// Reads the first line without its line feed; the schema it names must not be newer than ours. The header keeps the
/// schema that the file is in.
pub(crate) fn decode_header(line: &[u8]) -> Result<Header, String> {
    let claim = Claim::of(line).ok_or("its first line is not a visit's")?;
    check_seal(line)?;
    let schema = u32::try_from(claim.schema).map_err(|_| "its schema is not a number that ever was")?;
    if schema == 0 {
        return Err("its schema is 0, which never was".to_owned());
    }
    let HeaderIn { header, .. } = parse(line, schema, 1)?;
    Ok(header)
}

/// What the first line of any schema says of itself, now and in future.
#[derive(Deserialize)]
pub(crate) struct Claim {
    pub schema: u64,
    #[serde(default)]
    pub program: String,
}

impl Claim {
    /// `None` if the line is no JSON object with a schema.
    pub fn of(line: &[u8]) -> Option<Self> {
        serde_json::from_slice(line).ok()
    }
}

fn parse<T: DeserializeOwned>(line: &[u8], schema: u32, number: usize) -> Result<T, String> {
    if schema == SCHEMA {
        return serde_json::from_slice(line).map_err(|error| words(&error));
    }
    let mut value: Value = serde_json::from_slice(line).map_err(|error| words(&error))?;
    migrate(MIGRATIONS, schema, number, &mut value)?;
    serde_json::from_value(value).map_err(|error| words(&error))
}

/// The parser counts lines within what it was given, which is always the first; only its column helps.
fn words(error: &serde_json::Error) -> String {
    let text = error.to_string();
    match text.rsplit_once(" at line ") {
        Some((what, _)) if error.column() > 0 => format!("column {}: {what}", error.column()),
        Some((what, _)) => what.to_owned(),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::routine::Event;

    fn louder(at_s: f64) -> Recorded {
        let wall = WallTime::parse("2026-11-25T14:13:10.250+01:00").unwrap();
        Recorded { seq: 3, wall, stamped: Stamped { at_s, event: Event::Louder } }
    }

    #[test]
    fn the_checksum_is_the_one_everybody_knows() {
        // CRC-32/ISO-HDLC check value: 0xcbf43926 for the nine digits (Koopman, CRC zoo; also RFC 1952, section 8).
        assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn a_line_is_a_flat_object_that_ends_in_its_checksum() {
        let line = event_line(&louder(1.5)).unwrap();
        // The checksum was computed with Python's zlib.crc32.
        insta::assert_snapshot!(line.trim_end(),
            @r#"{"seq":3,"wall":"2026-11-25T14:13:10.250+01:00","at_s":1.5,"event":"louder","crc":"694c29d8"}"#);
    }

    #[test]
    fn what_would_not_read_back_is_not_written() {
        let error = event_line(&louder(f64::NAN)).unwrap_err();
        assert!(matches!(error, VisitError::Unwritable { .. }), "{error}");
    }

    #[test]
    fn unknown_members_are_errors_even_with_a_good_checksum() {
        let line = seal(&serde_json::json!({
            "seq": 1, "wall": "2026-11-25T14:13:10.250+01:00", "at_s": 0.0, "event": "paused", "why": "", "by_db": 3
        }))
        .unwrap();
        let error = decode_event(line.trim_end().as_bytes(), SCHEMA, 2).unwrap_err();
        assert!(error.contains("by_db"), "{error}");
    }
}
