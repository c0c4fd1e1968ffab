//! What can be chosen by name: note sets and, with them, the tones that a visit plays; signals; levels; listeners.
//! Files under `presets/` are part of the program; a folder of the person's own is searched first.

pub mod levels;
pub mod listeners;
pub mod note_set;
pub mod routine;
pub mod signals;

use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::toml_file::{TomlError, TomlFileError, nearest_word, read_text};

pub use levels::LevelsPreset;
pub use listeners::{ListenerTraits, listener};
pub use note_set::NoteSet;
pub use routine::{BlendRoutine, ROUTINES, routine, usual_routine};
pub use signals::SignalPreset;

/// A preset that is part of the program.
#[derive(Debug, Clone, Copy)]
pub struct Embedded {
    /// What it is called; also its file's name without the ending.
    pub name: &'static str,
    /// Where its file lies in the source, for messages.
    pub path_label: &'static str,
    /// The file.
    pub text: &'static str,
}

macro_rules! embed {
    ($folder:literal, $name:literal) => {
        Embedded {
            name: $name,
            path_label: concat!("presets/", $folder, "/", $name, ".toml"),
            text: include_str!(concat!("../../presets/", $folder, "/", $name, ".toml")),
        }
    };
}

/// The note sets that are part of the program, the default first.
pub const NOTE_SETS: [Embedded; 1] = [embed!("notes", "walk-16")];

/// A kind of preset.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// One of them, in words.
    pub what: &'static str,
    /// Its folder, in the program's source and among the person's own.
    pub folder: &'static str,
    /// Those that are part of the program.
    pub embedded: &'static [Embedded],
}

/// Note sets.
pub const NOTES: Kind = Kind { what: "note set", folder: "notes", embedded: &NOTE_SETS };

/// Signals.
pub const SIGNALS: Kind = Kind {
    what: "signal",
    folder: "signals",
    embedded: &[
        embed!("signals", "bass-sweep"),
        embed!("signals", "handover"),
        embed!("signals", "push-first"),
        embed!("signals", "walking-line"),
    ],
};

/// Levels.
pub const LEVELS: Kind = Kind {
    what: "levels preset",
    folder: "levels",
    embedded: &[embed!("levels", "usual"), embed!("levels", "late-evening"), embed!("levels", "large-driver")],
};

/// Why a preset could not be had.
#[derive(Debug, Error)]
pub enum PresetError {
    /// No preset has this name.
    #[error("there is no {kind} called \"{given}\"{}; known: {}",
        near.as_ref().map_or(String::new(), |near| format!(" (did you mean \"{near}\"?)")), known.join(", "))]
    Unknown {
        /// What kind of preset was asked for.
        kind: &'static str,
        /// What was asked for.
        given: String,
        /// The most similar known name.
        near: Option<String>,
        /// All known names.
        known: Vec<String>,
    },
    /// Its file is wrong.
    #[error(transparent)]
    Contents(#[from] TomlError),
    /// Its file cannot be read.
    #[error(transparent)]
    File(#[from] TomlFileError),
}

impl PresetError {
    /// No preset of this kind is called `given`.
    pub fn unknown(kind: &'static str, given: &str, known: Vec<String>) -> Self {
        let near = nearest_word(given, known.iter().map(String::as_str)).map(str::to_owned);
        Self::Unknown { kind, given: given.to_owned(), near, known }
    }
}

/// Where a preset comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// Part of the program.
    Program,
    /// A file of the person's own.
    File(PathBuf),
}

impl Kind {
    /// All names: the person's own in the order of the alphabet, then the program's that none of them hides.
    pub fn names(&self, own_folder: Option<&Path>) -> Vec<(String, Origin)> {
        let mut names: Vec<(String, Origin)> = own_folder.map(own_files).unwrap_or_default();
        for embedded in self.embedded {
            if !names.iter().any(|(name, _)| name == embedded.name) {
                names.push((embedded.name.to_owned(), Origin::Program));
            }
        }
        names
    }

