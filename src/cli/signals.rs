//! Signals in words: the same for `play` and `render`.

use clap::{Args, Subcommand, ValueEnum};

use crate::acoustics::bands::Width;
use crate::acoustics::notes::A4_HZ;
use crate::cli::Failure;
use crate::cli::presets::own_presets;
use crate::presets::{self, SIGNALS};
use crate::signal::band_noise::{BandNoise, Noise, Spectrum};
use crate::signal::note_run::{NoteRun, SteppedSweep};
use crate::signal::pulses::{Burst, Marker, Polarity, Silence};
use crate::signal::pure::Pure;
use crate::signal::steady_noise::SteadyNoise;
use crate::signal::sweep::{self, Sweep};
use crate::signal::sweep_step::SweepStep;
use crate::signal::warble::{self, Warble};
use crate::signal::{Recipe, Tone};

/// A signal, and how it is to be heard or written (`H`).
#[derive(Debug, Clone, Subcommand)]
pub enum SignalArgs<H: Args> {
    /// One frequency.
    Pure {
        /// Frequency, Hz.
        #[arg(long)]
        hz: f64,
        #[command(flatten)]
        how: H,
    },
    /// A tone that swings to and fro, so that it does not hang on one spot of a room.
    Warble {
        /// Middle frequency, Hz.
        #[arg(long)]
        hz: f64,
        /// How far it swings to either side, octaves.
        #[arg(long, default_value_t = 1.0 / 12.0)]
        octaves: f64,
        /// How often it swings, Hz.
        #[arg(long, default_value_t = 4.0)]
        rate_hz: f64,
        /// How it swings.
        #[arg(long, default_value = "sine")]
        shape: SwingName,
        #[command(flatten)]
        how: H,
    },
    /// Band noise whose level does not wander.
    SteadyNoise {
        /// Middle frequency, Hz.
        #[arg(long)]
        hz: f64,
        /// Width as a fraction of an octave: 1/1, 1/3, 1/6 or 1/12.
        #[arg(long, default_value = "1/3")]
        band: String,
        /// Seed of the noise.
        #[arg(long, default_value_t = 1)]
        noise_seed: u64,
        #[command(flatten)]
        how: H,
    },
    /// Ordinary noise: in a band (--hz, --band), or pink or white between two frequencies (--from-hz, --to-hz).
    BandNoise {
        /// Middle frequency of a band, Hz.
        #[arg(long, conflicts_with_all = ["from_hz", "to_hz", "spectrum"], required_unless_present = "from_hz")]
        hz: Option<f64>,
        /// Width of the band as a fraction of an octave: 1/1, 1/3, 1/6 or 1/12.
        #[arg(long, default_value = "1/3")]
        band: String,
        /// Lowest frequency, Hz.
        #[arg(long, requires = "to_hz")]
        from_hz: Option<f64>,
        /// Highest frequency, Hz.
        #[arg(long, requires = "from_hz")]
        to_hz: Option<f64>,
        /// How the power is spread.
        #[arg(long, default_value = "pink")]
        spectrum: SpectrumName,
        /// Seed of the noise.
        #[arg(long, default_value_t = 1)]
        noise_seed: u64,
        #[command(flatten)]
        how: H,
    },
    /// From one frequency to another, in a glide or in steps.
    Sweep {
        /// Where it starts, Hz.
        #[arg(long)]
        from_hz: f64,
        /// Where it ends, Hz.
        #[arg(long)]
        to_hz: f64,
        /// How long the glide takes.
        #[arg(long, default_value_t = 10.0)]
        sweep_seconds: f64,
        /// How the frequency moves.
        #[arg(long, default_value = "exponential")]
        shape: GlideName,
        /// Go in steps instead of gliding, from the note or band nearest the start to the one nearest the end.
        #[arg(long, value_name = "STEP", conflicts_with = "shape")]
        stepped_by: Option<StepName>,
        /// What sounds for each step.
        #[arg(long, default_value = "pure", requires = "stepped_by")]
        tone: ToneName,
        #[command(flatten)]
        how: H,
    },
    /// Tone bursts with a Hann envelope.
    Burst {
        /// Frequency, Hz.
        #[arg(long)]
        hz: f64,
        /// Cycles in a burst.
        #[arg(long, default_value_t = 6.5)]
        cycles: f64,
        /// Silence between bursts, seconds.
        #[arg(long, default_value_t = 0.5)]
        pause_s: f64,
        /// How many bursts; without end otherwise.
        #[arg(long)]
        count: Option<u32>,
        #[command(flatten)]
        how: H,
    },
    /// Pulses that push the cone outwards first.
    Polarity {
        /// Frequency of the pulse, Hz.
        #[arg(long, default_value_t = 50.0)]
        hz: f64,
        /// Silence between pulses, seconds.
        #[arg(long, default_value_t = 0.7)]
        pause_s: f64,
        /// How many pulses; without end otherwise.
        #[arg(long)]
        count: Option<u32>,
        #[command(flatten)]
        how: H,
    },
    /// Nothing, with a pip at its beginning that a recording can be lined up by.
    Silence {
        /// How long, the pip included, seconds.
        #[arg(long, default_value_t = 5.0)]
        silence_seconds: f64,
        /// Where it is marked.
        #[arg(long, default_value = "start")]
        marker: MarkerName,
        #[command(flatten)]
        how: H,
    },
    /// A signal by the name of its preset, or one of your own; `evenbass presets list` lists them.
    Preset {
        /// Which.
        name: String,
        #[command(flatten)]
        how: H,
    },
    /// Notes one after the other, by name: E1,G1,A1; '-' is a rest.
    Notes {
        /// The notes.
        #[arg(long, value_delimiter = ',', required = true)]
        notes: Vec<String>,
        /// How long each sounds, seconds.
        #[arg(long, default_value_t = 0.8)]
        note_seconds: f64,
        /// Silence after each, seconds.
        #[arg(long, default_value_t = 0.1)]
        gap_s: f64,
        /// The frequency of A4, Hz.
        #[arg(long, default_value_t = 440.0)]
        a4_hz: f64,
        #[command(flatten)]
        how: H,
    },
}

