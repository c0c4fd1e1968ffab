//! Onto the disk, without losing anything that was there.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::report::export::{evidence_csv, evidence_json};
use crate::report::facts::Facts;
use crate::report::sheet::sheet;

/// Why a report was not written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ReportError {
    /// A file is there that is not an untouched report of this visit.
    #[error("{} is there already and is not this visit's own report as it was written; nothing was written. Give the \
        report another name, or use --force: the file is then kept beside it under a new name", .0.display())]
    Exists(PathBuf),
    /// The operating system refused.
    #[error("could not write {}: {source}; check that the folder is there, may be written, and has space", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A figure could not be written as JSON.
    #[error("the evidence could not be written as JSON: {0}. This is a fault of the program")]
    Json(#[from] serde_json::Error),
}

/// What was written, and what was moved out of the way.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Written {
    /// The set-up sheet.
    pub sheet: PathBuf,
    /// The evidence as CSV.
    pub csv: PathBuf,
    /// The evidence as JSON.
    pub json: PathBuf,
    /// Files of others that had these names, under their new names.
    pub set_aside: Vec<PathBuf>,
}

/// Writes `NAME.sheet.html`, `NAME.evidence.csv` and `NAME.evidence.json`.
///
/// Each file appears whole or not at all. An untouched earlier report of the same visit is replaced; any other file of
/// these names is an error before anything is written or, with `force`, is kept under a new name.
/// # Errors
/// See [`ReportError`].
pub fn write(folder: &Path, name: &str, facts: &Facts, force: bool) -> Result<Written, ReportError> {
    let id = facts.visit_id();
    let files = [
        (folder.join(format!("{name}.sheet.html")), sealed(&sheet(facts), "<!-- ", " -->\n", &id)),
        (folder.join(format!("{name}.evidence.csv")), sealed(&evidence_csv(facts), "# ", "\n", &id)),
        (folder.join(format!("{name}.evidence.json")), sealed_json(&evidence_json(facts)?, &id)),
    ];
    let mut in_the_way = Vec::new();
    for (path, _) in &files {
        if !is_free(path, &id)? {
            if !force {
                return Err(ReportError::Exists(path.clone()));
            }
            in_the_way.push(path);
        }
    }
    let mut set_aside = Vec::new();
    for path in in_the_way {
        set_aside.push(move_aside(path)?);
    }
    for (path, text) in &files {
        put(folder, path, text)?;
    }
    let [sheet, csv, json] = files.map(|(path, _)| path);
    Ok(Written { sheet, csv, json, set_aside })
}

/// Begins the mark by which a report knows its own files: the visit, and a checksum of all bytes before the mark.
fn mark(id: &str) -> String {
    format!("evenbass visit {id} crc ")
}

fn sealed(body: &str, before: &str, after: &str, id: &str) -> String {
    let mut text = format!("{body}{before}");
    let crc = crc32fast::hash(text.as_bytes());
    text.push_str(&format!("{}{crc:08x}{after}", mark(id)));
    text
}

/// The mark as the last member of the object.
fn sealed_json(body: &str, id: &str) -> String {
    let open = body.trim_end().strip_suffix('}').unwrap_or(body).trim_end();
    sealed(&format!("{open},\n"), "  \"seal\": \"", "\"\n}\n", id)
}

/// Whether nothing is there, or this visit's own report as it was written.
fn is_free(path: &Path, id: &str) -> Result<bool, ReportError> {
    match fs::read(path) {
        Ok(bytes) => Ok(is_own(&bytes, id)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(path.symlink_metadata().is_err()),
        Err(source) => Err(ReportError::Io { path: path.to_path_buf(), source }),
    }
}

fn is_own(bytes: &[u8], id: &str) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else { return false };
    let mark = mark(id);
    let Some(at) = text.rfind(&mark) else { return false };
    let crc = format!("{:08x}", crc32fast::hash(&bytes[..at]));
    let rest = &text[at + mark.len()..];
    rest.strip_prefix(&crc).is_some_and(|after| [" -->\n", "\n", "\"\n}\n"].contains(&after))
}

/// Gives a file a name that is free, and returns it.
fn move_aside(path: &Path) -> Result<PathBuf, ReportError> {
    let failed = |source| ReportError::Io { path: path.to_path_buf(), source };
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let mut number = 1;
    loop {
        let aside = path.with_file_name(format!("{name}.kept-{number}"));
        if aside.symlink_metadata().is_err() {
            fs::rename(path, &aside).map_err(failed)?;
            return Ok(aside);
        }
        number += 1;
    }
}

fn put(folder: &Path, path: &Path, text: &str) -> Result<(), ReportError> {
    let failed = |source| ReportError::Io { path: path.to_path_buf(), source };
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let mut builder = tempfile::Builder::new();
    builder.prefix(".evenbass-report-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder).map_err(failed)?;
    file.write_all(text.as_bytes()).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist(path).map_err(|error| failed(error.error))?;
    Ok(())
}
