//! Maps over the floor: how even the bass would be from everywhere, and what a standing wave looks like.

use std::f64::consts::TAU;

use faer::{Accum, MatMut, MatRef, Par};
use realfft::num_complex::Complex64;

use crate::room::field::{RoomField, Worth};
use crate::room::modes::SPEED_OF_SOUND_M_PER_S;
use crate::room::outline;
use crate::room::plan::Room;
use crate::room::waves::cosine;

/// Values on a square grid over the floor's bounding rectangle, row by row from the lowest y; not a number outside.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Grid {
    /// Middle of the first cell, metres.
    pub first_m: [f64; 2],
    /// From cell to cell, metres.
    pub step_m: f64,
    /// Cells along x.
    pub columns: usize,
    /// Cells along y.
    pub rows: usize,
    /// One for each cell.
    pub values: Vec<f64>,
}

/// Finer grids than this say nothing more about bass, and cost memory.
const MOST_CELLS: usize = 400_000;
/// Cells that one thread works on at a time.
const CELLS_AT_ONCE: usize = 512;

impl Grid {
    /// An empty grid over a floor, coarsened where it would have too many cells; `None` without an outline.
    fn over(room: &Room, step_m: f64) -> Option<Self> {
        let corners = room.corners_m();
        if corners.is_empty() || !step_m.is_finite() {
            return None;
        }
        let low = [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::INFINITY, f64::min));
        let high = [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::NEG_INFINITY, f64::max));
        let floor_m2 = (high[0] - low[0]) * (high[1] - low[1]);
        let step_m = step_m.max((floor_m2 / MOST_CELLS as f64).sqrt());
        let count = |axis: usize| ((high[axis] - low[axis]) / step_m).ceil().max(1.0) as usize;
        let (columns, rows) = (count(0), count(1));
        let first_m = [low[0] + 0.5 * step_m, low[1] + 0.5 * step_m];
        Some(Self { first_m, step_m, columns, rows, values: vec![f64::NAN; columns * rows] })
    }

    /// Middle of a cell, metres.
    pub fn place_m(&self, cell: usize) -> [f64; 2] {
        let (column, row) = (cell % self.columns, cell / self.columns);
        [self.first_m[0] + self.step_m * column as f64, self.first_m[1] + self.step_m * row as f64]
    }

    /// The lowest value and where it is.
    pub fn lowest(&self) -> Option<([f64; 2], f64)> {
        let known = self.values.iter().enumerate().filter(|(_, value)| value.is_finite());
        known.min_by(|a, b| a.1.total_cmp(b.1)).map(|(cell, value)| (self.place_m(cell), *value))
    }
}

/// For every place on the floor, the spread (standard deviation over the frequencies, dB) that each seat would get from
/// a subwoofer there: a grid for each seat with a position, in the order of the seats.
///
/// Pure tones; the room as planned, without its doubt. `None` without an outline.
/// * `source_height_m` - height of the cone
/// * `step_m` - from cell to cell; 0.05 is fine enough for anything
pub fn spread_maps(
    room: &Room,
    field: &RoomField,
    frequencies_hz: &[f64],
    source_height_m: f64,
    step_m: f64,
) -> Option<Vec<Grid>> {
    let grid = Grid::over(room, step_m)?;
    let seats: Vec<[f64; 3]> = room.seats.iter().filter_map(|seat| seat.at_m).collect();
    if seats.is_empty() || frequencies_hz.is_empty() {
        return Some(Vec::new());
    }
    let corners = room.corners_m();
    let inside: Vec<usize> =
        (0..grid.values.len()).filter(|cell| outline::contains(&corners, grid.place_m(*cell))).collect();
    let answers = answers(field, &seats, frequencies_hz, source_height_m);
    let mut spreads = vec![0.0_f32; inside.len() * seats.len()];
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(8));
    let share = inside.len().div_ceil(threads).max(1);
    std::thread::scope(|scope| {
        for (cells, spreads) in inside.chunks(share).zip(spreads.chunks_mut(share * seats.len())) {
            let (grid, answers) = (&grid, &answers);
            scope.spawn(move || fill(field, grid, cells, answers, frequencies_hz.len(), spreads));
        }
    });
    let of_seat = |seat: usize| {
        let mut map = grid.clone();
        for (cell, spreads) in inside.iter().zip(spreads.chunks(seats.len())) {
            map.values[*cell] = f64::from(spreads[seat]);
        }
        map
    };
    Some((0..seats.len()).map(of_seat).collect())
}

