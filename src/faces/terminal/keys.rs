//! What single keys mean, and what a line of them says.

use ratatui::crossterm::event::KeyCode;

use crate::faces::form::{Input, NumberField};
use crate::view::{Action, Answer, View};

/// Where an arrow moves a note that is being matched.
pub(super) fn nudge_of(code: KeyCode) -> Option<Action> {
    match code {
        KeyCode::Up | KeyCode::Right => Some(Action::Nudge { up: true }),
        KeyCode::Down | KeyCode::Left => Some(Action::Nudge { up: false }),
        _ => None,
    }
}

/// What a number is typed with.
pub(super) fn is_digit(letter: char) -> bool {
    letter.is_ascii_digit() || matches!(letter, '.' | ',')
}

/// Whether an empty field means nothing.
pub(super) fn has_no_default(input: &Input) -> bool {
    matches!(input, Input::Number(NumberField { default: None, .. }) | Input::Text { default: None })
}

/// What was typed, as an answer; yes where nothing was.
pub(super) fn typed_answer(input: &Input, typed: &str) -> Result<Answer, String> {
    if typed.trim().is_empty() {
        return Ok(Answer::Yes);
    }
    let Input::Number(field) = input else { return Ok(Answer::Text(typed.into())) };
    let number = typed.replace(',', ".").parse::<f64>();
    let number = number.map_err(|_| format!("'{typed}' is not a number; type digits, such as 4.2"))?;
    Ok(field.kind.answer(number))
}

/// The command of a letter. Whether it leads anywhere now is for the conductor to say, with its reason.
pub(super) fn command(letter: char, view: &View) -> Option<Action> {
    Some(match letter {
        'a' => Action::Again,
        'b' => Action::Back,
        's' => Action::Skip,
        'u' => Action::Undo,
        'd' => Action::Decide,
        'q' => Action::Leave,
        '+' | '=' => Action::Louder,
        '-' => Action::Quieter,
        'm' => Action::AnswerBy(view.offers.answer_by?),
        'p' if view.paused.is_some() => Action::Continue,
        'p' => Action::Pause,
        _ => return None,
    })
}
