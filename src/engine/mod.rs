//! Sound: one renderer, ramped and guarded, behind one handle; offline or on a device.
//!
//! The handle lives on a control thread. It checks an order before any sound, and passes commands to the audio thread
//! through a ring; all code of the audio thread is in [`rt`]. What happened comes back as [`Moment`]s.
//!
//! ```
//! use evenbass::engine::{Engine, Moment, OfflineSink, Order, Outputs, ToneId};
//! use evenbass::signal::{CHUNK, Source};
//! use evenbass::units::{Dbfs, FrameCount, SampleRate};
//!
//! struct Steady;
//! impl Source for Steady {
//!     fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
//!         out.fill(1.0);
//!     }
//! }
//!
//! let (sink, recording) = OfflineSink::collect();
//! let mut engine = Engine::offline(SampleRate::HZ_48000, 2, sink);
//! let length = Some(FrameCount(48_000));
//! let (level, outputs) = (Dbfs::new(-60.0), Outputs::one(0));
//! let order = Order { tone: ToneId(1), source: Box::new(Steady), peak: 1.0, lowest_hz: 50.0, level, length, limit: None, outputs };
//! engine.start(order).unwrap();
//! engine.advance(FrameCount(48_000));
//! let mut moments = Vec::new();
//! engine.poll(&mut moments);
//! assert!(matches!(moments.last(), Some(Moment::Finished { frames: FrameCount(48_000), .. })));
//! assert_eq!(recording.take()[2 * 24_000], 0.001);
//! ```

pub mod backend;
mod desk;
mod error;
mod order;
pub mod rt;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

pub use backend::keeper::OnMoment;
use backend::keeper::{self, Keeper};
use backend::offline::Offline;
pub use backend::offline::{OfflineSink, Recording};
use backend::paced::{Paced, TakeBlock};
use backend::{Device, cpal};
pub use backend::{DeviceChoice, DeviceRequest, OutputInfo};
pub use desk::{CEILING_OVER_REFERENCE, START_LEVEL};
use desk::{Desk, start_ceiling};
pub use error::EngineError;
pub use order::{Cause, GuardCounts, MAX_CHANNELS, Moment, Order, Outputs, Polarity, Stopped, ToneId};
pub use rt::HIGHEST_CEILING;
use rt::{Controls, Renderer};

use crate::units::{Dbfs, FrameCount, SampleRate};

/// How long the system may take to say what devices there are.
const CHOOSE_WITHIN: Duration = Duration::from_secs(6);

/// The handle on the sound, for one control thread. The same type for both backends.
pub struct Engine {
    desk: Arc<Mutex<Desk>>,
    backend: Backend,
}

enum Backend {
    Offline(Box<Offline>),
    Live { keeper: Keeper, choice: DeviceChoice },
}

impl Engine {
    /// An engine that renders when [`advance`](Self::advance) is called, and as fast as it can.
    pub fn offline(rate: SampleRate, channels: u16, sink: OfflineSink) -> Self {
        let channels = channels.clamp(1, MAX_CHANNELS as u16);
        let controls = Arc::new(Controls::new(start_ceiling().sine_peak()));
        let (renderer, rings) = Renderer::new(rate, channels, controls.clone());
        let desk = Arc::new(Mutex::new(Desk::new(rate, channels, controls, rings)));
        Self { desk, backend: Backend::Offline(Box::new(Offline::new(renderer, sink))) }
    }

    /// An engine on a sound device, which calls for samples at its own pace.
    ///
    /// `on_moment` is called for each moment on a thread of the engine; it must not block for long. The thread also
    /// watches the device: a lost one is reported, looked for, and opened again, the same one only.
    ///
    /// # Errors
    ///
    /// No such device, or one that is busy, not allowed, not able, or does not answer; each says what to do.
    pub fn live(request: &DeviceRequest, on_moment: OnMoment) -> Result<Self, EngineError> {
        let asked = request.clone();
        let name = request.device.clone().unwrap_or_else(|| "default".to_owned());
        let choosing = keeper::on_helper(move || cpal::choose(&asked));
        let no_answer = || EngineError::NoAnswer { device: name };
        let device = choosing.recv_timeout(CHOOSE_WITHIN).map_err(|_| no_answer())??;
        Self::on_device(Arc::new(device), on_moment)
    }

    /// An engine on a device without hardware, which calls for blocks of `buffer` frames at the pace of a real one and
    /// hands them to `take_block`, interleaved. For measurements.
    ///
    /// # Errors
    ///
    /// No thread for it.
    pub fn paced(
        rate: SampleRate,
        channels: u16,
        buffer: FrameCount,
        take_block: TakeBlock,
        on_moment: OnMoment,
    ) -> Result<Self, EngineError> {
        let name = "no hardware".to_owned();
        let choice = DeviceChoice { id: name.clone(), name, rate, channels, buffer };
        Self::on_device(Arc::new(Paced::new(choice, take_block)), on_moment)
    }

