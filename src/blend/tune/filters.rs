//! The filters of the model: levels and phases that do not jump, which is what a scale on both needs.

use std::f64::consts::SQRT_2;

use crate::acoustics::crossover::Alignment;
use crate::blend::slope::Slope;

/// A low-pass in the model's terms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowPass {
    /// Order of the Butterworth filter that it is made of.
    order: u8,
    /// How many of these stand in a row.
    in_a_row: f64,
}

impl LowPass {
    /// The usual one of a slope.
    pub fn of(slope: Slope) -> Self {
        match slope.alignment() {
            Alignment::Butterworth(order) => Self { order: order.into(), in_a_row: 1.0 },
            Alignment::LinkwitzRiley(order) => Self { order: u8::from(order) / 2, in_a_row: 2.0 },
        }
    }

    /// dB, and radians from 0 downwards, at a ratio to the corner.
    pub fn at(self, ratio: f64) -> (f64, f64) {
        let square = ratio * ratio;
        let power = (0..self.order).fold(1.0, |power, _| power * square);
        let single = if self.order % 2 == 1 { libm::atan(ratio) } else { 0.0 };
        let lag =
            dampings(self.order).iter().fold(single, |lag, damping| lag + libm::atan2(damping * ratio, 1.0 - square));
        (self.in_a_row * -10.0 * libm::log10(1.0 + power), self.in_a_row * -lag)
    }

    /// The high-pass that belongs to it: dB, and radians from 0 upwards as the frequency falls.
    pub fn as_high_pass_at(self, ratio: f64) -> (f64, f64) {
        let (db, radians) = self.at(1.0 / ratio);
        (db, -radians)
    }
}

/// 1/Q of the pairs of poles of a Butterworth filter: 2·sin((2k - 1)·90°/n), as any filter table has them.
const fn dampings(order: u8) -> &'static [f64] {
    match order {
        2 => &[SQRT_2],
        3 => &[1.0],
        4 => &[0.765_366_864_730_179_6, 1.847_759_065_022_573_5],
        5 => &[0.618_033_988_749_894_9, 1.618_033_988_749_895],
        6 => &[0.517_638_090_205_041_5, SQRT_2, 1.931_851_652_578_136_6],
        7 => &[0.445_041_867_912_628_7, 1.246_979_603_717_467_2, 1.801_937_735_804_838_3],
        8 => &[0.390_180_644_032_256_5, 1.111_140_466_039_204_4, 1.662_939_224_605_090_5, 1.961_570_560_806_460_9],
        _ => &[],
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::acoustics::crossover::{Filter, Side};

    #[test]
    fn the_short_forms_are_the_crossovers() {
        for order in 1..=8_u8 {
            let slope = Slope::try_from(6.0 * f64::from(order)).unwrap();
            let low_pass = LowPass::of(slope);
            let mut before = 0.0;
            for ratio in [0.1, 0.3, 0.7, 1.0, 1.3, 2.5] {
                for (side, (db, radians)) in
                    [(Side::LowPass, low_pass.at(ratio)), (Side::HighPass, low_pass.as_high_pass_at(ratio))]
                {
                    let response = Filter { alignment: slope.alignment(), side, corner_hz: 1.0 }.response(ratio);
                    let turn = (response.phase_deg().to_radians() - radians).rem_euclid(TAU);
                    assert!(
                        (response.db() - db).abs() < 1e-9 && turn.min(TAU - turn) < 1e-9,
                        "{side:?} {slope} {ratio}"
                    );
                }
                // It does not jump: the phase falls all the way, by a quarter turn for each order in the end.
                let (_, radians) = low_pass.at(ratio);
                assert!(radians < before && radians > -f64::from(order) * TAU / 4.0, "{slope} {ratio}");
                before = radians;
            }
        }
    }
}
