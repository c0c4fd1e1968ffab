//! Signals that are prepared as one short shape and played with pauses: tone bursts, polarity pulses, and silence with
//! a marker.
//!
//! Each begins with its pause, so that the ramp with which every sound starts has passed before the first shape.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use crate::units::{FrameCount, SampleRate};

use super::error::Check;
use super::{CHUNK, Prepared, RecipeError, Source};

/// The name of tone bursts in recipes and commands.
pub const BURST_NAME: &str = "burst";

/// The name of polarity pulses in recipes and commands.
pub const POLARITY_NAME: &str = "polarity";

/// The name of silence in recipes and commands.
pub const SILENCE_NAME: &str = "silence";

/// The peak that is stated for a signal without any sound.
const PEAK_OF_NOTHING: f64 = 1e-12;

/// No signal that ends is longer than this, seconds.
const LONGEST_S: f64 = 3600.0;

/// Tone bursts with a Hann envelope: x(t) = ½·(1 - cos(2π·f·t/N))·sin(2π·f·t) for N cycles.
///
/// A burst of 6.5 cycles is as wide as a third of an octave (noise bandwidth 1.5·f/N). With a half-integer number
/// the largest excursion stands alone in the middle: upwards for 2.5, 4.5, 6.5, downwards for 3.5, 5.5. Peak 1 at unit
/// gain.
///
/// Source: Linkwitz, JAES 28, 250-258 (1980), for the raised-cosine burst; ANSI/CTA-2010 for 6.5 cycles.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Burst {
    /// Hertz.
    pub frequency_hz: f64,
    /// How many cycles, from 1 to 100; fractions are allowed.
    #[serde(default = "third_octave_cycles")]
    pub cycles: f64,
    /// Silence before each burst and after the last, seconds: at least 50 ms and two periods, at most 10.
    #[serde(default = "one_second")]
    pub pause_s: f64,
    /// How many bursts; without end unless told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
}

fn third_octave_cycles() -> f64 {
    6.5
}

fn one_second() -> f64 {
    1.0
}

impl Burst {
    /// The lower half-power frequency of the burst's spectrum, hertz.
    pub fn lowest_hz(&self) -> f64 {
        // The half-power width of a Hann-shaped burst is 1.4406 over its length.
        self.frequency_hz * (1.0 - 0.720_291 / self.cycles)
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: BURST_NAME, rate };
        check.below_nyquist(
            "frequency_hz",
            self.frequency_hz,
            self.frequency_hz * (1.0 + 2.0 / self.cycles.max(1.0)),
        )?;
        check.within("cycles", self.cycles, 1.0, 100.0)?;
        check.within("pause_s", self.pause_s, (2.0 / self.frequency_hz).max(0.05), 10.0)?;
        check_count(&check, self.count, self.pause_s + self.cycles / self.frequency_hz)
    }

    /// Peak 1 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let frequency = self.frequency_hz / rate.as_f64();
        let frames = libm::ceil(self.cycles / frequency) as usize;
        let sample = |n: usize| {
            let cycles = n as f64 * frequency;
            0.5 * (1.0 - libm::cos(TAU * cycles / self.cycles)) * libm::sin(TAU * cycles)
        };
        train((0..frames).map(sample).collect(), rate.frames(self.pause_s), self.count, self.lowest_hz())
    }
}

fn check_count(check: &Check, count: Option<u32>, each_s: f64) -> Result<(), RecipeError> {
    count.map_or(Ok(()), |count| check.within("count", f64::from(count), 1.0, libm::floor(LONGEST_S / each_s)))
}

/// Pulses that push first and hardest: a short rise of pressure, then a fall a quarter as deep and four times as long,
/// so that nothing is left over (no mean value).
///
/// Both lobes are raised cosines squared, which keeps the spectrum between about a quarter of `frequency_hz` and
/// `frequency_hz`. A cone that moves inwards first shows that the polarity is wrong. Peak 1 at unit gain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Polarity {
    /// One over the length of the rise, hertz; 80 suits a subwoofer.
    #[serde(default = "subwoofer_pulse_hz")]
    pub frequency_hz: f64,
    /// Silence before each pulse and after the last, seconds: at least 50 ms and eight lengths of the rise, at most 10.
    #[serde(default = "one_second")]
    pub pause_s: f64,
    /// How many pulses; without end unless told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
}

fn subwoofer_pulse_hz() -> f64 {
    80.0
}

/// How much longer, and shallower, the fall of a polarity pulse is than its rise.
const FALL: f64 = 4.0;

