//! Who is in charge and still there, whether the machine slept, and what the operating system asks for.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, bounded, never};
use rustix::time::{ClockId, clock_gettime};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGTSTP};
use signal_hook::iterator::Signals;

use crate::view::FaceId;

/// The signal that suspends the program (Ctrl-Z elsewhere).
pub const SUSPEND: i32 = SIGTSTP;
/// The face in charge may be silent for this long.
const PATIENCE: Duration = Duration::from_secs(3);
/// The machine slept if its clocks part by this much.
const SLEPT_S: f64 = 1.0;

/// Watches over a live visit. Where time jumps there is nothing to watch.
pub struct Watch {
    /// Signals of the operating system, as they arrive.
    pub signals: Receiver<i32>,
    fast: bool,
    in_charge: Option<FaceId>,
    heard: HashMap<FaceId, Instant>,
    asleep_s: f64,
}

impl Watch {
    /// Begins to watch.
    pub fn new(fast: bool) -> Self {
        Self { signals: listen(), fast, in_charge: None, heard: HashMap::new(), asleep_s: asleep_s() }
    }

    /// A face gave a sign of life.
    pub fn alive(&mut self, face: FaceId) {
        self.heard.insert(face, Instant::now());
    }

    /// A face gave an answer.
    pub fn in_charge(&mut self, face: FaceId) {
        self.in_charge = Some(face);
    }

    /// The face that gave the last answer, unless it fell silent.
    pub fn who_is_in_charge(&self) -> Option<FaceId> {
        self.in_charge
    }

    /// Why everything has to fade now, if it has to.
    pub fn look(&mut self) -> Option<String> {
        if self.fast {
            return None;
        }
        let asleep_s = asleep_s();
        if asleep_s - self.asleep_s > SLEPT_S {
            self.asleep_s = asleep_s;
            return Some("The machine was asleep.".into());
        }
        let face = self.in_charge?;
        if self.heard.get(&face).is_some_and(|heard| heard.elapsed() > PATIENCE) {
            self.in_charge = None;
            return Some("Nothing has been heard for 3 seconds from the screen that gave the last answer.".into());
        }
        None
    }
}

/// How long the machine has been asleep since it started.
fn asleep_s() -> f64 {
    let seconds = |clock| {
        let time = clock_gettime(clock);
        time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
    };
    seconds(ClockId::Boottime) - seconds(ClockId::Monotonic)
}

/// Signals on a thread of their own; the handler itself does nothing but note them.
fn listen() -> Receiver<i32> {
    let (sender, receiver) = bounded(8);
    let Ok(mut signals) = Signals::new([SIGINT, SIGTERM, SIGHUP, SIGTSTP]) else { return never() };
    let thread = std::thread::Builder::new().name("signals".into()).spawn(move || {
        for signal in signals.forever() {
            if sender.send(signal).is_err() {
                return;
            }
        }
    });
    if thread.is_ok() { receiver } else { never() }
}

/// Stops this process until it is told to go on.
pub fn suspend() {
    // Without the right to stop itself it simply goes on.
    let _ = signal_hook::low_level::emulate_default_handler(SUSPEND);
}
