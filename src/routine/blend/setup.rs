//! How the system is set: where every control stands, and what the program adds on the subwoofer's own channel.

use serde::{Deserialize, Serialize};

/// What the program does on the subwoofer's own channel.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Own {
    /// Turned over.
    pub inverted: bool,
    /// Later than the main speakers, seconds; they are made later where this is negative.
    pub later_s: f64,
    /// Softer by this, dB, zero or negative; the main speakers are softer where it is positive.
    pub gain_db: f64,
}

/// Where every control stands, in the order of the system's list (`None`: not known), and what the program adds.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Setup {
    /// Values, one a control.
    pub values: Vec<Option<f64>>,
    /// On the subwoofer's own channel.
    pub own: Own,
}

impl Setup {
    /// The same with one control elsewhere.
    #[must_use]
    pub fn with(&self, control: usize, value: f64) -> Self {
        let mut other = self.clone();
        if let Some(place) = other.values.get_mut(control) {
            *place = Some(value);
        }
        other
    }

    /// The first control that has to be turned to come from here to `other`, and where to.
    pub fn first_turn(&self, other: &Self) -> Option<(usize, f64)> {
        let apart = |(at, (here, there)): (usize, (&Option<f64>, &Option<f64>))| {
            let there = (*there)?;
            let same = here.is_some_and(|here| (here - there).abs() < 1e-9);
            (!same).then_some((at, there))
        };
        self.values.iter().zip(&other.values).enumerate().find_map(apart)
    }
}
