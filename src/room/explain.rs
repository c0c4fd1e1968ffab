//! Why a note booms or is missing, in words, and what would change it.

use realfft::num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::room::field::{Resonance, RoomField};
use crate::room::modes::ModeKind;
use crate::room::plan::{Room, wall_letter};
use crate::room::{outline, suggest};

/// A note that stands out at a seat, and what is behind it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// The note.
    pub frequency_hz: f64,
    /// How far it is above (or below) the mean of all notes, dB.
    pub deviation_db: f64,
    /// Frequency of the standing wave that is mostly behind it.
    pub mode_hz: f64,
    /// The whole explanation, for the person.
    pub words: String,
}

/// Notes that stand out by less are even enough (the border between 'even' and 'a little strong' lies near 1.5 dB).
const STANDS_OUT_DB: f64 = 3.0;
const MOST_CAUSES: usize = 6;
/// Where a wave's pressure is below this share of its mean, a place is in its silent zone.
const SILENT: f64 = 0.5;
const STEP_M: f64 = 0.05;

/// The notes that stand out most at a seat, largest deviation first, each with its reason.
///
/// Speaks of the room as planned, without its doubt; above the Schroeder frequency single waves explain nothing, and
/// nothing is said. At most six notes.
/// * `frequencies_hz` - the notes, ascending
pub fn explain(
    room: &Room,
    field: &RoomField,
    spot_m: [f64; 3],
    seat_m: [f64; 3],
    frequencies_hz: &[f64],
    half_width_octaves: f64,
) -> Vec<Cause> {
    let levels_db = field.levels_db(spot_m, seat_m, frequencies_hz, half_width_octaves);
    let mean_db = levels_db.iter().sum::<f64>() / levels_db.len().max(1) as f64;
    let deviation = |at: usize| levels_db[at] - mean_db;
    let stands_out = |at: &usize| {
        let sign = deviation(*at).signum();
        let beyond = |other: Option<usize>| {
            other.filter(|o| *o < levels_db.len()).is_none_or(|o| sign * deviation(o) <= sign * deviation(*at))
        };
        deviation(*at).abs() >= STANDS_OUT_DB
            && beyond(at.checked_sub(1))
            && beyond(Some(at + 1))
            && frequencies_hz[*at] <= field.schroeder_hz().max(100.0)
    };
    let mut notes: Vec<usize> = (0..levels_db.len()).filter(stands_out).collect();
    notes.sort_by(|a, b| deviation(*b).abs().total_cmp(&deviation(*a).abs()));
    let between = SpotAndSeat::new(room, field, spot_m, seat_m);
    notes.into_iter().take(MOST_CAUSES).map(|at| between.cause(frequencies_hz[at], deviation(at))).collect()
}

/// Who is moved.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Who {
    Seat,
    Subwoofer,
}

/// One spot and one seat in a room, and how much each standing wave is worth at either.
struct SpotAndSeat<'a> {
    room: &'a Room,
    field: &'a RoomField,
    corners: Vec<[f64; 2]>,
    spot_m: [f64; 3],
    seat_m: [f64; 3],
    at_spot: Vec<f64>,
    at_seat: Vec<f64>,
}

impl<'a> SpotAndSeat<'a> {
    fn new(room: &'a Room, field: &'a RoomField, spot_m: [f64; 3], seat_m: [f64; 3]) -> Self {
        let (at_spot, at_seat) = (field.worth_at(spot_m).resonant, field.worth_at(seat_m).resonant);
        Self { room, field, corners: room.corners_m(), spot_m, seat_m, at_spot, at_seat }
    }

    fn cause(&self, frequency_hz: f64, deviation_db: f64) -> Cause {
        let (mode, words) = if deviation_db > 0.0 { self.loud(frequency_hz) } else { self.missing(frequency_hz) };
        let how = if deviation_db > 0.0 { "louder" } else { "weaker" };
        let words = format!("{frequency_hz:.0} Hz, {:.0} dB {how} than the rest: {words}", deviation_db.abs());
        Cause { frequency_hz, deviation_db, mode_hz: self.field.resonances[mode].frequency_hz, words }
    }

    fn loud(&self, frequency_hz: f64) -> (usize, String) {
        let parts = self.parts(frequency_hz);
        let sum: Complex64 = parts.iter().sum();
        let share = |mode: &usize| (parts[*mode] * sum.conj()).re;
        let mode = (0..parts.len()).max_by(|a, b| share(a).total_cmp(&share(b))).unwrap_or(0);
        let seat = self.standing(self.at_seat[mode], mode);
        let mut words = format!("{}; this seat is {seat}", self.name(mode));
        let half = |from: f64| move |worth: f64| worth.abs() <= 0.5 * from.abs();
        match (
            self.shift(Who::Subwoofer, mode, half(self.at_spot[mode])),
            self.shift(Who::Seat, mode, half(self.at_seat[mode])),
        ) {
            (Some(spot), Some(seat)) => {
                words += &format!("; moving the subwoofer {spot} halves this wave, and so does moving the seat {seat}");
            }
            (Some(spot), None) => words += &format!("; moving the subwoofer {spot} halves this wave"),
            (None, Some(seat)) => words += &format!("; moving the seat {seat} halves this wave"),
            (None, None) => {}
        }
        (mode, words)
    }

