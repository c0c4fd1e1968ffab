//! One control of the subwoofer or the processor: what it does, how it is marked, where it stands.

mod marking;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::acoustics::air;
use crate::blend::slope::{Slope, Slopes};
pub use marking::{Scale, Unit};

/// What a control does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Up to which frequency the subwoofer plays.
    LowPass,
    /// From which frequency on the main speakers play (processor).
    HighPass,
    /// Low-pass and high-pass by one setting (processor).
    Crossover,
    /// How loud the subwoofer is.
    Level,
    /// By how much the subwoofer's phase is turned at the crossover; in degrees.
    Phase,
    /// Which way the cone moves first: 0 as it is, 180 turned over.
    Polarity,
    /// A boost or cut around one low frequency.
    Contour,
    /// How late the subwoofer is made, in time.
    Delay,
    /// How far away the processor takes the subwoofer to be: farther makes it earlier against the main speakers.
    Distance,
}

impl Role {
    /// All roles, in the order in which controls are asked about.
    pub const ALL: [Self; 9] = [
        Self::LowPass,
        Self::Level,
        Self::Phase,
        Self::Polarity,
        Self::Contour,
        Self::Crossover,
        Self::HighPass,
        Self::Distance,
        Self::Delay,
    ];

    /// The trade's word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::LowPass => "low-pass",
            Self::HighPass => "high-pass",
            Self::Crossover => "crossover",
            Self::Level => "level",
            Self::Phase => "phase",
            Self::Polarity => "polarity",
            Self::Contour => "contour",
            Self::Delay => "delay",
            Self::Distance => "distance",
        }
    }

    /// The units in which such a control can be marked.
    pub const fn units(self) -> &'static [Unit] {
        match self {
            Self::LowPass | Self::HighPass | Self::Crossover => &[Unit::Hertz, Unit::Percent],
            Self::Level => &[Unit::Decibel, Unit::Percent],
            Self::Phase | Self::Polarity => &[Unit::Degree],
            Self::Contour => &[Unit::Decibel],
            Self::Delay => &[Unit::Millisecond],
            Self::Distance => &[Unit::Metre, Unit::Foot],
        }
    }

    /// Whether turning it up can make the sound louder by itself. Phase, polarity and time can as well, by lifting a
    /// cancellation; [`Control::can_still_add_db`] counts that.
    pub const fn is_loudness(self) -> bool {
        matches!(self, Self::Level | Self::Contour | Self::LowPass | Self::Crossover)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The box that a control is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Device {
    /// On the subwoofer itself.
    #[default]
    Subwoofer,
    /// In the processor, receiver or player.
    Processor,
}

impl Device {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Subwoofer => "subwoofer",
            Self::Processor => "processor",
        }
    }
}

/// One control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Control {
    /// What it does.
    pub role: Role,
    /// Which box it is on.
    #[serde(default)]
    pub on: Device,
    /// What is printed beside it; the role's word if nothing is.
    pub name: String,
    /// In what it is marked.
    pub unit: Unit,
    /// Its range or positions.
    pub scale: Scale,
    /// Where it is put at the beginning; the trade's way if nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start: Option<f64>,
    /// Where it stands now, as far as it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub now: Option<f64>,
    /// How steep its filters are, as far as that is stated.
    #[serde(default, skip_serializing_if = "Slopes::is_unstated")]
    pub slopes: Slopes,
}

/// A level knob without figures is taken to add at most this much from one end to the other (*common practice*).
const TRAVEL_DB: f64 = 40.0;
/// Opening a low-pass, or lifting a cancellation, adds at most this much to a band that was heard before (*common
/// practice*; two equal signals in phase are 6 dB over one of them, and the rest is for what was cancelled).
const UNCOVERED_DB: f64 = 12.0;
impl Control {
    /// Lowest and highest value.
    pub fn ends(&self) -> (f64, f64) {
        self.scale.ends()
    }

    /// Whether the control can stand at a value exactly.
    pub fn has(&self, value: f64) -> bool {
        (self.nearest(value) - value).abs() < 1e-6 * value.abs().max(1.0)
    }

    /// The nearest value at which the control can stand.
    pub fn nearest(&self, value: f64) -> f64 {
        self.scale.nearest(value)
    }

    /// Whether equal steps are equal ratios: frequencies.
    pub fn is_ratio(&self) -> bool {
        self.unit == Unit::Hertz
    }