/// For every wave over the floor (rows), what it brings to each seat at each frequency: real parts, then imaginary
/// parts.
fn answers(field: &RoomField, seats: &[[f64; 3]], frequencies_hz: &[f64], source_height_m: f64) -> Vec<f32> {
    let (waves, count) = (field.plan.waves.len(), frequencies_hz.len());
    let width = 2 * count * seats.len();
    let mut answers = vec![0.0_f32; waves * width];
    let z_m = source_height_m.clamp(0.0, field.height_m);
    let high = |vertical| cosine(vertical, z_m, field.height_m);
    let resonant_high: Vec<f64> = field.resonances.iter().map(|wave| high(wave.vertical)).collect();
    let stiff_high: Vec<f64> = field.stiff.iter().map(|wave| high(wave.vertical)).collect();
    for (seat, seat_m) in seats.iter().enumerate() {
        let heard = field.worth_at(*seat_m);
        for (at, frequency_hz) in frequencies_hz.iter().enumerate() {
            let k = TAU * frequency_hz / SPEED_OF_SOUND_M_PER_S;
            let taken = field.taken_at(&heard, *frequency_hz);
            // What a wave is worth at the seat, less what the openings take off.
            let worth = |of: fn(&Worth) -> &Vec<f64>, index: usize| {
                let ports = field.ports.iter().zip(&taken);
                ports
                    .fold(Complex64::from(of(&heard)[index]), |sum, (port, taken)| sum - taken * of(&port.worth)[index])
            };
            let start = seat * 2 * count + at;
            for (index, (resonance, high)) in field.resonances.iter().zip(&resonant_high).enumerate() {
                let brought = worth(|worth| &worth.resonant, index) * resonance.answer_m2(*frequency_hz) * high;
                answers[resonance.plan * width + start] += brought.re as f32;
                answers[resonance.plan * width + start + count] += brought.im as f32;
            }
            for (index, (wave, high)) in field.stiff.iter().zip(&stiff_high).enumerate() {
                let brought = worth(|worth| &worth.stiff, index) * (high / (wave.square_per_m2 - k * k));
                answers[wave.plan * width + start] += brought.re as f32;
                answers[wave.plan * width + start + count] += brought.im as f32;
            }
        }
    }
    answers
}

/// Spreads at some cells, seat by seat within each cell.
fn fill(field: &RoomField, grid: &Grid, cells: &[usize], answers: &[f32], count: usize, spreads: &mut [f32]) {
    let waves = field.plan.waves.len();
    let width = answers.len() / waves;
    let seats = width / (2 * count);
    if field.plan.rectangle_m().is_some() {
        return fill_rectangle(field, grid, cells, answers, count, spreads);
    }
    let mut worth = vec![0.0; waves];
    let mut worths = vec![0.0_f32; CELLS_AT_ONCE * waves];
    let mut sums = vec![0.0_f32; CELLS_AT_ONCE * width];
    let mut near = 0;
    for (cells, spreads) in cells.chunks(CELLS_AT_ONCE).zip(spreads.chunks_mut(CELLS_AT_ONCE * seats)) {
        for (cell, worths) in cells.iter().zip(worths.chunks_mut(waves)) {
            near = field.plan.at_into(grid.place_m(*cell), near, &mut worth);
            worths.iter_mut().zip(&worth).for_each(|(single, double)| *single = *double as f32);
        }
        product(&worths[..cells.len() * waves], answers, &mut sums[..cells.len() * width], waves);
        for (spread, pressure) in spreads.iter_mut().zip(sums.chunks(2 * count)) {
            *spread = spread_db(pressure);
        }
    }
}

