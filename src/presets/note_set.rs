//! Note sets: which frequencies are played, as what, for how long.

use std::ops::Range;

use serde::{Deserialize, Serialize};
use thiserror::Error;
use toml::Spanned;

use crate::acoustics::notes::{A4_HZ, Note};
use crate::signal::{Recipe, Tone};
use crate::toml_file::{TomlError, parse_toml};
use crate::units::SampleRate;

/// Notes lie within this range, hertz: below it no room and no ear answers, above it the job is another one.
const NOTE_RANGE_HZ: (f64, f64) = (10.0, 500.0);

/// Which frequencies a set holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spacing {
    /// `count` notes at equal ratios, both ends included.
    Even {
        /// The lowest note.
        from_hz: f64,
        /// The highest note.
        to_hz: f64,
        /// How many; at least two.
        count: usize,
    },
    /// Exactly these, ascending.
    Listed(Vec<f64>),
}

/// A set of notes and how they are played.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoteSet {
    /// What it is called.
    pub name: String,
    /// What it is for, one sentence.
    pub about: String,
    /// Which frequencies.
    pub spacing: Spacing,
    /// What is played for each note.
    pub tone: Tone,
    /// How long a tone sounds, ramps included.
    pub seconds: f64,
    /// Silence between two tones.
    pub gap_s: f64,
    /// The frequency of the reference tone.
    pub reference_hz: f64,
    /// What is played as the reference.
    pub reference_tone: Tone,
}

/// No set is left within the limits.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error("no two notes of the set are left between {lowest_hz} Hz (driver) and {highest_hz} Hz (low-pass)")]
pub struct NoNotesLeft {
    /// The driver's limit, or the set's own lower end.
    pub lowest_hz: f64,
    /// The low-pass, or the set's own upper end.
    pub highest_hz: f64,
}

impl NoteSet {
    /// Reads a preset file. `path_label` is what errors call it.
    ///
    /// # Errors
    /// [`TomlError`] with the place, what was expected, and the nearest known key.
    pub fn parse(path_label: &str, text: &str) -> Result<Self, TomlError> {
        let file: File = parse_toml(path_label, text)?;
        file.checked().map_err(|(span, message)| TomlError::at(path_label, text, span, message))
    }

    /// The notes in ascending order, hertz.
    pub fn notes_hz(&self) -> Vec<f64> {
        match &self.spacing {
            Spacing::Even { from_hz, to_hz, count } => {
                let last = count.saturating_sub(1).max(1);
                let note = |n: usize| match n {
                    0 => *from_hz,
                    n if n == last => *to_hz,
                    n => from_hz * libm::pow(to_hz / from_hz, n as f64 / last as f64),
                };
                (0..*count).map(note).collect()
            }
            Spacing::Listed(notes) => notes.clone(),
        }
    }

    /// The set for a given subwoofer. `driver_lowest_hz` is its rated limit: an evenly spaced set is spaced anew above
    /// it, with as many notes; a list loses the notes below it. `low_pass_hz` is a low-pass that cannot be opened:
    /// notes above it are left out.
    ///
    /// # Errors
    /// [`NoNotesLeft`] if fewer than two notes remain.
    pub fn within(&self, driver_lowest_hz: Option<f64>, low_pass_hz: Option<f64>) -> Result<Self, NoNotesLeft> {
        let notes = self.notes_hz();
        let own = (notes.first().copied().unwrap_or(0.0), notes.last().copied().unwrap_or(0.0));
        let lowest_hz = driver_lowest_hz.map_or(own.0, |driver| driver.max(own.0));
        let highest_hz = low_pass_hz.map_or(own.1, |low_pass| low_pass.min(own.1));
        let none_left = NoNotesLeft { lowest_hz, highest_hz };
        let mut set = self.clone();
        if let Spacing::Even { from_hz, to_hz, .. } = &mut set.spacing {
            if lowest_hz >= *to_hz {
                return Err(none_left);
            }
            *from_hz = lowest_hz;
        }
        let kept: Vec<f64> =
            set.notes_hz().into_iter().filter(|note| (lowest_hz..=highest_hz).contains(note)).collect();
        if kept.len() < 2 {
            return Err(none_left);
        }
        if kept.len() < set.notes_hz().len() {
            set.spacing = Spacing::Listed(kept);
        }
        Ok(set)
    }

    /// What to play for a note.
    pub fn recipe(&self, frequency_hz: f64, seed: u64) -> Recipe {
        self.tone.recipe(frequency_hz, seed)
    }

    /// What to play as the reference.
    pub fn reference_recipe(&self, seed: u64) -> Recipe {
        self.reference_tone.recipe(self.reference_hz, seed)
    }

    /// Half the width of each note's band, octaves; 0 for pure tones.
    pub fn half_width_octaves(&self) -> f64 {
        width_of(&self.tone)
    }

