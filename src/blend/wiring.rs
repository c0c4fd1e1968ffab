//! What the connection check heard, and what that means: which outputs reach the subwoofer, and which channels are
//! crossed, missing or turned over.

use serde::{Deserialize, Serialize};

use crate::blend::Connection;

/// From where a noise on one channel came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The left speaker.
    Left,
    /// The right speaker.
    Right,
    /// Both.
    Both,
    /// Neither.
    Neither,
}

impl Side {
    /// In the order in which they are offered.
    pub const ALL: [Self; 4] = [Self::Left, Self::Right, Self::Both, Self::Neither];

    /// As it is offered.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Left => "the left speaker",
            Self::Right => "the right speaker",
            Self::Both => "both speakers",
            Self::Neither => "neither of them",
        }
    }
}

/// Which of sum and difference stood in the middle with more bass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Middle {
    /// The same noise from both: as it should be.
    Same,
    /// The opposite noise: one speaker is turned over.
    Opposite,
    /// No difference was heard.
    Unclear,
}

/// What was heard; `None` where it was not asked.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Wiring {
    /// Where the left channel came from.
    pub left: Option<Side>,
    /// Where the right channel came from.
    pub right: Option<Side>,
    /// Sum against difference.
    pub middle: Option<Middle>,
    /// The subwoofer sounded with the left channel alone.
    pub subwoofer_from_left: Option<bool>,
    /// With the right channel alone.
    pub subwoofer_from_right: Option<bool>,
    /// With its own channel.
    pub subwoofer_from_own: Option<bool>,
}

/// Something that is not as it should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// Left and right are exchanged.
    Crossed,
    /// Left and right come from the same side.
    Together,
    /// The left channel is not heard.
    LeftMissing,
    /// The right channel is not heard.
    RightMissing,
    /// Left and right are mixed into one.
    Mixed,
    /// One main speaker has its polarity turned over.
    Inverted,
    /// The subwoofer hears only one of left and right.
    OneSided,
    /// Nothing reaches the subwoofer.
    NoSubwoofer,
    /// Its own channel does not reach the subwoofer.
    OwnSilent,
}

impl Fault {
    /// What was found.
    pub const fn what(self) -> &'static str {
        match self {
            Self::Crossed => "Left and right are exchanged.",
            Self::Together => "Left and right are both heard from the same side.",
            Self::LeftMissing => "The left channel is not heard.",
            Self::RightMissing => "The right channel is not heard.",
            Self::Mixed => "Left and right are mixed into one.",
            Self::Inverted => "One main speaker has its polarity turned over.",
            Self::OneSided => "Only one of left and right reaches the subwoofer.",
            Self::NoSubwoofer => "Nothing reaches the subwoofer.",
            Self::OwnSilent => "The channel that should be the subwoofer's own does not reach it.",
        }
    }

    /// What to do.
    pub const fn remedy(self) -> &'static str {
        match self {
            Self::Crossed => "Power off; exchange the left and right cables at one end.",
            Self::Together => {
                "Hear this check once more. If it is so: power off; see that each of the two outputs leads to a speaker of its own, and that the other speaker is connected."
            }
            Self::LeftMissing | Self::RightMissing => {
                "Power off; check its cable and plug at both ends, and the balance control."
            }
            Self::Mixed => "Look for a mono switch, and for a mono setting of the computer's sound output.",
            Self::Inverted => {
                "Power off; at one main speaker exchange the two wires, plus and minus, and hear this check again."
            }
            Self::OneSided => {
                "Power off; connect both line inputs. A subwoofer with one input takes left and right through an adapter that adds them."
            }
            Self::NoSubwoofer => {
                "Is it switched on and awake, and its level up? Then check the cable, and in the processor whether there is a subwoofer at all."
            }
            Self::OwnSilent => "Check the channel's number with `evenbass play identify`, and the cable.",
        }
    }
}

impl Wiring {
    /// Whether a two-channel signal reaches the subwoofer; `None` if it was not asked.
    pub fn bass_from_two_channel(&self) -> Option<bool> {
        match (self.subwoofer_from_left, self.subwoofer_from_right) {
            (None, None) => None,
            (left, right) => Some(left == Some(true) || right == Some(true)),
        }
    }

