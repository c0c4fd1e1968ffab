//! Octave and fractional-octave bands.
//!
//! Source: IEC 61260-1:2014, 5.2 (octave ratio), 5.3 (reference frequency), 5.4 (exact mid-band frequencies),
//! 5.5 and 5.6 (band edges), 5.10 and table 1 (limits of class 1). Clause numbers from memory; the figures are checked
//! against published tables.

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

    /// The number of the band of the standard's series whose middle is nearest to a frequency in the logarithm; for a
    /// frequency that is not above zero, some band or other.
    pub fn nearest(frequency_hz: f64, width: Width) -> i32 {
        let designator = f64::from(width.bands_per_octave());
        let bands_up = designator * libm::log10(frequency_hz / REFERENCE_HZ) / 0.3;
        let place = if width.bands_per_octave() % 2 == 1 { bands_up } else { bands_up - 0.5 };
        place.round() as i32
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

/// What class 1 allows a filter for octaves to take away, dB: at the middle times G to this power, at least and at
/// most.
///
/// Source: IEC 61260-1:2014, table 1. At the edge, G^(1/2), the limits jump; see [`class_1_limits_db`].
const CLASS_1_DB: [(f64, f64, f64); 9] = [
    (0.0, -0.4, 0.4),
    (0.125, -0.4, 0.5),
    (0.25, -0.4, 0.7),
    (0.375, -0.4, 1.4),
    (0.5, -0.4, 5.3),
    (1.0, 16.6, f64::INFINITY),
    (2.0, 40.5, f64::INFINITY),
    (3.0, 60.0, f64::INFINITY),
    (4.0, 70.0, f64::INFINITY),
];

/// The least that class 1 wants taken away at the band's edge and just outside, dB.
const CLASS_1_EDGE_DB: f64 = 1.2;

/// How much of a frequency a class 1 filter for bands of this width may, and must, take away: the least and the most
/// attenuation relative to that at the middle, dB. `ratio` is the frequency over the middle of the band.
///
/// Inside the band between the two edges; at and outside the edges the most is infinite. Between the frequencies of the
/// table the limits are interpolated along the logarithm of the frequency.
///
/// Source: IEC 61260-1:2014, 5.10 and table 1; for narrower bands the frequencies move inwards by the formula given
/// there, Ω = 1 + (G^(1/2b) - 1)/(G^(1/2) - 1)·(Ω_octave - 1), mirrored below the middle.
pub fn class_1_limits_db(ratio: f64, width: Width) -> (f64, f64) {
    let ratio = ratio.max(ratio.recip());
    let edge = width.edge_ratio();
    // The edge moves to the edge exactly; rounding must not put it on the wrong side.
    if ratio == edge {
        return (CLASS_1_EDGE_DB, f64::INFINITY);
    }
    let narrowing = (edge - 1.0) / (octave_power(0.5) - 1.0);
    let place = |exponent: f64| libm::log(1.0 + narrowing * (octave_power(exponent) - 1.0));
    let at = libm::log(ratio);
    let mut below = (place(0.0), CLASS_1_DB[0].1, CLASS_1_DB[0].2);
    for (exponent, least, most) in CLASS_1_DB {
        let above = (place(exponent), least, most);
        if at < above.0 {
            let share = (at - below.0) / (above.0 - below.0);
            let between = |from: f64, to: f64| from + share * (to - from);
            let most = if above.2.is_finite() { between(below.2, above.2) } else { f64::INFINITY };
            return (between(below.1, above.1), most);
        }
        below = if exponent == 0.5 { (above.0, CLASS_1_EDGE_DB, f64::INFINITY) } else { above };
    }
    (below.1, below.2)
}

/// From this ratio to the middle of a band on, class 1 wants 60 dB or more taken away; the same below, upside down.
pub fn class_1_sixty_db_ratio(width: Width) -> f64 {
    1.0 + (width.edge_ratio() - 1.0) / (octave_power(0.5) - 1.0) * (octave_power(3.0) - 1.0)
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
    fn the_nearest_band_is_the_one_that_holds_the_frequency() {
        for width in Width::ALL {
            for hz in [16.3, 25.0, 40.0, 63.0, 99.9, 1000.1] {
                assert!(Band::numbered(Band::nearest(hz, width), width).contains(hz), "{hz} {width}");
            }
        }
        assert_eq!(Band::nearest(0.0, Width::Third), i32::MIN);
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
    fn the_limits_of_class_1_lie_where_the_standard_has_them() {
        // Breakpoints above and below the middle as published for 1/1, 1/3, 1/6 and 1/12 octave, with table 1's limits.
        for (limits, ratios) in [
            ((-0.4, 0.5), [1.090184, 1.026674, 1.012953, 1.006384]),
            ((-0.4, 0.7), [1.188502, 1.055754, 1.027075, 1.013343]),
            ((-0.4, 1.4), [1.295687, 1.087457, 1.042470, 1.020930]),
            ((16.6, f64::INFINITY), [1.995262, 1.294374, 1.142952, 1.070447]),
            ((40.5, f64::INFINITY), [3.981072, 1.881728, 1.428178, 1.211008]),
            ((60.0, f64::INFINITY), [7.943282, 3.053652, 1.997280, 1.491464]),
            ((70.0, f64::INFINITY), [15.848932, 5.391949, 3.132787, 2.051048]),
        ] {
            for (width, ratio) in Width::ALL.into_iter().zip(ratios) {
                for ratio in [ratio, 1.0 / ratio] {
                    let (least, most) = class_1_limits_db(ratio, width);
                    // The printed ratios have six decimals, and the steepest limit falls by 150 dB for each e-fold.
                    assert!((least - limits.0).abs() < 2e-3, "{width} at {ratio}: {least}");
                    assert!(most == limits.1 || (most - limits.1).abs() < 2e-3, "{width} at {ratio}: {most}");
                }
            }
        }
        let lower = [0.125893, 0.327477, 0.500681, 0.670482];
        for (width, ratio) in Width::ALL.into_iter().zip(lower) {
            close(1.0 / class_1_sixty_db_ratio(width), ratio, 5e-6);
        }
    }

    #[test]
    fn at_the_edge_the_limits_jump_and_elsewhere_they_are_straight_lines() {
        for width in Width::ALL {
            let edge = width.edge_ratio();
            assert_eq!(class_1_limits_db(1.0, width), (-0.4, 0.4));
            assert_eq!(class_1_limits_db(edge, width), (1.2, f64::INFINITY));
            let (least, most) = class_1_limits_db(edge * (1.0 - 1e-9), width);
            assert!((least + 0.4).abs() < 1e-9 && (most - 5.3).abs() < 1e-5);
            let (least, most) = class_1_limits_db(edge * (1.0 + 1e-9), width);
            assert!((least - 1.2).abs() < 1e-5 && most == f64::INFINITY);
            assert_eq!(class_1_limits_db(1e6, width), (70.0, f64::INFINITY));
        }
        // Half way in the logarithm between G^(1/8) and G^(1/4), and between G and G²: the means of their limits.
        let (least, most) = class_1_limits_db(libm::exp10(0.3 * 0.1875), Width::Whole);
        assert!((least + 0.4).abs() < 1e-12 && (most - 0.6).abs() < 1e-12);
        assert!((class_1_limits_db(libm::exp10(-0.45), Width::Whole).0 - 28.55).abs() < 1e-12);
    }

    #[test]
    fn widths_are_written_as_fractions() {
        assert_eq!("1/3".parse(), Ok(Width::Third));
        assert_eq!(Width::Twelfth.to_string(), "1/12");
        assert!("1/5".parse::<Width>().unwrap_err().contains("\"1/5\""));
    }
}
