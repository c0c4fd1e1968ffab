//! What the parts of the page share: their styles, the width of their texts, and how a long one is cut.

use ratatui::style::{Color, Modifier, Style};

use crate::faces::terminal::Look;

/// Columns for running text.
pub(super) const TEXT_COLUMNS: usize = 74;

/// The few styles there are. Without colour they differ by weight alone.
#[derive(Clone, Copy)]
pub(super) struct Styles {
    /// What can be pressed now.
    pub key: Style,
    /// The instruction, and the note it is about.
    pub strong: Style,
    /// What is there if wanted.
    pub quiet: Style,
    /// Towards lost.
    pub weak: Style,
    /// Towards booming.
    pub loud: Style,
    /// Even.
    pub even: Style,
    /// Stop.
    pub stop: Style,
}

impl Styles {
    pub(super) fn of(look: Look) -> Self {
        let plain = Style::new();
        let tint = |number: u8| if look.colour { plain.fg(Color::Indexed(number)) } else { plain };
        Self {
            key: tint(116).add_modifier(Modifier::BOLD),
            strong: plain.add_modifier(Modifier::BOLD),
            quiet: tint(245),
            weak: tint(67),
            loud: tint(137),
            even: tint(245),
            stop: plain.add_modifier(Modifier::BOLD | Modifier::REVERSED),
        }
    }
}

/// A text of at most `columns` characters, its end left out if need be.
pub(super) fn shortened(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        text.into()
    } else {
        text.chars().take(columns.saturating_sub(1)).chain(['…']).collect()
    }
}

/// The same, with the front left out: the end of a path says more.
pub(super) fn shortened_front(text: &str, columns: usize) -> String {
    let length = text.chars().count();
    if length <= columns {
        text.into()
    } else {
        ['…'].into_iter().chain(text.chars().skip(length + 1 - columns)).collect()
    }
}
