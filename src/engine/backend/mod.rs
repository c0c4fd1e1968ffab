//! What carries the renderer's samples away: nothing, memory, a closure, or a device.

#[cfg(target_os = "linux")]
mod alsa_quiet;
pub(in crate::engine) mod cpal;
pub(in crate::engine) mod keeper;
pub mod offline;
pub(in crate::engine) mod paced;

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use crate::engine::error::EngineError;
use crate::engine::rt::Callback;
use crate::units::{FrameCount, SampleRate};

/// Which device to open, and how.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DeviceRequest {
    /// Its id or name, as `evenbass outputs` prints them; the system's default without.
    pub device: Option<String>,
    /// Frames per second; 48 kHz without, or the nearest the device knows.
    pub rate: Option<SampleRate>,
    /// Channels; stereo without, or what comes nearest to it.
    pub channels: Option<u16>,
    /// Frames per callback to ask for; 1024 without, or the nearest the device knows.
    pub buffer: Option<FrameCount>,
}

/// The device that was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceChoice {
    /// What identifies it from run to run. A visit never moves to another one by itself.
    pub id: String,
    /// What it calls itself.
    pub name: String,
    /// Frames per second.
    pub rate: SampleRate,
    /// Channels in a frame.
    pub channels: u16,
    /// Frames per callback that are asked for; the system may give others.
    pub buffer: FrameCount,
}

/// What a sound output can do.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct OutputInfo {
    /// What identifies it from run to run.
    pub id: String,
    /// What it calls itself.
    pub name: String,
    /// Whether the system takes it when none is named.
    pub is_default: bool,
    /// Channel counts it can be opened with.
    pub channels: Vec<u16>,
    /// Lowest and highest of each range of rates, in Hz.
    pub rates_hz: Vec<(u32, u32)>,
    /// Smallest and largest buffer in frames, if known.
    pub buffer_frames: Option<(u32, u32)>,
    /// Why it cannot be used at present, if so.
    pub problem: Option<String>,
}

/// A device that can be opened again and again with the same settings.
pub(in crate::engine) trait Device: Send + Sync {
    /// What it offers, for the handle.
    fn choice(&self) -> &DeviceChoice;

    /// Opens a stream that calls back from now on. May block as long as the system likes.
    fn open(&self, callback: Callback, faults: std::sync::Arc<Faults>) -> Result<Box<dyn Line>, EngineError>;
}

/// An open stream. Dropping it closes it, which may block as long as the system likes, and cuts off what is not played
/// yet.
pub(in crate::engine) trait Line: Send {
    /// Now, on the clock of the playback times that its callback was given.
    fn now_ns(&self) -> u64;
}

/// What a stream's error callback, which may run on the audio thread, noticed.
#[derive(Debug, Default)]
pub(in crate::engine) struct Faults {
    gaps: AtomicU64,
    gone: AtomicBool,
}

impl Faults {
    /// The device ran out of samples.
    pub fn count_gap(&self) {
        self.gaps.fetch_add(1, Ordering::AcqRel);
    }

    /// The system says that the stream is over.
    pub fn set_gone(&self) {
        self.gone.store(true, Ordering::Release);
    }

    pub fn gaps(&self) -> u64 {
        self.gaps.load(Ordering::Acquire)
    }

    pub fn gone(&self) -> bool {
        self.gone.load(Ordering::Acquire)
    }
}
