//! What a device calls for its next block.

use std::sync::Arc;

use dasp::sample::{FromSample, Sample};

use super::command::Controls;
use super::renderer::Renderer;
use crate::units::SampleRate;

/// Fills a device's blocks from a renderer.
pub struct Callback {
    renderer: Renderer,
    controls: Arc<Controls>,
    frame_ns: f64,
}

impl Callback {
    /// Control thread only.
    pub fn new(renderer: Renderer, controls: Arc<Controls>, rate: SampleRate) -> Self {
        Self { renderer, controls, frame_ns: 1e9 / rate.as_f64() }
    }

    /// Fills a block of interleaved samples in the device's own format.
    ///
    /// * `playback_ns` - when the block's first frame will be played, on the stream's clock
    ///
    /// Real-time safe.
    pub fn fill<T: Sample + FromSample<f32>>(&mut self, block: &mut [T], playback_ns: u64) {
        let channels = self.renderer.channels();
        let mut frames = block.len().checked_div(channels).unwrap_or(0);
        let mut places = block.iter_mut();
        let mut frame = 0_u64;
        let mut sound_until = None;
        while frames > 0 {
            let samples = self.renderer.pull(frames);
            let pulled = samples.len().checked_div(channels).unwrap_or(0);
            if pulled == 0 {
                break;
            }
            // Samples first: a zip asks its first side before its second, and a place asked for in vain would be
            // skipped.
            for (sample, place) in samples.iter().zip(places.by_ref()) {
                *place = T::from_sample(*sample);
            }
            frame += pulled as u64;
            frames = frames.saturating_sub(pulled);
            if samples.iter().any(|sample| *sample != 0.0) {
                sound_until = Some(frame);
            }
        }
        // A block that is not whole frames has a remainder, which must not hold old samples.
        places.for_each(|place| *place = T::EQUILIBRIUM);
        if let Some(frame) = sound_until {
            self.controls.set_sound_until_ns(playback_ns.saturating_add((frame as f64 * self.frame_ns) as u64));
        }
        self.controls.count_callback();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::rt::{Command, Ends, Voice};
    use crate::engine::{Outputs, ToneId};
    use crate::signal::{CHUNK, Source};
    use ringbuf::traits::Producer;

    struct Counter(f64);

    impl Source for Counter {
        fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
            for sample in out {
                self.0 += 1e-6;
                *sample = self.0;
            }
        }
    }

    fn playing() -> (Renderer, Arc<Controls>, crate::engine::rt::Rings) {
        let controls = Arc::new(Controls::new(0.5));
        let (renderer, mut rings) = Renderer::new(SampleRate::HZ_48000, 2, controls.clone());
        let settings = (SampleRate::HZ_48000, 50.0);
        let source = Box::new(Counter(0.0));
        let voice = Voice::new(ToneId(1), source, Outputs::all(&[0, 1]), 1.0, settings, Ends::default(), &controls);
        assert!(rings.commands.try_push(Command::Start(Box::new(voice))).is_ok());
        (renderer, controls, rings)
    }

    #[test]
    fn blocks_of_any_size_and_format_hold_the_renderers_samples() {
        let (mut renderer, _, _rings) = playing();
        let mut expected = Vec::new();
        while expected.len() < 2 * 10_000 {
            expected.extend_from_slice(renderer.pull(1000));
        }
        let (renderer, controls, _rings) = playing();
        let mut callback = Callback::new(renderer, controls.clone(), SampleRate::HZ_48000);
        let mut place = 0;
        for frames in [1, 63, 64, 65, 170, 1024, 5461] {
            let mut block = vec![9.0_f32; 2 * frames];
            callback.fill(&mut block, 1_000_000_000);
            assert_eq!(block, expected[place..place + 2 * frames], "{frames}");
            place += 2 * frames;
            let mut block = vec![9_i16; 2 * frames];
            callback.fill(&mut block, 1_000_000_000);
            let same = |(sample, float): (&i16, &f32)| f64::from(*sample) == (f64::from(*float) * 32_768.0).trunc();
            assert!(block.iter().zip(&expected[place..]).all(same));
            place += 2 * frames;
            if place > 12_000 {
                break;
            }
        }
        assert_eq!(controls.frames(), place as u64 / 2);
        assert!(controls.sound_until_ns() > 1_000_000_000);
    }

    #[test]
    fn an_unsigned_format_is_silent_at_its_middle() {
        let controls = Arc::new(Controls::new(0.5));
        let (renderer, _rings) = Renderer::new(SampleRate::HZ_48000, 2, controls.clone());
        let mut callback = Callback::new(renderer, controls.clone(), SampleRate::HZ_48000);
        // Three samples are one frame and a half.
        let mut block = [7_u16; 3];
        callback.fill(&mut block, 5);
        assert_eq!(block, [32_768; 3]);
        assert_eq!(controls.sound_until_ns(), 0);
    }
}
