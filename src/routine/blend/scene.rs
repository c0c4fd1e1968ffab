//! What can be heard at a question of the blend, in full: for a face that hears by computing. A person's face does not
//! show it.

use serde::{Deserialize, Serialize};

use crate::blend::tune::Sounding;
use crate::blend::{Device, Role};
use crate::routine::blend::setup::Setup;
use crate::routine::effect::Part;

/// A question of the blend as somebody hears it who knows the system.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// What has to be judged or done.
    pub hearing: Hearing,
    /// What sounds, in order: each part with the setting it is heard in.
    pub sounds: Vec<Heard>,
    /// Where the controls stand, if everything was done as it was said.
    pub standing: Setup,
}

/// One sound and the setting in which it is heard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Which of the choices it belongs to, counted from 0.
    pub choice: usize,
    /// The tone, with the channels that it goes to.
    pub part: Part,
    /// How everything is set meanwhile.
    pub setup: Setup,
}

/// What a question of the blend is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "about", rename_all = "kebab-case")]
pub enum Hearing {
    /// Nothing to hear.
    Nothing,
    /// Turn a control to a value.
    Turn {
        /// Position in the system's list.
        control: usize,
        /// What it does.
        role: Role,
        /// On which box.
        on: Device,
        /// Where it goes, in its unit.
        to: f64,
    },
    /// Type what a control shows before it is put to a value.
    Before {
        /// Position in the system's list.
        control: usize,
        /// What it does.
        role: Role,
        /// On which box.
        on: Device,
    },
    /// Which speakers sound: options are left, right, both, neither.
    Side,
    /// Whether the subwoofer sounds.
    SubwooferSounds,
    /// Which of two stands in the middle, with more bass.
    Middle,
    /// Whether the bass pulls towards the subwoofer.
    Pull,
    /// Listen to the first of two.
    First,
    /// Which of two has the fuller bass.
    Better,
    /// Which of several has the fullest bass.
    Fullest,
    /// Which of two bands is louder, the lower or the higher.
    Louder,
    /// How strong a note is against the others, or what a meter shows.
    Note {
        /// Its frequency, Hz.
        frequency_hz: f64,
        /// All notes of the run, Hz.
        notes_hz: Vec<f64>,
        /// Which seat, position in the room's list.
        seat: usize,
    },
    /// How strong a band is against a reference from the main speakers, which sounds before it.
    Band {
        /// Its middle, Hz.
        frequency_hz: f64,
        /// The middle of the reference, Hz.
        reference_hz: f64,
        /// Bands of this pass, Hz.
        bands_hz: Vec<f64>,
        /// Which of them it is.
        at: usize,
        /// By how much each of them is played over equal loudness with the reference, dB.
        gains_db: Vec<f64>,
        /// Which of the two sound, and from where they are heard.
        sounding: Sounding,
    },
    /// Whether the notes are even at a seat.
    Even {
        /// The notes, Hz.
        notes_hz: Vec<f64>,
        /// Which seat, position in the room's list.
        seat: usize,
    },
}
