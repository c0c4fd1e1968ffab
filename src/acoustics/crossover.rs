//! Crossover filters: Butterworth and Linkwitz-Riley low-passes and high-passes, as responses and as digital sections.
//!
//! Sources: Butterworth poles from any filter text; Linkwitz & Riley, JAES 24, 2-8 (1976): two Butterworth filters of
//! half the order in a row. Digital sections by the bilinear transform, prewarped to the corner.

use std::f64::consts::PI;
use std::ops::{Add, Mul};

use serde::{Deserialize, Serialize};

use crate::units::SampleRate;

/// How steep, and how two of them meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Alignment {
    /// Half power at the corner.
    Butterworth(Order),
    /// Half amplitude at the corner, of an even order: 2, 4 or 8.
    LinkwitzRiley(EvenOrder),
}

/// 6 dB per octave each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Order(u8);

/// 2, 4 or 8: twice a Butterworth order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct EvenOrder(u8);

impl Order {
    /// 12 dB per octave.
    pub const SECOND: Self = Self(2);
    /// 24 dB per octave.
    pub const FOURTH: Self = Self(4);
}

impl TryFrom<u8> for Order {
    type Error = String;
    fn try_from(order: u8) -> Result<Self, String> {
        if (1..=8).contains(&order) { Ok(Self(order)) } else { Err(format!("an order is from 1 to 8, not {order}")) }
    }
}

impl TryFrom<u8> for EvenOrder {
    type Error = String;
    fn try_from(order: u8) -> Result<Self, String> {
        if [2, 4, 8].contains(&order) {
            Ok(Self(order))
        } else {
            Err(format!("a Linkwitz-Riley filter is of order 2, 4 or 8, not {order}"))
        }
    }
}

impl From<Order> for u8 {
    fn from(order: Order) -> Self {
        order.0
    }
}

impl From<EvenOrder> for u8 {
    fn from(order: EvenOrder) -> Self {
        order.0
    }
}

/// Which side of the corner passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Below the corner.
    LowPass,
    /// Above the corner.
    HighPass,
}

/// A complex response: real part, imaginary part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Response {
    /// Passes everything unchanged.
    pub const UNITY: Self = Self { re: 1.0, im: 0.0 };

    /// Magnitude in dB; minus infinity for nothing.
    pub fn db(self) -> f64 {
        10.0 * libm::log10(self.re * self.re + self.im * self.im)
    }

    /// Phase, -180 to 180 degrees.
    pub fn phase_deg(self) -> f64 {
        libm::atan2(self.im, self.re) * 180.0 / PI
    }

    /// The same with the polarity reversed.
    pub fn inverted(self) -> Self {
        Self { re: -self.re, im: -self.im }
    }

    fn over(self, other: Self) -> Self {
        let power = other.re * other.re + other.im * other.im;
        self * Self { re: other.re / power, im: -other.im / power }
    }
}

impl Add for Response {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }
}

impl Mul for Response {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

/// A filter of a crossover.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Filter {
    /// How steep.
    pub alignment: Alignment,
    /// Which side passes.
    pub side: Side,
    /// Where the sides meet, hertz.
    pub corner_hz: f64,
}

/// A part of a filter: s² + s/Q + 1 with its quality, or s + 1.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    First,
    Second { quality: f64 },
}

impl Filter {
    /// The response of the analogue filter, e^(+jωt) convention: a low-pass lags, its phase falls.
    pub fn response(self, frequency_hz: f64) -> Response {
        let ratio = frequency_hz / self.corner_hz;
        self.parts().into_iter().fold(Response::UNITY, |product, part| {
            let (numerator, denominator) = match (part, self.side) {
                (Part::First, Side::LowPass) => (Response::UNITY, Response { re: 1.0, im: ratio }),
                (Part::First, Side::HighPass) => (Response { re: 0.0, im: ratio }, Response { re: 1.0, im: ratio }),
                (Part::Second { quality }, side) => {
                    let denominator = Response { re: 1.0 - ratio * ratio, im: ratio / quality };
                    let top = if side == Side::LowPass { 1.0 } else { -ratio * ratio };
                    (Response { re: top, im: 0.0 }, denominator)
                }
            };
            product * numerator.over(denominator)
        })
    }

