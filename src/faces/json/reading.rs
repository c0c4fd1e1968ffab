//! From lines of JSON to answers and commands; everything else is told what was wrong, why, and what would do.

use serde_json::{Map, Value};

use crate::faces::dialogue::{Meaning, Reply, Unfit};
use crate::faces::form::{Button, Form, Input, Nudge, NumberField, NumberKind};
use crate::view::{Action, Answer, AnswerBy, Ask, Question, QuestionId, Rating};

/// Seconds that an answer can have taken; a day is a slip.
const LONGEST_ANSWER_S: f64 = 86_400.0;

const COMMANDS: [(&str, Action); 12] = [
    ("again", Action::Again),
    ("back", Action::Back),
    ("skip", Action::Skip),
    ("undo", Action::Undo),
    ("pause", Action::Pause),
    ("continue", Action::Continue),
    ("stop", Action::Stop),
    ("louder", Action::Louder),
    ("quieter", Action::Quieter),
    ("match", Action::AnswerBy(AnswerBy::Match)),
    ("rate", Action::AnswerBy(AnswerBy::Rating)),
    ("decide", Action::Decide),
];

/// Whether the line is a command, an answer, or neither.
pub(super) fn meaning(line: &str) -> Meaning {
    if line.trim().is_empty() {
        return Meaning::Nothing;
    }
    // What is no object is meant as an answer too: it is refused when its turn comes, and the question asked again.
    match serde_json::from_str::<Value>(line) {
        Ok(Value::Object(object)) => object.get("do").map_or(Meaning::Answer, command),
        _ => Meaning::Answer,
    }
}

fn command(value: &Value) -> Meaning {
    if value == "leave" {
        return Meaning::Command(Action::Leave);
    }
    if value == "notices" {
        return Meaning::Notices;
    }
    if value == "stay" {
        return Meaning::Stay;
    }
    match COMMANDS.iter().find(|(name, _)| value == name) {
        Some((_, action)) => Meaning::Command(action.clone()),
        None => {
            let names: Vec<&str> = COMMANDS.iter().map(|(name, _)| *name).collect();
            Meaning::Wrong(format!(
                "there is no command {value}; send one of {}, notices, stay, leave",
                names.join(", ")
            ))
        }
    }
}

/// What the line says to the open question.
pub(super) fn reply(line: &str, question: &Question) -> Result<Reply, Unfit> {
    let here = |why: String| Unfit { why, question: Some(question.id), ask_again: true };
    let object = match serde_json::from_str::<Value>(line) {
        Ok(Value::Object(object)) => object,
        Ok(other) => {
            return Err(here(format!(
                "an answer is a JSON object, not {}; send {}",
                kind_of(&other),
                example(question)
            )));
        }
        Err(error) => {
            return Err(here(format!("the line is not JSON ({error}); send one object a line: {}", example(question))));
        }
    };
    meant_for(&object, question)?;
    let rattles = flag(&object, "rattles").map_err(here)?;
    let seconds = seconds(&object).map_err(here)?;
    let form = Form::of(&question.ask);
    if let Input::Nudge(Nudge { sets_comfort: true, .. }) = form.input {
        if flag(&object, "louder").map_err(here)? {
            return Ok(Reply::Nudge(Action::Louder));
        }
        if flag(&object, "quieter").map_err(here)? {
            return Ok(Reply::Nudge(Action::Quieter));
        }
    }
    if let (Input::Nudge(Nudge { sets_comfort: false, .. }), Some(direction)) = (&form.input, object.get("nudge")) {
        return match direction.as_str() {
            Some("up") => Ok(Reply::Nudge(Action::Nudge { up: true })),
            Some("down") => Ok(Reply::Nudge(Action::Nudge { up: false })),
            _ => Err(here(format!("a nudge goes \"up\" or \"down\", not {direction}; send {}", example(question)))),
        };
    }
    let answer = answer(&object, question, &form.input).map_err(here)?;
    let answer = form.fit(answer).map_err(here)?;
    Ok(Reply::Answer { answer, rattles, seconds })
}

/// Refuses an answer that names another asking: it was meant for a question that is gone.
fn meant_for(object: &Map<String, Value>, question: &Question) -> Result<(), Unfit> {
    let Some(named) = object.get("id") else { return Ok(()) };
    match named.as_u64() {
        Some(id) if id == question.id.0 => Ok(()),
        Some(id) => Err(Unfit {
            why: format!("question {id} is not open, {} is; nothing was taken, answer the open one", question.id.0),
            question: Some(QuestionId(id)),
            ask_again: false,
        }),
        None => Err(Unfit {
            why: format!(
                "an id is the whole number that came with the question, not {named}; send \"id\":{}",
                question.id.0
            ),
            question: Some(question.id),
            ask_again: true,
        }),
    }
}

