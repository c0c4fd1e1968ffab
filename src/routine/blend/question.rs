//! What is asked in a blend.

use crate::blend::Scale;
use crate::blend::tune::BAND_HALF_WIDTH_OCTAVES;
use crate::blend::wiring::Side;
use crate::presets::routine::{StepKind, Target};
use crate::routine::blend::scene::Scene;
use crate::routine::blend::search::{Want, spoken};
use crate::routine::blend::setup::Own;
use crate::routine::blend::tuning::{At, Tuning};
use crate::routine::blend::{Blend, Doing, Hand, Here, Round, tones};
use crate::routine::effect::Cue;
use crate::routine::question::{Ask, NoteAtSpot, Topic};
use crate::routine::{Stage, State};
use crate::units::GainDb;

/// What the sheet has to be signed with to be signed by nobody.
pub(super) const NOT_NAMED: &str = "not named";

type Asked = (String, String, Ask);

fn confirm(topic: Topic, yes: &str, no: Option<&str>) -> Ask {
    Ask::Confirm { topic, yes: yes.into(), no: no.map(Into::into) }
}

fn choose(topic: Topic, options: impl IntoIterator<Item = impl Into<String>>) -> Ask {
    Ask::Choose { topic, options: options.into_iter().map(Into::into).collect() }
}

impl Blend {
    /// The question: text, reason, answers. `None` when it is over.
    pub(super) fn question(&self, here: &Here<'_>) -> Option<Asked> {
        Some(match &self.doing {
            Doing::Kit(step) => step.question(&self.system),
            Doing::Mains => (
                "Switch the main speakers on again, and the subwoofer with them.".into(),
                "From here on both sound together. Room correction, loudness and night compression stay off. Somebody stays at the \
                 controls; you sit on the main seat."
                    .into(),
                confirm(Topic::MainsSounding, "They are on", None),
            ),
            Doing::Connection(round) => self.round_question(*round),
            Doing::Wired => self.wired_question(),
            Doing::Say => self.said(),
            Doing::Before { control, to } => self.before_question(*control, *to)?,
            Doing::Recheck(control) => self.recheck_question(*control)?,
            Doing::Seek { .. } => self.sought_question()?,
            Doing::Tune(tuning) => self.tune_question(tuning, here)?,
            Doing::Adjust(goal) => {
                let (control, to) = self.stands.first_turn(goal)?;
                self.turn_question(control, to, "This is where it belongs.")?
            }
            Doing::Check(run) => {
                let note = NoteAtSpot {
                    spot: here.spot,
                    spot_name: here.seat_names.get(here.seat).map_or_else(String::new, |seat| seat.name.clone()),
                    note: run.note(),
                    frequency_hz: run.note_hz(),
                    note_name: run.note_name(),
                    half_width_octaves: 1.0 / 6.0,
                    shortfall_db: 0.0,
                    seat: here.seat,
                    seat_name: None,
                };
                if here.meter {
                    let text = format!("Read the meter for {}, {:.0} Hz.", note.note_name, note.frequency_hz);
                    (text, "Hold it where your head would be. Slow, and the same weighting every time.".into(), Ask::Meter(note))
                } else {
                    let text = format!("How strong is {}, {:.0} Hz, here?", note.note_name, note.frequency_hz);
                    (text, "Against the notes of this run as a whole.".into(), Ask::Rate(note))
                }
            }
            Doing::Checked => self.checked_question(),
            Doing::Verify(seat) => {
                let name = here.seat_names.get(*seat).map_or("the seat", |seat| seat.name.as_str());
                (
                    format!("Sit on {name} and hear the notes. Do they sound even?"),
                    "They run by from below the crossover to above it, from main speakers and subwoofer together.".into(),
                    confirm(Topic::SeatEven, "Even enough", Some("Not even")),
                )
            }
            Doing::Sign => (
                "Who heard it?".into(),
                "A name for the sheet, if it is to have one.".into(),
                Ask::Text { topic: Topic::HeardBy, default: Some(NOT_NAMED.into()) },
            ),
            Doing::Over => return None,
        })
    }