    /// The digital filter as sections in a row, each with its share of the gain. `None` unless the corner lies below
    /// half the rate.
    pub fn sections(self, rate: SampleRate) -> Option<Vec<Section>> {
        let share = self.corner_hz / rate.as_f64();
        if !(share > 0.0 && share < 0.5) {
            return None;
        }
        let warped = libm::tan(PI * share);
        Some(self.parts().into_iter().map(|part| Section::of(part, self.side, warped)).collect())
    }

    fn parts(self) -> Vec<Part> {
        match self.alignment {
            Alignment::Butterworth(order) => butterworth(order.0),
            Alignment::LinkwitzRiley(order) => {
                let half = butterworth(order.0 / 2);
                // Two first-order parts in a row are one of quality 1/2.
                if order.0 == 2 { vec![Part::Second { quality: 0.5 }] } else { [half.clone(), half].concat() }
            }
        }
    }
}

/// Pairs of poles at the angles (2k - 1)·90°/n off the imaginary axis, and one real pole if the order is odd.
fn butterworth(order: u8) -> Vec<Part> {
    let pairs = (1..=order / 2).map(|k| {
        let angle = PI * f64::from(2 * k - 1) / f64::from(2 * order);
        Part::Second { quality: 0.5 / libm::sin(angle) }
    });
    pairs.chain((order % 2 == 1).then_some(Part::First)).collect()
}

/// A digital section: y = b0·x + b1·x₋₁ + b2·x₋₂ - a1·y₋₁ - a2·y₋₂.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Factors on the input, now and one and two frames ago.
    pub b: [f64; 3],
    /// Factors on the output one and two frames ago, to be taken away.
    pub a: [f64; 2],
}

