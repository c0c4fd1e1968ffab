//! Standing waves over a floor, as they would be if the room had no height.

use std::f64::consts::PI;

use crate::room::eigen;
use crate::room::elements::{LOCAL, Reference, Unknowns};
use crate::room::mesh::Mesh;
use crate::room::outline::{self, area_m2};
use crate::room::plan::{Floor, Room};

/// One standing wave over the floor, scaled so that the mean of its square over the floor is 1.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::room) struct PlanWave {
    /// The parts of its squared wavenumber that come from change along x and along y, 1/m².
    pub(in crate::room) squares_per_m2: [f64; 2],
    /// Half waves along the length and the width, where the floor is a rectangle.
    pub(in crate::room) half_waves: Option<[u32; 2]>,
    /// For each wall, the integral of its square along the wall, over the floor's area, 1/m.
    pub(in crate::room) at_walls_per_m: Vec<f64>,
    /// Its mean over the width of each opening.
    pub(in crate::room) at_openings: Vec<f64>,
}

/// All standing waves over a floor up to some wavenumber, lowest first; the first is the even pressure.
#[derive(Debug, Clone)]
pub(in crate::room) struct PlanWaves {
    pub(in crate::room) area_m2: f64,
    /// All waves up to this wavenumber are here.
    pub(in crate::room) reach_per_m: f64,
    pub(in crate::room) waves: Vec<PlanWave>,
    shape: Shape,
}

/// More half waves than a rectangle of up to 60 m by at least 1 m can have along one side within `MOST_WAVES`.
const MOST_HALF_WAVES: usize = 512;

#[derive(Debug, Clone)]
enum Shape {
    Rectangle { corner_m: [f64; 2], size_m: [f64; 2] },
    Mesh(Box<Meshed>),
}

/// Standing waves found by finite elements.
#[derive(Debug, Clone)]
struct Meshed {
    corners: Vec<[f64; 2]>,
    mesh: Mesh,
    unknowns: Unknowns,
    reference: Reference,
    waves: usize,
    /// The values of all waves at the first unknown, then at the second, and so on.
    values: Vec<f64>,
}

/// Standing waves of a rectangle cost nothing, so many are taken; those of other floors only as far as they matter.
const RECTANGLE_REACH: f64 = 3.0;
const MESH_REACH: f64 = 1.25;
/// In halls the waves are so many that none matters alone; these bound time and memory.
const MOST_WAVES: f64 = 500.0;
const MOST_MESHED_WAVES: f64 = 250.0;
/// Longest edge of a triangle times the highest wavenumber: fourth-order elements are then accurate to a few 1e-5.
const EDGE_TIMES_WAVENUMBER: f64 = 3.0;

impl PlanWaves {
    /// Standing waves over the room's floor: all that a resonance with a wavenumber up to `last_per_m` may need, and
    /// some above. `None` without an outline, or if it cannot be cut into triangles.
    pub(in crate::room) fn of(room: &Room, last_per_m: f64) -> Option<Self> {
        match rectangle(room) {
            Some((corner_m, size_m)) => {
                let reach_per_m = (RECTANGLE_REACH * last_per_m).min(reach_of(size_m[0] * size_m[1], MOST_WAVES));
                Some(Self::of_rectangle(room, corner_m, size_m, reach_per_m))
            }
            None => {
                let area_m2 = area_m2(&room.corners_m());
                Self::of_outline(room, (MESH_REACH * last_per_m).min(reach_of(area_m2, MOST_MESHED_WAVES)))
            }
        }
    }

    /// Length and width of a rectangular floor.
    pub(in crate::room) fn rectangle_m(&self) -> Option<[f64; 2]> {
        match &self.shape {
            Shape::Rectangle { size_m, .. } => Some(*size_m),
            Shape::Mesh(_) => None,
        }
    }

    /// For a rectangular floor, what 0, 1, 2 … half waves along an axis are worth at a coordinate.
    pub(in crate::room) fn axis_worth(&self, axis: usize, at_m: f64, worth: &mut [f32]) {
        if let Shape::Rectangle { corner_m, size_m } = &self.shape {
            let along = along_axis(at_m - corner_m[axis], size_m[axis]);
            worth.iter_mut().zip(along).for_each(|(worth, along)| *worth = along as f32);
        }
    }

