//! Standard output, which may be a pipe that somebody has read enough of, or a file on a full disk.

use std::fmt;
use std::io::{self, Write};
use std::process;

/// As [`println!`], but ends the program in order where nothing can be printed any more.
macro_rules! say {
    ($($words:tt)*) => { $crate::cli::say::line(format_args!($($words)*)) };
}

/// Prints a line.
pub fn line(words: fmt::Arguments<'_>) {
    or_end(writeln!(io::stdout().lock(), "{words}"));
}

/// Prints a text as it is.
pub fn text(words: &str) {
    or_end(io::stdout().lock().write_all(words.as_bytes()));
}

/// Everything that is kept has been written before anything is said of it, so that ending here loses nothing.
fn or_end(printed: io::Result<()>) {
    let Err(error) = printed.and_then(|()| io::stdout().lock().flush()) else { return };
    if error.kind() == io::ErrorKind::BrokenPipe {
        // Whoever reads has what they wanted (`| head`).
        process::exit(0);
    }
    eprintln!("evenbass: standard output cannot be written: {error}. Make space, or send it elsewhere.");
    process::exit(1);
}