    fn missing(&self, frequency_hz: f64) -> (usize, String) {
        let could = |mode: &usize| self.field.resonances[*mode].answer_m2(frequency_hz).norm();
        let mode = (0..self.at_seat.len()).max_by(|a, b| could(a).total_cmp(&could(b))).unwrap_or(0);
        let name = self.name(mode);
        let heard = |worth: f64| worth.abs() >= 1.0;
        let (who, word, silent) = if self.at_seat[mode].abs() < SILENT {
            (Who::Seat, "seat", "this seat is in its silent zone")
        } else if self.at_spot[mode].abs() < SILENT {
            (Who::Subwoofer, "subwoofer", "the subwoofer stands in its silent zone and cannot wake it")
        } else {
            return (mode, self.cancelled(frequency_hz, mode));
        };
        let mut words = format!("{name}; {silent}");
        if let Some(shift) = self.shift(who, mode, heard) {
            words += &format!("; moving the {word} {shift} brings it back");
        }
        (mode, words)
    }

    /// Two waves against each other.
    fn cancelled(&self, frequency_hz: f64, mode: usize) -> String {
        let parts = self.parts(frequency_hz);
        let against = |other: &usize| (parts[*other] * parts[mode].conj()).re;
        let other = (0..parts.len()).min_by(|a, b| against(a).total_cmp(&against(b))).unwrap_or(mode);
        if against(&other) < 0.0 {
            format!("{} and {} arrive against each other here", self.name(mode), self.name(other))
        } else {
            format!("it lies between standing waves; the nearest is {}", self.name(mode))
        }
    }

    /// What every wave brings from the subwoofer to the seat.
    fn parts(&self, frequency_hz: f64) -> Vec<Complex64> {
        let waves = self.field.resonances.iter().zip(self.at_spot.iter().zip(&self.at_seat));
        waves.map(|(wave, (a, b))| wave.answer_m2(frequency_hz) * (a * b)).collect()
    }

    /// Where a place is in a wave.
    fn standing(&self, worth: f64, mode: usize) -> &'static str {
        let resonance = &self.field.resonances[mode];
        let axes = resonance.plan_half_waves.map_or(2, |n| n.iter().filter(|n| **n > 0).count())
            + usize::from(resonance.vertical > 0);
        // A wave along one axis has the maximum √2, along two 2, along three 2√2.
        match worth.abs() / 2.0_f64.sqrt().powi(axes as i32) {
            share if share > 0.85 => "at its maximum",
            share if share > 0.5 => "in its loud zone",
            share if share > 0.25 => "between its loud and its silent zone",
            _ => "in its silent zone, but the subwoofer drives it hard",
        }
    }

    /// The shortest way along x or y that changes what a wave is worth as wanted, where nothing is in the way.
    fn shift(&self, who: Who, mode: usize, wanted: impl Fn(f64) -> bool) -> Option<String> {
        const LONGEST_M: f64 = 2.5;
        let place_m = if who == Who::Seat { self.seat_m } else { self.spot_m };
        for step in 1..=(LONGEST_M / STEP_M) as u32 {
            for (axis, sign) in [(0, 1.0), (0, -1.0), (1, 1.0), (1, -1.0)] {
                let mut there_m = place_m;
                there_m[axis] += sign * STEP_M * f64::from(step);
                let plan = [there_m[0], there_m[1]];
                let clear = outline::contains(&self.corners, plan)
                    && outline::distance_to_walls_m(&self.corners, plan) > 0.2
                    && suggest::in_the_way(self.room, plan).is_none()
                    && (who == Who::Seat || suggest::within_reach(self.room, plan));
                if clear && wanted(self.field.worth_at(there_m).resonant[mode]) {
                    let along = if axis == 0 { "along the length" } else { "along the width" };
                    let to = match facing_wall(&self.corners, plan, axis) {
                        Some((wall, off_m)) => format!("to {off_m:.2} m off wall {}", wall_letter(wall)),
                        None => format!("to {} = {:.2} m", ["x", "y"][axis], there_m[axis]),
                    };
                    return Some(format!("{:.2} m {along} ({to})", STEP_M * f64::from(step)));
                }
            }
        }
        None
    }

    fn name(&self, mode: usize) -> String {
        mode_in_words(self.field, &self.field.resonances[mode])
    }
}