/// How a warble swings.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum SwingName {
    /// Like a pendulum.
    Sine,
    /// At a steady pace up and down.
    Triangle,
}

/// How a sweep's frequency moves.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum GlideName {
    /// Equal times for equal intervals.
    Exponential,
    /// Equal times for equal differences in hertz.
    Linear,
}

/// The steps of a stepped sweep.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum StepName {
    /// Every note.
    Semitone,
    /// Every other note.
    WholeTone,
    /// The mid-band frequencies of IEC 61260-1, a twelfth of an octave apart.
    TwelfthOctave,
    /// The same a sixth of an octave apart.
    SixthOctave,
    /// The same a third of an octave apart.
    ThirdOctave,
    /// The same an octave apart.
    Octave,
}

impl StepName {
    const fn step(self) -> SweepStep {
        match self {
            Self::Semitone => SweepStep::Semitone,
            Self::WholeTone => SweepStep::WholeTone,
            Self::TwelfthOctave => SweepStep::TwelfthOctave,
            Self::SixthOctave => SweepStep::SixthOctave,
            Self::ThirdOctave => SweepStep::ThirdOctave,
            Self::Octave => SweepStep::Octave,
        }
    }
}

/// What sounds for each step of a sweep.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum ToneName {
    /// One frequency.
    Pure,
    /// A warble of a twelfth of an octave to either side, four times a second.
    Warble,
    /// Steady noise a third of an octave wide.
    SteadyNoise,
}

impl ToneName {
    fn tone(self) -> Tone {
        match self {
            Self::Pure => Tone::Pure {},
            Self::Warble => {
                Tone::Warble { half_width_octaves: 1.0 / 12.0, rate_hz: 4.0, shape: warble::Shape::default() }
            }
            Self::SteadyNoise => Tone::SteadyNoise { band: Width::Third },
        }
    }
}

/// Where silence is marked.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum MarkerName {
    /// By a pip near the beginning.
    Start,
    /// Nowhere.
    None,
}

/// How noise spreads its power.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum SpectrumName {
    /// Equal power in every octave.
    Pink,
    /// Equal power in every hertz.
    White,
}

