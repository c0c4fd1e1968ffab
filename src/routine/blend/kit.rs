//! The system, asked one question at a time where no file says it.

use crate::blend::{Channels, Connection, Control, Device, Mains, Role, Scale, Slopes, System, Unit};
use crate::routine::Refusal;
use crate::routine::question::{Answer, Ask, Topic};

/// What is asked about the system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KitStep {
    /// How the subwoofer is fed.
    Connection,
    /// Music alone, or films as well.
    TwoChannel,
    /// The main speakers' rated lower limit.
    MainsLow,
    /// Whether the link is wireless.
    Wireless,
    /// Its latency.
    Latency,
    /// A channel that leads to the subwoofer alone.
    OwnChannel,
    /// Whether there is the control at this position of the list of offers, and how it is marked.
    Has(usize),
    /// The lowest figure on the scale of the control that was added last.
    Low(usize),
    /// The highest.
    High(usize),
}

/// A way in which a control can be marked.
enum Marking {
    None,
    /// The ends are asked for; suggestions.
    Asked(Unit, f64, f64),
    Range(Unit, f64, f64, Option<f64>),
    Positions(Unit, &'static [f64]),
}

struct Offer {
    role: Role,
    on: Device,
    options: &'static [(&'static str, Marking)],
}

const OFFERS: [Offer; 8] = [
    Offer {
        role: Role::LowPass,
        on: Device::Subwoofer,
        options: &[
            ("A knob with figures in Hz", Marking::Asked(Unit::Hertz, 40.0, 160.0)),
            ("A knob without figures", Marking::Range(Unit::Percent, 0.0, 100.0, None)),
            ("None, or it is bypassed", Marking::None),
        ],
    },
    Offer {
        role: Role::Level,
        on: Device::Subwoofer,
        options: &[
            ("A knob without figures", Marking::Range(Unit::Percent, 0.0, 100.0, None)),
            ("Marked in dB", Marking::Asked(Unit::Decibel, -30.0, 10.0)),
            ("None", Marking::None),
        ],
    },
    Offer {
        role: Role::Phase,
        on: Device::Subwoofer,
        options: &[
            ("A knob from 0 to 180 degrees", Marking::Range(Unit::Degree, 0.0, 180.0, None)),
            ("A switch 0 / 180", Marking::Positions(Unit::Degree, &[0.0, 180.0])),
            ("A switch 0 / 90 / 180 / 270", Marking::Positions(Unit::Degree, &[0.0, 90.0, 180.0, 270.0])),
            ("None", Marking::None),
        ],
    },
    Offer {
        role: Role::Polarity,
        on: Device::Subwoofer,
        options: &[
            ("A switch, normal or inverted", Marking::Positions(Unit::Degree, &[0.0, 180.0])),
            ("None", Marking::None),
        ],
    },
    Offer {
        role: Role::Contour,
        on: Device::Subwoofer,
        options: &[("None", Marking::None), ("Marked in dB", Marking::Asked(Unit::Decibel, -6.0, 6.0))],
    },
    Offer {
        role: Role::Crossover,
        on: Device::Processor,
        options: &[("In Hz", Marking::Asked(Unit::Hertz, 40.0, 200.0)), ("None", Marking::None)],
    },
    Offer {
        role: Role::Level,
        on: Device::Processor,
        options: &[("In dB", Marking::Asked(Unit::Decibel, -12.0, 12.0)), ("None", Marking::None)],
    },
    Offer {
        role: Role::Distance,
        on: Device::Processor,
        options: &[
            ("In metres", Marking::Range(Unit::Metre, 0.0, 20.0, Some(0.1))),
            ("In feet", Marking::Range(Unit::Foot, 0.0, 60.0, Some(0.5))),
            ("None", Marking::None),
        ],
    },
];

/// What is known before anything was asked.
pub(super) fn blank(name: &str) -> System {
    System {
        name: name.into(),
        connection: Connection::Line,
        two_channel: true,
        mains: Mains::rated(60.0),
        wireless: false,
        latency_s: None,
        channels: Channels::default(),
        controls: Vec::new(),
    }
}

impl KitStep {
    /// What is asked first.
    pub const FIRST: Self = Self::Connection;

