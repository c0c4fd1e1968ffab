//! What all text pictures share.

/// Which characters a terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Glyphs {
    /// Box and block characters.
    Unicode,
    /// ASCII alone.
    Ascii,
}

impl Glyphs {
    pub(crate) fn pick(self, unicode: char, ascii: char) -> char {
        match self {
            Self::Unicode => unicode,
            Self::Ascii => ascii,
        }
    }
}

/// A sheet of characters to draw on; what falls outside is left out.
pub(crate) struct Canvas {
    columns: usize,
    cells: Vec<char>,
}

impl Canvas {
    pub fn new(columns: usize, rows: usize) -> Self {
        Self { columns, cells: vec![' '; columns * rows] }
    }

    pub fn set(&mut self, column: usize, row: usize, character: char) {
        if column < self.columns
            && let Some(cell) = self.cells.get_mut(row * self.columns + column)
        {
            *cell = character;
        }
    }

    /// Sets a character where there is none yet.
    pub fn fill(&mut self, column: usize, row: usize, character: char) {
        if column < self.columns && self.cells.get(row * self.columns + column) == Some(&' ') {
            self.set(column, row, character);
        }
    }

    /// Lines without trailing blanks, each ended by a line feed.
    pub fn into_text(self) -> String {
        let mut text = String::new();
        for row in self.cells.chunks(self.columns.max(1)) {
            let line: String = row.iter().collect();
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

/// Cut to a number of characters; a cut word ends in a full stop.
pub(crate) fn fit(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(columns.saturating_sub(1)).collect();
    short.push('.');
    short
}
