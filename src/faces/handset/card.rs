//! What the page draws: one small card for each view, from which the page is drawn anew whatever it showed before.

use serde::Serialize;

use crate::faces::form::{Form, Input, LONGEST_TEXT, Nudge, NumberKind};
use crate::faces::handset::desk::Row;
use crate::faces::handset::{desk, floor};
use crate::faces::words;
use crate::units::Dbfs;
use crate::view::{Answer, Chapter, FaceId, Offers, Progress, QuestionId, Rating, View};

/// What a message to the page holds; the page looks for what it knows.
#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Message<'a> {
    /// What to show now.
    Card(Box<Card<'a>>),
    /// The plan, when it has changed; none where nobody measured.
    Plan(Option<String>),
    /// What a wide screen shows beside.
    Desk(desk::Desk),
    /// The answer to a sign of life, with its number.
    Alive(u64),
    /// What was not taken: why, and what to do.
    Refused(String),
    /// This page is over: why.
    Over(&'static str),
}

/// The view as a phone shows it.
#[derive(Debug, Serialize)]
pub(super) struct Card<'a> {
    visit: &'a str,
    phone: u16,
    chapter: &'static str,
    progress: Vec<String>,
    /// Share of this stay's notes that are answered.
    share: Option<f64>,
    question: Option<Asked<'a>>,
    paused: Option<&'a str>,
    sounding: bool,
    /// What sounds, in words; empty in silence.
    sound: String,
    device_gone: bool,
    taken: Option<&'a str>,
    taken_id: Option<QuestionId>,
    notice: Option<&'a str>,
    refusal: Option<&'a str>,
    refusals: u64,
    offers: Offers,
    /// Who leads, in sentences; empty before the verdict.
    lead: Vec<String>,
    ranking: Vec<Row>,
    done: bool,
    /// The name of the set-up sheet's file.
    sheet: Option<String>,
    closing: bool,
}

/// A question with everything that answers it.
#[derive(Debug, Serialize)]
struct Asked<'a> {
    id: QuestionId,
    text: &'a str,
    why: &'a str,
    /// '41 Hz, E1' and where, if it is about a note.
    note: Option<String>,
    place: Option<String>,
    /// By how much it is played low, in words.
    shortfall: Option<String>,
    /// The two distances of the spot to go to.
    tapes: Option<String>,
    rattles: bool,
    input: &'static str,
    buttons: Vec<Press>,
    number: Option<Number>,
    text_field: Option<TextField>,
    nudge: Option<Level>,
}

/// Something to press, and the answer to send for it.
#[derive(Debug, Serialize)]
struct Press {
    label: String,
    answer: Answer,
    /// Steps away from even, for the seven.
    #[serde(skip_serializing_if = "Option::is_none")]
    step: Option<i8>,
}

#[derive(Debug, Serialize)]
struct Number {
    unit: &'static str,
    low: f64,
    high: f64,
    default: Option<f64>,
    hint: String,
    /// The kind of answer that it becomes.
    answer: &'static str,
}

#[derive(Debug, Serialize)]
struct TextField {
    default: Option<String>,
    longest: usize,
}

#[derive(Debug, Serialize)]
struct Level {
    /// Where it is; not sent while a note is matched to the reference, so that nobody matches to a figure.
    scale: Option<Scale>,
    /// A note is being matched to the reference.
    matching: bool,
    /// How far a press moves it, in words.
    step: &'static str,
    /// Why louder cannot be said from here.
    blocked: Option<String>,
}

#[derive(Debug, Serialize)]
struct Scale {
    now: f64,
    low: f64,
    high: f64,
    unit: &'static str,
}

