//! The exact sound field of a rigid box whose damping is the same everywhere.

use realfft::num_complex::Complex64;

/// A rigid box filled with evenly damped air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DampedBox {
    /// Length, width, height, metres.
    pub size_m: [f64; 3],
    /// Speed of sound.
    pub speed_m_per_s: f64,
    /// Decay constant of every standing wave, 1/s ([`crate::room::modes::damping_per_s`]); above zero.
    pub damping_per_s: f64,
}

/// What is left out of the sum weighs less than this beside what is kept.
const SMALLEST_TERM: f64 = 1e-11;

impl DampedBox {
    /// The Green's function from a point to another, 1/m, for e^{+jωt}; a free field would give e^{-jkR}/(4πR).
    ///
    /// The sum over standing waves has a closed form along one axis; taken along the axis on which the two points are
    /// furthest apart, the rest converges exponentially. Points on the same spot give a very long sum that is cut.
    /// # Source
    /// Allen & Berkley, JASA 65, 943-950 (1979); Kuttruff, *Room Acoustics*, chapters 3 and 4.
    pub fn green_per_m(&self, source_m: [f64; 3], receiver_m: [f64; 3], frequency_hz: f64) -> Complex64 {
        let apart = |axis: usize| (source_m[axis] - receiver_m[axis]).abs();
        let closed = (0..3).max_by(|a, b| apart(*a).total_cmp(&apart(*b))).unwrap_or(2);
        let (first, second) = ((closed + 1) % 3, (closed + 2) % 3);
        let wavenumber = Complex64::new(std::f64::consts::TAU * frequency_hz, -self.damping_per_s) / self.speed_m_per_s;
        let square = wavenumber * wavenumber;
        // Beyond this transverse wavenumber the terms have fallen below the smallest that counts.
        let last_per_m = (-SMALLEST_TERM.ln() / apart(closed).max(0.02)).hypot(wavenumber.re);
        let along_first = self.axis_terms(first, source_m, receiver_m, last_per_m);
        let along_second = self.axis_terms(second, source_m, receiver_m, last_per_m);
        let mut sum = Complex64::ZERO;
        for (transverse_first, weight_first) in &along_first {
            for (transverse_second, weight_second) in &along_second {
                let transverse = transverse_first + transverse_second;
                if transverse > last_per_m * last_per_m {
                    break;
                }
                let decay = (transverse - square).sqrt();
                let along = along_axis(decay, self.size_m[closed], source_m[closed], receiver_m[closed]);
                sum += along * (weight_first * weight_second);
            }
        }
        sum / (self.size_m[first] * self.size_m[second])
    }

    /// Level at the receiver, dB; 0 dB is a free field at 1 m from the same source.
    pub fn level_db(&self, source_m: [f64; 3], receiver_m: [f64; 3], frequency_hz: f64) -> f64 {
        20.0 * (4.0 * std::f64::consts::PI * self.green_per_m(source_m, receiver_m, frequency_hz).norm()).log10()
    }

    /// Along one axis: squared wavenumbers and the products of the standing waves at both points.
    fn axis_terms(&self, axis: usize, source_m: [f64; 3], receiver_m: [f64; 3], last_per_m: f64) -> Vec<(f64, f64)> {
        let step_per_m = std::f64::consts::PI / self.size_m[axis];
        let count = (last_per_m / step_per_m).floor() as usize;
        let term = |n: usize| {
            let k = step_per_m * n as f64;
            let weight = if n == 0 { 1.0 } else { 2.0 };
            (k * k, weight * (k * source_m[axis]).cos() * (k * receiver_m[axis]).cos())
        };
        (0..=count).map(term).collect()
    }
}

/// cosh(q z<) cosh(q (L - z>)) / (q sinh(q L)) without overflow, for Re q >= 0.
fn along_axis(decay: Complex64, length_m: f64, a_m: f64, b_m: f64) -> Complex64 {
    let (lower, upper) = (a_m.min(b_m), a_m.max(b_m));
    let falls = |distance_m: f64| (-decay * distance_m).exp();
    let both = (1.0 + falls(2.0 * lower)) * (1.0 + falls(2.0 * (length_m - upper)));
    falls(upper - lower) * both / (2.0 * decay * (1.0 - falls(2.0 * length_m)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOURCE_M: [f64; 3] = [1.0, 0.7, 0.5];
    const RECEIVER_M: [f64; 3] = [3.2, 2.9, 1.2];

    fn house_room(damping_per_s: f64) -> DampedBox {
        DampedBox { size_m: [5.0, 4.0, 2.5], speed_m_per_s: 343.0, damping_per_s }
    }

    #[test]
    fn agrees_with_image_and_modal_sums_computed_elsewhere() {
        // Allen & Berkley 1979: image sum (all weights 1) and modal sum are equal for uniform damping; both were
        // computed by separate programs and agree to 6e-12. 5 x 4 x 2.5 m, c = 343 m/s, damping 20 1/s.
        let table = [
            (20.0, -0.218436591, -0.033667169, -13.111530),
            (34.3, -0.124743802, 0.204618853, -12.408620),
            (42.875, 0.046277257, 0.251248082, -11.853051),
            (50.0, 0.146912779, 0.006578842, -16.650108),
            (63.0, -0.024409124, -0.001912689, -32.222371),
            (80.0, 0.021054143, -0.025744777, -29.562172),
            (100.0, -0.010890908, 0.024899119, -31.316036),
        ];
        for (frequency_hz, re, im, level_db) in table {
            let green = house_room(20.0).green_per_m(SOURCE_M, RECEIVER_M, frequency_hz);
            assert!((green - Complex64::new(re, im)).norm() < 2e-9, "{frequency_hz} Hz: {green}");
            assert!((20.0 * green.norm().log10() - level_db).abs() < 1e-6);
        }
        for (frequency_hz, re, im) in [(34.3, -0.04945668007, 0.03127127648), (63.0, 0.00700181219, 0.00364474041)] {
            let green = house_room(100.0).green_per_m(SOURCE_M, RECEIVER_M, frequency_hz);
            assert!((green - Complex64::new(re, im)).norm() < 1e-8, "{frequency_hz} Hz: {green}");
        }
    }

    #[test]
    fn source_and_receiver_may_be_swapped() {
        for frequency_hz in [23.0, 61.7, 118.0] {
            let there = house_room(12.0).green_per_m(SOURCE_M, RECEIVER_M, frequency_hz);
            let back = house_room(12.0).green_per_m(RECEIVER_M, SOURCE_M, frequency_hz);
            assert!((there - back).norm() < 1e-12);
        }
    }

    #[test]
    fn a_strongly_damped_box_is_a_free_field() {
        let level_db = DampedBox { size_m: [30.0, 30.0, 30.0], speed_m_per_s: 343.0, damping_per_s: 400.0 }.level_db(
            [15.0, 15.0, 15.0],
            [16.0, 15.0, 15.0],
            60.0,
        );
        // Free field with the same damping: 1 m costs 20 lg e^{400/343} dB.
        let expected_db = -20.0 * std::f64::consts::LOG10_E * 400.0 / 343.0;
        assert!((level_db - expected_db).abs() < 0.01, "{level_db} {expected_db}");
    }
}
