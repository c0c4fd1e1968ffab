//! The blend as part of a visit: from what is connected to a system that is signed off.
//!
//! A routine's steps are gone through in order; those whose conditions do not hold never appear. What a step looks for
//! is a [`search`]; turning knobs, listening and the order of both are the same for all of them, and live here.

mod answers;
mod check;
mod hearing;
mod kit;
mod question;
pub mod record;
pub mod scene;
pub mod search;
pub mod setup;
mod steps;
#[cfg(test)]
mod tests;
mod tones;
mod translate;
mod tuning;
mod visit;

use serde::{Deserialize, Serialize};

use crate::blend::trace::Trace;
use crate::blend::wiring::Wiring;
use crate::blend::{Channels, Connection, Device, Role, System, Unit};
use crate::evidence::Rating;
use crate::presets::BlendRoutine;
use crate::presets::routine::{BlendStep, StepKind, Target};
use crate::random::Random;
use crate::units::GainDb;
use check::Run;
pub use kit::KitStep;
pub use record::{Decision, NoteHeard, Previous, SeatHeard};
use search::Search;
pub use setup::{Own, Setup};
use tuning::Tuning;
pub(in crate::routine) use visit::Here;

/// Sets the draws of the blend apart from all others.
const BLEND: u64 = 0x62_6c_65_6e;
/// Whoever takes longer than this for an answer has paused, seconds (*common practice*).
const PAUSE_S: f64 = 60.0;
/// A drift smaller than this share of a control's range is a hand's breadth and no drift.
const DRIFT_SHARE: f64 = 0.02;

/// What a blend starts from: part of the first line of a visit file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlendBrief {
    /// The system, if it came from a file; otherwise it is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub system: Option<System>,
    /// Routines to choose from: the first that fits the connection.
    pub routines: Vec<BlendRoutine>,
    /// The subwoofer stands where it stays: the blend is all there is to do.
    #[serde(default)]
    pub placed: bool,
    /// An earlier visit whose settings are looked at again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recheck: Option<Previous>,
    /// How many channels the sound output was open with: in files from before each start of the program wrote that
    /// down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub output_channels: Option<u16>,
}

impl BlendBrief {
    /// The channels that it is known to sound on from the beginning.
    pub fn channels(&self) -> Channels {
        self.system.as_ref().map_or_else(Channels::default, |system| system.channels)
    }
}

/// Everything that a blend knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Blend {
    system: System,
    /// How many channels the sound output is open with, if that is known.
    output_channels: Option<u16>,
    steps: Vec<BlendStep>,
    /// Which step is up.
    step: usize,
    pub(super) doing: Doing,
    stands: Setup,
    /// Where each control stood before anybody touched it.
    before: Vec<Option<f64>>,
    decisions: Vec<Decision>,
    wiring: Option<Wiring>,
    /// By how much the next tone has to climb, because a knob was turned up.
    climb: GainDb,
    notes: Vec<NoteHeard>,
    traces: Vec<Trace>,
    seats: Vec<SeatHeard>,
    heard_by: Option<String>,
    /// What was found on the subwoofer's own channel and no control could take up.
    left: Option<Own>,
    drifts: Vec<String>,
    answers: usize,
    rated: usize,
    /// From the first answer to the last, visit time.
    from_to_s: Option<(f64, f64)>,
    /// The same without pauses, seconds.
    spent_s: f64,
}

/// What is being done.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Doing {
    /// Something about the system is asked.
    Kit(KitStep),
    /// The main speakers are switched on again.
    Mains,
    /// A round of the connection check.
    Connection(Round),
    /// What the connection check found.
    Wired,
    /// Something to know.
    Say,
    /// What a control shows now, and then it is put to a value.
    Before { control: usize, to: Target },
    /// A search: its knobs are turned, or it is listened to.
    Seek {
        /// What is looked for.
        search: Search,
        /// What the search is at.
        hand: Hand,
        /// The first of two was heard already, and the second is being set.
        first_heard: bool,
    },
    /// Bands are rated at a few settings.
    Tune(Box<Tuning>),
    /// Knobs are turned to where they belong; then the next step.
    Adjust(Setup),
    /// What a control that was written down shows today.
    Recheck(usize),
    /// Notes across the crossover.
    Check(Run),
    /// What they say.
    Checked,
    /// The notes at a seat.
    Verify(usize),
    /// Who heard it.
    Sign,
    /// Nothing more.
    Over,
}

/// What a search is at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Hand {
    /// A control is being turned to a value.
    Turn(usize, f64),
    /// The first of two is listened to.
    First,
    /// The question is open.
    Listen,
}

/// A round of the connection check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Round {
    /// Where the left channel comes from.
    Left,
    /// Where the right channel comes from.
    Right,
    /// Sum and difference.
    Middle,
    /// Whether the subwoofer sounds with a channel: left, right, its own.
    Subwoofer(usize),
}

/// What an answer leads to, seen from the visit.
pub(super) enum Flow {
    /// On with the blend.
    On,
    /// The level is found first, with the channels that sound from now on.
    Comfort,
    /// The blend is over.
    Over,
}

