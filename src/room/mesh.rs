//! Triangles over a floor of any outline.

use spade::{AngleLimit, ConstrainedDelaunayTriangulation, Point2, RefinementParameters, Triangulation};

use crate::room::outline;

/// A floor cut into triangles.
#[derive(Debug, Clone)]
pub(in crate::room) struct Mesh {
    pub(in crate::room) nodes: Vec<[f64; 2]>,
    /// Counter-clockwise.
    pub(in crate::room) triangles: Vec<[usize; 3]>,
}

/// Far more triangles than a home needs; an outline that wants more is meshed coarser.
const MOST_NODES: usize = 1500;
/// No home has more corners that point into the room; of a drawing with more, the first ones are worked out finely.
const MOST_RINGED: usize = 12;
/// Rings of nodes around corners that point into the room, as shares of the edge length: standing waves bend sharply
/// there.
const RINGS: [f64; 2] = [0.4, 0.1];

impl Mesh {
    /// Triangles with edges of about `edge_m`, finer around corners that point into the room. `None` if the outline
    /// cannot be cut into triangles.
    pub(in crate::room) fn of(corners: &[[f64; 2]], edge_m: f64) -> Option<Self> {
        let mut positions: Vec<Point2<f64>> = corners.iter().map(|c| Point2::new(c[0], c[1])).collect();
        let walls = (0..corners.len()).map(|i| [i, (i + 1) % corners.len()]).collect();
        let inward = inward_corners(corners);
        for corner in inward.into_iter().take(MOST_RINGED) {
            positions.extend(rings(corners, corners[corner], edge_m));
        }
        let mut triangulation =
            ConstrainedDelaunayTriangulation::<Point2<f64>>::bulk_load_cdt(positions, walls).ok()?;
        let parameters = RefinementParameters::<f64>::new()
            .exclude_outer_faces(true)
            .with_angle_limit(AngleLimit::from_deg(25.0))
            .with_max_allowed_area(0.5 * edge_m * edge_m)
            .with_max_additional_vertices(MOST_NODES);
        let outer: std::collections::HashSet<_> = triangulation.refine(parameters).excluded_faces.into_iter().collect();
        let nodes = triangulation.vertices().map(|v| [v.position().x, v.position().y]).collect();
        let triangles: Vec<[usize; 3]> = triangulation
            .inner_faces()
            .filter(|face| !outer.contains(&face.fix()))
            .map(|face| face.vertices().map(|v| v.fix().index()))
            .collect();
        (!triangles.is_empty()).then_some(Self { nodes, triangles })
    }

    /// Twice the area of a triangle, m².
    pub(in crate::room) fn twice_area_m2(&self, triangle: usize) -> f64 {
        let [a, b, c] = self.triangles[triangle].map(|node| self.nodes[node]);
        (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
    }

    /// Weights of a triangle's second and third node at a place.
    pub(in crate::room) fn local(&self, triangle: usize, place_m: [f64; 2]) -> [f64; 2] {
        let [a, b, c] = self.triangles[triangle].map(|node| self.nodes[node]);
        let twice = self.twice_area_m2(triangle);
        let (x, y) = (place_m[0] - a[0], place_m[1] - a[1]);
        [(x * (c[1] - a[1]) - y * (c[0] - a[0])) / twice, (y * (b[0] - a[0]) - x * (b[1] - a[1])) / twice]
    }

    /// The triangle that a place is in, or the one it is least outside of; `near` is looked at first.
    pub(in crate::room) fn locate(&self, place_m: [f64; 2], near: usize) -> usize {
        let inside = |triangle: usize| {
            let [second, third] = self.local(triangle, place_m);
            second.min(third).min(1.0 - second - third)
        };
        if near < self.triangles.len() && inside(near) >= 0.0 {
            return near;
        }
        let mut best = (0, f64::NEG_INFINITY);
        for triangle in 0..self.triangles.len() {
            let depth = inside(triangle);
            if depth > best.1 {
                best = (triangle, depth);
            }
            if depth >= 0.0 {
                break;
            }
        }
        best.0
    }
}

fn inward_corners(corners: &[[f64; 2]]) -> Vec<usize> {
    let count = corners.len();
    let turn = |i: usize| {
        let (a, b, c) = (corners[(i + count - 1) % count], corners[i], corners[(i + 1) % count]);
        (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
    };
    let signed_area: f64 = (0..count)
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % count]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum();
    // Corners that turn against the outline, by more than a drawing's inaccuracy.
    (0..count).filter(|i| turn(*i) * signed_area.signum() < -1e-3).collect()
}

fn rings(corners: &[[f64; 2]], at: [f64; 2], edge_m: f64) -> Vec<Point2<f64>> {
    let mut points = Vec::new();
    for share in RINGS {
        let radius_m = share * edge_m;
        for step in 0..8 {
            let angle = std::f64::consts::TAU * (f64::from(step) + 0.5) / 8.0;
            let point = [at[0] + radius_m * angle.cos(), at[1] + radius_m * angle.sin()];
            let clear_m = outline::distance_to_walls_m(corners, point);
            if outline::contains(corners, point) && clear_m > 0.3 * radius_m {
                points.push(Point2::new(point[0], point[1]));
            }
        }
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::outline::area_m2;

    #[test]
    fn triangles_cover_the_floor_and_nothing_else() {
        let outline = [[0.0, 0.0], [5.0, 0.0], [5.0, 2.4], [3.0, 2.4], [3.0, 4.0], [0.0, 4.0]];
        let mesh = Mesh::of(&outline, 0.6).unwrap();
        let covered: f64 = (0..mesh.triangles.len()).map(|t| 0.5 * mesh.twice_area_m2(t)).sum();
        assert!((covered - area_m2(&outline)).abs() < 1e-9, "{covered}");
        assert!((0..mesh.triangles.len()).all(|t| mesh.twice_area_m2(t) > 0.0));
        let triangle = mesh.locate([1.1, 3.2], 0);
        let [second, third] = mesh.local(triangle, [1.1, 3.2]);
        assert!(second >= 0.0 && third >= 0.0 && second + third <= 1.0);
    }
}
