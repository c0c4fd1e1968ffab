//! Writes WAV and FLAC files: for a disc or a stick, where no laptop may be connected.
//!
//! A file gets its final name only when it is complete and on the disk; until then it is a temporary file beside it,
//! which vanishes if anything goes wrong.
//!
//! Source: `wav` says where the layout of WAV is from; FLAC is RFC 9639.

mod error;
mod output;
mod quantiser;
#[cfg(test)]
mod tests;
mod wav;

use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

pub use error::SoundFileError;
use flac_codec::encode::{FlacSampleWriter, Options};
use output::Output;
use quantiser::Quantiser;
use tempfile::NamedTempFile;

use crate::units::SampleRate;

/// The most channels that a file may have; FLAC has room for no more.
pub const MOST_CHANNELS: usize = 8;

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sample {
    /// 16-bit whole numbers, with dither.
    Int16,
    /// 24-bit whole numbers, with dither.
    Int24,
    /// 32-bit floating point, as rendered. WAV only.
    Float32,
}

impl Sample {
    const fn bytes(self) -> u16 {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Float32 => 4,
        }
    }
}

/// What kind of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// RIFF/WAVE.
    Wav,
    /// Free Lossless Audio Codec.
    Flac,
}

impl Container {
    /// Tells by the ending of a file's name, `.wav` or `.flac` in any case.
    ///
    /// # Errors
    /// [`SoundFileError::UnknownEnding`].
    pub fn of(path: &Path) -> Result<Self, SoundFileError> {
        let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default().to_ascii_lowercase();
        match ending.as_str() {
            "wav" | "wave" => Ok(Self::Wav),
            "flac" => Ok(Self::Flac),
            _ => Err(SoundFileError::UnknownEnding { path: path.to_owned() }),
        }
    }
}

/// How a file is to be written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    /// WAV or FLAC.
    pub container: Container,
    /// How each sample is stored.
    pub sample: Sample,
    /// Frames a second.
    pub rate: SampleRate,
    /// Interleaved channels, 1 to 8, in the order of the bits of `channel_mask`.
    pub channels: u16,
    /// WAV speaker bits, one for each channel, lowest first (0x3 left and right, 0x8 LFE, 0x3F 5.1); 0 says nothing
    /// about where the channels belong.
    pub channel_mask: u32,
    /// Seed of the dither.
    pub dither_seed: u64,
}

/// What happens to a file that has the name already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// It stays, and writing fails.
    Keep,
    /// It is replaced when the new one is complete.
    Replace,
}

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Frames in the file.
    pub frames: u64,
    /// Samples that did not fit into whole numbers and were held at the largest one.
    pub clipped: u64,
}

/// A file being written. Dropped before [`SoundFile::finish`] it leaves nothing behind.
pub struct SoundFile {
    path: PathBuf,
    existing: Existing,
    format: Format,
    temporary: NamedTempFile,
    output: Output,
    body: Body,
    quantiser: Quantiser,
    samples: u64,
}

enum Body {
    Wav(Vec<u8>),
    Flac(Box<FlacSampleWriter<Output>>, Vec<i32>),
}

impl SoundFile {
    /// Begins a file. Control thread only.
    ///
    /// # Errors
    /// [`SoundFileError`], before anything has been written under the final name.
    pub fn create(path: &Path, format: Format, existing: Existing) -> Result<Self, SoundFileError> {
        check(path, format, existing)?;
        let failed = |source| SoundFileError::Write { path: path.to_owned(), source };
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let temporary = output::beside(folder).map_err(failed)?;
        let output = Output::new(temporary.reopen().map_err(failed)?);
        let body = match format.container {
            Container::Wav => {
                output.clone().write_all(&wav::header(format, 0)).map_err(failed)?;
                Body::Wav(Vec::new())
            }
            Container::Flac => Body::Flac(Box::new(flac(format, output.clone()).map_err(failed)?), Vec::new()),
        };
        let quantiser = Quantiser::new(format.dither_seed);
        Ok(Self { path: path.to_owned(), existing, format, temporary, output, body, quantiser, samples: 0 })
    }

