//! Plain lines, where there is no terminal to fill: each question as a few lines, an answer or a command a line.

use std::io::{Read, Write};

use crate::faces::dialogue::{self, Meaning, News, Reply, Tongue, Unfit};
use crate::faces::form::{Button, Form, Input, Nudge, NumberField, NumberKind};
use crate::faces::{FaceError, Wires, words};
use crate::view::{Action, Answer, AnswerBy, Ask, Question, QuestionId, Rating, View};

/// Columns that a line should not pass.
const COLUMNS: usize = 76;

/// Talks in lines until the visit ends; the end of `input` means that the person left.
///
/// # Errors
/// [`FaceError::Output`]: the lines cannot be written; the visit has been asked to close.
pub fn run(wires: Wires, input: impl Read + Send + 'static, output: impl Write) -> Result<(), FaceError> {
    dialogue::run(wires, Plain::default(), input, output)
}

#[cfg(test)]
mod tests;

#[derive(Default)]
struct Plain {
    /// The asking for which 'rattles' was said.
    rattles: Option<QuestionId>,
}

impl Tongue for Plain {
    fn question(&mut self, view: &View, question: &Question, asked: u32) -> String {
        let mut lines = Vec::new();
        if asked == 1 {
            let mut place = vec![words::chapter(view.chapter).to_string()];
            place.extend(words::progress(&view.progress));
            lines.push(String::new());
            lines.push(format!("[{}]", place.join(", ")));
        }
        lines.extend(wrap(&question.text));
        if asked == 1 {
            lines.extend(indented(&question.why));
        }
        lines.extend(answers(&question.ask).iter().flat_map(|line| indented(line)));
        let commands = format!("({})", commands(view, &question.ask).join(", "));
        lines.extend(words::wrapped(&commands, COLUMNS + 2).into_iter().map(|line| format!("  {line}")));
        lines.join("\n")
    }

    fn news(&mut self, news: News<'_>) -> Option<String> {
        let text = match news {
            News::Taken { words, .. } => format!("Taken: {words}"),
            News::Refused { why, .. } => wrap(&format!("Not taken: {why}")).join("\n"),
            News::Notice(notice) => wrap(&format!("Notice: {notice}")).join("\n"),
            News::Notices(all) => notices(all),
            News::Paused(why) => wrap(&format!("Silent: {why}")).join("\n") + "\nType continue to go on.",
            News::Continued => "Going on.".into(),
            News::Sounds(label) => format!("  … {label}"),
            News::Verdict(view) => verdict(view)?,
            // Nobody can ask for it in words: whoever types has seen the answer before Enter.
            News::Complete => return None,
            News::Done(view) => done(view),
            News::Left(view) => format!("Left. The visit is kept in {}.", view.file.display()),
        };
        Some(text)
    }

    fn meaning(&self, line: &str, open: Option<&Question>) -> Meaning {
        let word = line.trim().to_lowercase();
        match COMMANDS.iter().find(|(names, ..)| names.contains(&word.as_str())) {
            Some((_, action, _)) => Meaning::Command(action.clone()),
            None if word == "notices" => Meaning::Notices,
            None if word == "help" || word == "?" => Meaning::Help(help(open)),
            None => Meaning::Answer,
        }
    }

    fn reply(&mut self, line: &str, question: &Question) -> Result<Reply, Unfit> {
        let unfit = |why: String| Unfit { why, question: Some(question.id), ask_again: true };
        let said = line.trim();
        let word = said.to_lowercase();
        let form = Form::of(&question.ask);
        let rating = form.may_rattle;
        if let (Input::Nudge(Nudge { sets_comfort: false, .. }), "up" | "down") = (&form.input, word.as_str()) {
            return Ok(Reply::Nudge(Action::Nudge { up: word == "up" }));
        }
        if rating && (word == "rattles" || word == "rattle") {
            let on = self.rattles != Some(question.id);
            self.rattles = on.then_some(question.id);
            let words = if on { "Marked: something rattles. Now the answer." } else { "Unmarked: nothing rattles." };
            return Ok(Reply::Noted(words.into()));
        }
        let (word, said_too) = match word.strip_suffix(" rattles").or_else(|| word.strip_prefix("rattles ")) {
            Some(rest) if rating => (rest.trim().to_string(), true),
            _ => (word, false),
        };
        let answer = answer(&form.input, &word, said).map_err(unfit)?;
        let answer = form.fit(answer).map_err(unfit)?;
        let rattles = said_too || self.rattles.take() == Some(question.id);
        Ok(Reply::Answer { answer, rattles, seconds: None })
    }
}