impl Blend {
    /// A blend at its beginning.
    pub fn new(brief: &BlendBrief, name: &str) -> Self {
        let system = brief.system.clone().unwrap_or_else(|| kit::blank(name));
        let mut blend = Self {
            steps: Vec::new(),
            step: 0,
            doing: if brief.system.is_some() { Doing::Mains } else { Doing::Kit(KitStep::FIRST) },
            stands: Setup::default(),
            before: Vec::new(),
            decisions: Vec::new(),
            wiring: None,
            climb: GainDb::ZERO,
            notes: Vec::new(),
            traces: Vec::new(),
            seats: Vec::new(),
            heard_by: None,
            left: None,
            drifts: Vec::new(),
            answers: 0,
            rated: 0,
            from_to_s: None,
            spent_s: 0.0,
            output_channels: brief.output_channels,
            system,
        };
        if brief.system.is_some() {
            blend.know_system(brief);
        }
        blend
    }

    /// The system is known: its controls stand where they were said to, and the steps are those of its routine.
    fn know_system(&mut self, brief: &BlendBrief) {
        let values: Vec<Option<f64>> = self.system.controls.iter().map(|control| control.now).collect();
        self.before.clone_from(&values);
        self.stands = Setup { values, own: Own::default() };
        let fits = |routine: &&BlendRoutine| routine.fits.contains(&self.system.connection);
        let routine = brief.routines.iter().find(fits).or_else(|| brief.routines.first());
        self.steps = match (&brief.recheck, routine) {
            (Some(_), _) => [StepKind::Connection, StepKind::Check, StepKind::Verify]
                .map(|what| BlendStep { what, control: None, when: Vec::new(), why: String::new() })
                .into(),
            (None, Some(routine)) => routine.steps.clone(),
            (None, None) => Vec::new(),
        };
    }

    /// A program took the visit up, on an output with so many channels.
    pub(super) fn opened_with(&mut self, channels: Option<u16>) {
        self.output_channels = channels.or(self.output_channels);
    }

    /// The system as far as it is known.
    pub fn system(&self) -> &System {
        &self.system
    }

    /// Where everything stands.
    pub fn stands(&self) -> &Setup {
        &self.stands
    }

    /// Where every control stood before anybody touched it.
    pub fn before(&self) -> &[Option<f64>] {
        &self.before
    }

    /// What was decided, in order.
    pub fn decisions(&self) -> &[Decision] {
        &self.decisions
    }

    /// What the connection check heard.
    pub fn wiring(&self) -> Option<&Wiring> {
        self.wiring.as_ref()
    }

    /// The notes across the crossover as they were heard last.
    pub fn notes(&self) -> &[NoteHeard] {
        &self.notes
    }

    /// What stands out in them.
    pub fn traces(&self) -> &[Trace] {
        &self.traces
    }

    /// What was heard at the seats.
    pub fn seats(&self) -> &[SeatHeard] {
        &self.seats
    }

    /// Who heard it.
    pub fn heard_by(&self) -> Option<&str> {
        self.heard_by.as_deref()
    }

    /// What nothing could take up.
    pub fn left(&self) -> Option<Own> {
        self.left
    }

    /// What has drifted since the earlier visit, in words.
    pub fn drifts(&self) -> &[String] {
        &self.drifts
    }

    /// Answers that count.
    pub fn answers(&self) -> usize {
        self.answers
    }

    /// Of these, notes that were rated or metered.
    pub fn rated(&self) -> usize {
        self.rated
    }

    /// From the first answer to the last, seconds of the visit's own time.
    pub fn seconds(&self) -> f64 {
        self.from_to_s.map_or(0.0, |(from_s, to_s)| to_s - from_s)
    }

    /// Whether anything was set that could drift.
    pub fn has_settings(&self) -> bool {
        self.stands.values.iter().any(Option::is_some)
    }

    /// The system with every control as it stands now.
    pub fn as_left(&self) -> System {
        let mut system = self.system.clone();
        for (control, value) in system.controls.iter_mut().zip(&self.stands.values) {
            control.now = *value;
        }
        system
    }

    /// Where main speakers and subwoofer meet, Hz: a processor divides between them by its own setting; main speakers
    /// that play on downwards end where they are rated to.
    pub fn crossover_hz(&self) -> f64 {
        let divides = |role: Role| {
            let (at, control) = self.system.control(role, Device::Processor)?;
            (control.unit == Unit::Hertz).then(|| self.stands.values.get(at).copied().flatten()).flatten()
        };
        let by_processor = match self.system.connection {
            Connection::Lfe => divides(Role::Crossover).or_else(|| divides(Role::LowPass)),
            Connection::Line | Connection::Both => None,
        };
        by_processor.unwrap_or(self.system.mains.rated_low_hz).clamp(35.0, 200.0)
    }
}

/// Whether the sum comes before the difference, drawn from the seed.
fn same_comes_first(seed: u64) -> bool {
    Random::new(seed, BLEND).uniform() < 0.5
}

/// A rating in the middle of its word's range, dB (as the words are demonstrated).
fn rating_db(rating: Rating) -> f64 {
    [-10.0, -6.0, -2.75, 0.0, 2.75, 6.0, 10.0][rating.index()]
}