/// The same over a rectangle, whose waves are products: along a row of cells only the half waves along x are left to
/// sum.
fn fill_rectangle(field: &RoomField, grid: &Grid, cells: &[usize], answers: &[f32], count: usize, spreads: &mut [f32]) {
    let width = answers.len() / field.plan.waves.len();
    let seats = width / (2 * count);
    let most = |axis: usize| {
        let of_wave = field.plan.waves.iter().map(|wave| wave.half_waves.unwrap_or_default()[axis] as usize + 1);
        of_wave.max().unwrap_or(1)
    };
    let (along_x, along_y) = (most(0), most(1));
    let mut column_worths = vec![0.0_f32; grid.columns * along_x];
    for (column, worth) in column_worths.chunks_mut(along_x).enumerate() {
        field.plan.axis_worth(0, grid.place_m(column)[0], worth);
    }
    let (mut row_worth, mut of_row) = (vec![0.0_f32; along_y], vec![0.0_f32; along_x * width]);
    let mut sums = vec![0.0_f32; grid.columns * width];
    let mut done = 0;
    for cells in cells.chunk_by(|a, b| a / grid.columns == b / grid.columns) {
        field.plan.axis_worth(1, grid.place_m(cells[0])[1], &mut row_worth);
        of_row.fill(0.0);
        for (wave, answers) in field.plan.waves.iter().zip(answers.chunks(width)) {
            let [x, y] = wave.half_waves.unwrap_or_default().map(|n| n as usize);
            let sum = &mut of_row[x * width..(x + 1) * width];
            sum.iter_mut().zip(answers).for_each(|(sum, answer)| *sum += row_worth[y] * answer);
        }
        // A rectangle's row has no gaps.
        let first = cells[0] % grid.columns;
        let worths = &column_worths[first * along_x..(first + cells.len()) * along_x];
        product(worths, &of_row, &mut sums[..cells.len() * width], along_x);
        let spreads = &mut spreads[done * seats..(done + cells.len()) * seats];
        for (spread, pressure) in spreads.iter_mut().zip(sums.chunks(2 * count)) {
            *spread = spread_db(pressure);
        }
        done += cells.len();
    }
}

/// Rows of worths times what the waves bring.
fn product(worths: &[f32], answers: &[f32], sums: &mut [f32], waves: usize) {
    let (rows, width) = (worths.len() / waves, answers.len() / waves);
    faer::linalg::matmul::matmul(
        MatMut::from_row_major_slice_mut(sums, rows, width),
        Accum::Replace,
        MatRef::from_row_major_slice(worths, rows, waves),
        MatRef::from_row_major_slice(answers, waves, width),
        1.0_f32,
        Par::Seq,
    );
}

/// Standard deviation of the levels of some pressures: real parts, then imaginary parts.
fn spread_db(pressure: &[f32]) -> f32 {
    // Sums side by side, which the processor adds at once.
    const LANES: usize = 8;
    let count = pressure.len() / 2;
    let (real, imaginary) = pressure.split_at(count);
    let level = |re: f32, im: f32| fast_log2((re * re + im * im).max(1e-20));
    let (mut sums, mut squares) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    let (real_blocks, imaginary_blocks) = (real.chunks_exact(LANES), imaginary.chunks_exact(LANES));
    let rest = real_blocks.remainder().iter().zip(imaginary_blocks.remainder()).map(|(re, im)| level(*re, *im));
    let (rest_sum, rest_squares) =
        rest.fold((0.0, 0.0), |(sum, squares), level| (sum + level, squares + level * level));
    for (re, im) in real_blocks.zip(imaginary_blocks) {
        for lane in 0..LANES {
            let level = level(re[lane], im[lane]);
            sums[lane] += level;
            squares[lane] += level * level;
        }
    }
    let (sum, squares) = (sums.iter().sum::<f32>() + rest_sum, squares.iter().sum::<f32>() + rest_squares);
    let mean = sum / count as f32;
    // 10 lg x = 3.0103 log2 x.
    3.010_3 * (squares / count as f32 - mean * mean).max(0.0).sqrt()
}

