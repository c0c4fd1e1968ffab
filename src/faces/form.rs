//! How a question is answered, without saying how that looks. Every face draws one of a few inputs; a new kind of
//! question that uses one of them needs a line in [`Form::of`] and nothing in the faces.
//!
//! A face also asks here first whether an answer fits, so that the person hears at once what would do instead. The
//! conductor checks again.

use std::ops::RangeInclusive;

use crate::faces::words;
use crate::view::{Answer, Ask, NoteAtSpot};

/// Readings outside this range, in dB SPL, are slips of the finger: below lies a meter's own noise, above lies pain.
const METER_RANGE_DB: RangeInclusive<f64> = 20.0..=130.0;
/// Where the comfort climb starts, dBFS.
const START_DBFS: f64 = -60.0;
/// Characters in a typed name.
pub(super) const LONGEST_TEXT: usize = 60;

/// How one question is answered.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Form {
    /// What sounds, where the question is about one note at one spot.
    pub heading: Option<Heading>,
    /// The spot that it is about, position in the room's list: the plan marks it.
    pub spot: Option<usize>,
    /// Something in the room may rattle with what sounds.
    pub may_rattle: bool,
    /// What is pressed or typed.
    pub input: Input,
}

/// The note that is up, and where.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Heading {
    /// '41 Hz, E1'.
    pub note: String,
    /// The spot's name, and the seat's where there are several.
    pub spot: String,
    /// By how much it is played under equal loudness, dB.
    pub shortfall_db: f64,
}

/// What is pressed or typed.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Input {
    /// Yes (the Enter key) or, where there is one, no (the n key).
    Confirm {
        /// Leads on.
        yes: Button,
        /// The other way.
        no: Option<Button>,
    },
    /// One of several, told apart by their place in the list (the keys 1 to 9).
    Choose(Vec<Button>),
    /// The seven steps of [`Rating::ALL`](crate::view::Rating::ALL), each with its bar to the left or right of even.
    Steps,
    /// A typed number.
    Number(NumberField),
    /// A typed line.
    Text {
        /// Taken if nothing is typed.
        default: Option<String>,
    },
    /// Louder and softer, one decibel a press at most, until it is right.
    Nudge(Nudge),
}

/// Something to press, and the answer that it gives.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Button {
    /// What it says.
    pub label: String,
    /// What it means.
    pub answer: Answer,
}

/// A number in a range.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NumberField {
    /// Stands after the number; may be empty.
    pub unit: &'static str,
    /// Lowest number taken.
    pub low: f64,
    /// Highest number taken.
    pub high: f64,
    /// Taken if nothing is typed.
    pub default: Option<f64>,
    /// What to type, in words: 'from 1 to 20 m'.
    pub hint: String,
    /// Which answer the number becomes.
    pub kind: NumberKind,
}

/// Which answer a typed number becomes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NumberKind {
    /// [`Answer::Number`].
    Number,
    /// [`Answer::Level`].
    Level,
}

/// A level that is brought to where it is right. Where it sets the comfort level, louder and quieter are pressed; in a
/// match, [`Action::Nudge`](crate::view::Action::Nudge), and `now` is not shown: a person should hear, not count.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Nudge {
    /// Where it is now.
    pub now: f64,
    /// The scale's lower end.
    pub low: f64,
    /// Its upper end, which no press passes.
    pub high: f64,
    /// 'dBFS', or 'dB' for a difference.
    pub unit: &'static str,
    /// How far the next press moves it.
    pub step: f64,
    /// Every later level hangs on this one, so that only whoever is in charge may raise it.
    pub sets_comfort: bool,
    /// Pressed when it is right.
    pub done: Button,
    /// Pressed when it cannot be made right.
    pub other: Option<Button>,
}

impl Button {
    fn new(label: impl Into<String>, answer: Answer) -> Self {
        Self { label: label.into(), answer }
    }
}

/// A computed number without the digits of its arithmetic: 54.6, not 54.599999999999994.
fn short(number: f64) -> f64 {
    (number * 1e3).round() / 1e3
}

impl NumberKind {
    /// The answer that a number becomes.
    pub fn answer(self, number: f64) -> Answer {
        match self {
            Self::Number => Answer::Number(number),
            Self::Level => Answer::Level(number),
        }
    }

    fn number(self, answer: &Answer) -> Option<f64> {
        match (self, answer) {
            (Self::Number, Answer::Number(number)) | (Self::Level, Answer::Level(number)) => Some(*number),
            _ => None,
        }
    }
}

