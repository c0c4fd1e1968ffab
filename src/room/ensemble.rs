//! The room as it may be: tapes err, walls are not what they seem, furniture disturbs every wave.
//!
//! What a model says about one room is of little use without its doubt. Here the same room is drawn many times, each
//! time a little different, and every draw is a complete set of levels from all spots to a seat.

use std::f64::consts::{PI, TAU};

use faer::{Accum, MatMut, MatRef, Par};
use realfft::num_complex::Complex64;

use crate::random::Random;
pub use crate::room::draws::Draws;
use crate::room::field::{RoomField, Worth, band_offsets, slow_at};
use crate::room::modes::SPEED_OF_SOUND_M_PER_S;
use crate::room::plan::Room;
use crate::room::port::{self, Load};
use crate::room::walls::Walls;

/// How much a room may differ from its plan, as standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubt {
    /// Relative error of every length measured by tape.
    pub tape: f64,
    /// Relative error of a height that nobody measured.
    pub unknown_height: f64,
    /// Of the logarithm of the decay time, where it was not measured.
    pub decay_log: f64,
    /// Of the logarithm of each surface's share in the damping.
    pub surface_log: f64,
    /// Exponent with which damping changes over frequency.
    pub damping_exponent: f64,
    /// Relative disturbance of each wave's frequency by furniture and yielding walls.
    pub frequency: f64,
    /// Of the logarithm of each wave's damping.
    pub damping_log: f64,
    /// Disturbance of each wave's shape, relative to its own root mean square.
    pub shape: f64,
}

impl Default for Doubt {
    /// Tape and decay: common practice for homes. The disturbances are drawn from none to 1.5 times these, and were
    /// chosen so that the bands hold about what they promise in invented rooms with tall furniture that no plan shows
    /// (`cargo bench --bench room -- furnished`): of the middle 80 %, 74 % of levels and 84 % of spreads.
    fn default() -> Self {
        Self {
            tape: 0.02,
            unknown_height: 0.06,
            decay_log: 0.4,
            surface_log: 0.45,
            damping_exponent: 0.12,
            frequency: 0.04,
            damping_log: 0.5,
            shape: 0.4,
        }
    }
}

/// Levels at a seat from every spot, for `draws` rooms that the plan could stand for.
///
/// `None` if the room has no outline, the seat has no position or does not exist, no spot has a position, or nothing
/// was asked for. One draw of a seed is the same room for every seat.
/// * `frequencies_hz` - middle of each tone's band, 10 to 250 Hz
/// * `half_width_octaves` - half the width of the band over which power is averaged; 0 for pure tones
/// * `seed` - equal seeds give equal draws
/// # Example
/// ```
/// use evenbass::room::{self, ensemble};
/// let text = "size_m = [5.1, 3.9]\nheight_m = 2.5\n[[seat]]\nname = \"sofa\"\nat_m = [3.4, 1.9]\n\
///             [[spot]]\nname = \"left corner\"\nat_m = [0.35, 0.35]\n";
/// let room = room::Room::from_toml("living.toml", text).unwrap();
/// let draws = ensemble::predicted_levels(&room, 0, &[31.5, 40.0, 50.0], 1.0 / 12.0, 8, 1).unwrap();
/// assert_eq!(draws.curve_db(7, 0).map(<[f64]>::len), Some(3));
/// ```
pub fn predicted_levels(
    room: &Room,
    seat: usize,
    frequencies_hz: &[f64],
    half_width_octaves: f64,
    draws: usize,
    seed: u64,
) -> Option<Draws> {
    Ensemble::new(room, frequencies_hz, half_width_octaves, Doubt::default())?.levels(seat, draws, seed)
}

/// A room prepared for many draws.
#[derive(Debug, Clone)]
pub struct Ensemble {
    room: Room,
    field: RoomField,
    walls: Walls,
    doubt: Doubt,
    /// All frequencies at which the waves are summed, a band after the other.
    fine_hz: Vec<f64>,
    band: usize,
}

