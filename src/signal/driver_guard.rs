//! What protects the driver below its range.

use crate::units::GainDb;

/// Below this the level falls.
const FALLS_BELOW_HZ: f64 = 25.0;
const FALL_DB_PER_OCTAVE: f64 = 12.0;

/// The level change for a tone whose lowest frequency is `lowest_hz`: 12 dB per octave down below 25 Hz, nothing above.
///
/// A cone's excursion for equal sound pressure grows by 12 dB per octave downwards, so this keeps it constant.
pub fn driver_guard_gain(lowest_hz: f64) -> GainDb {
    if lowest_hz >= FALLS_BELOW_HZ || lowest_hz.is_nan() || lowest_hz <= 0.0 {
        return GainDb::ZERO;
    }
    GainDb::new(-FALL_DB_PER_OCTAVE * libm::log2(FALLS_BELOW_HZ / lowest_hz))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_octave_below_25_hz_is_12_db_down() {
        assert_eq!(driver_guard_gain(25.0).db(), 0.0);
        assert_eq!(driver_guard_gain(12.5).db(), -12.0);
    }
}
