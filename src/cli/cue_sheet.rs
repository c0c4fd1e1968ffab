//! The cue sheet of a folder of sound files: what each file holds, and room to write down what was heard.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::html_page::{HtmlPage, plain_style};

/// A column: its heading, and whether it holds numbers.
pub(super) type Column = (&'static str, bool);

/// One line of the table.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Row {
    /// What the following files have in common.
    Heading(String),
    /// One file, a cell for each column.
    File(Vec<String>),
}

/// The whole sheet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CueSheet {
    pub title: String,
    pub about: String,
    /// What to do, in order.
    pub how: Vec<String>,
    pub summary: String,
    pub columns: Vec<Column>,
    /// Headings of empty columns to write into.
    pub blanks: Vec<&'static str>,
    pub rows: Vec<Row>,
}

/// What the table needs to be written into.
const STYLE: &str = "body{max-width:50rem;margin:1rem auto;padding:0 1rem}h1{font-size:1.3rem;margin:0 0 .2rem}\
ol{padding-left:1.2rem;font-size:.85rem}table{width:100%;font-size:.8rem}\
caption{text-align:left;font-size:.8rem;padding-bottom:.4rem;color:var(--quiet)}\
th,td{border:1px solid var(--grid);padding:.28rem .4rem}td.n,th.n{text-align:right;white-space:nowrap}\
td.blank,th.blank{min-width:1.9rem;text-align:center}th.part{background:var(--shade)}\
tr.part{break-after:avoid}thead{display:table-header-group}";

impl CueSheet {
    /// For a printer.
    pub fn html(&self) -> String {
        let title = format!("Cue sheet {}", self.title);
        let page = HtmlPage { title: &title, style: &plain_style(false, STYLE), metas: &[("color-scheme", "light")] };
        page.around(&html! {
            h1 { (title) }
            p { (self.about) }
            ol { @for line in &self.how { li { (line) } } }
            table {
                caption { (self.summary) }
                thead { tr {
                    @for (heading, number) in &self.columns { th.n[*number] { (heading) } }
                    @for blank in &self.blanks { th.blank { (blank) } }
                } }
                tbody { @for row in &self.rows { (self.row(row)) } }
            }
        })
    }

    fn row(&self, row: &Row) -> Markup {
        html! {
            @match row {
                Row::Heading(words) => tr.part {
                    th.part colspan=(self.columns.len() + self.blanks.len()) scope="rowgroup" { (words) }
                },
                Row::File(cells) => tr {
                    @for ((_, number), cell) in self.columns.iter().zip(cells) {
                        td.n[*number] { @if *number { (cell.replace('-', "\u{2212}")) } @else { (cell) } }
                    }
                    @for _ in &self.blanks { td.blank {} }
                },
            }
        }
    }

    /// For a screen, or a printer without a browser.
    pub fn text(&self) -> String {
        let mut text = format!("Cue sheet {}\n{}\n{}\n\n", self.title, self.about, self.summary);
        for (line, number) in self.how.iter().zip(1..) {
            let _ = writeln!(text, "{number}. {line}");
        }
        let headings: Vec<String> = self.columns.iter().map(|(heading, _)| (*heading).to_owned()).collect();
        let cells = |row: &Row| match row {
            Row::File(cells) => cells.clone(),
            Row::Heading(_) => Vec::new(),
        };
        let lines: Vec<Vec<String>> = self.rows.iter().map(cells).chain([headings.clone()]).collect();
        let wide =
            |column: usize| lines.iter().filter_map(|line| line.get(column)).map(|cell| cell.chars().count()).max();
        let widths: Vec<usize> = (0..self.columns.len()).map(|column| wide(column).unwrap_or(0)).collect();
        let line = |cells: &[String]| {
            let padded = cells.iter().zip(&self.columns).zip(&widths).map(|((cell, (_, number)), wide)| {
                if *number { format!("{cell:>wide$}") } else { format!("{cell:<wide$}") }
            });
            padded.collect::<Vec<_>>().join("  ").trim_end().to_owned()
        };
        let _ = writeln!(text, "\n{}", line(&headings));
        for row in &self.rows {
            let _ = match row {
                Row::Heading(words) => writeln!(text, "\n{words}"),
                Row::File(cells) => writeln!(text, "{}", line(cells)),
            };
        }
        text
    }
}
