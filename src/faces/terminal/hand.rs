//! What the person's hand is doing: the key that was pressed, the text so far, the answer that is being written.
//!
//! Nothing here is a state of the visit: all of it goes with the question it was meant for.

use std::time::{Duration, Instant};

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use crate::faces::form::{Form, Input, LONGEST_TEXT, NumberField};
use crate::view::{Action, Answer, Question, QuestionId, Rating, View};

/// After this long without a word from the conductor an answer may be given again.
const PATIENCE: Duration = Duration::from_secs(3);

/// Digits in a typed number.
const LONGEST_NUMBER: usize = 10;

/// What a key led to.
#[derive(Debug, PartialEq)]
pub(super) enum Press {
    /// Nothing to send; something on the screen may have changed.
    Nothing,
    /// To be sent.
    Action(Action),
    /// The shell's suspend key.
    Suspend,
}

/// An answer on its way to the disk.
#[derive(Debug)]
struct Writing {
    answer: Answer,
    since: Instant,
}

#[derive(Debug, Default)]
pub(super) struct Hand {
    question: Option<QuestionId>,
    /// Where the arrows have moved to.
    pub cursor: Option<usize>,
    /// What was typed so far.
    pub typed: String,
    /// 'Something rattles' is pressed for the open question.
    pub rattles: bool,
    /// The notices of the session are on the screen in place of the question.
    pub notices: bool,
    /// What was wrong with the last key: why, and what to do.
    pub slip: Option<String>,
    writing: Option<Writing>,
    refusals: u64,
}

impl Hand {
    /// Takes note of a new view: what was meant for an older question goes.
    pub(super) fn see(&mut self, view: &View) {
        let open = view.question.as_ref().map(|question| question.id);
        if open != self.question {
            *self = Self { question: open, refusals: self.refusals, notices: self.notices, ..Self::default() };
        }
        if view.refusals != self.refusals || view.taken_question == open {
            self.writing = None;
        }
        self.refusals = view.refusals;
    }

    /// The answer to the open question that is on its way to the disk.
    pub(super) fn being_written(&self) -> Option<&Answer> {
        self.writing.as_ref().map(|writing| &writing.answer)
    }

    /// Whether an answer has waited for so long that it may be given again; it is forgotten then.
    pub(super) fn has_waited(&mut self, now: Instant) -> bool {
        let waited = self.writing.as_ref().is_some_and(|writing| now.duration_since(writing.since) > PATIENCE);
        if waited {
            self.writing = None;
        }
        waited
    }

    /// Takes back an answer that was not sent after all.
    pub(super) fn forget_answer(&mut self) {
        self.writing = None;
    }

    /// Whether letters, and the space bar, belong to the text that is asked for. While a tone sounds the space bar
    /// stops it, whatever is asked.
    pub(super) fn takes_letters(view: &View) -> bool {
        form(view).is_some_and(|form| matches!(form.input, Input::Text { .. })) && view.paused.is_none()
    }

