//! `evenbass render`: the samples that a device would get, in a file.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use clap::{Args, ValueEnum};

use crate::cli::Failure;
use crate::cli::args::{Render, RenderWhat};
use crate::cli::routing::{FILE_LAYOUTS, Routing};
use crate::engine::{self, Engine, HIGHEST_CEILING, Moment, OfflineSink, Outputs, ToneId};
use crate::signal::channels::{Order, usual_layout, wav_mask};
use crate::signal::delay::History;
use crate::signal::{CHUNK, Prepared, Recipe};
use crate::sound_file::{Container, Existing, Format, MOST_CHANNELS, Sample, SoundFile, SoundFileError};
use crate::units::{Dbfs, FrameCount, GainDb, SampleRate};

/// Frames rendered at a time.
const BLOCK: FrameCount = FrameCount(48_000);
/// How long a signal without an end lasts if nobody says.
const USUAL_SECONDS: f64 = 10.0;

/// How a signal is written.
#[derive(Debug, Clone, Args)]
pub struct Writing {
    /// The file; .wav or .flac.
    #[arg(short, long, value_name = "FILE")]
    pub output: PathBuf,
    /// Level, dBFS (a full-scale sine is 0).
    #[arg(long, default_value_t = -20.0, allow_negative_numbers = true)]
    pub dbfs: f64,
    /// How long, ramps included; a signal's own length, or 10 s, otherwise.
    #[arg(long)]
    pub seconds: Option<f64>,
    /// Frames a second.
    #[arg(long, default_value_t = 48_000)]
    pub rate: u32,
    /// How samples are stored; 32-bit float for WAV and 24 bit for FLAC otherwise.
    #[arg(long)]
    pub sample: Option<SampleName>,
    /// Begin and end at full level, without ramps.
    #[arg(long)]
    pub no_ramp: bool,
    /// Draw the signal's spectrum and level over time as SVG, too.
    #[arg(long, value_name = "FILE.svg")]
    pub picture: Option<PathBuf>,
    #[command(flatten)]
    pub routing: Routing,
    /// Replace the file if it is there.
    #[arg(long)]
    pub force: bool,
}

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SampleName {
    /// 16-bit whole numbers, dithered.
    #[value(name = "16")]
    Int16,
    /// 24-bit whole numbers, dithered.
    #[value(name = "24")]
    Int24,
    /// 32-bit floating point, as rendered.
    #[value(name = "32f")]
    Float32,
}

/// Writes what was asked for.
pub fn run(render: &Render) -> Result<(), Failure> {
    match &render.what {
        RenderWhat::Signal(signal) => one_signal(&signal.recipe()?, signal.how()),
        RenderWhat::Set(set) => super::render_set::run(set),
        RenderWhat::Routine(routine) => super::render_routine::run(routine),
        RenderWhat::Wiring(rounds) => super::render_rounds::wiring(rounds),
        RenderWhat::Identify(rounds) => super::render_rounds::identify(rounds),
    }
}

fn one_signal(recipe: &Recipe, how: &Writing) -> Result<(), Failure> {
    let rate = rate(how.rate)?;
    let prepared = recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let level = level(how, &prepared)?;
    let frames = length(how, &prepared, rate)?;
    if let Some(picture) = how.picture.as_ref().filter(|picture| !how.force && picture.symlink_metadata().is_ok()) {
        return Err(SoundFileError::Exists { path: picture.clone() }.into());
    }
    let target = Target::of(&how.routing)?;
    let format = format(&how.output, how.sample, rate, &target)?;
    let file = SoundFile::create(&how.output, format, existing(how))?;
    let piece = Piece { prepared, level, frames, gap: FrameCount(0), outputs: target.outputs };
    let stream = Stream { rate, channels: target.channels, ceiling: HIGHEST_CEILING, deep_bass: true };
    let written = if how.no_ramp { unramped(piece, stream, file)? } else { ramped(vec![piece], stream, file)? };
    if let Some(picture) = &how.picture {
        super::signal_picture::write(picture, recipe, level, (frames, rate))?;
    }
    eprintln!("{}: {:.3} s, {} frames.", how.output.display(), written.seconds(rate), written.0);
    Ok(())
}