    fn round_question(&self, round: Round) -> Asked {
        let side = |name: &str| {
            (
                format!("Where does this noise come from? It is sent to the {name} channel."),
                "Whether the channels are crossed or missing.".into(),
                choose(Topic::ChannelSide, Side::ALL.map(|side| side.word())),
            )
        };
        match round {
            Round::Left => side("left"),
            Round::Right => side("right"),
            Round::Middle => (
                "Two noises: which one stands in the middle and has more bass?".into(),
                "In one of them left and right are the same, in the other opposite. The same should stand in the middle; if it does not, \
                 one main speaker is turned over."
                    .into(),
                choose(Topic::ChannelMiddle, ["The first", "The second", "No difference"]),
            ),
            Round::Subwoofer(channel) => {
                let name = ["the left channel", "the right channel", "the subwoofer's own channel"][channel.min(2)];
                (
                    format!("Does the subwoofer sound? A deep noise goes to {name}."),
                    "Put a hand on its cone, or an ear beside it.".into(),
                    confirm(Topic::SubwooferSounds, "It sounds", Some("It is silent")),
                )
            }
        }
    }

    fn wired_question(&self) -> Asked {
        let wiring = self.wiring.unwrap_or_default();
        let faults = self.faults();
        if let Some(first) = faults.first() {
            let whats: Vec<&str> = faults.iter().map(|fault| fault.what()).collect();
            let remedies: Vec<&str> = faults.iter().map(|fault| fault.remedy()).collect();
            let text = format!("{} {}", whats.join(" "), first.remedy());
            return (
                text,
                remedies[1..].join(" "),
                confirm(Topic::Wiring, "It is put right: hear it again", Some("Go on as it is")),
            );
        }
        let lfe_alone = !self.system.connection.has_line() && self.system.channels.subwoofer.is_none();
        let why = match (wiring.bass_from_two_channel(), lfe_alone) {
            (Some(true), true) => {
                "The processor sends the bass of two-channel sound to the subwoofer: line inputs are not needed."
            }
            (Some(false), true) => {
                "The processor keeps the bass of two-channel sound to itself. Change its setting ('subwoofer: yes', mains 'small' or \
                 'bass to both'), or connect the line inputs as well; music has no LFE channel."
            }
            _ => "Left and right are where they belong, and the right way round.",
        };
        (wiring.reach(), why.into(), confirm(Topic::Wiring, "Go on", None))
    }

    fn said(&self) -> Asked {
        let step = self.steps.get(self.step);
        let why = step.map(|step| step.why.clone()).unwrap_or_default();
        match step.map(|step| &step.what) {
            Some(StepKind::Say(text)) => (text.clone(), why, confirm(Topic::Told, "Go on", None)),
            Some(StepKind::Film(by_db)) => {
                let label = step.and_then(|step| step.control).and_then(|name| self.control(name));
                let label = label.map(|(_, control)| control.label()).unwrap_or_default();
                (
                    format!("If films have a level of their own, set {label} {by_db:.0} dB higher for them."),
                    why,
                    confirm(Topic::Told, "Go on", None),
                )
            }
            _ => (String::new(), why, confirm(Topic::Told, "Go on", None)),
        }
    }

    /// What a control shows: a number on its scale, or one of its positions.
    fn shows(&self, control: usize, topic: Topic, default: Option<f64>) -> Option<Ask> {
        let of = self.system.controls.get(control)?;
        let (low, high) = of.ends();
        Some(match &of.scale {
            Scale::Range { .. } => Ask::Number { topic, unit: of.unit.word(), low, high, default },
            Scale::Positions(positions) => choose(topic, positions.iter().map(|&position| of.say(position))),
        })
    }