impl Section {
    fn of(part: Part, side: Side, warped: f64) -> Self {
        match part {
            Part::First => {
                let scale = 1.0 / (1.0 + warped);
                let a = [(warped - 1.0) * scale, 0.0];
                match side {
                    Side::LowPass => Self { b: [warped * scale, warped * scale, 0.0], a },
                    Side::HighPass => Self { b: [scale, -scale, 0.0], a },
                }
            }
            Part::Second { quality } => {
                let square = warped * warped;
                let scale = 1.0 / (1.0 + warped / quality + square);
                let a = [2.0 * (square - 1.0) * scale, (1.0 - warped / quality + square) * scale];
                match side {
                    Side::LowPass => Self { b: [square * scale, 2.0 * square * scale, square * scale], a },
                    Side::HighPass => Self { b: [scale, -2.0 * scale, scale], a },
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn butterworth_of(order: u8) -> Alignment {
        Alignment::Butterworth(Order::try_from(order).unwrap())
    }

    fn linkwitz_riley(order: u8) -> Alignment {
        Alignment::LinkwitzRiley(EvenOrder::try_from(order).unwrap())
    }

    fn pair(alignment: Alignment) -> [Filter; 2] {
        [Side::LowPass, Side::HighPass].map(|side| Filter { alignment, side, corner_hz: 80.0 })
    }

    #[test]
    fn low_passes_have_their_tabulated_magnitude_and_phase() {
        // scipy.signal.butter(n, 1, analog=True) and freqs_zpk, dB and degrees (wrapped) at f/fc = 0.5, 1, 2.
        for (alignment, expected) in [
            (butterworth_of(2), [(-0.2633, -43.31), (-3.0103, -90.0), (-12.3045, -136.69)]),
            (butterworth_of(3), [(-0.0673, -60.26), (-3.0103, -135.0), (-18.1291, 150.26)]),
            (butterworth_of(4), [(-0.0169, -77.96), (-3.0103, -180.0), (-24.0993, 77.96)]),
            (linkwitz_riley(2), [(-1.9382, -53.13), (-6.0206, -90.0), (-13.9794, -126.87)]),
            (linkwitz_riley(4), [(-0.5266, -86.63), (-6.0206, -180.0), (-24.6090, 86.63)]),
            (linkwitz_riley(8), [(-0.0339, -155.93), (-6.0206, 0.0), (-48.1987, 155.93)]),
        ] {
            for (ratio, (db, phase)) in [0.5, 1.0, 2.0].into_iter().zip(expected) {
                let response = pair(alignment)[0].response(80.0 * ratio);
                assert!((response.db() - db).abs() < 6e-5, "{alignment:?} at {ratio}: {} dB", response.db());
                let turn = (response.phase_deg() - phase).rem_euclid(360.0);
                assert!(turn.min(360.0 - turn) < 6e-3, "{alignment:?} at {ratio}: {}°", response.phase_deg());
            }
        }
    }

    #[test]
    fn pairs_sum_as_the_textbook_says() {
        for step in -20..=20 {
            let hz = 80.0 * 2_f64.powf(f64::from(step) / 5.0);
            let sum = |alignment| {
                let [low, high] = pair(alignment).map(|filter| filter.response(hz));
                ((low + high).db(), (low + high.inverted()).db())
            };
            // Flat: LR2 with one inverted, LR4 and LR8 as they are, BW1 and BW3 either way.
            assert!(sum(linkwitz_riley(2)).1.abs() < 1e-9);
            assert!(sum(linkwitz_riley(4)).0.abs() < 1e-9);
            assert!(sum(linkwitz_riley(8)).0.abs() < 1e-9);
            for order in [1, 3] {
                assert!(sum(butterworth_of(order)).0.abs() < 1e-9 && sum(butterworth_of(order)).1.abs() < 1e-9);
            }
        }
        let [low, high] = pair(butterworth_of(4)).map(|filter| filter.response(80.0));
        assert!(((low + high).db() - 3.0103).abs() < 1e-4);
        let [low, high] = pair(linkwitz_riley(2)).map(|filter| filter.response(80.0));
        assert!((low + high).db() < -200.0);
    }

    #[test]
    fn sections_equal_scipys() {
        // scipy.signal.butter(2, fc, fs=48000, output='sos').
        for (corner_hz, b0, a1, a2, high_b0) in [
            (40.0, 6.828_594_198_245e-6, -1.992_595_228_750_302, 0.992_622_543_127_095, 0.996_304_442_969_349),
            (80.0, 2.721_380_798_832e-5, -1.985_190_657_896_262, 0.985_299_513_128_215, 0.992_622_542_756_119),
            (120.0, 6.100_617_875_806e-5, -1.977_786_483_776_764, 0.978_030_508_491_796, 0.988_954_248_067_140),
        ] {
            let low = Filter { alignment: butterworth_of(2), side: Side::LowPass, corner_hz };
            let section = low.sections(SampleRate::HZ_48000).unwrap()[0];
            assert!((section.b[0] / b0 - 1.0).abs() < 1e-11 && (section.b[1] / b0 - 2.0).abs() < 1e-11);
            assert!((section.a[0] - a1).abs() < 1e-13 && (section.a[1] - a2).abs() < 1e-13);
            let high = Filter { side: Side::HighPass, ..low }.sections(SampleRate::HZ_48000).unwrap()[0];
            assert!((high.b[0] - high_b0).abs() < 1e-13 && (high.b[1] + 2.0 * high_b0).abs() < 1e-13);
        }
        let too_high = Filter { alignment: butterworth_of(2), side: Side::LowPass, corner_hz: 24_000.0 };
        assert_eq!(too_high.sections(SampleRate::HZ_48000), None);
    }

    #[test]
    fn digital_sections_have_the_tabulated_response() {
        // LR4 low-pass at 80 Hz, 48 kHz, scipy.signal.sosfreqz, dB.
        let sections = pair(linkwitz_riley(4))[0].sections(SampleRate::HZ_48000).unwrap();
        for (hz, db) in [(20.0, -0.03386), (60.0, -2.38777), (80.0, -6.02060), (160.0, -24.60987), (320.0, -48.20341)] {
            let turn = |k: f64| {
                let angle = -2.0 * PI * hz / 48_000.0 * k;
                Response { re: libm::cos(angle), im: libm::sin(angle) }
            };
            let scaled = |factor: f64, k: f64| Response { re: factor, im: 0.0 } * turn(k);
            let response = sections.iter().fold(Response::UNITY, |product, section| {
                let [b0, b1, b2] = section.b;
                let top = scaled(b0, 0.0) + scaled(b1, 1.0) + scaled(b2, 2.0);
                let bottom = Response::UNITY + scaled(section.a[0], 1.0) + scaled(section.a[1], 2.0);
                product * top.over(bottom)
            });
            assert!((response.db() - db).abs() < 1e-5, "{hz} Hz: {} dB", response.db());
        }
    }
}
