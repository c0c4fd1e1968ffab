//! What can go wrong with sound, said to a person: what happened, why, and what to do.

use thiserror::Error;

use super::order::ToneId;
use crate::signal::delay::LONGEST_S;
use crate::units::{Dbfs, FrameCount, SampleRate};

/// Ends every message about a device that cannot be used.
const REHEARSE: &str = "`evenbass rehearse` needs no sound device.";

/// Why the engine refused or could not go on.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum EngineError {
    /// There is no output at all. Permanent until a device is there.
    #[error(
        "There is no sound output on this machine{}. Connect one, or start the sound server, and try again. {REHEARSE}",
        because(why)
    )]
    NoDevice {
        /// What the system said, if anything.
        why: String,
    },
    /// No output has the name that was asked for.
    #[error("There is no sound output called '{asked}'. {}. {REHEARSE}", listed(offered))]
    UnknownDevice {
        /// What was asked for.
        asked: String,
        /// What there is.
        offered: Vec<String>,
    },
    /// Another program holds the device. Retry.
    #[error(
        "The sound output '{device}' is in use by another program. Close that program or choose another output \
         (`evenbass outputs` lists them). {REHEARSE}"
    )]
    Busy {
        /// Which device.
        device: String,
    },
    /// The system does not let this user at the device.
    #[error(
        "This user may not use the sound output '{device}'. On Linux, membership in the group 'audio' is often what \
         is missing. {REHEARSE}"
    )]
    NotAllowed {
        /// Which device.
        device: String,
    },
    /// The device does not know the rate.
    #[error(
        "The sound output '{device}' cannot play {asked}. It offers {}. Choose one of those. {REHEARSE}",
        rates(offered)
    )]
    UnsupportedRate {
        /// Which device.
        device: String,
        /// What was asked for.
        asked: SampleRate,
        /// What it offers, lowest and highest of each range.
        offered: Vec<(u32, u32)>,
    },
    /// The device does not have that number of channels.
    #[error(
        "The sound output '{device}' cannot be opened with {asked} channels. It offers {}. Choose one of those. \
         {REHEARSE}",
        numbers(offered)
    )]
    UnsupportedChannels {
        /// Which device.
        device: String,
        /// What was asked for.
        asked: u16,
        /// What it offers.
        offered: Vec<u16>,
    },
    /// The device knows no sample format that we can write.
    #[error(
        "The sound output '{device}' takes no sample format that evenbass can write (it offers {offered}). {REHEARSE}"
    )]
    UnsupportedFormat {
        /// Which device.
        device: String,
        /// What it offers.
        offered: String,
    },
    /// The device was opened, but never asked for samples, or the system did not answer at all.
    #[error(
        "The sound output '{device}' does not answer. The sound server may hang: restart it, or choose another output. \
         {REHEARSE}"
    )]
    NoAnswer {
        /// Which device.
        device: String,
    },
    /// Anything else the system reports.
    #[error("The sound output '{device}' could not be opened: {why}. Try again, or choose another output. {REHEARSE}")]
    Device {
        /// Which device.
        device: String,
        /// What the system said.
        why: String,
    },
    /// The device went away and is not back yet. Retry after `Moment::DeviceBack`.
    #[error("Nothing can sound: the sound output is gone. It is looked for all the time; reconnect it.")]
    DeviceLost,
    /// The tone would be louder than agreed.
    #[error("The tone would peak at {peak}, above the ceiling of {ceiling}. Lower its level.")]
    AboveCeiling {
        /// Level of a sine with the same peak.
        peak: Dbfs,
        /// The ceiling.
        ceiling: Dbfs,
    },
    /// The tone is too short to be ramped.
    #[error(
        "A tone of {} frames is too short: its start and its stop need {} frames so as not to click.",
        asked.0, least.0
    )]
    TooShort {
        /// What was asked for.
        asked: FrameCount,
        /// The shortest possible.
        least: FrameCount,
    },
    /// The order goes to a channel that the device does not have, or to none.
    #[error("There is no output channel {}: the output has {channels}. Choose from 1 to {channels}.", channel + 1)]
    NoSuchChannel {
        /// The channel, counted from 0.
        channel: u16,
        /// How many there are.
        channels: u16,
    },
    /// The order names no channel.
    #[error("The tone goes to no output channel. Choose at least one.")]
    NoChannel,
    /// A channel is delayed by less than nothing or by too much.
    #[error("Output channel {} cannot be delayed by {:.3} ms: from 0 to {:.0} ms can be asked for.", channel + 1, delay_s * 1e3, LONGEST_S * 1e3)]
    Delay {
        /// The channel, counted from 0.
        channel: u16,
        /// What was asked for, seconds.
        delay_s: f64,
    },
    /// A number in the order makes no sense.
    #[error("The {what} of a tone must be a finite number above zero, not {value}.")]
    BadNumber {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// A tone of this name is sounding.
    #[error("Tone {} is sounding already. Stop it first.", tone.0)]
    ToneInUse {
        /// Which tone.
        tone: ToneId,
    },
    /// No tone of this name is sounding.
    #[error("Tone {} does not sound.", tone.0)]
    NoSuchTone {
        /// Which tone.
        tone: ToneId,
    },
    /// All voices are in use.
    #[error("Already {most} tones sound at once, and that is the most there can be. Stop one first.")]
    TooManyTones {
        /// The most there can be.
        most: usize,
    },
}

fn because(why: &str) -> String {
    if why.is_empty() { String::new() } else { format!(" ({why})") }
}

fn listed(offered: &[String]) -> String {
    if offered.is_empty() { "There is none at all".to_owned() } else { format!("There are: {}", offered.join(", ")) }
}

fn rates(offered: &[(u32, u32)]) -> String {
    let ranges: Vec<String> = offered
        .iter()
        .map(|(low, high)| if low == high { format!("{low} Hz") } else { format!("{low} to {high} Hz") })
        .collect();
    if ranges.is_empty() { "none".to_owned() } else { ranges.join(", ") }
}

fn numbers(offered: &[u16]) -> String {
    let numbers: Vec<String> = offered.iter().map(u16::to_string).collect();
    match numbers.as_slice() {
        [] => "none".to_owned(),
        [first, .., last] if offered.windows(2).all(|pair| pair[1] == pair[0] + 1) => format!("{first} to {last}"),
        _ => numbers.join(", "),
    }
}
