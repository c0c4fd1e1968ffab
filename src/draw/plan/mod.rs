//! The room's plan to scale, seen from above: walls with letters, seats, spots with two tape distances each.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::draw::svg::{Anchor, LABEL, SMALL, line, path, picture, round, text, text_over, text_width};
use crate::draw::text::{Canvas, Glyphs};
use crate::draw::theme::Theme;

/// What is drawn. Positions are metres, x to the right and y up on the page. Places that nobody measured are left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// Corners of the floor in order; the walls between them are lettered in this order.
    pub corners_m: Vec<[f64; 2]>,
    /// Doorways and other gaps in walls.
    pub gaps: Vec<Gap>,
    /// Where no subwoofer may stand.
    pub no_go: Vec<Area>,
    /// Seats; the first is the main seat.
    pub seats: Vec<Mark>,
    /// Spots.
    pub spots: Vec<Mark>,
    /// The tape distances of all spots are written beside them, not only those of the chosen one; for a picture with room.
    pub tapes_of_all: bool,
}

/// A gap in a wall from one point to another, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// What it is called.
    pub name: String,
    /// One end.
    pub from_m: [f64; 2],
    /// The other end.
    pub to_m: [f64; 2],
}

/// A rectangle, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// What is there.
    pub name: String,
    /// Its corner nearest the origin.
    pub corner_m: [f64; 2],
    /// Along x and y.
    pub size_m: [f64; 2],
}

/// A seat or a spot.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its name.
    pub name: String,
    /// Where it is, metres.
    pub at_m: [f64; 2],
    /// How it is drawn.
    pub role: Role,
}

/// What a mark stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The spot that was chosen, or is being talked about, or the seat placed for.
    Chosen,
    /// Any other.
    Other,
}

/// A distance that can be measured with a tape, square to a wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tape {
    /// Which wall, position in the order of the corners.
    pub wall: usize,
    /// Where the tape meets the wall, metres.
    pub foot_m: [f64; 2],
    /// How long it is, metres.
    pub distance_m: f64,
}

/// The letter of a wall: A, B, C …
pub fn wall_letter(wall: usize) -> String {
    match u8::try_from(wall) {
        Ok(index) if index < 26 => char::from(b'A' + index).to_string(),
        _ => format!("W{}", wall + 1),
    }
}

impl Plan {
    /// Whether there is anything to draw.
    pub fn is_known(&self) -> bool {
        self.corners_m.len() >= 3
    }

    /// The distances to the nearest wall and to the nearest wall that stands across it; fewer where no wall can be met squarely.
    pub fn tapes(&self, at_m: [f64; 2]) -> Vec<Tape> {
        let mut all: Vec<(Tape, [f64; 2])> =
            (0..self.corners_m.len()).filter_map(|wall| self.tape_to(wall, at_m)).collect();
        all.sort_by(|(a, _), (b, _)| a.distance_m.total_cmp(&b.distance_m));
        let Some((first, along)) = all.first().copied() else { return Vec::new() };
        // Walls within 30 degrees of parallel would not say where on the first wall the spot is.
        let across = |other: &[f64; 2]| (along[0] * other[1] - along[1] * other[0]).abs() > 0.5;
        let second = all.iter().find(|(_, other)| across(other)).map(|(tape, _)| *tape);
        std::iter::once(first).chain(second).collect()
    }

    /// The tape to one wall and the wall's direction; `None` if its square foot lies beside the wall.
    fn tape_to(&self, wall: usize, at_m: [f64; 2]) -> Option<(Tape, [f64; 2])> {
        let from = self.corners_m[wall];
        let to = self.corners_m[(wall + 1) % self.corners_m.len()];
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        if length < 1e-6 {
            return None;
        }
        let along = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
        let position = (at_m[0] - from[0]) * along[0] + (at_m[1] - from[1]) * along[1];
        if !(-1e-9..=length + 1e-9).contains(&position) {
            return None;
        }
        let foot_m = [from[0] + along[0] * position, from[1] + along[1] * position];
        let distance_m = (at_m[0] - foot_m[0]).hypot(at_m[1] - foot_m[1]);
        Some((Tape { wall, foot_m, distance_m }, along))
    }

