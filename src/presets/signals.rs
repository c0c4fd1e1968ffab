//! Signals by name.

use serde::Deserialize;
use toml::Spanned;

use crate::signal::Recipe;
use crate::toml_file::{TomlError, parse_toml};
use crate::units::SampleRate;

/// A signal with a name.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalPreset {
    /// What it is called.
    pub name: String,
    /// What it is for, one sentence.
    pub about: String,
    /// What is played.
    pub recipe: Recipe,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    about: String,
    recipe: Spanned<Recipe>,
}

impl SignalPreset {
    /// Reads a preset file. `path_label` is what errors call it.
    ///
    /// # Errors
    /// [`TomlError`] with the place and what was expected; also for a signal that cannot be played at 48 kHz.
    pub fn parse(path_label: &str, text: &str) -> Result<Self, TomlError> {
        let file: File = parse_toml(path_label, text)?;
        let span = file.recipe.span();
        let recipe = file.recipe.into_inner();
        recipe.check(SampleRate::HZ_48000).map_err(|wrong| TomlError::at(path_label, text, span, wrong.to_string()))?;
        Ok(Self { name: file.name, about: file.about, recipe })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_that_cannot_be_played_is_shown_with_its_place() {
        let text = "name = \"x\"\nabout = \"y\"\n[recipe]\nsignal = \"pure\"\nfrequency_hz = 24000.0\n";
        let wrong = SignalPreset::parse("x.toml", text).unwrap_err();
        assert_eq!(wrong.line, 3);
        assert!(wrong.message.contains("below 24000"), "{wrong}");
        let wrong = SignalPreset::parse("x.toml", &text.replace("frequency_hz", "frequenzy_hz")).unwrap_err();
        assert!(wrong.to_string().contains("frequenzy_hz"), "{wrong}");
    }
}
