//! Writes WAV and FLAC files: for a disc or a stick, where no laptop may be connected.
//!
//! A file gets its final name only when it is complete and on the disk; until then it is a temporary file beside it, which
//! vanishes if anything goes wrong.
//!
//! Source: the layout of WAVE_FORMAT_EXTENSIBLE and its speaker bits are Microsoft's, of 2001 and later; FLAC is RFC 9639.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use flac_codec::encode::{FlacSampleWriter, Options};
use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64;
use tempfile::NamedTempFile;
use thiserror::Error;

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
    /// WAV speaker bits, one for each channel, lowest first (0x3 left and right, 0x8 LFE, 0x3F 5.1); 0 says nothing about
    /// where the channels belong.
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
        let temporary = beside(folder).map_err(failed)?;
        let output = Output::new(temporary.reopen().map_err(failed)?);
        let body = match format.container {
            Container::Wav => {
                output.clone().write_all(&wav_header(format, 0)).map_err(failed)?;
                Body::Wav(Vec::new())
            }
            Container::Flac => Body::Flac(Box::new(flac(format, output.clone()).map_err(failed)?), Vec::new()),
        };
        let quantiser = Quantiser { dither: Pcg64::seed_from_u64(format.dither_seed), clipped: 0 };
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
                self.output.write_all(&wav_header(self.format, size as u32)).map_err(failed)?;
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
        Ok(Written { frames: self.samples / u64::from(self.format.channels), clipped: self.quantiser.clipped })
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

