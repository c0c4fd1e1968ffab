//! Which notes of the set are heard, how loud each is, and what sounds for them.

use std::sync::Arc;

use crate::acoustics::notes::{self, A4_HZ};
use crate::routine::levels::LevelPlan;
use crate::routine::{Refusal, State};
use crate::signal::Recipe;

/// With fewer notes the spread of a spot says little.
const FEWEST_NOTES: usize = 8;

impl State {
    /// The notes that are heard: the set, spaced anew above the rated limit, without what the low-pass hides.
    pub(super) fn choose_notes(&mut self) -> Result<(), Refusal> {
        let set = self
            .brief
            .note_set
            .within(self.kit.rated_low_hz, self.kit.low_pass_hz)
            .map_err(|none_left| Refusal::Because(none_left.to_string()))?;
        let notes_hz = set.notes_hz();
        if notes_hz.len() < FEWEST_NOTES {
            return Err(Refusal::Because(format!(
                "Only {} notes are left, and at least {FEWEST_NOTES} are needed to tell spots apart. Use the LFE \
                 input, or turn the low-pass up.",
                notes_hz.len()
            )));
        }
        let lowest_hz: Vec<f64> = notes_hz.iter().map(|&hz| set.recipe(hz, self.brief.seed).lowest_hz()).collect();
        let (phon, deep) = (self.brief.loudness_phon, self.kit.deep_driver);
        self.plan = LevelPlan::new(&notes_hz, &lowest_hz, set.reference_hz, phon, deep);
        self.note_names = notes_hz.iter().map(|&hz| nearest_name(hz)).collect();
        self.notes_hz = notes_hz.into();
        self.note_set = Arc::new(set);
        Ok(())
    }

    /// What is played for a note, by its position among those that are heard.
    pub(super) fn note_recipe(&self, note: usize) -> Recipe {
        self.note_set.recipe(self.notes_hz[note], self.brief.seed)
    }

    /// What is played as the reference.
    pub(super) fn reference_recipe(&self) -> Recipe {
        self.note_set.reference_recipe(self.brief.seed)
    }
}

/// The nearest musical note ('E1').
fn nearest_name(frequency_hz: f64) -> String {
    notes::nearest(frequency_hz, A4_HZ).map_or_else(String::new, |nearest| nearest.note.to_string())
}
