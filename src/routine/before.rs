//! Before the crawl: cautions, and the checklist that decides whether the ratings mean anything.
//!
//! The items are *common practice*: each is a setting that changes the level of single notes behind the person's back.

use crate::evidence::Rating;
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::stage::{Checked, Outcome, Stage};
use crate::routine::{Refusal, State};

/// The cautions, shown once.
pub const CAUTIONS: &str = "Long or loud bass can harm hearing and drivers: start low, stop when anything hurts, \
buzzes or smells. Lift the subwoofer with two people. Switch mains power off before you change any cable. Local codes \
and licensed trades have the last word.";

struct Item {
    topic: Topic,
    text: &'static str,
    why: &'static str,
    yes: &'static str,
    no: Option<&'static str>,
    found: &'static str,
}

const ITEMS: [Item; 5] = [
    Item {
        topic: Topic::LowPassOpen,
        text: "Open the subwoofer's low-pass as far as it goes, or bypass it.",
        why: "A low-pass (the control that keeps high notes out) hides the upper notes. An LFE input, or a crossover \
              at 120 Hz in the processor, does as well.",
        yes: "It is open",
        no: Some("It cannot be opened"),
        found: "open or bypassed",
    },
    Item {
        topic: Topic::ContourZero,
        text: "Set every bass contour or boost control to 0.",
        why: "A contour (a lift or cut around one low note) would be heard as the room.",
        yes: "They are at 0",
        no: None,
        found: "at 0",
    },
    Item {
        topic: Topic::ProcessingOff,
        text: "Switch room correction, loudness and night compression off.",
        why: "They change the notes behind your back. They can come back on when the place is found.",
        yes: "They are off",
        no: None,
        found: "off",
    },
    Item {
        topic: Topic::StandbyOff,
        text: "Switch the subwoofer's automatic standby off.",
        why: "It may fall asleep between two quiet notes.",
        yes: "It is off",
        no: None,
        found: "off",
    },
    Item {
        topic: Topic::MainsSilent,
        text: "Silence the main speakers: only the subwoofer may sound.",
        why: "Unplug them with the power off, or choose an output that feeds the subwoofer alone.",
        yes: "They are silent",
        no: None,
        found: "silent",
    },
];

impl State {
    pub(super) fn before_question(&self) -> Option<(String, String, Ask)> {
        let confirm = |topic, text: &str, why: &str, yes: &str, no: Option<&str>| {
            let ask = Ask::Confirm { topic, yes: yes.into(), no: no.map(Into::into) };
            Some((text.to_owned(), why.to_owned(), ask))
        };
        match self.stage {
            Stage::Safety => {
                confirm(Topic::Safety, "Read this once before anything sounds.", CAUTIONS, "I have read it", None)
            }
            Stage::Checklist(at) => {
                let item = ITEMS.get(at)?;
                confirm(item.topic, item.text, item.why, item.yes, item.no)
            }
            Stage::LowPassFrequency => Some((
                "Turn the low-pass as high as it goes and type that frequency.".into(),
                "Notes above it are left out; they would be blamed on the spots.".into(),
                Ask::Number { topic: Topic::LowPassFrequency, unit: "Hz", low: 40.0, high: 500.0, default: None },
            )),
            Stage::Placing if self.too_heavy() => confirm(
                Topic::SubwooferPlaced,
                "Leave the subwoofer on the floor. You stay on the main seat, the subwoofer moves.",
                "It is too heavy for the seat, and what is heard is the same either way round.",
                "Ready",
                None,
            ),
            Stage::Placing if self.has_several_seats() => confirm(
                Topic::SubwooferPlaced,
                &format!("Lift the subwoofer, with two people, onto {}.", self.seat_name(self.seat_now())),
                "What you hear low down at a spot is what this seat will hear from a subwoofer there. Every seat that \
                 counts has its turn.",
                "It stands on the seat",
                None,
            ),
            Stage::Placing => confirm(
                Topic::SubwooferPlaced,
                "Lift the subwoofer, with two people, onto the main seat.",
                "Now the spots come to you: what you hear low down at a spot is what the seat will hear from a \
                 subwoofer there.",
                "It stands on the seat",
                None,
            ),
            _ => None,
        }
    }

    pub(super) fn before_answer(&mut self, answer: &Answer) -> Outcome {
        match (&self.stage, answer) {
            (Stage::Safety, Answer::Yes) => {
                self.stage = if self.brief.is_placed() { Stage::Blend } else { Stage::Checklist(0) };
            }
            (&Stage::Checklist(at), Answer::Yes) => {
                self.note_check(ITEMS[at].topic, ITEMS[at].found.to_owned());
                self.stage = after_item(at);
            }
            (&Stage::Checklist(at), Answer::No) if ITEMS[at].no.is_some() => {
                // The low-pass is the only item that may stay as it is, because notes above it can be left out.
                match self.kit.low_pass_hz {
                    Some(hz) => return self.keep_low_pass(hz),
                    None => self.stage = Stage::LowPassFrequency,
                }
            }
            (Stage::LowPassFrequency, &Answer::Number(hz)) => return self.keep_low_pass(hz),
            (Stage::Placing, Answer::Yes) if self.seat_at > 0 => self.begin_seat(),
            (Stage::Placing, Answer::Yes) => {
                self.stage = Stage::Comfort { level: crate::routine::levels::START, raised_at_s: None };
            }
            _ => return Err(Refusal::WrongKind),
        }
        Ok(())
    }

    fn keep_low_pass(&mut self, low_pass_hz: f64) -> Outcome {
        self.kit.low_pass_hz = Some(low_pass_hz);
        self.note_check(Topic::LowPassOpen, format!("stays at {low_pass_hz:.0} Hz; notes above it are left out"));
        self.choose_notes()?;
        self.stage = after_item(0);
        Ok(())
    }

    fn note_check(&mut self, topic: Topic, outcome: String) {
        self.checked.retain(|checked| checked.topic != topic);
        self.checked.push(Checked { topic, outcome });
    }
}

fn after_item(at: usize) -> Stage {
    if at + 1 < ITEMS.len() { Stage::Checklist(at + 1) } else { Stage::Placing }
}

/// The reference played as the words mean it, dB re even. The borders between the words lie near 1.5, 4 and 8 dB, so
/// each word is shown in the middle of its range (*common practice* of scale anchoring).
pub(super) const ANCHORS: [(Rating, f64); 8] = {
    const fn word(step: i8) -> Rating {
        match Rating::new(step) {
            Some(rating) => rating,
            None => panic!("the anchors are ratings"),
        }
    }
    [
        (word(0), 0.0),
        (word(1), 2.75),
        (word(2), 6.0),
        (word(3), 10.0),
        (word(0), 0.0),
        (word(-1), -2.75),
        (word(-2), -6.0),
        (word(-3), -10.0),
    ]
};
