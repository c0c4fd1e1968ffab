//! Note runs: one tone after the other on musical notes, with rests: scales, octaves, walking lines, and sweeps in
//! steps of musical intervals or of the standard's bands.

use serde::{Deserialize, Serialize};

use crate::acoustics::notes::{A4_HZ, Note};
use crate::units::{FrameCount, SampleRate};

use super::error::Check;
use super::sweep_step::SweepStep;
use super::{CHUNK, Prepared, RecipeError, Source, Tone};

/// The name of note runs in recipes and commands.
pub const RUN_NAME: &str = "notes";

/// The name of stepped sweeps in recipes and commands.
pub const STEPPED_NAME: &str = "stepped-sweep";

/// A rest, among the notes of a run.
pub const REST: &str = "-";

/// The shortest ramp at the edges of a note, seconds.
const SHORTEST_RAMP_S: f64 = 0.05;

/// A ramp lasts at least this many periods of the lowest frequency in the tone.
const RAMP_PERIODS: f64 = 2.0;

/// Notes one after the other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoteRun {
    /// Names such as `E1`, `F#2`, `Bb1`; `-` for a rest as long as a note.
    pub notes: Vec<String>,
    /// What is played for each note.
    pub tone: Tone,
    /// How long each note sounds, seconds, its ramps included.
    pub seconds: f64,
    /// Silence between two notes, seconds, up to 10.
    #[serde(default)]
    pub gap_s: f64,
    /// The tuning.
    #[serde(default = "standard_tuning")]
    pub a4_hz: f64,
    /// Makes the noise, if the tone is one.
    #[serde(default)]
    pub seed: u64,
}

fn standard_tuning() -> f64 {
    A4_HZ
}

/// From one frequency to another in steps, each sounding equally long.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SteppedSweep {
    /// Where it starts, hertz; the first step is the nearest one.
    pub from_hz: f64,
    /// Where it ends, hertz; the last step is the nearest one. Below `from_hz` it goes downwards.
    pub to_hz: f64,
    /// What it goes on by; semitones unless told otherwise.
    #[serde(default)]
    pub step: SweepStep,
    /// How long all of it takes, seconds.
    pub seconds: f64,
    /// What is played for each step.
    pub tone: Tone,
    /// The tuning; of no account for steps along bands.
    #[serde(default = "standard_tuning")]
    pub a4_hz: f64,
    /// Makes the noise, if the tone is one.
    #[serde(default)]
    pub seed: u64,
}

/// Familiar shapes of runs, as note names for [`NoteRun::notes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pattern {
    /// Every semitone up one octave.
    Chromatic,
    /// A major scale up one octave.
    Major,
    /// The root and its octaves, three of them.
    Octaves,
    /// Up the chord and down again: 1 3 5 6 8 6 5 3 (common practice of walking bass).
    Walking,
}

impl Pattern {
    /// The pattern's notes from a root upwards.
    pub fn notes(self, root: Note) -> Vec<String> {
        let semitones: &[i32] = match self {
            Self::Chromatic => &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12],
            Self::Major => &[0, 2, 4, 5, 7, 9, 11, 12],
            Self::Octaves => &[0, 12, 24],
            Self::Walking => &[0, 4, 7, 9, 12, 9, 7, 4],
        };
        semitones.iter().map(|step| Note::from_midi(root.midi() + step).to_string()).collect()
    }
}

impl NoteRun {
    /// The lowest frequency in the run, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.plan().lowest_hz()
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: RUN_NAME, rate };
        check.within("a4_hz", self.a4_hz, 400.0, 480.0)?;
        check.within("gap_s", self.gap_s, 0.0, 10.0)?;
        if let Some(wrong) = self.notes.iter().find(|name| *name != REST && Note::parse(name).is_none()) {
            let reason = format!("\"{wrong}\" is not a note such as E1, F#2 or Bb1, nor \"{REST}\" for a rest");
            return Err(RecipeError::Empty { signal: RUN_NAME, reason });
        }
        self.plan().check(&check)
    }

    /// Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        self.plan().prepare(rate)
    }

    fn plan(&self) -> Plan<'_> {
        let frequency = |name: &String| Note::parse(name).map(|note| note.frequency_hz(self.a4_hz));
        Plan {
            frequencies_hz: self.notes.iter().map(frequency).collect(),
            tone: &self.tone,
            seconds: self.seconds,
            gap_s: self.gap_s,
            seed: self.seed,
        }
    }
}