    /// The same of the reference.
    pub fn reference_half_width_octaves(&self) -> f64 {
        width_of(&self.reference_tone)
    }
}

/// Half the width of a tone's band, octaves.
fn width_of(tone: &Tone) -> f64 {
    match tone {
        Tone::Pure {} => 0.0,
        Tone::Warble { half_width_octaves, .. } => *half_width_octaves,
        Tone::SteadyNoise { band } => libm::log2(band.edge_ratio()),
    }
}

/// A note set as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    about: String,
    seconds: Spanned<f64>,
    gap_s: Spanned<f64>,
    reference_hz: Spanned<f64>,
    notes: Spanned<NotesTable>,
    tone: Spanned<Tone>,
    reference_tone: Option<Spanned<Tone>>,
}

/// `from_hz`, `to_hz` and `count`; or `hz`; or `names` with an optional `a4_hz`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NotesTable {
    from_hz: Option<Spanned<f64>>,
    to_hz: Option<Spanned<f64>>,
    count: Option<Spanned<usize>>,
    hz: Option<Vec<Spanned<f64>>>,
    names: Option<Vec<Spanned<String>>>,
    a4_hz: Option<Spanned<f64>>,
}

type Wrong = (Range<usize>, String);

impl File {
    fn checked(self) -> Result<NoteSet, Wrong> {
        let reference_hz = within(&self.reference_hz, NOTE_RANGE_HZ)?;
        let reference_tone = self.reference_tone.as_ref().unwrap_or(&self.tone);
        let set = NoteSet {
            name: self.name,
            about: self.about,
            seconds: within(&self.seconds, (0.2, 30.0))?,
            gap_s: within(&self.gap_s, (0.0, 10.0))?,
            reference_hz,
            spacing: self.notes.get_ref().checked(self.notes.span())?,
            reference_tone: reference_tone.get_ref().clone(),
            tone: self.tone.get_ref().clone(),
        };
        playable(&set.reference_recipe(0), reference_tone.span())?;
        for note in set.notes_hz() {
            playable(&set.recipe(note, 0), self.tone.span())?;
        }
        Ok(set)
    }
}

impl NotesTable {
    fn checked(&self, span: Range<usize>) -> Result<Spacing, Wrong> {
        let even = [self.from_hz.is_some(), self.to_hz.is_some(), self.count.is_some()];
        match (even, &self.hz, &self.names) {
            ([true, true, true], None, None) => self.even(),
            ([false, false, false], Some(notes), None) => {
                let checked = notes.iter().map(|note| Ok((note.span(), within(note, NOTE_RANGE_HZ)?)));
                ascending(checked.collect::<Result<_, _>>()?, span)
            }
            ([false, false, false], None, Some(names)) => self.named(names, span),
            _ => Err((span, "[notes] needs from_hz, to_hz and count; or hz, a list; or names, a list".to_owned())),
        }
    }

    fn even(&self) -> Result<Spacing, Wrong> {
        let (Some(from_hz), Some(to_hz), Some(count)) = (&self.from_hz, &self.to_hz, &self.count) else {
            return Err((0..0, "from_hz, to_hz and count belong together".to_owned()));
        };
        let from = within(from_hz, NOTE_RANGE_HZ)?;
        let to = within(to_hz, NOTE_RANGE_HZ)?;
        if to <= from {
            return Err((to_hz.span(), format!("to_hz is {to}, but must be above from_hz, {from}")));
        }
        if !(2..=64).contains(count.get_ref()) {
            return Err((count.span(), format!("count is {}, but must be from 2 to 64", count.get_ref())));
        }
        Ok(Spacing::Even { from_hz: from, to_hz: to, count: *count.get_ref() })
    }

    fn named(&self, names: &[Spanned<String>], span: Range<usize>) -> Result<Spacing, Wrong> {
        let a4_hz = self.a4_hz.as_ref().map_or(Ok(A4_HZ), |a4_hz| within(a4_hz, (400.0, 480.0)))?;
        let frequency = |name: &Spanned<String>| {
            let note = Note::parse(name.get_ref())
                .ok_or_else(|| (name.span(), format!("\"{}\" is not a note such as E1, F#2 or Bb1", name.get_ref())))?;
            Ok((name.span(), note.frequency_hz(a4_hz)))
        };
        ascending(names.iter().map(frequency).collect::<Result<_, Wrong>>()?, span)
    }
}

fn within(given: &Spanned<f64>, (lowest, highest): (f64, f64)) -> Result<f64, Wrong> {
    let value = *given.get_ref();
    if (lowest..=highest).contains(&value) {
        Ok(value)
    } else {
        Err((given.span(), format!("{value} must be from {lowest} to {highest}")))
    }
}

