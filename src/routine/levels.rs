//! How loud each note is played: the reference's level, the equal-loudness difference, and what the driver allows.

use serde::{Deserialize, Serialize};

use crate::acoustics::equal_loudness;
pub use crate::acoustics::note_levels::{CEILING_OVER_REFERENCE, GREATEST_BOOST, HIGHEST_CEILING};
use crate::signal;
use crate::units::{Dbfs, GainDb};

/// The first sound of a visit, and of every new start, has this level.
pub const START: Dbfs = Dbfs::new(-60.0);
/// A comfort level above this is not accepted: the amplifier is too low.
pub const HIGHEST_COMFORT: Dbfs = Dbfs::new(-19.0);
/// Boost rises by this much at a time while the lowest notes are tried.
pub const STRAIN_STEP: GainDb = GainDb::new(3.0);

/// The ceiling that goes with a level of the reference tone.
pub fn ceiling_for(reference: Dbfs) -> Dbfs {
    (reference + CEILING_OVER_REFERENCE).min(HIGHEST_CEILING)
}

/// How one note is played.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoteLevel {
    /// What equal loudness asks for, over the reference.
    pub wanted: GainDb,
    /// What is played, over the reference, before the fall below 25 Hz.
    pub played: GainDb,
    /// How far the tone stays under equal loudness in all, zero or positive.
    pub shortfall: GainDb,
}

/// The plan for a note set: what each note's level is relative to the reference tone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelPlan {
    notes: Vec<NoteLevel>,
}

impl LevelPlan {
    /// Levels by ISO 226:2023 at `loudness_phon`, nothing boosted by more than [`GREATEST_BOOST`].
    ///
    /// `lowest_hz` is the lowest frequency in each note's tone, from which the fall below 25 Hz is counted;
    /// `deep_driver` says that the driver needs no such fall.
    pub fn new(notes_hz: &[f64], lowest_hz: &[f64], reference_hz: f64, loudness_phon: f64, deep_driver: bool) -> Self {
        let notes = notes_hz
            .iter()
            .zip(lowest_hz)
            .map(|(&frequency_hz, &lowest_hz)| {
                let wanted = equal_loudness_gain(frequency_hz, reference_hz, loudness_phon);
                let fall = if deep_driver { GainDb::ZERO } else { signal::driver_guard_gain(lowest_hz) };
                NoteLevel { wanted, played: wanted, shortfall: GainDb::ZERO }.capped(GREATEST_BOOST, fall)
            })
            .collect();
        Self { notes }
    }

    /// The notes' levels, in the order of the note set.
    pub fn notes(&self) -> &[NoteLevel] {
        &self.notes
    }

    /// Positions of the notes that are raised over the reference, from the highest down: the ones to try for strain.
    pub fn boosted(&self) -> Vec<usize> {
        (0..self.notes.len()).rev().filter(|&note| self.notes[note].played > GainDb::ZERO).collect()
    }

    /// The boosts at which a note is tried: from 0 in steps of [`STRAIN_STEP`] up to what it is to be played at.
    pub fn strain_steps(&self, note: usize) -> Vec<GainDb> {
        let full = self.notes[note].played;
        let mut steps = Vec::new();
        let mut boost = GainDb::ZERO;
        while boost < full {
            steps.push(boost);
            boost = boost + STRAIN_STEP;
        }
        steps.push(full);
        steps
    }

    /// The driver strained at this note: it is played at `clean` at most, and so is every lower note.
    pub fn limit(&mut self, note: usize, clean: GainDb) {
        for level in &mut self.notes[..=note] {
            let fall = level.wanted - level.played - level.shortfall;
            *level = level.capped(clean.min(level.played), fall);
        }
    }
}

impl NoteLevel {
    /// The same note played at no more than `cap`; `fall` is what the fall below 25 Hz takes besides (zero or
    /// negative).
    fn capped(self, cap: GainDb, fall: GainDb) -> Self {
        let played = self.wanted.min(cap);
        Self { wanted: self.wanted, played, shortfall: self.wanted - played - fall }
    }
}

/// The level difference at which a tone is as loud as one at `reference_hz`, ISO 226:2023.
pub fn equal_loudness_gain(frequency_hz: f64, reference_hz: f64, loudness_phon: f64) -> GainDb {
    match (
        equal_loudness::level_for_phon(frequency_hz, loudness_phon),
        equal_loudness::level_for_phon(reference_hz, loudness_phon),
    ) {
        (Some(level), Some(reference)) => level - reference,
        // Outside the standard's range nothing is raised or lowered.
        _ => GainDb::ZERO,
    }
}
