//! `evenbass presets`

use std::path::{Path, PathBuf};

use clap::Subcommand;

use crate::cli::{Failure, say};
use crate::presets::listeners::LISTENERS;
use crate::presets::{
    BlendRoutine, Kind, LEVELS, LevelsPreset, ListenerTraits, NOTES, NoteSet, Origin, PresetError, ROUTINES, SIGNALS,
    SignalPreset,
};
use crate::toml_file::{TomlError, parse_toml, read_text};

/// What to do with presets.
#[derive(Debug, Clone, Subcommand)]
pub enum PresetsCommand {
    /// List note sets, signals, levels, blend routines and simulated listeners.
    List,
    /// Print a preset as the file it is, to start your own from.
    Show {
        /// Which.
        name: String,
    },
    /// Check a preset of your own.
    Check {
        /// The file.
        file: std::path::PathBuf,
    },
}

/// Each kind with its heading, and how one of it is read.
const KINDS: [(&str, Kind, Read); 5] = [
    ("Note sets", NOTES, notes),
    ("Signals", SIGNALS, signal),
    ("Levels", LEVELS, levels),
    ("Blend routines", ROUTINES, routine),
    ("Simulated listeners", Kind { what: "listener", folder: "listeners", embedded: &LISTENERS }, listener),
];

/// Reads a file and says in a line what it is.
type Read = fn(&str, &str) -> Result<String, TomlError>;

fn notes(label: &str, text: &str) -> Result<String, TomlError> {
    NoteSet::parse(label, text).map(|set| format!("{} ({} notes)", set.about, set.notes_hz().len()))
}

fn signal(label: &str, text: &str) -> Result<String, TomlError> {
    SignalPreset::parse(label, text).map(|preset| format!("{} ({})", preset.about, preset.recipe.name()))
}

fn levels(label: &str, text: &str) -> Result<String, TomlError> {
    LevelsPreset::parse(label, text).map(|preset| format!("{} ({:.0} dBFS)", preset.about, preset.comfort_dbfs))
}

fn routine(label: &str, text: &str) -> Result<String, TomlError> {
    BlendRoutine::parse(label, text).map(|routine| format!("{} ({} steps)", routine.about, routine.steps.len()))
}

fn listener(label: &str, text: &str) -> Result<String, TomlError> {
    parse_toml::<ListenerTraits>(label, text).map(|traits| traits.about)
}

/// Lists, shows or checks.
pub fn run(command: &PresetsCommand) -> Result<(), Failure> {
    match command {
        PresetsCommand::List => list(),
        PresetsCommand::Show { name } => show(name),
        PresetsCommand::Check { file } => check(file),
    }
}

fn list() -> Result<(), Failure> {
    for (heading, kind, read) in KINDS {
        let own = own_folder(kind);
        say!("{heading}");
        for (name, origin) in kind.names(own.as_deref()) {
            let (label, text) = kind.text(&name, own.as_deref())?;
            match (read(&label, &text), origin) {
                (Err(wrong), _) => say!("  {name}: cannot be used\n{wrong}"),
                (Ok(about), Origin::Program) => say!("  {name}: {about}"),
                (Ok(about), Origin::File(path)) => say!("  {name}: {about} ({})", path.display()),
            }
        }
    }
    if let Some(folder) = own_presets("") {
        say!("Your own go into the folders notes, signals, levels and routines in {}.", folder.display());
    }
    Ok(())
}

/// The program has no place for listeners of one's own.
fn own_folder(kind: Kind) -> Option<std::path::PathBuf> {
    (kind.folder != "listeners").then(|| own_presets(kind.folder)).flatten()
}

fn show(name: &str) -> Result<(), Failure> {
    for (_, kind, _) in KINDS {
        match kind.text(name, own_folder(kind).as_deref()) {
            Ok((_, text)) => {
                say::text(&text);
                return Ok(());
            }
            Err(PresetError::Unknown { .. }) => {}
            Err(other) => return Err(other.into()),
        }
    }
    let known = KINDS.iter().flat_map(|(_, kind, _)| kind.names(own_folder(*kind).as_deref()));
    Err(PresetError::unknown("preset", name, known.map(|(name, _)| name).collect()).into())
}

/// What kind of preset a file is shows in a key that only that kind has.
fn check(file: &Path) -> Result<(), Failure> {
    let (label, text) = (file.display().to_string(), read_text(file)?);
    let table: toml::Table = parse_toml(&label, &text)?;
    let marks = [
        ("notes", notes as Read),
        ("recipe", signal),
        ("comfort_dbfs", levels),
        ("doubt_db", listener),
        ("step", routine),
    ];
    let Some((_, read)) = marks.into_iter().find(|(mark, _)| table.contains_key(*mark)) else {
        return Err(anyhow::anyhow!(
            "{label}: cannot tell what kind of preset this is. A note set has a table [notes], a signal a table \
             [recipe], levels a key comfort_dbfs, a listener a key doubt_db, a blend routine at least one [[step]]."
        )
        .into());
    };
    say!("{label}: {}", read(&label, &text)?);
    Ok(())
}

/// The person's own presets, beside the program's configuration.
pub(super) fn own_presets(kind: &str) -> Option<PathBuf> {
    use etcetera::BaseStrategy;
    let base = etcetera::choose_base_strategy().ok()?;
    Some(base.config_dir().join("evenbass").join(kind))
}
