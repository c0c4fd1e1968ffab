//! Sound in air: how fast, and how late.
//!
//! Source: ISO 9613-1:1993, Annex A: c = 343.2 m/s · √(T / 293.15 K), dry air. Ordinary humidity adds about 0.6 m/s, so
//! that a distance is known to 0.4 % at best.

/// Speed of sound at 20 °C, m/s, ISO 9613-1:1993, Annex A.
pub const SPEED_AT_20_C_M_PER_S: f64 = 343.2;

/// A foot in metres, exactly (international foot).
pub const FOOT_M: f64 = 0.3048;

/// Speed of sound in dry air, m/s. `temperature_c` above -273.15.
///
/// # Example
/// ```
/// use evenbass::acoustics::air::speed_m_per_s;
/// assert!((speed_m_per_s(25.0) - 346.1145).abs() < 1e-4);
/// ```
pub fn speed_m_per_s(temperature_c: f64) -> f64 {
    SPEED_AT_20_C_M_PER_S * libm::sqrt((temperature_c + 273.15) / 293.15)
}

/// How long sound takes over a distance, seconds.
pub fn delay_s(distance_m: f64, temperature_c: f64) -> f64 {
    distance_m / speed_m_per_s(temperature_c)
}

/// How far sound gets in a time, metres.
pub fn distance_m(delay_s: f64, temperature_c: f64) -> f64 {
    delay_s * speed_m_per_s(temperature_c)
}

/// How far a delay turns the phase at a frequency, degrees.
pub fn phase_deg(frequency_hz: f64, delay_s: f64) -> f64 {
    360.0 * frequency_hz * delay_s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_speed_follows_the_standard() {
        // ISO 9613-1:1993, Annex A, evaluated independently.
        for (celsius, speed) in [(0.0, 331.2859), (10.0, 337.2956), (15.0, 340.2606), (20.0, 343.2), (30.0, 349.0046)] {
            assert!((speed_m_per_s(celsius) - speed).abs() < 5e-5, "{celsius}");
        }
    }

    #[test]
    fn distances_are_times() {
        // 14 ft at 343.2 m/s are 12.433566434 ms; 5 m are 14.569 ms.
        assert!((delay_s(14.0 * FOOT_M, 20.0) - 12.433_566_434e-3).abs() < 1e-12);
        assert!((delay_s(5.0, 20.0) - 14.569e-3).abs() < 5e-7);
        assert!((distance_m(1e-3, 20.0) - 0.3432).abs() < 1e-12);
        assert!((phase_deg(80.0, 3.125e-3) - 90.0).abs() < 1e-12);
    }
}
