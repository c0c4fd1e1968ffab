//! How loud a tone is: equal-loudness-level contours.
//!
//! Source: ISO 226:2023, 4.1 formula (1), 4.2 formula (2), Table 1. The contours hold for pure tones in a free field,
//! heard with both ears from the front by young adults; between 20 and 80 phon they are fully specified (the limit of
//! validity is from memory), outside it they are informative.
//!
//! **Between the standard's frequencies** the three parameters are interpolated linearly over the logarithm of
//! frequency, and the formulas are then used with the interpolated parameters. Interpolating parameters instead of
//! levels keeps both formulas exact inverses of each other at every frequency and every loudness, and keeps the
//! contours ordered; a straight line suffices because neighbouring parameters are a third of an octave apart and change
//! smoothly below 500 Hz. Leaving out every other tabulated frequency from 25 to 200 Hz and interpolating over the gaps
//! of two thirds of an octave misses the contour by less than 0.6 dB; over the real gaps, half as wide, the error of a
//! linear interpolation is about a quarter of that.

use crate::units::DbSpl;

/// Frequency in hertz, exponent of loudness perception, magnitude of the linear transfer function at that frequency
/// relative to 1 kHz in dB, and threshold of hearing in dB. Source: ISO 226:2023, Table 1.
const TABLE: [(f64, f64, f64, f64); 29] = [
    (20.0, 0.635, -31.5, 78.1),
    (25.0, 0.602, -27.2, 68.7),
    (31.5, 0.569, -23.1, 59.5),
    (40.0, 0.537, -19.3, 51.1),
    (50.0, 0.509, -16.1, 44.0),
    (63.0, 0.482, -13.1, 37.5),
    (80.0, 0.456, -10.4, 31.5),
    (100.0, 0.433, -8.2, 26.5),
    (125.0, 0.412, -6.3, 22.1),
    (160.0, 0.391, -4.6, 17.9),
    (200.0, 0.373, -3.2, 14.4),
    (250.0, 0.357, -2.1, 11.4),
    (315.0, 0.343, -1.2, 8.6),
    (400.0, 0.330, -0.5, 6.2),
    (500.0, 0.320, 0.0, 4.4),
    (630.0, 0.311, 0.4, 3.0),
    (800.0, 0.303, 0.5, 2.2),
    (1000.0, 0.300, 0.0, 2.4),
    (1250.0, 0.295, -2.7, 3.5),
    (1600.0, 0.292, -4.2, 1.7),
    (2000.0, 0.290, -1.2, -1.3),
    (2500.0, 0.290, 1.4, -4.2),
    (3150.0, 0.289, 2.3, -6.0),
    (4000.0, 0.289, 1.0, -5.4),
    (5000.0, 0.289, -2.3, -1.5),
    (6300.0, 0.293, -7.2, 6.0),
    (8000.0, 0.303, -11.2, 12.6),
    (10000.0, 0.323, -10.9, 13.9),
    (12500.0, 0.354, -3.5, 12.3),
];

/// Exponent at 1 kHz, ISO 226:2023, formula (1).
const EXPONENT_AT_1_KHZ: f64 = 0.3;

/// Threshold at 1 kHz in phon, ISO 226:2023, formula (1): 10^0.072 = 10^(0.03 · 2.4).
const THRESHOLD_TERM: f64 = 0.072;

/// The standard's three parameters at one frequency.
struct Parameters {
    exponent: f64,
    transfer_db: f64,
    threshold_db: f64,
}

impl Parameters {
    /// Tabulated, or interpolated over lg f; `None` outside 20 Hz to 12.5 kHz.
    fn at(frequency_hz: f64) -> Option<Self> {
        let above = TABLE.iter().position(|row| row.0 >= frequency_hz)?;
        let (f, exponent, transfer_db, threshold_db) = TABLE[above];
        if f == frequency_hz {
            return Some(Self { exponent, transfer_db, threshold_db });
        }
        let below = TABLE[above.checked_sub(1)?];
        let share = libm::log10(frequency_hz / below.0) / libm::log10(f / below.0);
        let mix = |low: f64, high: f64| low + share * (high - low);
        Some(Self {
            exponent: mix(below.1, exponent),
            transfer_db: mix(below.2, transfer_db),
            threshold_db: mix(below.3, threshold_db),
        })
    }

