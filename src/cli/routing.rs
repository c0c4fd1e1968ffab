//! Channels as they are typed: which, how loud, which way round, how late.

use std::str::FromStr;

use clap::{Args, ValueEnum};

use crate::cli::Failure;
use crate::engine::{Outputs, Polarity};
use crate::signal::channels::{Channel, Order, Speaker, usual_layout};
use crate::signal::delay::LONGEST_S;
use crate::units::GainDb;

/// The range of a channel's gain, dB.
const GAIN_DB: (f64, f64) = (-60.0, 12.0);

/// Which channels, and what they are.
#[derive(Debug, Clone, Args)]
pub struct Routing {
    /// Channels by name (L, R, C, LFE, BL, BR, SL, SR) or number from 1; each may be followed by a gain, a polarity and
    /// a delay: LFE,L:-3dB,R:inverted,C:1.2ms:-1.5dB. All otherwise.
    #[arg(long, value_name = "CHANNEL,…", value_delimiter = ',')]
    pub channels: Vec<Way>,
    /// What channels there are; as few as hold those that are named otherwise.
    #[arg(long)]
    pub layout: Option<Layout>,
}

/// What channels there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Layout {
    /// One channel.
    #[value(name = "mono")]
    Mono,
    /// Left and right.
    #[value(name = "stereo")]
    Stereo,
    /// Left, right and LFE.
    #[value(name = "2.1")]
    TwoOne,
    /// Left, right, centre, LFE and two surrounds.
    #[value(name = "5.1")]
    FiveOne,
    /// The same with four surrounds.
    #[value(name = "7.1")]
    SevenOne,
}

impl Layout {
    const ALL: [Self; 5] = [Self::Mono, Self::Stereo, Self::TwoOne, Self::FiveOne, Self::SevenOne];

    /// How many channels it has.
    pub const fn channels(self) -> u16 {
        match self {
            Self::Mono => 1,
            Self::Stereo => 2,
            Self::TwoOne => 3,
            Self::FiveOne => 6,
            Self::SevenOne => 8,
        }
    }
}

/// One channel and what happens on the way to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// Which.
    pub channel: Channel,
    /// Louder or quieter.
    pub gain: GainDb,
    /// Which way round.
    pub polarity: Polarity,
    /// How late, seconds.
    pub delay_s: f64,
}

impl Way {
    /// The channel as it is.
    pub const fn plain(channel: Channel) -> Self {
        Self { channel, gain: GainDb::ZERO, polarity: Polarity::Normal, delay_s: 0.0 }
    }
}

impl FromStr for Way {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut parts = text.trim().split(':');
        let channel = parts.next().unwrap_or_default().parse::<Channel>().map_err(|unknown| unknown.to_string())?;
        let mut way = Self::plain(channel);
        for part in parts {
            let word = part.trim().to_ascii_lowercase();
            let number = |unit: &str| word.strip_suffix(unit).and_then(|number| number.trim().parse::<f64>().ok());
            if let Some(delay_ms) = number("ms") {
                let longest_ms = LONGEST_S * 1e3;
                if !(0.0..=longest_ms).contains(&delay_ms) {
                    return Err(format!("a delay of {delay_ms} ms is not possible: 0 to {longest_ms} ms are"));
                }
                way.delay_s = delay_ms / 1e3;
            } else if let Some(gain_db) = number("db") {
                if !(GAIN_DB.0..=GAIN_DB.1).contains(&gain_db) {
                    let (low, high) = GAIN_DB;
                    return Err(format!("a gain of {gain_db} dB is not possible: {low} to {high} dB are"));
                }
                way.gain = GainDb::new(gain_db);
            } else if word == "inverted" {
                way.polarity = Polarity::Inverted;
            } else {
                return Err(format!("\"{part}\" is no gain (-3dB), polarity (inverted) or delay (1.2ms)"));
            }
        }
        Ok(way)
    }
}

