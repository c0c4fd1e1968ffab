//! What a person is asked, and what they may answer. Every face draws these and nothing else.

use serde::{Deserialize, Serialize};

use crate::evidence::Rating;
use crate::units::Dbfs;

/// Identifies one asking of a question; never reused within a visit, so that a late answer cannot land on the wrong
/// one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct QuestionId(pub u64);

/// One question, as one screen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Question {
    /// Which asking this is.
    pub id: QuestionId,
    /// What to do first: one instruction.
    pub text: String,
    /// Why, or what to listen for; may be empty.
    pub why: String,
    /// What is asked, and with what it is answered.
    pub ask: Ask,
}

/// The kinds of question. Later steps add theirs here; faces refuse none they do not know, they show the text.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Ask {
    /// Answered by yes or, where there is a label for it, no.
    Confirm {
        /// What it is about, for scripts.
        topic: Topic,
        /// What yes means here ('Ready', 'It sounded clean').
        yes: String,
        /// What no means here; `None` where only yes leads on.
        no: Option<String>,
    },
    /// One of several; answered by its position.
    Choose {
        /// What it is about, for scripts.
        topic: Topic,
        /// The options in order.
        options: Vec<String>,
    },
    /// A number in a range.
    Number {
        /// What it is about, for scripts.
        topic: Topic,
        /// Unit, as printed after the number.
        unit: &'static str,
        /// Lowest number taken.
        low: f64,
        /// Highest number taken.
        high: f64,
        /// Taken if the person just says yes.
        default: Option<f64>,
    },
    /// A short text.
    Text {
        /// What it is about, for scripts.
        topic: Topic,
        /// Taken if the person just says yes.
        default: Option<String>,
    },
    /// The reference tone sounds; louder and quieter are pressed until it is comfortable (yes).
    Comfort {
        /// The level it sounds at now.
        level: Dbfs,
        /// The highest level that can be accepted.
        highest: Dbfs,
    },
    /// Go to a spot (or move the subwoofer there); answered by having arrived.
    Move {
        /// Position in the room's list of spots.
        spot: usize,
        /// Its name.
        name: String,
    },
    /// The scale is being demonstrated; answered by having heard it.
    Anchors,
    /// One note on seven steps.
    Rate(NoteAtSpot),
    /// One note read off a sound level meter.
    Meter(NoteAtSpot),
    /// One note nudged until it is as loud as the reference; answered by [`Answer::Matched`], or no where it cannot be.
    Match(MatchAtSpot),
}

/// A note sounding at a spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoteAtSpot {
    /// Position in the room's list of spots.
    pub spot: usize,
    /// Its name.
    pub spot_name: String,
    /// Position in the note set.
    pub note: usize,
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its nearest musical note ('E1').
    pub note_name: String,
    /// Half the width of the tone's band, octaves.
    pub half_width_octaves: f64,
    /// By how much it is played under equal loudness, dB.
    pub shortfall_db: f64,
    /// Position of the seat it is heard for in the room's list.
    #[serde(skip)]
    pub seat: usize,
    /// Its name, where several seats are judged for.
    #[serde(rename = "seat", skip_serializing_if = "Option::is_none")]
    pub seat_name: Option<String>,
}

/// A note that is being matched. Offsets are counted from the level at which the note should be as loud as the
/// reference.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MatchAtSpot {
    /// The note.
    #[serde(flatten)]
    pub note: NoteAtSpot,
    /// First or second run: 1, 2. They come from different sides, and their mean counts.
    pub run: u8,
    /// How far the note is moved now, dB. No person is shown this: they should hear, not count.
    pub offset_db: f64,
    /// What the next nudge moves it by, dB.
    pub step_db: f64,
    /// The lowest offset there is, dB.
    pub lowest_offset_db: f64,
    /// The highest one, dB: there the note has the level at which it is played outside of matches.
    pub highest_offset_db: f64,
    /// The frequency of the reference.
    pub reference_hz: f64,
    /// Half the width of the reference's band, octaves.
    pub reference_half_width_octaves: f64,
}