    /// By finite elements, whatever the outline.
    fn of_outline(room: &Room, last_per_m: f64) -> Option<Self> {
        let corners = room.corners_m();
        let area_m2 = area_m2(&corners);
        let perimeter_m: f64 = (0..corners.len()).map(|i| length_m(corners[i], corners[(i + 1) % corners.len()])).sum();
        let edge_m = (EDGE_TIMES_WAVENUMBER / last_per_m).min(0.25 * area_m2.sqrt());
        let mesh = Mesh::of(&corners, edge_m)?;
        let (reference, unknowns) = (Reference::new()?, Unknowns::of(&mesh));
        let matrices = reference.assemble(&mesh, &unknowns);
        // How many there are: Weyl's law for a membrane with free edges.
        let expected = (area_m2 * last_per_m.powi(2) + perimeter_m * last_per_m) / (4.0 * PI);
        let vectors = eigen::lowest(&matrices, last_per_m * last_per_m, expected as usize + 1)?;
        let scale = area_m2.sqrt();
        let vectors: Vec<Vec<f64>> =
            vectors.iter().map(|vector| vector.iter().map(|value| value * scale).collect()).collect();
        let values = (0..unknowns.count).flat_map(|at| vectors.iter().map(move |vector| vector[at])).collect();
        let meshed = Meshed { corners, mesh, unknowns, reference, waves: vectors.len(), values };
        let waves = (0..vectors.len())
            .map(|wave| PlanWave {
                // The even pressure, found to rounding errors, is exactly that.
                squares_per_m2: [&matrices.along_x, &matrices.along_y]
                    .map(|matrix| if wave == 0 { 0.0 } else { (matrix.quadratic(&vectors[wave]) / area_m2).max(0.0) }),
                half_waves: None,
                at_walls_per_m: meshed.at_walls(wave, area_m2),
                at_openings: meshed.at_openings(wave, room),
            })
            .collect();
        Some(Self { area_m2, reach_per_m: last_per_m, waves, shape: Shape::Mesh(Box::new(meshed)) })
    }

    fn of_rectangle(room: &Room, corner_m: [f64; 2], size_m: [f64; 2], last_per_m: f64) -> Self {
        let step = size_m.map(|side_m| PI / side_m);
        let mut waves = Vec::new();
        for x in 0..=(last_per_m / step[0]) as u32 {
            for y in 0..=(last_per_m / step[1]) as u32 {
                let squares_per_m2 = [(step[0] * f64::from(x)).powi(2), (step[1] * f64::from(y)).powi(2)];
                if squares_per_m2[0] + squares_per_m2[1] <= last_per_m * last_per_m {
                    // On a wall that it runs into a wave has its maximum, along one that it runs beside its mean.
                    let at_end = |n: u32, side_m: f64| if n == 0 { 1.0 / side_m } else { 2.0 / side_m };
                    let (ends, sides) = (at_end(x, size_m[0]), at_end(y, size_m[1]));
                    let worth = |place_m: [f64; 2]| {
                        let along = |axis: usize, n: u32| cosine(n, place_m[axis] - corner_m[axis], size_m[axis]);
                        along(0, x) * along(1, y)
                    };
                    let gaps = room.fittings.openings.iter();
                    let at_openings = gaps.map(|gap| mean_along_gap(gap.from_m, gap.to_m, worth)).collect();
                    let at_walls_per_m = vec![sides, ends, sides, ends];
                    waves.push(PlanWave { squares_per_m2, half_waves: Some([x, y]), at_walls_per_m, at_openings });
                }
            }
        }
        waves.sort_by(|a, b| a.square_per_m2().total_cmp(&b.square_per_m2()));
        Self {
            area_m2: size_m[0] * size_m[1],
            reach_per_m: last_per_m,
            waves,
            shape: Shape::Rectangle { corner_m, size_m },
        }
    }

