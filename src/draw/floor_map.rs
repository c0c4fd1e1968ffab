//! Something that has a value everywhere on the floor: shades of grey, lines of equal value with their labels, and the
//! plan.
//!
//! The shades only repeat what the lines and their labels say, so that the map reads on any paper and by any eyes.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::draw::contours::{Field, contours};
use crate::draw::plan::{Key, Labels, Plan, Scale, marks, outline};
use crate::draw::svg::{Anchor, LABEL, SMALL, path, picture, round, text, text_over, text_width, wrap};
use crate::draw::text::Glyphs;
use crate::draw::theme::{Theme, mix};

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorMap {
    /// Stands above the map.
    pub title: String,
    /// Walls, seats and spots.
    pub plan: Plan,
    /// Middle of the first cell, metres.
    pub first_m: [f64; 2],
    /// From cell to cell, metres.
    pub step_m: f64,
    /// Cells along x.
    pub columns: usize,
    /// One for each cell, row by row from the lowest y; what is not a number is not floor.
    pub values: Vec<f64>,
    /// Where the shades change, ascending. What is below the first is paper.
    pub steps: Vec<Step>,
    /// What the paper stands for.
    pub below: String,
    /// Values are drawn by their size, with a dashed line through zero and the sign where they are largest.
    pub signed: bool,
    /// Words at places, metres.
    pub words: Vec<([f64; 2], String)>,
}

/// A shade, and the line at its border.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// From this value on.
    pub from: f64,
    /// Beside the line.
    pub label: String,
    /// Under the map.
    pub words: String,
}

/// How dark the darkest shade is.
const DARKEST: f64 = 0.5;
/// Room for the title and the key, beside the plan's own.
const LINE: f64 = 15.0;
/// Room beside the walls; nothing stands there but the walls themselves.
const MARGINS: [f64; 2] = [8.0, 10.0];
/// Shorter lines than this are left out: what they surround is smaller than the model knows.
const TINY: f64 = 24.0;
/// A line gets no more labels than this with the same words.
const MOST_LABELS: usize = 2;
/// Shorter lines than this get no label, user units.
const SHORT: f64 = 70.0;

impl FloorMap {
    fn shade_of(&self, value: f64) -> Option<usize> {
        let size = if self.signed { value.abs() } else { value };
        size.is_finite().then(|| self.steps.iter().filter(|step| size >= step.from).count())
    }

    fn tone(&self, shade: usize, theme: &Theme) -> String {
        mix(theme.paper, theme.ink, DARKEST * shade as f64 / self.steps.len().max(1) as f64)
    }
}

/// The map as SVG, `width` wide and at most about `height` high; `None` if the outline is not known.
pub fn svg(map: &FloorMap, width: f64, height: f64, theme: &Theme) -> Option<String> {
    let title = wrap(&map.title, width - 16.0, LABEL);
    let (key, names) = (key(map, width), Key::of(&map.plan, width - 8.0));
    let above = 8.0 + LINE * title.len() as f64;
    let of_shades = 6.0 + LINE * key.last().map_or(0.0, |entry| entry.line + 1.0);
    let below = of_shades + names.height();
    let scale = Scale::fitting(&map.plan, width, height - above - below, MARGINS)?;
    let mut labels = Labels::new(&map.plan, &scale, width);
    let shades = 1..=map.steps.len();
    let plan_height = scale.height();
    let content = html! {
        @for (index, words) in title.iter().enumerate() {
            (text([8.0, 18.0 + LINE * index as f64], Anchor::Start, LABEL, theme.ink, false, words))
        }
        g transform=(format!("translate(0 {})", round(above))) {
            @for shade in shades { (runs(map, shade, &scale, theme)) }
            (outline(&map.plan, &scale, "none", theme))
            (lines(map, &scale, theme, &mut labels))
            (signs(map, &scale, theme, &mut labels))
            (marks(&map.plan, &scale, theme, &mut labels))
            @for (at_m, words) in &map.words { (word(scale.at(*at_m), words, theme, &mut labels)) }
        }
        @for entry in &key { (sample(map, entry, above + plan_height, theme)) }
        (names.draw(above + plan_height + of_shades, theme))
    };
    Some(picture(width, above + plan_height + below, &map.title, theme, &content))
}