/// What a simple question is about; a stable name for scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Topic {
    /// Whether somebody will type the room's size.
    RoomMeasured,
    /// Length, width, height.
    RoomLength,
    /// See [`Topic::RoomLength`].
    RoomWidth,
    /// See [`Topic::RoomLength`].
    RoomHeight,
    /// Where a seat or spot is along the room's length.
    PlaceAlong,
    /// Where a seat or spot is along the room's width.
    PlaceAcross,
    /// What else there is to say about the room.
    RoomMore,
    /// In which wall an opening or a door is.
    GapWall,
    /// Where it begins or ends along that wall.
    GapEnd,
    /// What is in the way where no subwoofer may stand.
    NoGoName,
    /// One of its four sides.
    NoGoSide,
    /// What a wall, the floor or the ceiling is made of.
    SurfaceKind,
    /// Where a cable starts.
    CableFrom,
    /// How long it is.
    CableLength,
    /// How many spots there are.
    SpotCount,
    /// What a spot is called.
    SpotName,
    /// The subwoofer's rated lower limit.
    RatedLow,
    /// Whether two people can lift the subwoofer onto the seat.
    Liftable,
    /// Whether a sound level meter is at hand.
    MeterAtHand,
    /// The cautions were read.
    Safety,
    /// The subwoofer's low-pass is out of the way.
    LowPassOpen,
    /// Where the low-pass is, if it cannot be opened.
    LowPassFrequency,
    /// Contour controls are at 0.
    ContourZero,
    /// Room correction, loudness and night compression are off.
    ProcessingOff,
    /// Auto-standby is off.
    StandbyOff,
    /// The main speakers are silent.
    MainsSilent,
    /// The subwoofer stands where it must for the crawl.
    SubwooferPlaced,
    /// The lowest notes sound clean.
    Strain,
    /// The verdict was read.
    Verdict,
    /// Who carries the subwoofer in the shoot-out.
    ShootOutCarrier,
    /// It stands at the next finalist.
    ShootOutPlaced,
    /// The first finalist was heard from the seat.
    ShootOutHeard,
    /// Which of the last two finalists is the more even one.
    ShootOutMoreEven,
    /// The subwoofer stands at the chosen spot.
    SubwooferMoved,
    /// The scale was heard from the seat.
    SeatScale,
    /// How the subwoofer is connected.
    Connection,
    /// Whether it is a two-channel system.
    TwoChannel,
    /// The main speakers' rated lower limit.
    MainsLow,
    /// Whether the link is wireless.
    Wireless,
    /// Its latency.
    Latency,
    /// The channel that leads to the subwoofer alone.
    OwnChannel,
    /// Whether there is a control, and how it is marked.
    ControlMarking,
    /// The lowest figure on its scale.
    ControlLow,
    /// The highest.
    ControlHigh,
    /// Main speakers and subwoofer are on.
    MainsSounding,
    /// From which side a channel comes.
    ChannelSide,
    /// Which of sum and difference stands in the middle.
    ChannelMiddle,
    /// Whether the subwoofer sounds.
    SubwooferSounds,
    /// What the connection check found was read.
    Wiring,
    /// Something to know was read.
    Told,
    /// What a control showed before it was put to its start value.
    ControlBefore,
    /// What a control shows at a re-check.
    ControlNow,
    /// A control was turned.
    Turn,
    /// The first of two was heard.
    FirstHeard,
    /// Whether the bass pulls towards the subwoofer.
    BassPulls,
    /// Whether a low noise is louder than a high one.
    LowLouder,
    /// Which of two is better.
    Better,
    /// Which of several is the fullest.
    Fullest,
    /// The subwoofer is switched off, or on again.
    SubwooferSwitched,
    /// The person is close to the subwoofer, or back at the seat.
    NearSubwoofer,
    /// What the notes across the crossover say was read.
    BlendChecked,
    /// Whether the notes sound even at a seat.
    SeatEven,
    /// Who heard it.
    HeardBy,
}

/// What a person may answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "answer", content = "value", rename_all = "kebab-case")]
pub enum Answer {
    /// Yes, go on; comfortable; clean.
    Yes,
    /// No; strained.
    No,
    /// The option at this position.
    Choice(usize),
    /// A number.
    Number(f64),
    /// A text.
    Text(String),
    /// At the spot asked for.
    Arrived,
    /// The demonstration was heard.
    Heard,
    /// One of seven steps.
    Rating(Rating),
    /// As loud as the reference.
    Matched,
    /// A meter reading, dB SPL.
    Level(f64),
}