    /// What every wave is worth at a place on the floor. A place outside (tapes err) counts as just inside.
    pub(in crate::room) fn at(&self, place_m: [f64; 2]) -> Vec<f64> {
        match &self.shape {
            Shape::Rectangle { corner_m, size_m } => {
                let half_waves = |wave: &PlanWave| wave.half_waves.unwrap_or_default();
                let along: [Vec<f64>; 2] = [0, 1].map(|axis| {
                    let at_m = (place_m[axis] - corner_m[axis]).clamp(0.0, size_m[axis]);
                    let most = self.waves.iter().map(|wave| half_waves(wave)[axis]).max().unwrap_or(0);
                    (0..=most).map(|n| cosine(n, at_m, size_m[axis])).collect()
                });
                let worth = |wave: &PlanWave| {
                    let [x, y] = half_waves(wave);
                    along[0][x as usize] * along[1][y as usize]
                };
                self.waves.iter().map(worth).collect()
            }
            Shape::Mesh(meshed) => {
                let (triangle, local) = meshed.find(place_m, 0);
                let shapes = meshed.reference.shapes(local);
                let mut worth = vec![0.0; self.waves.len()];
                meshed.all_values(triangle, &shapes, &mut worth);
                worth
            }
        }
    }

    /// The same for one place after another, without allocating; `near` is what the last place gave back.
    pub(in crate::room) fn at_into(&self, place_m: [f64; 2], near: usize, worth: &mut [f64]) -> usize {
        match &self.shape {
            Shape::Rectangle { corner_m, size_m } => {
                let along = |axis: usize| along_axis(place_m[axis] - corner_m[axis], size_m[axis]);
                let along = [along(0), along(1)];
                for (value, wave) in worth.iter_mut().zip(&self.waves) {
                    let [x, y] = wave.half_waves.unwrap_or_default().map(|n| n as usize);
                    *value = along[0][x.min(MOST_HALF_WAVES - 1)] * along[1][y.min(MOST_HALF_WAVES - 1)];
                }
                0
            }
            Shape::Mesh(meshed) => {
                let (triangle, local) = meshed.find(place_m, near);
                let shapes = meshed.reference.shapes(local);
                meshed.all_values(triangle, &shapes, worth);
                triangle
            }
        }
    }
}

impl Meshed {
    /// Triangle and local coordinates of a place, or of the nearest place inside.
    fn find(&self, place_m: [f64; 2], near: usize) -> (usize, [f64; 2]) {
        let place_m = outline::inside(&self.corners, place_m);
        let triangle = self.mesh.locate(place_m, near);
        (triangle, self.mesh.local(triangle, place_m))
    }

    fn value(&self, wave: usize, triangle: usize, shapes: &[f64; LOCAL]) -> f64 {
        let own = &self.unknowns.of_triangle[triangle];
        own.iter().zip(shapes).map(|(unknown, shape)| self.values[*unknown * self.waves + wave] * shape).sum()
    }

    /// What all waves are worth at a place in a triangle.
    fn all_values(&self, triangle: usize, shapes: &[f64; LOCAL], worth: &mut [f64]) {
        worth.fill(0.0);
        for (unknown, shape) in self.unknowns.of_triangle[triangle].iter().zip(shapes) {
            let values = &self.values[unknown * self.waves..(unknown + 1) * self.waves];
            worth.iter_mut().zip(values).for_each(|(worth, value)| *worth += shape * value);
        }
    }

    fn at_walls(&self, wave: usize, area_m2: f64) -> Vec<f64> {
        let count = self.corners.len();
        let mut at_walls = vec![0.0; count];
        for (ends, along) in &self.unknowns.boundary {
            let [a, b] = ends.map(|node| self.mesh.nodes[node]);
            let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
            let apart = |i: usize| outline::distance_to_wall_m(self.corners[i], self.corners[(i + 1) % count], middle);
            let wall = (0..count).min_by(|i, j| apart(*i).total_cmp(&apart(*j))).unwrap_or(0);
            let values = along.map(|unknown| self.values[unknown * self.waves + wave]);
            at_walls[wall] += self.reference.along_edge(length_m(a, b), &values) / area_m2;
        }
        at_walls
    }

    fn at_openings(&self, wave: usize, room: &Room) -> Vec<f64> {
        let mut near = 0;
        let mut worth = |place_m: [f64; 2]| {
            let (triangle, local) = self.find(place_m, near);
            near = triangle;
            self.value(wave, triangle, &self.reference.shapes(local))
        };
        let gaps = room.fittings.openings.iter();
        gaps.map(|gap| mean_along_gap(gap.from_m, gap.to_m, &mut worth)).collect()
    }
}