    /// The tape distances in words: '0.40 m from wall A, 1.15 m from wall D'; empty if the plan is not known.
    pub fn tape_words(&self, at_m: [f64; 2]) -> String {
        let words: Vec<String> = self
            .tapes(at_m)
            .iter()
            .map(|tape| format!("{:.2} m from wall {}", tape.distance_m, wall_letter(tape.wall)))
            .collect();
        words.join(", ")
    }

    /// The tape distances in short: 'A 0.40 \u{b7} D 1.15' (wall, metres); empty if the plan is not known.
    pub fn tape_signs(&self, at_m: [f64; 2]) -> String {
        let sign = |tape: &Tape| format!("{} {:.2}", wall_letter(tape.wall), tape.distance_m);
        self.tapes(at_m).iter().map(sign).collect::<Vec<_>>().join(" \u{b7} ")
    }

    fn bounds(&self) -> ([f64; 2], [f64; 2]) {
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for corner in &self.corners_m {
            for axis in 0..2 {
                low[axis] = low[axis].min(corner[axis]);
                high[axis] = high[axis].max(corner[axis]);
            }
        }
        (low, high)
    }
}

/// Room beside the walls for letters and distances.
const MARGIN_X: f64 = 50.0;
/// Room above and below the walls.
const MARGIN_Y: f64 = 28.0;

/// From metres to the page.
struct Scale {
    low: [f64; 2],
    per_metre: f64,
    left: f64,
    height: f64,
}

impl Scale {
    fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.left + (x - self.low[0]) * self.per_metre, self.height - MARGIN_Y - (y - self.low[1]) * self.per_metre]
    }
}

/// The plan as SVG, at most `width` by `height`; `None` if the outline is not known.
pub fn svg(plan: &Plan, width: f64, height: f64, theme: &Theme) -> Option<String> {
    if !plan.is_known() {
        return None;
    }
    let (low, high) = plan.bounds();
    let size = [(high[0] - low[0]).max(0.1), (high[1] - low[1]).max(0.1)];
    let per_metre = ((width - 2.0 * MARGIN_X) / size[0]).min((height - 2.0 * MARGIN_Y) / size[1]);
    let height = size[1] * per_metre + 2.0 * MARGIN_Y;
    let scale = Scale { low, per_metre, left: (width - size[0] * per_metre) / 2.0, height };
    let mut labels = Labels::new(plan, &scale, width);
    let content = html! {
        (floor(plan, &scale, theme))
        @for area in &plan.no_go { (no_go(area, &scale, theme, &mut labels)) }
        (walls(plan, &scale, theme, &mut labels))
        (marks(plan, &scale, theme, &mut labels))
        (metre(&scale, theme, height))
    };
    Some(picture(width, height, "Plan of the room", theme, &content))
}

fn floor(plan: &Plan, scale: &Scale, theme: &Theme) -> Markup {
    let outline: Vec<[f64; 2]> = plan.corners_m.iter().map(|corner| scale.at(*corner)).collect();
    html! {
        path d=(path(&outline, true)) fill=(theme.paper) stroke=(theme.ink) stroke-width="3" stroke-linejoin="miter" {}
        @for gap in &plan.gaps {
            @let (from, to) = (scale.at(gap.from_m), scale.at(gap.to_m));
            (line(from, to, theme.paper, 5.0))
            (line(from, to, theme.quiet, 1.0))
        }
    }
}

fn no_go(area: &Area, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let [x, y] = scale.at([area.corner_m[0], area.corner_m[1] + area.size_m[1]]);
    let [width, height] = area.size_m.map(|metres| metres * scale.per_metre);
    let fits = text_width(&area.name, SMALL) < width && height > SMALL + 2.0;
    html! {
        rect x=(round(x)) y=(round(y)) width=(round(width)) height=(round(height)) fill=(theme.shade) stroke=(theme.grid) {}
        @if fits {
            (labels.fixed([x + width / 2.0, y + height / 2.0 + SMALL * 0.35], Anchor::Middle, SMALL, &area.name))
            (text([x + width / 2.0, y + height / 2.0 + SMALL * 0.35], Anchor::Middle, SMALL, theme.quiet, false, &area.name))
        }
    }
}

