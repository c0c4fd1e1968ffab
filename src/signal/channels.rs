//! Output channels by name: which speaker is which channel of a device or a file.
//!
//! Sources: WAVE_FORMAT_EXTENSIBLE speaker bits; the orders of alsa-lib's named devices (`surround51` and the like);
//! PulseAudio's `pa_channel_map_init_auto` for WAVEEX. ALSA puts centre and LFE after the rear speakers, WAV before
//! them.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A loudspeaker's place in a layout.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Speaker {
    /// Front left.
    Left,
    /// Front right.
    Right,
    /// Front centre; also the only channel of a mono layout.
    Centre,
    /// The low-frequency effects channel.
    Lfe,
    /// Back left.
    BackLeft,
    /// Back right.
    BackRight,
    /// Front left of centre.
    LeftOfCentre,
    /// Front right of centre.
    RightOfCentre,
    /// Back centre.
    BackCentre,
    /// Side left.
    SideLeft,
    /// Side right.
    SideRight,
}

use Speaker::{
    BackCentre, BackLeft, BackRight, Centre, Left, LeftOfCentre, Lfe, Right, RightOfCentre, SideLeft, SideRight,
};

/// All speakers in the order of their WAV bits, with their short names.
const SPEAKERS: [(Speaker, &str); 11] = [
    (Left, "L"),
    (Right, "R"),
    (Centre, "C"),
    (Lfe, "LFE"),
    (BackLeft, "BL"),
    (BackRight, "BR"),
    (LeftOfCentre, "LC"),
    (RightOfCentre, "RC"),
    (BackCentre, "BC"),
    (SideLeft, "SL"),
    (SideRight, "SR"),
];

impl Speaker {
    /// The speaker's bit in a WAV channel mask.
    pub const fn wav_bit(self) -> u32 {
        1 << self as u32
    }
}

impl fmt::Display for Speaker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(SPEAKERS[*self as usize].1)
    }
}

/// A name that is no speaker's.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("\"{given}\" is not a channel; channels are L, R, C, LFE, BL, BR, SL, SR, LC, RC, BC, or a number from 1")]
pub struct UnknownSpeaker {
    /// What was given.
    pub given: String,
}

impl FromStr for Speaker {
    type Err = UnknownSpeaker;
    fn from_str(text: &str) -> Result<Self, UnknownSpeaker> {
        let upper = text.to_ascii_uppercase();
        let short = match upper.as_str() {
            "FL" | "LEFT" => "L",
            "FR" | "RIGHT" => "R",
            "FC" | "CENTRE" | "CENTER" | "MONO" => "C",
            "SUB" | "SUBWOOFER" => "LFE",
            "RL" => "BL",
            "RR" => "BR",
            "LS" => "SL",
            "RS" => "SR",
            other => other,
        };
        let found = SPEAKERS.into_iter().find(|(_, name)| *name == short);
        found.map(|(speaker, _)| speaker).ok_or_else(|| UnknownSpeaker { given: text.to_owned() })
    }
}

/// Whose order of channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Files, Windows, and PulseAudio where it is asked for WAVEEX maps.
    Wav,
    /// ALSA's named surround devices.
    Alsa,
}

/// The usual speakers of so many channels in an order. `None` where there is no usual layout.
///
/// Three channels are left, right and LFE in both: a subwoofer is what this program is about, and a centre without
/// surrounds is rare.
pub fn usual_layout(order: Order, channels: usize) -> Option<&'static [Speaker]> {
    Some(match (order, channels) {
        (_, 1) => &[Centre],
        (_, 2) => &[Left, Right],
        (_, 3) => &[Left, Right, Lfe],
        (_, 4) => &[Left, Right, BackLeft, BackRight],
        (Order::Wav, 5) => &[Left, Right, Centre, BackLeft, BackRight],
        (Order::Alsa, 5) => &[Left, Right, BackLeft, BackRight, Centre],
        (Order::Wav, 6) => &[Left, Right, Centre, Lfe, BackLeft, BackRight],
        (Order::Alsa, 6) => &[Left, Right, BackLeft, BackRight, Centre, Lfe],
        (Order::Wav, 8) => &[Left, Right, Centre, Lfe, BackLeft, BackRight, SideLeft, SideRight],
        (Order::Alsa, 8) => &[Left, Right, BackLeft, BackRight, Centre, Lfe, SideLeft, SideRight],
        _ => return None,
    })
}

