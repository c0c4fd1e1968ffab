//! What all SVG pictures share: the frame around them, numbers short enough to read, and a guess at the width of text.

use maud::{Markup, html};

use crate::draw::theme::Theme;

/// Text size of labels, in user units (one is one CSS pixel at natural size).
pub const LABEL: f64 = 11.0;
/// Text size of what is said in passing.
pub const SMALL: f64 = 9.0;

/// A number with at most two decimals and no trailing zeros; minus zero is zero.
pub fn round(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// About how wide a text is. The font is whatever the system has, so this is only good for keeping labels apart.
pub fn text_width(text: &str, size: f64) -> f64 {
    text.chars().count() as f64 * size * 0.54
}

/// Words folded into lines of at most a width.
pub fn wrap(words: &str, width: f64, size: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if text_width(line, size) + text_width(word, size) + size * 0.54 <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A whole picture.
/// * `title` - what a screen reader says
pub fn picture(width: f64, height: f64, title: &str, theme: &Theme, content: &Markup) -> String {
    let view_box = format!("0 0 {} {}", round(width), round(height));
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(view_box) width=(round(width)) height=(round(height)) role="img"
            font-family="system-ui, sans-serif" font-size=(round(LABEL)) fill=(theme.ink)
            style="font-variant-numeric: tabular-nums"
        {
            title { (title) }
            (content)
        }
    }
    .into_string()
}

/// A straight line.
pub fn line(from: [f64; 2], to: [f64; 2], colour: &str, width: f64) -> Markup {
    html! {
        line x1=(round(from[0])) y1=(round(from[1])) x2=(round(to[0])) y2=(round(to[1])) stroke=(colour)
            stroke-width=(round(width)) {}
    }
}

/// The path through some points.
pub fn path(points: &[[f64; 2]], closed: bool) -> String {
    let mut path = String::new();
    for (index, [x, y]) in points.iter().enumerate() {
        path.push_str(if index == 0 { "M" } else { "L" });
        path.push_str(&format!("{} {}", round(*x), round(*y)));
    }
    if closed {
        path.push('Z');
    }
    path
}

/// Where a text stands relative to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    pub fn name(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

/// A text; `at` is on its base line.
pub fn text(at: [f64; 2], anchor: Anchor, size: f64, colour: &str, bold: bool, words: &str) -> Markup {
    html! {
        text x=(round(at[0])) y=(round(at[1])) text-anchor=(anchor.name()) font-size=(round(size)) fill=(colour)
            font-weight=[bold.then_some("600")] { (words) }
    }
}

/// The same with an edge in the paper's colour, so that it can be read over lines.
pub fn text_over(at: [f64; 2], anchor: Anchor, size: f64, colours: (&str, &str), bold: bool, words: &str) -> Markup {
    let (colour, paper) = colours;
    html! {
        text x=(round(at[0])) y=(round(at[1])) text-anchor=(anchor.name()) font-size=(round(size)) fill=(colour)
            font-weight=[bold.then_some("600")] stroke=(paper) stroke-width="3" stroke-linejoin="round"
            style="paint-order: stroke" { (words) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short() {
        assert_eq!([1.0, 1.5, 1.006, -0.001, 100.0].map(round), ["1", "1.5", "1.01", "0", "100"]);
    }
}
