//! Openings: what leaks through a doorway into a space that nobody measured.
//!
//! Air in an opening moves like a light piston between the room and what lies behind. The room's waves are those of
//! shut doors; the piston then takes from each place what it radiates, and gives back what the space behind sends. That
//! is exact for a piston, however strong it couples: p = P(r, s) - P(r, a) [D + P(a, a)]⁻¹ P(a, s), D = 4πζ/(jkS), with
//! P the field of the closed room, a the openings, S their areas, and ζ the impedance of what lies behind over ρc.
//! Source: Kirchhoff's integral with the closed room's Green's function (Kuttruff, *Room Acoustics*, chapter 3; Morse &
//! Ingard, *Theoretical Acoustics*, chapter 9).

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

use crate::random::Random;
use crate::room::field::Worth;
use crate::room::modes::SPEED_OF_SOUND_M_PER_S;
use crate::room::plan::Opening;

/// Doorways are this high where nobody said (common practice).
pub(in crate::room) const DOOR_HEIGHT_M: f64 = 2.0;
/// More openings than these are not told apart; the largest count.
pub(in crate::room) const MOST_PORTS: usize = 4;

/// An opening as the room's waves meet it.
#[derive(Debug, Clone)]
pub(in crate::room) struct Port {
    pub(in crate::room) worth: Worth,
    pub(in crate::room) area_m2: f64,
    pub(in crate::room) load: Load,
}

/// What lies behind an opening, as a passage of a larger section with a far end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::room) struct Load {
    /// The opening's area over that of the section behind it; 1 for a passage as wide as the opening.
    pub(in crate::room) share: f64,
    /// How far the far end is.
    pub(in crate::room) length_m: f64,
    /// The part of the pressure that comes back from it.
    pub(in crate::room) reflection: f64,
}

impl Load {
    /// Where nobody knows what lies behind: a hall somewhat larger than its door, from which nothing comes back.
    pub(in crate::room) const USUAL: Self = Self { share: 0.5, length_m: 4.0, reflection: 0.0 };

    /// A space behind as it may be: from a passage to a large room, near or far, dead or live.
    pub(in crate::room) fn draw(random: &mut Random) -> Self {
        Self {
            share: libm::exp2(-2.5 * random.uniform()),
            length_m: 2.0 * libm::exp2(2.0 * random.uniform()),
            reflection: 0.9 * random.uniform(),
        }
    }

    /// Impedance over ρc at the opening: a tube with a reflecting end behind a change of section, whose air moves
    /// along.
    ///
    /// # Source
    /// Kinsler et al., *Fundamentals of Acoustics*, chapter on pipes. The mass beside the opening is that of a flanged
    /// end, 0.85 radii, less for a wider opening (from memory, after Ingard, JASA 25, 1037, 1953).
    pub(in crate::room) fn impedance(self, area_m2: f64, frequency_hz: f64) -> Complex64 {
        let k = TAU * frequency_hz / SPEED_OF_SOUND_M_PER_S;
        let back = Complex64::from_polar(self.reflection, -2.0 * k * self.length_m);
        let mass_m = 0.85 * (area_m2 / PI).sqrt() * (1.0 - self.share.sqrt());
        self.share * (1.0 + back) / (1.0 - back) + Complex64::new(0.0, k * mass_m)
    }
}

/// Width times height, m²; no higher than the room.
pub(in crate::room) fn area_m2(opening: &Opening, room_height_m: f64) -> f64 {
    let width_m = (opening.to_m[0] - opening.from_m[0]).hypot(opening.to_m[1] - opening.from_m[1]);
    width_m * height_m(opening, room_height_m)
}

pub(in crate::room) fn height_m(opening: &Opening, room_height_m: f64) -> f64 {
    opening.height_m.unwrap_or(DOOR_HEIGHT_M).min(room_height_m)
}

/// The mean of a wave between floor and ceiling over the height of an opening.
pub(in crate::room) fn mean_over_height(half_waves: u32, opening_m: f64, room_height_m: f64) -> f64 {
    if half_waves == 0 {
        return 1.0;
    }
    let phase = PI * f64::from(half_waves) * opening_m / room_height_m;
    2.0_f64.sqrt() * phase.sin() / phase
}

