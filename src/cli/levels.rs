//! `evenbass levels`: which note of a set is played how loud, and which fall short.

use clap::Args;
use serde::Serialize;

use crate::acoustics::note_levels::{Bounds, HeldBy, NoteLevel, note_level};
use crate::acoustics::notes::{A4_HZ, nearest};
use crate::cli::Failure;
use crate::cli::presets::own_presets;
use crate::cli::values::{in_range, phon};
use crate::presets::levels::{BOOST_DB, COMFORT_DBFS};
use crate::presets::{self, LEVELS, NOTES, NoteSet};
use crate::units::{Dbfs, GainDb, SampleRate};

/// What the levels of a note set hang on.
#[derive(Debug, Clone, Args)]
pub struct Hung {
    /// The note set, a preset or one of your own.
    #[arg(value_name = "SET", default_value = "walk-16")]
    pub set: String,
    /// A levels preset, or one of your own; what is said beside it counts more.
    #[arg(long, value_name = "PRESET", default_value = "usual")]
    pub levels: String,
    /// The comfort level: that of the reference tone, dBFS.
    #[arg(long, allow_negative_numbers = true, value_parser = comfort)]
    pub comfort_dbfs: Option<f64>,
    /// The loudness at which the tones are taken to arrive, phon.
    #[arg(long, value_name = "PHON", value_parser = phon)]
    pub loudness: Option<f64>,
    /// The most that a note may be above the reference, dB.
    #[arg(long, value_parser = boost)]
    pub boost_db: Option<f64>,
    /// The subwoofer's rated limit, Hz: the set is spaced anew above it.
    #[arg(long, value_name = "HZ")]
    pub lowest_hz: Option<f64>,
    /// The driver may take the full level below 25 Hz.
    #[arg(long)]
    pub deep_driver: bool,
    /// Seed of noise tones.
    #[arg(long, default_value_t = 1)]
    pub noise_seed: u64,
}

/// `evenbass levels`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  evenbass levels\n  evenbass levels walk-16 --comfort-dbfs -20 --lowest-hz 30\n  \
                        evenbass levels --json")]
pub struct Levels {
    #[command(flatten)]
    pub hung: Hung,
    /// As JSON.
    #[arg(long)]
    pub json: bool,
}

/// A set and the level of each of its notes.
pub(super) struct Levelled {
    pub set: NoteSet,
    pub notes: Vec<NoteLevel>,
    pub reference: Dbfs,
    pub phon: f64,
}

#[derive(Serialize)]
struct Row {
    frequency_hz: f64,
    note: String,
    level_dbfs: f64,
    shortfall_db: f64,
    shortfall_phon: f64,
    held_by: Option<&'static str>,
}

/// Prints the levels.
pub fn run(levels: &Levels) -> Result<(), Failure> {
    let levelled = levels.hung.levelled()?;
    if levels.json {
        let rows: Vec<Row> = levelled.notes.iter().map(row).collect();
        say!("{}", serde_json::to_string_pretty(&rows)?);
        return Ok(());
    }
    say!("{:>8}  {:<14} {:>10}  short of equal loudness", "Hz", "note", "dBFS");
    for level in &levelled.notes {
        let name = note_name(level.frequency_hz);
        let (hz, dbfs) = (level.frequency_hz, level.level.dbfs());
        say!("{hz:>8.1}  {name:<14} {dbfs:>10.1}  {}", shortfall_words(level));
    }
    say!("{}", levelled.summary());
    Ok(())
}

impl Hung {
    /// The set with its levels.
    pub(super) fn levelled(&self) -> Result<Levelled, Failure> {
        let set = presets::note_set(&self.set, own_presets(NOTES.folder).as_deref())?;
        let set = set.within(self.lowest_hz, None).map_err(|none| Failure::Usage(format!("--lowest-hz: {none}.")))?;
        let preset = presets::levels(&self.levels, own_presets(LEVELS.folder).as_deref())?;
        let reference = Dbfs::new(self.comfort_dbfs.unwrap_or(preset.comfort_dbfs));
        let phon = self.loudness.unwrap_or(preset.loudness_phon);
        let bounds = Bounds {
            greatest_boost: GainDb::new(self.boost_db.unwrap_or(preset.boost_db)),
            driver_takes_infrasound: self.deep_driver || preset.deep_driver,
            ..Bounds::ordinary(set.reference_hz, reference, phon)
        };
        let notes = set.notes_hz().into_iter().map(|note| self.level(&set, note, &bounds)).collect::<Result<_, _>>()?;
        Ok(Levelled { notes, reference, phon, set })
    }

    fn level(&self, set: &NoteSet, note_hz: f64, bounds: &Bounds) -> Result<NoteLevel, Failure> {
        let recipe = set.recipe(note_hz, self.noise_seed);
        let prepared = recipe.prepare(SampleRate::HZ_48000);
        let peak = prepared.map_err(|wrong| Failure::Usage(wrong.to_string()))?.peak;
        note_level(note_hz, recipe.lowest_hz(), peak, bounds).ok_or_else(|| {
            Failure::Usage(format!(
                "{note_hz} Hz: equal loudness is known from 20 Hz to 12.5 kHz; choose --lowest-hz 20 or more."
            ))
        })
    }
}

impl Levelled {
    /// How many fall short, in one sentence.
    pub fn summary(&self) -> String {
        let short = self.notes.iter().filter(|note| note.held_by.is_some()).count();
        let reference =
            format!("Reference tone {:.0} Hz at {}, {:.0} phon", self.set.reference_hz, self.reference, self.phon);
        match short {
            0 => format!("{reference}: every note reaches equal loudness."),
            1 => format!("{reference}: 1 note of {} falls short of equal loudness.", self.notes.len()),
            short => format!("{reference}: {short} notes of {} fall short of equal loudness.", self.notes.len()),
        }
    }
}

/// `E1 +12 cents`.
pub(super) fn note_name(frequency_hz: f64) -> String {
    nearest(frequency_hz, A4_HZ).map_or(String::new(), |nearest| nearest.to_string())
}

/// By how much and why; a dash if it does not.
pub(super) fn shortfall_words(level: &NoteLevel) -> String {
    match level.held_by {
        None => "-".to_owned(),
        Some(by) => {
            format!("{:.1} dB, {:.0} phon ({})", level.shortfall.db(), level.shortfall_phon, held_words(by))
        }
    }
}

const fn held_words(by: HeldBy) -> &'static str {
    match by {
        HeldBy::Boost => "greatest boost",
        HeldBy::Ceiling => "ceiling",
        HeldBy::Guard => "driver guard",
    }
}

fn row(level: &NoteLevel) -> Row {
    Row {
        frequency_hz: level.frequency_hz,
        note: note_name(level.frequency_hz),
        level_dbfs: level.level.dbfs(),
        shortfall_db: level.shortfall.db(),
        shortfall_phon: level.shortfall_phon,
        held_by: level.held_by.map(held_words),
    }
}

fn comfort(text: &str) -> Result<f64, String> {
    in_range(text, COMFORT_DBFS.0, COMFORT_DBFS.1, "dBFS")
}

fn boost(text: &str) -> Result<f64, String> {
    in_range(text, BOOST_DB.0, BOOST_DB.1, "dB")
}
