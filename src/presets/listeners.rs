//! Simulated listeners for rehearsals.

use serde::{Deserialize, Serialize};

use crate::presets::{Embedded, PresetError};
use crate::toml_file::parse_toml;

/// How a simulated listener hears and answers. All figures in dB are standard deviations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListenerTraits {
    /// What the person calls it.
    pub name: String,
    /// One line on who this is.
    pub about: String,
    /// From one answer to the next, dB.
    pub doubt_db: f64,
    /// From one stay to the next, all notes together, dB.
    pub mood_db: f64,
    /// The listener's own equal-loudness contour against the standard's, dB.
    pub contour_db: f64,
    /// How far the borders between the words are stretched or narrowed, as a ratio.
    pub border_spread: f64,
    /// Share of answers given without listening.
    pub lapses: f64,
    /// Reading the meter, dB.
    pub meter_db: f64,
}

macro_rules! embed {
    ($name:literal) => {
        Embedded {
            name: $name,
            path_label: concat!("presets/listeners/", $name, ".toml"),
            text: include_str!(concat!("../../presets/listeners/", $name, ".toml")),
        }
    };
}

/// The listeners in the program.
pub const LISTENERS: [Embedded; 3] = [embed!("typical"), embed!("attentive"), embed!("tired")];

/// The listener of this name.
///
/// # Errors
/// [`PresetError::Unknown`] with the nearest known name.
pub fn listener(name: &str) -> Result<ListenerTraits, PresetError> {
    match LISTENERS.iter().find(|embedded| embedded.name == name) {
        Some(embedded) => Ok(parse_toml(embedded.path_label, embedded.text)?),
        None => Err(PresetError::unknown("listener", name, LISTENERS.map(|embedded| embedded.name.to_owned()).into())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_listener_is_named_as_its_file() {
        for embedded in LISTENERS {
            assert_eq!(listener(embedded.name).unwrap().name, embedded.name);
        }
    }

    #[test]
    fn an_unknown_listener_is_answered_with_the_nearest() {
        assert!(listener("typicel").unwrap_err().to_string().contains("did you mean \"typical\""));
    }
}