impl Routing {
    /// Channels by number from 1, as they are; all if none is given.
    pub fn numbered(channels: &[u16]) -> Self {
        Self {
            channels: channels.iter().map(|&number| Way::plain(Channel::Numbered(number.into()))).collect(),
            layout: None,
        }
    }

    /// Channels as they are, for a visit.
    ///
    /// # Errors
    /// A channel with a gain, a polarity or a delay: a visit compares spots, not ways to the subwoofer.
    pub fn plain(channels: &[Way]) -> Result<Self, Failure> {
        match channels.iter().find(|way| **way != Way::plain(way.channel)) {
            Some(way) => Err(Failure::Usage(format!(
                "--channels: in a visit {} sounds as it is; leave gain, polarity and delay out, or set them in the \
                 processor.",
                way.channel
            ))),
            None => Ok(Self { channels: channels.to_vec(), layout: None }),
        }
    }

    /// The highest number, if all channels are given by number and no layout is chosen: an output with just as many
    /// will do.
    pub fn highest_number(&self) -> Option<u16> {
        let number = |way: &Way| match way.channel {
            Channel::Numbered(number) if self.layout.is_none() => u16::try_from(number).ok(),
            _ => None,
        };
        self.channels.iter().map(number).collect::<Option<Vec<u16>>>()?.into_iter().max()
    }

    /// How many channels are needed in an order; `None` if none is named and no layout chosen. The smallest of
    /// `layouts` that holds all named ones.
    ///
    /// # Errors
    /// A channel that no layout has, or not the chosen one.
    pub fn channels_needed(&self, order: Order, layouts: &[Layout]) -> Result<Option<u16>, Failure> {
        if let Some(layout) = self.layout {
            return Ok(Some(layout.channels()));
        }
        let highest = self.channels.iter().map(|way| match way.channel {
            Channel::Numbered(number) => number,
            Channel::Named(_) => 1,
        });
        let Some(highest) = highest.max() else { return Ok(None) };
        let holds = |count: usize| {
            let names = usual_layout(order, count);
            self.channels.iter().all(|way| way.channel.position(names, count).is_ok())
        };
        let fits = layouts.iter().map(|layout| layout.channels()).find(|&channels| holds(channels.into()));
        let by_number = || u16::try_from(highest).ok().filter(|_| holds(highest));
        match fits.or_else(by_number) {
            Some(channels) => Ok(Some(channels)),
            None => {
                let names: Vec<String> = self.channels.iter().map(|way| way.channel.to_string()).collect();
                Err(Failure::Usage(format!(
                    "--channels {}: no usual layout has all of them. mono has C; stereo L and R; 2.1 also LFE; 5.1 \
                     also C, BL and BR; 7.1 also SL and SR.",
                    names.join(",")
                )))
            }
        }
    }

    /// The named channels among those that are there; all if none is named.
    ///
    /// # Errors
    /// A channel that is not there, or is named twice.
    pub fn outputs(&self, order: Order, there: u16) -> Result<Outputs, Failure> {
        if self.channels.is_empty() {
            return Ok(Outputs::all(&(0..there).collect::<Vec<_>>()));
        }
        let names = usual_layout(order, there.into());
        let mut outputs = Outputs::NONE;
        for way in &self.channels {
            let place = way.channel.position(names, there.into());
            let place = place.map_err(|missing| Failure::Usage(format!("--channels: {missing}.")))? as u16;
            if outputs.channels().any(|taken| taken == place) {
                return Err(Failure::Usage(format!("--channels: {} is named twice.", way.channel)));
            }
            outputs = outputs.and(place, way.gain, way.polarity).delayed(place, way.delay_s);
        }
        Ok(outputs)
    }

    /// The highest gain of any channel.
    pub fn highest_gain(&self) -> GainDb {
        let gains = self.channels.iter().map(|way| way.gain);
        gains.reduce(|highest, gain| if gain > highest { gain } else { highest }).unwrap_or(GainDb::ZERO)
    }

    /// The longest delay of any channel, seconds.
    pub fn longest_delay_s(&self) -> f64 {
        self.channels.iter().map(|way| way.delay_s).fold(0.0, f64::max)
    }
}

