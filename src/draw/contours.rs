//! Lines of equal value through a grid (marching squares).

use std::collections::HashMap;

/// A grid of values, row by row; what is not a number is outside.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Field<'a> {
    pub values: &'a [f64],
    pub columns: usize,
}

/// The edge between a point of the grid and the next one along the row (`false`) or up the column (`true`).
type Edge = (usize, usize, bool);

/// All lines on which the field has a value, in columns and rows from the middle of the first cell; longest first.
pub(crate) fn contours(field: Field<'_>, value: f64) -> Vec<Vec<[f64; 2]>> {
    let columns = field.columns.max(1);
    let rows = field.values.len() / columns;
    let at = |column: usize, row: usize| field.values[row * columns + column] - value;
    let mut beside: HashMap<Edge, Vec<Edge>> = HashMap::new();
    let mut order = Vec::new();
    for row in 0..rows.saturating_sub(1) {
        for column in 0..columns.saturating_sub(1) {
            let corners = [at(column, row), at(column + 1, row), at(column + 1, row + 1), at(column, row + 1)];
            if corners.iter().any(|corner| !corner.is_finite()) {
                continue;
            }
            let edges = [(column, row, false), (column + 1, row, true), (column, row + 1, false), (column, row, true)];
            let crossed: Vec<usize> =
                (0..4).filter(|side| (corners[*side] > 0.0) != (corners[(*side + 1) % 4] > 0.0)).collect();
            let mut join = |a: usize, b: usize| {
                for (from, to) in [(edges[a], edges[b]), (edges[b], edges[a])] {
                    let known = beside.entry(from).or_default();
                    if known.is_empty() {
                        order.push(from);
                    }
                    known.push(to);
                }
            };
            match crossed[..] {
                [a, b] => join(a, b),
                // A saddle: what its middle belongs to is not cut.
                [a, b, c, d] if (corners.iter().sum::<f64>() > 0.0) == (corners[0] > 0.0) => {
                    join(a, b);
                    join(c, d);
                }
                [a, b, c, d] => {
                    join(d, a);
                    join(b, c);
                }
                _ => {}
            }
        }
    }
    let place = |(column, row, upward): Edge| {
        let (from, to) = (at(column, row), if upward { at(column, row + 1) } else { at(column + 1, row) });
        let share = from / (from - to);
        let (x, y) = (column as f64, row as f64);
        if upward { [x, y + share] } else { [x + share, y] }
    };
    // Open lines begin at their ends, which have one neighbour; what is left are rings.
    let ends = order.iter().filter(|edge| beside[*edge].len() == 1);
    let starts: Vec<Edge> = ends.chain(&order).copied().collect();
    let mut lines: Vec<Vec<[f64; 2]>> = starts
        .into_iter()
        .filter_map(|start| walk(start, &mut beside))
        .map(|walk| walk.into_iter().map(place).collect())
        .collect();
    lines.sort_by(|a, b| length(b).total_cmp(&length(a)));
    lines
}

/// Follows a line from edge to edge, using it up.
fn walk(start: Edge, beside: &mut HashMap<Edge, Vec<Edge>>) -> Option<Vec<Edge>> {
    let mut walk = vec![start];
    let mut here = start;
    while let Some(next) = beside.get_mut(&here).and_then(Vec::pop) {
        if let Some(back) = beside.get_mut(&next)
            && let Some(index) = back.iter().position(|edge| *edge == here)
        {
            back.swap_remove(index);
        }
        walk.push(next);
        here = next;
    }
    (walk.len() > 1).then_some(walk)
}

fn length(line: &[[f64; 2]]) -> f64 {
    line.windows(2).map(|two| (two[1][0] - two[0][0]).hypot(two[1][1] - two[0][1])).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_has_straight_lines_and_a_hill_has_rings() {
        let slope: Vec<f64> = (0..30).map(|cell| f64::from(cell % 6)).collect();
        let lines = contours(Field { values: &slope, columns: 6 }, 2.5);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].len(), 5);
        assert!(lines[0].iter().all(|[x, _]| (x - 2.5).abs() < 1e-12), "{lines:?}");
        let hill: Vec<f64> =
            (0..121).map(|cell| (f64::from(cell % 11) - 5.0).hypot(f64::from(cell / 11) - 5.0)).collect();
        let rings = contours(Field { values: &hill, columns: 11 }, 3.2);
        assert_eq!(rings.len(), 1);
        assert_eq!(rings[0].first(), rings[0].last());
        assert!(rings[0].iter().all(|[x, y]| ((x - 5.0).hypot(y - 5.0) - 3.2).abs() < 0.1));
    }

    #[test]
    fn lines_end_where_the_floor_does() {
        let mut values: Vec<f64> = (0..30).map(|cell| f64::from(cell % 6)).collect();
        values[14] = f64::NAN;
        let lines = contours(Field { values: &values, columns: 6 }, 2.5);
        assert_eq!(lines.iter().map(Vec::len).collect::<Vec<_>>(), [2, 2]);
    }
}
