//! Keeps libraries that print by themselves from writing between our own lines.

/// While it lives, what goes to standard error is thrown away. Sound systems try out everything that might be there,
/// and some of what they load (a client of a sound server that does not run) prints what it did not find. Errors that
/// count come back as values.
///
/// Panics and our own messages would be lost as well: it must not live longer than one call into a library.
pub(super) struct Quiet {
    #[cfg(unix)]
    before: Option<std::os::fd::OwnedFd>,
}

impl Quiet {
    /// Throws standard error away; if that cannot be done, nothing is changed.
    #[cfg(unix)]
    pub fn begin() -> Self {
        let nowhere = std::fs::File::options().write(true).open("/dev/null");
        let before = rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stderr(), 3);
        let before = match (nowhere, before) {
            (Ok(nowhere), Ok(before)) => rustix::stdio::dup2_stderr(nowhere).ok().map(|()| before),
            _ => None,
        };
        Self { before }
    }

    /// Does nothing here.
    #[cfg(not(unix))]
    pub fn begin() -> Self {
        Self {}
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        #[cfg(unix)]
        if let Some(before) = self.before.take() {
            // If this fails there is nowhere left to say so.
            let _ = rustix::stdio::dup2_stderr(before);
        }
    }
}