    /// The key that stops, as it is written on the screen.
    pub(super) fn stop_key(view: &View) -> &'static str {
        if Self::takes_letters(view) && !view.sound.sounding { "esc  " } else { "space" }
    }

    /// Whether the open question is about a note, so that something may rattle with it.
    pub(super) fn may_rattle(view: &View) -> bool {
        form(view).is_some_and(|form| form.may_rattle)
    }

    pub(super) fn press(&mut self, key: &KeyEvent, view: &View, now: Instant) -> Press {
        if key.kind == KeyEventKind::Release {
            return Press::Nothing;
        }
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        match key.code {
            KeyCode::Esc => return Press::Action(Action::Stop),
            KeyCode::Char(' ') if Self::stop_key(view) == "space" => return Press::Action(Action::Stop),
            KeyCode::Char('c') if control => return Press::Action(Action::Leave),
            KeyCode::Char('z') if control => return Press::Suspend,
            _ => {}
        }
        self.slip = None;
        if let KeyCode::Char(letter) = key.code
            && (control || !self.is_typed(letter, view))
        {
            if letter == 'r' && Self::may_rattle(view) {
                self.rattles = !self.rattles;
                return Press::Nothing;
            }
            // The letter h is the handset's page's.
            if letter == 'i' && !(view.notices.is_empty() && view.older_notices.is_empty()) {
                self.notices = !self.notices;
                return Press::Nothing;
            }
            if let Some(action) = command(letter, view) {
                return Press::Action(action);
            }
        }
        if self.notices {
            // What is covered must not be answered by a key meant for this page.
            self.notices = key.code != KeyCode::Enter;
            return Press::Nothing;
        }
        if view.paused.is_some() {
            if key.code == KeyCode::Enter {
                return Press::Action(Action::Continue);
            }
            self.slip = Some("it is silent and waits; press p to go on, then answer".into());
            return Press::Nothing;
        }
        if control {
            return Press::Nothing;
        }
        match view.question.as_deref() {
            Some(question) => self.answer_key(key.code, question, now),
            None => Press::Nothing,
        }
    }

    /// Text from the clipboard, which only a text question takes.
    pub(super) fn paste(&mut self, text: &str, view: &View) {
        for letter in text.chars().filter(|letter| !letter.is_control()) {
            if self.is_typed(letter, view) {
                self.type_letter(letter);
            }
        }
    }

    /// Whether a character belongs to what is being typed rather than to a command.
    fn is_typed(&self, letter: char, view: &View) -> bool {
        if view.paused.is_some() {
            return false;
        }
        match form(view).map(|form| form.input) {
            Some(Input::Text { .. }) => true,
            Some(Input::Number(NumberField { low, .. })) => {
                is_digit(letter) || letter == '-' && low < 0.0 && self.typed.is_empty()
            }
            _ => false,
        }
    }

    fn type_letter(&mut self, letter: char) {
        if self.typed.chars().count() < LONGEST_TEXT {
            self.typed.push(letter);
        }
    }

    fn answer_key(&mut self, code: KeyCode, question: &Question, now: Instant) -> Press {
        let form = Form::of(&question.ask);
        match &form.input {
            Input::Steps => {
                let steps = Rating::ALL.map(Answer::Rating);
                self.list_key(code, question, &steps, Rating::ALL[3].index(), now)
            }
            Input::Choose(buttons) => {
                let answers: Vec<Answer> = buttons.iter().map(|button| button.answer.clone()).collect();
                self.list_key(code, question, &answers, 0, now)
            }
            Input::Number(_) | Input::Text { .. } => self.typing_key(code, question, &form.input, now),
            Input::Nudge(nudge) if !nudge.sets_comfort && nudge_of(code).is_some() => {
                nudge_of(code).map_or(Press::Nothing, Press::Action)
            }
            Input::Confirm { .. } | Input::Nudge(_) => match code {
                KeyCode::Enter | KeyCode::Char('y') => self.give(question, Answer::Yes, now),
                KeyCode::Char('n') => self.give(question, Answer::No, now),
                _ => Press::Nothing,
            },
        }
    }

    /// A list: its digits answer at once, the arrows move and Enter answers.
    fn list_key(
        &mut self,
        code: KeyCode,
        question: &Question,
        answers: &[Answer],
        start: usize,
        now: Instant,
    ) -> Press {
        let length = answers.len();
        let last = length.saturating_sub(1);
        let here = self.cursor.unwrap_or(start);
        match code {
            KeyCode::Up | KeyCode::Left => self.cursor = Some(here.saturating_sub(1)),
            KeyCode::Down | KeyCode::Right => self.cursor = Some((here + 1).min(last)),
            KeyCode::Enter => match self.cursor.filter(|_| length > 0) {
                Some(position) => return self.give(question, answers[position.min(last)].clone(), now),
                None => {
                    self.slip = Some(format!("nothing is marked yet; press 1 to {length}, or an arrow and then Enter"))
                }
            },
            KeyCode::Char(digit @ '1'..='9') => {
                let position = digit as usize - '1' as usize;
                if position < length {
                    return self.give(question, answers[position].clone(), now);
                }
                self.slip = Some(format!("there is no {digit} here; press 1 to {length}"));
            }
            _ => {}
        }
        Press::Nothing
    }

    fn typing_key(&mut self, code: KeyCode, question: &Question, input: &Input, now: Instant) -> Press {
        match code {
            KeyCode::Char(letter) => {
                let is_text = matches!(input, Input::Text { .. });
                if is_text || (is_digit(letter) || letter == '-') && self.typed.len() < LONGEST_NUMBER {
                    self.type_letter(letter);
                }
                Press::Nothing
            }
            KeyCode::Backspace => {
                self.typed.pop();
                Press::Nothing
            }
            KeyCode::Enter => match typed_answer(input, &self.typed) {
                Ok(answer) => self.give(question, answer, now),
                Err(why) => {
                    self.slip = Some(why);
                    Press::Nothing
                }
            },
            _ => Press::Nothing,
        }
    }

    fn give(&mut self, question: &Question, answer: Answer, now: Instant) -> Press {
        if self.writing.is_some() {
            return Press::Nothing;
        }
        match Form::of(&question.ask).fit(answer) {
            Ok(answer) => {
                self.writing = Some(Writing { answer: answer.clone(), since: now });
                Press::Action(Action::Answer { question: question.id, answer, rattles: self.rattles, seconds: None })
            }
            Err(why) => {
                self.slip = Some(why);
                Press::Nothing
            }
        }
    }
}

/// Where an arrow moves a note that is being matched.
fn nudge_of(code: KeyCode) -> Option<Action> {
    match code {
        KeyCode::Up | KeyCode::Right => Some(Action::Nudge { up: true }),
        KeyCode::Down | KeyCode::Left => Some(Action::Nudge { up: false }),
        _ => None,
    }
}

fn is_digit(letter: char) -> bool {
    letter.is_ascii_digit() || matches!(letter, '.' | ',')
}

fn form(view: &View) -> Option<Form> {
    view.question.as_deref().map(|question| Form::of(&question.ask))
}

fn typed_answer(input: &Input, typed: &str) -> Result<Answer, String> {
    if typed.trim().is_empty() {
        return Ok(Answer::Yes);
    }
    let Input::Number(field) = input else { return Ok(Answer::Text(typed.into())) };
    let number = typed.replace(',', ".").parse::<f64>();
    let number = number.map_err(|_| format!("'{typed}' is not a number; type digits, such as 4.2"))?;
    Ok(field.kind.answer(number))
}

/// The command of a letter. Whether it leads anywhere now is for the conductor to say, with its reason.
fn command(letter: char, view: &View) -> Option<Action> {
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