/// A rate that can be written.
pub(super) fn rate(hz: u32) -> Result<SampleRate, Failure> {
    let possible = SampleRate::new(hz).filter(|rate| (8_000..=384_000).contains(&rate.hz()));
    possible.ok_or_else(|| Failure::Usage(format!("--rate {hz}: 8000 to 384000 Hz can be written.")))
}

/// The channels of a file and which of them sound.
#[derive(Debug, Clone, Copy)]
pub(super) struct Target {
    pub channels: u16,
    mask: u32,
    pub outputs: Outputs,
}

impl Target {
    pub fn of(routing: &Routing) -> Result<Self, Failure> {
        let channels = routing.channels_needed(Order::Wav, FILE_LAYOUTS)?.unwrap_or(1);
        if usize::from(channels) > MOST_CHANNELS {
            return Err(Failure::Usage(format!(
                "--channels: a file has at most {MOST_CHANNELS} channels, not {channels}."
            )));
        }
        let mask = usual_layout(Order::Wav, channels.into()).and_then(wav_mask).unwrap_or(0);
        Ok(Self { channels, mask, outputs: routing.outputs(Order::Wav, channels)? })
    }
}

/// One tone of a file.
pub(super) struct Piece {
    pub prepared: Prepared,
    pub level: Dbfs,
    pub frames: FrameCount,
    /// Silence after it.
    pub gap: FrameCount,
    pub outputs: Outputs,
}

/// What all tones of a file go through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stream {
    pub rate: SampleRate,
    pub channels: u16,
    pub ceiling: Dbfs,
    /// No fall below 25 Hz.
    pub deep_bass: bool,
}

fn level(how: &Writing, prepared: &Prepared) -> Result<Dbfs, Failure> {
    let level = Dbfs::new(how.dbfs);
    let peak = level + GainDb::new(20.0 * libm::log10(prepared.peak)) + how.routing.highest_gain();
    // Without ramps nothing is meant for a loudspeaker as it is: only full scale limits it.
    let highest = if how.no_ramp { Dbfs::new(0.0) } else { HIGHEST_CEILING };
    if !level.dbfs().is_finite() || peak.dbfs() > highest.dbfs() + 1e-9 {
        return Err(Failure::Usage(format!(
            "--dbfs {}: the signal would peak at {peak}, above {highest}. Ask for {:.1} dBFS or less.",
            how.dbfs,
            (highest - (peak - level)).dbfs()
        )));
    }
    Ok(level)
}

fn length(how: &Writing, prepared: &Prepared, rate: SampleRate) -> Result<FrameCount, Failure> {
    let asked = how.seconds.map(|seconds| (seconds, rate.frames(seconds)));
    match asked {
        Some((seconds, frames)) if frames.0 == 0 || seconds > 86_400.0 => {
            Err(Failure::Usage(format!("--seconds {seconds}: more than nothing and at most a day can be written.")))
        }
        Some((_, frames)) => Ok(frames),
        // A delayed channel ends as much later.
        None => Ok(match prepared.length {
            Some(length) => FrameCount(length.0 + rate.frames(how.routing.longest_delay_s()).0),
            None => rate.frames(USUAL_SECONDS),
        }),
    }
}

/// How a file of this name is written.
pub(super) fn format(
    path: &Path,
    sample: Option<SampleName>,
    rate: SampleRate,
    target: &Target,
) -> Result<Format, Failure> {
    let container = Container::of(path).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let sample = match (sample, container) {
        (Some(SampleName::Float32), Container::Flac) => {
            return Err(Failure::Usage(SoundFileError::FloatFlac.to_string()));
        }
        (Some(SampleName::Int16), _) => Sample::Int16,
        (Some(SampleName::Int24), _) | (None, Container::Flac) => Sample::Int24,
        (Some(SampleName::Float32), _) | (None, Container::Wav) => Sample::Float32,
    };
    Ok(Format { container, sample, rate, channels: target.channels, channel_mask: target.mask, dither_seed: 1 })
}