/// Letters outside the walls, and the chosen spot's distances where their tapes meet the walls.
fn walls(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let chosen: Vec<&Mark> = plan.spots.iter().filter(|spot| spot.role == Role::Chosen).collect();
    let outward = |wall: usize| outward_of(plan, wall);
    let beyond = |at: [f64; 2], wall: usize, distance: f64| {
        let [x, y] = scale.at(at);
        let [dx, dy] = outward(wall);
        [x + dx * distance, y - dy * distance]
    };
    html! {
        @for spot in &chosen {
            @for tape in plan.tapes(spot.at_m) {
                @let words = format!("{:.2} m", tape.distance_m);
                @let at = beyond(tape.foot_m, tape.wall, 9.0);
                @let [dx, dy] = outward(tape.wall);
                @let anchor = if dx > 0.5 { Anchor::Start } else if dx < -0.5 { Anchor::End } else { Anchor::Middle };
                @let base = [at[0], at[1] - dy * LABEL * 0.45 + LABEL * 0.35];
                (line(scale.at(spot.at_m), scale.at(tape.foot_m), theme.ink, 1.0))
                (labels.fixed(base, anchor, LABEL, &words))
                (text(base, anchor, LABEL, theme.ink, true, &words))
            }
        }
        @for wall in 0..plan.corners_m.len() {
            @let (from, to) = (plan.corners_m[wall], plan.corners_m[(wall + 1) % plan.corners_m.len()]);
            @let letter = wall_letter(wall);
            @let at = [0.5, 0.62, 0.38, 0.75].iter().map(|share| {
                let point = [from[0] + (to[0] - from[0]) * share, from[1] + (to[1] - from[1]) * share];
                let [x, y] = beyond(point, wall, 13.0);
                [x, y + SMALL * 0.35]
            }).find(|at| labels.is_free(*at, Anchor::Middle, SMALL, &letter));
            @if let Some(at) = at {
                (labels.fixed(at, Anchor::Middle, SMALL, &letter))
                (text(at, Anchor::Middle, SMALL, theme.quiet, false, &letter))
            }
        }
    }
}

/// The direction from a wall out of the room, for corners in either sense of turning.
fn outward_of(plan: &Plan, wall: usize) -> [f64; 2] {
    let count = plan.corners_m.len();
    let doubled_area: f64 = (0..count)
        .map(|index| {
            let (a, b) = (plan.corners_m[index], plan.corners_m[(index + 1) % count]);
            a[0] * b[1] - a[1] * b[0]
        })
        .sum();
    let (from, to) = (plan.corners_m[wall], plan.corners_m[(wall + 1) % count]);
    let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1e-9);
    let sense = if doubled_area >= 0.0 { 1.0 } else { -1.0 };
    [(to[1] - from[1]) / length * sense, -(to[0] - from[0]) / length * sense]
}

fn marks(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    for mark in plan.seats.iter().chain(&plan.spots) {
        labels.mark(scale.at(mark.at_m), if mark.role == Role::Chosen { 11.0 } else { 6.5 });
    }
    let of_role = |role| plan.spots.iter().filter(move |spot| spot.role == role);
    html! {
        @for seat in &plan.seats {
            (seat_shape(scale.at(seat.at_m), theme))
            (labelled(scale.at(seat.at_m), &seat.name, "", seat.role == Role::Chosen, theme, labels))
        }
        @for spot in of_role(Role::Chosen) {
            (chosen_shape(scale.at(spot.at_m), theme))
            (labelled(scale.at(spot.at_m), &spot.name, "", true, theme, labels))
        }
        @for spot in of_role(Role::Other) {
            @let [x, y] = scale.at(spot.at_m);
            circle cx=(round(x)) cy=(round(y)) r="5" fill=(theme.paper) stroke=(theme.ink) stroke-width="1.5" {}
            @let tapes = if plan.tapes_of_all { plan.tape_signs(spot.at_m) } else { String::new() };
            (labelled([x, y], &spot.name, &tapes, false, theme, labels))
        }
    }
}

