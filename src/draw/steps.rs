//! The seven steps of loudness as a shape: blocks to the left or right of a centre line.

use maud::{Markup, html};

use crate::draw::svg::round;
use crate::draw::theme::Theme;

/// Steps to either side of the centre.
pub const STEPS_A_SIDE: i8 = 3;

/// The words of the seven steps in order, from lost to booming.
pub const WORDS: [&str; 7] = ["lost", "weak", "a little weak", "even", "a little strong", "strong", "booming"];

/// Where a row of blocks is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Row {
    /// The centre line.
    pub centre_x: f64,
    /// Upper edge.
    pub y: f64,
    /// Height of the blocks.
    pub height: f64,
    /// Distance from one block's start to the next one's.
    pub step: f64,
}

/// Blocks for one rating; a diamond on the centre line for even.
pub(crate) fn blocks(row: Row, step: i8, theme: &Theme) -> Markup {
    let colour = theme.of_sign(f64::from(step));
    if step == 0 {
        let half = (row.height / 2.0).min(row.step * 0.45);
        let middle = row.y + row.height / 2.0;
        let diamond =
            format!("M{} {}l{h} {h}l-{h} {h}l-{h} -{h}z", round(row.centre_x), round(middle - half), h = round(half));
        return html! { path d=(diamond) fill=(colour) {} };
    }
    let gap = row.step * 0.16;
    html! {
        @for index in 0..step.unsigned_abs() {
            @let start = f64::from(index) * row.step + gap;
            @let left = if step > 0 { row.centre_x + start } else { row.centre_x - start - row.step + gap };
            rect x=(round(left)) y=(round(row.y)) width=(round(row.step - gap)) height=(round(row.height)) fill=(colour) {}
        }
    }
}

/// One rating as text, seven characters wide: `###|   `, `   |#  `, `   +   ` for even.
pub fn text(step: i8, block: char, centre: char, even: char) -> String {
    let filled = usize::from(step.unsigned_abs().min(STEPS_A_SIDE.unsigned_abs()));
    let bar = block.to_string().repeat(filled);
    match step {
        0 => format!("   {even}   "),
        1.. => format!("   {centre}{bar:<3}"),
        _ => format!("{bar:>3}{centre}   "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_seven_wide_and_shows_side_and_size() {
        let drawn: Vec<String> = (-3..=3).map(|step| text(step, '#', '|', '+')).collect();
        assert_eq!(drawn, ["###|   ", " ##|   ", "  #|   ", "   +   ", "   |#  ", "   |## ", "   |###"]);
    }
}