/// All cells of one shade, as runs along the rows.
fn runs(map: &FloorMap, shade: usize, scale: &Scale, theme: &Theme) -> Markup {
    let mut shape = String::new();
    let half_m = map.step_m / 2.0;
    for (row, values) in map.values.chunks(map.columns.max(1)).enumerate() {
        let mut column = 0;
        while column < values.len() {
            let start = column;
            while column < values.len() && map.shade_of(values[column]) == Some(shade) {
                column += 1;
            }
            if column > start {
                let y_m = map.first_m[1] + map.step_m * row as f64;
                let [left, top] = scale.at([map.first_m[0] + map.step_m * start as f64 - half_m, y_m + half_m]);
                let [right, bottom] = scale.at([map.first_m[0] + map.step_m * column as f64 - half_m, y_m - half_m]);
                let _ = write!(
                    shape,
                    "M{} {}H{}V{}H{}z",
                    round(left),
                    round(top),
                    round(right),
                    round(bottom),
                    round(left)
                );
            }
            column += 1;
        }
    }
    html! { @if !shape.is_empty() { path d=(shape) fill=(map.tone(shade, theme)) shape-rendering="crispEdges" {} } }
}

fn lines(map: &FloorMap, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let field = Field { values: &map.values, columns: map.columns };
    let on_page = |value: f64| -> Vec<Vec<[f64; 2]>> {
        let place = |[column, row]: [f64; 2]| {
            scale.at([map.first_m[0] + column * map.step_m, map.first_m[1] + row * map.step_m])
        };
        contours(field, value).into_iter().map(|line| line.into_iter().map(place).collect()).collect()
    };
    let mut drawn: Vec<(Vec<[f64; 2]>, &str, bool)> = Vec::new();
    for step in &map.steps {
        let both: &[f64] = if map.signed { &[1.0, -1.0] } else { &[1.0] };
        drawn.extend(
            both.iter().flat_map(|sign| on_page(sign * step.from)).map(|line| (line, step.label.as_str(), false)),
        );
    }
    if map.signed {
        drawn.extend(on_page(0.0).into_iter().map(|line| (line, "silent", true)));
    }
    drawn.retain(|(line, ..)| long(line) > TINY);
    let mut said: Vec<&str> = Vec::new();
    let mut placed: Vec<Option<[f64; 2]>> = Vec::new();
    for (line, label, _) in &drawn {
        let often = said.iter().filter(|other| *other == label).count() >= MOST_LABELS;
        let at = if often { None } else { label_place(line, label, labels) };
        said.extend(at.map(|_| *label));
        placed.push(at);
    }
    html! {
        @for (line, _, dashed) in &drawn {
            path d=(path(line, false)) fill="none" stroke=(theme.ink) stroke-width=(if *dashed { "1.8" } else { "0.8" })
                stroke-dasharray=[dashed.then_some("6 4")] stroke-linejoin="round" {}
        }
        @for ((_, label, _), at) in drawn.iter().zip(placed) {
            @if let Some(at) = at { (text_over(at, Anchor::Middle, SMALL, (theme.ink, theme.paper), false, label)) }
        }
    }
}

/// Where a line's label is in nobody's way, as near to its middle as can be; none for short or crowded lines.
fn label_place(line: &[[f64; 2]], label: &str, labels: &mut Labels) -> Option<[f64; 2]> {
    if label.is_empty() || long(line) < SHORT {
        return None;
    }
    let places = [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8];
    let at = places.iter().map(|share| line[((line.len() - 1) as f64 * share) as usize]);
    let base =
        at.map(|[x, y]| [x, y + SMALL * 0.35]).find(|base| labels.is_free(*base, Anchor::Middle, SMALL, label))?;
    labels.fixed(base, Anchor::Middle, SMALL, label);
    Some(base)
}

fn long(line: &[[f64; 2]]) -> f64 {
    line.windows(2).map(|two| (two[1][0] - two[0][0]).hypot(two[1][1] - two[0][1])).sum()
}

/// A plus and a minus where a signed map is largest: the two move against each other.
fn signs(map: &FloorMap, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    if !map.signed {
        return html! {};
    }
    let found = lobes(map);
    html! {
        @for ([column, row], sign) in found {
            @let [x, y] = scale.at([map.first_m[0] + column * map.step_m, map.first_m[1] + row * map.step_m]);
            // Signs belong to corners and walls, where the values are largest; they are drawn a little inside.
            @let [x, y] = scale.inwards([x, y], 11.0);
            (labels.fixed([x, y + 5.0], Anchor::Middle, 15.0, sign))
            (text_over([x, y + 5.0], Anchor::Middle, 15.0, (theme.ink, theme.paper), true, sign))
        }
    }
}