    /// The question's text, reason and answers.
    pub(super) fn question(self, system: &System) -> (String, String, Ask) {
        let choose = |topic, options: &[&str]| Ask::Choose {
            topic,
            options: options.iter().map(|option| (*option).to_owned()).collect(),
        };
        let confirm = |topic, yes: &str, no: &str| Ask::Confirm { topic, yes: yes.into(), no: Some(no.into()) };
        match self {
            Self::Connection => (
                "How is the subwoofer connected?".into(),
                "LFE is a separate channel of film sound; music has none. Line inputs take left and right, from a preamplifier or from \
                 the speaker terminals."
                    .into(),
                choose(Topic::Connection, &["Left and right line inputs", "LFE output of a processor", "Both"]),
            ),
            Self::TwoChannel => (
                "Is it a two-channel system, for music alone?".into(),
                "Steps for film sound are then left out.".into(),
                confirm(Topic::TwoChannel, "Music alone", "Films as well"),
            ),
            Self::MainsLow => (
                "How low are the main speakers rated?".into(),
                "The lower frequency on their data sheet.".into(),
                Ask::Number { topic: Topic::MainsLow, unit: "Hz", low: 15.0, high: 300.0, default: Some(60.0) },
            ),
            Self::Wireless => (
                "Is the link to the subwoofer a wireless one?".into(),
                "A wireless link is late, and that has to be made up for.".into(),
                confirm(Topic::Wireless, "Wireless", "A cable"),
            ),
            Self::Latency => (
                "What latency is stated for it?".into(),
                "Where nothing is stated, 12.4 ms (14 ft) is a common allowance.".into(),
                Ask::Number { topic: Topic::Latency, unit: "ms", low: 0.0, high: 200.0, default: Some(12.4) },
            ),
            Self::OwnChannel => (
                "Which channel of the sound output leads to the subwoofer alone?".into(),
                "Counted from 1; 0 if there is none. With one, polarity and time are tried without a hand on any knob."
                    .into(),
                Ask::Number { topic: Topic::OwnChannel, unit: "", low: 0.0, high: 32.0, default: Some(0.0) },
            ),
            Self::Has(at) => {
                let offer = &OFFERS[at.min(OFFERS.len() - 1)];
                (
                    format!("Has the {} a {} control?", offer.on.word(), offer.role),
                    about(offer.role).into(),
                    choose(Topic::ControlMarking, &offer.options.iter().map(|(text, _)| *text).collect::<Vec<_>>()),
                )
            }
            Self::Low(_) | Self::High(_) => {
                let high = matches!(self, Self::High(_));
                let (name, unit, suggested) = system.controls.last().map_or((String::new(), Unit::Hertz, 0.0), |control| {
                    let (low_end, high_end) = control.ends();
                    (control.label(), control.unit, if high { high_end } else { low_end })
                });
                let end = if high { "highest" } else { "lowest" };
                (
                    format!("The {end} figure on the scale of the {name}?"),
                    String::new(),
                    Ask::Number {
                        topic: if high { Topic::ControlHigh } else { Topic::ControlLow },
                        unit: unit.word(),
                        low: if unit == Unit::Hertz { 10.0 } else { -100.0 },
                        high: if unit == Unit::Hertz { 500.0 } else { 100.0 },
                        default: Some(suggested),
                    },
                )
            }
        }
    }