/// The card of a view for one phone.
pub(super) fn card<'a>(view: &'a View, phone: u16, me: FaceId, louder_to: Dbfs) -> Card<'a> {
    let progress = &view.progress;
    let in_stay = progress.note_here > 0 && progress.notes_here > 0;
    let sound = match view.sound.level {
        // While a rating is asked for its level would only distract.
        Some(level) if view.chapter == Chapter::Level => format!("{} at {level}", view.sound.label),
        _ => view.sound.label.clone(),
    };
    Card {
        visit: &view.visit,
        phone,
        chapter: words::chapter(view.chapter),
        progress: short(progress),
        share: in_stay.then(|| (progress.note_here - 1) as f64 / progress.notes_here as f64),
        question: view.question.as_deref().map(|question| Asked {
            id: question.id,
            text: &question.text,
            why: &question.why,
            ..asked(&Form::of(&question.ask), view, me, louder_to)
        }),
        paused: view.paused.as_deref(),
        sounding: view.sound.sounding,
        sound,
        device_gone: view.sound.device.is_some() && !view.sound.connected,
        taken: view.taken.as_deref(),
        taken_id: view.taken_question,
        notice: view.notices.last().map(String::as_str),
        refusal: view.refusal.as_deref(),
        refusals: view.refusals,
        offers: view.offers,
        lead: view.ranking.as_ref().map(|ranking| words::verdict(view, ranking)).unwrap_or_default(),
        ranking: desk::rows(view),
        done: view.chapter == Chapter::Done && view.question.is_none(),
        sheet: view.sheet.as_ref().and_then(|sheet| Some(sheet.file_name()?.to_string_lossy().into_owned())),
        closing: view.closing,
    }
}

/// How far it is, in few enough words for one line of a phone.
fn short(progress: &Progress) -> Vec<String> {
    let said = words::progress(progress).into_iter();
    said.map(|part| match part.strip_prefix("spots heard ") {
        Some(count) => format!("{count} spots heard"),
        None => part.trim_end_matches(" here").trim_start_matches("about ").to_owned(),
    })
    .collect()
}

fn asked<'a>(form: &Form, view: &View, me: FaceId, louder_to: Dbfs) -> Asked<'a> {
    let plain = |input| Asked {
        id: QuestionId(0),
        text: "",
        why: "",
        note: form.heading.as_ref().map(|heading| heading.note.clone()),
        place: form.heading.as_ref().map(|heading| heading.spot.clone()),
        shortfall: form
            .heading
            .as_ref()
            .filter(|heading| heading.shortfall_db >= 0.5)
            .map(|heading| format!("Played {:.0} dB low, which is allowed for.", heading.shortfall_db)),
        tapes: form.spot.filter(|_| form.heading.is_none()).and_then(|spot| floor::tape_words(&view.room, spot)),
        rattles: form.may_rattle,
        input,
        buttons: form.buttons().map(Press::of).collect(),
        number: None,
        text_field: None,
        nudge: None,
    };
    match &form.input {
        Input::Confirm { .. } => plain("confirm"),
        Input::Choose(_) => plain("choose"),
        Input::Steps => {
            let step = |rating: Rating| Press {
                label: rating.word().into(),
                answer: Answer::Rating(rating),
                step: Some(rating.step()),
            };
            Asked { buttons: Rating::ALL.map(step).into(), ..plain("steps") }
        }
        Input::Number(field) => Asked {
            number: Some(Number {
                unit: field.unit,
                low: field.low,
                high: field.high,
                default: field.default,
                hint: field.hint.clone(),
                answer: match field.kind {
                    NumberKind::Number => "number",
                    NumberKind::Level => "level",
                },
            }),
            ..plain("number")
        },
        Input::Text { default } => {
            Asked { text_field: Some(TextField { default: default.clone(), longest: LONGEST_TEXT }), ..plain("text") }
        }
        Input::Nudge(nudge) => Asked {
            nudge: Some(Level {
                scale: nudge.sets_comfort.then_some(Scale {
                    now: nudge.now,
                    low: nudge.low,
                    high: nudge.high,
                    unit: nudge.unit,
                }),
                matching: !nudge.sets_comfort,
                step: if nudge.step < 1.0 { "half a decibel a press" } else { "1 dB a press" },
                blocked: may_raise(nudge, view, me, louder_to).err(),
            }),
            ..plain("nudge")
        },
    }
}