impl SteppedSweep {
    /// The lowest frequency in the sweep, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.plan().lowest_hz()
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: STEPPED_NAME, rate };
        check.within("a4_hz", self.a4_hz, 400.0, 480.0)?;
        check.below_nyquist("from_hz", self.from_hz, self.from_hz)?;
        check.below_nyquist("to_hz", self.to_hz, self.to_hz)?;
        check.within("from_hz", self.from_hz, 10.0, f64::INFINITY)?;
        check.within("to_hz", self.to_hz, 10.0, f64::INFINITY)?;
        self.plan().check(&check)
    }

    /// Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        self.plan().prepare(rate)
    }

    fn plan(&self) -> Plan<'_> {
        let frequencies_hz = self.step.frequencies_hz(self.from_hz, self.to_hz, self.a4_hz);
        Plan {
            seconds: self.seconds / frequencies_hz.len() as f64,
            frequencies_hz: frequencies_hz.into_iter().map(Some).collect(),
            tone: &self.tone,
            gap_s: 0.0,
            seed: self.seed,
        }
    }
}

/// What both recipes come down to.
struct Plan<'a> {
    /// `None` is a rest.
    frequencies_hz: Vec<Option<f64>>,
    tone: &'a Tone,
    seconds: f64,
    gap_s: f64,
    seed: u64,
}

impl Plan<'_> {
    fn lowest_hz(&self) -> f64 {
        let lowest = |hz: &f64| self.tone.recipe(*hz, self.seed).lowest_hz();
        self.frequencies_hz.iter().flatten().map(lowest).fold(f64::INFINITY, f64::min)
    }

    fn check(&self, check: &Check) -> Result<(), RecipeError> {
        if !self.frequencies_hz.iter().any(Option::is_some) || self.frequencies_hz.len() > 1000 {
            let reason =
                format!("a run has from 1 to 1000 notes, not only rests; this one has {}", self.frequencies_hz.len());
            return Err(RecipeError::Empty { signal: check.signal, reason });
        }
        for frequency_hz in self.frequencies_hz.iter().flatten() {
            self.tone.recipe(*frequency_hz, self.seed).check(check.rate)?;
        }
        let ramps_s = 2.0 * ramp_s(self.lowest_hz());
        if (ramps_s..=60.0).contains(&self.seconds) {
            return Ok(());
        }
        let allowed = format!("from {ramps_s:.2} (the ramps of the lowest note) to 60 for each note");
        Err(check.out_of_range("seconds", self.seconds, allowed))
    }

    /// A note that comes again goes on from where it was; its source is made once.
    fn prepare(&self, rate: SampleRate) -> Prepared {
        let mut distinct_hz: Vec<f64> = Vec::new();
        let mut voices: Vec<Voice> = Vec::new();
        let mut peak: f64 = 0.0;
        let mut order = Vec::new();
        for frequency_hz in &self.frequencies_hz {
            let voice = frequency_hz.map(|hz| {
                distinct_hz.iter().position(|known| *known == hz).unwrap_or_else(|| {
                    let prepared = self.tone.recipe(hz, self.seed).unchecked(rate);
                    peak = peak.max(prepared.peak);
                    distinct_hz.push(hz);
                    voices.push(Voice { source: prepared.source, ramp: ramp(prepared.lowest_hz, rate) });
                    voices.len() - 1
                })
            });
            order.push(voice);
        }
        let sounding = chunks(self.seconds, rate).max(1);
        let each = sounding + chunks(self.gap_s, rate);
        let length = Some(FrameCount((each * order.len() * CHUNK) as u64));
        let source = Box::new(Run { order, voices, sounding, each, chunk: 0 });
        Prepared { source, peak, lowest_hz: self.lowest_hz(), length, limit: None }
    }
}

fn ramp_s(lowest_hz: f64) -> f64 {
    SHORTEST_RAMP_S.max(RAMP_PERIODS / lowest_hz)
}

/// The rising half of a raised cosine.
fn ramp(lowest_hz: f64, rate: SampleRate) -> Vec<f64> {
    let frames = rate.frames(ramp_s(lowest_hz)).0 as usize;
    let rise = |n: usize| 0.5 - 0.5 * libm::cos(std::f64::consts::PI * (n as f64 + 0.5) / frames as f64);
    (0..frames).map(rise).collect()
}

/// Notes begin and end on whole chunks, a millisecond apart, so that each chunk belongs to one note.
fn chunks(seconds: f64, rate: SampleRate) -> usize {
    (seconds * rate.as_f64() / CHUNK as f64).round() as usize
}

struct Voice {
    source: Box<dyn Source>,
    ramp: Vec<f64>,
}

struct Run {
    /// Which voice plays each note; `None` is a rest.
    order: Vec<Option<usize>>,
    voices: Vec<Voice>,
    /// Chunks for which a note sounds.
    sounding: usize,
    /// Chunks from a note to the next.
    each: usize,
    chunk: usize,
}

