//! The normal distribution: density, distribution function, and the probability of an interval with its derivatives.
//!
//! Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2 (definitions); erfc from libm.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Density of the standard normal distribution.
pub fn density(z: f64) -> f64 {
    if z.is_finite() { libm::exp(-0.5 * z * z) / libm::sqrt(2.0 * PI) } else { 0.0 }
}

/// P(Z <= z) of the standard normal distribution.
pub fn cumulative(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// P(low < Z <= high), accurate in both tails; `low` may be minus and `high` plus infinity. Never negative.
pub fn interval(low: f64, high: f64) -> f64 {
    let p = if low > 0.0 { cumulative(-low) - cumulative(-high) } else { cumulative(high) - cumulative(low) };
    p.max(0.0)
}

/// z with P(Z <= z) = `p`, for 0 < p < 1; by Newton's method on the distribution function.
pub fn quantile(p: f64) -> f64 {
    let p = p.clamp(1e-300, 1.0 - 1e-16);
    if p > 0.5 {
        return -quantile(1.0 - p);
    }
    // Below the median log P(Z <= z) is concave and nearly a parabola, where Newton's method cannot overshoot for long.
    let mut z = -libm::sqrt((-2.0 * libm::log(2.0 * p)).max(0.0));
    for _ in 0..60 {
        let step = (libm::log(cumulative(z)) - libm::log(p)) * cumulative(z) / density(z).max(1e-300);
        z -= step.clamp(-1.0, 1.0);
        if step.abs() < 1e-14 {
            break;
        }
    }
    z
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distribution_gives_the_handbooks_values() {
        // Abramowitz and Stegun, table 26.1.
        for (z, p) in [(0.0, 0.5), (1.0, 0.841_344_746_1), (1.96, 0.975_002_104_9), (3.0, 0.998_650_102_0)] {
            assert!((cumulative(z) - p).abs() < 1e-10, "{z}");
            assert!((quantile(p) - z).abs() < 1e-7, "{p}");
            assert!((quantile(1.0 - p) + z).abs() < 1e-7, "{p}");
        }
        assert!((density(1.0) - 0.241_970_724_5).abs() < 1e-10);
    }

    #[test]
    fn intervals_hold_in_both_tails() {
        assert!((interval(9.0, 9.5) / interval(-9.5, -9.0) - 1.0).abs() < 1e-12);
        assert!(interval(9.0, 9.5) > 0.0);
        assert_eq!(interval(f64::NEG_INFINITY, f64::INFINITY), 1.0);
        assert_eq!(interval(2.0, 1.0), 0.0);
    }
}
