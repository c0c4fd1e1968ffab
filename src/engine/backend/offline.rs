//! The fast clock's backend: renders when told to, as much as told.

use std::sync::{Arc, Mutex, PoisonError};

use crate::engine::rt::Renderer;
use crate::units::FrameCount;

/// Frames handed to the sink at a time, at most.
const BLOCK_FRAMES: u64 = 256;

/// Takes blocks of interleaved samples, at most 256 frames each.
type TakeBlock = Box<dyn FnMut(&[f32]) + Send>;

/// Where the samples go.
pub struct OfflineSink(Option<TakeBlock>);

impl OfflineSink {
    /// Nowhere: for routines that only need the time line.
    pub fn nothing() -> Self {
        Self(None)
    }

    /// To a closure, block by block, interleaved: a file, a virtual room.
    pub fn each(take_block: impl FnMut(&[f32]) + Send + 'static) -> Self {
        Self(Some(Box::new(take_block)))
    }

    /// Into memory.
    pub fn collect() -> (Self, Recording) {
        let recording = Recording::default();
        let samples = recording.samples.clone();
        let sink = Self::each(move |block| {
            samples.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(block);
        });
        (sink, recording)
    }
}

/// What an offline engine has rendered so far.
#[derive(Debug, Clone, Default)]
pub struct Recording {
    samples: Arc<Mutex<Vec<f32>>>,
}

impl Recording {
    /// The samples so far, interleaved, and an empty recording from now on.
    pub fn take(&self) -> Vec<f32> {
        std::mem::take(&mut self.samples.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// A renderer without a clock of its own.
pub(in crate::engine) struct Offline {
    renderer: Renderer,
    sink: OfflineSink,
}

impl Offline {
    pub fn new(renderer: Renderer, sink: OfflineSink) -> Self {
        Self { renderer, sink }
    }

    pub fn advance(&mut self, frames: FrameCount) {
        let channels = self.renderer.channels() as u64;
        let mut left = frames.0;
        while left > 0 {
            let samples = self.renderer.pull(left.min(BLOCK_FRAMES) as usize);
            left = left.saturating_sub((samples.len() as u64 / channels).max(1));
            if let Some(take_block) = &mut self.sink.0 {
                take_block(samples);
            }
        }
    }
}
