//! Keeps a device sounding: a thread that carries reports, watches the callback, and opens the device anew when it is
//! lost.
//!
//! A device that is gone calls back no more, often without an error, and closing its stream may block for ever. So the
//! keeper never opens or closes a stream itself: helper threads do, and it waits for them only so long.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};

use super::{Device, Faults, Line};
use crate::engine::desk::{Desk, start_ceiling};
use crate::engine::error::EngineError;
use crate::engine::order::Moment;
use crate::engine::rt::{Callback, Controls, Renderer, Rings};

/// How often reports are carried and the callback is watched.
const TURN: Duration = Duration::from_millis(5);
/// Callbacks staying away for this long mean that the device is lost.
const LOST_AFTER: Duration = Duration::from_millis(500);
/// A device that has asked for sound for so long has settled.
const SETTLED_AFTER: Duration = Duration::from_secs(1);
/// Until then they may stay away for longer: a sound server's virtual output has two seconds of silence on their way
/// when a stream begins, and asks for nothing until these are over.
const LOST_BEFORE_SETTLED_AFTER: Duration = Duration::from_secs(3);
/// How often a lost device is tried.
const RETRY_EVERY: Duration = Duration::from_millis(500);
/// A stream that has not called back by then does not work.
const FIRST_CALLBACK_WITHIN: Duration = Duration::from_secs(2);
/// For the first opening, everything included.
const OPEN_WITHIN: Duration = Duration::from_secs(6);
/// Closing: the fade, what is on its way to the loudspeaker, and the stream itself.
const FADE_WITHIN: Duration = Duration::from_millis(750);
const DRAIN_WITHIN: Duration = Duration::from_millis(1500);
const DROP_WITHIN: Duration = Duration::from_secs(1);

/// Called for each moment, on the keeper's thread. Must not block for long.
pub type OnMoment = Box<dyn FnMut(Moment) + Send>;

/// A stream that has called back.
pub(in crate::engine) struct Stream {
    line: Box<dyn Line>,
    controls: Arc<Controls>,
    faults: Arc<Faults>,
    pub rings: Option<Rings>,
}

impl Stream {
    pub fn controls(&self) -> Arc<Controls> {
        self.controls.clone()
    }
}

/// The way to the keeper's thread.
pub(in crate::engine) struct Keeper {
    close: Sender<()>,
    closed: Receiver<()>,
}

enum State {
    Playing {
        stream: Stream,
        opened_at: Instant,
        callbacks: u64,
        called_at: Instant,
        gaps: u64,
    },
    Lost {
        next_attempt: Instant,
        attempt: Option<Receiver<Result<Stream, EngineError>>>,
    },
    /// Only while closing, when the stream has been given to a helper.
    Closed,
}

/// Runs something that may block for ever on a thread of its own.
pub(in crate::engine) fn on_helper<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Receiver<T> {
    let (sender, receiver) = bounded(1);
    // A thread that cannot be made shows as a helper that never answers.
    let _ = thread::Builder::new().name("sound helper".to_owned()).spawn(move || {
        let _ = sender.send(work());
    });
    receiver
}

/// Opens a stream and waits for its first callback. Blocks; for helper threads.
fn open_and_prove(device: &dyn Device) -> Result<Stream, EngineError> {
    let choice = device.choice();
    let controls = Arc::new(Controls::new(start_ceiling().sine_peak()));
    let (renderer, rings) = Renderer::new(choice.rate, choice.channels, controls.clone());
    let faults = Arc::new(Faults::default());
    let callback = Callback::new(renderer, controls.clone(), choice.rate);
    let line = device.open(callback, faults.clone())?;
    let began = Instant::now();
    while controls.callbacks() == 0 {
        if began.elapsed() > FIRST_CALLBACK_WITHIN || faults.gone() {
            return Err(EngineError::NoAnswer { device: choice.name.clone() });
        }
        thread::sleep(Duration::from_millis(2));
    }
    Ok(Stream { line, controls, faults, rings: Some(rings) })
}

