//! Where in the visit we are.

use crate::judge::Advice;
use crate::routine::effect::Effect;
use crate::routine::question::Topic;
use crate::routine::shoot_out::ShootOutStep;
use crate::routine::{Refusal, State};
use crate::units::Dbfs;

/// The stages of a visit, in the order in which they follow each other.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage {
    /// Something about room or kit is not known yet.
    Setup(SetupStep),
    /// The cautions.
    Safety,
    /// One item of the checklist, by its position.
    Checklist(usize),
    /// The low-pass cannot be opened: where is it?
    LowPassFrequency,
    /// The subwoofer goes where it must be for the crawl.
    Placing,
    /// The reference tone sounds until it is comfortable.
    Comfort {
        /// Its level now.
        level: Dbfs,
        /// When it was last raised, visit time.
        raised_at_s: Option<f64>,
    },
    /// A boosted note is tried, by its position in the list of boosted notes.
    Strain(usize),
    /// The seven words are demonstrated.
    Anchors,
    /// The judge is asked.
    Consult,
    /// On the way to the spot of the last pass.
    Move,
    /// Notes of the last pass.
    Notes,
    /// The verdict is read.
    Verdict,
    /// The leaders are compared with the subwoofer moved.
    ShootOut(ShootOutStep),
    /// The subwoofer moves to its place.
    Moving,
    /// The scale is heard once more from the seat.
    SeatScale,
    /// Main speakers and subwoofer are blended; [`Blend`](crate::routine::Blend) knows how far.
    Blend,
    /// Nothing more to do.
    Done,
}

/// What is asked about room and kit, when it is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetupStep {
    /// How many spots.
    SpotCount,
    /// The name of the spot at this position.
    SpotName(usize),
    /// Whether to take tape measurements.
    Measured,
    /// Length, width, height: 0, 1, 2.
    Size(usize),
    /// What else may be said about the room: a list that comes back until there is nothing more.
    More,
    /// In which wall an opening or a door is.
    GapWall(Gap),
    /// Where it begins (a door: its hinge) and ends, along the wall at this position.
    GapEnd {
        /// What it is.
        gap: Gap,
        /// Which wall, position in the order of the corners.
        wall: usize,
        /// The second of its ends.
        second: bool,
    },
    /// Where no subwoofer may stand: its name, then from and to along the length, from and to along the width: 0 to 4.
    NoGo(usize),
    /// What the walls are made of.
    Walls,
    /// What one wall (0 to 3), the floor (4) or the ceiling (5) is made of.
    Surface(usize),
    /// Where a cable starts, along the length and along the width, and how long it is: 0, 1, 2.
    Lead {
        /// The power lead; otherwise the signal's cable.
        power: bool,
        /// Which of the three.
        part: usize,
    },
    /// Seat (0) or spot (from 1): along the length (false) or the width (true).
    Position(usize, bool),
    /// Rated lower limit.
    RatedLow,
    /// Too heavy for the seat.
    TooHeavy,
    /// Meter at hand.
    Meter,
}

/// A gap in a wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gap {
    /// Without a shut door.
    Opening,
    /// With one that opens into the room.
    Door,
}

/// What a stay is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PassKind {
    /// Notes are rated.
    Ratings,
    /// A meter is read.
    Meter,
}

/// Some notes heard at a spot without leaving it.
#[derive(Debug, Clone, PartialEq)]
pub struct Pass {
    /// Position in the list of spots.
    pub spot: usize,
    /// Position in the list of seats: the one it is heard for.
    pub seat: usize,
    /// Which stay it belongs to; counts the moves.
    pub stay: usize,
    /// What is asked.
    pub kind: PassKind,
    /// Positions in the note set, in the order of hearing.
    pub notes: Vec<usize>,
    /// Which note is up.
    pub at: usize,
    /// The answers, one per note heard.
    pub answers: Vec<Option<crate::evidence::Evidence>>,
    /// Why the judge wanted it.
    pub why: String,
    /// The person has to go there first.
    pub moved: bool,
    /// From the arrival on, visit time: of the arrival, and of the last answer.
    pub here_s: Option<(f64, f64)>,
}

impl Pass {
    /// The note that is up.
    pub fn note(&self) -> Option<usize> {
        self.notes.get(self.at).copied()
    }

    /// Whether no note of this pass was rated before the one that is up, and none was left out.
    pub fn is_first_rating(&self) -> bool {
        let matched = |answer: &Option<crate::evidence::Evidence>| {
            answer.is_some_and(|evidence| matches!(evidence.heard, crate::evidence::Heard::Match { .. }))
        };
        self.answers.iter().take(self.at).all(matched)
    }

    /// How long it took, from the arrival to the last answer.
    pub fn seconds(&self) -> f64 {
        self.here_s.map_or(0.0, |(from_s, to_s)| to_s - from_s)
    }
}

/// What the judge said last.
#[derive(Debug, Clone, PartialEq)]
pub struct Advised {
    /// What to do next.
    pub advice: Advice,
    /// Who leads.
    pub leader: Option<usize>,
    /// What choosing the leader is expected to cost, dB.
    pub expected_regret_db: f64,
    /// How probable it is that the leader is best.
    pub probability_best: f64,
    /// Spots that are worth comparing with the subwoofer moved; empty where one leads clearly.
    pub finalists: Vec<usize>,
}

/// An item of the checklist with what was answered.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Checked {
    /// Which item.
    pub topic: Topic,
    /// What was found, in words.
    pub outcome: String,
}

impl Checked {
    /// What was checked, in words.
    pub const fn what(&self) -> &'static str {
        match self.topic {
            Topic::LowPassOpen => "Low-pass",
            Topic::ContourZero => "Bass contour",
            Topic::ProcessingOff => "Room correction, loudness, night compression",
            Topic::StandbyOff => "Automatic standby",
            Topic::MainsSilent => "Main speakers during the visit",
            _ => "Other",
        }
    }
}

/// What a stage's answer leads to.
pub(super) type Outcome = Result<(), Refusal>;

impl State {
    /// What has to be done on entering the present stage.
    pub(super) fn entering(&self) -> Vec<Effect> {
        if self.paused.is_some() {
            return vec![Effect::Hush];
        }
        if self.stage == Stage::Consult {
            return vec![Effect::Hush, Effect::Consult];
        }
        let seats = self.room.seats.len();
        if let (Stage::Blend, Some(tuner)) = (&self.stage, self.blend.as_ref().and_then(|blend| blend.to_think(seats)))
        {
            return vec![Effect::Hush, Effect::Tune(Box::new(tuner))];
        }
        match self.cue() {
            Some(cue) => vec![Effect::Ceiling(self.ceiling()), Effect::Play(cue)],
            None => vec![Effect::Hush],
        }
    }
}