    /// (4·10⁻¹⁰)^(0.3 - α), the factor between the two sides of the formulas.
    fn scale(&self) -> f64 {
        libm::pow(4e-10, EXPONENT_AT_1_KHZ - self.exponent)
    }

    /// 10^(α·(level + L_U)/10).
    fn growth(&self, level_db: f64) -> f64 {
        libm::exp10(self.exponent * (level_db + self.transfer_db) / 10.0)
    }
}

/// The sound pressure level at which a tone is as loud as one of `phon` dB at 1 kHz.
///
/// ISO 226:2023, 4.1 formula (1).
/// * `frequency_hz` - 20 Hz to 12.5 kHz
/// * `phon` - loudness level
///
/// `None` outside the frequency range, for loudness levels that are not finite, and for loudness levels so far below
/// threshold that no level gives them.
///
/// # Example
/// ```
/// use evenbass::acoustics::equal_loudness::level_for_phon;
/// let level = level_for_phon(50.0, 60.0).unwrap();
/// assert!((level.db() - 89.9304).abs() < 5e-5);
/// ```
pub fn level_for_phon(frequency_hz: f64, phon: f64) -> Option<DbSpl> {
    let parameters = Parameters::at(frequency_hz)?;
    let loudness = libm::exp10(0.03 * phon) - libm::exp10(THRESHOLD_TERM);
    let inner = parameters.scale() * loudness + parameters.growth(parameters.threshold_db);
    let level = 10.0 / parameters.exponent * libm::log10(inner) - parameters.transfer_db;
    level.is_finite().then(|| DbSpl::new(level))
}

/// The loudness level in phon of a tone at a sound pressure level.
///
/// ISO 226:2023, 4.2 formula (2), the inverse of [`level_for_phon`]. `None` outside 20 Hz to 12.5 kHz. Below threshold
/// the formula goes on to a finite number, which means nothing but 'inaudible'.
pub fn phon_for_level(frequency_hz: f64, level: DbSpl) -> Option<f64> {
    let parameters = Parameters::at(frequency_hz)?;
    let above_threshold = parameters.growth(level.db()) - parameters.growth(parameters.threshold_db);
    let inner = above_threshold / parameters.scale() + libm::exp10(THRESHOLD_TERM);
    let phon = 100.0 / 3.0 * libm::log10(inner);
    phon.is_finite().then_some(phon)
}