/// Opens the device for the first time.
///
/// # Errors
///
/// What the device says, or `NoAnswer` if it says nothing in time.
pub(in crate::engine) fn open_first(device: &Arc<dyn Device>) -> Result<Stream, EngineError> {
    let opener = device.clone();
    let opening = on_helper(move || open_and_prove(&*opener));
    let no_answer = |_| Err(EngineError::NoAnswer { device: device.choice().name.clone() });
    opening.recv_timeout(OPEN_WITHIN).unwrap_or_else(no_answer)
}

impl Keeper {
    /// Starts the thread.
    pub fn start(device: Arc<dyn Device>, stream: Stream, desk: Arc<Mutex<Desk>>, on_moment: OnMoment) -> Self {
        let (close, close_asked) = bounded(1);
        let (closed_sender, closed) = bounded(1);
        let mut work = Work { device, desk, on_moment, state: playing(stream, 0), gaps_before: 0 };
        let _ = thread::Builder::new().name("sound keeper".to_owned()).spawn(move || {
            while let Err(RecvTimeoutError::Timeout) = close_asked.recv_timeout(TURN) {
                work.turn();
            }
            work.close();
            let _ = closed_sender.send(());
        });
        Self { close, closed }
    }

    /// Fades everything, waits until it has been played, and closes the device; gives up on a device that does not
    /// answer.
    pub fn close(&self) {
        let _ = self.close.try_send(());
        let _ = self.closed.recv_timeout(FADE_WITHIN + DRAIN_WITHIN + 2 * DROP_WITHIN);
    }
}

struct Work {
    device: Arc<dyn Device>,
    desk: Arc<Mutex<Desk>>,
    on_moment: OnMoment,
    state: State,
    /// Gaps in streams that are over.
    gaps_before: u64,
}

fn playing(stream: Stream, callbacks: u64) -> State {
    let now = Instant::now();
    State::Playing { stream, opened_at: now, callbacks, called_at: now, gaps: 0 }
}

/// How long callbacks may stay away that came for `settling` so far.
fn patience(settling: Duration) -> Duration {
    if settling < SETTLED_AFTER { LOST_BEFORE_SETTLED_AFTER } else { LOST_AFTER }
}

impl Work {
    fn turn(&mut self) {
        match std::mem::replace(&mut self.state, State::Closed) {
            State::Playing { stream, opened_at, callbacks, called_at, gaps } => {
                self.watch(stream, opened_at, callbacks, called_at, gaps);
            }
            State::Lost { next_attempt, attempt } => self.look_for_device(next_attempt, attempt),
            State::Closed => {}
        }
        self.deliver();
    }

    fn watch(&mut self, stream: Stream, opened_at: Instant, callbacks: u64, mut called_at: Instant, mut gaps: u64) {
        let now_callbacks = stream.controls.callbacks();
        if now_callbacks != callbacks {
            called_at = Instant::now();
        }
        let gone = stream.faults.gone();
        if gone || called_at.elapsed() > patience(called_at.saturating_duration_since(opened_at)) {
            let name = &self.device.choice().name;
            let why = if gone {
                format!("The sound output '{name}' was taken away.")
            } else {
                format!("The sound output '{name}' has stopped asking for sound: unplugged, or the sound server hangs.")
            };
            self.gaps_before += stream.faults.gaps();
            self.desk().lose(why, stream.controls.frames());
            // Closing may block for ever; if it does, the helper is left behind.
            let _ = on_helper(move || drop(stream));
            self.state = State::Lost { next_attempt: Instant::now(), attempt: None };
            return;
        }
        let now_gaps = stream.faults.gaps();
        if now_gaps != gaps {
            gaps = now_gaps;
            let count = self.gaps_before + now_gaps;
            self.desk().note(Moment::Gap { count });
        }
        self.state = State::Playing { stream, opened_at, callbacks: now_callbacks, called_at, gaps };
    }