/// A standing wave in words: 'the first standing wave along the 5.0 m length (34 Hz)'.
pub fn mode_in_words(field: &RoomField, resonance: &Resonance) -> String {
    let hz = resonance.frequency_hz;
    if hz == 0.0 {
        return "the even pressure of the closed room".into();
    }
    let Some([x, y]) = resonance.plan_half_waves else {
        return match resonance.kind {
            ModeKind::Axial => {
                format!("the {} standing wave between floor and ceiling ({hz:.0} Hz)", ordinal(resonance.vertical))
            }
            ModeKind::Plan => {
                format!("the {} standing wave over the floor ({hz:.0} Hz)", ordinal(resonance.plan as u32))
            }
            _ => format!("a standing wave over the floor and between floor and ceiling ({hz:.0} Hz)"),
        };
    };
    let size_m = field.plan.rectangle_m().unwrap_or_default();
    match (x, y, resonance.vertical) {
        (n, 0, 0) => format!("the {} standing wave along the {:.1} m length ({hz:.0} Hz)", ordinal(n), size_m[0]),
        (0, n, 0) => format!("the {} standing wave along the {:.1} m width ({hz:.0} Hz)", ordinal(n), size_m[1]),
        (0, 0, n) => format!("the {} standing wave between floor and ceiling ({hz:.0} Hz)", ordinal(n)),
        (x, y, z) => {
            let sides = [(x, "along the length"), (y, "along the width"), (z, "in the height")];
            let parts: Vec<String> =
                sides.iter().filter(|(n, _)| *n > 0).map(|(n, side)| format!("{n} {side}")).collect();
            let across = if z == 0 { "a standing wave across the floor" } else { "a standing wave" };
            let (last, first) = parts.split_last().map_or(("", &[][..]), |(last, first)| (last.as_str(), first));
            format!("{across}, {} and {last} ({hz:.0} Hz)", first.join(", "))
        }
    }
}

/// The nearest wall that lies across an axis (0: x, 1: y) beside a place, and how far it is: what a tape along it
/// meets.
fn facing_wall(corners: &[[f64; 2]], place_m: [f64; 2], axis: usize) -> Option<(usize, f64)> {
    let across = |wall: usize| {
        let (a, b) = (corners[wall], corners[(wall + 1) % corners.len()]);
        let straight = (b[axis] - a[axis]).abs() < 0.02 * (b[1 - axis] - a[1 - axis]).abs();
        let (low, high) = (a[1 - axis].min(b[1 - axis]), a[1 - axis].max(b[1 - axis]));
        let beside = (low..=high).contains(&place_m[1 - axis]);
        (straight && beside).then(|| (wall, (place_m[axis] - a[axis]).abs()))
    };
    (0..corners.len()).filter_map(across).min_by(|a, b| a.1.total_cmp(&b.1))
}

fn ordinal(n: u32) -> String {
    match n {
        1 => "first".into(),
        2 => "second".into(),
        3 => "third".into(),
        4 => "fourth".into(),
        n => format!("{n}th"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seat_in_the_middle_misses_the_first_wave_along_the_length() {
        // At half the length the first wave is silent whatever the subwoofer does.
        let room = Room::from_toml("r", "size_m = [5.0, 3.6]\nheight_m = 2.4\nreverberation_s = 0.8\n").unwrap();
        let field = RoomField::new(&room, 200.0).unwrap();
        let notes_hz: Vec<f64> = (0..28).map(|n| 25.0 * (f64::from(n) / 12.0).exp2()).collect();
        let causes = explain(&room, &field, [0.35, 0.35, 0.3], [2.5, 1.2, 1.1], &notes_hz, 0.0);
        assert!(!causes.is_empty() && causes.len() <= MOST_CAUSES);
        let said = causes.iter().find(|cause| cause.words.contains("first standing wave along the 5.0 m length"));
        let said = said.unwrap_or_else(|| panic!("{causes:#?}"));
        assert!(said.deviation_db < 0.0 && said.words.contains("silent zone"), "{said:?}");
    }

    #[test]
    fn a_loud_note_in_a_corner_names_its_wave_and_a_way_out() {
        let room = Room::from_toml("r", "size_m = [5.0, 3.6]\nheight_m = 2.4\nreverberation_s = 1.0\n").unwrap();
        let field = RoomField::new(&room, 200.0).unwrap();
        let own_hz = field.resonances()[1].frequency_hz;
        let notes_hz = [26.0, own_hz, 40.0, 44.0, 56.0];
        let causes = explain(&room, &field, [0.35, 1.8, 0.3], [4.6, 1.8, 1.1], &notes_hz, 0.0);
        let loud = causes.iter().find(|cause| cause.deviation_db > 0.0).unwrap();
        assert!((loud.mode_hz - own_hz).abs() < 1e-9, "{loud:?}");
        assert!(loud.words.contains("at its maximum") && loud.words.contains("halves this wave"), "{loud:?}");
    }
}
