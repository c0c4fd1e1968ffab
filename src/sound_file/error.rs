//! Why a sound file could not be written.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

/// Why a file could not be written. Nothing is left under the final name, and what was there is still there.
#[derive(Debug, Error)]
pub enum SoundFileError {
    /// The name ends in neither `.wav` nor `.flac`.
    #[error("cannot tell the kind of file from the name {}: end it in .wav or .flac", path.display())]
    UnknownEnding {
        /// The name.
        path: PathBuf,
    },
    /// There is a file of that name.
    #[error("{} exists already and was not replaced; choose another name, or say --force", path.display())]
    Exists {
        /// The name.
        path: PathBuf,
    },
    /// Too few or too many channels, or a mask for another number of channels.
    #[error(
        "{channels} channels with the mask {mask:#x}: a file has 1 to 8 channels, and a mask names each of them or is 0"
    )]
    Channels {
        /// What was asked for.
        channels: u16,
        /// What was asked for.
        mask: u32,
    },
    /// FLAC stores whole numbers only.
    #[error("FLAC cannot store 32-bit floating point; choose 16 or 24 bits, or WAV")]
    FloatFlac,
    /// The format's counters end.
    #[error("{} would be larger than the 4 GiB that a WAV file can hold; render less at a time, or FLAC", path.display())]
    TooLarge {
        /// The name.
        path: PathBuf,
    },
    /// The disk is full, the folder is not there or read-only, or the like.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// The name.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}