fn ascending(notes: Vec<(Range<usize>, f64)>, span: Range<usize>) -> Result<Spacing, Wrong> {
    if !(2..=64).contains(&notes.len()) {
        return Err((span, format!("a set has from 2 to 64 notes, not {}", notes.len())));
    }
    for pair in notes.windows(2) {
        if pair[1].1 <= pair[0].1 {
            return Err((pair[1].0.clone(), "notes must ascend".to_owned()));
        }
    }
    Ok(Spacing::Listed(notes.into_iter().map(|(_, hz)| hz).collect()))
}

/// Whether a tone can be played at 48 kHz at all; the signal's own words say why not.
fn playable(recipe: &Recipe, span: Range<usize>) -> Result<(), Wrong> {
    recipe.check(SampleRate::HZ_48000).map_err(|error| (span, error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::presets::NOTE_SETS;

    fn walk() -> NoteSet {
        NoteSet::parse("walk-16.toml", NOTE_SETS[0].text).unwrap()
    }

    fn broken(from: &str, to: &str) -> TomlError {
        assert!(NOTE_SETS[0].text.contains(from));
        NoteSet::parse("walk-16.toml", &NOTE_SETS[0].text.replace(from, to)).unwrap_err()
    }

    #[test]
    fn the_walk_has_sixteen_notes_at_equal_ratios() {
        let notes = walk().notes_hz();
        assert_eq!((notes.len(), notes[0], notes[15]), (16, 25.0, 120.0));
        // The fifteenth root of 120/25, computed independently.
        assert!(notes.windows(2).all(|pair| (pair[1] / pair[0] - 1.110237986424).abs() < 1e-9));
    }

    #[test]
    fn the_set_is_spaced_anew_above_the_drivers_limit() {
        let notes = walk().within(Some(32.0), None).unwrap().notes_hz();
        assert_eq!((notes.len(), notes[0], notes[15]), (16, 32.0, 120.0));
        assert_eq!(walk().within(Some(20.0), Some(200.0)).unwrap(), walk());
    }

    #[test]
    fn notes_above_a_low_pass_are_left_out() {
        let notes = walk().within(None, Some(80.0)).unwrap().notes_hz();
        assert_eq!(notes, walk().notes_hz().into_iter().filter(|note| *note <= 80.0).collect::<Vec<_>>());
        assert_eq!(notes.len(), 12);
        assert!(walk().within(Some(60.0), Some(62.0)).is_err());
        assert!(walk().within(Some(150.0), None).unwrap_err().to_string().contains("150 Hz"));
    }

    #[test]
    fn a_list_loses_notes_but_is_not_spaced_anew() {
        let text =
            NOTE_SETS[0].text.replace("from_hz = 25.0\nto_hz = 120.0\ncount = 16", "names = [\"E1\", \"A1\", \"D2\"]");
        let set = NoteSet::parse("bass.toml", &text).unwrap();
        assert!((set.notes_hz()[0] - 41.2034).abs() < 1e-4);
        assert_eq!(set.within(Some(50.0), None).unwrap().notes_hz().len(), 2);
    }

    #[test]
    fn the_recipe_is_the_tone_at_the_note() {
        let Recipe::Warble(warble) = walk().recipe(40.0, 1) else { panic!("not a warble") };
        assert_eq!((warble.frequency_hz, warble.rate_hz), (40.0, 2.0));
        let Recipe::SteadyNoise(noise) = walk().reference_recipe(9) else { panic!("not a noise") };
        assert_eq!((noise.frequency_hz, noise.seed), (50.0, 9));
    }

    #[test]
    fn mistakes_are_shown_where_they_are() {
        let error = broken("gap_s", "gap_ms");
        assert_eq!((error.line, error.help.as_deref()), (5, Some("did you mean `gap_s`?")));
        let error = broken("rate_hz = 2.0", "rat_hz = 2.0");
        assert_eq!((error.line, error.help.as_deref()), (19, Some("did you mean `rate_hz`?")), "{error}");
        assert_eq!(broken("count = 16", "count = 1").message, "count is 1, but must be from 2 to 64");
        assert_eq!(broken("to_hz = 120.0", "to_hz = 20.0").message, "to_hz is 20, but must be above from_hz, 25");
        let error = broken("seconds = 2.0", "seconds = 0.0");
        assert_eq!((error.line, error.message.as_str()), (4, "0 must be from 0.2 to 30"));
        let error = broken("signal = \"warble\"", "signal = \"wobble\"");
        assert_eq!((error.line, error.help.as_deref()), (17, Some("did you mean `warble`?")), "{error}");
        let error = broken("rate_hz = 2.0", "rate_hz = 900.0");
        assert_eq!(error.message, "warble: rate_hz is 900, but must be from 0.1 to 20");
        assert!(broken("count = 16", "hz = [30.0]").message.starts_with("[notes] needs"));
    }
}
