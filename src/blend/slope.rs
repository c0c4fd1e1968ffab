//! How steep the filters of a system are, where somebody states it; and what is taken where nobody does.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::acoustics::crossover::{Alignment, EvenOrder, Order};

/// Steepness of a filter: 6 dB an octave for each order, 6 to 48.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "u8")]
pub struct Slope(Order);

impl Slope {
    /// Where nobody states it (*common practice*): closed main speakers, and the high-pass of a processor.
    pub const USUAL_HIGH_PASS: Self = Self(Order::SECOND);
    /// Where nobody states it (*common practice*): low-passes of processor and subwoofer.
    pub const USUAL_LOW_PASS: Self = Self(Order::FOURTH);

    /// Orders, 6 dB an octave each.
    pub fn order(self) -> u8 {
        self.0.into()
    }

    /// What such a filter usually is: Linkwitz-Riley from the fourth order on where there is one, otherwise Butterworth
    /// (*common practice*).
    pub fn alignment(self) -> Alignment {
        match EvenOrder::try_from(self.order()) {
            Ok(order) if self.order() >= 4 => Alignment::LinkwitzRiley(order),
            _ => Alignment::Butterworth(self.0),
        }
    }
}

impl TryFrom<f64> for Slope {
    type Error = String;

    /// From dB an octave.
    fn try_from(db_per_octave: f64) -> Result<Self, String> {
        (1..=8_u8)
            .find(|&order| f64::from(order) * 6.0 == db_per_octave)
            .and_then(|order| Order::try_from(order).ok())
            .map(Self)
            .ok_or_else(|| {
                format!(
                    "a slope is 6, 12, 18, 24, 30, 36, 42 or 48 dB an octave, not {db_per_octave}; leave it out where it is not known"
                )
            })
    }
}

impl From<Slope> for u8 {
    /// dB an octave.
    fn from(slope: Slope) -> Self {
        6 * slope.order()
    }
}

/// '24 dB an octave'.
impl fmt::Display for Slope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} dB an octave", u8::from(*self))
    }
}

/// What is stated of a control's filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slopes {
    /// Of the subwoofer's low-pass.
    #[serde(default, rename = "low_pass_db_per_octave", skip_serializing_if = "Option::is_none")]
    pub low_pass: Option<Slope>,
    /// Of the main speakers' high-pass.
    #[serde(default, rename = "high_pass_db_per_octave", skip_serializing_if = "Option::is_none")]
    pub high_pass: Option<Slope>,
}

impl Slopes {
    /// Nothing is stated.
    pub fn is_unstated(&self) -> bool {
        *self == Self::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_is_a_whole_number_of_orders() {
        for order in 1..=8_u8 {
            let slope = Slope::try_from(6.0 * f64::from(order)).unwrap();
            assert_eq!((slope.order(), u8::from(slope)), (order, 6 * order));
            let as_written = serde_json::to_string(&slope).unwrap();
            assert_eq!(as_written, format!("{}", 6 * order));
            assert_eq!(serde_json::from_str::<Slope>(&as_written).unwrap(), slope);
        }
        for wrong in [0.0, 3.0, 20.0, 54.0, -12.0, f64::NAN, f64::INFINITY] {
            assert!(Slope::try_from(wrong).unwrap_err().contains("24, 30"), "{wrong}");
        }
    }

    #[test]
    fn what_nobody_states_is_second_order_butterworth_and_fourth_order_linkwitz_riley() {
        assert_eq!(Slope::USUAL_HIGH_PASS.alignment(), Alignment::Butterworth(Order::SECOND));
        assert_eq!(
            Slope::USUAL_LOW_PASS.alignment(),
            Alignment::LinkwitzRiley(EvenOrder::try_from(4).expect("there is one"))
        );
        // There is no Linkwitz-Riley filter of an odd order, nor of the sixth here.
        let sixth = Slope::try_from(36.0).unwrap();
        assert!(matches!(sixth.alignment(), Alignment::Butterworth(order) if u8::from(order) == 6));
    }
}