    /// One attempt at a time, on a helper: one that hangs is waited for, since the system would let a second one hang
    /// as well.
    fn look_for_device(&mut self, next_attempt: Instant, attempt: Option<Receiver<Result<Stream, EngineError>>>) {
        let Some(attempt) = attempt else {
            let attempt = (Instant::now() >= next_attempt).then(|| {
                let device = self.device.clone();
                on_helper(move || open_and_prove(&*device))
            });
            self.state = State::Lost { next_attempt, attempt };
            return;
        };
        self.state = match attempt.try_recv() {
            Ok(Ok(mut stream)) => {
                if let Some(rings) = stream.rings.take() {
                    self.desk().take_back(stream.controls(), rings);
                }
                let callbacks = stream.controls.callbacks();
                playing(stream, callbacks)
            }
            Err(error) if error.is_empty() => State::Lost { next_attempt, attempt: Some(attempt) },
            Ok(Err(_)) | Err(_) => State::Lost { next_attempt: Instant::now() + RETRY_EVERY, attempt: None },
        };
    }

    fn deliver(&mut self) {
        let mut desk = self.desk.lock().unwrap_or_else(PoisonError::into_inner);
        desk.collect();
        while let Some(moment) = desk.take_moment() {
            // The callee may take its time or use the handle: not under the lock.
            drop(desk);
            (self.on_moment)(moment);
            desk = self.desk.lock().unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn close(&mut self) {
        self.desk().fade_all();
        let began = Instant::now();
        while began.elapsed() < FADE_WITHIN && self.desk().sounding() > 0 && matches!(self.state, State::Playing { .. })
        {
            self.turn();
            thread::sleep(TURN);
        }
        if let State::Playing { stream, .. } = std::mem::replace(&mut self.state, State::Closed) {
            let began = Instant::now();
            while began.elapsed() < DRAIN_WITHIN && stream.line.now_ns() < stream.controls.sound_until_ns() {
                thread::sleep(TURN);
            }
            let _ = on_helper(move || drop(stream)).recv_timeout(DROP_WITHIN);
        }
        self.deliver();
    }

    fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};

    use crossbeam_channel::unbounded;

    use super::*;
    use crate::engine::backend::DeviceChoice;
    use crate::engine::{Cause, Engine, Order, Outputs, ToneId};
    use crate::signal::{CHUNK, Source};
    use crate::units::{Dbfs, FrameCount, SampleRate};

    /// A device that calls back as fast as a real one, until it is told to misbehave.
    struct Puppet {
        choice: DeviceChoice,
        strings: Arc<Strings>,
    }

    #[derive(Default)]
    struct Strings {
        /// Callbacks stay away.
        still: AtomicBool,
        /// Opening fails.
        absent: AtomicBool,
        /// Closing never comes back.
        stuck: AtomicBool,
    }

    struct PuppetLine {
        closed: Arc<AtomicBool>,
        strings: Arc<Strings>,
    }

    impl Line for PuppetLine {
        fn now_ns(&self) -> u64 {
            u64::MAX
        }
    }

    impl Drop for PuppetLine {
        fn drop(&mut self) {
            self.closed.store(true, Ordering::Release);
            while self.strings.stuck.load(Ordering::Acquire) {
                thread::park();
            }
        }
    }

    impl Device for Puppet {
        fn choice(&self) -> &DeviceChoice {
            &self.choice
        }

        fn open(&self, mut callback: Callback, faults: Arc<Faults>) -> Result<Box<dyn Line>, EngineError> {
            if self.strings.absent.load(Ordering::Acquire) {
                return Err(EngineError::Device {
                    device: self.choice.name.clone(),
                    why: "it is not there".to_owned(),
                });
            }
            let closed = Arc::new(AtomicBool::new(false));
            let (over, strings) = (closed.clone(), self.strings.clone());
            thread::spawn(move || {
                let mut block = [0.0_f32; 480];
                while !over.load(Ordering::Acquire) {
                    if !strings.still.load(Ordering::Acquire) {
                        callback.fill(&mut block, 0);
                    }
                    faults.count_gap();
                    thread::park_timeout(Duration::from_millis(5));
                }
            });
            Ok(Box::new(PuppetLine { closed, strings: self.strings.clone() }))
        }
    }

    struct Steady;

    impl Source for Steady {
        fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
            out.fill(1.0);
        }
    }