/// Whether a phone may say louder: what every later level hangs on is raised by the screen in charge alone, and from a
/// phone no further than the laptop allows.
///
/// # Errors
/// Why not, and what to do.
pub(super) fn may_raise(nudge: &Nudge, view: &View, me: FaceId, louder_to: Dbfs) -> Result<(), String> {
    if !nudge.sets_comfort {
        let at_top = nudge.now > nudge.high - 1e-9;
        return if at_top { Err("It may get no louder.".into()) } else { Ok(()) };
    }
    if view.in_charge.is_some_and(|face| face != me) {
        return Err("Another screen answered last and sets the level. To set it here, press pause, then go on.".into());
    }
    if nudge.now + 1.0 > louder_to.dbfs() + 1e-9 {
        return Err(format!(
            "A phone may raise it to {louder_to}. Further up it is raised at the laptop (--handset-louder-to sets this)."
        ));
    }
    Ok(())
}

impl Press {
    fn of(button: &crate::faces::form::Button) -> Self {
        Self { label: button.label.clone(), answer: button.answer.clone(), step: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faces::scenes;
    use crate::view::Ask;

    const ME: FaceId = FaceId(0x1_0001);

    fn sent(view: &View) -> serde_json::Value {
        serde_json::to_value(card(view, 1, ME, Dbfs::new(-30.0))).unwrap()
    }

    #[test]
    fn every_button_of_a_card_is_an_answer_that_its_form_takes() {
        let scenes = [
            scenes::rate(),
            scenes::go_to(),
            scenes::anchors(),
            scenes::comfort(),
            scenes::strain(),
            scenes::checklist(),
            scenes::choose(),
            scenes::verdict(),
        ];
        for view in scenes {
            let form = Form::of(&view.question.as_ref().unwrap().ask);
            let buttons = sent(&view)["question"]["buttons"].as_array().unwrap().clone();
            assert!(!buttons.is_empty());
            for button in buttons {
                let answer: Answer = serde_json::from_value(button["answer"].clone()).unwrap();
                assert!(form.fit(answer.clone()).is_ok(), "{answer:?}");
            }
        }
    }

    #[test]
    fn nothing_says_who_leads_before_the_verdict() {
        let mut view = scenes::rate();
        let card = sent(&view);
        assert_eq!((&card["lead"], &card["ranking"]), (&serde_json::json!([]), &serde_json::json!([])));
        view.ranking = scenes::verdict().ranking;
        assert!(sent(&view)["ranking"].as_array().unwrap().len() > 1, "otherwise this could not fail");
    }

    #[test]
    fn louder_is_blocked_in_words_and_only_where_it_must_be() {
        let mut view = scenes::comfort();
        let blocked = |view: &View| sent(view)["question"]["nudge"]["blocked"].as_str().map(str::to_owned);
        assert_eq!(blocked(&view), None);
        view.in_charge = Some(ME);
        assert_eq!(blocked(&view), None);
        view.in_charge = Some(FaceId(0));
        assert!(blocked(&view).unwrap().contains("Another screen"));
        view.in_charge = None;
        let card = serde_json::to_value(card(&view, 1, ME, Dbfs::new(-41.0))).unwrap();
        assert!(card["question"]["nudge"]["blocked"].as_str().unwrap().contains("-41.0 dBFS"));
    }

    #[test]
    fn no_figure_of_a_match_is_sent() {
        let view = scenes::matching();
        let Ask::Match(open) = &view.question.as_ref().unwrap().ask else { panic!("a match") };
        let sent = sent(&view).to_string();
        let figures = [open.offset_db, open.lowest_offset_db, open.highest_offset_db];
        for figure in figures {
            assert!(!sent.contains(&format!(":{figure:?}")), "{figure} is in {sent}");
        }
        let comfort = serde_json::to_value(card(&scenes::comfort(), 1, ME, Dbfs::new(-30.0))).unwrap();
        assert!(comfort["question"]["nudge"]["scale"]["now"].is_number(), "otherwise this could not fail");
    }
}