/// The answer itself, from the key that the kind of question asks for, or in the general form for any kind:
/// `{"answer":KIND,"value":…}`.
fn answer(object: &Map<String, Value>, question: &Question, input: &Input) -> Result<Answer, String> {
    if let Some(kind) = object.get("answer") {
        let mut general = Map::new();
        general.insert("answer".into(), kind.clone());
        if let Some(value) = object.get("value") {
            general.insert("value".into(), value.clone());
        }
        return serde_json::from_value(Value::Object(general))
            .map_err(|error| format!("not a known answer ({error}); send {}", example(question)));
    }
    let own = match (&question.ask, input) {
        (Ask::Move { name, .. }, _) => object.get("arrived").map(|value| arrived(value, name)),
        (Ask::Anchors, _) => object.get("heard").map(|value| truth(value, "heard").and_then(only_true(Answer::Heard))),
        (Ask::Match(_), _) => object
            .get("matched")
            .map(|value| truth(value, "matched").map(|is| if is { Answer::Matched } else { Answer::No })),
        (_, Input::Choose(options)) => object.get("choice").map(|value| choice(value, options)),
        (_, Input::Number(field)) => {
            let key = number_key(field);
            object.get(key).map(|value| number(value, key).map(|number| field.kind.answer(number)))
        }
        (_, Input::Text { .. }) => object.get("text").map(text),
        (_, Input::Steps) => object.get("rating").map(rating),
        (_, Input::Confirm { .. } | Input::Nudge(_)) => None,
    };
    if let Some(answer) = own {
        return answer;
    }
    match (object.get("yes"), object.get("no")) {
        (Some(yes), _) => truth(yes, "yes").map(|yes| if yes { Answer::Yes } else { Answer::No }),
        (None, Some(no)) => truth(no, "no").map(|no| if no { Answer::No } else { Answer::Yes }),
        (None, None) => Err(format!("there is no answer to this question in the line; send {}", example(question))),
    }
}

fn number_key(field: &NumberField) -> &'static str {
    match field.kind {
        NumberKind::Number => "number",
        NumberKind::Level => "level_db",
    }
}

fn choice(value: &Value, options: &[Button]) -> Result<Answer, String> {
    let position = match value {
        Value::String(name) => options.iter().position(|option| option.label == *name),
        other => other.as_u64().and_then(|position| usize::try_from(position).ok()),
    };
    position.map(Answer::Choice).ok_or_else(|| {
        format!("a choice is an option's position, counted from 0, or its words, not {value}; send {{\"choice\":0}}")
    })
}

fn rating(value: &Value) -> Result<Answer, String> {
    value
        .as_f64()
        .filter(|step| step.fract() == 0.0 && step.abs() <= 3.0)
        .and_then(|step| Rating::new(step as i8))
        .map(Answer::Rating)
        .ok_or_else(|| format!("a rating is a whole number from -3 (lost) to 3 (booming), not {value}"))
}

fn arrived(value: &Value, name: &str) -> Result<Answer, String> {
    match value {
        Value::Bool(true) => Ok(Answer::Arrived),
        Value::String(said) if said == name => Ok(Answer::Arrived),
        _ => Err(format!("the spot asked for is {name}, not {value}; go there, then send {{\"arrived\":\"{name}\"}}")),
    }
}

fn text(value: &Value) -> Result<Answer, String> {
    value.as_str().map(|text| Answer::Text(text.into())).ok_or_else(|| format!("a text is a JSON string, not {value}"))
}

fn number(value: &Value, key: &str) -> Result<f64, String> {
    value.as_f64().ok_or_else(|| format!("\"{key}\" is a JSON number, not {value}"))
}

fn truth(value: &Value, key: &str) -> Result<bool, String> {
    value.as_bool().ok_or_else(|| format!("\"{key}\" is true or false, not {value}"))
}

fn only_true(answer: Answer) -> impl FnOnce(bool) -> Result<Answer, String> {
    move |truth| {
        if truth { Ok(answer) } else { Err("send it when it is true, or a command such as {\"do\":\"again\"}".into()) }
    }
}

/// A key that is false when absent.
fn flag(object: &Map<String, Value>, key: &str) -> Result<bool, String> {
    object.get(key).map_or(Ok(false), |value| truth(value, key))
}

fn seconds(object: &Map<String, Value>) -> Result<Option<f64>, String> {
    let Some(value) = object.get("seconds") else { return Ok(None) };
    let seconds = number(value, "seconds")?;
    if (0.0..=LONGEST_ANSWER_S).contains(&seconds) {
        Ok(Some(seconds))
    } else {
        Err(format!(
            "\"seconds\" lies between 0 and {LONGEST_ANSWER_S}, not {seconds}; leave it out if it is not known"
        ))
    }
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Number(_) => "a number",
        Value::String(_) => "a string",
        Value::Array(_) => "a list",
        Value::Object(_) => "an object",
    }
}

/// An answer that would do, for the refusal's last words.
fn example(question: &Question) -> String {
    match (&question.ask, Form::of(&question.ask).input) {
        (Ask::Move { name, .. }, _) => format!(r#"{{"arrived":"{name}"}}"#),
        (Ask::Anchors, _) => r#"{"heard":true}"#.into(),
        (_, Input::Confirm { no: Some(_), .. }) => r#"{"yes":true} or {"yes":false}"#.into(),
        (_, Input::Confirm { no: None, .. }) => r#"{"yes":true}"#.into(),
        (_, Input::Nudge(Nudge { sets_comfort: false, .. })) => {
            r#"{"nudge":"up"}, {"nudge":"down"}, {"matched":true}, or {"matched":false} where it cannot be"#.into()
        }
        (_, Input::Nudge(Nudge { done, .. })) => {
            format!(r#"{{"louder":true}}, {{"quieter":true}}, or {{"yes":true}} for '{}'"#, done.label)
        }
        (_, Input::Choose(_)) => r#"{"choice":0}"#.into(),
        (_, Input::Number(NumberField { kind: NumberKind::Level, .. })) => r#"{"level_db":71.5}"#.into(),
        (_, Input::Number(NumberField { low, high, .. })) => format!(r#"{{"number":X}} with X from {low} to {high}"#),
        (_, Input::Text { .. }) => r#"{"text":"…"}"#.into(),
        (_, Input::Steps) => r#"{"rating":0} with -3 to 3"#.into(),
    }
}