    /// Everything that is not as it should be, the gravest first.
    pub fn faults(&self, connection: Connection) -> Vec<Fault> {
        let mut faults = Vec::new();
        let from_mains = self.bass_from_two_channel();
        if self.subwoofer_from_own == Some(false) {
            faults.push(Fault::OwnSilent);
        }
        // Fed from the LFE output alone, silence with two channels is no fault but a finding.
        let needs_mains = connection.has_line() && self.subwoofer_from_own != Some(true);
        if from_mains == Some(false) && needs_mains {
            faults.push(Fault::NoSubwoofer);
        }
        if self.left == Some(Side::Neither) {
            faults.push(Fault::LeftMissing);
        }
        if self.right == Some(Side::Neither) {
            faults.push(Fault::RightMissing);
        }
        let from_one_side = matches!(self.left, Some(Side::Left | Side::Right)) && self.left == self.right;
        if from_one_side {
            faults.push(Fault::Together);
        } else if self.left == Some(Side::Right) || self.right == Some(Side::Left) {
            faults.push(Fault::Crossed);
        }
        if self.left == Some(Side::Both) || self.right == Some(Side::Both) {
            faults.push(Fault::Mixed);
        }
        if self.middle == Some(Middle::Opposite) {
            faults.push(Fault::Inverted);
        }
        if let (Some(left), Some(right)) = (self.subwoofer_from_left, self.subwoofer_from_right)
            && left != right
        {
            faults.push(Fault::OneSided);
        }
        faults
    }

    /// Which outputs reach the subwoofer, in words.
    pub fn reach(&self) -> String {
        let outputs = [
            (self.subwoofer_from_left, "left"),
            (self.subwoofer_from_right, "right"),
            (self.subwoofer_from_own, "its own channel"),
        ];
        let heard: Vec<&str> =
            outputs.iter().filter(|(heard, _)| *heard == Some(true)).map(|(_, name)| *name).collect();
        match heard.as_slice() {
            [] => "Nothing that was played reaches the subwoofer.".into(),
            [one] => format!("The subwoofer sounds with {one}."),
            [first @ .., last] => format!("The subwoofer sounds with {} and {last}.", first.join(", ")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RIGHT: Wiring = Wiring {
        left: Some(Side::Left),
        right: Some(Side::Right),
        middle: Some(Middle::Same),
        subwoofer_from_left: Some(true),
        subwoofer_from_right: Some(true),
        subwoofer_from_own: None,
    };

    #[test]
    fn right_wiring_has_no_fault_and_says_what_reaches_the_subwoofer() {
        assert_eq!(RIGHT.faults(Connection::Line), []);
        assert_eq!(RIGHT.reach(), "The subwoofer sounds with left and right.");
        assert_eq!(RIGHT.bass_from_two_channel(), Some(true));
        assert_eq!(Wiring::default().bass_from_two_channel(), None);
    }

    #[test]
    fn each_fault_is_told_from_the_others() {
        let crossed = Wiring { left: Some(Side::Right), right: Some(Side::Left), ..RIGHT };
        assert_eq!(crossed.faults(Connection::Line), [Fault::Crossed]);
        // Exchanging the cables would only move both to the other side.
        for side in [Side::Left, Side::Right] {
            let together = Wiring { left: Some(side), right: Some(side), ..RIGHT };
            assert_eq!(together.faults(Connection::Line), [Fault::Together]);
        }
        let missing = Wiring { right: Some(Side::Neither), ..RIGHT };
        assert_eq!(missing.faults(Connection::Line), [Fault::RightMissing]);
        let inverted = Wiring { middle: Some(Middle::Opposite), ..RIGHT };
        assert_eq!(inverted.faults(Connection::Line), [Fault::Inverted]);
        let one_sided = Wiring { subwoofer_from_right: Some(false), ..RIGHT };
        assert_eq!(one_sided.faults(Connection::Line), [Fault::OneSided]);
        let silent = Wiring { subwoofer_from_left: Some(false), subwoofer_from_right: Some(false), ..RIGHT };
        assert_eq!(silent.faults(Connection::Line), [Fault::NoSubwoofer]);
    }

    #[test]
    fn with_the_lfe_output_alone_silence_is_a_finding_and_no_fault() {
        let silent = Wiring { subwoofer_from_left: Some(false), subwoofer_from_right: Some(false), ..RIGHT };
        assert_eq!(silent.faults(Connection::Lfe), []);
        assert_eq!(silent.bass_from_two_channel(), Some(false));
    }
}
