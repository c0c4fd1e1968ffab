//! The page: where we are at the top, one instruction, what answers it, what was said last, the keys at the bottom.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::{Line, Span};

use crate::faces::form::Form;
use crate::faces::terminal::styles::{Styles, TEXT_COLUMNS, shortened};
use crate::faces::terminal::verdict::{self, files};
use crate::faces::terminal::{Look, PhonePanel, asks, hand::Hand};
use crate::faces::words;
use crate::view::{AnswerBy, Ask, Chapter, View};

/// The page's width; a wider terminal has margins.
pub(super) const COLUMNS: u16 = 80;
/// The least height.
pub(super) const ROWS: u16 = 24;
const MARGIN: u16 = 3;

/// Whether a window has no room for the page.
pub(super) fn is_too_small(area: Rect) -> bool {
    area.width < COLUMNS || area.height < ROWS
}

/// Draws the whole page into `buffer`.
pub(super) fn draw(buffer: &mut Buffer, view: &View, hand: &Hand, phones: Option<&PhonePanel>, look: Look) {
    let area = buffer.area;
    let styles = Styles::of(look);
    if is_too_small(area) {
        too_small(buffer, area, view, hand, styles);
        return;
    }
    let page = Rect { x: area.x + (area.width - COLUMNS) / 2, width: COLUMNS, ..area };
    let mut pen = Pen { buffer, page, look };
    if let Some(phones) = phones.filter(|phones| phones.is_open()) {
        for (row, line) in (1..page.height - 2).zip(phones.lines(look, styles)) {
            pen.line(MARGIN, row, &line);
        }
        stop(&mut pen, view, hand, styles);
        return;
    }
    top(&mut pen, view, styles);
    // Where a text is typed, these keys are letters.
    if !Hand::takes_letters(view) {
        let mut hint = Vec::new();
        if let Some(phones) = phones {
            hint.extend([Span::styled("h", styles.key), Span::raw(format!(" {}   ", phones.hint()))]);
        }
        hint.extend([Span::styled("?", styles.key), Span::raw(" help")]);
        pen.line_right(2, &Line::from(hint));
    }
    let news = news(view, hand, styles);
    let news_row = page.height - 3 - news.len() as u16;
    middle(&mut pen, view, hand, styles, usize::from(news_row) - 4);
    for (row, line) in (news_row..).zip(news) {
        pen.line(MARGIN, row, &line);
    }
    bottom(&mut pen, view, hand, styles);
}

/// Writes onto the page, in ASCII if that is all there is.
struct Pen<'a> {
    buffer: &'a mut Buffer,
    page: Rect,
    look: Look,
}

impl Pen<'_> {
    /// A line from a column on, cut at the page's edge.
    fn line(&mut self, column: u16, row: u16, line: &Line<'_>) {
        let (x, y) = (self.page.x + column, self.page.y + row);
        if row < self.page.height && column < self.page.width {
            let mut line = line.clone();
            for span in &mut line.spans {
                span.content = printable(&span.content, self.look.ascii).into();
            }
            self.buffer.set_line(x, y, &line, self.page.width - column - 1);
        }
    }

    /// A line that ends at the right margin.
    fn line_right(&mut self, row: u16, line: &Line<'_>) {
        let width = line.width() as u16;
        self.line(self.page.width.saturating_sub(MARGIN + width), row, line);
    }
}

/// The text without control characters, and in ASCII where there is nothing else. What is drawn has an ASCII twin; a
/// letter in a name that has none becomes a question mark.
fn printable(text: &str, ascii: bool) -> String {
    text.chars()
        .map(|letter| match letter {
            letter if letter.is_control() => ' ',
            letter if letter.is_ascii() || !ascii => letter,
            '▄' => '=',
            '│' => '|',
            '─' | '–' | '−' => '-',
            '·' => '.',
            '▸' => '>',
            '…' => '~',
            '‘' | '’' => '\'',
            _ => '?',
        })
        .collect()
}

fn top(pen: &mut Pen<'_>, view: &View, styles: Styles) {
    pen.line(MARGIN, 0, &Line::styled(shortened(&view.visit, 44), styles.strong));
    pen.line_right(0, &Line::from(words::chapter(view.chapter)));
    pen.line(MARGIN, 1, &Line::styled(words::progress(&view.progress).join("   "), styles.quiet));
}