/// How fast loudness grows with level: phon per dB of sound pressure level at a frequency and loudness level. 1 at
/// 1 kHz; about 2 at 25 Hz.
///
/// The derivative of ISO 226:2023 formula (2). `None` where [`level_for_phon`] is.
pub fn relative_growth(frequency_hz: f64, phon: f64) -> Option<f64> {
    let parameters = Parameters::at(frequency_hz)?;
    let level = level_for_phon(frequency_hz, phon)?;
    let growth = parameters.growth(level.db()) / (parameters.scale() * libm::exp10(0.03 * phon));
    Some(100.0 / 3.0 * parameters.exponent / 10.0 * growth)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// dB SPL at 20, 40, 60, 70, 80, 90 phon, evaluated independently from the formula of ISO 226:2023.
    const LEVELS: [(f64, [f64; 6]); 11] = [
        (20.0, [89.5445, 99.7431, 109.3681, 114.1215, 118.8604, 123.5921]),
        (25.0, [82.8665, 93.9425, 104.1630, 109.1880, 114.1921, 119.1859]),
        (31.5, [76.2872, 88.2081, 99.0629, 104.3859, 109.6836, 114.9686]),
        (40.0, [69.9349, 82.6624, 94.1832, 99.8265, 105.4414, 111.0421]),
        (50.0, [64.3049, 77.7687, 89.9304, 95.8853, 101.8096, 107.7187]),
        (63.0, [58.7597, 72.9627, 85.8027, 92.0907, 98.3466, 104.5866]),
        (80.0, [53.3697, 68.3309, 81.8928, 88.5377, 95.1495, 101.7449]),
        (100.0, [48.5733, 64.2397, 78.5040, 85.4990, 92.4606, 99.4057]),
        (125.0, [44.1001, 60.4395, 75.4054, 82.7528, 90.0673, 97.3653]),
        (160.0, [39.6082, 56.6479, 72.3811, 80.1173, 87.8217, 95.5102]),
        (1000.0, [20.0, 40.0, 60.0, 70.0, 80.0, 90.0]),
    ];
    const PHON: [f64; 6] = [20.0, 40.0, 60.0, 70.0, 80.0, 90.0];

    #[test]
    fn contours_pass_through_the_standards_values() {
        for (hz, levels) in LEVELS {
            for (phon, expected) in PHON.into_iter().zip(levels) {
                let found = level_for_phon(hz, phon).unwrap().db();
                assert!((found - expected).abs() < 6e-5, "{hz} Hz, {phon} phon: {found}, not {expected}");
            }
        }
    }

    #[test]
    fn levels_give_the_standards_phon() {
        // ISO 226:2023 formula (2), evaluated independently.
        for (hz, level, expected) in [
            (20.0, 90.0, 20.8386),
            (25.0, 70.0, 3.4670),
            (40.0, 80.0, 35.5437),
            (50.0, 100.0, 76.9418),
            (80.0, 60.0, 28.4039),
            (125.0, 110.0, 107.3359),
        ] {
            let found = phon_for_level(hz, DbSpl::new(level)).unwrap();
            assert!((found - expected).abs() < 6e-5, "{hz} Hz at {level} dB: {found} phon, not {expected}");
        }
    }

    #[test]
    fn at_2_4_phon_the_contour_is_the_threshold() {
        for (hz, _, _, threshold) in TABLE {
            assert!((level_for_phon(hz, 2.4).unwrap().db() - threshold).abs() < 1e-12);
        }
    }

    #[test]
    fn both_formulas_undo_each_other_between_the_frequencies_too() {
        let mut hz = 20.0;
        while hz < 12_500.0 {
            for phon in [5.0, 20.0, 50.0, 90.0] {
                let back = phon_for_level(hz, level_for_phon(hz, phon).unwrap()).unwrap();
                assert!((back - phon).abs() < 1e-9, "{hz} Hz, {phon} phon came back as {back}");
            }
            hz *= 1.013;
        }
    }

    #[test]
    fn skipping_every_other_frequency_misses_by_less_than_stated() {
        for row in (1..11).map(|middle| &TABLE[middle - 1..=middle + 1]) {
            let share = libm::log10(row[1].0 / row[0].0) / libm::log10(row[2].0 / row[0].0);
            let mix = |low: f64, high: f64| low + share * (high - low);
            let coarse = Parameters {
                exponent: mix(row[0].1, row[2].1),
                transfer_db: mix(row[0].2, row[2].2),
                threshold_db: mix(row[0].3, row[2].3),
            };
            for phon in [20.0, 50.0, 80.0] {
                let loudness = libm::exp10(0.03 * phon) - libm::exp10(THRESHOLD_TERM);
                let inner = coarse.scale() * loudness + coarse.growth(coarse.threshold_db);
                let level = 10.0 / coarse.exponent * libm::log10(inner) - coarse.transfer_db;
                let exact = level_for_phon(row[1].0, phon).unwrap().db();
                assert!((level - exact).abs() < 0.6, "{} Hz: {level} instead of {exact}", row[1].0);
            }
        }
    }

    #[test]
    fn bass_grows_about_twice_as_fast() {
        // From the contours: 10 phon between 60 and 70 phon cost 4.753 dB at 20 Hz, 5.643 at 40, 6.645 at 80.
        for (hz, cost) in [(20.0, 4.753), (40.0, 5.643), (80.0, 6.645), (1000.0, 10.0)] {
            let mean = (60..70).map(|phon| 1.0 / relative_growth(hz, f64::from(phon) + 0.5).unwrap()).sum::<f64>();
            assert!((mean - cost).abs() < 1e-3, "{hz} Hz: {mean} dB for 10 phon, not {cost}");
        }
    }

    #[test]
    fn outside_the_range_there_is_no_answer() {
        assert_eq!(level_for_phon(19.9, 40.0), None);
        assert_eq!(level_for_phon(12_501.0, 40.0), None);
        assert_eq!(level_for_phon(f64::NAN, 40.0), None);
        assert_eq!(level_for_phon(50.0, f64::INFINITY), None);
        assert_eq!(level_for_phon(50.0, -40.0), None);
        assert_eq!(phon_for_level(15.0, DbSpl::new(80.0)), None);
        assert_eq!(phon_for_level(50.0, DbSpl::new(f64::NAN)), None);
    }
}