    /// By how much the sound can still become louder, dB, if the control is turned from `value` to its end, whatever it
    /// does. The tone is lowered by that before anybody turns.
    pub fn can_still_add_db(&self, value: f64) -> f64 {
        let (low, high) = self.ends();
        let left = (high - value).max(0.0);
        match (self.role, self.unit) {
            (Role::Level | Role::Contour, Unit::Decibel) => left,
            (Role::Level, _) => TRAVEL_DB * left / (high - low).max(f64::MIN_POSITIVE),
            _ => UNCOVERED_DB,
        }
    }

    /// What the control's value means as a delay of the subwoofer against zero on its scale, seconds: a distance makes
    /// it earlier. `None` for a control that is not about time.
    pub fn as_delay_s(&self, value: f64) -> Option<f64> {
        let metres = match (self.role, self.unit) {
            (Role::Delay, Unit::Millisecond) => return Some(value * 1e-3),
            (Role::Distance, Unit::Metre) => value,
            (Role::Distance, Unit::Foot) => value * air::FOOT_M,
            _ => return None,
        };
        Some(-metres / air::SPEED_AT_20_C_M_PER_S)
    }

    /// The value that makes the subwoofer later by `later_s` than at `value`, not held to the control's range.
    pub fn later_by(&self, value: f64, later_s: f64) -> Option<f64> {
        let metres = later_s * air::SPEED_AT_20_C_M_PER_S;
        Some(match (self.role, self.unit) {
            (Role::Delay, Unit::Millisecond) => value + later_s * 1e3,
            (Role::Distance, Unit::Metre) => value - metres,
            (Role::Distance, Unit::Foot) => value - metres / air::FOOT_M,
            _ => return None,
        })
    }

    /// A value as it is said: '80 Hz', 'inverted', '14 ft'.
    pub fn say(&self, value: f64) -> String {
        if self.role == Role::Polarity {
            return if value == 0.0 { "normal".into() } else { "inverted".into() };
        }
        let digits = match self.unit {
            Unit::Metre => 2,
            Unit::Decibel | Unit::Millisecond | Unit::Foot => 1,
            _ => 0,
        };
        let mut number = format!("{value:.digits$}");
        if number.contains('.') {
            number.truncate(number.trim_end_matches('0').trim_end_matches('.').len());
        }
        if number == "-0" {
            number = "0".into();
        }
        format!("{number} {}", self.unit.word())
    }

    /// What the person looks for: the name, and the box if it is not the subwoofer's.
    pub fn label(&self) -> String {
        match self.on {
            Device::Subwoofer => self.name.clone(),
            Device::Processor => format!("{} (processor)", self.name),
        }
    }

    /// Whether it divides, and lets the subwoofer play up to there.
    pub const fn is_low_pass(&self) -> bool {
        matches!(self.role, Role::LowPass | Role::Crossover)
    }

    /// Whether it divides, and lets the main speakers play from there on.
    pub const fn is_high_pass(&self) -> bool {
        matches!(self.role, Role::HighPass | Role::Crossover)
    }

    /// Slope of its low-pass: as stated, or the usual one.
    pub fn low_pass_slope(&self) -> Slope {
        self.slopes.low_pass.unwrap_or(Slope::USUAL_LOW_PASS)
    }

    /// Slope of its high-pass: as stated, or the usual one.
    pub fn high_pass_slope(&self) -> Slope {
        self.slopes.high_pass.unwrap_or(Slope::USUAL_HIGH_PASS)
    }

    /// What is stated of its slopes, in words: 'low-pass 24 dB an octave'.
    pub fn stated_slopes(&self) -> Vec<String> {
        let said = |which: &str, slope: Option<Slope>| slope.map(|slope| format!("{which} {slope}"));
        said("low-pass", self.slopes.low_pass).into_iter().chain(said("high-pass", self.slopes.high_pass)).collect()
    }