/// The layouts that a file can have.
pub const FILE_LAYOUTS: &[Layout] = &Layout::ALL;

/// The layouts that sound outputs are opened with; few know three channels.
pub const DEVICE_LAYOUTS: &[Layout] = &[Layout::Stereo, Layout::FiveOne, Layout::SevenOne];

/// Whose order the channels of sound outputs have here.
pub const DEVICE_ORDER: Order = if cfg!(target_os = "linux") { Order::Alsa } else { Order::Wav };

/// What a device's or file's channel is called: `4 (LFE)`, or `9`.
pub fn channel_words(order: Order, there: u16, channel: u16) -> String {
    let speaker: Option<&Speaker> =
        usual_layout(order, there.into()).and_then(|layout| layout.get(usize::from(channel)));
    match speaker {
        Some(speaker) => format!("{} ({speaker})", channel + 1),
        None => (channel + 1).to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn routing(text: &str) -> Routing {
        Routing { channels: text.split(',').map(|way| way.parse().unwrap()).collect(), layout: None }
    }

    #[test]
    fn a_channel_says_how_loud_which_way_round_and_how_late() {
        let way: Way = "lfe:+1.2ms:-3dB:inverted".parse().unwrap();
        assert_eq!((way.channel, way.gain), (Channel::Named(Speaker::Lfe), GainDb::new(-3.0)));
        assert_eq!((way.polarity, way.delay_s), (Polarity::Inverted, 0.0012));
        for (wrong, says) in [
            ("woofer", "is not a channel"),
            ("L:-3", "no gain"),
            ("L:101ms", "0 to 100 ms"),
            ("L:-1ms", "0 to 100 ms"),
            ("L:20dB", "-60 to 12 dB"),
            ("L:NaNdB", "-60 to 12 dB"),
            ("0", "is not a channel"),
        ] {
            let message = wrong.parse::<Way>().unwrap_err();
            assert!(message.contains(says), "{wrong}: {message}");
        }
    }

    #[test]
    fn the_smallest_layout_that_holds_all_is_taken() {
        for (text, file, device) in
            [("C", 1, 6), ("L,R", 2, 2), ("LFE", 3, 6), ("L,C", 6, 6), ("SL,1", 8, 8), ("2", 2, 2), ("10", 10, 10)]
        {
            let needed = |order, layouts| routing(text).channels_needed(order, layouts).unwrap();
            assert_eq!(needed(Order::Wav, FILE_LAYOUTS), Some(file), "{text}");
            assert_eq!(needed(Order::Alsa, DEVICE_LAYOUTS), Some(device), "{text}");
        }
        let none = routing("LC").channels_needed(Order::Wav, FILE_LAYOUTS).unwrap_err();
        assert!(none.to_string().starts_with("--channels LC: no usual layout"));
    }

    #[test]
    fn a_visit_takes_channels_as_they_are() {
        let ways = |text: &str| routing(text).channels;
        assert_eq!(Routing::plain(&ways("4,LFE")).unwrap().channels, ways("4,LFE"));
        for given in ["LFE:-3dB", "L,R:inverted", "3:1ms"] {
            assert!(Routing::plain(&ways(given)).unwrap_err().to_string().contains("sounds as it is"), "{given}");
        }
        assert_eq!(Routing::numbered(&[1, 4]).channels, ways("1,4"));
        assert_eq!((routing("1,4").highest_number(), routing("4,LFE").highest_number()), (Some(4), None));
    }

    #[test]
    fn names_find_their_places_in_either_order() {
        let places = |order| routing("LFE,L").outputs(order, 6).unwrap().channels().collect::<Vec<_>>();
        assert_eq!((places(Order::Wav), places(Order::Alsa)), (vec![0, 3], vec![0, 5]));
        assert!(routing("L,1").outputs(Order::Wav, 2).unwrap_err().to_string().contains("named twice"));
        assert_eq!(channel_words(Order::Alsa, 6, 5), "6 (LFE)");
    }
}