    fn before_question(&self, control: usize, to: Target) -> Option<Asked> {
        let of = self.system.controls.get(control)?;
        let why = self.steps.get(self.step).map(|step| step.why.clone()).unwrap_or_default();
        let goal = match to {
            Target::Latency => None,
            to => self.target_value(of, to),
        };
        let text = match goal {
            Some(goal) => format!("{} What did it show before?", spoken(of, None, goal)),
            None => format!("What does {} show?", of.label()),
        };
        // A routine's words are for everybody's system; what is stated of this one comes after them.
        let stated = of.stated_slopes();
        let why = match (why.is_empty(), stated.is_empty()) {
            (_, true) => why,
            (true, false) => format!("Its slope stays as stated: {}.", stated.join(", ")),
            (false, false) => format!("{why} Its slope stays as stated: {}.", stated.join(", ")),
        };
        Some((text, why, self.shows(control, Topic::ControlBefore, goal)?))
    }

    fn recheck_question(&self, control: usize) -> Option<Asked> {
        let of = self.system.controls.get(control)?;
        let was = self.before.get(control).copied().flatten();
        let text = match was {
            Some(was) => format!("{} was left at {}. What does it show now?", of.label(), of.say(was)),
            None => format!("What does {} show now?", of.label()),
        };
        Some((text, "What has drifted is on the new sheet.".into(), self.shows(control, Topic::ControlNow, was)?))
    }

    fn turn_question(&self, control: usize, to: f64, why: &str) -> Option<Asked> {
        let of = self.system.controls.get(control)?;
        let from = self.stands.values.get(control).copied().flatten();
        let lowered = if self.climb_after(control, from, to) > GainDb::ZERO {
            "The tone is off; it comes back lower, and climbs."
        } else {
            ""
        };
        let others = self.others_stay(control);
        let why: Vec<&str> = [why, &others, lowered].into_iter().filter(|words| !words.is_empty()).collect();
        Some((spoken(of, from, to), why.join(" "), confirm(Topic::Turn, "Done", None)))
    }

    /// Where everything else on the same box stands: whoever turned the wrong knob sees where it belongs.
    fn others_stay(&self, control: usize) -> String {
        let on = self.system.controls.get(control).map(|control| control.on);
        let standing = self.system.controls.iter().zip(&self.stands.values).enumerate();
        let others = standing.filter(|(at, (other, _))| *at != control && Some(other.on) == on);
        let said = others.filter_map(|(_, (other, value))| Some(format!("{} {}", other.name, other.say((*value)?))));
        let said: Vec<String> = said.collect();
        if said.is_empty() { String::new() } else { format!("The others stay: {}.", said.join(", ")) }
    }

    fn sought_question(&self) -> Option<Asked> {
        let Doing::Seek { search, hand, first_heard } = &self.doing else { return None };
        let why = self.steps.get(self.step).map(|step| step.why.clone()).unwrap_or_default();
        let matching = self.steps.get(self.step).is_some_and(|step| step.what == StepKind::Match);
        Some(match (hand, search.want()?) {
            (Hand::Turn(control, to), Want::Prefer(_)) => {
                let which = if *first_heard { "the second" } else { "the first" };
                self.turn_question(
                    *control,
                    *to,
                    &format!("This is for {which} of two; the listener need not know which."),
                )?
            }
            (Hand::Turn(control, to), _) => self.turn_question(*control, *to, &why)?,
            (Hand::First, _) => (
                "This is the first of two. Listen to it.".into(),
                "Then the second is set, and heard, and compared with it.".into(),
                confirm(Topic::FirstHeard, "Heard", None),
            ),
            (Hand::Listen, Want::Hear(_)) if matching => (
                "Is the low noise louder than the high one?".into(),
                why,
                confirm(Topic::LowLouder, "The low one is louder", Some("Not louder")),
            ),
            (Hand::Listen, Want::Hear(_)) => (
                "Where does the bass seem to come from?".into(),
                why,
                confirm(Topic::BassPulls, "From the subwoofer", Some("From the main speakers")),
            ),
            (Hand::Listen, Want::Prefer(_)) => (
                "Which was better: fuller bass, and a cleaner start and stop?".into(),
                why,
                choose(Topic::Better, ["The first", "The second", "No difference"]),
            ),
            (Hand::Listen, Want::Fullest(setups)) => (
                format!("Which of the {} steps had the fullest bass?", setups.len()),
                format!("{why} Count them from 1; the number is on the screen while each sounds."),
                Ask::Number { topic: Topic::Fullest, unit: "", low: 1.0, high: setups.len() as f64, default: None },
            ),
        })
    }

