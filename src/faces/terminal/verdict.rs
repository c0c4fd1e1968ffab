//! The verdict: who leads, by how much, how sure, and every spot in a table.

use ratatui::style::Style;
use ratatui::text::{Line, Span};

use crate::faces::terminal::asks;
use crate::faces::terminal::hand::Hand;
use crate::faces::terminal::styles::{Styles, TEXT_COLUMNS, shortened, shortened_front};
use crate::faces::words;
use crate::view::{Chapter, Ranking, View};

/// Instruction, reason, and the verdict with the answers to the open question above it.
pub(super) fn content<'a>(
    view: &View,
    ranking: &Ranking,
    hand: &Hand,
    styles: Styles,
    rows: usize,
) -> (String, String, Vec<Line<'a>>) {
    let (text, why, mut body) = match view.question.as_deref() {
        Some(question) => (question.text.clone(), question.why.clone(), asks::body(&question.ask, hand, styles)),
        None if view.chapter == Chapter::Done => ("The visit is complete.".into(), String::new(), files(view)),
        None => ("One moment.".into(), String::new(), Vec::new()),
    };
    body.push(Line::default());
    for sentence in words::verdict(view, ranking).iter().chain(ranking.caveats.first()) {
        body.extend(words::wrapped(sentence, TEXT_COLUMNS).into_iter().map(Line::from));
    }
    let text_rows = words::wrapped(&text, TEXT_COLUMNS).len();
    body.extend(table(view, ranking, styles, rows.saturating_sub(text_rows + body.len())));
    (text, why, body)
}

/// The spots that were heard, in `rows` rows with the heading; the sheet has those for which there is no room.
fn table<'a>(view: &View, ranking: &Ranking, styles: Styles, rows: usize) -> Vec<Line<'a>> {
    let heard: Vec<_> = ranking.spots.iter().filter(|spot| spot.answers > 0).collect();
    let head = format!("{:<30}{:<26}{}", "spot", "spread (8 in 10 within)", "most even");
    let mut lines = vec![Line::styled(head, styles.quiet)];
    let room = rows.saturating_sub(1);
    let shown = if heard.len() <= room { heard.len() } else { room.saturating_sub(1) };
    for (place, spot) in heard.iter().take(shown).enumerate() {
        let name = shortened(&words::spot_name(view, spot.spot), 28);
        let name = Span::styled(padded(name, 30), if place == 0 { styles.strong } else { Style::new() });
        let rest = format!("{:<26}{}", words::doubtful_db(spot.spread_db), words::odds(spot.probability_best));
        lines.push(Line::from(vec![name, Span::raw(rest)]));
    }
    if heard.len() > shown {
        lines.push(Line::styled(format!("and {} more, in the sheet", heard.len() - shown), styles.quiet));
    }
    lines
}

/// Filled up with spaces to a width in columns, which for some scripts is not the number of letters.
fn padded(text: String, columns: usize) -> String {
    let width = Span::raw(text.as_str()).width();
    text + &" ".repeat(columns.saturating_sub(width))
}

/// Where the sheet and the visit are.
pub(super) fn files<'a>(view: &View) -> Vec<Line<'a>> {
    let mut lines = Vec::new();
    if let Some(sheet) = &view.sheet {
        lines.push(Line::from(format!("Set-up sheet   {}", shortened_front(&sheet.display().to_string(), 56))));
    }
    lines.push(Line::from(format!("Visit          {}", shortened_front(&view.file.display().to_string(), 56))));
    lines
}
