//! What a visit starts from: the first line of its file. Nothing here changes afterwards; what is asked is an event.

use serde::{Deserialize, Serialize};

use crate::presets::NoteSet;
use crate::room::Room;
use crate::routine::blend::BlendBrief;

/// What a visit starts from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Brief {
    /// The visit's name; also its file's.
    pub name: String,
    /// Seeds every random draw of the visit.
    pub seed: u64,
    /// Minutes of listening the person wants to spend; `None` for as long as it helps.
    pub minutes: Option<f64>,
    /// The room, if it came from a file; otherwise it is asked for.
    pub room: Option<Room>,
    /// The seat to place for, position in the room's list.
    pub seat: usize,
    /// The equipment, as far as it is known.
    pub kit: Kit,
    /// The notes to be heard, and with which tones.
    pub note_set: NoteSet,
    /// The loudness assumed for the equal-loudness levels, phon.
    pub loudness_phon: f64,
    /// A virtual room and a simulated listener stand in for real ones.
    pub rehearsal: bool,
    /// Whoever tapes the room in the visit is asked what else there is; older files go without that question.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub asks_more: bool,
    /// The blend that follows the placement, or is all there is to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blend: Option<BlendBrief>,
}

impl Brief {
    /// The subwoofer stands where it stays: there is only the blend to do.
    pub fn is_placed(&self) -> bool {
        self.blend.as_ref().is_some_and(|blend| blend.placed)
    }
}

/// What the subwoofer and the person have and can do. `None`: not known, will be asked.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Kit {
    /// The subwoofer's rated lower limit, Hz.
    pub rated_low_hz: Option<f64>,
    /// Where the low-pass stays if it cannot be opened or bypassed, Hz.
    pub low_pass_hz: Option<f64>,
    /// The subwoofer cannot be lifted onto the seat; it moves from spot to spot instead.
    pub too_heavy: Option<bool>,
    /// A sound level meter is at hand.
    pub meter: Option<bool>,
    /// The driver may take the lowest notes at full level: no fall below 25 Hz.
    pub deep_driver: bool,
    /// How notes are answered by ear; can be changed at any note.
    #[serde(skip_serializing_if = "AnswerBy::is_rating")]
    pub answer_by: AnswerBy,
    /// Output channels the subwoofer is on, counted from 1; empty for all.
    pub channels: Vec<u16>,
}

/// How a note is answered by ear.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AnswerBy {
    /// In one of seven words, against the notes of the spot as a whole.
    #[default]
    Rating,
    /// By nudging it until it is as loud as the reference: slower, and in dB.
    Match,
}

impl AnswerBy {
    /// Whether it is the usual way, which a file does not spell out.
    fn is_rating(&self) -> bool {
        *self == Self::Rating
    }
}