    /// Appends interleaved frames; full scale is ±1. How they are split over calls makes no difference.
    ///
    /// # Errors
    /// [`SoundFileError::Write`] or [`SoundFileError::TooLarge`].
    pub fn write(&mut self, interleaved: &[f32]) -> Result<(), SoundFileError> {
        self.samples += interleaved.len() as u64;
        let size = self.samples * u64::from(self.format.sample.bytes());
        let result = match &mut self.body {
            Body::Wav(_) if size > u64::from(u32::MAX) - 128 => {
                return Err(SoundFileError::TooLarge { path: self.path.clone() });
            }
            Body::Wav(bytes) => {
                bytes.clear();
                self.quantiser.encode(interleaved, self.format.sample, bytes);
                self.output.write_all(bytes)
            }
            Body::Flac(writer, whole) => {
                whole.clear();
                let bits = 8 * u32::from(self.format.sample.bytes());
                whole.extend(interleaved.iter().map(|sample| self.quantiser.quantise(*sample, bits)));
                writer.write(whole).map_err(io_error)
            }
        };
        result.map_err(|source| SoundFileError::Write { path: self.path.clone(), source })
    }

    /// Completes the file, waits until it is on the disk, and gives it its name.
    ///
    /// # Errors
    /// [`SoundFileError::Write`], or [`SoundFileError::Exists`] if a file of that name has appeared meanwhile.
    pub fn finish(mut self) -> Result<Written, SoundFileError> {
        let failed = |source| SoundFileError::Write { path: self.path.clone(), source };
        match self.body {
            Body::Wav(_) => {
                let size = self.samples * u64::from(self.format.sample.bytes());
                if size % 2 == 1 {
                    self.output.write_all(&[0]).map_err(failed)?;
                }
                self.output.seek(SeekFrom::Start(0)).map_err(failed)?;
                self.output.write_all(&wav::header(self.format, size as u32)).map_err(failed)?;
            }
            Body::Flac(writer, _) => writer.finalize().map_err(io_error).map_err(failed)?,
        }
        self.output.flush().map_err(failed)?;
        self.temporary.as_file().sync_all().map_err(failed)?;
        let named = match self.existing {
            Existing::Keep => self.temporary.persist_noclobber(&self.path),
            Existing::Replace => self.temporary.persist(&self.path),
        };
        named.map_err(|error| match error.error.kind() {
            io::ErrorKind::AlreadyExists => SoundFileError::Exists { path: self.path.clone() },
            _ => SoundFileError::Write { path: self.path.clone(), source: error.error },
        })?;
        Ok(Written { frames: self.samples / u64::from(self.format.channels), clipped: self.quantiser.clipped() })
    }
}

fn check(path: &Path, format: Format, existing: Existing) -> Result<(), SoundFileError> {
    let Format { channels, channel_mask: mask, .. } = format;
    let named = mask == 0 || mask.count_ones() == u32::from(channels);
    if channels == 0 || usize::from(channels) > MOST_CHANNELS || !named {
        return Err(SoundFileError::Channels { channels, mask });
    }
    if format.container == Container::Flac && format.sample == Sample::Float32 {
        return Err(SoundFileError::FloatFlac);
    }
    if existing == Existing::Keep && path.symlink_metadata().is_ok() {
        return Err(SoundFileError::Exists { path: path.to_owned() });
    }
    Ok(())
}

fn flac(format: Format, output: Output) -> io::Result<FlacSampleWriter<Output>> {
    let mut options = Options::default();
    if format.channel_mask != 0 {
        options = options.tag("WAVEFORMATEXTENSIBLE_CHANNEL_MASK", format!("0x{:04X}", format.channel_mask));
    }
    let bits = 8 * u32::from(format.sample.bytes());
    // `check` has seen to it that there are at most eight channels.
    FlacSampleWriter::new(output, options, format.rate.hz(), bits, format.channels as u8, None).map_err(io_error)
}

fn io_error(error: flac_codec::Error) -> io::Error {
    match error {
        flac_codec::Error::Io(error) => error,
        other => io::Error::other(other.to_string()),
    }
}
