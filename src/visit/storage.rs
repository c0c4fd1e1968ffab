//! Where lines go: a file, or in tests something that fails when told to.

use std::fs::File;
use std::io::{self, Write};

/// An append-only store that can be cut back to an earlier length.
pub trait Storage: Send {
    /// Appends all of `bytes`. On an error any part of them may have been written.
    /// # Errors
    /// What the system said.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Returns when everything appended so far would survive a power cut.
    /// # Errors
    /// What the system said.
    fn sync(&mut self) -> io::Result<()>;

    /// Cuts everything after the first `length` bytes.
    /// # Errors
    /// What the system said.
    fn truncate(&mut self, length: u64) -> io::Result<()>;

    /// Whether the name this was opened under, or any other name, still leads to it.
    fn reachable(&self) -> bool {
        true
    }
}

/// A file opened for appending.
#[derive(Debug)]
pub struct FileStorage {
    file: File,
}

impl FileStorage {
    /// * `file` - opened for appending, so that writes follow the end even after a cut
    pub fn new(file: File) -> Self {
        Self { file }
    }
}

impl Storage for FileStorage {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        self.file.set_len(length)?;
        let now = self.file.metadata()?.len();
        if now == length {
            Ok(())
        } else {
            Err(io::Error::other(format!("still {now} bytes long instead of {length}")))
        }
    }

    #[cfg(unix)]
    fn reachable(&self) -> bool {
        use std::os::unix::fs::MetadataExt;
        self.file.metadata().is_ok_and(|metadata| metadata.nlink() > 0)
    }
}
