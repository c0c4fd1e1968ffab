//! What can go wrong with a visit file, in words that say what to do.

use std::io;
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::visit::schema::SCHEMA;

/// Why a visit file could not be begun, opened, read or continued.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum VisitError {
    /// A file of that name is there already.
    #[error("{} is there already and is never replaced; resume it, or give the new visit another name", .0.display())]
    Exists(PathBuf),
    /// No such file.
    #[error("there is no visit file {}; check the name, or begin a visit", .0.display())]
    Missing(PathBuf),
    /// Somebody else writes to it.
    #[error("another evenbass has this visit open ({}); end it there first", .0.display())]
    InUse(PathBuf),
    /// The operating system refused.
    #[error("could not {doing} {}: {source}; {}", path.display(), remedy(source))]
    Io {
        /// Which file.
        path: PathBuf,
        /// What was attempted ('write to').
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// There is no whole first line.
    #[error("{} is not a visit file: {why}; nothing was changed", path.display())]
    NotAVisit {
        /// Which file.
        path: PathBuf,
        /// What is wrong with its first line.
        why: String,
    },
    /// Written by a program that knows more.
    #[error("{} was written by {program} in schema {schema}, and this program knows schemas up to {}; update evenbass",
        path.display(), SCHEMA)]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Its schema.
        schema: u64,
        /// Who wrote it, as far as its first line says.
        program: String,
    },
    /// An older schema can be read, but lines of the present one cannot be added to it.
    #[error("{} is in the older schema {schema}; rank and report read it, but it cannot be continued: begin a new \
             visit",
        path.display())]
    Older {
        /// Which file.
        path: PathBuf,
        /// Its schema.
        schema: u32,
    },
    /// A line that was once whole is damaged.
    #[error("{}, line {line}: {why}; the file was left as it is. The {} before it {} sound: restore the file from a \
        copy, or save those lines alone under a new name and go on from there", path.display(), lines(*line - 1),
        if *line == 2 { "is" } else { "are" })]
    BadLine {
        /// Which file.
        path: PathBuf,
        /// Counted from 1.
        line: usize,
        /// What is wrong with it.
        why: String,
    },
    /// The event holds something that JSON cannot carry, so it would not read back as it was.
    #[error("an event cannot be written down: {why}; nothing was written. This is a fault of the program")]
    Unwritable {
        /// What does not survive.
        why: String,
    },
    /// The file was deleted while it was open.
    #[error("{} was deleted while the visit was going on; put the folder or the stick back, and resume the visit \
        from a copy", .0.display())]
    Vanished(PathBuf),
    /// An earlier write failed and could not be undone, so nothing may follow it.
    #[error("{} takes no more answers, because a failed write could not be undone ({why}); end the program, make sure \
        the disk has space and can be written, and resume: the half-written line will be cut", path.display())]
    Poisoned {
        /// Which file.
        path: PathBuf,
        /// What happened then.
        why: String,
    },
}

impl VisitError {
    pub(crate) fn io(path: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::Io { path: path.to_path_buf(), doing, source }
    }
}

fn lines(count: usize) -> String {
    if count == 1 { "one line".to_owned() } else { format!("{count} lines") }
}

/// What a person can do about an error of the operating system.
fn remedy(error: &io::Error) -> &'static str {
    use io::ErrorKind as Kind;
    match error.kind() {
        Kind::StorageFull | Kind::QuotaExceeded | Kind::FileTooLarge => "make space on the disk, then answer again",
        Kind::PermissionDenied => "check who may write there, or use another folder",
        Kind::ReadOnlyFilesystem => "the disk is read-only; use another folder, or unlock it",
        Kind::NotFound => "the folder is not there; make it, or put the stick back in",
        Kind::NotADirectory | Kind::IsADirectory | Kind::InvalidFilename => "check the name",
        _ => "check the disk or the stick and its connection, then try again",
    }
}