/// A seat from above: a back and two arms.
fn seat_shape([x, y]: [f64; 2], theme: &Theme) -> Markup {
    let shape = format!("M{} {}v9a3 3 0 0 0 3 3h10a3 3 0 0 0 3 -3v-9", round(x - 8.0), round(y - 5.0));
    html! {
        path d=(shape) fill="none" stroke=(theme.ink) stroke-width="2" stroke-linecap="round" {}
        circle cx=(round(x)) cy=(round(y)) r="2.5" fill=(theme.ink) {}
    }
}

/// The chosen spot: a filled box inside a ring.
fn chosen_shape([x, y]: [f64; 2], theme: &Theme) -> Markup {
    html! {
        circle cx=(round(x)) cy=(round(y)) r="11" fill=(theme.paper) stroke=(theme.ink) stroke-width="2" {}
        rect x=(round(x - 5.5)) y=(round(y - 5.5)) width="11" height="11" fill=(theme.ink) {}
    }
}

fn labelled(at: [f64; 2], name: &str, second: &str, bold: bool, theme: &Theme, labels: &mut Labels) -> Markup {
    let (base, anchor) = labels.place(at, name, second, if bold { 15.0 } else { 10.0 });
    html! {
        (text_over(base, anchor, LABEL, (theme.ink, theme.paper), bold, name))
        @if !second.is_empty() {
            (text_over([base[0], base[1] + SMALL + 2.0], anchor, SMALL, (theme.quiet, theme.paper), false, second))
        }
    }
}

/// One metre, to scale.
fn metre(scale: &Scale, theme: &Theme, height: f64) -> Markup {
    let (left, y) = (scale.left, height - 8.0);
    let right = left + scale.per_metre;
    html! {
        (line([left, y], [right, y], theme.quiet, 1.0))
        (line([left, y - 3.0], [left, y + 3.0], theme.quiet, 1.0))
        (line([right, y - 3.0], [right, y + 3.0], theme.quiet, 1.0))
        (text([right + 5.0, y + 3.0], Anchor::Start, SMALL, theme.quiet, false, "1 m"))
    }
}

/// Boxes that are taken, so that labels keep out of each other's way: left, top, right, bottom.
struct Labels {
    taken: Vec<[f64; 4]>,
    /// The floor's bounding box on the page: labels rather stay inside.
    inside: [f64; 4],
    /// And never leave the picture.
    width: f64,
}

impl Labels {
    /// Walls and the chosen spot's tapes count as taken.
    fn new(plan: &Plan, scale: &Scale, width: f64) -> Self {
        let count = plan.corners_m.len();
        let mut lines: Vec<[[f64; 2]; 2]> =
            (0..count).map(|wall| [plan.corners_m[wall], plan.corners_m[(wall + 1) % count]]).collect();
        for spot in plan.spots.iter().filter(|spot| spot.role == Role::Chosen) {
            lines.extend(plan.tapes(spot.at_m).iter().map(|tape| [spot.at_m, tape.foot_m]));
        }
        let (low, high) = plan.bounds();
        let ([left, bottom], [right, top]) = (scale.at(low), scale.at(high));
        let mut labels = Self { taken: Vec::new(), inside: [left, top, right, bottom], width };
        for [from, to] in lines {
            let (from, to) = (scale.at(from), scale.at(to));
            let pieces = ((to[0] - from[0]).hypot(to[1] - from[1]) / 4.0).ceil().max(1.0);
            for piece in 0..=pieces as usize {
                let share = piece as f64 / pieces;
                labels.mark([0, 1].map(|axis| from[axis] + (to[axis] - from[axis]) * share), 3.0);
            }
        }
        labels
    }

    fn mark(&mut self, [x, y]: [f64; 2], radius: f64) {
        // Twice, since to cover a mark is worse than to cover part of a word.
        self.taken.extend([[x - radius, y - radius, x + radius, y + radius]; 2]);
    }

    fn fixed(&mut self, base: [f64; 2], anchor: Anchor, size: f64, words: &str) -> Markup {
        self.taken.push(text_box(base, anchor, size, text_width(words, size), 1));
        html! {}
    }