impl<H: Args> SignalArgs<H> {
    /// The recipe that was meant. What it holds is checked when it is prepared.
    pub fn recipe(&self) -> Result<Recipe, Failure> {
        Ok(match self {
            Self::Pure { hz, .. } => Recipe::Pure(Pure { frequency_hz: *hz }),
            Self::Warble { hz, octaves, rate_hz, shape, .. } => Recipe::Warble(Warble {
                frequency_hz: *hz,
                half_width_octaves: *octaves,
                rate_hz: *rate_hz,
                shape: match shape {
                    SwingName::Sine => warble::Shape::Sine,
                    SwingName::Triangle => warble::Shape::Triangle,
                },
            }),
            Self::SteadyNoise { hz, band, noise_seed, .. } => {
                Recipe::SteadyNoise(SteadyNoise { frequency_hz: *hz, band: width(band)?, seed: *noise_seed })
            }
            Self::BandNoise { hz: Some(hz), band, noise_seed, .. } => {
                Recipe::BandNoise(BandNoise { frequency_hz: *hz, band: width(band)?, seed: *noise_seed })
            }
            Self::BandNoise { from_hz, to_hz, spectrum, noise_seed, .. } => Recipe::Noise(Noise {
                spectrum: match spectrum {
                    SpectrumName::Pink => Spectrum::Pink,
                    SpectrumName::White => Spectrum::White,
                },
                from_hz: from_hz.unwrap_or_default(),
                to_hz: to_hz.unwrap_or_default(),
                seed: *noise_seed,
            }),
            Self::Sweep { from_hz, to_hz, sweep_seconds, stepped_by: Some(step), tone, .. } => {
                Recipe::SteppedSweep(SteppedSweep {
                    from_hz: *from_hz,
                    to_hz: *to_hz,
                    step: step.step(),
                    seconds: *sweep_seconds,
                    tone: tone.tone(),
                    a4_hz: A4_HZ,
                    seed: 1,
                })
            }
            Self::Sweep { from_hz, to_hz, sweep_seconds, shape, .. } => Recipe::Sweep(Sweep {
                from_hz: *from_hz,
                to_hz: *to_hz,
                seconds: *sweep_seconds,
                shape: match shape {
                    GlideName::Exponential => sweep::Shape::Exponential,
                    GlideName::Linear => sweep::Shape::Linear,
                },
            }),
            Self::Burst { hz, cycles, pause_s, count, .. } => {
                Recipe::Burst(Burst { frequency_hz: *hz, cycles: *cycles, pause_s: *pause_s, count: *count })
            }
            Self::Polarity { hz, pause_s, count, .. } => {
                Recipe::Polarity(Polarity { frequency_hz: *hz, pause_s: *pause_s, count: *count })
            }
            Self::Silence { silence_seconds, marker, .. } => Recipe::Silence(Silence {
                seconds: *silence_seconds,
                marker: match marker {
                    MarkerName::Start => Marker::Start,
                    MarkerName::None => Marker::None,
                },
            }),
            Self::Preset { name, .. } => presets::signal(name, own_presets(SIGNALS.folder).as_deref())?.recipe,
            Self::Notes { notes, note_seconds, gap_s, a4_hz, .. } => Recipe::Notes(NoteRun {
                notes: notes.clone(),
                tone: Tone::Pure {},
                seconds: *note_seconds,
                gap_s: *gap_s,
                a4_hz: *a4_hz,
                seed: 1,
            }),
        })
    }

    /// How it is to be heard or written.
    pub const fn how(&self) -> &H {
        match self {
            Self::Pure { how, .. }
            | Self::Warble { how, .. }
            | Self::SteadyNoise { how, .. }
            | Self::BandNoise { how, .. }
            | Self::Sweep { how, .. }
            | Self::Burst { how, .. }
            | Self::Polarity { how, .. }
            | Self::Silence { how, .. }
            | Self::Preset { how, .. }
            | Self::Notes { how, .. } => how,
        }
    }
}

fn width(text: &str) -> Result<Width, Failure> {
    text.parse().map_err(Failure::Usage)
}