/// The middle of each part of the floor where a signed map is large and of one sign, as column and row, with the sign.
fn lobes(map: &FloorMap) -> Vec<([f64; 2], &'static str)> {
    const LARGE: f64 = 0.6;
    let (columns, count) = (map.columns.max(1), map.values.len());
    let largest =
        map.values.iter().filter(|value| value.is_finite()).fold(0.0_f64, |most, value| most.max(value.abs()));
    let large = |cell: usize| map.values[cell].abs() > LARGE * largest;
    let mut seen = vec![false; count];
    let mut found = Vec::new();
    for start in 0..count {
        if seen[start] || !large(start) {
            continue;
        }
        seen[start] = true;
        let (mut part, mut next) = (vec![start], 0);
        while let Some(cell) = part.get(next).copied() {
            next += 1;
            let column = cell % columns;
            let beside = [
                (column > 0).then(|| cell - 1),
                (column + 1 < columns).then_some(cell + 1),
                cell.checked_sub(columns),
                Some(cell + columns).filter(|up| *up < count),
            ];
            for other in beside.into_iter().flatten() {
                if !seen[other] && large(other) && map.values[other].signum() == map.values[start].signum() {
                    seen[other] = true;
                    part.push(other);
                }
            }
        }
        let mean =
            |of: &dyn Fn(usize) -> usize| part.iter().map(|cell| of(*cell) as f64).sum::<f64>() / part.len() as f64;
        let sign = if map.values[start] > 0.0 { "+" } else { "\u{2212}" };
        found.push(([mean(&|cell| cell % columns), mean(&|cell| cell / columns)], sign));
    }
    found
}

fn word([x, y]: [f64; 2], words: &str, theme: &Theme, labels: &mut Labels) -> Markup {
    let (base, anchor) = labels.place([x, y], words, "", 9.0);
    let cross = format!("M{} {}h10m-5 -5v10", round(x - 5.0), round(y));
    html! {
        path d=(cross) stroke=(theme.ink) stroke-width="2" fill="none" {}
        (text_over(base, anchor, LABEL, (theme.ink, theme.paper), true, words))
    }
}

/// One entry of the key: which shade, its words, where.
struct Entry<'a> {
    shade: usize,
    words: &'a str,
    x: f64,
    line: f64,
}

/// Shades with their words, folded into lines.
fn key(map: &FloorMap, width: f64) -> Vec<Entry<'_>> {
    let (mut x, mut line) = (8.0, 0.0);
    let all = std::iter::once(&map.below).chain(map.steps.iter().map(|step| &step.words));
    all.enumerate()
        .filter(|(_, words)| !words.is_empty())
        .map(|(shade, words)| {
            let wide = 20.0 + text_width(words, SMALL) + 14.0;
            if x + wide - 14.0 > width && x > 8.0 {
                (x, line) = (8.0, line + 1.0);
            }
            let entry = Entry { shade, words, x, line };
            x += wide;
            entry
        })
        .collect()
}

fn sample(map: &FloorMap, entry: &Entry<'_>, top: f64, theme: &Theme) -> Markup {
    let y = top + LINE * entry.line;
    html! {
        rect x=(round(entry.x)) y=(round(y)) width="15" height="9" fill=(map.tone(entry.shade, theme)) stroke=(theme.quiet)
            stroke-width="0.8" {}
        (text([entry.x + 20.0, y + 8.0], Anchor::Start, SMALL, theme.ink, false, entry.words))
    }
}

