//! The temporary file that becomes the final one.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tempfile::NamedTempFile;

/// A temporary file with the permissions of an ordinary one: what the person's mask leaves of reading and writing for
/// all.
pub(super) fn beside(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".evenbass-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// One buffered file with two holders: the FLAC encoder keeps its writer to itself, and would swallow the error of the
/// last flush.
#[derive(Clone)]
pub(super) struct Output(Arc<Mutex<BufWriter<File>>>);

impl Output {
    pub(super) fn new(file: File) -> Self {
        Self(Arc::new(Mutex::new(BufWriter::with_capacity(1 << 16, file))))
    }

    fn lock(&self) -> MutexGuard<'_, BufWriter<File>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.lock().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.lock().flush()
    }
}

impl Seek for Output {
    fn seek(&mut self, position: SeekFrom) -> io::Result<u64> {
        self.lock().seek(position)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_is_reported() {
        let mut output = Output::new(File::options().write(true).open("/dev/full").unwrap());
        assert!(output.write_all(&[0; 1 << 20]).is_err());
    }
}
