//! What was heard at every spot on every note, as one table of bars: a column a spot, a row a note, the lowest note on
//! top.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::draw::steps::{self, Row, STEPS_A_SIDE, WORDS, blocks};
use crate::draw::svg::{Anchor, LABEL, SMALL, line, picture, round, text, text_width};
use crate::draw::text::{Glyphs, fit};
use crate::draw::theme::Theme;

/// What is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SpotsByNotes {
    /// The rows, ascending in frequency.
    pub notes: Vec<Note>,
    /// The columns, in the order in which they are to be read.
    pub columns: Vec<Column>,
}

/// A note: its frequency and its musical name.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Hz.
    pub frequency_hz: f64,
    /// 'E1'.
    pub name: String,
}

/// One spot.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// The spot's name.
    pub name: String,
    /// What is said under the name ('2.1 dB').
    pub under: String,
    /// The chosen one: framed.
    pub chosen: bool,
    /// One a note.
    pub cells: Vec<Cell>,
}

/// What was heard of one note at one spot.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Cell {
    /// Ratings, -3 to 3, in the order they were given.
    pub steps: Vec<i8>,
    /// A measured or matched deviation from the spot's mean, dB.
    pub level_db: Option<f64>,
    /// Something rattled.
    pub rattles: bool,
}

/// The level at which an outlined bar is as long as three blocks, dB.
const FULL_DB: f64 = 9.0;
/// A text of the terminal has at most this many columns beside each other.
const TEXT_COLUMN: usize = 9;

const NOTE_LABEL: f64 = 86.0;
const HEAD: f64 = 46.0;
const ROW: f64 = 17.0;
const WIDEST_COLUMN: f64 = 112.0;

/// The picture as SVG, `width` wide.
pub fn svg(table: &SpotsByNotes, width: f64, theme: &Theme) -> String {
    let count = table.columns.len().max(1) as f64;
    let column = ((width - NOTE_LABEL) / count).min(WIDEST_COLUMN);
    let rows = table.notes.len() as f64;
    let height = HEAD + rows * ROW + 50.0;
    let content = html! {
        @for (index, note) in table.notes.iter().enumerate() {
            @let y = HEAD + index as f64 * ROW;
            (line([0.0, y + ROW], [NOTE_LABEL + column * count, y + ROW], theme.grid, 0.6))
            (text([28.0, y + ROW * 0.7], Anchor::End, LABEL, theme.ink, true, &note.name))
            (text([NOTE_LABEL - 12.0, y + ROW * 0.7], Anchor::End, LABEL, theme.quiet, false, &hertz(note.frequency_hz)))
        }
        @for (index, spot) in table.columns.iter().enumerate() {
            (spot_column(spot, NOTE_LABEL + index as f64 * column, column, rows, theme))
        }
        (legend(table, HEAD + rows * ROW + 22.0, theme))
    };
    picture(width, height, "What was heard at every spot on every note", theme, &content)
}

/// A frequency as it is printed: no decimals, unit.
pub fn hertz(frequency_hz: f64) -> String {
    format!("{frequency_hz:.0} Hz")
}

fn spot_column(spot: &Column, left: f64, width: f64, rows: f64, theme: &Theme) -> Markup {
    let centre_x = left + width / 2.0;
    let bottom = HEAD + rows * ROW;
    let step = (width - 14.0) / (2.0 * f64::from(STEPS_A_SIDE));
    let names = wrapped(&spot.name, width - 6.0);
    html! {
        @if spot.chosen {
            rect x=(round(left + 2.0)) y="2" width=(round(width - 4.0)) height=(round(bottom + 2.0)) fill="none" stroke=(theme.ink)
                stroke-width="1.6" rx="3" {}
        }
        @for (index, name) in names.iter().enumerate() {
            @let y = 27.0 - (names.len() - 1 - index) as f64 * (LABEL + 0.5);
            (text([centre_x, y], Anchor::Middle, LABEL, theme.ink, spot.chosen, name))
        }
        (text([centre_x, 39.0], Anchor::Middle, SMALL, theme.quiet, false, &spot.under))
        (line([centre_x, HEAD], [centre_x, bottom], theme.even, 0.8))
        @for (index, cell) in spot.cells.iter().enumerate() {
            @let row = Row { centre_x, y: HEAD + index as f64 * ROW + 3.5, height: ROW - 7.0, step };
            (cell_shape(cell, row, theme))
        }
    }
}

fn cell_shape(cell: &Cell, row: Row, theme: &Theme) -> Markup {
    let answers = cell.steps.len().max(1) as f64;
    let height = (row.height / answers).max(1.5);
    let right = row.centre_x + row.step * f64::from(STEPS_A_SIDE);
    html! {
        @if cell.steps.is_empty() && cell.level_db.is_none() {
            circle cx=(round(row.centre_x)) cy=(round(row.y + row.height / 2.0)) r="2" fill=(theme.paper) stroke=(theme.quiet)
                stroke-width="0.8" {}
        }
        @for (index, step) in cell.steps.iter().enumerate() {
            @let gap = if cell.steps.len() > 1 { 0.8 } else { 0.0 };
            (blocks(Row { y: row.y + index as f64 * height, height: height - gap, ..row }, *step, theme))
        }
        @if let Some(level_db) = cell.level_db {
            @let length = (level_db.abs() / FULL_DB).min(1.0) * row.step * f64::from(STEPS_A_SIDE);
            @let left = if level_db < 0.0 { row.centre_x - length } else { row.centre_x };
            rect x=(round(left)) y=(round(row.y)) width=(round(length)) height=(round(row.height)) fill="none"
                stroke=(theme.of_sign(level_db)) stroke-width="1.4" {}
        }
        @if cell.rattles {
            (text([right + 1.0, row.y + row.height - 1.0], Anchor::Start, SMALL, theme.ink, true, "r"))
        }
    }
}

