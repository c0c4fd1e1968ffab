//! What answers a question: one drawing for each kind.

use ratatui::style::Style;
use ratatui::text::{Line, Span};

use crate::faces::terminal::hand::Hand;
use crate::faces::terminal::page::{Styles, shortened};
use crate::faces::words;
use crate::view::{Answer, Ask, NoteAtSpot, Rating};

/// Columns that one step of the scale is long.
const STEP_COLUMNS: usize = 4;
/// Columns of the level's scale.
const LEVEL_COLUMNS: usize = 41;
/// Where the comfort climb starts, dBFS.
const START_DBFS: f64 = -60.0;
/// Options that fit on a page.
const OPTIONS_SHOWN: usize = 9;

/// The answers of a question with the keys that give them.
pub(super) fn body<'a>(ask: &Ask, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    match ask {
        Ask::Confirm { yes, no, .. } => confirm(yes, no.as_deref(), hand, styles),
        Ask::Choose { options, .. } => choose(options, hand, styles),
        Ask::Number { unit, low, high, default, .. } => {
            let range = format!("from {low} to {high} {unit}");
            typing(unit, range.trim_end(), default.map(|number| format!("{number} {unit}")), hand, styles)
        }
        Ask::Text { default, .. } => typing("", "at most 60 characters", default.clone(), hand, styles),
        Ask::Comfort { level, highest } => comfort(level.dbfs(), highest.dbfs(), hand, styles),
        Ask::Move { .. } => confirm("I am there", None, hand, styles),
        Ask::Anchors => confirm("heard", None, hand, styles),
        Ask::Rate(note) => rate(note, hand, styles),
        Ask::Meter(note) => {
            let mut lines = vec![heading(note, styles), Line::default()];
            lines.extend(typing("dB", "what the meter shows", None, hand, styles));
            lines
        }
    }
}

/// A key and what it does, with a mark while the answer is being written.
pub(super) fn choice_line<'a>(key: &str, what: &str, styles: Styles) -> Line<'a> {
    Line::from(vec![Span::raw("    "), Span::styled(format!("{key:<7}"), styles.key), Span::raw(shortened(what, 60))])
}

fn written<'a>(line: Line<'a>, is_written: bool, styles: Styles) -> Line<'a> {
    let mut line = line;
    if is_written {
        line.spans.push(Span::styled("   being written …", styles.quiet));
    }
    line
}

fn confirm<'a>(yes: &str, no: Option<&str>, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let said_no = hand.being_written() == Some(&Answer::No);
    let said_yes = hand.being_written().is_some() && !said_no;
    let mut lines = vec![written(choice_line("Enter", yes, styles), said_yes, styles)];
    if let Some(no) = no {
        lines.push(written(choice_line("n", no, styles), said_no, styles));
    }
    lines
}

fn choose<'a>(options: &[String], hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let cursor = hand.cursor.unwrap_or(0);
    let first = (cursor + 1).saturating_sub(OPTIONS_SHOWN);
    let mut lines = Vec::new();
    for (position, option) in options.iter().enumerate().skip(first).take(OPTIONS_SHOWN) {
        let key = if position < 9 { (position + 1).to_string() } else { String::new() };
        let line = Line::from(vec![
            marker(hand.cursor == Some(position), styles),
            Span::styled(format!("{key:<3}"), styles.key),
            Span::raw(shortened(option, 60)),
        ]);
        lines.push(written(line, hand.being_written() == Some(&Answer::Choice(position)), styles));
    }
    if options.len() > OPTIONS_SHOWN {
        lines.push(Line::styled(format!("    {} in all; the arrows lead to the others", options.len()), styles.quiet));
    }
    lines
}

fn marker<'a>(here: bool, styles: Styles) -> Span<'a> {
    Span::styled(if here { "  ▸ " } else { "    " }, styles.key)
}

fn typing<'a>(unit: &str, hint: &str, default: Option<String>, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let field = Line::from(vec![
        Span::styled("  ▸ ", styles.key),
        Span::styled(hand.typed.clone(), styles.strong),
        Span::styled("_", styles.key),
        Span::raw(format!(" {unit}")),
    ]);
    let enter = match default {
        Some(default) if hand.typed.is_empty() => format!("take {}", default.trim_end()),
        _ => "take this".into(),
    };
    vec![
        written(field, hand.being_written().is_some(), styles),
        Line::styled(format!("    {hint}"), styles.quiet),
        Line::default(),
        choice_line("Enter", &enter, styles),
    ]
}

fn comfort<'a>(level_dbfs: f64, highest_dbfs: f64, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let share = ((level_dbfs - START_DBFS) / (highest_dbfs - START_DBFS)).clamp(0.0, 1.0);
    // Not a number, where the two levels are the same: nothing is drawn rather than something wrong.
    let filled = (share * LEVEL_COLUMNS as f64).round() as usize;
    let scale = Line::from(vec![
        Span::raw("    "),
        Span::raw("▄".repeat(filled)),
        Span::styled("·".repeat(LEVEL_COLUMNS - filled), styles.quiet),
        Span::raw("│"),
        Span::raw(format!(" {highest_dbfs:.0} dBFS at most")),
    ]);
    let now = Line::from(vec![Span::raw("    now "), Span::styled(format!("{level_dbfs:.0} dBFS"), styles.strong)]);
    vec![
        now,
        scale,
        Line::default(),
        choice_line("+", "louder, 1 dB a press", styles),
        choice_line("-", "quieter", styles),
        written(choice_line("Enter", "comfortable: keep this level", styles), hand.being_written().is_some(), styles),
    ]
}

fn heading<'a>(note: &NoteAtSpot, styles: Styles) -> Line<'a> {
    let mut spans = vec![
        Span::styled(words::note(note.frequency_hz, Some(&note.note_name)), styles.strong),
        Span::raw(format!("   at {}", shortened(&note.spot_name, 36))),
    ];
    if note.shortfall_db >= 0.5 {
        spans.push(Span::styled(format!("   (played {:.0} dB low)", note.shortfall_db), styles.quiet));
    }
    Line::from(spans)
}

/// The seven steps: the key, a bar to the left or right of the middle, the word.
fn rate<'a>(note: &NoteAtSpot, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let mut lines = vec![heading(note, styles), Line::default()];
    for (position, rating) in Rating::ALL.into_iter().enumerate() {
        let length = rating.step().unsigned_abs() as usize * STEP_COLUMNS;
        let bar = "▄".repeat(length);
        let half = 3 * STEP_COLUMNS;
        let (left, right, tint) = match rating.step() {
            step if step < 0 => (format!("{bar:>half$}"), " ".repeat(half), styles.weak),
            0 => (" ".repeat(half), " ".repeat(half), styles.even),
            _ => (" ".repeat(half), format!("{bar:<half$}"), styles.loud),
        };
        let is_written = hand.being_written() == Some(&Answer::Rating(rating));
        let marked = hand.cursor == Some(position) || is_written;
        let line = Line::from(vec![
            marker(marked, styles),
            Span::styled(format!("{}   ", position + 1), styles.key),
            Span::styled(left, tint),
            Span::raw("│"),
            Span::styled(right, tint),
            Span::styled(format!("   {}", rating.word()), if marked { styles.strong } else { Style::new() }),
        ]);
        lines.push(written(line, is_written, styles));
    }
    lines
}
