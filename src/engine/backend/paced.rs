//! A device without hardware: calls for samples at the pace of a real one and hands them to a closure. For
//! measurements, where what is done with a block, and when, has to be seen.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use crate::engine::backend::{Device, DeviceChoice, Faults, Line};
use crate::engine::error::EngineError;
use crate::engine::rt::Callback;

/// Takes blocks of interleaved samples.
pub type TakeBlock = Box<dyn FnMut(&[f32]) + Send>;

/// The device.
pub(in crate::engine) struct Paced {
    choice: DeviceChoice,
    take_block: Arc<Mutex<TakeBlock>>,
}

impl Paced {
    pub fn new(choice: DeviceChoice, take_block: TakeBlock) -> Self {
        Self { choice, take_block: Arc::new(Mutex::new(take_block)) }
    }
}

impl Device for Paced {
    fn choice(&self) -> &DeviceChoice {
        &self.choice
    }

    fn open(&self, mut callback: Callback, _faults: Arc<Faults>) -> Result<Box<dyn Line>, EngineError> {
        let over = Arc::new(AtomicBool::new(false));
        let (closed, take_block) = (over.clone(), self.take_block.clone());
        let frames = self.choice.buffer.0;
        let mut block = vec![0.0_f32; frames as usize * usize::from(self.choice.channels)];
        let period = Duration::from_secs_f64(frames as f64 / self.choice.rate.as_f64());
        let began = Instant::now();
        let clock = thread::Builder::new().name("paced device".into()).spawn(move || {
            let mut due = began;
            while !closed.load(Ordering::Acquire) {
                let played_ns = (due + period).saturating_duration_since(began).as_nanos() as u64;
                callback.fill(&mut block, played_ns);
                take_block.lock().unwrap_or_else(PoisonError::into_inner)(&block);
                due += period;
                thread::sleep(due.saturating_duration_since(Instant::now()));
            }
        });
        let clock = clock.map_err(|error| EngineError::Device {
            device: self.choice.name.clone(),
            why: format!("its thread cannot be started: {error}"),
        })?;
        Ok(Box::new(Pace { over, began, clock: Some(clock) }))
    }
}

struct Pace {
    over: Arc<AtomicBool>,
    began: Instant,
    clock: Option<JoinHandle<()>>,
}

impl Line for Pace {
    fn now_ns(&self) -> u64 {
        self.began.elapsed().as_nanos() as u64
    }
}

impl Drop for Pace {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Release);
        if let Some(clock) = self.clock.take() {
            // A closure that has failed has been heard of.
            let _ = clock.join();
        }
    }
}