    fn is_free(&self, base: [f64; 2], anchor: Anchor, size: f64, words: &str) -> bool {
        self.overlap(text_box(base, anchor, size, text_width(words, size), 1)) == 0.0
    }

    fn overlap(&self, a: [f64; 4]) -> f64 {
        self.taken.iter().map(|b| shared_area(a, *b)).sum()
    }

    /// What a place for a label costs: overlaps most, leaving the picture worse than anything, leaving the floor a little.
    fn cost(&self, [left, top, right, bottom]: [f64; 4]) -> f64 {
        let area = (right - left) * (bottom - top);
        let outside = area - shared_area([left, top, right, bottom], self.inside);
        let cut = (-left).max(0.0) + (right - self.width).max(0.0);
        self.overlap([left, top, right, bottom]) + 0.2 * outside + 1e3 * cut
    }

    /// The free place nearest to a mark, or the least bad one.
    fn place(&mut self, [x, y]: [f64; 2], name: &str, second: &str, away: f64) -> ([f64; 2], Anchor) {
        let lines = if second.is_empty() { 1 } else { 2 };
        let width = text_width(name, LABEL).max(text_width(second, SMALL));
        let tall = LABEL + f64::from(lines - 1) * (SMALL + 2.0);
        let beside = y - tall / 2.0 + LABEL * 0.85;
        let around = |away: f64| {
            let below = y + away + LABEL * 0.8;
            let above = y - away - tall + LABEL;
            [
                ([x + away, beside], Anchor::Start),
                ([x - away, beside], Anchor::End),
                ([x, below], Anchor::Middle),
                ([x, above], Anchor::Middle),
                ([x + away * 0.7, below], Anchor::Start),
                ([x - away * 0.7, below], Anchor::End),
                ([x + away * 0.7, above], Anchor::Start),
                ([x - away * 0.7, above], Anchor::End),
            ]
        };
        // A little further away only where there is no room close by.
        let candidates =
            [0.0, 6.0, 14.0].into_iter().flat_map(|further| around(away + further).map(|at| (at, further)));
        let cost = |((base, anchor), further): &(([f64; 2], Anchor), f64)| {
            self.cost(text_box(*base, *anchor, LABEL, width, lines)) + 3.0 * further
        };
        let best = candidates.min_by(|a, b| cost(a).total_cmp(&cost(b)));
        let best = best.map_or(([x, y], Anchor::Start), |(at, _)| at);
        self.taken.push(text_box(best.0, best.1, LABEL, width, lines));
        best
    }
}

fn shared_area(a: [f64; 4], b: [f64; 4]) -> f64 {
    (a[2].min(b[2]) - a[0].max(b[0])).max(0.0) * (a[3].min(b[3]) - a[1].max(b[1])).max(0.0)
}

fn text_box(base: [f64; 2], anchor: Anchor, size: f64, width: f64, lines: i32) -> [f64; 4] {
    let left = match anchor {
        Anchor::Start => base[0],
        Anchor::Middle => base[0] - width / 2.0,
        Anchor::End => base[0] - width,
    };
    let bottom = base[1] + size * 0.25 + f64::from(lines - 1) * (SMALL + 2.0);
    [left, base[1] - size * 0.8, left + width, bottom]
}

/// The plan as text with a list of the spots under it; only the list if the outline is not known.
/// * `columns`, `rows` - at most this large, without the list
pub fn text_plan(plan: &Plan, columns: usize, rows: usize, glyphs: Glyphs) -> String {
    let mut drawn = if plan.is_known() { canvas(plan, columns, rows, glyphs) } else { String::new() };
    for (index, spot) in plan.spots.iter().enumerate() {
        let words = plan.tape_words(spot.at_m);
        let mark = if spot.role == Role::Chosen { "  <- here" } else { "" };
        let gap = if words.is_empty() { "" } else { ": " };
        let _ = writeln!(drawn, " {} {}{gap}{words}{mark}", spot_sign(index), spot.name);
    }
    drawn
}

fn spot_sign(index: usize) -> char {
    let index = u32::try_from(index).unwrap_or(u32::MAX);
    char::from_digit(index.saturating_add(1), 36).unwrap_or('*')
}