impl PlanWave {
    /// Its squared wavenumber, 1/m².
    pub(in crate::room) fn square_per_m2(&self) -> f64 {
        self.squares_per_m2[0] + self.squares_per_m2[1]
    }
}

/// The wavenumber below which a floor has about so many waves (Weyl's law without the walls' part).
fn reach_of(area_m2: f64, waves: f64) -> f64 {
    (4.0 * PI * waves / area_m2).sqrt()
}

/// A standing wave along one axis, scaled so that the mean of its square is 1.
pub(in crate::room) fn cosine(half_waves: u32, at_m: f64, length_m: f64) -> f64 {
    if half_waves == 0 { 1.0 } else { 2.0_f64.sqrt() * (PI * f64::from(half_waves) * at_m / length_m).cos() }
}

/// [`cosine`] for 0, 1, 2 … half waves.
fn along_axis(at_m: f64, length_m: f64) -> [f64; MOST_HALF_WAVES] {
    let step = (PI * at_m.clamp(0.0, length_m) / length_m).cos();
    // cos((n + 1) φ) = 2 cos φ cos(n φ) - cos((n - 1) φ)
    let (mut before, mut now) = (step, 1.0);
    let mut along = [0.0; MOST_HALF_WAVES];
    for (n, value) in along.iter_mut().enumerate() {
        *value = if n == 0 { 1.0 } else { 2.0_f64.sqrt() * now };
        (before, now) = (now, 2.0 * step * now - before);
    }
    along
}

/// The mean of something along a gap in the wall.
fn mean_along_gap(from_m: [f64; 2], to_m: [f64; 2], mut at: impl FnMut([f64; 2]) -> f64) -> f64 {
    const STEPS: u32 = 16;
    let place = |step: u32| {
        let share = (f64::from(step) + 0.5) / f64::from(STEPS);
        [from_m[0] + share * (to_m[0] - from_m[0]), from_m[1] + share * (to_m[1] - from_m[1])]
    };
    (0..STEPS).map(|step| at(place(step))).sum::<f64>() / f64::from(STEPS)
}

fn length_m(from_m: [f64; 2], to_m: [f64; 2]) -> f64 {
    (to_m[0] - from_m[0]).hypot(to_m[1] - from_m[1])
}

