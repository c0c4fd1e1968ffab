//! Frequency weightings of sound level meters: A, C and Z.
//!
//! Source: IEC 61672-1:2013, 5.5 and Annex E (analytical expressions). Table 3 of the standard holds the same curves at
//! exact third-octave frequencies, rounded to 0.1 dB.

use serde::{Deserialize, Serialize};

/// How a meter weights frequencies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weighting {
    /// Falls steeply below 500 Hz: it hides bass.
    A,
    /// Nearly flat in the bass: -3 dB at 31.6 Hz.
    C,
    /// Flat.
    Z,
}

/// The poles of both curves in hertz, IEC 61672-1:2013, Annex E.
const POLES_HZ: [f64; 4] = [20.598_997, 107.652_649, 737.862_231, 12_194.217_148];

/// The values of the unnormalised curves at 1 kHz, dB; the standard prints -2.000 and -0.062.
const A_AT_1_KHZ_DB: f64 = -1.999_655_535_7;
const C_AT_1_KHZ_DB: f64 = -0.061_901_856_7;

impl Weighting {
    /// What the weighting adds to the level of a tone, dB. 0 at 1 kHz. `frequency_hz` must be positive.
    ///
    /// # Example
    /// ```
    /// use evenbass::acoustics::weightings::Weighting;
    /// assert!((Weighting::A.db(100.0) + 19.1428).abs() < 1e-4);
    /// ```
    pub fn db(self, frequency_hz: f64) -> f64 {
        let square = frequency_hz * frequency_hz;
        let [f1, f2, f3, f4] = POLES_HZ.map(|pole| pole * pole);
        let ends = f4 * square / ((square + f1) * (square + f4));
        match self {
            Self::A => {
                let middle = square / libm::sqrt((square + f2) * (square + f3));
                20.0 * libm::log10(ends * middle) - A_AT_1_KHZ_DB
            }
            Self::C => 20.0 * libm::log10(ends) - C_AT_1_KHZ_DB,
            Self::Z => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curves_are_the_standards() {
        // IEC 61672-1:2013, Table 3, one decimal; at the exact frequency 1000·10^(0.1·n).
        for (n, a, c) in [
            (-20, -70.4, -14.3),
            (-18, -56.7, -8.5),
            (-17, -50.5, -6.2),
            (-16, -44.7, -4.4),
            (-15, -39.4, -3.0),
            (-14, -34.6, -2.0),
            (-13, -30.2, -1.3),
            (-12, -26.2, -0.8),
            (-11, -22.5, -0.5),
            (-10, -19.1, -0.3),
            (-9, -16.1, -0.2),
            (-8, -13.4, -0.1),
            (-7, -10.9, 0.0),
            (0, 0.0, 0.0),
        ] {
            let hz = 1000.0 * 10_f64.powf(0.1 * f64::from(n));
            assert!((Weighting::A.db(hz) - a).abs() < 0.0501, "A at {hz} Hz");
            assert!((Weighting::C.db(hz) - c).abs() < 0.0501, "C at {hz} Hz");
            assert_eq!(Weighting::Z.db(hz), 0.0);
        }
    }

    #[test]
    fn the_curves_equal_the_analogue_filter() {
        // scipy.signal.freqs_zpk with four zeros at 0 and the standard's poles, relative to 1 kHz.
        for (hz, a) in [(20.0, -50.3904), (50.0, -30.2716), (100.0, -19.1428)] {
            assert!((Weighting::A.db(hz) - a).abs() < 1e-4);
        }
        for (hz, c) in [(20.0, -6.2188), (40.0, -1.9814), (80.0, -0.4961)] {
            assert!((Weighting::C.db(hz) - c).abs() < 1e-4);
        }
        // The printed poles have six decimals.
        assert!(Weighting::A.db(1000.0).abs() < 1e-6 && Weighting::C.db(1000.0).abs() < 1e-6);
    }
}
