//! Curves over frequency: note names above, hertz below, decibels on a grid of 3 dB, the band of doubt as a light area,
//! a label at each line's end.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::draw::svg::{Anchor, LABEL, SMALL, line, path, picture, round, text, text_over, text_width, wrap};
use crate::draw::text::{Canvas, Glyphs};
use crate::draw::theme::Theme;

/// What is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Curves {
    /// Frequencies that are named on the upper edge, Hz, ascending.
    pub notes: Vec<(f64, String)>,
    /// The lines; the first is the one that matters.
    pub curves: Vec<Curve>,
}

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Stands at the line's end.
    pub label: String,
    /// Ascending in frequency.
    pub points: Vec<Point>,
}

/// A value with the band it is believed to lie in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Hz.
    pub frequency_hz: f64,
    /// dB.
    pub value_db: f64,
    /// Lower edge of the band, dB.
    pub low_db: f64,
    /// Upper edge of the band, dB.
    pub high_db: f64,
}

/// How much wider bold letters run than plain ones.
const BOLD_OVER_PLAIN: f64 = 1.15;
/// Decibels between grid lines.
const GRID_DB: f64 = 3.0;
/// The grid shows at least this far to either side of zero, so that small deviations look small.
const LEAST_DB: f64 = 6.0;
/// And at most this far; what is outside is cut at the edge.
const MOST_DB: f64 = 18.0;
/// Candidates for the numbers on the lower edge.
const HERTZ: [f64; 22] = [
    10.0, 16.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 160.0, 200.0, 250.0, 300.0, 400.0, 500.0,
    1000.0, 2000.0, 5000.0, 10000.0, 20000.0,
];
/// Line patterns: lines can be told apart without colour.
const DASHES: [Option<&str>; 4] = [None, Some("7 4"), Some("2 3"), Some("9 3 2 3")];

struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    hertz: [f64; 2],
    reach_db: f64,
    /// Text size on the axes.
    small: f64,
}

impl Frame {
    fn x(&self, frequency_hz: f64) -> f64 {
        let span = (self.hertz[1] / self.hertz[0]).log2();
        self.left + (frequency_hz / self.hertz[0]).log2() / span * (self.right - self.left)
    }

    fn y(&self, level_db: f64) -> f64 {
        let shown = level_db.clamp(-self.reach_db, self.reach_db);
        self.bottom + (shown + self.reach_db) / (2.0 * self.reach_db) * (self.top - self.bottom)
    }
}

/// Lowest and highest frequency drawn, a little beyond the first and last; `None` if there is nothing to draw.
fn hertz_range(curves: &Curves) -> Option<[f64; 2]> {
    let all = || curves.curves.iter().flat_map(|curve| &curve.points).map(|point| point.frequency_hz);
    let (low, high) = all().fold((f64::INFINITY, 0.0_f64), |(low, high), hertz| (low.min(hertz), high.max(hertz)));
    (low > 0.0 && low.is_finite() && high.is_finite()).then(|| [low / 1.06, (high * 1.06).max(low * 1.2)])
}

/// How far the decibel axis goes to either side, a whole number of grid steps.
fn reach_db(curves: &Curves) -> f64 {
    let all = curves.curves.iter().flat_map(|curve| &curve.points);
    let most = all
        .flat_map(|point| [point.value_db, point.low_db, point.high_db])
        .filter(|level| level.is_finite())
        .fold(LEAST_DB, |most, level| most.max(level.abs()));
    ((most / GRID_DB).ceil() * GRID_DB).min(MOST_DB)
}

/// The picture as SVG; `None` if there is no point to draw.
pub fn svg(curves: &Curves, width: f64, height: f64, theme: &Theme) -> Option<String> {
    titled_svg(curves, "", width, height, theme)
}

