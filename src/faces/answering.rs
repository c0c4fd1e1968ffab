//! Whether an answer can be an answer to the open question. The conductor checks again; a face checks first, so that the
//! person hears at once what would do instead.

use crate::view::{Answer, Ask};

/// Readings outside this range, in dB SPL, are slips of the finger: below lies a meter's own noise, above lies pain.
const METER_RANGE_DB: std::ops::RangeInclusive<f64> = 20.0..=130.0;

/// The answer as the conductor takes it: 'yes' to a question with a default becomes the default.
///
/// # Errors
/// What is wrong with it, why, and what to answer instead.
pub(super) fn fit(ask: &Ask, answer: Answer) -> Result<Answer, String> {
    match (ask, answer) {
        (Ask::Confirm { no: None, yes, .. }, Answer::No) => Err(format!("only '{yes}' leads on from here")),
        (Ask::Choose { options, .. }, Answer::Choice(position)) if position >= options.len() => Err(format!(
            "there is no option {position}; they are counted from 0 to {}",
            options.len().saturating_sub(1)
        )),
        (Ask::Number { low, high, unit, .. }, Answer::Number(number)) => {
            in_range(number, *low..=*high, unit).map(Answer::Number)
        }
        (Ask::Number { default, .. }, Answer::Yes) => default
            .map(Answer::Number)
            .ok_or_else(|| "there is no number to fall back on, so 'yes' says nothing; give a number".into()),
        (Ask::Text { default, .. }, Answer::Yes) => default
            .clone()
            .map(Answer::Text)
            .ok_or_else(|| "there is no text to fall back on, so 'yes' says nothing; give a text".into()),
        (Ask::Text { .. }, Answer::Text(text)) => one_line(&text).map(Answer::Text),
        (Ask::Meter(_), Answer::Level(level_db)) => in_range(level_db, METER_RANGE_DB, "dB").map(Answer::Level),
        (Ask::Move { .. }, Answer::Yes) => Ok(Answer::Arrived),
        (Ask::Anchors, Answer::Yes) => Ok(Answer::Heard),
        (ask, answer) => {
            if suits(ask, &answer) {
                Ok(answer)
            } else {
                Err(format!("that does not answer this question; it wants {}", wants(ask)))
            }
        }
    }
}

fn suits(ask: &Ask, answer: &Answer) -> bool {
    match ask {
        Ask::Confirm { .. } => matches!(answer, Answer::Yes | Answer::No),
        Ask::Choose { .. } => matches!(answer, Answer::Choice(_)),
        Ask::Comfort { .. } => matches!(answer, Answer::Yes),
        Ask::Move { .. } => matches!(answer, Answer::Arrived),
        Ask::Anchors => matches!(answer, Answer::Heard),
        Ask::Rate(_) => matches!(answer, Answer::Rating(_)),
        Ask::Number { .. } => matches!(answer, Answer::Number(_)),
        Ask::Meter(_) => matches!(answer, Answer::Level(_)),
        Ask::Text { .. } => matches!(answer, Answer::Text(_)),
    }
}

/// What a question wants, in words.
fn wants(ask: &Ask) -> String {
    match ask {
        Ask::Confirm { no: Some(_), .. } => "yes or no".into(),
        Ask::Confirm { .. } => "a yes".into(),
        Ask::Choose { options, .. } => format!("one of its {} options", options.len()),
        Ask::Number { low, high, unit, .. } => format!("a number from {low} to {high} {unit}").trim_end().into(),
        Ask::Text { .. } => "a text".into(),
        Ask::Comfort { .. } => "louder, quieter, or a yes when it is comfortable".into(),
        Ask::Move { name, .. } => format!("word that you have arrived at {name}"),
        Ask::Anchors => "word that the scale was heard".into(),
        Ask::Rate(_) => "one of the seven steps".into(),
        Ask::Meter(_) => "the meter's reading in dB".into(),
    }
}

fn in_range(number: f64, range: std::ops::RangeInclusive<f64>, unit: &str) -> Result<f64, String> {
    if number.is_finite() && range.contains(&number) {
        return Ok(number);
    }
    let (low, high) = (range.start(), range.end());
    let wanted = format!("it must lie between {low} and {high} {unit}");
    Err(format!("{number} is out of range; {}", wanted.trim_end()))
}

/// A name is one line, not empty, and short enough for a line of the sheet.
fn one_line(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() {
        Err("the text is empty; give at least one character".into())
    } else if text.chars().any(char::is_control) {
        Err("the text holds a line break or another control character; give it as one plain line".into())
    } else if text.chars().count() > LONGEST_TEXT {
        Err(format!("the text is longer than {LONGEST_TEXT} characters; shorten it"))
    } else {
        Ok(text.to_string())
    }
}

/// Characters in a typed name.
pub(super) const LONGEST_TEXT: usize = 60;