/// A temporary file with the permissions of an ordinary one: what the person's mask leaves of reading and writing for all.
fn beside(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".evenbass-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// One buffered file with two holders: the FLAC encoder keeps its writer to itself, and would swallow the error of the last
/// flush.
#[derive(Clone)]
struct Output(Arc<Mutex<BufWriter<File>>>);

impl Output {
    fn new(file: File) -> Self {
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

/// RIFF header, extensible format chunk, fact chunk for floating point, and the head of the data chunk.
fn wav_header(format: Format, data_bytes: u32) -> Vec<u8> {
    let sample_bytes = format.sample.bytes();
    let block_bytes = sample_bytes * format.channels;
    let is_float = format.sample == Sample::Float32;
    let mut body = b"WAVEfmt ".to_vec();
    body.extend(40_u32.to_le_bytes());
    body.extend(0xFFFE_u16.to_le_bytes());
    body.extend(format.channels.to_le_bytes());
    body.extend(format.rate.hz().to_le_bytes());
    body.extend((format.rate.hz() * u32::from(block_bytes)).to_le_bytes());
    body.extend(block_bytes.to_le_bytes());
    body.extend((8 * sample_bytes).to_le_bytes());
    body.extend(22_u16.to_le_bytes());
    body.extend((8 * sample_bytes).to_le_bytes());
    body.extend(format.channel_mask.to_le_bytes());
    // The format's identity: 1 for whole numbers or 3 for floating point, in front of a fixed tail.
    body.extend(if is_float { 3_u32 } else { 1 }.to_le_bytes());
    body.extend([0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71]);
    if is_float {
        body.extend(b"fact");
        body.extend(4_u32.to_le_bytes());
        body.extend((data_bytes / u32::from(block_bytes)).to_le_bytes());
    }
    body.extend(b"data");
    body.extend(data_bytes.to_le_bytes());
    let mut header = b"RIFF".to_vec();
    header.extend((body.len() as u32 + data_bytes + data_bytes % 2).to_le_bytes());
    header.extend(body);
    header
}

/// Makes whole numbers of samples. Triangular dither of ±1 step keeps the error free of distortion and of any
/// dependence on the signal; it costs 4.77 dB of noise.
struct Quantiser {
    dither: Pcg64,
    clipped: u64,
}

impl Quantiser {
    fn quantise(&mut self, sample: f32, bits: u32) -> i32 {
        let full_scale = f64::from(1_u32 << (bits - 1));
        let random = self.dither.next_u64();
        // Two independent even distributions over 0 to 1; their sum less 1 is triangular from -1 to 1.
        let low = f64::from(random as u32);
        let high = f64::from((random >> 32) as u32);
        let dither = (low + high + 1.0) / 4_294_967_296.0 - 1.0;
        let stepped = (f64::from(sample) * full_scale + dither).round_ties_even();
        let held = stepped.clamp(-full_scale, full_scale - 1.0);
        self.clipped += u64::from(held != stepped);
        // A sample that is not a number becomes silence.
        held as i32
    }

    fn encode(&mut self, interleaved: &[f32], sample: Sample, bytes: &mut Vec<u8>) {
        match sample {
            Sample::Float32 => bytes.extend(interleaved.iter().flat_map(|sample| sample.to_le_bytes())),
            Sample::Int16 => {
                bytes.extend(interleaved.iter().flat_map(|sample| (self.quantise(*sample, 16) as i16).to_le_bytes()));
            }
            Sample::Int24 => bytes.extend(interleaved.iter().flat_map(|sample| {
                let [low, middle, high, _] = self.quantise(*sample, 24).to_le_bytes();
                [low, middle, high]
            })),
        }
    }
}

#[cfg(test)]
mod tests {
    use flac_codec::decode::{FlacSampleReader, Metadata};
    use realfft::RealFftPlanner;

    use super::*;

    const FRAMES: usize = 65_536;

    fn format(container: Container, sample: Sample, channels: u16, channel_mask: u32) -> Format {
        Format { container, sample, rate: SampleRate::HZ_48000, channels, channel_mask, dither_seed: 1 }
    }

    /// 85 periods in 65536 frames.
    fn sine(peak: f64) -> Vec<f32> {
        let angle = |n: usize| std::f64::consts::TAU * 85.0 * n as f64 / FRAMES as f64;
        (0..FRAMES).map(|n| (peak * angle(n).sin()) as f32).collect()
    }

    fn write(path: &Path, format: Format, samples: &[f32]) -> Written {
        let mut file = SoundFile::create(path, format, Existing::Keep).unwrap();
        samples.chunks(1000).for_each(|chunk| file.write(chunk).unwrap());
        file.finish().unwrap()
    }

    /// Everything but the tone over the total, dB (AES17 THD+N, coherent sampling).
    fn noise_db(samples: &[f64]) -> f64 {
        let transform = RealFftPlanner::new().plan_fft_forward(samples.len());
        let mut bins = transform.make_output_vec();
        transform.process(&mut samples.to_vec(), &mut bins).unwrap();
        let power = |(bin, value): (usize, &realfft::num_complex::Complex64)| (bin, value.norm_sqr());
        let (tone, rest): (Vec<_>, Vec<_>) = bins.iter().enumerate().map(power).partition(|(bin, _)| *bin == 85);
        10.0 * (rest.iter().map(|(_, power)| power).sum::<f64>() / tone[0].1).log10()
    }

    fn read_wav(path: &Path, full_scale: f64) -> Vec<f64> {
        let mut reader = hound::WavReader::open(path).unwrap();
        reader.samples::<i32>().map(|sample| f64::from(sample.unwrap()) / full_scale).collect()
    }

    #[test]
    fn whole_numbers_with_dither_are_as_quiet_as_theory_says() {
        // Sine to quantisation noise with triangular dither: 93.3193 dB at 16 bits, 141.4841 dB at 24; here 1 dB less tone.
        let folder = tempfile::tempdir().unwrap();
        let tone = sine(10_f64.powf(-1.0 / 20.0));
        for (name, sample, full_scale, theory_db) in
            [("a.wav", Sample::Int16, 32_768.0, -92.3193), ("b.wav", Sample::Int24, 8_388_608.0, -140.4841)]
        {
            let path = folder.path().join(name);
            let written = write(&path, format(Container::Wav, sample, 1, 0x4), &tone);
            assert_eq!(written, Written { frames: FRAMES as u64, clipped: 0 });
            let found = noise_db(&read_wav(&path, full_scale));
            assert!((found - theory_db).abs() < 0.5, "{name}: {found} dB");
        }
    }

    #[test]
    fn floating_point_is_stored_bit_for_bit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("float.wav");
        let samples = sine(0.7);
        write(&path, format(Container::Wav, Sample::Float32, 2, 0x3), &samples);
        let mut reader = hound::WavReader::open(&path).unwrap();
        assert_eq!((reader.spec().channels, reader.duration()), (2, FRAMES as u32 / 2));
        assert_eq!(reader.samples::<f32>().map(Result::unwrap).collect::<Vec<_>>(), samples);
    }

    #[test]
    fn flac_holds_the_same_numbers_as_wav_and_says_which_channels() {
        let folder = tempfile::tempdir().unwrap();
        for (sample, full_scale) in [(Sample::Int16, 32_768.0), (Sample::Int24, 8_388_608.0)] {
            let (wav, flac) =
                (folder.path().join(format!("{sample:?}.wav")), folder.path().join(format!("{sample:?}.flac")));
            let samples: Vec<f32> = sine(0.5)[..6 * 10_000].to_vec();
            write(&wav, format(Container::Wav, sample, 6, 0x3F), &samples);
            write(&flac, format(Container::Flac, sample, 6, 0x3F), &samples);
            let mut reader = FlacSampleReader::open(&flac).unwrap();
            assert_eq!((reader.channel_count(), u32::from(reader.channel_mask())), (6, 0x3F));
            let mut whole = Vec::new();
            reader.read_to_end(&mut whole).unwrap();
            let expected: Vec<i32> = read_wav(&wav, full_scale).iter().map(|x| (x * full_scale) as i32).collect();
            assert_eq!(whole, expected);
        }
    }

    #[test]
    fn the_wav_header_names_the_channels() {
        // WAVE_FORMAT_EXTENSIBLE: tag 0xFFFE at byte 20, mask at byte 40, sub-format at byte 44.
        for (channels, mask) in [(1, 0x4), (1, 0x8), (2, 0x3), (3, 0xB), (6, 0x3F), (6, 0x60F), (8, 0x63F)] {
            let header = wav_header(format(Container::Wav, Sample::Int24, channels, mask), 0);
            assert_eq!(header[20..22], [0xFE, 0xFF]);
            assert_eq!(header[22..24], channels.to_le_bytes());
            assert_eq!(header[40..44], mask.to_le_bytes());
            assert_eq!(header[44..46], [1, 0]);
        }
        let odd = file_of_one_24_bit_sample();
        assert_eq!(odd.len() % 2, 0);
        assert_eq!(odd[4..8], (odd.len() as u32 - 8).to_le_bytes());
    }

    fn file_of_one_24_bit_sample() -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("odd.wav");
        write(&path, format(Container::Wav, Sample::Int24, 1, 0x4), &[0.5]);
        std::fs::read(path).unwrap()
    }

    #[test]
    fn an_existing_file_is_replaced_only_on_demand_and_only_by_a_complete_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kept.wav");
        std::fs::write(&path, "mine").unwrap();
        let wanted = format(Container::Wav, Sample::Int16, 1, 0);
        let refused = SoundFile::create(&path, wanted, Existing::Keep).err().unwrap().to_string();
        assert!(refused.contains("kept.wav exists already") && refused.contains("--force"), "{refused}");
        let mut unfinished = SoundFile::create(&path, wanted, Existing::Replace).unwrap();
        unfinished.write(&[0.1; 100_000]).unwrap();
        drop(unfinished);
        assert_eq!(std::fs::read(&path).unwrap(), b"mine");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        SoundFile::create(&path, wanted, Existing::Replace).unwrap().finish().unwrap();
        assert_eq!(hound::WavReader::open(&path).unwrap().duration(), 0);
    }

    #[test]
    fn a_file_that_appears_meanwhile_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("late.wav");
        let file = SoundFile::create(&path, format(Container::Wav, Sample::Int16, 1, 0), Existing::Keep).unwrap();
        std::fs::write(&path, "mine").unwrap();
        assert!(matches!(file.finish(), Err(SoundFileError::Exists { .. })));
        assert_eq!(std::fs::read(&path).unwrap(), b"mine");
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_is_reported() {
        let mut output = Output::new(File::options().write(true).open("/dev/full").unwrap());
        assert!(output.write_all(&[0; 1 << 20]).is_err());
    }

    #[test]
    fn too_large_samples_are_held_and_counted() {
        let mut quantiser = Quantiser { dither: Pcg64::seed_from_u64(3), clipped: 0 };
        assert_eq!(quantiser.quantise(1.5, 16), 32_767);
        assert_eq!(quantiser.quantise(-1.5, 16), -32_768);
        assert_eq!(quantiser.quantise(f32::NAN, 16), 0);
        assert!(quantiser.clipped >= 2);
    }

    #[test]
    fn impossible_formats_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let refuse = |name: &str, format: Format| {
            SoundFile::create(&folder.path().join(name), format, Existing::Keep).err().unwrap().to_string()
        };
        assert!(refuse("a.wav", format(Container::Wav, Sample::Int16, 9, 0)).contains("9 channels"));
        assert!(refuse("a.wav", format(Container::Wav, Sample::Int16, 2, 0x3F)).contains("0x3f"));
        assert!(refuse("a.flac", format(Container::Flac, Sample::Float32, 1, 0)).contains("FLAC cannot store"));
        assert!(refuse("no/a.wav", format(Container::Wav, Sample::Int16, 1, 0)).contains("cannot write"));
        assert!(Container::of(Path::new("tone.mp3")).unwrap_err().to_string().contains(".wav or .flac"));
        assert_eq!(Container::of(Path::new("tone.FLAC")).unwrap(), Container::Flac);
    }
}
