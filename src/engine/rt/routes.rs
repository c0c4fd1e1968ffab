//! Where a voice goes: every channel with its own factor and delay, cross-faded when they change.

use super::envelope::Turning;
use crate::engine::{MAX_CHANNELS, Outputs};
use crate::signal::CHUNK;
use crate::signal::delay::{History, Path};
use crate::units::SampleRate;

type Paths = [Path; MAX_CHANNELS];

/// The way of one signal to the channels.
pub(super) struct Routes {
    rate: SampleRate,
    history: History,
    now: Paths,
    /// What is being faded to, and how many frames of the fade are over.
    coming: Option<(Paths, u64)>,
    /// What was asked for during a fade; it begins with the chunk after its end.
    waiting: Option<Outputs>,
    fade_frames: u64,
}

impl Routes {
    /// Allocates: control thread only.
    ///
    /// * `fade_frames` - how long a change takes
    pub fn new(outputs: &Outputs, rate: SampleRate, fade_frames: u64) -> Self {
        let (history, now) = (History::new(rate), outputs.paths(rate));
        Self { rate, history, now, coming: None, waiting: None, fade_frames }
    }

    /// Cross-fades to other outputs; while a change is under way, after it.
    pub fn change(&mut self, outputs: &Outputs) {
        if self.coming.is_some() {
            self.waiting = Some(*outputs);
        } else {
            self.coming = Some((outputs.paths(self.rate), 0));
        }
    }

    /// Remembers a chunk and adds it to the mix.
    ///
    /// * `gain` - for each frame of the chunk, whatever the channel's delay
    pub fn send(&mut self, chunk: &[f64; CHUNK], gain: &[f64; CHUNK], mix: &mut [[f64; CHUNK]]) {
        self.history.push(chunk);
        let share = self.coming.as_ref().map(|(_, faded)| {
            let mut rise = Turning::new(*faded, self.fade_frames);
            core::array::from_fn::<f64, CHUNK, _>(|_| rise.next())
        });
        let mut coming = self.coming.iter().flat_map(|(paths, _)| paths);
        for (path, channel) in self.now.iter().zip(mix) {
            match (coming.next().filter(|coming| *coming != path), &share) {
                (Some(coming), Some(share)) => {
                    for (frame, ((sum, gain), share)) in channel.iter_mut().zip(gain).zip(share).enumerate() {
                        let before = self.history.read(path, frame);
                        *sum += gain * (before + share * (self.history.read(coming, frame) - before));
                    }
                }
                _ => self.add(path, chunk, gain, channel),
            }
        }
        self.go_on();
    }

    fn add(&self, path: &Path, chunk: &[f64; CHUNK], gain: &[f64; CHUNK], channel: &mut [f64; CHUNK]) {
        match path.factor_alone() {
            Some(0.0) => {}
            Some(factor) => {
                for ((sum, sample), gain) in channel.iter_mut().zip(chunk).zip(gain) {
                    *sum += factor * (sample * gain);
                }
            }
            None => {
                for (frame, (sum, gain)) in channel.iter_mut().zip(gain).enumerate() {
                    *sum += gain * self.history.read(path, frame);
                }
            }
        }
    }

    fn go_on(&mut self) {
        let Some((paths, faded)) = &mut self.coming else { return };
        *faded += CHUNK as u64;
        if *faded < self.fade_frames {
            return;
        }
        self.now = *paths;
        self.coming = self.waiting.take().map(|outputs| (outputs.paths(self.rate), 0));
    }
}
