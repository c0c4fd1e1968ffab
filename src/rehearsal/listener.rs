//! A listener of our own making: hears in phon, has a contour, a mood per stay, doubts and lapses.

use crate::acoustics::equal_loudness::{level_for_phon, phon_for_level};
use crate::evidence::Rating;
use crate::presets::ListenerTraits;
use crate::random::Random;
use crate::rehearsal::VirtualRoom;
use crate::units::{DbSpl, GainDb};

const LISTENER: u64 = 0x6c_69_73_74;
/// The loudness at which the visit's tones are taken to arrive, phon.
const LOUDNESS_PHON: f64 = 50.0;
/// Where the listener's own contour is drawn, octaves over 16 Hz.
const CONTOUR_KNOTS: usize = 9;
const CONTOUR_STEP_OCTAVES: f64 = 0.5;

/// Somebody who rates notes in a virtual room.
pub struct SimulatedListener {
    room: VirtualRoom,
    traits: ListenerTraits,
    random: Random,
    borders_db: [f64; 6],
    contour_db: [f64; CONTOUR_KNOTS],
    mood_db: f64,
    spot: Option<usize>,
}

impl SimulatedListener {
    /// A listener with these traits, wholly determined by the seed.
    pub fn new(room: VirtualRoom, traits: ListenerTraits, seed: u64) -> Self {
        let mut random = Random::new(seed, LISTENER);
        let stretch = libm::exp(traits.border_spread * random.normal());
        let borders_db = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0].map(|border: f64| border * stretch);
        let contour_db = [(); CONTOUR_KNOTS].map(|()| traits.contour_db * random.normal());
        Self { room, traits, random, borders_db, contour_db, mood_db: 0.0, spot: None }
    }

    /// Arrives at a spot, with a new idea of what 'even' is.
    pub fn arrive(&mut self, spot: usize) {
        self.spot = Some(spot);
        self.mood_db = self.traits.mood_db * self.random.normal();
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

    /// Reads a sound level meter.
    pub fn read_meter(&mut self, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        let level_db =
            75.0 + self.level_db(frequency_hz, half_width_octaves) + self.traits.meter_db * self.random.normal();
        (level_db * 10.0).round() / 10.0
    }

    fn level_db(&self, frequency_hz: f64, half_width_octaves: f64) -> f64 {
        self.spot.map_or(0.0, |spot| self.room.level_db(spot, frequency_hz, half_width_octaves))
    }

    /// How far a note seems to stand out, in dB of a mid-bass tone.
    fn heard_db(&mut self, frequency_hz: f64, half_width_octaves: f64, shortfall_db: f64, notes_hz: &[f64]) -> f64 {
        let levels_db: Vec<f64> = notes_hz.iter().map(|&hz| self.level_db(hz, half_width_octaves)).collect();
        let mean_db = levels_db.iter().sum::<f64>() / levels_db.len().max(1) as f64;
        let over_db = self.level_db(frequency_hz, half_width_octaves) - mean_db - shortfall_db;
        // ISO 226: a decibel counts for more the lower the note.
        let phon = level_for_phon(frequency_hz, LOUDNESS_PHON)
            .and_then(|level| phon_for_level(frequency_hz, level + GainDb::new(over_db)))
            .unwrap_or(LOUDNESS_PHON + over_db);
        let mid_bass_phon_per_db = phon_step(63.0);
        (phon - LOUDNESS_PHON) / mid_bass_phon_per_db
            + self.contour_at(frequency_hz)
            + self.mood_db
            + self.traits.doubt_db * self.random.normal()
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