    fn order(tone: u64) -> Order {
        Order {
            tone: ToneId(tone),
            source: Box::new(Steady),
            peak: 1.0,
            lowest_hz: 50.0,
            level: Dbfs::new(-60.0),
            length: None,
            limit: None,
            outputs: Outputs::one(0),
        }
    }

    fn puppet() -> (Engine, Arc<Strings>, Receiver<Moment>) {
        let strings = Arc::new(Strings::default());
        let (rate, buffer) = (SampleRate::HZ_48000, FrameCount(240));
        let choice = DeviceChoice { id: "puppet".to_owned(), name: "Puppet".to_owned(), rate, channels: 2, buffer };
        let (sender, moments) = unbounded();
        let on_moment: OnMoment = Box::new(move |moment| {
            let _ = sender.send(moment);
        });
        let device = Arc::new(Puppet { choice, strings: strings.clone() });
        let engine = Engine::on_device(device, on_moment).unwrap();
        (engine, strings, moments)
    }

    /// The next moment that is wanted; gaps and what else comes before it are passed over.
    fn wait_for(moments: &Receiver<Moment>, wanted: impl Fn(&Moment) -> bool) -> Moment {
        loop {
            let moment = moments.recv_timeout(Duration::from_secs(20)).expect("the moment comes");
            if wanted(&moment) {
                return moment;
            }
        }
    }

    #[test]
    fn a_device_that_falls_silent_is_lost_and_found_again_while_its_old_stream_hangs() {
        let (mut engine, strings, moments) = puppet();
        engine.set_ceiling(Dbfs::new(-30.0));
        engine.start(order(1)).unwrap();
        wait_for(&moments, |moment| matches!(moment, Moment::Started { .. }));
        wait_for(&moments, |moment| matches!(moment, Moment::Gap { .. }));
        strings.stuck.store(true, Ordering::Release);
        strings.absent.store(true, Ordering::Release);
        strings.still.store(true, Ordering::Release);
        let lost = wait_for(&moments, |moment| matches!(moment, Moment::Finished { .. }));
        assert!(matches!(lost, Moment::Finished { tone: ToneId(1), cause: Cause::Lost, .. }));
        wait_for(&moments, |moment| matches!(moment, Moment::DeviceLost { .. }));
        assert_eq!(engine.start(order(2)), Err(EngineError::DeviceLost));
        strings.still.store(false, Ordering::Release);
        strings.absent.store(false, Ordering::Release);
        wait_for(&moments, |moment| matches!(moment, Moment::DeviceBack { channels: 2, .. }));
        assert_eq!(engine.ceiling(), start_ceiling());
        engine.start(order(2)).unwrap();
        wait_for(&moments, |moment| matches!(moment, Moment::Started { tone: ToneId(2), .. }));
        // Closing fades what sounds, and does not wait for ever for a stream that hangs.
        engine.close();
        let faded = wait_for(&moments, |moment| matches!(moment, Moment::Finished { .. }));
        assert!(matches!(faded, Moment::Finished { tone: ToneId(2), cause: Cause::Faded, .. }));
    }

    #[test]
    fn a_device_may_hesitate_when_it_begins_and_not_later() {
        // A virtual output without anything to drive it hesitates for two seconds.
        assert!(patience(Duration::from_millis(40)) > Duration::from_secs(2));
        assert_eq!(patience(Duration::from_secs(60)), LOST_AFTER);
    }

    #[test]
    fn a_device_that_opens_but_never_asks_for_sound_is_refused() {
        let strings = Arc::new(Strings { still: AtomicBool::new(true), ..Strings::default() });
        let (rate, buffer) = (SampleRate::HZ_48000, FrameCount(240));
        let choice = DeviceChoice { id: "puppet".to_owned(), name: "Puppet".to_owned(), rate, channels: 2, buffer };
        let device = Arc::new(Puppet { choice, strings });
        let refused = Engine::on_device(device, Box::new(drop)).err();
        assert_eq!(refused, Some(EngineError::NoAnswer { device: "Puppet".to_owned() }));
    }
}