    /// The file of the preset called `name`, and what messages call it: the person's own from `own_folder` if there is
    /// one, otherwise the program's.
    ///
    /// # Errors
    /// [`PresetError`]: no such name, or a file that cannot be read.
    pub fn text(&self, name: &str, own_folder: Option<&Path>) -> Result<(String, String), PresetError> {
        let names = self.names(own_folder);
        match names.iter().find(|(known, _)| known == name) {
            Some((_, Origin::File(path))) => Ok((path.display().to_string(), read_text(path)?)),
            Some((_, Origin::Program)) => {
                let embedded = self.embedded.iter().find(|embedded| embedded.name == name);
                let (label, text) = embedded.map_or(("", ""), |embedded| (embedded.path_label, embedded.text));
                Ok((label.to_owned(), text.to_owned()))
            }
            None => Err(PresetError::unknown(self.what, name, names.into_iter().map(|(name, _)| name).collect())),
        }
    }
}

/// The note set called `name`.
///
/// # Errors
/// [`PresetError`]: no such name, or a file that cannot be read or is wrong.
pub fn note_set(name: &str, own_folder: Option<&Path>) -> Result<NoteSet, PresetError> {
    let (path_label, text) = NOTES.text(name, own_folder)?;
    Ok(NoteSet::parse(&path_label, &text)?)
}

/// The signal called `name`.
///
/// # Errors
/// [`PresetError`]: no such name, or a file that cannot be read or is wrong.
pub fn signal(name: &str, own_folder: Option<&Path>) -> Result<SignalPreset, PresetError> {
    let (path_label, text) = SIGNALS.text(name, own_folder)?;
    Ok(SignalPreset::parse(&path_label, &text)?)
}

/// The levels called `name`.
///
/// # Errors
/// [`PresetError`]: no such name, or a file that cannot be read or is wrong.
pub fn levels(name: &str, own_folder: Option<&Path>) -> Result<LevelsPreset, PresetError> {
    let (path_label, text) = LEVELS.text(name, own_folder)?;
    Ok(LevelsPreset::parse(&path_label, &text)?)
}

/// TOML files in a folder; a folder that is not there holds none.
fn own_files(folder: &Path) -> Vec<(String, Origin)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut files: Vec<(String, Origin)> = entries
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .filter_map(|path| Some((path.file_stem()?.to_str()?.to_owned(), Origin::File(path.clone()))))
        .collect();
    files.sort_by(|one, other| one.0.cmp(&other.0));
    files
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_embedded_file_is_right_and_named_as_it_says() {
        for embedded in NOTE_SETS {
            assert_eq!(note_set(embedded.name, None).unwrap().name, embedded.name);
        }
        for embedded in SIGNALS.embedded {
            assert_eq!(signal(embedded.name, None).unwrap().name, embedded.name);
        }
        for embedded in LEVELS.embedded {
            assert_eq!(levels(embedded.name, None).unwrap().name, embedded.name);
        }
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_nearest() {
        let message = note_set("walk-61", None).unwrap_err().to_string();
        assert!(message.starts_with("there is no note set called \"walk-61\" (did you mean \"walk-16\"?); known: "));
    }

    #[test]
    fn a_file_of_ones_own_comes_first() {
        let folder = tempfile::tempdir().unwrap();
        let text = NOTE_SETS[0].text.replace("count = 16", "count = 5");
        std::fs::write(folder.path().join("walk-16.toml"), text).unwrap();
        std::fs::write(folder.path().join("mine.toml"), "name = 3").unwrap();
        assert_eq!(note_set("walk-16", Some(folder.path())).unwrap().notes_hz().len(), 5);
        let message = note_set("mine", Some(folder.path())).unwrap_err().to_string();
        assert!(message.contains("mine.toml:1:8"), "{message}");
        assert_eq!(note_set("walk-16", Some(&folder.path().join("none"))).unwrap().notes_hz().len(), 16);
    }
}
