//! Musical notes: equal temperament, and the note that a frequency is nearest to.
//!
//! Source: ISO 16:1975 for A4 = 440 Hz; the twelfth root of two for a semitone is arithmetic.

use std::fmt;

/// The standard tuning frequency, ISO 16:1975.
pub const A4_HZ: f64 = 440.0;

/// MIDI number of A4, from which all others count in semitones.
const A4_MIDI: i32 = 69;

const NAMES: [&str; 12] = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];

/// A note of the equal-tempered scale: its MIDI number, 60 for C4.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Note(i32);

impl Note {
    /// The note with this MIDI number.
    pub const fn from_midi(number: i32) -> Self {
        Self(number)
    }

    /// MIDI number, 69 for A4.
    pub const fn midi(self) -> i32 {
        self.0
    }

    /// The frequency of the note in hertz where A4 is tuned to `a4_hz`.
    pub fn frequency_hz(self, a4_hz: f64) -> f64 {
        a4_hz * libm::exp2(f64::from(self.0 - A4_MIDI) / 12.0)
    }

    /// Reads a name in scientific pitch notation: `E1`, `F#2`, `Bb0`, `C-1`. `None` if it is not one.
    pub fn parse(name: &str) -> Option<Self> {
        let mut letters = name.chars();
        let step = match letters.next()?.to_ascii_uppercase() {
            'C' => 0,
            'D' => 2,
            'E' => 4,
            'F' => 5,
            'G' => 7,
            'A' => 9,
            'B' => 11,
            _ => return None,
        };
        let rest = letters.as_str();
        let (alteration, octave) = match rest.chars().next()? {
            '#' | '♯' => (1, rest.trim_start_matches(['#', '♯'])),
            'b' | '♭' => (-1, rest.trim_start_matches(['b', '♭'])),
            _ => (0, rest),
        };
        // One accidental at most: 'F##1' has been trimmed to '1' and is longer than it may be.
        if rest.chars().count() - octave.chars().count() > 1 || octave.starts_with('+') {
            return None;
        }
        let octave: i32 = octave.parse().ok().filter(|octave| (-1..=10).contains(octave))?;
        Some(Self(12 * (octave + 1) + step + alteration))
    }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = NAMES[self.0.rem_euclid(12) as usize];
        write!(f, "{name}{}", self.0.div_euclid(12) - 1)
    }
}

/// The nearest note to a frequency and how far away it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// The note of the scale.
    pub note: Note,
    /// By how much the frequency lies above the note, in cents: -50 to 50.
    pub cents: f64,
}

impl fmt::Display for Nearest {
    /// `E1`, or `E1 +12 cents` where the difference is at least half a cent.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.cents.abs() < 0.5 {
            write!(f, "{}", self.note)
        } else {
            write!(f, "{} {:+.0} cents", self.note, self.cents)
        }
    }
}

/// The note nearest to `frequency_hz` where A4 is tuned to `a4_hz`; `None` unless both are positive and finite.
///
/// # Example
/// ```
/// use evenbass::acoustics::notes::{A4_HZ, nearest};
/// assert_eq!(nearest(41.2034, A4_HZ).unwrap().to_string(), "E1");
/// ```
pub fn nearest(frequency_hz: f64, a4_hz: f64) -> Option<Nearest> {
    let positive = |hz: f64| hz.is_finite() && hz > 0.0;
    if !positive(frequency_hz) || !positive(a4_hz) {
        return None;
    }
    let semitones = 12.0 * libm::log2(frequency_hz / a4_hz);
    let whole = libm::round(semitones);
    Some(Nearest { note: Note(A4_MIDI + whole as i32), cents: 100.0 * (semitones - whole) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_have_their_tabulated_frequencies() {
        // ISO 16:1975 and equal temperament; MIDI numbers and frequencies as printed in any table of notes.
        for (name, midi, hz) in [
            ("C0", 12, 16.3516),
            ("A0", 21, 27.5000),
            ("B0", 23, 30.8677),
            ("C1", 24, 32.7032),
            ("E1", 28, 41.2034),
            ("A1", 33, 55.0000),
            ("D2", 38, 73.4162),
            ("G2", 43, 97.9989),
            ("A#2", 46, 116.5409),
            ("C4", 60, 261.6256),
        ] {
            let note = Note::parse(name).unwrap();
            assert_eq!(note.midi(), midi);
            assert_eq!(note.to_string(), name);
            assert!((note.frequency_hz(A4_HZ) - hz).abs() < 6e-5, "{name}");
        }
    }

    #[test]
    fn flats_and_other_tunings_are_understood() {
        assert_eq!(Note::parse("Bb0"), Note::parse("A#0"));
        assert_eq!(Note::parse("c-1").unwrap().midi(), 0);
        assert!((Note::parse("A1").unwrap().frequency_hz(442.0) - 55.25).abs() < 1e-12);
        for wrong in ["", "H1", "E", "E##1", "1E", "E+1", "E1.5", "Ebb1"] {
            assert_eq!(Note::parse(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn the_nearest_note_is_at_most_half_a_semitone_away() {
        for step in 0..2000 {
            let hz = 16.0 * 1.003_f64.powi(step);
            let found = nearest(hz, A4_HZ).unwrap();
            assert!(found.cents.abs() <= 50.0 + 1e-9);
            // 1.0005777895065548 is the ratio of a cent.
            let rebuilt = found.note.frequency_hz(A4_HZ) * 1.000_577_789_506_554_8_f64.powf(found.cents);
            assert!((rebuilt / hz - 1.0).abs() < 1e-12);
        }
        assert_eq!(nearest(50.0, A4_HZ).unwrap().to_string(), "G1 +35 cents");
        assert_eq!(nearest(0.0, A4_HZ), None);
        assert_eq!(nearest(f64::NAN, A4_HZ), None);
    }
}