    /// Takes an answer into the system; what is asked next, or `None` when nothing more is. The sound output has so
    /// many channels, if that is known.
    pub(super) fn answer(
        self,
        system: &mut System,
        answer: &Answer,
        output_channels: Option<u16>,
    ) -> Result<Option<Self>, Refusal> {
        Ok(match (self, answer) {
            (Self::Connection, &Answer::Choice(at)) => {
                system.connection = [Connection::Line, Connection::Lfe, Connection::Both][at.min(2)];
                if system.connection == Connection::Line { Some(Self::MainsLow) } else { Some(Self::TwoChannel) }
            }
            (Self::TwoChannel, Answer::Yes | Answer::No) => {
                system.two_channel = *answer == Answer::Yes;
                Some(Self::MainsLow)
            }
            (Self::MainsLow, &Answer::Number(rated_low_hz)) => {
                system.mains = Mains::rated(rated_low_hz);
                Some(Self::Wireless)
            }
            (Self::Wireless, Answer::Yes | Answer::No) => {
                system.wireless = *answer == Answer::Yes;
                Some(if system.wireless { Self::Latency } else { Self::OwnChannel })
            }
            (Self::Latency, &Answer::Number(ms)) => {
                system.latency_s = Some(ms * 1e-3);
                Some(Self::OwnChannel)
            }
            (Self::OwnChannel, &Answer::Number(channel)) => {
                if channel.fract() != 0.0 {
                    return Err(Refusal::Because("Channels are whole numbers. Type it again.".into()));
                }
                let channels = system.channels;
                if channel > 0.0 && [channels.left, channels.right].contains(&(channel as u16)) {
                    return Err(Refusal::Because(format!(
                        "Channel {channel} is a main speaker's: left is {}, right is {}. Type 0 if the subwoofer has none of its own.",
                        channels.left, channels.right
                    )));
                }
                if let Some(there) = output_channels
                    && channel > f64::from(there)
                {
                    return Err(Refusal::Because(format!(
                        "The sound output is open with {there} channels: there is no channel {channel}. Type 0 to go on without. Or leave, \
                         and go on with another --output; or begin again with a system file that names the channel ([channels] \
                         subwoofer = {channel}), and the output is opened with as many."
                    )));
                }
                system.channels.subwoofer = (channel > 0.0).then_some(channel as u16);
                next_offer(system, 0)
            }
            (Self::Has(at), &Answer::Choice(option)) => {
                let Some((_, marking)) = OFFERS.get(at).and_then(|offer| offer.options.get(option)) else {
                    return Err(Refusal::WrongKind);
                };
                let offer = &OFFERS[at];
                let (unit, scale, asked) = match marking {
                    Marking::None => return Ok(next_offer(system, at + 1)),
                    Marking::Asked(unit, low, high) => {
                        (*unit, Scale::Range { low: *low, high: *high, step: None }, true)
                    }
                    Marking::Range(unit, low, high, step) => {
                        (*unit, Scale::Range { low: *low, high: *high, step: *step }, false)
                    }
                    Marking::Positions(unit, positions) => (*unit, Scale::Positions(positions.to_vec()), false),
                };
                let name = offer.role.word().to_owned();
                system.controls.push(Control {
                    role: offer.role,
                    on: offer.on,
                    name,
                    unit,
                    scale,
                    start: None,
                    now: None,
                    slopes: Slopes::default(),
                });
                if asked { Some(Self::Low(at)) } else { next_offer(system, at + 1) }
            }
            (Self::Low(at), &Answer::Number(given)) => {
                if let Some(Control { scale: Scale::Range { low, high, .. }, .. }) = system.controls.last_mut() {
                    *low = given;
                    *high = high.max(given);
                }
                Some(Self::High(at))
            }
            (Self::High(at), &Answer::Number(given)) => {
                if let Some(control) = system.controls.last_mut() {
                    let mut changed = control.clone();
                    if let Scale::Range { high, .. } = &mut changed.scale {
                        *high = given;
                    }
                    changed.check().map_err(|why| Refusal::Because(format!("{why}. Type it again.")))?;
                    *control = changed;
                }
                next_offer(system, at + 1)
            }
            _ => return Err(Refusal::WrongKind),
        })
    }
}

/// The next control that the system may have: a processor's only where there is one.
fn next_offer(system: &System, from: usize) -> Option<KitStep> {
    let may_have = |at: &usize| {
        let offer = &OFFERS[*at];
        let lfe_alone = system.connection == Connection::Lfe;
        match (offer.on, offer.role) {
            (Device::Processor, _) => system.connection.has_lfe(),
            (Device::Subwoofer, Role::LowPass) => !lfe_alone || system.channels.subwoofer.is_none(),
            _ => true,
        }
    };
    (from..OFFERS.len()).find(may_have).map(KitStep::Has)
}

const fn about(role: Role) -> &'static str {
    match role {
        Role::LowPass => "The control that keeps high notes out of the subwoofer.",
        Role::Level => "How loud the subwoofer is.",
        Role::Phase => "It turns the subwoofer's sound in time, at the crossover.",
        Role::Polarity => "Which way the cone moves first. Some call the switch 'phase 0 / 180'; name it once only.",
        Role::Contour => "A boost or cut around one low note.",
        Role::Crossover | Role::HighPass => "Where the processor divides between main speakers and subwoofer.",
        Role::Distance | Role::Delay => "How far away the processor takes the subwoofer to be.",
    }
}