impl Form {
    /// The form of a question.
    pub fn of(ask: &Ask) -> Self {
        let plain = |input| Self { heading: None, spot: None, may_rattle: false, input };
        let confirm = |yes, no| plain(Input::Confirm { yes, no });
        match ask {
            Ask::Confirm { yes, no, .. } => confirm(
                Button::new(yes.clone(), Answer::Yes),
                no.as_ref().map(|no| Button::new(no.clone(), Answer::No)),
            ),
            Ask::Choose { options, .. } => {
                let button = |(at, option): (usize, &String)| Button::new(option.clone(), Answer::Choice(at));
                plain(Input::Choose(options.iter().enumerate().map(button).collect()))
            }
            Ask::Number { unit, low, high, default, .. } => plain(Input::Number(NumberField {
                unit,
                low: *low,
                high: *high,
                default: default.map(short),
                hint: format!("from {low} to {high} {unit}").trim_end().into(),
                kind: NumberKind::Number,
            })),
            Ask::Text { default, .. } => plain(Input::Text { default: default.clone() }),
            Ask::Comfort { level, highest } => plain(Input::Nudge(Nudge {
                now: level.dbfs(),
                low: START_DBFS,
                high: highest.dbfs(),
                unit: "dBFS",
                step: 1.0,
                sets_comfort: true,
                done: Button::new("comfortable: keep this level", Answer::Yes),
                other: None,
            })),
            Ask::Move { spot, .. } => {
                Self { spot: Some(*spot), ..confirm(Button::new("I am there", Answer::Arrived), None) }
            }
            Ask::Anchors => confirm(Button::new("heard", Answer::Heard), None),
            Ask::Rate(note) => Self::at(note, Input::Steps),
            Ask::Match(open) => Self::at(
                &open.note,
                Input::Nudge(Nudge {
                    now: open.offset_db,
                    low: open.lowest_offset_db,
                    high: open.highest_offset_db,
                    unit: "dB",
                    step: open.step_db,
                    sets_comfort: false,
                    done: Button::new("as loud as the reference", Answer::Matched),
                    other: Some(Button::new("it cannot be: rate it instead", Answer::No)),
                }),
            ),
            Ask::Meter(note) => Self::at(
                note,
                Input::Number(NumberField {
                    unit: "dB",
                    low: *METER_RANGE_DB.start(),
                    high: *METER_RANGE_DB.end(),
                    default: None,
                    hint: "what the meter shows".into(),
                    kind: NumberKind::Level,
                }),
            ),
        }
    }

    /// A form about one note at one spot.
    fn at(note: &NoteAtSpot, input: Input) -> Self {
        Self {
            heading: Some(Heading {
                note: words::note(note.frequency_hz, Some(&note.note_name)),
                spot: match &note.seat_name {
                    Some(seat) => format!("{}, for {seat}", note.spot_name),
                    None => note.spot_name.clone(),
                },
                shortfall_db: note.shortfall_db,
            }),
            spot: Some(note.spot),
            may_rattle: true,
            input,
        }
    }

    /// The answer as the conductor takes it: 'yes' becomes the default of a field, or what the leading button means.
    ///
    /// # Errors
    /// What is wrong with it, why, and what to answer instead.
    pub fn fit(&self, answer: Answer) -> Result<Answer, String> {
        match (&self.input, answer) {
            (Input::Confirm { yes, .. } | Input::Nudge(Nudge { done: yes, .. }), Answer::Yes) => Ok(yes.answer.clone()),
            (Input::Confirm { yes, no: None }, Answer::No) => Err(format!("only '{}' leads on from here", yes.label)),
            (Input::Confirm { no: Some(other), .. } | Input::Nudge(Nudge { other: Some(other), .. }), Answer::No) => {
                Ok(other.answer.clone())
            }
            (Input::Choose(buttons), Answer::Choice(position)) if position >= buttons.len() => Err(format!(
                "there is no option {position}; they are counted from 0 to {}",
                buttons.len().saturating_sub(1)
            )),
            (Input::Choose(buttons), Answer::Choice(position)) => Ok(buttons[position].answer.clone()),
            (Input::Number(field), Answer::Yes) if field.kind == NumberKind::Number => field
                .default
                .map(|number| field.kind.answer(number))
                .ok_or_else(|| "there is no number to fall back on, so 'yes' says nothing; give a number".into()),
            (Input::Number(field), answer) if field.kind.number(&answer).is_some() => {
                let number = field.kind.number(&answer).unwrap_or(f64::NAN);
                in_range(number, field.low..=field.high, field.unit).map(|number| field.kind.answer(number))
            }
            (Input::Text { default }, Answer::Yes) => default
                .clone()
                .map(Answer::Text)
                .ok_or_else(|| "there is no text to fall back on, so 'yes' says nothing; give a text".into()),
            (Input::Text { .. }, Answer::Text(text)) => one_line(&text).map(Answer::Text),
            (Input::Steps, answer @ Answer::Rating(_)) => Ok(answer),
            (_, answer) if self.buttons().any(|button| button.answer == answer) => Ok(answer),
            _ => Err(format!("that does not answer this question; it wants {}", self.wants())),
        }
    }