/// Binary logarithm of a positive normal number, within 0.0003: enough for a level within a thousandth of a decibel.
fn fast_log2(x: f32) -> f32 {
    let bits = x.to_bits();
    let exponent = ((bits >> 23) as i32 - 127) as f32;
    let mantissa = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
    // log2 m = 2/ln 2 (t + t³/3 + t⁵/5 + …), t = (m - 1)/(m + 1), at most 1/3.
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let square = t * t;
    exponent + t * (2.885_39 + square * (0.961_797 + square * (0.577_078 + square * 0.412_199)))
}

/// What a standing wave looks like at floor level: its pressure over the floor, the mean of the square 1.
pub fn pressure_map(room: &Room, field: &RoomField, resonance: usize, step_m: f64) -> Option<Grid> {
    let mut grid = Grid::over(room, step_m)?;
    let plan = field.resonances.get(resonance)?.plan;
    let corners = room.corners_m();
    let mut worth = vec![0.0; field.plan.waves.len()];
    let mut near = 0;
    for cell in 0..grid.values.len() {
        let place_m = grid.place_m(cell);
        if outline::contains(&corners, place_m) {
            near = field.plan.at_into(place_m, near, &mut worth);
            grid.values[cell] = worth[plan];
        }
    }
    Some(grid)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_map(text: &str) {
        let room = Room::from_toml("r", text).unwrap();
        let field = RoomField::new(&room, 200.0).unwrap();
        let frequencies_hz: Vec<f64> = (0..12).map(|n| 25.0 * (f64::from(n) / 5.0).exp2()).collect();
        let maps = spread_maps(&room, &field, &frequencies_hz, 0.3, 0.4).unwrap();
        assert_eq!(maps.len(), 2);
        let mut compared = 0;
        for (map, seat) in maps.iter().zip(&room.seats) {
            for (cell, spread_db) in map.values.iter().enumerate().filter(|(_, value)| value.is_finite()) {
                let [x, y] = map.place_m(cell);
                let levels = field.levels_db([x, y, 0.3], seat.at_m.unwrap(), &frequencies_hz, 0.0);
                let mean = levels.iter().sum::<f64>() / 12.0;
                let plain = (levels.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 12.0).sqrt();
                assert!((plain - spread_db).abs() < 0.02 + 0.01 * plain, "{x} {y}: {plain} {spread_db}");
                compared += 1;
            }
        }
        assert!(compared > 100);
    }

    const OPENING: &str = "[[opening]]\nfrom_m = [1, 0]\nto_m = [2, 0]\n";
    const SEATS: &str =
        "height_m = 2.5\n[[seat]]\nname = \"a\"\nat_m = [2.1, 1.4]\n[[seat]]\nname = \"b\"\nat_m = [3.2, 1.9]\n";

    #[test]
    fn the_map_of_a_rectangle_is_what_single_spots_give() {
        check_map(&format!("size_m = [5.1, 3.7]\n{SEATS}"));
    }

    #[test]
    fn the_map_of_an_l_shape_is_what_single_spots_give() {
        check_map(&format!("floor_m = [[0,0],[5.5,0],[5.5,2.6],[3.5,2.6],[3.5,4.2],[0,4.2]]\n{SEATS}"));
    }

    #[test]
    fn the_map_of_a_room_with_an_opening_is_what_single_spots_give() {
        check_map(&format!("size_m = [5.1, 3.7]\n{SEATS}{OPENING}"));
    }

    #[test]
    fn the_fast_logarithm_is_good_enough() {
        for step in -400..400 {
            let x = (step as f32 * 0.05).exp2();
            assert!((fast_log2(x) - step as f32 * 0.05).abs() < 4e-4, "{x}");
        }
    }

    #[test]
    fn the_first_wave_along_the_length_is_loud_at_the_ends_and_silent_between() {
        let room = Room::from_toml("r", &format!("size_m = [5.0, 4.0]\n{SEATS}")).unwrap();
        let field = RoomField::new(&room, 100.0).unwrap();
        let map = pressure_map(&room, &field, 1, 0.5).unwrap();
        assert!((map.values[0] - 2.0_f64.sqrt() * (0.025 * TAU).cos()).abs() < 1e-6);
        assert!((map.values[0] + map.values[map.columns - 1]).abs() < 1e-6);
        assert!(pressure_map(&room, &field, 10_000, 0.5).is_none());
    }
}