fn canvas(plan: &Plan, columns: usize, rows: usize, glyphs: Glyphs) -> String {
    let (low, high) = plan.bounds();
    let size = [(high[0] - low[0]).max(0.1), (high[1] - low[1]).max(0.1)];
    // A character is about twice as tall as it is wide.
    let per_metre = ((columns.saturating_sub(3)) as f64 / size[0]).min(2.0 * (rows.saturating_sub(3)) as f64 / size[1]);
    let height = (size[1] * per_metre / 2.0).round() as usize;
    let cell = |at: [f64; 2]| {
        let column = ((at[0] - low[0]) * per_metre).round().max(0.0) as usize + 1;
        let row = height - (((at[1] - low[1]) * per_metre / 2.0).round().max(0.0) as usize).min(height) + 1;
        (column, row)
    };
    let mut sheet = Canvas::new((size[0] * per_metre).round() as usize + 3, height + 3);
    let count = plan.corners_m.len();
    for wall in 0..count {
        wall_cells(&mut sheet, cell(plan.corners_m[wall]), cell(plan.corners_m[(wall + 1) % count]), glyphs);
    }
    for corner in &plan.corners_m {
        let (column, row) = cell(*corner);
        sheet.set(column, row, glyphs.pick('\u{25aa}', '+'));
    }
    for gap in &plan.gaps {
        for step in 0..=40 {
            let share = f64::from(step) / 40.0;
            let at = [0, 1].map(|axis| gap.from_m[axis] + (gap.to_m[axis] - gap.from_m[axis]) * share);
            let (column, row) = cell(at);
            sheet.set(column, row, ' ');
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

#[cfg(test)]
mod tests {
    use super::*;

    fn rectangle() -> Plan {
        Plan { corners_m: vec![[0.0, 0.0], [5.2, 0.0], [5.2, 3.9], [0.0, 3.9]], ..Plan::default() }
    }

    #[test]
    fn a_spot_in_a_rectangle_has_a_tape_to_each_of_two_walls_that_meet() {
        let tapes = rectangle().tapes([0.4, 3.5]);
        let found: Vec<(usize, f64)> = tapes.iter().map(|tape| (tape.wall, tape.distance_m)).collect();
        assert_eq!(found.len(), 2);
        // In a corner the two are equal; the order then does not matter.
        assert!(found.iter().any(|(wall, distance)| *wall == 2 && (distance - 0.4).abs() < 1e-12), "{found:?}");
        assert!(found.iter().any(|(wall, distance)| *wall == 3 && (distance - 0.4).abs() < 1e-12), "{found:?}");
    }

    #[test]
    fn two_parallel_walls_do_not_say_where_a_spot_is() {
        // In a corridor both long walls are nearer than either short one.
        let corridor = Plan { corners_m: vec![[0.0, 0.0], [9.0, 0.0], [9.0, 1.2], [0.0, 1.2]], ..Plan::default() };
        let walls: Vec<usize> = corridor.tapes([4.0, 0.5]).iter().map(|tape| tape.wall).collect();
        assert_eq!(walls, [0, 3]);
        assert_eq!(corridor.tape_words([4.0, 0.5]), "0.50 m from wall A, 4.00 m from wall D");
    }

    #[test]
    fn a_wall_round_the_corner_cannot_be_measured_to() {
        // An L: wall C (from [5, 2] to [2, 2]) lies beside a spot at [1, 3], so its foot is not on it.
        let corners_m = vec![[0.0, 0.0], [5.0, 0.0], [5.0, 2.0], [2.0, 2.0], [2.0, 4.0], [0.0, 4.0]];
        let plan = Plan { corners_m, ..Plan::default() };
        assert!(plan.tape_to(2, [1.0, 3.0]).is_none());
        let found: Vec<usize> = plan.tapes([1.2, 3.1]).iter().map(|tape| tape.wall).collect();
        assert_eq!(found, [3, 4]);
    }

    #[test]
    fn walls_face_outwards_whichever_way_the_corners_turn() {
        let mut plan = rectangle();
        assert_eq!(outward_of(&plan, 0), [0.0, -1.0]);
        plan.corners_m.reverse();
        assert_eq!(outward_of(&plan, 0), [0.0, 1.0]);
    }
}