impl Polarity {
    /// Below this frequency there is little, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.frequency_hz / FALL
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: POLARITY_NAME, rate };
        // The spectrum of the squared raised cosine is zero from three times the frequency on but for side lobes.
        check.below_nyquist("frequency_hz", self.frequency_hz, 3.0 * self.frequency_hz)?;
        check.within("pause_s", self.pause_s, (2.0 / self.lowest_hz()).max(0.05), 10.0)?;
        check_count(&check, self.count, self.pause_s + (1.0 + FALL) / self.frequency_hz)
    }

    /// Peak 1 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        // Whole, even numbers of frames make the sampled lobes exactly alike in shape and their sums exactly opposite.
        let rise = 2 * (rate.as_f64() / self.frequency_hz / 2.0).round().max(2.0) as usize;
        let fall = rise * FALL as usize;
        let lobe = |n: usize, length: usize| {
            let sine = libm::sin(PI * n as f64 / length as f64);
            sine * sine * sine * sine
        };
        let rising = (0..rise).map(|n| lobe(n, rise));
        let falling = (0..fall).map(|n| -lobe(n, fall) / FALL);
        train(rising.chain(falling).collect(), rate.frames(self.pause_s), self.count, self.lowest_hz())
    }
}

/// Where a stretch of silence is marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Marker {
    /// Nowhere.
    None,
    /// A pip where it begins.
    #[default]
    Start,
}

/// Silence, by default with a pip at its start: a mark that can be found again in a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Silence {
    /// How long, marker included: from 0.2 s to an hour.
    pub seconds: f64,
    /// Where it is marked.
    #[serde(default)]
    pub marker: Marker,
}

/// The marker: 50 cycles of 1 kHz with a Hann envelope, after 60 ms of silence for the ramp.
pub(super) const MARKER_HZ: f64 = 1000.0;
const MARKER_CYCLES: f64 = 50.0;
const MARKER_AFTER_S: f64 = 0.06;

impl Silence {
    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        Check { signal: SILENCE_NAME, rate }.within("seconds", self.seconds, 0.2, LONGEST_S)
    }

    /// Peak 1 of the marker at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let marker = match self.marker {
            Marker::None => Vec::new(),
            Marker::Start => {
                let frames = rate.frames(MARKER_CYCLES / MARKER_HZ).0 as usize;
                // At a rate too low for it the pip is left at what the rate can carry.
                let frequency = (MARKER_HZ / rate.as_f64()).min(0.25);
                let envelope = |n: usize| libm::sin(PI * n as f64 / frames as f64);
                let sample = |n: usize| envelope(n) * envelope(n) * libm::sin(TAU * n as f64 * frequency);
                (0..frames).map(sample).collect()
            }
        };
        let mut prepared = train(marker, rate.frames(MARKER_AFTER_S), Some(1), MARKER_HZ.min(rate.as_f64() / 4.0));
        prepared.length = Some(rate.frames(self.seconds));
        // Whoever plays it may ask for a level, which nothing at all does not have.
        prepared.peak = prepared.peak.max(PEAK_OF_NOTHING);
        prepared
    }
}

fn train(shape: Vec<f64>, pause: FrameCount, count: Option<u32>, lowest_hz: f64) -> Prepared {
    let peak = shape.iter().fold(0.0, |peak: f64, sample| peak.max(sample.abs()));
    let each = pause.0 + shape.len() as u64;
    let length = count.map(|count| FrameCount(u64::from(count) * each + pause.0));
    let left = count.map_or(u64::MAX, u64::from);
    let source = Box::new(Train { shape, pause: pause.0 as usize, position: 0, left });
    Prepared { source, peak, lowest_hz, length, limit: None }
}

/// A pause and a shape, over and over.
struct Train {
    shape: Vec<f64>,
    pause: usize,
    /// Frames since the pause began.
    position: usize,
    /// Shapes still to come, this one included.
    left: u64,
}

