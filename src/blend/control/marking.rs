//! How a control is marked: in which unit, and from where to where.

use serde::{Deserialize, Serialize};

/// What a control is marked in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    /// Frequency.
    #[serde(rename = "Hz")]
    Hertz,
    /// Level.
    #[serde(rename = "dB")]
    Decibel,
    /// Phase.
    #[serde(rename = "degrees")]
    Degree,
    /// Share of the knob's travel, for a knob without figures: 0 fully left, 100 fully right.
    #[serde(rename = "%")]
    Percent,
    /// Time.
    #[serde(rename = "ms")]
    Millisecond,
    /// Distance.
    #[serde(rename = "m")]
    Metre,
    /// Distance, 0.3048 m.
    #[serde(rename = "ft")]
    Foot,
}

impl Unit {
    /// As printed after a number.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hertz => "Hz",
            Self::Decibel => "dB",
            Self::Degree => "degrees",
            Self::Percent => "% of travel",
            Self::Millisecond => "ms",
            Self::Metre => "m",
            Self::Foot => "ft",
        }
    }
}

/// How a control is marked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Scale {
    /// From `low` to `high`.
    Range {
        /// Lowest value.
        low: f64,
        /// Highest value.
        high: f64,
        /// It clicks in steps of this much; continuous without.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        step: Option<f64>,
    },
    /// A switch with these positions, ascending.
    Positions(Vec<f64>),
}

impl Scale {
    /// Lowest and highest value.
    pub fn ends(&self) -> (f64, f64) {
        match self {
            Self::Range { low, high, .. } => (*low, *high),
            Self::Positions(positions) => {
                (positions.first().copied().unwrap_or(0.0), positions.last().copied().unwrap_or(0.0))
            }
        }
    }

    /// The nearest value on it.
    pub fn nearest(&self, value: f64) -> f64 {
        match self {
            Self::Range { low, high, step: None } => value.clamp(*low, *high),
            Self::Range { low, high, step: Some(step) } => {
                (low + ((value - low) / step).round() * step).clamp(*low, *high)
            }
            Self::Positions(positions) => {
                let nearest = positions.iter().min_by(|a, b| (**a - value).abs().total_cmp(&(**b - value).abs()));
                nearest.copied().unwrap_or(value)
            }
        }
    }

    /// What is wrong with it, if anything.
    ///
    /// # Errors
    /// In words: what, and what to do.
    pub(super) fn check(&self) -> Result<(), String> {
        match self {
            Self::Range { low, high, step } => {
                if !(low.is_finite() && high.is_finite() && low < high) {
                    return Err(format!("a range goes from low to high: {low} to {high} does not"));
                }
                if step.is_some_and(|step| !(step > 0.0 && step <= high - low)) {
                    return Err("a step is larger than nothing and not larger than the range".into());
                }
            }
            Self::Positions(positions) => {
                let ascending = positions.windows(2).all(|pair| pair[0] < pair[1]);
                if positions.len() < 2 || !ascending || !positions.iter().all(|position| position.is_finite()) {
                    return Err("a switch has at least two positions, in ascending order".into());
                }
            }
        }
        Ok(())
    }
}
