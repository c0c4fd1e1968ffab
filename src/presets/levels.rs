//! Levels by name: what the levels of a note set hang on.

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::toml_file::{TomlError, parse_toml};

/// What the levels of a note set hang on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LevelsPreset {
    /// What it is called.
    pub name: String,
    /// When it is right, one sentence.
    pub about: String,
    /// The level of the reference tone, dBFS.
    pub comfort_dbfs: f64,
    /// The loudness at which the tones are taken to arrive, phon.
    pub loudness_phon: f64,
    /// The most that a note may be above the reference, dB.
    pub boost_db: f64,
    /// Whether the driver may take the full level below 25 Hz.
    pub deep_driver: bool,
}

/// What the levels may be: comfort level in dBFS, loudness in phon, boost in dB.
pub const COMFORT_DBFS: (f64, f64) = (-60.0, -19.0);
/// Loudness in phon.
pub const LOUDNESS_PHON: (f64, f64) = (20.0, 80.0);
/// Boost in dB.
pub const BOOST_DB: (f64, f64) = (0.0, 12.0);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    about: String,
    comfort_dbfs: Spanned<f64>,
    loudness_phon: Spanned<f64>,
    boost_db: Spanned<f64>,
    deep_driver: bool,
}

impl LevelsPreset {
    /// Reads a preset file. `path_label` is what errors call it.
    ///
    /// # Errors
    /// [`TomlError`] with the place and what was expected.
    pub fn parse(path_label: &str, text: &str) -> Result<Self, TomlError> {
        let file: File = parse_toml(path_label, text)?;
        let within = |number: &Spanned<f64>, (low, high): (f64, f64)| {
            let value = *number.get_ref();
            let message = || format!("{value} is not possible: {low} to {high} can be asked for");
            if (low..=high).contains(&value) {
                Ok(value)
            } else {
                Err(TomlError::at(path_label, text, number.span(), message()))
            }
        };
        Ok(Self {
            comfort_dbfs: within(&file.comfort_dbfs, COMFORT_DBFS)?,
            loudness_phon: within(&file.loudness_phon, LOUDNESS_PHON)?,
            boost_db: within(&file.boost_db, BOOST_DB)?,
            deep_driver: file.deep_driver,
            name: file.name,
            about: file.about,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_above_what_is_agreed_to_is_shown_with_its_place() {
        let text = "name = \"x\"\nabout = \"y\"\ncomfort_dbfs = -10.0\nloudness_phon = 50.0\nboost_db = 12.0\ndeep_driver = false\n";
        let wrong = LevelsPreset::parse("x.toml", text).unwrap_err();
        assert_eq!((wrong.line, wrong.column), (3, 16));
        assert!(wrong.message.contains("-60 to -19"), "{wrong}");
        assert!(LevelsPreset::parse("x.toml", &text.replace("-10", "-30")).is_ok());
        let wrong = LevelsPreset::parse("x.toml", &text.replace("boost_db", "bost_db")).unwrap_err();
        assert!(wrong.to_string().contains("boost_db"), "{wrong}");
    }
}
