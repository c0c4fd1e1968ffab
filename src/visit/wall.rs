//! Wall-clock time as it is written down: an instant and the offset from UTC that the clock on the wall showed.
//!
//! The offset is kept instead of a zone's rules, so that a file reads the same on a machine without a zone database.

use std::fmt;

use jiff::fmt::temporal::Pieces;
use jiff::tz::{Offset, TimeZone};
use jiff::{Timestamp, ZonedDateTime};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// An instant with the local offset, to the millisecond; written as RFC 3339 (`2026-11-25T14:13:10.250+01:00`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WallTime {
    at: Timestamp,
    offset: Offset,
}

impl WallTime {
    /// The time that a clock on the wall shows now.
    pub fn now() -> Self {
        Self::from_zoned(&ZonedDateTime::now())
    }

    /// Cut to the millisecond; of the zone, the offset in force then is kept.
    pub fn from_zoned(zoned: &ZonedDateTime) -> Self {
        let milliseconds = zoned.timestamp().as_millisecond();
        let at = Timestamp::from_millisecond(milliseconds).unwrap_or(zoned.timestamp());
        Self { at, offset: zoned.offset() }
    }

    /// Reads RFC 3339 with an offset.
    /// # Errors
    /// What is wrong with the text, in words.
    pub fn parse(text: &str) -> Result<Self, String> {
        let pieces = Pieces::parse(text).map_err(|error| format!("'{text}' is not a time: {error}"))?;
        let time = pieces.time().ok_or_else(|| format!("'{text}' has no time of day"))?;
        let offset = pieces.to_numeric_offset().ok_or_else(|| format!("'{text}' has no offset from UTC"))?;
        let at = offset.to_timestamp(pieces.date().to_datetime(time)).map_err(|error| format!("'{text}': {error}"))?;
        Ok(Self { at, offset })
    }

    /// The instant.
    pub fn timestamp(self) -> Timestamp {
        self.at
    }

    /// Local date and time at the written offset.
    pub fn local(self) -> ZonedDateTime {
        self.at.to_zoned_datetime(TimeZone::fixed(self.offset))
    }
}

impl fmt::Display for WallTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3}", self.at.display_with_offset(self.offset))
    }
}

impl Serialize for WallTime {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for WallTime {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_written_form_reads_back_with_its_offset() {
        for text in ["2026-11-25T14:13:10.250+01:00", "2026-07-01T00:00:00.000-03:30", "2026-01-01T12:00:00.001+00:00"]
        {
            let time = WallTime::parse(text).unwrap();
            assert_eq!(time.to_string(), text);
        }
    }

    #[test]
    fn a_time_without_an_offset_is_refused() {
        assert!(WallTime::parse("2026-11-25T14:13:10").unwrap_err().contains("offset"));
        assert!(WallTime::parse("yesterday").is_err());
    }

    #[test]
    fn local_time_is_what_the_clock_on_the_wall_showed() {
        let time = WallTime::parse("2026-11-25T14:13:10.250+01:00").unwrap();
        assert_eq!(time.local().hour(), 14);
    }
}