/// The WAV channel mask of a layout. `None` if a speaker comes twice or the order is not that of the bits, which a WAV
/// file cannot say.
pub fn wav_mask(layout: &[Speaker]) -> Option<u32> {
    let ascending = layout.windows(2).all(|pair| pair[0] < pair[1]);
    ascending.then(|| layout.iter().fold(0, |mask, speaker| mask | speaker.wav_bit()))
}

/// A channel as a person names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channel {
    /// By the speaker.
    Named(Speaker),
    /// By its number, from 1, in the device's order.
    Numbered(usize),
}

/// A channel that a layout does not have.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("there is no channel {wanted} here; there are {}", known.join(", "))]
pub struct NoSuchChannel {
    /// What was asked for.
    pub wanted: String,
    /// What there is, names or numbers.
    pub known: Vec<String>,
}

impl FromStr for Channel {
    type Err = UnknownSpeaker;
    fn from_str(text: &str) -> Result<Self, UnknownSpeaker> {
        match text.parse() {
            Ok(number) if number > 0 => Ok(Self::Numbered(number)),
            _ => text.parse().map(Self::Named),
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Named(speaker) => speaker.fmt(f),
            Self::Numbered(number) => number.fmt(f),
        }
    }
}

impl Channel {
    /// The channel's position, from 0, among `channels` of a device. `layout` may be unknown; then only numbers are.
    ///
    /// # Errors
    /// [`NoSuchChannel`] with what there is.
    pub fn position(self, layout: Option<&[Speaker]>, channels: usize) -> Result<usize, NoSuchChannel> {
        let found = match self {
            Self::Named(speaker) => layout.and_then(|layout| layout.iter().position(|known| *known == speaker)),
            Self::Numbered(number) => number.checked_sub(1),
        };
        found.filter(|position| *position < channels).ok_or_else(|| {
            let names = layout.unwrap_or(&[]).iter().enumerate().map(|(n, speaker)| format!("{speaker} ({})", n + 1));
            let numbers = (names.len()..channels).map(|n| (n + 1).to_string());
            NoSuchChannel { wanted: self.to_string(), known: names.chain(numbers).collect() }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masks_are_those_of_wav_files() {
        // WAVE_FORMAT_EXTENSIBLE: mono 0x4, stereo 0x3, 2.1 0xB, quad 0x33, 5.0 0x37, 5.1 0x3F, 7.1 0x63F, LFE alone
        // 0x8.
        for (channels, mask) in [(1, 0x4), (2, 0x3), (3, 0xB), (4, 0x33), (5, 0x37), (6, 0x3F), (8, 0x63F)] {
            assert_eq!(wav_mask(usual_layout(Order::Wav, channels).unwrap()), Some(mask));
        }
        assert_eq!(wav_mask(&[Lfe]), Some(0x8));
        assert_eq!(wav_mask(&[Left, Right, Centre, Lfe, SideLeft, SideRight]), Some(0x60F));
        assert_eq!(wav_mask(usual_layout(Order::Alsa, 6).unwrap()), None);
        assert_eq!(wav_mask(&[Left, Left]), None);
    }

    #[test]
    fn the_lfe_is_found_in_either_order() {
        let lfe: Channel = "lfe".parse().unwrap();
        assert_eq!(lfe.position(usual_layout(Order::Wav, 6), 6), Ok(3));
        // alsa-lib's surround51: front, rear, centre, LFE.
        assert_eq!(lfe.position(usual_layout(Order::Alsa, 6), 6), Ok(5));
        let missing = lfe.position(usual_layout(Order::Wav, 2), 2).unwrap_err();
        assert_eq!(missing.to_string(), "there is no channel LFE here; there are L (1), R (2)");
    }

    #[test]
    fn channels_have_names_and_numbers() {
        assert_eq!("3".parse(), Ok(Channel::Numbered(3)));
        assert_eq!("Rl".parse(), Ok(Channel::Named(BackLeft)));
        for (speaker, name) in SPEAKERS {
            assert_eq!((name.parse(), speaker.to_string().as_str()), (Ok(speaker), name));
        }
        assert!("0".parse::<Channel>().is_err());
        assert!("woofer".parse::<Channel>().unwrap_err().to_string().starts_with("\"woofer\" is not a channel"));
        assert_eq!(Channel::Numbered(7).position(None, 7), Ok(6));
        assert_eq!(Channel::Numbered(8).position(None, 2).unwrap_err().known, ["1", "2"]);
    }
}