    /// What is wrong with it, if anything.
    ///
    /// # Errors
    /// In words: what, and what to do.
    pub fn check(&self) -> Result<(), String> {
        if !self.role.units().contains(&self.unit) {
            let known: Vec<&str> = self.role.units().iter().map(|unit| unit.word()).collect();
            return Err(format!("a {} is marked in {}, not in {}", self.role, known.join(" or "), self.unit.word()));
        }
        if self.role == Role::Polarity && self.scale != Scale::Positions(vec![0.0, 180.0]) {
            return Err(
                "a polarity switch has the positions 0 (normal) and 180 (inverted): positions = [0, 180]".into()
            );
        }
        let (low, high) = self.ends();
        self.scale.check()?;
        for (stated, has, which, key) in [
            (self.slopes.low_pass, self.is_low_pass(), "low-pass", "low_pass_slope_db_per_octave"),
            (self.slopes.high_pass, self.is_high_pass(), "high-pass", "high_pass_slope_db_per_octave"),
        ] {
            if stated.is_some() && !has {
                let role = self.role;
                return Err(format!("a {role} control has no {which}; move {key} to a {which} or a crossover"));
            }
        }
        if self.is_ratio() && low <= 0.0 {
            return Err(format!("a frequency is above 0 Hz; the scale begins at {low}"));
        }
        for (what, value) in [("start", self.start), ("now", self.now)] {
            if let Some(value) = value.filter(|value| !(low..=high).contains(value)) {
                return Err(format!(
                    "{what} = {value} is outside the scale of {}, which goes from {low} to {high} {}",
                    self.name,
                    self.unit.word()
                ));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn control(role: Role, unit: Unit, scale: Scale) -> Control {
        Control {
            role,
            on: Device::Subwoofer,
            name: role.word().into(),
            unit,
            scale,
            start: None,
            now: None,
            slopes: Slopes::default(),
        }
    }

    fn range(low: f64, high: f64, step: Option<f64>) -> Scale {
        Scale::Range { low, high, step }
    }

    #[test]
    fn values_are_where_the_control_can_stand() {
        let level = control(Role::Level, Unit::Decibel, range(-12.0, 6.0, Some(0.5)));
        assert_eq!(level.nearest(-3.3), -3.5);
        assert_eq!(level.nearest(40.0), 6.0);
        assert!(level.has(-11.5) && !level.has(-11.3));
        let switch = control(Role::Phase, Unit::Degree, Scale::Positions(vec![0.0, 180.0]));
        assert_eq!(switch.nearest(120.0), 180.0);
    }

    #[test]
    fn what_it_can_still_add_is_what_is_left_of_its_range() {
        let level = control(Role::Level, Unit::Decibel, range(-12.0, 6.0, None));
        assert_eq!(level.can_still_add_db(-2.0), 8.0);
        let knob = control(Role::Level, Unit::Percent, range(0.0, 100.0, None));
        assert_eq!(knob.can_still_add_db(45.0), 22.0);
        assert_eq!(knob.can_still_add_db(100.0), 0.0);
    }

    #[test]
    fn distances_are_delays_the_other_way_round() {
        // 14 ft at 343.2 m/s are 12.433566434 ms.
        let distance = control(Role::Distance, Unit::Foot, range(0.0, 60.0, Some(0.5)));
        assert!((distance.as_delay_s(14.0).unwrap() + 12.433_566_434e-3).abs() < 1e-12);
        assert!((distance.later_by(20.0, -12.433_566_434e-3).unwrap() - 34.0).abs() < 1e-8);
        let delay = control(Role::Delay, Unit::Millisecond, range(0.0, 20.0, None));
        assert_eq!(delay.later_by(3.0, 2e-3), Some(5.0));
        assert_eq!(control(Role::Phase, Unit::Degree, range(0.0, 180.0, None)).as_delay_s(90.0), None);
    }

    #[test]
    fn values_are_said_as_they_are_marked() {
        assert_eq!(control(Role::LowPass, Unit::Hertz, range(40.0, 160.0, None)).say(80.4), "80 Hz");
        assert_eq!(control(Role::Polarity, Unit::Degree, Scale::Positions(vec![0.0, 180.0])).say(180.0), "inverted");
        assert_eq!(control(Role::Distance, Unit::Foot, range(0.0, 60.0, None)).say(14.0), "14 ft");
        assert_eq!(control(Role::Level, Unit::Decibel, range(-12.0, 6.0, None)).say(-3.5), "-3.5 dB");
        assert_eq!(control(Role::Level, Unit::Percent, range(0.0, 100.0, None)).say(40.0), "40 % of travel");
    }

    #[test]
    fn wrong_scales_say_what_would_be_right() {
        let wrong = control(Role::Phase, Unit::Hertz, range(0.0, 180.0, None)).check().unwrap_err();
        assert_eq!(wrong, "a phase is marked in degrees, not in Hz");
        assert!(control(Role::Level, Unit::Percent, range(50.0, 50.0, None)).check().is_err());
        assert!(control(Role::Phase, Unit::Degree, Scale::Positions(vec![180.0, 0.0])).check().is_err());
        assert!(control(Role::Polarity, Unit::Degree, range(0.0, 180.0, None)).check().is_err());
        let mut level = control(Role::Level, Unit::Decibel, range(-12.0, 6.0, None));
        level.now = Some(9.0);
        assert_eq!(level.check().unwrap_err(), "now = 9 is outside the scale of level, which goes from -12 to 6 dB");
        assert_eq!(control(Role::LowPass, Unit::Hertz, range(40.0, 160.0, None)).check(), Ok(()));
    }
}
