//! Octave and fractional-octave bands.
//!
//! Source: IEC 61260-1:2014, 5.2 (octave ratio), 5.3 (reference frequency), 5.4 (exact mid-band frequencies),
//! 5.5 and 5.6 (band edges). Clause numbers from memory; the figures are checked against published tables.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// The octave ratio, 10^(3/10).
pub const OCTAVE_RATIO: f64 = 1.995_262_314_968_879_5;

/// The reference frequency of the band series, hertz.
pub const REFERENCE_HZ: f64 = 1000.0;

/// The width of a band as a fraction of an octave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Width {
    /// 1/1 octave.
    Whole,
    /// 1/3 octave.
    #[default]
    Third,
    /// 1/6 octave.
    Sixth,
    /// 1/12 octave.
    Twelfth,
}

impl Width {
    /// All widths, widest first.
    pub const ALL: [Self; 4] = [Self::Whole, Self::Third, Self::Sixth, Self::Twelfth];

    /// The bandwidth designator: 1, 3, 6 or 12 bands an octave.
    pub const fn bands_per_octave(self) -> u32 {
        match self {
            Self::Whole => 1,
            Self::Third => 3,
            Self::Sixth => 6,
            Self::Twelfth => 12,
        }
    }

    /// The ratio of a band's upper edge to its middle: G^(1/2b).
    pub fn edge_ratio(self) -> f64 {
        octave_power(0.5 / f64::from(self.bands_per_octave()))
    }
}

impl fmt::Display for Width {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "1/{}", self.bands_per_octave())
    }
}

impl FromStr for Width {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Self::ALL
            .into_iter()
            .find(|width| width.to_string() == text)
            .ok_or_else(|| format!("a band is \"1/1\", \"1/3\", \"1/6\" or \"1/12\" of an octave, not \"{text}\""))
    }
}

impl TryFrom<String> for Width {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl From<Width> for String {
    fn from(width: Width) -> Self {
        width.to_string()
    }
}

/// One band: its edges and its middle, in hertz. The middle is the geometric mean of the edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge.
    pub lower_hz: f64,
    /// Middle.
    pub middle_hz: f64,
    /// Upper edge.
    pub upper_hz: f64,
}

impl Band {
    /// The band of this width around any frequency, whether or not it belongs to the standard's series.
    pub fn around(middle_hz: f64, width: Width) -> Self {
        let ratio = width.edge_ratio();
        Self { lower_hz: middle_hz / ratio, middle_hz, upper_hz: middle_hz * ratio }
    }

    /// Band number `index` of the standard's series; band 0 of an odd width is centred on 1 kHz, and of an even
    /// width it begins there.
    pub fn numbered(index: i32, width: Width) -> Self {
        let designator = width.bands_per_octave();
        let exponent = if designator % 2 == 1 {
            f64::from(index) / f64::from(designator)
        } else {
            f64::from(2 * index + 1) / f64::from(2 * designator)
        };
        Self::around(REFERENCE_HZ * octave_power(exponent), width)
    }

    /// How wide the band is, in hertz.
    pub fn width_hz(self) -> f64 {
        self.upper_hz - self.lower_hz
    }

    /// Whether the band holds a frequency, edges included.
    pub fn contains(self, frequency_hz: f64) -> bool {
        (self.lower_hz..=self.upper_hz).contains(&frequency_hz)
    }
}

/// G to the power of `exponent`, as a power of ten: G is 10^0.3 exactly.
fn octave_power(exponent: f64) -> f64 {
    libm::exp10(0.3 * exponent)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() < relative, "{found} is not {expected}");
    }

    #[test]
    fn bands_have_the_standards_edges() {
        // IEC 61260-1:2014, mid-band and edge formulas, printed to six decimals (index, width, middle, lower, upper).
        for (index, width, middle, lower, upper) in [
            (-6, Width::Whole, 15.848932, 11.220185, 22.387211),
            (-4, Width::Whole, 63.095734, 44.668359, 89.125094),
            (-16, Width::Third, 25.118864, 22.387211, 28.183829),
            (-14, Width::Third, 39.810717, 35.481339, 44.668359),
            (-10, Width::Third, 100.000000, 89.125094, 112.201845),
            (-36, Width::Sixth, 16.788040, 15.848932, 17.782794),
            (-20, Width::Sixth, 105.925373, 100.000000, 112.201845),
            (-72, Width::Twelfth, 16.311729, 15.848932, 16.788040),
            (-40, Width::Twelfth, 102.920053, 100.000000, 105.925373),
        ] {
            let band = Band::numbered(index, width);
            close(band.middle_hz, middle, 5e-8);
            close(band.lower_hz, lower, 5e-8);
            close(band.upper_hz, upper, 5e-8);
        }
    }

    #[test]
    fn bands_tile_without_gaps() {
        for width in Width::ALL {
            for index in -80..20 {
                let band = Band::numbered(index, width);
                close(band.upper_hz, Band::numbered(index + 1, width).lower_hz, 1e-12);
                close(band.lower_hz * band.upper_hz, band.middle_hz * band.middle_hz, 1e-12);
            }
        }
        // Two sixths, and four twelfths, make one third.
        let third = Band::numbered(-14, Width::Third);
        close(Band::numbered(-29, Width::Sixth).lower_hz, third.lower_hz, 1e-12);
        close(Band::numbered(-28, Width::Sixth).upper_hz, third.upper_hz, 1e-12);
        close(Band::numbered(-58, Width::Twelfth).lower_hz, third.lower_hz, 1e-12);
        close(Band::numbered(-55, Width::Twelfth).upper_hz, third.upper_hz, 1e-12);
    }

    #[test]
    fn relative_widths_follow_from_the_octave_ratio() {
        // G^(1/2b) - G^(-1/2b), computed independently.
        for (width, relative) in [
            (Width::Whole, 0.704_591_760_2),
            (Width::Third, 0.230_767_516_2),
            (Width::Sixth, 0.115_192_848_9),
            (Width::Twelfth, 0.057_572_575_6),
        ] {
            close(Band::around(50.0, width).width_hz() / 50.0, relative, 1e-9);
        }
    }

    #[test]
    fn widths_are_written_as_fractions() {
        assert_eq!("1/3".parse(), Ok(Width::Third));
        assert_eq!(Width::Twelfth.to_string(), "1/12");
        assert!("1/5".parse::<Width>().unwrap_err().contains("\"1/5\""));
    }
}