/// A name on one or two lines.
fn wrapped(name: &str, width: f64) -> Vec<String> {
    if text_width(name, LABEL) <= width {
        return vec![name.to_owned()];
    }
    let most = (width / (LABEL * 0.54)).max(4.0) as usize;
    let mut lines = vec![String::new()];
    for word in name.split_whitespace() {
        let last = lines.len() - 1;
        let joined = lines[last].chars().count() + 1 + word.chars().count();
        if lines[last].is_empty() {
            lines[last].push_str(word);
        } else if joined <= most || last == 1 {
            lines[last].push(' ');
            lines[last].push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines.iter().map(|line| fit(line, most)).collect()
}

/// The seven steps with their words, and what else may appear.
fn legend(table: &SpotsByNotes, y: f64, theme: &Theme) -> Markup {
    const BLOCK: f64 = 8.0;
    let cells = || table.columns.iter().flat_map(|column| &column.cells);
    let others = [
        (true, "\u{25cb} not heard"),
        (cells().any(|cell| cell.level_db.is_some()), "outlined: measured, full length 9 dB"),
        (cells().any(|cell| cell.rattles), "r: something rattled"),
        (cells().any(|cell| cell.steps.len() > 1), "two bars in one field: heard twice"),
    ];
    let others: Vec<&str> = others.iter().filter(|(seen, _)| *seen).map(|(_, words)| *words).collect();
    let mut x = NOTE_LABEL;
    let samples = (-STEPS_A_SIDE..=STEPS_A_SIDE).zip(WORDS).map(|(step, word)| {
        let wide = BLOCK * f64::from(step.unsigned_abs().max(1));
        let centre_x = x + match step {
            ..0 => wide,
            0 => wide / 2.0,
            _ => 0.0,
        };
        let word_x = x + wide + 5.0;
        x = word_x + text_width(word, SMALL) + 14.0;
        (step, word, centre_x, word_x)
    });
    html! {
        @for (step, word, centre_x, word_x) in samples {
            (blocks(Row { centre_x, y: y - 8.0, height: 9.0, step: BLOCK }, step, theme))
            (text([word_x, y], Anchor::Start, SMALL, theme.quiet, false, word))
        }
        (text([NOTE_LABEL, y + 18.0], Anchor::Start, SMALL, theme.quiet, false, &others.join("   \u{b7}   ")))
    }
}

/// The table as text, folded so that no line is longer than `columns`.
pub fn text_table(table: &SpotsByNotes, columns: usize, glyphs: Glyphs) -> String {
    let beside = (columns.saturating_sub(11) / (TEXT_COLUMN + 1)).max(1);
    let mut drawn = String::new();
    for group in table.columns.chunks(beside) {
        if !drawn.is_empty() {
            drawn.push('\n');
        }
        let headline = |of: &dyn Fn(&Column) -> String| {
            let cells: Vec<String> =
                group.iter().map(|column| format!("{:^TEXT_COLUMN$}", fit(&of(column), TEXT_COLUMN))).collect();
            format!("{:10} {}", "", cells.join(" ")).trim_end().to_owned()
        };
        let _ = writeln!(drawn, "{}", headline(&|column| column.name.clone()));
        let _ = writeln!(drawn, "{}", headline(&|column| column.under.clone()));
        if group.iter().any(|column| column.chosen) {
            let _ = writeln!(drawn, "{}", headline(&|column| if column.chosen { "= here =" } else { "" }.to_owned()));
        }
        for (index, note) in table.notes.iter().enumerate() {
            let cells: Vec<String> = group.iter().map(|column| text_cell(column.cells.get(index), glyphs)).collect();
            let _ = writeln!(
                drawn,
                "{}",
                format!("{:>3} {:>6} {}", note.name, hertz(note.frequency_hz), cells.join(" ")).trim_end()
            );
        }
    }
    drawn
}

fn text_cell(cell: Option<&Cell>, glyphs: Glyphs) -> String {
    let (block, centre, even) =
        (glyphs.pick('\u{2588}', '#'), glyphs.pick('\u{2502}', '|'), glyphs.pick('\u{25c6}', '+'));
    let bar = match cell.and_then(|cell| cell.steps.last()) {
        Some(step) => steps::text(*step, block, centre, even),
        None => match cell.and_then(|cell| cell.level_db) {
            Some(level_db) => format!("{level_db:^+7.1}"),
            None => format!("   {}   ", glyphs.pick('\u{b7}', '.')),
        },
    };
    let rattle = if cell.is_some_and(|cell| cell.rattles) { 'r' } else { ' ' };
    format!(" {bar}{rattle}")
}
