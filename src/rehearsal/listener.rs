//! A listener of our own making: hears in phon, has a contour, a mood per stay, doubts and lapses.

use crate::acoustics::equal_loudness::{level_for_phon, phon_for_level};
use crate::evidence::Rating;
use crate::presets::ListenerTraits;
use crate::random::Random;
use crate::rehearsal::VirtualRoom;
use crate::units::{DbSpl, GainDb};
use crate::view::MatchAtSpot;

const LISTENER: u64 = 0x6c_69_73_74;
/// The loudness at which the visit's tones are taken to arrive, phon.
const LOUDNESS_PHON: f64 = 50.0;
/// Where the listener's own contour is drawn, octaves over 16 Hz.
const CONTOUR_KNOTS: usize = 9;
const CONTOUR_STEP_OCTAVES: f64 = 0.5;

/// Differences of loudness below this pass for none, dB (*from memory*: just-noticeable differences of level are about
/// 1 dB in the bass; a person who nudges to and fro finds the middle of them).
const JUST_HEARD_DB: f64 = 0.5;

/// A note against the reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compared {
    /// The note is the softer one.
    Softer,
    /// As loud.
    Alike,
    /// The note is the louder one.
    Louder,
    /// Not as loud, and it cannot be nudged any further that way.
    OutOfReach,
}

/// Somebody who rates notes in a virtual room.
pub struct SimulatedListener {
    room: VirtualRoom,
    traits: ListenerTraits,
    random: Random,
    borders_db: [f64; 6],
    contour_db: [f64; CONTOUR_KNOTS],
    mood_db: f64,
    spot: Option<usize>,
    seat: usize,
    /// The run of a match that was heard last (spot, note, run), and the doubt in it, dB.
    run: Option<((usize, usize, u8), f64)>,
}

impl SimulatedListener {
    /// A listener with these traits, wholly determined by the seed.
    pub fn new(room: VirtualRoom, traits: ListenerTraits, seed: u64) -> Self {
        let mut random = Random::new(seed, LISTENER);
        let stretch = libm::exp(traits.border_spread * random.normal());
        let borders_db = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0].map(|border: f64| border * stretch);
        let contour_db = [(); CONTOUR_KNOTS].map(|()| traits.contour_db * random.normal());
        Self { room, traits, random, borders_db, contour_db, mood_db: 0.0, spot: None, seat: 0, run: None }
    }

    /// Arrives at a spot, with a new idea of what 'even' is.
    pub fn arrive(&mut self, spot: usize) {
        self.spot = Some(spot);
        self.mood_db = self.traits.mood_db * self.random.normal();
    }

    /// Hears for this seat from now on: sits there, or the subwoofer stands on it.
    pub fn hear_for(&mut self, seat: usize) -> &mut Self {
        self.seat = seat;
        self
    }

    /// Rates one note against the notes of the spot as a whole.
    pub fn rate(&mut self, frequency_hz: f64, half_width_octaves: f64, shortfall_db: f64, notes_hz: &[f64]) -> Rating {
        let at = if self.random.uniform() < self.traits.lapses {
            self.random.below(Rating::ALL.len())
        } else {
            let heard_db = self.heard_db(frequency_hz, half_width_octaves, shortfall_db, notes_hz);
            self.borders_db.iter().filter(|border| heard_db > **border).count()
        };
        Rating::ALL[at]
    }

    /// Compares a note that is being matched with the reference, by ear. The doubt is one for each run, and nudges
    /// within half a decibel of 'as loud' are not told apart.
    pub fn compare(&mut self, open: &MatchAtSpot, notes_hz: &[f64]) -> Compared {
        let run = (open.note.spot, open.note.note, open.run);
        if self.run.is_none_or(|(known, _)| known != run) {
            self.run = Some((run, self.traits.doubt_db * self.random.normal()));
        }
        let doubt_db = self.run.map_or(0.0, |(_, doubt_db)| doubt_db);
        let mean_db = self.mean_level_db(open.note.half_width_octaves, notes_hz);
        let note_db = self.level_db(open.note.frequency_hz, open.note.half_width_octaves) - mean_db + open.offset_db;
        let reference_db = self.level_db(open.reference_hz, open.reference_half_width_octaves) - mean_db;
        let louder_db = self.loudness_db(open.note.frequency_hz, note_db)
            - self.loudness_db(open.reference_hz, reference_db)
            + doubt_db;
        if louder_db.abs() <= JUST_HEARD_DB {
            Compared::Alike
        } else if louder_db > 0.0 {
            if open.offset_db <= open.lowest_offset_db + 1e-9 { Compared::OutOfReach } else { Compared::Louder }
        } else if open.offset_db >= open.highest_offset_db - 1e-9 {
            Compared::OutOfReach
        } else {
            Compared::Softer
        }
    }

    /// Reads a sound level meter.
    pub fn read_meter(&mut self, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        let level_db =
            75.0 + self.level_db(frequency_hz, half_width_octaves) + self.traits.meter_db * self.random.normal();
        (level_db * 10.0).round() / 10.0
    }

    fn level_db(&self, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        self.spot.map_or(0.0, |spot| self.room.level_db(self.seat, spot, frequency_hz, half_width_octaves))
    }

    /// How far a note seems to stand out, in dB of a mid-bass tone.
    fn heard_db(&mut self, frequency_hz: f64, half_width_octaves: f64, shortfall_db: f64, notes_hz: &[f64]) -> f64 {
        let mean_db = self.mean_level_db(half_width_octaves, notes_hz);
        let over_db = self.level_db(frequency_hz, half_width_octaves) - mean_db - shortfall_db;
        self.loudness_db(frequency_hz, over_db) + self.mood_db + self.traits.doubt_db * self.random.normal()
    }

    fn mean_level_db(&self, half_width_octaves: f64, notes_hz: &[f64]) -> f64 {
        let levels_db: Vec<f64> = notes_hz.iter().map(|&hz| self.level_db(hz, half_width_octaves)).collect();
        levels_db.iter().sum::<f64>() / levels_db.len().max(1) as f64
    }

    /// How loud a tone is that lies so far over equal loudness, in dB of a mid-bass tone, with this listener's own
    /// contour.
    fn loudness_db(&self, frequency_hz: f64, over_db: f64) -> f64 {
        // ISO 226: a decibel counts for more the lower the note.
        let phon = level_for_phon(frequency_hz, LOUDNESS_PHON)
            .and_then(|level| phon_for_level(frequency_hz, level + GainDb::new(over_db)))
            .unwrap_or(LOUDNESS_PHON + over_db);
        (phon - LOUDNESS_PHON) / phon_step(63.0) + self.contour_at(frequency_hz)
    }

    fn contour_at(&self, frequency_hz: f64) -> f64 {
        let position = (libm::log2(frequency_hz / 16.0) / CONTOUR_STEP_OCTAVES).clamp(0.0, (CONTOUR_KNOTS - 1) as f64);
        let below = (position as usize).min(CONTOUR_KNOTS - 2);
        let share = position - below as f64;
        self.contour_db[below] * (1.0 - share) + self.contour_db[below + 1] * share
    }
}

/// How many phon a decibel is worth at a frequency, around the assumed loudness.
fn phon_step(frequency_hz: f64) -> f64 {
    level_for_phon(frequency_hz, LOUDNESS_PHON)
        .and_then(|level: DbSpl| {
            let above = phon_for_level(frequency_hz, level + GainDb::new(0.5))?;
            Some(above - phon_for_level(frequency_hz, level - GainDb::new(0.5))?)
        })
        .unwrap_or(1.0)
}