/// Every command with its names and what it does.
const COMMANDS: [(&[&str], Action, &str); 13] = [
    (&["stop"], Action::Stop, "fade now, whatever happens; twice within a second: at once"),
    (&["again", "a"], Action::Again, "play that again"),
    (&["back", "b"], Action::Back, "one note back at this spot"),
    (&["skip", "s"], Action::Skip, "leave this note or spot out"),
    (&["undo", "u"], Action::Undo, "take the last answer back"),
    (&["pause", "p"], Action::Pause, "fade and wait"),
    (&["continue", "c"], Action::Continue, "go on after a stop or a pause"),
    (&["louder", "+"], Action::Louder, "one decibel up"),
    (&["quieter", "-"], Action::Quieter, "one decibel down"),
    (&["match", "m"], Action::AnswerBy(AnswerBy::Match), "answer notes by matching them to the reference"),
    (&["rate"], Action::AnswerBy(AnswerBy::Rating), "answer notes in words again"),
    (&["decide", "d"], Action::Decide, "no more notes, decide now"),
    (&["leave", "q"], Action::Leave, "fade, keep the visit and leave"),
];

fn help(open: Option<&Question>) -> String {
    let mut lines = vec!["Answer the question, or type one of these at any time:".to_string()];
    for (names, _, what) in &COMMANDS {
        lines.push(format!("  {:<12} {what}", names.join(" or ")));
    }
    lines.push(format!("  {:<12} before a rating: something in the room rattles", "rattles"));
    lines.push(format!("  {:<12} what went wrong or needed saying, once more", "notices"));
    lines.push("A text that reads like a command goes in quotation marks.".into());
    if let Some(question) = open {
        lines.push("The open question:".into());
        lines.extend(indented(&question.text));
        lines.extend(answers(&question.ask).iter().flat_map(|line| indented(line)));
    }
    lines.join("\n")
}

fn notices(all: &[&str]) -> String {
    if all.is_empty() {
        return "There was no notice in this session.".into();
    }
    let mut lines = vec!["Notices of this session, oldest first:".to_string()];
    lines.extend(all.iter().flat_map(|notice| indented(notice)));
    lines.join("\n")
}

/// The commands that lead somewhere now; stop comes first, always.
fn commands(view: &View, ask: &Ask) -> Vec<&'static str> {
    let offers = view.offers;
    let rating = Form::of(ask).may_rattle;
    [
        ("stop", true),
        ("pause", view.paused.is_none()),
        ("continue", view.paused.is_some()),
        ("again", offers.again),
        ("back", offers.back),
        ("skip", offers.skip),
        ("undo", offers.undo),
        ("rattles", rating),
        ("louder", offers.louder),
        ("quieter", true),
        ("match", offers.answer_by == Some(AnswerBy::Match)),
        ("rate", offers.answer_by == Some(AnswerBy::Rating)),
        ("decide", offers.decide),
        ("leave", true),
        ("help", true),
    ]
    .into_iter()
    .filter_map(|(name, offered)| offered.then_some(name))
    .collect()
}

/// How the question can be answered.
fn answers(ask: &Ask) -> Vec<String> {
    let form = Form::of(ask);
    let mut lines: Vec<String> = form.heading.iter().map(|note| place(&note.note, &note.spot)).collect();
    match &form.input {
        Input::Confirm { yes, no } => lines.extend(yes_and_no(yes, no.as_ref())),
        Input::Choose(buttons) => {
            lines.extend(buttons.iter().zip(1..).map(|(button, number)| format!("{number}  {}", button.label)));
        }
        Input::Number(NumberField { kind: NumberKind::Level, .. }) => {
            lines.push("the reading of the meter in dB".into())
        }
        Input::Number(field) => {
            lines.push(with_default(
                &format!("a number {}", field.hint),
                field.default.map(|number| number.to_string()),
            ));
        }
        Input::Text { default } => lines.push(with_default("a text", default.clone())),
        Input::Nudge(nudge) if !nudge.sets_comfort => {
            lines.push("up or down until it is right, then yes".into());
            lines.extend(yes_and_no(&nudge.done, nudge.other.as_ref()));
        }
        Input::Nudge(nudge) => {
            let levels = [nudge.now, nudge.high].map(|level| format!("{level:.1} {}", nudge.unit));
            lines.push(format!("It sounds at {}; {} is the highest that can be taken.", levels[0], levels[1]));
            lines.push("louder or quieter, one decibel each, until it is right".into());
            lines.extend(yes_and_no(&nudge.done, nudge.other.as_ref()));
        }
        Input::Steps => {
            let steps = |ratings: &[Rating]| {
                let steps: Vec<String> = ratings.iter().map(|r| format!("{} {}", r.index() + 1, r.word())).collect();
                steps.join(", ")
            };
            lines.extend([steps(&Rating::ALL[..4]), steps(&Rating::ALL[4..])]);
        }
    }
    lines
}

