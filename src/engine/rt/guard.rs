//! The last thing before the device: no sample passes the ceiling, nothing that is not a number gets out.

use super::glide::Glide;
use crate::engine::GuardCounts;
use crate::signal::CHUNK;
use crate::units::{Dbfs, SampleRate};

/// No ceiling may be higher than this.
pub const HIGHEST_CEILING: Dbfs = Dbfs::new(-3.0);

/// How fast the gain comes back after it was lowered, in dB per second: slow enough that one period of a bass tone
/// keeps its shape.
const RECOVERY_DB_PER_S: f64 = 6.0;

/// One chunk of mixed sound, `[channel][frame]`.
pub(super) type Mix = Box<[[f64; CHUNK]]>;

/// Lowers the gain, the same for all channels, so that no sample passes the ceiling.
///
/// It sees one chunk ahead. The gain at the border of two chunks suits both of them and is joined by straight lines, so
/// the gain never falls faster than from 1 to 0 in one chunk, nor rises faster than 6 dB a second, and the waveform is
/// turned down, never cut. A ceiling that is lowered glides down over 50 ms for the same reason.
#[derive(Debug)]
pub(super) struct Guard {
    ceiling: Glide,
    ceiling_peak: f64,
    /// The ceiling in the held chunk and the gain it needs.
    held: Need,
    /// The gain at the end of the chunk sent last.
    gain: f64,
    recovery: f64,
    pub counts: GuardCounts,
}

#[derive(Debug, Clone, Copy)]
struct Need {
    ceiling: f64,
    gain: f64,
}

impl Guard {
    pub fn new(ceiling_peak: f64, rate: SampleRate, glide_frames: u64) -> Self {
        let recovery_db = RECOVERY_DB_PER_S * CHUNK as f64 / rate.as_f64();
        Self {
            ceiling: Glide::new(ceiling_peak, glide_frames),
            ceiling_peak,
            held: Need { ceiling: ceiling_peak, gain: 1.0 },
            gain: 1.0,
            recovery: libm::exp10(recovery_db / 20.0),
            counts: GuardCounts::default(),
        }
    }

    /// Takes over the ceiling as it is now, as a peak amplitude.
    pub fn set_ceiling(&mut self, peak: f64) {
        let peak = if peak.is_finite() { peak.clamp(0.0, HIGHEST_CEILING.sine_peak()) } else { 0.0 };
        if peak < self.ceiling_peak {
            self.ceiling.retarget(peak);
        } else if peak > self.ceiling_peak {
            self.ceiling.jump(peak);
        }
        self.ceiling_peak = peak;
    }

    /// Looks at the first chunk there is.
    pub fn look_at_first(&mut self, first: &mut [[f64; CHUNK]]) {
        self.held = self.examine(first);
        self.gain = self.held.gain;
    }

    /// Sends `held` on as interleaved samples, having looked at `next`.
    pub fn pass(&mut self, held: &[[f64; CHUNK]], next: &mut [[f64; CHUNK]], out: &mut [f32]) {
        let next_need = self.examine(next);
        let before = self.gain;
        let after = (before * self.recovery).min(1.0).min(self.held.gain).min(next_need.gain);
        if after < 1.0 || before < 1.0 {
            self.counts.lowered_frames += CHUNK as u64;
            self.counts.interventions += u64::from(before >= 1.0);
        }
        let slope = (after - before) / CHUNK as f64;
        let limit = largest_f32_up_to(self.held.ceiling);
        let channels = held.len().max(1);
        for (channel, samples) in held.iter().enumerate() {
            let mut frame = 0.0;
            // One place per frame: this channel's.
            for (sample, place) in samples.iter().zip(out.chunks_exact_mut(channels)) {
                frame += 1.0;
                let gain = if after == before { after } else { before + slope * frame };
                let value = (sample * gain) as f32;
                if let Some(place) = place.get_mut(channel) {
                    *place = self.bound(value, limit);
                }
            }
        }
        self.gain = after;
        self.held = next_need;
    }