impl Source for Run {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        let (note, within) = (self.chunk / self.each, self.chunk % self.each);
        self.chunk += 1;
        let voice = self.order.get(note).copied().flatten().and_then(|voice| self.voices.get_mut(voice));
        let Some(voice) = voice.filter(|_| within < self.sounding) else {
            out.fill(0.0);
            return;
        };
        voice.source.next_chunk(out);
        let first = within * CHUNK;
        let last = self.sounding * CHUNK - 1;
        for (k, sample) in out.iter_mut().enumerate() {
            let from_edge = (first + k).min(last - (first + k));
            *sample *= voice.ramp.get(from_edge).copied().unwrap_or(1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::samples;

    fn run(notes: &[&str], gap_s: f64) -> NoteRun {
        let notes = notes.iter().map(|name| (*name).to_owned()).collect();
        NoteRun { notes, tone: Tone::Pure {}, seconds: 0.5, gap_s, a4_hz: A4_HZ, seed: 0 }
    }

    /// Zero crossings upwards in a stretch, per second.
    fn pitch_hz(samples: &[f64]) -> f64 {
        let rising: Vec<usize> = (1..samples.len()).filter(|n| samples[n - 1] < 0.0 && samples[*n] >= 0.0).collect();
        (rising.len() - 1) as f64 / (rising[rising.len() - 1] - rising[0]) as f64 * 48_000.0
    }

    #[test]
    fn notes_sound_in_turn_with_rests_between() {
        let recipe = Recipe::Notes(run(&["E1", "-", "E2"], 0.0));
        let samples = samples(&recipe, SampleRate::HZ_48000, 72_000);
        assert!((pitch_hz(&samples[..24_000]) - 41.2034).abs() < 0.1);
        assert!(samples[24_000..48_000].iter().all(|sample| *sample == 0.0));
        assert!((pitch_hz(&samples[48_000..]) - 82.4069).abs() < 0.1);
        let length = recipe.prepare(SampleRate::HZ_48000).unwrap().length.unwrap();
        assert_eq!(length, FrameCount(72_000));
    }

    #[test]
    fn notes_begin_and_end_without_a_click() {
        let samples = samples(&Recipe::Notes(run(&["B0", "C4", "B0"], 0.1)), SampleRate::HZ_48000, 100_000);
        // A steady 261.6 Hz sine has a second difference of (2π·261.6/48000)² at most; a ramp adds little.
        let bound = (std::f64::consts::TAU * 261.63 / 48_000.0).powi(2) * 1.05;
        assert!(samples.windows(3).all(|three| (three[2] - 2.0 * three[1] + three[0]).abs() < bound));
    }

    #[test]
    fn a_stepped_sweep_goes_note_by_note_both_ways() {
        let steps = |from_hz, to_hz| {
            let step = SweepStep::Semitone;
            let sweep = SteppedSweep { from_hz, to_hz, step, seconds: 6.5, tone: Tone::Pure {}, a4_hz: A4_HZ, seed: 0 };
            samples(&Recipe::SteppedSweep(sweep), SampleRate::HZ_48000, 13 * 24_000)
        };
        let (up, down) = (steps(41.0, 82.0), steps(82.0, 41.0));
        assert!((pitch_hz(&up[24_000..48_000]) - 43.6535).abs() < 0.1);
        assert!((pitch_hz(&up[12 * 24_000..]) - 82.4069).abs() < 0.1);
        assert!((pitch_hz(&down[..24_000]) - 82.4069).abs() < 0.1);
    }

    #[test]
    fn patterns_are_what_musicians_call_them() {
        let names = |pattern: Pattern| pattern.notes(Note::parse("E1").unwrap()).join(" ");
        assert_eq!(names(Pattern::Major), "E1 F#1 G#1 A1 B1 C#2 D#2 E2");
        assert_eq!(names(Pattern::Octaves), "E1 E2 E3");
        assert_eq!(names(Pattern::Walking), "E1 G#1 B1 C#2 E2 C#2 B1 G#1");
        assert_eq!(names(Pattern::Chromatic).split(' ').count(), 13);
    }

    #[test]
    fn impossible_runs_are_refused() {
        let refuse = |run: NoteRun| Recipe::Notes(run).prepare(SampleRate::HZ_48000).err().unwrap().to_string();
        assert!(refuse(run(&["E1", "X9"], 0.0)).contains("\"X9\" is not a note"));
        assert!(refuse(run(&["-"], 0.0)).contains("not only rests"));
        let short = NoteRun { seconds: 0.05, ..run(&["E1"], 0.0) };
        assert_eq!(
            refuse(short),
            "notes: seconds is 0.05, but must be from 0.10 (the ramps of the lowest note) to 60 for each note"
        );
    }
}
