//! From questions and news to lines of JSON.

use serde::Serialize;
use serde_json::{Map, Value, json};

use crate::faces::dialogue::News;
use crate::faces::words;
use crate::view::{Ask, Chapter, Estimate, Progress, Question, QuestionId, Ranking, Rating, Scene, SpotBelief, View};

/// A question as it stands on its line; the keys of its kind follow.
#[derive(Serialize)]
struct QuestionLine<'a> {
    ask: Value,
    id: QuestionId,
    /// How often this asking was printed; absent the first time.
    #[serde(skip_serializing_if = "Option::is_none")]
    asked: Option<u32>,
    text: &'a str,
    why: &'a str,
    #[serde(flatten)]
    kind: Map<String, Value>,
    chapter: Chapter,
    progress: &'a Progress,
    /// What can be heard, for a script that hears by computing; in the blend alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    scene: Option<&'a Scene>,
}

/// The line of a question; `asked` counts its printings from 1.
pub(super) fn question(view: &View, question: &Question, asked: u32) -> String {
    let mut kind = match serde_json::to_value(&question.ask) {
        Ok(Value::Object(kind)) => kind,
        // A kind without a form of its own still has its text, and can be answered in the general form.
        _ => Map::new(),
    };
    let mut ask = kind.remove("ask").unwrap_or_else(|| json!("other"));
    match &question.ask {
        Ask::Comfort { level, highest } => {
            ask = json!("confirm");
            kind.clear();
            kind.insert("topic".into(), json!("comfort"));
            kind.insert("level_dbfs".into(), json!(level.dbfs()));
            kind.insert("highest_dbfs".into(), json!(highest.dbfs()));
        }
        Ask::Move { name, .. } => name_spot(&mut kind, name),
        Ask::Rate(note) => {
            name_spot(&mut kind, &note.spot_name);
            kind.insert("notes_hz".into(), json!(&*view.notes_hz));
            kind.insert("words".into(), json!(Rating::ALL.map(Rating::word)));
        }
        Ask::Meter(note) => name_spot(&mut kind, &note.spot_name),
        Ask::Match(open) => name_spot(&mut kind, &open.note.spot_name),
        _ => {}
    }
    line(&QuestionLine {
        ask,
        id: question.id,
        asked: (asked > 1).then_some(asked),
        text: &question.text,
        why: &question.why,
        kind,
        chapter: view.chapter,
        progress: &view.progress,
        scene: view.scene.as_deref(),
    })
}

/// Scripts know spots by name; the position goes beside it.
fn name_spot(kind: &mut Map<String, Value>, name: &str) {
    kind.remove("spot_name");
    kind.remove("name");
    if let Some(position) = kind.insert("spot".into(), json!(name)) {
        kind.insert("spot_position".into(), position);
    }
}

/// The line of a piece of news.
pub(super) fn news(news: News<'_>) -> String {
    let value = match news {
        News::Taken { words, question } => json!({ "taken": words, "id": question }),
        News::Refused { why, question } => json!({ "refused": why, "id": question }),
        News::Notice(notice) => json!({ "notice": notice }),
        News::Notices(all) => json!({ "notices": all }),
        News::Paused(why) => json!({ "paused": why }),
        News::Continued => json!({ "continued": true }),
        News::Sounds(label) => json!({ "sounds": label }),
        News::Verdict(view) => match &view.ranking {
            Some(ranking) => json!({ "verdict": verdict(view, ranking) }),
            None => json!({ "verdict": null }),
        },
        News::Complete => json!({ "complete": true }),
        News::Done(view) => json!({ "done": done(view) }),
        News::Left(view) => json!({ "left": { "visit": view.file, "chapter": view.chapter } }),
    };
    line(&value)
}

fn done(view: &View) -> Value {
    let ranking = view.ranking.as_deref();
    let leader = ranking.and_then(|ranking| ranking.spots.first());
    json!({
        "spot": leader.map(|spot| words::spot_name(view, spot.spot)),
        "expected_regret_db": ranking.map(|ranking| ranking.expected_regret_db),
        "probability_best": leader.map(|spot| spot.probability_best),
        "sheet": view.sheet,
        "visit": view.file,
    })
}

fn verdict(view: &View, ranking: &Ranking) -> Value {
    json!({
        "spots": ranking.spots.iter().map(|spot| belief(view, spot)).collect::<Vec<_>>(),
        "expected_regret_db": ranking.expected_regret_db,
        "caveats": ranking.caveats,
        "advice": ranking.advice,
    })
}

fn belief(view: &View, spot: &SpotBelief) -> Value {
    let stands_out = |(note, figure): (usize, Estimate)| json!({ "frequency_hz": view.notes_hz.get(note), "note_name": view.note_names.get(note), "level_db": figure });
    json!({
        "spot": words::spot_name(view, spot.spot),
        "answers": spot.answers,
        "spread_db": spot.spread_db,
        "probability_best": spot.probability_best,
        "worst_peak": stands_out(spot.worst_peak),
        "worst_hole": stands_out(spot.worst_hole),
    })
}

fn line(value: &impl Serialize) -> String {
    // Only a map with keys that are not strings could fail here, and there is none; a line is owed either way.
    serde_json::to_string(value).unwrap_or_else(|error| json!({ "notice": error.to_string() }).to_string())
}
