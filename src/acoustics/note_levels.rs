//! At which level each note is played, so that an even system sounds even, and what falls short of it.
//!
//! Every level hangs on the reference tone's. Equal loudness asks for more in the deep bass than small drivers should
//! take, so that the boost is bounded; what is missing is told, in decibels and in loudness.

use crate::units::{Dbfs, GainDb};

use super::equal_loudness::{level_for_phon, phon_for_level};

/// No sample passes this, whatever the reference, dBFS.
pub const HIGHEST_CEILING: Dbfs = Dbfs::new(-3.0);

/// The ceiling lies this far above the reference: the boost, and the crest of noise over a sine.
pub const CEILING_OVER_REFERENCE: GainDb = GainDb::new(16.0);

/// The most that a note may be played above the reference.
pub const GREATEST_BOOST: GainDb = GainDb::new(12.0);

/// Below this frequency the level falls by 12 dB per octave, hertz.
pub const GUARD_BELOW_HZ: f64 = 25.0;

/// What bounds the levels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// The frequency of the reference tone, hertz.
    pub reference_hz: f64,
    /// The level that the person found comfortable.
    pub reference: Dbfs,
    /// The loudness that is assumed for it, phon.
    pub phon: f64,
    /// The most that a note may be above the reference: 12 dB, or less if the driver was heard to strain.
    pub greatest_boost: GainDb,
    /// The driver may take full levels below 25 Hz.
    pub driver_takes_infrasound: bool,
}

impl Bounds {
    /// The ordinary bounds for a reference tone.
    pub const fn ordinary(reference_hz: f64, reference: Dbfs, phon: f64) -> Self {
        Self { reference_hz, reference, phon, greatest_boost: GREATEST_BOOST, driver_takes_infrasound: false }
    }

    /// The level that no sample may pass.
    pub fn ceiling(&self) -> Dbfs {
        (self.reference + CEILING_OVER_REFERENCE).min(HIGHEST_CEILING)
    }
}

/// How one note is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteLevel {
    /// The note, hertz.
    pub frequency_hz: f64,
    /// The level to play it at.
    pub level: Dbfs,
    /// By how much it is below equal loudness; zero or positive.
    pub shortfall: GainDb,
    /// The same in loudness: phon below the assumed loudness.
    pub shortfall_phon: f64,
    /// What held it down, if anything did.
    pub held_by: Option<HeldBy>,
}

/// Which bound a note ran into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeldBy {
    /// The greatest boost.
    Boost,
    /// The ceiling for samples.
    Ceiling,
    /// The guard below 25 Hz.
    Guard,
}

/// The level of a note. `peak` is the largest sample of its tone at unit gain (1 for a sine, more for noise), and
/// `lowest_hz` the lowest frequency in the tone, from which the fall below 25 Hz is counted, as it is in a visit.
///
/// `None` if the note or the reference lies outside ISO 226 (20 Hz to 12.5 kHz).
pub fn note_level(frequency_hz: f64, lowest_hz: f64, peak: f64, bounds: &Bounds) -> Option<NoteLevel> {
    let equal = level_for_phon(frequency_hz, bounds.phon)?;
    let wanted = bounds.reference + (equal - level_for_phon(bounds.reference_hz, bounds.phon)?);
    let guard = if lowest_hz < GUARD_BELOW_HZ && !bounds.driver_takes_infrasound {
        GainDb::new(12.0 * libm::log2(lowest_hz / GUARD_BELOW_HZ))
    } else {
        GainDb::ZERO
    };
    let by_boost = bounds.reference + bounds.greatest_boost;
    let by_ceiling = bounds.ceiling() - GainDb::new(20.0 * libm::log10(peak.max(1.0)));
    let level = wanted.min(by_boost).min(by_ceiling) + guard;
    let shortfall = wanted - level;
    let held_by = match shortfall.db() {
        missing if missing <= 0.0 => None,
        _ if guard.db() < 0.0 => Some(HeldBy::Guard),
        _ if by_ceiling < by_boost => Some(HeldBy::Ceiling),
        _ => Some(HeldBy::Boost),
    };
    let heard_phon = phon_for_level(frequency_hz, equal - shortfall)?;
    let shortfall_phon = (bounds.phon - heard_phon).max(0.0);
    Some(NoteLevel { frequency_hz, level, shortfall, shortfall_phon, held_by })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(frequency_hz: f64, bounds: &Bounds) -> NoteLevel {
        note_level(frequency_hz, frequency_hz, 1.0, bounds).unwrap()
    }

    #[test]
    fn equal_loudness_sets_the_differences() {
        // ISO 226:2023 at 70 phon re 80 Hz: 11.2888 dB at 40 Hz, 7.3476 at 50, -3.0386 at 100, -8.4203 at 160.
        let bounds = Bounds::ordinary(80.0, Dbfs::new(-30.0), 70.0);
        for (hz, gain_db) in [(40.0, 11.2888), (50.0, 7.3476), (80.0, 0.0), (100.0, -3.0386), (160.0, -8.4203)] {
            let note = at(hz, &bounds);
            assert!((note.level.dbfs() + 30.0 - gain_db).abs() < 1e-4);
            assert_eq!((note.shortfall.db(), note.shortfall_phon, note.held_by), (0.0, 0.0, None));
        }
    }

    #[test]
    fn the_boost_is_bounded_and_the_rest_is_told() {
        // At 50 phon 25 Hz asks for 14 to 16 dB more than 50 Hz.
        let note = at(25.0, &Bounds::ordinary(50.0, Dbfs::new(-30.0), 50.0));
        assert_eq!((note.level.dbfs(), note.held_by), (-18.0, Some(HeldBy::Boost)));
        assert!((2.0..4.0).contains(&note.shortfall.db()), "{}", note.shortfall);
        // Loudness grows nearly twice as fast there.
        assert!((1.7..2.2).contains(&(note.shortfall_phon / note.shortfall.db())), "{}", note.shortfall_phon);
    }

    #[test]
    fn the_ceiling_holds_peaks_down() {
        let bounds = Bounds::ordinary(50.0, Dbfs::new(-19.0), 50.0);
        assert_eq!(bounds.ceiling(), Dbfs::new(-3.0));
        assert_eq!(Bounds::ordinary(50.0, Dbfs::new(-10.0), 50.0).ceiling(), Dbfs::new(-3.0));
        let noise = note_level(25.0, 25.0, 2.0, &bounds).unwrap();
        assert_eq!(noise.held_by, Some(HeldBy::Ceiling));
        // A peak of 2 is 6.02 dB over a sine.
        assert!((noise.level.dbfs() + 3.0 + 6.0206).abs() < 1e-4);
    }

    #[test]
    fn below_25_hz_the_level_falls() {
        let mut bounds = Bounds::ordinary(50.0, Dbfs::new(-30.0), 50.0);
        assert!((at(20.0, &bounds).level.dbfs() + 18.0 + 3.8631).abs() < 1e-4);
        assert_eq!(at(20.0, &bounds).held_by, Some(HeldBy::Guard));
        bounds.driver_takes_infrasound = true;
        assert_eq!(at(20.0, &bounds).level, Dbfs::new(-18.0));
        assert_eq!(note_level(15.0, 15.0, 1.0, &bounds), None);
    }
}