fn yes_and_no(yes: &Button, no: Option<&Button>) -> Vec<String> {
    std::iter::once(format!("yes: {}", yes.label)).chain(no.map(|no| format!("no: {}", no.label))).collect()
}

fn place(note: &str, spot: &str) -> String {
    format!("{note}, at {spot}")
}

fn with_default(what: &str, default: Option<String>) -> String {
    match default {
        Some(default) => format!("{what}; an empty line takes {default}"),
        None => what.into(),
    }
}

/// The answer in a line; `word` is the line in small letters, `said` as it was typed.
fn answer(input: &Input, word: &str, said: &str) -> Result<Answer, String> {
    match input {
        Input::Steps => rating(word),
        Input::Choose(buttons) => choice(buttons, word),
        Input::Number(field) if !word.is_empty() && word != "yes" => {
            let number = word.replace(',', ".").parse::<f64>();
            let number = number.map_err(|_| format!("'{said}' is not a number; type digits, such as 4.2"))?;
            Ok(field.kind.answer(number))
        }
        Input::Text { .. } if !word.is_empty() => Ok(Answer::Text(unquoted(said).into())),
        _ => match word {
            "" | "yes" | "y" | "ok" | "ready" | "here" | "heard" => Ok(Answer::Yes),
            "no" | "n" => Ok(Answer::No),
            _ => Err(format!("'{said}' does not answer this question; type yes{}, or help", or_no(input))),
        },
    }
}

fn or_no(input: &Input) -> &'static str {
    match input {
        Input::Confirm { no: Some(_), .. } => " or no",
        Input::Nudge(Nudge { sets_comfort: true, .. }) => ", louder or quieter",
        Input::Nudge(_) => ", no, up or down",
        _ => "",
    }
}

fn rating(word: &str) -> Result<Answer, String> {
    let by_number = word.parse::<usize>().ok().and_then(|number| Rating::ALL.get(number.checked_sub(1)?).copied());
    let by_word = Rating::ALL.into_iter().find(|rating| rating.word() == word);
    // A sign tells the steps from -3 to +3 from the keys 1 to 7.
    let signed = word.starts_with(['+', '-']).then(|| word.parse::<i8>().ok().and_then(Rating::new)).flatten();
    signed.or(by_word).or(by_number.filter(|_| !word.starts_with('+'))).map(Answer::Rating).ok_or_else(|| {
        format!("'{word}' is none of the seven steps; type 1 (lost) to 7 (booming), 4 is even, or the word itself")
    })
}

fn choice(options: &[Button], word: &str) -> Result<Answer, String> {
    let by_number = word.parse::<usize>().ok().and_then(|number| number.checked_sub(1)).filter(|&n| n < options.len());
    let by_word = options.iter().position(|option| option.label.to_lowercase() == word);
    by_number
        .or(by_word)
        .map(Answer::Choice)
        .ok_or_else(|| format!("'{word}' is none of the options; type a number from 1 to {}", options.len()))
}

fn unquoted(said: &str) -> &str {
    said.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).unwrap_or(said)
}

fn verdict(view: &View) -> Option<String> {
    let ranking = view.ranking.as_deref()?;
    let mut lines = words::verdict(view, ranking);
    for (place, spot) in ranking.spots.iter().enumerate().filter(|(_, spot)| spot.answers > 0) {
        lines.push(format!(
            "{}. {}: spread {}, most even {}",
            place + 1,
            words::spot_name(view, spot.spot),
            words::doubtful_db(spot.spread_db),
            words::odds(spot.probability_best)
        ));
    }
    lines.extend(ranking.caveats.iter().cloned());
    Some(lines.iter().flat_map(|line| wrap(line)).collect::<Vec<_>>().join("\n"))
}

fn done(view: &View) -> String {
    let mut lines = vec!["The visit is complete.".to_string()];
    if let Some(sheet) = &view.sheet {
        lines.push(format!("Set-up sheet: {}", sheet.display()));
    }
    lines.push(format!("Visit: {}", view.file.display()));
    lines.join("\n")
}

/// Breaks a text into lines at its spaces.
fn wrap(text: &str) -> Vec<String> {
    words::wrapped(text, COLUMNS)
}

/// The same, two columns in.
fn indented(text: &str) -> Vec<String> {
    words::wrapped(text, COLUMNS - 2).into_iter().map(|line| format!("  {line}")).collect()
}