/// The same with words above it, for a picture that stands alone.
pub fn titled_svg(curves: &Curves, title: &str, width: f64, height: f64, theme: &Theme) -> Option<String> {
    let words = wrap(title, width - 16.0, LABEL);
    let above = 15.0 * words.len() as f64;
    let hertz = hertz_range(curves)?;
    // A narrow picture is one for a phone, and is not made smaller there.
    let small = if width < 420.0 { LABEL } else { SMALL };
    // The first one is bold, and wider for it.
    let wide =
        |(at, curve): (usize, &Curve)| text_width(&curve.label, LABEL) * if at == 0 { BOLD_OVER_PLAIN } else { 1.0 };
    let label = curves.curves.iter().enumerate().map(wide).fold(0.0, f64::max).min(width * 0.3);
    let frame = Frame {
        left: 46.0 * small / SMALL,
        right: width - label - 14.0,
        top: 24.0 + above,
        bottom: height - 22.0,
        hertz,
        reach_db: reach_db(curves),
        small,
    };
    let content = html! {
        @for (index, line) in words.iter().enumerate() {
            (text([8.0, 13.0 + 15.0 * index as f64], Anchor::Start, LABEL, theme.ink, words.len() == 1, line))
        }
        (decibels(&frame, theme))
        (names(curves, &frame, theme))
        (hertz_axis(&frame, theme))
        @for curve in &curves.curves { (band(curve, &frame, theme)) }
        // The first one is drawn last, over the others.
        @for (index, curve) in curves.curves.iter().enumerate().rev() { (stroke(curve, index, &frame, theme)) }
        (end_labels(curves, &frame, theme))
    };
    let said = if title.is_empty() { "Deviation from even over frequency, in decibels" } else { title };
    Some(picture(width, height, said, theme, &content))
}

fn decibels(frame: &Frame, theme: &Theme) -> Markup {
    let steps = (frame.reach_db / GRID_DB).round() as i32;
    html! {
        @for step in -steps..=steps {
            @let level_db = f64::from(step) * GRID_DB;
            @let y = frame.y(level_db);
            @let words = if step == 0 { "even".to_owned() } else { format!("{level_db:+.0}").replace('-', "\u{2212}") };
            (line([frame.left, y], [frame.right, y], if step == 0 { theme.quiet } else { theme.grid }, if step == 0 { 1.0 } else { 0.6 }))
            (text([frame.left - 6.0, y + 3.2], Anchor::End, frame.small, theme.quiet, step == 0, &words))
        }
        (text([frame.left - 6.0, frame.top - 10.0], Anchor::End, frame.small, theme.quiet, false, "dB"))
    }
}

fn names(curves: &Curves, frame: &Frame, theme: &Theme) -> Markup {
    let mut free_from = f64::NEG_INFINITY;
    html! {
        @for (frequency_hz, name) in &curves.notes {
            @let x = frame.x(*frequency_hz);
            @let half = text_width(name, frame.small) / 2.0;
            (line([x, frame.top], [x, frame.top - 4.0], theme.quiet, 0.8))
            @if x - half > free_from {
                (text([x, frame.top - 8.0], Anchor::Middle, frame.small, theme.ink, false, name))
                ({ free_from = x + half + 5.0; "" })
            }
        }
    }
}

fn hertz_axis(frame: &Frame, theme: &Theme) -> Markup {
    let mut free_from = f64::NEG_INFINITY;
    html! {
        (line([frame.left, frame.bottom], [frame.right, frame.bottom], theme.quiet, 0.8))
        @for hertz in HERTZ.iter().filter(|hertz| (frame.hertz[0]..=frame.hertz[1]).contains(*hertz)) {
            @let x = frame.x(*hertz);
            @let words = format!("{hertz:.0}");
            @let half = text_width(&words, frame.small) / 2.0;
            @if x - half > free_from {
                (line([x, frame.top], [x, frame.bottom + 4.0], theme.grid, 0.6))
                (text([x, frame.bottom + 14.0], Anchor::Middle, frame.small, theme.quiet, false, &words))
                ({ free_from = x + half + 6.0; "" })
            }
        }
        (text([frame.left - 6.0, frame.bottom + 14.0], Anchor::End, frame.small, theme.quiet, false, "Hz"))
    }
}

fn band(curve: &Curve, frame: &Frame, theme: &Theme) -> Markup {
    let edge =
        |of: fn(&Point) -> f64| curve.points.iter().map(move |point| [frame.x(point.frequency_hz), frame.y(of(point))]);
    let mut outline: Vec<[f64; 2]> = edge(|point| point.high_db).collect();
    outline.extend(edge(|point| point.low_db).rev());
    let doubt = curve.points.iter().any(|point| point.high_db > point.low_db);
    html! {
        @if doubt && curve.points.len() > 1 { path d=(path(&outline, true)) fill=(theme.shade) fill-opacity="0.85" {} }
    }
}