/// [D + P(a, a)]⁻¹ P(a, s): how strongly each opening's field is taken off what is heard at a place.
/// * `between` - P of the openings among each other, row by row
/// * `heard` - P of each opening at the place; becomes the answer
pub(in crate::room) fn taken(
    loads: &[(f64, Load)],
    frequency_hz: f64,
    between: &mut [Complex64],
    heard: &mut [Complex64],
) {
    let count = loads.len();
    let k = TAU * frequency_hz / SPEED_OF_SOUND_M_PER_S;
    for (index, (area_m2, load)) in loads.iter().enumerate() {
        let behind = 4.0 * PI * load.impedance(*area_m2, frequency_hz) / (Complex64::I * k * area_m2);
        between[index * count + index] += behind;
    }
    // Gauss's elimination; the diagonal is never small, because what lies behind takes energy.
    for pivot in 0..count {
        for row in pivot + 1..count {
            let share = between[row * count + pivot] / between[pivot * count + pivot];
            for column in pivot..count {
                let above = between[pivot * count + column];
                between[row * count + column] -= share * above;
            }
            heard[row] -= share * heard[pivot];
        }
    }
    for row in (0..count).rev() {
        for column in row + 1..count {
            heard[row] -= between[row * count + column] * heard[column];
        }
        heard[row] /= between[row * count + row];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::field::RoomField;
    use crate::room::modes::damping_per_s;
    use crate::room::plan::Room;

    #[test]
    fn a_room_with_a_passage_is_the_two_drawn_as_one() {
        // 5 x 4 m with a passage 1 m wide and 3 m long, rigid at its end, all as high as the room: by finite elements
        // over both, and as the closed box with an opening onto a tube of 3 m.
        let together = "floor_m = [[0,0],[5,0],[5,1.5],[8,1.5],[8,2.5],[5,2.5],[5,4],[0,4]]\nheight_m = 2.4\n";
        let alone =
            "size_m = [5, 4]\nheight_m = 2.4\n[[opening]]\nfrom_m = [5, 1.5]\nto_m = [5, 2.5]\nheight_m = 2.4\n";
        let (reverberation_s, decay_per_s) = (0.5, damping_per_s(0.5));
        let whole =
            RoomField::new(&Room::from_toml("r", together).unwrap(), 250.0).unwrap().evenly_damped(reverberation_s);
        let mut leaky =
            RoomField::new(&Room::from_toml("r", alone).unwrap(), 250.0).unwrap().evenly_damped(reverberation_s);
        // The same damping in the passage takes e^{-2δL/c} on the way there and back.
        let reflection = (-2.0 * decay_per_s * 3.0 / SPEED_OF_SOUND_M_PER_S).exp();
        leaky.ports[0].load = Load { share: 1.0, length_m: 3.0, reflection };
        let shut = RoomField { ports: Vec::new(), ..leaky.clone() };
        let notes_hz: Vec<f64> = (0..28).map(|n| 25.0 * (f64::from(n) / 12.0).exp2()).collect();
        let (mut off_db, mut shut_off_db) = (0.0, 0.0);
        for (spot_m, seat_m) in [([0.4, 0.4, 0.3], [3.1, 2.3, 1.1]), ([4.6, 3.6, 0.3], [2.2, 1.4, 1.1])] {
            let levels = |field: &RoomField| field.levels_db(spot_m, seat_m, &notes_hz, 1.0 / 12.0);
            let apart = |a: Vec<f64>, b: Vec<f64>| a.iter().zip(b).map(|(x, y)| (x - y).abs()).sum::<f64>() / 56.0;
            off_db += apart(levels(&whole), levels(&leaky));
            shut_off_db += apart(levels(&whole), levels(&shut));
        }
        assert!(off_db < 0.5 && shut_off_db > 4.0 * off_db, "{off_db} {shut_off_db}");
    }

    #[test]
    fn a_tube_without_an_end_is_its_section() {
        let passage = Load { share: 1.0, length_m: 3.0, reflection: 0.0 };
        assert!((passage.impedance(1.8, 50.0) - Complex64::new(1.0, 0.0)).norm() < 1e-12);
        // A quarter wave of a rigid tube is a short, half a wave an open circuit: Kinsler et al., pipes.
        let closed = Load { reflection: 0.999, ..passage };
        let quarter_hz = SPEED_OF_SOUND_M_PER_S / 12.0;
        assert!(
            closed.impedance(1.8, quarter_hz).norm() < 1e-3 && closed.impedance(1.8, 2.0 * quarter_hz).norm() > 1e3
        );
    }

    #[test]
    fn two_openings_are_taken_off_as_the_equations_say() {
        let loads = [(1.8, Load::USUAL), (1.2, Load { share: 0.8, ..Load::USUAL })];
        let between = [(0.5, -0.3), (0.1, 0.2), (0.1, 0.2), (0.7, -0.1)].map(|(re, im)| Complex64::new(re, im));
        let heard = [Complex64::new(0.3, 0.4), Complex64::new(-0.2, 0.1)];
        let (mut matrix, mut taken_off) = (between.to_vec(), heard.to_vec());
        taken(&loads, 60.0, &mut matrix, &mut taken_off);
        for row in 0..2 {
            let k = TAU * 60.0 / SPEED_OF_SOUND_M_PER_S;
            let behind = 4.0 * PI * loads[row].1.impedance(loads[row].0, 60.0) / (Complex64::I * k * loads[row].0);
            let sum = between[row * 2] * taken_off[0] + between[row * 2 + 1] * taken_off[1] + behind * taken_off[row];
            assert!((sum - heard[row]).norm() < 1e-12, "{sum} {}", heard[row]);
        }
    }
}