impl Source for Train {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        for sample in out {
            let in_shape = self.position.checked_sub(self.pause).and_then(|n| self.shape.get(n));
            *sample = if self.left > 0 { in_shape.copied().unwrap_or(0.0) } else { 0.0 };
            self.position += 1;
            if self.position >= self.pause + self.shape.len() {
                self.position = 0;
                self.left = self.left.saturating_sub(1);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::{magnitudes, mean, rms, samples};

    fn burst(frequency_hz: f64, cycles: f64) -> Recipe {
        Recipe::Burst(Burst { frequency_hz, cycles, pause_s: 0.1, count: Some(2) })
    }

    /// The first burst alone: the pause is 4800 frames.
    fn one_burst(frequency_hz: f64, cycles: f64) -> Vec<f64> {
        let frames = (cycles / frequency_hz * 48_000.0).round() as usize;
        samples(&burst(frequency_hz, cycles), SampleRate::HZ_48000, 4800 + frames)[4800..].to_vec()
    }

    #[test]
    fn a_burst_has_its_tabulated_level_energy_and_mean() {
        // 50 Hz, 6.5 cycles: 6240 samples at 48 kHz, rms √(3/16), energy 3/16 of its length, mean -1/(2πN(N²-1)).
        let burst = one_burst(50.0, 6.5);
        assert_eq!(burst.len(), 6240);
        assert!((rms(&burst) - 0.433_012_70).abs() < 1e-6, "{}", rms(&burst));
        let energy_s = burst.iter().map(|sample| sample * sample).sum::<f64>() / 48_000.0;
        assert!((energy_s - 0.024_375).abs() < 1e-8);
        assert!((mean(&burst) + 5.936_2e-4).abs() < 1e-7, "{}", mean(&burst));
        assert!((burst[3120] - 1.0).abs() < 1e-12);
        // A whole number of cycles is odd about its middle: no mean at all.
        assert!(mean(&one_burst(50.0, 5.0)).abs() < 1e-15);
    }

    #[test]
    fn a_burst_is_as_wide_as_tabulated() {
        // Half-power points of the 50 Hz, 6.5-cycle burst: 44.495 and 55.527 Hz; zeros at 50·(1 ± 2/6.5) Hz.
        let mut padded = one_burst(50.0, 6.5);
        padded.resize(48_000 * 20, 0.0);
        let lines = magnitudes(&padded);
        let at = |hz: f64| lines[(hz * 20.0).round() as usize];
        let top = lines.iter().copied().fold(0.0, f64::max);
        let above: Vec<usize> = (0..lines.len()).filter(|bin| lines[*bin] > top * 0.5_f64.sqrt()).collect();
        assert!((above[0] as f64 / 20.0 - 44.495).abs() < 0.06, "{}", above[0] as f64 / 20.0);
        assert!((*above.last().unwrap() as f64 / 20.0 - 55.527).abs() < 0.06);
        assert!(at(50.0 * (1.0 + 2.0 / 6.5)) < 0.02 * top);
        assert!(at(50.0 * (1.0 - 2.0 / 6.5)) < 0.02 * top);
    }

    #[test]
    fn bursts_start_after_their_pause_and_end() {
        let prepared = burst(50.0, 6.5).prepare(SampleRate::HZ_48000).unwrap();
        assert_eq!(prepared.length, Some(FrameCount(2 * (4800 + 6240) + 4800)));
        let samples = samples(&burst(50.0, 6.5), SampleRate::HZ_48000, 40_000);
        assert!(samples[..4801].iter().all(|sample| *sample == 0.0));
        assert_eq!(samples[4800..11_040], samples[15_840..22_080]);
        assert!(samples[22_080..].iter().all(|sample| *sample == 0.0));
    }

    #[test]
    fn a_polarity_pulse_pushes_first_and_hardest_and_leaves_nothing() {
        let recipe = Recipe::Polarity(Polarity { frequency_hz: 80.0, pause_s: 1.0, count: None });
        let pulse = &samples(&recipe, SampleRate::HZ_48000, 48_000 + 3000)[48_000..];
        let first = pulse.iter().find(|sample| sample.abs() > 1e-6).unwrap();
        assert!(*first > 0.0);
        let highest = pulse.iter().copied().fold(0.0, f64::max);
        let lowest = pulse.iter().copied().fold(0.0, f64::min);
        assert!((highest - 1.0).abs() < 1e-12);
        assert!((lowest + 0.25).abs() < 1e-12);
        assert!(pulse.iter().sum::<f64>().abs() < 1e-10);
    }

    #[test]
    fn a_polarity_pulse_stays_within_its_band() {
        let recipe = Recipe::Polarity(Polarity { frequency_hz: 80.0, pause_s: 1.0, count: Some(1) });
        let lines = magnitudes(&samples(&recipe, SampleRate::HZ_48000, 3 * 48_000));
        let top = lines.iter().copied().fold(0.0, f64::max);
        let beyond = lines[3 * 240..].iter().copied().fold(0.0, f64::max);
        assert!(lines[0] < 1e-9 * top);
        assert!(20.0 * (beyond / top).log10() < -40.0, "{} dB", 20.0 * (beyond / top).log10());
    }

    #[test]
    fn silence_is_marked_once() {
        let marked = Recipe::Silence(Silence { seconds: 2.0, marker: Marker::Start });
        let samples = samples(&marked, SampleRate::HZ_48000, 96_000);
        let sounding: Vec<usize> = (0..96_000).filter(|n| samples[*n] != 0.0).collect();
        assert!(sounding[0] > 2880 && *sounding.last().unwrap() < 2880 + 2400);
        let plain = Recipe::Silence(Silence { seconds: 2.0, marker: Marker::None });
        assert!((0.0..1e-9).contains(&plain.prepare(SampleRate::HZ_48000).unwrap().peak));
        assert_eq!(plain.prepare(SampleRate::HZ_48000).unwrap().length, Some(FrameCount(96_000)));
    }

    #[test]
    fn impossible_bursts_are_refused_by_name() {
        let burst = Burst { frequency_hz: 50.0, cycles: 0.0, pause_s: 1.0, count: None };
        let refuse = |burst: Burst| Recipe::Burst(burst).prepare(SampleRate::HZ_48000).err().unwrap().to_string();
        assert_eq!(refuse(burst.clone()), "burst: cycles is 0, but must be from 1 to 100");
        assert_eq!(
            refuse(Burst { cycles: 6.5, pause_s: 0.01, ..burst.clone() }),
            "burst: pause_s is 0.01, but must be from 0.05 to 10"
        );
        assert!(
            refuse(Burst { cycles: 6.5, count: Some(0), ..burst }).starts_with("burst: count is 0, but must be from 1")
        );
    }
}