/// What can be heard now, in a few words.
fn sound(view: &View) -> String {
    match (&view.sound.device, view.sound.connected) {
        (Some(_), false) => "sound device gone".into(),
        _ if view.sound.sounding => match view.sound.level {
            Some(level) => format!("sounding {:.0} dBFS", level.dbfs()),
            None => "sounding".into(),
        },
        _ => "silent".into(),
    }
}

/// The instruction and what answers it, in `rows` rows from the fourth on.
fn middle(pen: &mut Pen<'_>, view: &View, hand: &Hand, styles: Styles, rows: usize) {
    const FIRST: u16 = 3;
    let (text, why, body) = content(view, hand, styles, rows);
    let mut lines: Vec<Line<'_>> =
        words::wrapped(&text, TEXT_COLUMNS).into_iter().take(4).map(|line| Line::styled(line, styles.strong)).collect();
    // The reasons give way before the answers do.
    let room = rows.saturating_sub(lines.len() + body.len() + 1);
    let mut why = words::wrapped(&why, TEXT_COLUMNS);
    if why.len() > room {
        why.truncate(room);
        if let Some(last) = why.last_mut() {
            last.push_str(" …");
        }
    }
    lines.extend(why.into_iter().map(|line| Line::styled(line, styles.quiet)));
    if lines.len() + body.len() < rows {
        lines.push(Line::default());
    }
    lines.extend(body);
    for (row, line) in (FIRST..).zip(lines.iter().take(rows)) {
        pen.line(MARGIN, row, line);
    }
}

/// Instruction, reason, and answers of what there is to show.
fn content<'a>(view: &View, hand: &Hand, styles: Styles, rows: usize) -> (String, String, Vec<Line<'a>>) {
    if hand.help {
        return ("What the keys do.".into(), String::new(), help(view, styles));
    }
    if hand.notices {
        return ("Notices of this session, newest first.".into(), String::new(), notices(view, styles, rows));
    }
    if let Some(why) = &view.paused {
        let body =
            vec![asks::choice_line("p", "go on", styles), asks::choice_line("q", "leave; the visit is kept", styles)];
        let now = if view.sound.sounding {
            "Fading. Stop twice within a second ends it at once."
        } else {
            "It is silent now."
        };
        return (now.into(), why.clone(), body);
    }
    if let Some(ranking) = view.ranking.as_deref().filter(|_| view.chapter >= Chapter::Verdict) {
        return verdict::content(view, ranking, hand, styles, rows);
    }
    match view.question.as_deref() {
        Some(question) => {
            let mut body = asks::body(&question.ask, hand, styles);
            // What sounds has a name of its own where several tones answer one question, such as the words of the
            // scale.
            if !view.sound.label.is_empty()
                && Form::of(&question.ask).heading.is_none()
                && !matches!(question.ask, Ask::Comfort { .. })
            {
                body.push(Line::default());
                body.push(Line::styled(format!("now: {}", view.sound.label), styles.strong));
            }
            let other_way = view.offers.answer_by.map(|way| match way {
                AnswerBy::Match => "match the notes to the reference instead",
                AnswerBy::Rating => "rate the notes in words instead",
            });
            body.extend(other_way.map(|what| asks::choice_line("m", what, styles)));
            (question.text.clone(), question.why.clone(), body)
        }
        None if view.chapter == Chapter::Done => ("The visit is complete.".into(), String::new(), files(view)),
        None if !view.sound.label.is_empty() => ("Listen.".into(), view.sound.label.clone(), Vec::new()),
        None => ("One moment.".into(), String::new(), Vec::new()),
    }
}

/// What somebody needs to know who does not know how to go on.
fn help<'a>(view: &View, styles: Styles) -> Vec<Line<'a>> {
    let keys = [
        ("Enter", "gives the answer; a digit gives that of its number"),
        ("arrows", "move among the answers"),
        ("space", "stops the sound and pauses, as esc does; twice: at once"),
        ("p", "pauses, and goes on"),
        ("u", "takes the last answer back"),
        ("a", "plays it again; + and - make it louder and quieter"),
        ("b s d", "go a note back; skip this one; decide without more notes"),
        ("q", "leaves; so does ctrl-c"),
    ];
    let mut lines: Vec<_> = keys.into_iter().map(|(key, what)| asks::choice_line(key, what, styles)).collect();
    lines.push(Line::default());
    let later = format!("To go on another time, leave; then: evenbass resume {}", view.file.display());
    for text in [
        "At the bottom stand those that lead somewhere now. Every answer is kept as soon as it is taken.",
        &later,
        "Any key goes back to the question.",
    ] {
        lines.extend(words::wrapped(text, TEXT_COLUMNS).into_iter().map(Line::from));
    }
    lines
}