/// One room that the plan could stand for.
struct DrawnRoom {
    size: [f64; 3],
    squares_per_m2: Vec<f64>,
    damping_per_s: Vec<f64>,
    shape: f64,
    /// Area and what lies behind, for each opening.
    loads: Vec<(f64, Load)>,
}

/// Scratch space of one draw.
struct Scratch {
    answers: Vec<f32>,
    weights: Vec<f32>,
    sums: Vec<f32>,
}

impl Ensemble {
    /// Prepares a room; `None` without an outline or frequencies.
    pub fn new(room: &Room, frequencies_hz: &[f64], half_width_octaves: f64, doubt: Doubt) -> Option<Self> {
        let highest_hz = frequencies_hz.iter().copied().fold(0.0, f64::max);
        if frequencies_hz.is_empty() || !(highest_hz > 0.0 && highest_hz <= 400.0) {
            return None;
        }
        let offsets = band_offsets(half_width_octaves);
        let fine_hz = frequencies_hz.iter().flat_map(|f| offsets.iter().map(move |o| f * o.exp2())).collect();
        let field = RoomField::new(room, (1.6 * highest_hz).max(120.0))?;
        let walls = Walls::of(room);
        Some(Self { room: room.clone(), field, walls, doubt, fine_hz, band: offsets.len() })
    }

    /// Levels at a seat from every spot, as [`predicted_levels`].
    pub fn levels(&self, seat: usize, draws: usize, seed: u64) -> Option<Draws> {
        let spots = self.placed_spots();
        let frequencies = self.fine_hz.len() / self.band;
        let stride = self.room.spots.len() * frequencies;
        let mut levels_db = vec![f64::NAN; draws * stride];
        self.each_draw(seat, draws, seed, |draw, pressures| {
            for ((spot, _), pressure) in spots.iter().zip(pressures.chunks(2 * self.fine_hz.len())) {
                let start = draw * stride + spot * frequencies;
                self.bands(pressure, &mut levels_db[start..start + frequencies]);
            }
        })?;
        let placed = self.room.spots.iter().map(|spot| spot.at_m.is_some()).collect();
        Some(Draws::new(placed, frequencies, draws, levels_db))
    }

    /// Spots with a position.
    pub(in crate::room) fn placed_spots(&self) -> Vec<(usize, [f64; 3])> {
        self.room.spots.iter().enumerate().filter_map(|(i, spot)| spot.at_m.map(|at_m| (i, at_m))).collect()
    }

    /// All frequencies at which pressures are summed, a band after the other, and how many make a band.
    pub(in crate::room) fn fine_hz(&self) -> (&[f64], usize) {
        (&self.fine_hz, self.band)
    }

    /// Shows every draw's pressures at a seat: for each placed spot the real parts, then the imaginary parts. 1 is a
    /// free field at 1 m. `None` as [`predicted_levels`].
    pub(in crate::room) fn each_draw(
        &self,
        seat: usize,
        draws: usize,
        seed: u64,
        mut show: impl FnMut(usize, &[f32]),
    ) -> Option<()> {
        let seat_m = self.room.seats.get(seat)?.at_m?;
        let spots = self.placed_spots();
        if spots.is_empty() || draws == 0 {
            return None;
        }
        let slow = self.slow_parts(seat_m, &spots);
        let (count, ports) = (self.fine_hz.len(), self.field.ports.len());
        let waves = self.field.resonances.len();
        let rows = (spots.len() + ports) * (1 + ports);
        let mut scratch = Scratch {
            answers: vec![0.0; waves * 2 * count],
            weights: vec![0.0; waves * rows],
            sums: vec![0.0; rows * 2 * count],
        };
        for draw in 0..draws {
            // Streams: the room, each seat and each spot have their own, so that one does not shift the other.
            let stream = (draw as u64) << 20;
            let mut drawn = self.draw_room(&mut Random::new(seed, stream));
            let mut behind = Random::new(seed, stream + (1 << 16));
            drawn.loads = self.field.ports.iter().map(|port| (port.area_m2, Load::draw(&mut behind))).collect();
            let at_seat = self.worth(&drawn, seat_m, &mut Random::new(seed, stream + 1 + seat as u64));
            let at_spots: Vec<Vec<f64>> = spots
                .iter()
                .map(|(spot, at_m)| {
                    self.worth(&drawn, *at_m, &mut Random::new(seed, stream + (1 << 10) + *spot as u64))
                })
                .collect();
            let pairs = self.pairs(&at_seat, &at_spots);
            for ((a, b), weights) in pairs.iter().zip(scratch.weights.chunks_mut(waves)) {
                for ((weight, a), b) in weights.iter_mut().zip(*a).zip(*b) {
                    *weight = (a * b) as f32;
                }
            }
            self.answer(&drawn, &mut scratch.answers);
            self.sum(&mut scratch, rows);
            let scale = (4.0 * PI / (self.field.volume_m3() * drawn.size.iter().product::<f64>())) as f32;
            for (pressure, slow) in scratch.sums.chunks_mut(2 * count).zip(slow.chunks(count)) {
                pressure.iter_mut().zip(slow).for_each(|(value, slow)| *value += slow);
                pressure.iter_mut().for_each(|value| *value *= scale);
            }
            self.take_off(&drawn.loads, spots.len(), &mut scratch.sums);
            show(draw, &scratch.sums[..spots.len() * 2 * count]);
        }
        Some(())
    }

