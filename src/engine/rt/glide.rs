//! A gain that moves to new values without a click.

use super::envelope::Turning;
use crate::signal::CHUNK;

/// Changes that may be under way at once; a further one waits for the oldest to end.
const OVERLAPPING: usize = 4;

/// One change under way.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// The value before less the value after.
    difference: f64,
    position: u64,
}

/// A value that follows its target by raised cosines of `frames` frames.
///
/// A new target while a change is under way starts its own change on top of the old one. The sum is a weighted mean of
/// the targets, so that it never leaves their range, and it has neither steps nor corners.
#[derive(Debug, Clone, Copy)]
pub(super) struct Glide {
    target: f64,
    frames: u64,
    steps: [Option<Step>; OVERLAPPING],
    waiting: Option<f64>,
}

impl Glide {
    pub fn new(value: f64, frames: u64) -> Self {
        Self { target: value, frames, steps: [None; OVERLAPPING], waiting: None }
    }

    /// Heads for `target` from the next frame on.
    pub fn retarget(&mut self, target: f64) {
        match self.steps.iter_mut().find(|step| step.is_none()) {
            Some(free) => {
                *free = Some(Step { difference: self.target - target, position: 0 });
                self.target = target;
                self.waiting = None;
            }
            None => self.waiting = Some(target),
        }
    }

    /// Goes to `value` at once. For values whose step nobody can hear.
    pub fn jump(&mut self, value: f64) {
        *self = Self::new(value, self.frames);
    }

    fn settled(&self) -> bool {
        self.steps.iter().all(Option::is_none)
    }

    /// The next chunk of values. A change that waits begins with the chunk after the one in which an older change ends.
    fn advance(&mut self) -> [f64; CHUNK] {
        let mut values = [self.target; CHUNK];
        for slot in &mut self.steps {
            if let Some(step) = slot {
                let mut rise = Turning::new(step.position, self.frames);
                values.iter_mut().for_each(|value| *value += step.difference * (1.0 - rise.next()));
                step.position += CHUNK as u64;
                if step.position >= self.frames {
                    *slot = None;
                }
            }
        }
        if let Some(target) = self.waiting {
            self.retarget(target);
        }
        values
    }

    /// Multiplies a chunk by the value, frame by frame.
    pub fn scale(&mut self, chunk: &mut [f64; CHUNK]) {
        if self.settled() {
            chunk.iter_mut().for_each(|sample| *sample *= self.target);
        } else {
            chunk.iter_mut().zip(self.advance()).for_each(|(sample, value)| *sample *= value);
        }
    }

    /// Moves on by one chunk and tells the lowest value in it.
    pub fn lowest_in_chunk(&mut self) -> f64 {
        if self.settled() {
            return self.target;
        }
        self.advance().into_iter().fold(f64::INFINITY, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlapping_changes_stay_between_their_targets_and_arrive() {
        let mut glide = Glide::new(1.0, 2400);
        let targets = [0.5, 0.9, 0.1, 0.8, 0.3, 0.6];
        let mut before = 1.0;
        for target in targets.into_iter().chain([0.6; 30]) {
            if target != glide.target {
                glide.retarget(target);
            }
            for value in (0..5).flat_map(|_| glide.advance()) {
                assert!((0.1..=1.0).contains(&value));
                // Four changes at a time, of at most 0.8 each.
                assert!((value - before).abs() < 4.0 * 0.8 * core::f64::consts::PI / 4800.0);
                before = value;
            }
        }
        assert_eq!(before, 0.6);
        assert!(glide.settled());
    }
}
