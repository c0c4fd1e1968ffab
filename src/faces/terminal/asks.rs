//! What answers a question: one drawing for each kind.

use ratatui::style::Style;
use ratatui::text::{Line, Span};

use crate::faces::form::{Button, Form, Heading, Input, Nudge, NumberField};
use crate::faces::terminal::hand::Hand;
use crate::faces::terminal::styles::{Styles, shortened};
use crate::view::{Answer, Ask, Rating};

/// Columns that one step of the scale is long.
const STEP_COLUMNS: usize = 4;
/// Columns of the level's scale.
const LEVEL_COLUMNS: usize = 41;
/// Options that fit on a page.
const OPTIONS_SHOWN: usize = 9;

/// The answers of a question with the keys that give them.
pub(super) fn body<'a>(ask: &Ask, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let form = Form::of(ask);
    let mut lines = Vec::new();
    if let Some(note) = &form.heading {
        lines.extend([heading(note, styles), Line::default()]);
    }
    lines.extend(match &form.input {
        Input::Confirm { yes, no } => confirm(yes, no.as_ref(), hand, styles),
        Input::Choose(buttons) => choose(buttons, hand, styles),
        Input::Steps => steps(hand, styles),
        Input::Number(NumberField { unit, hint, default, .. }) => {
            typing(unit, hint, default.map(|number| format!("{number} {unit}")), hand, styles)
        }
        Input::Text { default } => typing("", "at most 60 characters", default.clone(), hand, styles),
        Input::Nudge(nudge) if nudge.sets_comfort => level(nudge, hand, styles),
        Input::Nudge(nudge) => matching(nudge, hand, styles),
    });
    lines
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

fn confirm<'a>(yes: &Button, no: Option<&Button>, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let line = |key, button: &Button| {
        written(choice_line(key, &button.label, styles), hand.being_written() == Some(&button.answer), styles)
    };
    std::iter::once(line("Enter", yes)).chain(no.map(|no| line("n", no))).collect()
}

fn choose<'a>(options: &[Button], hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let cursor = hand.cursor.unwrap_or(0);
    let first = (cursor + 1).saturating_sub(OPTIONS_SHOWN);
    let mut lines = Vec::new();
    for (position, option) in options.iter().enumerate().skip(first).take(OPTIONS_SHOWN) {
        let key = if position < 9 { (position + 1).to_string() } else { String::new() };
        let line = Line::from(vec![
            marker(hand.cursor == Some(position), styles),
            Span::styled(format!("{key:<3}"), styles.key),
            Span::raw(shortened(&option.label, 60)),
        ]);
        lines.push(written(line, hand.being_written() == Some(&option.answer), styles));
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

fn level<'a>(nudge: &Nudge, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let share = ((nudge.now - nudge.low) / (nudge.high - nudge.low)).clamp(0.0, 1.0);
    // Not a number, where the two levels are the same: nothing is drawn rather than something wrong.
    let filled = (share * LEVEL_COLUMNS as f64).round() as usize;
    let scale = Line::from(vec![
        Span::raw("    "),
        Span::raw("▄".repeat(filled)),
        Span::styled("·".repeat(LEVEL_COLUMNS - filled), styles.quiet),
        Span::raw("│"),
        Span::raw(format!(" {:.0} {} at most", nudge.high, nudge.unit)),
    ]);
    let now = Span::styled(format!("{:.0} {}", nudge.now, nudge.unit), styles.strong);
    let mut lines = vec![
        Line::from(vec![Span::raw("    now "), now]),
        scale,
        Line::default(),
        choice_line("+", "louder, 1 dB a press", styles),
        choice_line("-", "quieter", styles),
    ];
    lines.extend(confirm(&nudge.done, nudge.other.as_ref(), hand, styles));
    lines
}

fn heading<'a>(note: &Heading, styles: Styles) -> Line<'a> {
    let mut spans =
        vec![Span::styled(note.note.clone(), styles.strong), Span::raw(format!("   at {}", shortened(&note.spot, 36)))];
    if note.shortfall_db >= 0.5 {
        spans.push(Span::styled(format!("   (played {:.0} dB low)", note.shortfall_db), styles.quiet));
    }
    Line::from(spans)
}

/// The keys of a match; no figure, so that nobody matches to one.
fn matching<'a>(nudge: &Nudge, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let said_no = hand.being_written() == Some(&Answer::No);
    let said_yes = hand.being_written().is_some() && !said_no;
    let step = if nudge.step < 1.0 { "half a decibel a press" } else { "1 dB a press" };
    let up_leads = nudge.now < nudge.high - 1e-9;
    let up = if up_leads { format!("louder, {step}") } else { "louder: it may get no louder".into() };
    let other = nudge.other.as_ref().map(|other| written(choice_line("n", &other.label, styles), said_no, styles));
    let mut lines = vec![
        choice_line("up", &up, styles),
        choice_line("down", &format!("softer, {step}"), styles),
        written(choice_line("Enter", &nudge.done.label, styles), said_yes, styles),
    ];
    lines.extend(other);
    lines
}

/// The seven steps: the key, a bar to the left or right of the middle, the word.
fn steps<'a>(hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let mut lines = Vec::new();
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