    /// Everything with a label that gives an answer at once, the leading one first.
    pub fn buttons(&self) -> impl Iterator<Item = &Button> {
        let (first, second, list): (Option<&Button>, Option<&Button>, &[Button]) = match &self.input {
            Input::Confirm { yes, no } => (Some(yes), no.as_ref(), &[]),
            Input::Nudge(nudge) => (Some(&nudge.done), nudge.other.as_ref(), &[]),
            Input::Choose(buttons) => (None, None, buttons),
            Input::Steps | Input::Number(_) | Input::Text { .. } => (None, None, &[]),
        };
        first.into_iter().chain(second).chain(list)
    }

    /// What a question wants, in words.
    fn wants(&self) -> String {
        match &self.input {
            Input::Confirm { no: Some(_), .. } => "yes or no".into(),
            Input::Confirm { yes, no: None } => match yes.answer {
                Answer::Arrived => "word that you have arrived there".into(),
                Answer::Heard => "word that it was heard".into(),
                _ => "a yes".into(),
            },
            Input::Choose(buttons) => format!("one of its {} options", buttons.len()),
            Input::Steps => "one of the seven steps".into(),
            Input::Number(NumberField { kind: NumberKind::Level, .. }) => "the meter's reading in dB".into(),
            Input::Number(field) => format!("a number {}", field.hint),
            Input::Text { .. } => "a text".into(),
            Input::Nudge(nudge) if nudge.sets_comfort => {
                format!("louder, quieter, or a yes for '{}'", nudge.done.label)
            }
            Input::Nudge(nudge) => format!("a nudge up or down, a yes for '{}', or a no", nudge.done.label),
        }
    }
}

fn in_range(number: f64, range: RangeInclusive<f64>, unit: &str) -> Result<f64, String> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faces::scenes;
    use crate::view::Rating;

    fn form(view: &crate::view::View) -> Form {
        Form::of(&view.question.as_ref().unwrap().ask)
    }

    #[test]
    fn yes_means_what_leads_on() {
        let taken = |view: &crate::view::View| form(view).fit(Answer::Yes);
        assert_eq!(taken(&scenes::go_to()), Ok(Answer::Arrived));
        assert_eq!(taken(&scenes::anchors()), Ok(Answer::Heard));
        assert_eq!(taken(&scenes::comfort()), Ok(Answer::Yes));
        assert_eq!(taken(&scenes::number()), Ok(Answer::Number(5.0)));
        assert_eq!(taken(&scenes::text()), Ok(Answer::Text("room".into())));
        assert!(taken(&scenes::meter()).unwrap_err().contains("reading in dB"));
        assert!(taken(&scenes::rate()).unwrap_err().contains("one of the seven steps"));
    }

    #[test]
    fn what_a_form_offers_is_what_it_takes_and_nothing_else() {
        let every_answer = [
            Answer::Yes,
            Answer::No,
            Answer::Choice(0),
            Answer::Choice(9),
            Answer::Number(4.0),
            Answer::Number(f64::NAN),
            Answer::Text("attic".into()),
            Answer::Arrived,
            Answer::Heard,
            Answer::Matched,
            Answer::Rating(Rating::ALL[0]),
            Answer::Level(70.0),
            Answer::Level(-3.0),
        ];
        let taken = |view: &crate::view::View| {
            let form = form(view);
            for button in form.buttons() {
                assert_eq!(form.fit(button.answer.clone()), Ok(button.answer.clone()));
            }
            every_answer.iter().filter(|answer| form.fit((*answer).clone()).is_ok()).count()
        };
        // Yes as well, where it stands for what leads on or for a default.
        assert_eq!(taken(&scenes::verdict()), 1);
        assert_eq!(taken(&scenes::strain()), 2);
        assert_eq!(taken(&scenes::choose()), 1);
        assert_eq!(taken(&scenes::number()), 2);
        assert_eq!(taken(&scenes::text()), 2);
        assert_eq!(taken(&scenes::comfort()), 1);
        assert_eq!(taken(&scenes::matching()), 3);
        assert_eq!(taken(&scenes::go_to()), 2);
        assert_eq!(taken(&scenes::anchors()), 2);
        assert_eq!(taken(&scenes::rate()), 1);
        assert_eq!(taken(&scenes::meter()), 1);
    }
}
