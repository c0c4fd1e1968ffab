//! The plan as text.

use std::fmt::Write as _;

use crate::draw::plan::{Plan, Role, outward_of, wall_letter};
use crate::draw::text::{Canvas, Glyphs};

/// The plan as text with a list of the spots under it; only the list if the outline is not known.
/// * `columns`, `rows` - at most this large, without the list
pub fn text_plan(plan: &Plan, columns: usize, rows: usize, glyphs: Glyphs) -> String {
    let mut drawn = text_floor(plan, columns, rows, glyphs).unwrap_or_default();
    for (index, spot) in plan.spots.iter().enumerate() {
        let words = plan.tape_words(spot.at_m);
        let mark = if spot.role == Role::Chosen { "  <- here" } else { "" };
        let gap = if words.is_empty() { "" } else { ": " };
        let _ = writeln!(drawn, " {} {}{gap}{words}{mark}", spot_sign(index), spot.name);
    }
    drawn
}

/// The plan as text without a list: spots are 1 to 9 and a, b, c … in their order, seats `S`; `None` if the outline is
/// not known.
/// * `columns`, `rows` - at most this large
pub fn text_floor(plan: &Plan, columns: usize, rows: usize, glyphs: Glyphs) -> Option<String> {
    plan.is_known().then(|| canvas(plan, columns, rows, glyphs))
}

/// The character that stands for a spot in a text plan: 1 to 9, then a, b, c …
pub fn spot_sign(index: usize) -> char {
    let index = u32::try_from(index).unwrap_or(u32::MAX);
    char::from_digit(index.saturating_add(1), 36).unwrap_or('*')
}

fn canvas(plan: &Plan, columns: usize, rows: usize, glyphs: Glyphs) -> String {
    let (low, high) = plan.bounds();
    let size = [(high[0] - low[0]).max(0.1), (high[1] - low[1]).max(0.1)];
    // A character is about twice as tall as it is wide.
    let per_metre = ((columns.saturating_sub(3)) as f64 / size[0]).min(2.0 * (rows.saturating_sub(3)) as f64 / size[1]);
    let (width, height) = ((size[0] * per_metre).round() as usize, (size[1] * per_metre / 2.0).round() as usize);
    // What reaches beyond the walls ends at the edge.
    let cell = |at: [f64; 2]| {
        let column = (((at[0] - low[0]) * per_metre).round().max(0.0) as usize).min(width) + 1;
        let row = height - (((at[1] - low[1]) * per_metre / 2.0).round().max(0.0) as usize).min(height) + 1;
        (column, row)
    };
    let mut sheet = Canvas::new(width + 3, height + 3);
    let count = plan.corners_m.len();
    for wall in 0..count {
        wall_cells(&mut sheet, cell(plan.corners_m[wall]), cell(plan.corners_m[(wall + 1) % count]), glyphs);
    }
    for corner in &plan.corners_m {
        let (column, row) = cell(*corner);
        sheet.set(column, row, glyphs.pick('\u{25aa}', '+'));
    }
    for area in &plan.no_go {
        area_cells(&mut sheet, cell(area.corner_m), cell([0, 1].map(|i| area.corner_m[i] + area.size_m[i])), glyphs);
    }
    let gaps = plan.gaps.iter().map(|gap| (gap.from_m, gap.to_m, ' '));
    let doors = plan.doors.iter().map(|door| (door.hinge_m, door.latch_m, glyphs.pick('\u{2592}', '=')));
    for (from_m, to_m, sign) in gaps.chain(doors) {
        for step in 0..=40 {
            let share = f64::from(step) / 40.0;
            let (column, row) = cell([0, 1].map(|axis| from_m[axis] + (to_m[axis] - from_m[axis]) * share));
            sheet.set(column, row, sign);
        }
    }
    for wall in 0..count {
        let (from, to) = (plan.corners_m[wall], plan.corners_m[(wall + 1) % count]);
        let (column, row) = cell([(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0]);
        let [dx, dy] = outward_of(plan, wall);
        let letter = wall_letter(wall).chars().next().unwrap_or(' ');
        let column = column.saturating_add_signed(dx.round() as isize);
        sheet.set(column, row.saturating_add_signed(-dy.round() as isize), letter);
    }
    for seat in &plan.seats {
        let (column, row) = cell(seat.at_m);
        sheet.set(column, row, 'S');
    }
    for (index, spot) in plan.spots.iter().enumerate() {
        let (column, row) = cell(spot.at_m);
        sheet.set(column, row, spot_sign(index));
        if spot.role == Role::Chosen {
            sheet.set(column.saturating_sub(1), row, '[');
            sheet.set(column + 1, row, ']');
        }
    }
    sheet.into_text()
}

/// A no-go area, dotted, inside the walls.
fn area_cells(sheet: &mut Canvas, low: (usize, usize), high: (usize, usize), glyphs: Glyphs) {
    for column in low.0..=high.0 {
        for row in high.1..=low.1 {
            sheet.fill(column, row, glyphs.pick('\u{2591}', ':'));
        }
    }
}

fn wall_cells(sheet: &mut Canvas, from: (usize, usize), to: (usize, usize), glyphs: Glyphs) {
    let (dx, dy) = (to.0 as f64 - from.0 as f64, to.1 as f64 - from.1 as f64);
    let character = if dy == 0.0 {
        glyphs.pick('\u{2500}', '-')
    } else if dx == 0.0 {
        glyphs.pick('\u{2502}', '|')
    } else {
        glyphs.pick('\u{b7}', '.')
    };
    let steps = dx.abs().max(dy.abs()).max(1.0) as usize;
    for step in 0..=steps {
        let share = step as f64 / steps as f64;
        let column = (from.0 as f64 + dx * share).round() as usize;
        sheet.set(column, (from.1 as f64 + dy * share).round() as usize, character);
    }
}
