//! What the person's hand is doing: the key that was pressed, the text so far, the answer that is being written.
//!
//! Nothing here is a state of the visit: all of it goes with the question it was meant for.

use std::time::{Duration, Instant};

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use crate::faces::form::{Form, Input, LONGEST_TEXT, NumberField};
use crate::faces::terminal::keys::{command, has_no_default, is_digit, nudge_of, typed_answer};
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
    /// The keys are explained in place of the question.
    pub help: bool,
    /// What was wrong with the last key: why, and what to do.
    pub slip: Option<String>,
    writing: Option<Writing>,
    refusals: u64,
    /// The text of the open question.
    asked: String,
    /// What was typed for a question that went without an answer: a pause asks it anew.
    draft: Option<Draft>,
}

#[derive(Debug)]
struct Draft {
    /// The asking that it was typed for.
    question: QuestionId,
    asked: String,
    typed: String,
}

impl Hand {
    /// Takes note of a new view: what was meant for an older question goes.
    pub(super) fn see(&mut self, view: &View) {
        let open = view.question.as_ref().map(|question| question.id);
        if open != self.question {
            let left = self.question.filter(|_| self.writing.is_none() && !self.typed.is_empty()).map(|question| {
                Draft { question, asked: std::mem::take(&mut self.asked), typed: std::mem::take(&mut self.typed) }
            });
            let mut draft = left.or(self.draft.take()).filter(|draft| view.taken_question != Some(draft.question));
            let asked = view.question.as_ref().map(|question| question.text.clone()).unwrap_or_default();
            let kept = match open {
                Some(_) => draft.take().filter(|draft| draft.asked == asked).map(|draft| draft.typed),
                None => None,
            };
            *self = Self {
                question: open,
                refusals: self.refusals,
                notices: self.notices,
                help: self.help,
                typed: kept.unwrap_or_default(),
                asked,
                draft,
                ..Self::default()
            };
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

    /// The number that is asked for, where one may be typed now.
    fn number_field(view: &View) -> Option<NumberField> {
        match form(view)?.input {
            Input::Number(field) if view.paused.is_none() => Some(field),
            _ => None,
        }
    }

    /// Whether something is typed now: a text or a number.
    fn types(view: &View) -> bool {
        Self::takes_letters(view) || Self::number_field(view).is_some()
    }

    /// Whether a letter, or a space, comes after the figures of a number that is being typed, so that it is no command.
    pub(super) fn follows_figures(&self, letter: char, view: &View) -> bool {
        let is_word = letter == ' ' && !view.sound.sounding || letter.is_alphabetic();
        is_word
            && !self.typed.is_empty()
            && Self::number_field(view).is_some()
            && !(letter == 'r' && Self::may_rattle(view))
    }

    /// The key that stops, as it is written on the screen.
    pub(super) fn stop_key(&self, view: &View) -> &'static str {
        let is_typed = Self::takes_letters(view) && !view.sound.sounding || self.follows_figures(' ', view);
        if is_typed { "esc  " } else { "space" }
    }

    /// Whether a key stops, leaves or suspends: those work whatever is on the screen.
    pub(super) fn is_way_out(&self, key: &KeyEvent, view: &View) -> bool {
        match key.code {
            KeyCode::Esc => true,
            KeyCode::Char(' ') => self.stop_key(view) == "space",
            KeyCode::Char('c' | 'z') => key.modifiers.contains(KeyModifiers::CONTROL),
            _ => false,
        }
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
        // It is what Backspace sends on some terminals.
        let code = match key.code {
            KeyCode::Char('h') if control && Self::types(view) => KeyCode::Backspace,
            code => code,
        };
        if self.is_way_out(key, view) {
            self.help = false;
            return match code {
                KeyCode::Char('c') => Press::Action(Action::Leave),
                KeyCode::Char('z') => Press::Suspend,
                _ => Press::Action(Action::Stop),
            };
        }
        self.slip = None;
        if std::mem::take(&mut self.help) {
            return Press::Nothing;
        }
        let in_field = !self.notices && Self::types(view);
        match code {
            KeyCode::Char('?') if !control && !Self::takes_letters(view) => {
                self.help = true;
                return Press::Nothing;
            }
            KeyCode::Char('u') if control && in_field && !self.typed.is_empty() => {
                self.typed.clear();
                return Press::Nothing;
            }
            // Letters need control where they are typed, and only there.
            KeyCode::Char(_) if control && !Self::takes_letters(view) => return Press::Nothing,
            KeyCode::Char(letter) if !control && in_field && self.follows_figures(letter, view) => {
                self.slip = self.why_no_figure(letter, view);
                return Press::Nothing;
            }
            _ => {}
        }
        if let KeyCode::Char(letter) = code
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
            if letter == 'b' && in_field && !view.offers.back {
                // Whoever types words where a number is asked for has not asked to go back.
                return Press::Nothing;
            }
            if let Some(action) = command(letter, view) {
                return Press::Action(action);
            }
        }
        if self.notices {
            // What is covered must not be answered by a key meant for this page.
            self.notices = code != KeyCode::Enter;
            return Press::Nothing;
        }
        if view.paused.is_some() {
            if code == KeyCode::Enter {
                return Press::Action(Action::Continue);
            }
            self.slip = Some("it is silent and waits; press p to go on, then answer".into());
            return Press::Nothing;
        }
        if control && code != KeyCode::Backspace {
            return Press::Nothing;
        }
        match view.question.as_deref() {
            Some(question) => self.answer_key(code, question, now),
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

    /// What is wrong with a letter after figures; nothing if it belongs to the number's unit.
    fn why_no_figure(&self, letter: char, view: &View) -> Option<String> {
        let unit = Self::number_field(view).map(|field| field.unit).unwrap_or_default().to_lowercase();
        let belongs = letter == ' ' || letter.to_lowercase().all(|letter| unit.contains(letter));
        (!belongs).then(|| format!("'{letter}' is no figure; Enter takes {}, Backspace shortens it", self.typed))
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
            KeyCode::Char(digit @ '0'..='9') => {
                let position = (digit as usize).checked_sub('1' as usize);
                if let Some(answer) = position.and_then(|position| answers.get(position)) {
                    return self.give(question, answer.clone(), now);
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
            KeyCode::Enter if self.typed.trim().is_empty() && has_no_default(input) => {
                let what = if matches!(input, Input::Text { .. }) { "text" } else { "number" };
                self.slip = Some(format!("Type a {what} first."));
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

fn form(view: &View) -> Option<Form> {
    view.question.as_deref().map(|question| Form::of(&question.ask))
}
