//! What a room does on the way from main speakers and subwoofer to the seat.

use realfft::num_complex::Complex64;

use crate::random::Random;
use crate::rehearsal::virtual_system::{SPEED_M_PER_S, turn};
use crate::room::green::DampedBox;

/// What the room does on the way from each of the two.
pub(super) enum Room {
    /// Slow waves in level and phase.
    Smooth { mains: [Waves; 2], subwoofer: [Waves; 2] },
    /// Standing waves of a box.
    Box { room: DampedBox, seat_m: [f64; 3], mains_m: [[f64; 3]; 2], subwoofer_m: [f64; 3] },
}

/// A random function of log frequency: a few cosines.
#[derive(Default)]
pub(super) struct Waves(Vec<(f64, f64, f64)>);

impl Waves {
    pub(super) fn new(random: &mut Random, size: f64) -> Self {
        const COUNT: usize = 6;
        let each = size * (2.0 / COUNT as f64).sqrt();
        let wave = |_| {
            let cycles_per_octave = 0.15 + 1.1 * random.uniform();
            (each * random.normal(), cycles_per_octave, random.uniform())
        };
        Self((0..COUNT).map(wave).collect())
    }

    pub(super) fn at(&self, hz: f64) -> f64 {
        let octaves = libm::log2(hz / 64.0);
        self.0
            .iter()
            .map(|(size, cycles, phase)| size * libm::cos(std::f64::consts::TAU * (cycles * octaves + phase)))
            .sum()
    }
}

impl Room {
    pub(super) fn smooth(random: &mut Random) -> Self {
        let mut pair = || [Waves::new(random, 2.5), Waves::new(random, 0.4)];
        Self::Smooth { mains: pair(), subwoofer: pair() }
    }

    /// A box with the seat somewhere in its middle, mains along one wall, and the subwoofer at the most even of eight
    /// places.
    pub(super) fn boxed(random: &mut Random, crossover_hz: f64) -> Self {
        let size_m = [4.5 + 3.5 * random.uniform(), 3.5 + 2.0 * random.uniform(), 2.3 + 0.6 * random.uniform()];
        let reverberation_s = 0.25 + 0.35 * random.uniform();
        let room = DampedBox { size_m, speed_m_per_s: SPEED_M_PER_S, damping_per_s: 6.91 / reverberation_s };
        let mut within = |low: f64, high: f64| low + (high - low) * random.uniform();
        let seat_m = [size_m[0] * within(0.55, 0.8), size_m[1] * within(0.4, 0.6), 1.1];
        let front_m = within(0.4, 1.0);
        let apart_m = within(0.25, 0.35) * size_m[1];
        let middle_m = size_m[1] / 2.0;
        let mains_m = [-apart_m, apart_m].map(|side| [front_m, middle_m + side, 0.9]);
        let places: Vec<[f64; 3]> = (0..8).map(|_| [within(0.2, size_m[0] - 0.2), within(0.2, 0.8), 0.25]).collect();
        let spread = |place: &[f64; 3]| {
            let levels: Vec<f64> = (0..24)
                .map(|k| room.level_db(*place, seat_m, crossover_hz * libm::exp2(f64::from(k - 16) / 12.0)))
                .collect();
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            levels.iter().map(|level| (level - mean).powi(2)).sum::<f64>()
        };
        let best = places.iter().min_by(|a, b| spread(a).total_cmp(&spread(b)));
        Self::Box { room, seat_m, mains_m, subwoofer_m: *best.expect("eight places") }
    }

    pub(super) fn at(&self, hz: f64) -> (Complex64, Complex64) {
        match self {
            Self::Smooth { mains, subwoofer } => {
                let of = |waves: &[Waves; 2]| turn(waves[1].at(hz)) * libm::pow(10.0, waves[0].at(hz) / 20.0);
                (of(mains), of(subwoofer))
            }
            Self::Box { room, seat_m, mains_m, subwoofer_m } => {
                let from = |place: [f64; 3]| room.green_per_m(place, *seat_m, hz) * (4.0 * std::f64::consts::PI);
                ((from(mains_m[0]) + from(mains_m[1])) * 0.5, from(*subwoofer_m))
            }
        }
    }
}