    /// Whose waves are multiplied for each row of the sums: every spot with the seat, then with each opening; then
    /// every opening with the seat and with each opening.
    fn pairs<'a>(&'a self, at_seat: &'a [f64], at_spots: &'a [Vec<f64>]) -> Vec<(&'a [f64], &'a [f64])> {
        let ports = || self.field.ports.iter().map(|port| port.worth.resonant.as_slice());
        let heard_at = || std::iter::once(at_seat).chain(ports());
        let of_spots = heard_at().flat_map(|heard| at_spots.iter().map(move |spot| (spot.as_slice(), heard)));
        of_spots.chain(heard_at().flat_map(|heard| ports().map(move |port| (port, heard)))).collect()
    }

    /// Takes off what the openings lead away, from the rows that [`Ensemble::pairs`] orders.
    fn take_off(&self, loads: &[(f64, Load)], spots: usize, sums: &mut [f32]) {
        let (ports, count) = (loads.len(), self.fine_hz.len());
        if ports == 0 {
            return;
        }
        let (of_spots, of_ports) = sums.split_at_mut(spots * (1 + ports) * 2 * count);
        let value = |rows: &[f32], row: usize, at: usize| {
            let start = row * 2 * count + at;
            Complex64::new(f64::from(rows[start]), f64::from(rows[start + count]))
        };
        let (mut heard, mut between) = (vec![Complex64::ZERO; ports], vec![Complex64::ZERO; ports * ports]);
        for (at, frequency_hz) in self.fine_hz.iter().enumerate() {
            heard.iter_mut().enumerate().for_each(|(port, heard)| *heard = value(of_ports, port, at));
            between.iter_mut().enumerate().for_each(|(pair, between)| *between = value(of_ports, ports + pair, at));
            port::taken(loads, *frequency_hz, &mut between, &mut heard);
            for spot in 0..spots {
                let taken: Complex64 =
                    (0..ports).map(|port| value(of_spots, (1 + port) * spots + spot, at) * heard[port]).sum();
                of_spots[spot * 2 * count + at] -= taken.re as f32;
                of_spots[spot * 2 * count + count + at] -= taken.im as f32;
            }
        }
    }

    /// What the waves above the last resonance add, row by row as [`Ensemble::pairs`]; taken from the plan as it is.
    fn slow_parts(&self, seat_m: [f64; 3], spots: &[(usize, [f64; 3])]) -> Vec<f32> {
        let seat = self.field.worth_at(seat_m);
        let at_spots: Vec<Worth> = spots.iter().map(|(_, at_m)| self.field.worth_at(*at_m)).collect();
        let ports = || self.field.ports.iter().map(|port| &port.worth);
        let heard_at = || std::iter::once(&seat).chain(ports());
        let of_spots = heard_at().flat_map(|heard| at_spots.iter().map(move |spot| (spot, heard)));
        let pairs = of_spots.chain(heard_at().flat_map(|heard| ports().map(move |port| (port, heard))));
        let of_pair = |(a, b): (&Worth, &Worth)| {
            let terms = self.field.slow_part(a, b);
            self.fine_hz.iter().map(move |f| slow_at(terms, *f) as f32)
        };
        pairs.flat_map(of_pair).collect()
    }

    fn draw_room(&self, random: &mut Random) -> DrawnRoom {
        let doubt = &self.doubt;
        let height_doubt = if self.room.height_m.is_some() { doubt.tape } else { doubt.unknown_height };
        let size = [doubt.tape, doubt.tape, height_doubt].map(|sigma| (1.0 + sigma * random.normal()).clamp(0.8, 1.25));
        let walls = self.draw_walls(random);
        let exponent = doubt.damping_exponent * random.normal();
        // How much furniture and yielding walls disturb is itself unknown.
        let roughness = 1.5 * random.uniform();
        let (mut squares_per_m2, mut damping_per_s) = (Vec::new(), Vec::new());
        for resonance in &self.field.resonances {
            let wave = &self.field.plan.waves[resonance.plan];
            let vertical = (PI * f64::from(resonance.vertical) / self.field.height_m).powi(2);
            let square = wave.squares_per_m2[0] / size[0].powi(2)
                + wave.squares_per_m2[1] / size[1].powi(2)
                + vertical / size[2].powi(2);
            let disturbed = 1.0 + doubt.frequency * roughness * random.normal();
            squares_per_m2.push(square * disturbed * disturbed);
            let own = walls.damping_per_s(wave, resonance.vertical, self.field.height_m);
            let with_frequency = (resonance.frequency_hz.max(15.0) / 70.0).powf(exponent);
            damping_per_s.push(own * with_frequency * (doubt.damping_log * roughness * random.normal()).exp());
        }
        DrawnRoom { size, squares_per_m2, damping_per_s, shape: doubt.shape * roughness, loads: Vec::new() }
    }

    fn draw_walls(&self, random: &mut Random) -> Walls {
        let doubt = &self.doubt;
        let decay_log = if self.room.fittings.reverberation_s.is_some() { 0.1 } else { doubt.decay_log };
        let common = (decay_log * random.normal()).exp();
        let mut vary = |admittance: &f64| admittance * common * (doubt.surface_log * random.normal()).exp();
        Walls {
            walls: self.walls.walls.iter().map(&mut vary).collect(),
            floor: vary(&self.walls.floor),
            ceiling: vary(&self.walls.ceiling),
        }
    }

    /// A place as it may be, in the frame of the plan, and what the waves are worth there.
    fn worth(&self, drawn: &DrawnRoom, at_m: [f64; 3], random: &mut Random) -> Vec<f64> {
        let mut place_m = [0.0; 3];
        for axis in 0..3 {
            place_m[axis] = at_m[axis] * (1.0 + self.doubt.tape * random.normal()) / drawn.size[axis];
        }
        let mut worth = self.field.resonant_at(place_m);
        for (index, value) in worth.iter_mut().enumerate() {
            // The even pressure stays even.
            if index > 0 {
                *value += drawn.shape * random.normal();
            }
        }
        worth
    }

    /// 1/(k_n² - k²) for every wave (rows) at every frequency: real parts, then imaginary parts.
    fn answer(&self, drawn: &DrawnRoom, answers: &mut [f32]) {
        let count = self.fine_hz.len();
        let speed = SPEED_OF_SOUND_M_PER_S as f32;
        for (wave, row) in answers.chunks_mut(2 * count).enumerate() {
            let damping = drawn.damping_per_s[wave] as f32 / speed;
            let own = drawn.squares_per_m2[wave] as f32 + damping * damping;
            let (real, imaginary) = row.split_at_mut(count);
            for ((re, im), frequency_hz) in real.iter_mut().zip(imaginary).zip(&self.fine_hz) {
                let k = (TAU * frequency_hz) as f32 / speed;
                let (apart, width) = (own - k * k, 2.0 * k * damping);
                let inverse = 1.0 / (apart * apart + width * width);
                *re = apart * inverse;
                *im = -width * inverse;
            }
        }
    }

    fn sum(&self, scratch: &mut Scratch, rows: usize) {
        let (waves, columns) = (self.field.resonances.len(), 2 * self.fine_hz.len());
        faer::linalg::matmul::matmul(
            MatMut::from_row_major_slice_mut(&mut scratch.sums, rows, columns),
            Accum::Replace,
            MatRef::from_row_major_slice(&scratch.weights, rows, waves),
            MatRef::from_row_major_slice(&scratch.answers, waves, columns),
            1.0_f32,
            Par::Seq,
        );
    }

    fn bands(&self, pressure: &[f32], levels_db: &mut [f64]) {
        let (real, imaginary) = pressure.split_at(self.fine_hz.len());
        let bands = real.chunks(self.band).zip(imaginary.chunks(self.band));
        for (level_db, (real, imaginary)) in levels_db.iter_mut().zip(bands) {
            let power: f32 = real.iter().zip(imaginary).map(|(re, im)| re * re + im * im).sum();
            *level_db = 10.0 * libm::log10((f64::from(power) / self.band as f64).max(1e-12));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROOM: &str = "size_m = [5.1, 3.9]\nheight_m = 2.5\n[[seat]]\nname = \"sofa\"\nat_m = [3.4, 1.9]\n[[seat]]\n\
        name = \"chair\"\nat_m = [2.4, 1.1]\n[[spot]]\nname = \"corner\"\nat_m = [0.35, 0.35]\n[[spot]]\nname = \"unknown\"\n\
        [[spot]]\nname = \"mid\"\nat_m = [0.35, 1.95]\n";
    const NOTES_HZ: [f64; 4] = [25.0, 42.0, 71.0, 120.0];

    #[test]
    fn without_doubt_every_draw_is_the_plan_itself() {
        let room = Room::from_toml("r", ROOM).unwrap();
        let certain = Doubt {
            tape: 0.0,
            unknown_height: 0.0,
            decay_log: 0.0,
            surface_log: 0.0,
            damping_exponent: 0.0,
            frequency: 0.0,
            damping_log: 0.0,
            shape: 0.0,
        };
        let ensemble = Ensemble::new(&room, &NOTES_HZ, 1.0 / 12.0, certain).unwrap();
        let draws = ensemble.levels(0, 2, 7).unwrap();
        let field = RoomField::new(&room, 1.6 * 120.0).unwrap();
        let (spot_m, seat_m) = (room.spots[2].at_m.unwrap(), room.seats[0].at_m.unwrap());
        let plain = field.levels_db(spot_m, seat_m, &NOTES_HZ, 1.0 / 12.0);
        for (a, b) in draws.curve_db(1, 2).unwrap().iter().zip(plain) {
            // The waves above the last resonance stand as a short series, the pressures in single precision.
            assert!((a - b).abs() < 0.05, "{a} {b}");
        }
    }

    #[test]
    fn draws_repeat_and_spots_without_position_have_none() {
        let room = Room::from_toml("r", ROOM).unwrap();
        let draws = |seed| predicted_levels(&room, 0, &NOTES_HZ, 1.0 / 12.0, 5, seed).unwrap();
        assert_eq!(draws(1).curve_db(4, 0), draws(1).curve_db(4, 0));
        assert_ne!(draws(1).curve_db(4, 0), draws(2).curve_db(4, 0));
        assert_eq!((draws(1).curve_db(0, 1), draws(1).curve_db(5, 0), draws(1).curve_db(0, 3)), (None, None, None));
        assert!(draws(1).curve_db(3, 2).unwrap().iter().all(|level_db| level_db.is_finite()));
    }

    #[test]
    fn nothing_is_predicted_where_nothing_was_measured() {
        let room = Room::unmeasured("r", &["sofa"], &["left"]);
        assert_eq!(predicted_levels(&room, 0, &NOTES_HZ, 0.0, 4, 1), None);
        let room = Room::from_toml("r", ROOM).unwrap();
        assert_eq!(predicted_levels(&room, 2, &NOTES_HZ, 0.0, 4, 1), None);
    }
}
