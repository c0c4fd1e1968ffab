//! The writer: every event whole and synced, or not there at all.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::routine::Stamped;
use crate::visit::error::VisitError;
use crate::visit::line::{Recorded, event_line, header_line};
use crate::visit::reading::{Opened, parse};
use crate::visit::schema::{Header, SCHEMA};
use crate::visit::storage::{FileStorage, Storage};
use crate::visit::wall::WallTime;

/// Tells the time that is written beside each event.
pub type WallClock = Box<dyn FnMut() -> WallTime + Send>;

/// A visit file that is open for writing; nobody else can open it so meanwhile.
pub struct Journal {
    path: PathBuf,
    storage: Box<dyn Storage>,
    clock: WallClock,
    last_seq: u64,
    good_bytes: u64,
    poison: Option<String>,
}

impl Journal {
    /// Begins a visit file with its header, synced, folder entry included. Never replaces a file: the name appears
    /// together with the whole first line, or not at all.
    /// # Errors
    /// [`VisitError::Exists`], or what the system said.
    pub fn create(path: &Path, header: &Header) -> Result<Self, VisitError> {
        let line = header_line(header)?;
        let failed = |doing| move |error| VisitError::io(path, doing, error);
        if path.symlink_metadata().is_ok() {
            return Err(VisitError::Exists(path.to_path_buf()));
        }
        let folder = folder_of(path);
        let mut beside = beside(path, folder).map_err(failed("begin"))?;
        beside.write_all(line.as_bytes()).map_err(failed("write to"))?;
        beside.as_file().sync_all().map_err(failed("write to"))?;
        lock(path, beside.as_file())?;
        let file = beside.persist_noclobber(path).map_err(|refused| match refused.error.kind() {
            io::ErrorKind::AlreadyExists => VisitError::Exists(path.to_path_buf()),
            _ => VisitError::io(path, "begin", refused.error),
        })?;
        sync_folder(folder).map_err(failed("write to the folder of"))?;
        Ok(Self::over(path, Box::new(FileStorage::new(file)), 0, line.len() as u64))
    }

    /// Opens a visit file to continue it. A torn last line is cut, with a notice.
    /// # Errors
    /// See [`VisitError`]; whatever the error, the file was not changed (but for a torn tail that could not be cut
    /// whole).
    pub fn open(path: &Path) -> Result<(Self, Opened), VisitError> {
        let failed = |doing| move |error| VisitError::io(path, doing, error);
        let mut file = OpenOptions::new().read(true).append(true).open(path).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound => VisitError::Missing(path.to_path_buf()),
            _ => VisitError::io(path, "open", error),
        })?;
        lock(path, &file)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(failed("read"))?;
        let parsed = parse(path, &bytes)?;
        if parsed.opened.header.schema < SCHEMA {
            return Err(VisitError::Older { path: path.to_path_buf(), schema: parsed.opened.header.schema });
        }
        let mut storage = FileStorage::new(file);
        let mut good_bytes = parsed.good_bytes;
        if let Some(tail) = &parsed.opened.notice {
            if tail.kept {
                storage.append(b"\n").map_err(failed("write to"))?;
                good_bytes += 1;
            } else {
                storage.truncate(good_bytes).map_err(failed("repair"))?;
            }
            storage.sync().map_err(failed("write to"))?;
        }
        let last_seq = parsed.opened.events.len() as u64;
        Ok((Self::over(path, Box::new(storage), last_seq, good_bytes), parsed.opened))
    }

    /// A journal over any storage, for tests of what happens when it fails.
    /// * `last_seq`, `good_bytes` - what the storage holds already
    pub fn over(path: &Path, storage: Box<dyn Storage>, last_seq: u64, good_bytes: u64) -> Self {
        let clock = Box::new(WallTime::now);
        Self { path: path.to_path_buf(), storage, clock, last_seq, good_bytes, poison: None }
    }

    /// The same journal with another clock for the wall time of events.
    #[must_use]
    pub fn with_clock(mut self, clock: WallClock) -> Self {
        self.clock = clock;
        self
    }

    /// Where the file was when it was opened.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The sequence number of the last event on disk; 0 if there is none yet.
    pub fn last_seq(&self) -> u64 {
        self.last_seq
    }

    /// Writes one event and returns its sequence number once it would survive a power cut. On an error the file is as
    /// it was before.
    /// # Errors
    /// [`VisitError::Io`] or [`VisitError::Vanished`]: trying again may help once the person has done what the words
    /// say; [`VisitError::Poisoned`]: nothing helps but opening the file anew; [`VisitError::Unwritable`]: the event is
    /// at fault.
    pub fn append(&mut self, stamped: &Stamped) -> Result<u64, VisitError> {
        if let Some(why) = &self.poison {
            return Err(VisitError::Poisoned { path: self.path.clone(), why: why.clone() });
        }
        if !self.storage.reachable() {
            return Err(VisitError::Vanished(self.path.clone()));
        }
        let seq = self.last_seq + 1;
        let line = event_line(&Recorded { seq, wall: (self.clock)(), stamped: stamped.clone() })?;
        let written = self.storage.append(line.as_bytes()).and_then(|()| self.storage.sync());
        if let Err(error) = written {
            return Err(self.take_back(error));
        }
        self.last_seq = seq;
        self.good_bytes += line.len() as u64;
        Ok(seq)
    }

    /// Removes whatever a failed write has left, or makes sure that nothing ever follows it.
    fn take_back(&mut self, error: io::Error) -> VisitError {
        if let Err(second) = self.storage.truncate(self.good_bytes) {
            let why = format!("{error}, then {second}");
            self.poison = Some(why.clone());
            return VisitError::Poisoned { path: self.path.clone(), why };
        }
        // The cut itself may reach the disk later: until then the worst left there is a torn or an unacknowledged last
        // line.
        let _ = self.storage.sync();
        VisitError::io(&self.path, "write to", error)
    }

    /// Ends writing and gives up the lock. Everything is on disk already.
    /// # Errors
    /// What the system said to a last sync.
    pub fn close(mut self) -> Result<(), VisitError> {
        self.storage.sync().map_err(|error| VisitError::io(&self.path, "write to", error))
    }
}

fn lock(path: &Path, file: &File) -> Result<(), VisitError> {
    file.try_lock().map_err(|error| match error {
        TryLockError::WouldBlock => VisitError::InUse(path.to_path_buf()),
        TryLockError::Error(error) => VisitError::io(path, "lock", error),
    })
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// A hidden file in the same folder, opened for appending, with the access rights of any new file.
fn beside(path: &Path, folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut prefix = std::ffi::OsString::from(".");
    prefix.push(path.file_name().ok_or(io::ErrorKind::InvalidFilename)?);
    let mut builder = tempfile::Builder::new();
    builder.prefix(&prefix).suffix(".new").append(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// Makes the file's name itself survive a power cut.
fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}