fn stroke(curve: &Curve, index: usize, frame: &Frame, theme: &Theme) -> Markup {
    let points: Vec<[f64; 2]> =
        curve.points.iter().map(|point| [frame.x(point.frequency_hz), frame.y(point.value_db)]).collect();
    let colour = if index == 0 { theme.ink } else { theme.quiet };
    html! {
        path d=(path(&points, false)) fill="none" stroke=(colour) stroke-width=(if index == 0 { "2" } else { "1.3" })
            stroke-dasharray=[DASHES[index % DASHES.len()]] stroke-linejoin="round" {}
        @if index == 0 {
            @for (point, [x, y]) in curve.points.iter().zip(&points) {
                circle cx=(round(*x)) cy=(round(*y)) r="2.6" fill=(theme.of_sign((point.value_db / 1.5).trunc())) stroke=(theme.paper)
                    stroke-width="0.8" {}
            }
        }
    }
}

/// Labels at the lines' ends, moved apart where they would overlap.
fn end_labels(curves: &Curves, frame: &Frame, theme: &Theme) -> Markup {
    let mut ends: Vec<(usize, f64)> = curves
        .curves
        .iter()
        .enumerate()
        .filter_map(|(index, curve)| curve.points.last().map(|point| (index, frame.y(point.value_db))))
        .collect();
    ends.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut free_from = f64::NEG_INFINITY;
    for (_, y) in &mut ends {
        *y = y.max(free_from);
        free_from = *y + LABEL + 2.0;
    }
    html! {
        @for (index, y) in ends {
            @let colour = if index == 0 { theme.ink } else { theme.quiet };
            (text_over([frame.right + 6.0, y + 3.5], Anchor::Start, LABEL, (colour, theme.paper), index == 0, &curves.curves[index].label))
        }
    }
}

/// The first curve as text: `o` for its value, dots for its band; under it hertz. Every line of the grid has a row of
/// its own, all equally far apart, even where that takes more than `rows`.
pub fn text_curve(curves: &Curves, columns: usize, rows: usize, glyphs: Glyphs) -> String {
    let (Some(hertz), Some(curve)) = (hertz_range(curves), curves.curves.first()) else { return String::new() };
    let reach = reach_db(curves);
    let left = 6;
    let wide = columns.saturating_sub(left + 1).max(2);
    let lines = 2 * (reach / GRID_DB).round() as usize;
    let tall = lines * (rows.saturating_sub(2) / lines).max(1) + 1;
    let frame = Frame {
        left: left as f64,
        right: (left + wide - 1) as f64,
        top: 0.0,
        bottom: (tall - 1) as f64,
        hertz,
        reach_db: reach,
        small: SMALL,
    };
    let mut sheet = Canvas::new(columns, tall);
    let row_of = |level_db: f64| frame.y(level_db).round() as usize;
    for column in left..left + wide {
        sheet.set(column, row_of(0.0), glyphs.pick('\u{2500}', '-'));
    }
    let steps = (reach / GRID_DB).round() as i32;
    for step in -steps..=steps {
        let level_db = f64::from(step) * GRID_DB;
        let words = if step == 0 { "even".to_owned() } else { format!("{level_db:+.0}") };
        for (index, character) in format!("{words:>5}").chars().enumerate() {
            sheet.set(index, row_of(level_db), character);
        }
    }
    for point in &curve.points {
        let column = frame.x(point.frequency_hz).round() as usize;
        for row in row_of(point.high_db)..=row_of(point.low_db) {
            sheet.set(column, row, glyphs.pick('\u{250a}', ':'));
        }
        sheet.set(column, row_of(point.value_db), glyphs.pick('\u{25cf}', 'o'));
    }
    let mut drawn = sheet.into_text();
    let mut axis = String::new();
    for hertz in HERTZ.iter().filter(|hertz| (frame.hertz[0]..=frame.hertz[1]).contains(*hertz)) {
        let column = frame.x(*hertz).round() as usize;
        if column > axis.chars().count() || axis.is_empty() {
            let _ = write!(axis, "{:column$}{hertz:.0}", "", column = column - axis.chars().count());
        }
    }
    let _ = writeln!(drawn, "{axis} Hz");
    drawn
}