/// The floor's lowest corner and its size along x and y, if it is a rectangle along the axes.
pub(in crate::room) fn rectangle(room: &Room) -> Option<([f64; 2], [f64; 2])> {
    match room.floor.as_ref()? {
        Floor::Rectangle { length_m, width_m } => Some(([0.0, 0.0], [*length_m, *width_m])),
        Floor::Polygon(corners) => {
            let low = [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::INFINITY, f64::min));
            let high = [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::NEG_INFINITY, f64::max));
            let on_corner = |c: &[f64; 2]| (0..2).all(|axis| c[axis] == low[axis] || c[axis] == high[axis]);
            (corners.len() == 4 && corners.iter().all(on_corner)).then(|| (low, [high[0] - low[0], high[1] - low[1]]))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::modes::SPEED_OF_SOUND_M_PER_S;

    fn room(corners: &[[f64; 2]]) -> Room {
        Room { floor: Some(Floor::Polygon(corners.to_vec())), ..Room::default() }
    }

    fn wavenumber(frequency_hz: f64) -> f64 {
        2.0 * PI * frequency_hz / SPEED_OF_SOUND_M_PER_S
    }

    #[test]
    fn elements_over_a_rectangle_find_its_analytic_waves() {
        // Kuttruff, Room Acoustics, chapter 3: k² = (nx π/Lx)² + (ny π/Ly)². Below 120 Hz within 1e-4.
        let rectangle = room(&[[0.0, 0.0], [5.3, 0.0], [5.3, 3.9], [0.0, 3.9]]);
        let exact = PlanWaves::of_rectangle(&rectangle, [0.0, 0.0], [5.3, 3.9], wavenumber(200.0));
        let found = PlanWaves::of_outline(&rectangle, wavenumber(200.0)).unwrap();
        assert_eq!(found.waves.len(), exact.waves.len());
        for (a, b) in found.waves.iter().zip(&exact.waves).skip(1) {
            let (a_hz, b_hz) = (a.square_per_m2().sqrt(), b.square_per_m2().sqrt());
            let allowed = if b_hz < wavenumber(120.0) { 1e-4 } else { 1e-3 };
            assert!((a_hz / b_hz - 1.0).abs() < allowed, "{a_hz} {b_hz}");
            for axis in 0..2 {
                assert!((a.squares_per_m2[axis] - b.squares_per_m2[axis]).abs() < 1e-3 * b.square_per_m2());
            }
            for (wall, other) in a.at_walls_per_m.iter().zip(&b.at_walls_per_m) {
                assert!((wall - other).abs() < 1e-2 * other, "{:?} {:?}", a.at_walls_per_m, b.at_walls_per_m);
            }
        }
        let place_m = [1.37, 2.81];
        let values = found.at(place_m).into_iter().zip(exact.at(place_m));
        for ((a, b), wave) in values.zip(&exact.waves) {
            let allowed = if wave.square_per_m2().sqrt() < wavenumber(120.0) { 1e-3 } else { 5e-3 };
            assert!((a.abs() - b.abs()).abs() < allowed, "{a} {b}");
        }
    }

    #[test]
    fn an_l_shape_has_the_waves_that_another_program_finds() {
        // scikit-fem 12.0.2 with scipy 1.17.1, fourth order, refined at the inner corner
        // (benches/reference/l_room_modes.py).
        let reference_hz = [
            25.0328, 35.0414, 47.5126, 53.7662, 59.6617, 68.1476, 78.4201, 80.3822, 87.0913, 99.2031, 99.4179,
            103.7128, 105.6812, 110.9769, 117.4775, 126.3466, 126.9889, 132.0631, 132.5990, 137.4302, 142.5818,
            145.2955, 153.3766, 156.3029, 157.6363, 162.5994, 163.8539, 165.4443, 169.1758, 170.4535, 176.8158,
            180.3911, 183.2122, 187.1118, 190.3604, 191.0135, 198.4394,
        ];
        let l_shape = room(&[[0.0, 0.0], [6.6, 0.0], [6.6, 3.4], [4.2, 3.4], [4.2, 5.2], [0.0, 5.2]]);
        let found = PlanWaves::of_outline(&l_shape, wavenumber(200.0)).unwrap();
        assert_eq!(found.waves.len(), reference_hz.len() + 1);
        for (wave, hz) in found.waves[1..].iter().zip(reference_hz) {
            let found_hz = wave.square_per_m2().sqrt() * SPEED_OF_SOUND_M_PER_S / (2.0 * PI);
            assert!((found_hz / hz - 1.0).abs() < 5e-4, "{found_hz} {hz}");
        }
    }

    #[test]
    fn waves_of_an_l_shape_keep_their_scale_and_their_energy() {
        // The mean square over the floor is 1 for every wave, so that over all walls together it is about 2 for high
        // ones.
        let l_shape = room(&[[0.0, 0.0], [6.6, 0.0], [6.6, 3.4], [4.2, 3.4], [4.2, 5.2], [0.0, 5.2]]);
        let found = PlanWaves::of_outline(&l_shape, wavenumber(120.0)).unwrap();
        assert_eq!(found.waves[0].square_per_m2(), 0.0);
        assert!((found.waves[0].at_walls_per_m.iter().sum::<f64>() - 23.6 / 30.0).abs() < 1e-6);
        let (mut squares, mut count) = (vec![0.0; found.waves.len()], 0.0);
        for step in 0..30 * 40 {
            let place_m = [0.11 + 0.22 * f64::from(step % 30), 0.065 + 0.13 * f64::from(step / 30)];
            if outline::contains(&l_shape.corners_m(), place_m) {
                count += 1.0;
                squares.iter_mut().zip(found.at(place_m)).for_each(|(sum, worth)| *sum += worth * worth);
            }
        }
        assert!(squares.iter().all(|sum| (sum / count - 1.0).abs() < 0.02), "{squares:?} {count}");
    }
}
