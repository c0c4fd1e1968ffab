//! Colours: paper for print, and the dark of a listening room. Muted blue is weak, muted ochre strong, grey even.

/// The colours of a picture, as CSS colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    /// Behind everything.
    pub paper: &'static str,
    /// Text and what matters most.
    pub ink: &'static str,
    /// Text of second rank.
    pub quiet: &'static str,
    /// Grid lines.
    pub grid: &'static str,
    /// Areas that must not be mistaken for content.
    pub shade: &'static str,
    /// Towards weak.
    pub weak: &'static str,
    /// Towards strong.
    pub strong: &'static str,
    /// Even.
    pub even: &'static str,
    /// The one accent, for what can be pressed now. Pictures do not use it.
    pub accent: &'static str,
}

/// A colour between two of the form `#rrggbb`: 0 is the first, 1 the second.
pub(crate) fn mix(from: &str, to: &str, share: f64) -> String {
    let part = |colour: &str, at: usize| {
        let digits = colour.get(1 + 2 * at..3 + 2 * at).unwrap_or("80");
        f64::from(u8::from_str_radix(digits, 16).unwrap_or(128))
    };
    let mixed = [0, 1, 2].map(|at| (part(from, at) * (1.0 - share) + part(to, at) * share).round() as u8);
    format!("#{:02x}{:02x}{:02x}", mixed[0], mixed[1], mixed[2])
}

impl Theme {
    /// For paper.
    pub const PRINT: Self = Self {
        paper: "#ffffff",
        ink: "#1d2126",
        quiet: "#5b646d",
        grid: "#d3d8dc",
        shade: "#e6eaee",
        weak: "#4a6f96",
        strong: "#a8742a",
        even: "#7d858d",
        accent: "#1f6b66",
    };

    /// For a dark room.
    pub const DARK: Self = Self {
        paper: "#14171a",
        ink: "#e7e4dd",
        quiet: "#9ba4ac",
        grid: "#31373d",
        shade: "#242a30",
        weak: "#86abd3",
        strong: "#d8a853",
        even: "#8d959d",
        accent: "#7cc3b7",
    };

    /// The colour of a deviation: weak below zero, strong above.
    pub fn of_sign(&self, deviation: f64) -> &'static str {
        if deviation < 0.0 {
            self.weak
        } else if deviation > 0.0 {
            self.strong
        } else {
            self.even
        }
    }
}