fn existing(how: &Writing) -> Existing {
    if how.force { Existing::Replace } else { Existing::Keep }
}

/// Through the engine, as a device would get it: one tone after the other. A single one has its exact length; of
/// several, each begins on the engine's grid of chunks, so that up to two chunks more lie between them.
pub(super) fn ramped(pieces: Vec<Piece>, stream: Stream, file: SoundFile) -> Result<FrameCount, Failure> {
    let most = match pieces.as_slice() {
        [only] => (only.frames.0 + only.gap.0) * u64::from(stream.channels),
        _ => u64::MAX,
    };
    let file = Arc::new(Mutex::new((Some(file), most, Ok(()))));
    let taking = file.clone();
    let sink = OfflineSink::each(move |samples| {
        let mut guard = taking.lock().unwrap_or_else(PoisonError::into_inner);
        let (file, left, failed) = &mut *guard;
        let take = samples.len().min(usize::try_from(*left).unwrap_or(usize::MAX));
        *left -= take as u64;
        if let (Some(file), Ok(())) = (file, &failed) {
            *failed = file.write(&samples[..take]);
        }
    });
    let mut engine = Engine::offline(stream.rate, stream.channels, sink);
    engine.set_ceiling(stream.ceiling);
    engine.allow_deep_bass(stream.deep_bass);
    // There is no use in going on with a full disk.
    let failed = || file.lock().unwrap_or_else(PoisonError::into_inner).2.is_err();
    for (piece, number) in pieces.into_iter().zip(1..) {
        let order = engine::Order {
            tone: ToneId(number),
            source: piece.prepared.source,
            peak: piece.prepared.peak,
            lowest_hz: piece.prepared.lowest_hz,
            level: piece.level,
            length: Some(piece.frames),
            limit: None,
            outputs: piece.outputs,
        };
        engine.start(order).map_err(|refused| Failure::Usage(refused.to_string()))?;
        advance(&mut engine, piece.frames, failed);
        while engine.sounding() > 0 && !failed() {
            advance(&mut engine, FrameCount(CHUNK as u64), failed);
        }
        advance(&mut engine, piece.gap, failed);
    }
    drop(engine);
    let mut guard = file.lock().unwrap_or_else(PoisonError::into_inner);
    std::mem::replace(&mut guard.2, Ok(()))?;
    finish(guard.0.take())
}

/// Lets the engine render, unless the file has failed.
fn advance(engine: &mut Engine, frames: FrameCount, failed: impl Fn() -> bool) {
    let mut moments: Vec<Moment> = Vec::new();
    let mut left = frames.0;
    while left > 0 && !failed() {
        engine.beat();
        engine.advance(FrameCount(left.min(BLOCK.0)));
        left -= left.min(BLOCK.0);
        moments.clear();
        engine.poll(&mut moments);
    }
}

/// The bare signal, from its first sample to its last.
fn unramped(piece: Piece, stream: Stream, mut file: SoundFile) -> Result<FrameCount, Failure> {
    let Piece { mut prepared, level, frames, outputs, .. } = piece;
    let gain = level.sine_peak();
    let (paths, mut history) = (outputs.paths(stream.rate), History::new(stream.rate));
    let mut chunk = [0.0; CHUNK];
    let mut left = frames.0 as usize;
    let mut interleaved = Vec::with_capacity(CHUNK * usize::from(stream.channels));
    while left > 0 {
        prepared.source.next_chunk(&mut chunk);
        history.push(&chunk.map(|sample| gain * sample));
        let take = left.min(CHUNK);
        interleaved.clear();
        for frame in 0..take {
            let channels = paths.iter().take(stream.channels.into());
            interleaved.extend(channels.map(|path| history.read(path, frame) as f32));
        }
        file.write(&interleaved)?;
        left -= take;
    }
    finish(Some(file))
}

fn finish(file: Option<SoundFile>) -> Result<FrameCount, Failure> {
    let file = file.ok_or_else(|| anyhow::anyhow!("the file was finished twice"))?;
    Ok(FrameCount(file.finish()?.frames))
}