    /// Takes out what is not a number, and finds the gain that the chunk needs.
    fn examine(&mut self, chunk: &mut [[f64; CHUNK]]) -> Need {
        let ceiling = self.ceiling.lowest_in_chunk();
        let mut peak = 0.0_f64;
        for sample in chunk.as_flattened_mut() {
            if !sample.is_finite() {
                *sample = 0.0;
                self.counts.not_finite += 1;
            }
            peak = peak.max(sample.abs());
        }
        Need { ceiling, gain: if peak > ceiling { ceiling / peak } else { 1.0 } }
    }

    /// The last resort. Rounding alone may pass the limit by a unit in the last place, which is not counted.
    fn bound(&mut self, value: f32, limit: f32) -> f32 {
        if value.abs() <= limit {
            return value;
        }
        let rounding = value.abs() <= limit * (1.0 + 4.0 * f32::EPSILON);
        self.counts.clamped += u64::from(!rounding);
        if value.is_nan() { 0.0 } else { limit.copysign(value) }
    }
}

/// The largest f32 that does not pass `value`, which is not negative.
fn largest_f32_up_to(value: f64) -> f32 {
    let nearest = value as f32;
    if f64::from(nearest) > value { nearest.next_down().max(0.0) } else { nearest }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(guard: &mut Guard, chunks: &[f64]) -> Vec<f32> {
        let mut out = vec![0.0; CHUNK];
        let mut sent = Vec::new();
        let mut held = [[chunks[0]; CHUNK]];
        guard.look_at_first(&mut held);
        for &value in &chunks[1..] {
            let mut next = [[value; CHUNK]];
            guard.pass(&held, &mut next, &mut out);
            sent.extend_from_slice(&out);
            held = next;
        }
        sent
    }

    #[test]
    fn below_the_ceiling_samples_pass_untouched() {
        let mut guard = Guard::new(0.5, SampleRate::HZ_48000, 2400);
        assert!(run(&mut guard, &[0.1, -0.4999, 0.3, 0.0]).iter().any(|&s| s == -0.4999));
        assert_eq!(guard.counts, GuardCounts::default());
    }

    #[test]
    fn gain_falls_before_the_loud_chunk_and_comes_back_slowly() {
        let mut guard = Guard::new(0.5, SampleRate::HZ_48000, 2400);
        let sent = run(&mut guard, &[0.4, 0.4, 2.0, 0.4, 0.4, 0.4]);
        assert!(sent.iter().all(|s| s.abs() <= 0.5));
        // The chunk before the loud one already ends at a quarter of its value.
        assert!((f64::from(sent[2 * CHUNK - 1]) - 0.1).abs() < 1e-6);
        // 6 dB a second is 0.008 dB per chunk.
        let recovered = f64::from(sent[5 * CHUNK - 1]) / 0.1;
        assert!(recovered > 1.0 && recovered < 1.01, "{recovered}");
        assert_eq!(guard.counts.interventions, 1);
        assert_eq!(guard.counts.clamped, 0);
    }

    #[test]
    fn what_is_not_a_number_becomes_silence_and_is_counted() {
        let mut guard = Guard::new(0.5, SampleRate::HZ_48000, 2400);
        let sent = run(&mut guard, &[0.1, f64::NAN, f64::INFINITY, 0.1, 0.1]);
        assert!(sent[CHUNK..3 * CHUNK].iter().all(|&s| s == 0.0));
        assert_eq!(guard.counts.not_finite, 2 * CHUNK as u64);
    }

    #[test]
    fn no_ceiling_is_above_minus_three() {
        let mut guard = Guard::new(0.1, SampleRate::HZ_48000, 2400);
        guard.set_ceiling(5.0);
        let sent = run(&mut guard, &[3.0, 3.0, 3.0]);
        assert!(sent.iter().all(|&s| f64::from(s) <= HIGHEST_CEILING.sine_peak()));
        guard.set_ceiling(f64::NAN);
        assert_eq!(guard.ceiling_peak, 0.0);
    }
}