/// The map as text: a digit for each place (9 for 9 and more), `S` for seats, `*` where it is lowest; y upwards.
/// * `columns` - at most this wide
pub fn text_map(map: &FloorMap, columns: usize, glyphs: Glyphs) -> String {
    let every = map.columns.div_ceil(columns.saturating_sub(4).max(8)).max(1);
    let rows: Vec<&[f64]> = map.values.chunks(map.columns.max(1)).collect();
    // A character is about twice as high as wide.
    let shown: Vec<&[f64]> = rows.iter().skip(every / 2).step_by(2 * every).copied().collect();
    let lowest = map.values.iter().copied().filter(|value| value.is_finite()).fold(f64::INFINITY, f64::min);
    let lowest = map.values.iter().position(|value| *value == lowest).unwrap_or(usize::MAX);
    let seats = map.plan.seats.iter().map(|seat| cell_of(map, seat.at_m));
    let mut signs: Vec<((usize, usize), char)> =
        vec![((lowest % map.columns.max(1), lowest / map.columns.max(1)), '*')];
    signs.extend(seats.map(|cell| (cell, 'S')));
    let wide = map.columns.div_ceil(every);
    let edge: String = std::iter::repeat_n(glyphs.pick('\u{2500}', '-'), wide).collect();
    let (side, corner) = (glyphs.pick('\u{2502}', '|'), glyphs.pick('\u{25aa}', '+'));
    let mut drawn = format!(" {corner}{edge}{corner}\n");
    for (index, row) in shown.iter().enumerate().rev() {
        let mut line: Vec<char> = row.iter().skip(every / 2).step_by(every).map(|value| digit(*value)).collect();
        line.resize(wide, ' ');
        for ((column, of_row), sign) in &signs {
            if of_row / (2 * every) == index && column / every < line.len() {
                line[column / every] = *sign;
            }
        }
        let line: String = line.into_iter().collect();
        let _ = writeln!(drawn, " {side}{line}{side}");
    }
    let _ = writeln!(drawn, " {corner}{edge}{corner}");
    drawn
}

fn digit(value: f64) -> char {
    if value.is_finite() { char::from_digit(value.round().clamp(0.0, 9.0) as u32, 10).unwrap_or('9') } else { ' ' }
}

fn cell_of(map: &FloorMap, at_m: [f64; 2]) -> (usize, usize) {
    let along = |axis: usize| ((at_m[axis] - map.first_m[axis]) / map.step_m).round().max(0.0) as usize;
    (along(0), along(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draw::plan::{Mark, Role};

    fn slope() -> FloorMap {
        let columns = 40;
        let value = |cell: usize| (cell % columns) as f64 * 0.25;
        let step = |from: f64| Step { from, label: format!("+{from} dB"), words: format!("{from} dB") };
        FloorMap {
            title: "A slope & more".into(),
            plan: Plan {
                corners_m: vec![[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [0.0, 3.0]],
                seats: vec![Mark { name: "sofa".into(), at_m: [2.0, 1.5], role: Role::Chosen }],
                ..Plan::default()
            },
            first_m: [0.05, 0.05],
            step_m: 0.1,
            columns,
            values: (0..columns * 30).map(value).collect(),
            steps: vec![step(2.0), step(5.0)],
            below: "least".into(),
            signed: false,
            words: vec![([0.5, 0.5], "best".into())],
        }
    }

    #[test]
    fn shades_lines_and_labels_say_the_same() {
        let drawn = svg(&slope(), 400.0, 300.0, &Theme::PRINT).unwrap();
        assert!(drawn.contains("A slope &amp; more") && drawn.contains(">sofa<") && drawn.contains(">best<"));
        assert!(drawn.contains(">+2 dB<") && drawn.contains(">+5 dB<"), "labels at the lines");
        assert!(drawn.contains(">least<") && drawn.contains(">2 dB<"), "the key");
        assert_eq!(drawn.matches("crispEdges").count(), 2, "one shape a shade");
        assert!(svg(&FloorMap { plan: Plan::default(), ..slope() }, 400.0, 300.0, &Theme::PRINT).is_none());
    }

    #[test]
    fn a_signed_map_has_a_silent_line_and_both_signs() {
        let mut map = slope();
        map.values.iter_mut().for_each(|value| *value -= 5.0);
        map.signed = true;
        let drawn = svg(&map, 400.0, 300.0, &Theme::PRINT).unwrap();
        assert!(drawn.contains(">silent<") && drawn.contains("stroke-dasharray"));
        assert!(drawn.contains(">+<") && drawn.contains(">\u{2212}<"));
    }

    #[test]
    fn text_is_narrow_and_shows_seat_and_lowest() {
        let drawn = text_map(&slope(), 24, Glyphs::Ascii);
        assert!(drawn.is_ascii() && drawn.lines().all(|line| line.len() <= 24), "{drawn}");
        assert!(drawn.contains('S') && drawn.contains('*') && drawn.contains('9'), "{drawn}");
    }
}