/// As many notices as there is room for.
fn notices<'a>(view: &View, styles: Styles, rows: usize) -> Vec<Line<'a>> {
    let mut lines = vec![asks::choice_line("i", "back to the question", styles), Line::default()];
    for notice in view.older_notices.iter().chain(&view.notices).rev() {
        lines.extend(words::wrapped(notice, TEXT_COLUMNS).into_iter().map(Line::from));
        lines.push(Line::default());
    }
    lines.truncate(rows.saturating_sub(2));
    lines
}

/// What was taken, refused or noticed, the most pressing first.
fn news<'a>(view: &View, hand: &Hand, styles: Styles) -> Vec<Line<'a>> {
    let mut lines = Vec::new();
    let mut say = |head: &'static str, text: &str, most: usize, style: Style| {
        let mut wrapped = words::wrapped(&format!("{head} {text}"), TEXT_COLUMNS);
        if wrapped.len() > most {
            wrapped.truncate(most);
            if let Some(last) = wrapped.last_mut() {
                *last = shortened(&format!("{last} …"), TEXT_COLUMNS);
            }
        }
        lines.extend(wrapped.into_iter().map(|line| Line::styled(line, style)));
    };
    let plain = Style::new();
    if let Some(why) = hand.slip.as_ref().or(view.refusal.as_ref()) {
        say("Not taken:", why, 3, styles.strong);
    }
    if let Some(notice) = view.notices.last() {
        let more = view.notices.len() + view.older_notices.len() > 1;
        say(if more { "Notice (i shows older ones):" } else { "Notice:" }, notice, 3, plain);
    }
    if let Some(taken) = &view.taken {
        say("Taken:", taken, 1, styles.quiet);
    }
    lines
}

/// The keys. Each has its own place on every page; one that leads nowhere now leaves its place empty.
fn bottom(pen: &mut Pen<'_>, view: &View, hand: &Hand, styles: Styles) {
    let offers = view.offers;
    let paused = view.paused.is_some();
    let rattles = if hand.rattles { "rattles: yes" } else { "rattles" };
    let (first, second) = (pen.page.height - 2, pen.page.height - 1);
    let keys = [
        (15, first, "a", "again", offers.again),
        (24, first, "b", "back", offers.back),
        (32, first, "s", "skip", offers.skip),
        (40, first, "u", "undo", offers.undo),
        (48, first, "r", rattles, Hand::may_rattle(view)),
        (64, first, "d", "decide now", offers.decide),
        (15, second, "p", if paused { "go on" } else { "pause" }, true),
        (24, second, "+", "louder", offers.louder),
        (34, second, "-", "quieter", true),
        (71, second, "q", "leave", true),
    ];
    for (column, row, key, what, offered) in keys {
        if offered {
            let key = Span::styled(key, styles.key);
            pen.line(column, row, &Line::from(vec![key, Span::raw(" "), Span::raw(what)]));
        }
    }
    pen.line(48, second, &Line::styled(sound(view), styles.quiet));
    if Hand::takes_letters(view) {
        pen.line(48, first, &Line::styled("(keys with ctrl held)", styles.quiet));
    }
    stop(pen, view, hand, styles);
}

/// Stop has its place on every page.
fn stop(pen: &mut Pen<'_>, view: &View, hand: &Hand, styles: Styles) {
    let stop = format!(" {} STOP ", hand.stop_key(view).trim());
    pen.line(MARGIN - 1, pen.page.height - 1, &Line::styled(stop, styles.stop));
}

/// Says what is needed; stop, leave and suspend go on working, and no other key.
fn too_small(buffer: &mut Buffer, area: Rect, view: &View, hand: &Hand, styles: Styles) {
    let key = hand.stop_key(view).trim();
    let lines = [
        (format!("This window is {} x {}.", area.width, area.height), Style::new()),
        (format!("{COLUMNS} x {ROWS} are needed:"), Style::new()),
        ("make it larger, or leave with ctrl-c".into(), Style::new()),
        ("and go on with --face lines.".into(), Style::new()),
        (format!(" {key} STOP "), styles.stop),
    ];
    let first = area.height.saturating_sub(1);
    for (row, (text, style)) in lines.iter().enumerate() {
        // Stop keeps the last row, whatever else has to go.
        let row = if row + 1 == lines.len() { first } else { row as u16 };
        if row < area.height && (row < first || first == 0 || *style == styles.stop) {
            buffer.set_stringn(area.x, area.y + row, text, usize::from(area.width), *style);
        }
    }
}