    fn on_device(device: Arc<dyn Device>, on_moment: OnMoment) -> Result<Self, EngineError> {
        let mut stream = keeper::open_first(&device)?;
        let choice = device.choice().clone();
        let rings = stream.rings.take().ok_or(EngineError::DeviceLost)?;
        let desk = Desk::new(choice.rate, choice.channels, stream.controls(), rings);
        let desk = Arc::new(Mutex::new(desk));
        let keeper = Keeper::start(device, stream, desk.clone(), on_moment);
        Ok(Self { desk, backend: Backend::Live { keeper, choice } })
    }

    /// The device, if there is one.
    pub fn device(&self) -> Option<&DeviceChoice> {
        match &self.backend {
            Backend::Live { choice, .. } => Some(choice),
            Backend::Offline(_) => None,
        }
    }

    /// Frames per second.
    pub fn rate(&self) -> SampleRate {
        self.desk().rate()
    }

    /// Output channels.
    pub fn channels(&self) -> u16 {
        self.desk().channels()
    }

    /// The ceiling: no sample passes the peak of a sine at this level.
    pub fn ceiling(&self) -> Dbfs {
        self.desk().ceiling()
    }

    /// Tones ordered and not yet known to have finished.
    pub fn sounding(&self) -> usize {
        self.desk().sounding()
    }

    /// Sounds a tone, beginning with a ramp. Counts as a heartbeat.
    ///
    /// # Errors
    ///
    /// Refuses, before any sound, a peak above the ceiling, a channel that is not there, a length too short for its
    /// ramps, a name in use, and anything while the device is lost.
    pub fn start(&mut self, order: Order) -> Result<(), EngineError> {
        self.desk().start(order)
    }

    /// Brings a tone to another level, gliding over 50 ms.
    ///
    /// # Errors
    ///
    /// Refuses a peak above the ceiling and a tone that does not sound.
    pub fn set_level(&mut self, tone: ToneId, level: Dbfs) -> Result<(), EngineError> {
        self.desk().set_level(tone, level)
    }

    /// Brings a tone to other channels, gains, polarities and delays by a cross-fade that takes as long as a start. A
    /// change asked for while another is under way follows it; of several that wait, the last counts.
    ///
    /// # Errors
    ///
    /// Refuses a peak above the ceiling, a channel that is not there, a delay that is too long, and a tone that does
    /// not sound.
    pub fn set_outputs(&mut self, tone: ToneId, outputs: Outputs) -> Result<(), EngineError> {
        self.desk().set_outputs(tone, outputs)
    }

    /// Fades a tone to silence, within 250 ms. Does nothing if it does not sound.
    pub fn fade(&mut self, tone: ToneId) {
        self.desk().fade(tone);
    }

    /// Fades everything ordered so far, within 250 ms. Never waits behind other commands.
    pub fn fade_all(&mut self) {
        self.desk().fade_all();
    }

    /// Stops everything ordered so far by one ramp of 50 ms. Never waits behind other commands.
    pub fn emergency_stop(&mut self) {
        self.desk().emergency_stop();
    }

    /// Sets the ceiling, never above [`HIGHEST_CEILING`]. A lower one is reached over 50 ms.
    pub fn set_ceiling(&mut self, ceiling: Dbfs) {
        self.desk().set_ceiling(ceiling);
    }

    /// Whether the driver may take the full level below 25 Hz, in tones started from now on. Otherwise their level
    /// falls by 12 dB per octave below it.
    pub fn allow_deep_bass(&mut self, allowed: bool) {
        self.desk().allow_deep_bass(allowed);
    }

    /// Says that somebody is in charge. Two seconds of sound without it, and everything fades.
    pub fn beat(&mut self) {
        self.desk().beat();
    }

    /// Appends what has happened since the last call. A live engine's moments go to its `on_moment` instead.
    pub fn poll(&mut self, out: &mut Vec<Moment>) {
        let mut desk = self.desk();
        desk.collect();
        while let Some(moment) = desk.take_moment() {
            out.push(moment);
        }
    }

    /// Renders `frames` now. A device keeps its own time: there it does nothing.
    pub fn advance(&mut self, frames: FrameCount) {
        match &mut self.backend {
            Backend::Offline(offline) => offline.advance(frames),
            Backend::Live { .. } => {}
        }
    }

    /// Fades what sounds, waits until the device has played it, and closes the device. Takes at most some seconds, even
    /// if the device hangs. Dropping the engine does the same.
    pub fn close(self) {}

    fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Engine {
    fn drop(&mut self) {
        if let Backend::Live { keeper, .. } = &self.backend {
            keeper.close();
        }
    }
}

/// Lists the machine's sound outputs, the default one first.
///
/// # Errors
///
/// No sound system at all, or one that does not answer.
pub fn outputs() -> Result<Vec<OutputInfo>, EngineError> {
    let no_answer = |_| Err(EngineError::NoAnswer { device: "any".to_owned() });
    keeper::on_helper(cpal::outputs).recv_timeout(CHOOSE_WITHIN).unwrap_or_else(no_answer)
}