    fn tune_question(&self, tuning: &Tuning, here: &Here<'_>) -> Option<Asked> {
        Some(match tuning.at(&self.stands) {
            At::Thinking => return None,
            At::Turn(control, to) => self.turn_question(control, to, "The next setting to hear.")?,
            At::Switch(false) => (
                "Switch the subwoofer off, at its own switch.".into(),
                "A run with the main speakers alone says what the subwoofer adds.".into(),
                confirm(Topic::SubwooferSwitched, "It is off", None),
            ),
            At::Switch(true) => (
                "Switch the subwoofer on again.".into(),
                String::new(),
                confirm(Topic::SubwooferSwitched, "It is on", None),
            ),
            At::Go(true) => (
                "Go to the subwoofer: an ear within arm's reach of its cone.".into(),
                "Close by, the room hardly counts: this says how your own ear hears these bands. They are played softer.".into(),
                confirm(Topic::NearSubwoofer, "I am there", None),
            ),
            At::Go(false) => (
                "Go back to the main seat.".into(),
                String::new(),
                confirm(Topic::NearSubwoofer, "I am there", None),
            ),
            At::Band(at) => {
                let frequency_hz = *tuning.pass()?.bands_hz.get(at)?;
                let note = NoteAtSpot {
                    spot: here.spot,
                    spot_name: match here.seat_names.get(here.seat) {
                        _ if tuning.is_near() => "the subwoofer".into(),
                        seat => seat.map_or_else(String::new, |seat| seat.name.clone()),
                    },
                    note: at,
                    frequency_hz,
                    note_name: super::check::note_name(frequency_hz),
                    half_width_octaves: BAND_HALF_WIDTH_OCTAVES,
                    shortfall_db: 0.0,
                    seat: here.seat,
                    seat_name: None,
                };
                if here.meter {
                    let text = format!("Read the meter for {frequency_hz:.0} Hz.");
                    let why = "At your head. Slow, and the same weighting every time (Z, or C).";
                    (text, why.into(), Ask::Meter(note))
                } else {
                    let text = format!("How strong is the band at {frequency_hz:.0} Hz?");
                    (text, "Against the reference just before it.".into(), Ask::Rate(note))
                }
            }
        })
    }

    fn checked_question(&self) -> Asked {
        let mut options = vec!["Go on".to_owned()];
        options.extend(self.steps_to_try().into_iter().map(|(_, label)| format!("Set {label} again")));
        options.push("Hear the notes again".into());
        let (text, why) = match self.traces.first() {
            None => ("The notes run through the crossover without a hole or a hump.".into(), String::new()),
            Some(trace) => (
                format!(
                    "{} at {:.0} Hz. Likely {}.",
                    if trace.deviation_db < 0.0 { "A hole" } else { "A hump" },
                    trace.frequency_hz,
                    trace.cause.word()
                ),
                trace.cause.next().into(),
            ),
        };
        (text, why, choose(Topic::BlendChecked, options))
    }
}

impl State {
    pub(in crate::routine) fn blend_question(&self) -> Option<Asked> {
        self.blend.as_ref()?.question(&self.here())
    }

    pub(in crate::routine) fn blend_cue(&self) -> Option<Cue> {
        if self.stage != Stage::Blend {
            return None;
        }
        self.blend.as_ref()?.cue(&self.here())
    }

    /// The open question of the blend as somebody hears it who knows the system.
    pub fn scene(&self) -> Option<Scene> {
        if self.stage != Stage::Blend {
            return None;
        }
        self.blend.as_ref().map(|blend| blend.scene(&self.here()))
    }

    /// Where the reference tone goes while the comfort level is sought: where the blend will sound.
    pub(in crate::routine) fn comfort_routes(&self) -> Vec<crate::routine::effect::Route> {
        match (&self.blend, self.is_blending()) {
            (Some(blend), true) => tones::routes(&blend.system, Own::default()),
            _ => Vec::new(),
        }
    }
}
