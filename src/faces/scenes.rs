//! Views of an invented visit for the tests of the faces.

use std::path::PathBuf;
use std::sync::Arc;

use crate::units::Dbfs;
use crate::view::{
    Advice, AnswerBy, Ask, Chapter, Estimate, ListenerReport, MatchAtSpot, NoteAtSpot, Offers, Place, Progress,
    Question, QuestionId, Ranking, Room, Sound, SpotBelief, Topic, View,
};

const SPOTS: [&str; 7] = [
    "left of the stove",
    "window bay",
    "behind the sofa",
    "by the door",
    "under the stairs",
    "right corner",
    "shelf end",
];

/// A view in which nothing happens yet.
pub(super) fn view(chapter: Chapter) -> View {
    let place = |name: &str| Place { name: name.into(), at_m: None };
    View {
        visit: "Millbrook 7, front room".into(),
        file: PathBuf::from("millbrook-7.visit.jsonl"),
        chapter,
        question: None,
        paused: None,
        sound: Sound {
            device: Some("Analogue output".into()),
            connected: true,
            sounding: false,
            level: None,
            ceiling: Dbfs::new(-21.0),
            comfort: None,
            label: String::new(),
        },
        progress: Progress::default(),
        notes_hz: [25.0, 31.0, 41.2, 55.0, 68.0, 82.4, 100.0, 120.0].into(),
        note_names: ["G0", "B0", "E1", "A1", "C#2", "E2", "G2", "B2"].map(String::from).into(),
        room: Arc::new(Room {
            name: "front room".into(),
            floor: None,
            height_m: None,
            seats: vec![place("sofa")],
            spots: SPOTS.map(place).into(),
            ..Room::default()
        }),
        ranking: None,
        taken: None,
        taken_question: None,
        notices: Vec::new(),
        older_notices: Vec::new(),
        refusal: None,
        refusals: 0,
        in_charge: None,
        offers: Offers::default(),
        scene: None,
        sheet: None,
        closing: false,
    }
}

/// A view with a question.
pub(super) fn asking(chapter: Chapter, id: u64, text: &str, why: &str, ask: Ask) -> View {
    let question = Question { id: QuestionId(id), text: text.into(), why: why.into(), ask };
    View { question: Some(Arc::new(question)), ..view(chapter) }
}

pub(super) fn note() -> NoteAtSpot {
    NoteAtSpot {
        spot: 1,
        spot_name: "window bay".into(),
        note: 2,
        frequency_hz: 41.2,
        note_name: "E1".into(),
        half_width_octaves: 1.0 / 12.0,
        shortfall_db: 0.0,
        seat: 0,
        seat_name: None,
    }
}

fn crawling(mut view: View) -> View {
    view.progress = Progress {
        note_here: 5,
        notes_here: 16,
        spots_heard: 2,
        spots: 7,
        stay: 3,
        seconds_spent: 260.0,
        seconds_left: Some(640.0),
    };
    view.sound.sounding = true;
    view.sound.level = Some(Dbfs::new(-37.0));
    view.offers = Offers { again: true, back: true, skip: true, undo: true, decide: true, ..Offers::default() };
    view.taken = Some("31 Hz, B0: a little weak".into());
    view.taken_question = Some(QuestionId(11));
    view
}

pub(super) fn rate() -> View {
    crawling(asking(
        Chapter::Crawl,
        12,
        "How loud is this note, against the notes here as a whole?",
        "Keep your head where the loudspeaker's cone will be. The first impression counts.",
        Ask::Rate(note()),
    ))
}

pub(super) fn matching() -> View {
    let ask = Ask::Match(MatchAtSpot {
        note: note(),
        run: 1,
        offset_db: -3.0,
        step_db: 1.0,
        lowest_offset_db: -24.0,
        highest_offset_db: 8.0,
        reference_hz: 50.0,
        reference_half_width_octaves: 1.0 / 6.0,
    });
    let mut view = crawling(asking(
        Chapter::Crawl,
        14,
        "Nudge E1, 41 Hz, until it is as loud as the reference.",
        "The reference sounds first, then the note, in turns.",
        ask,
    ));
    view.offers.nudge = true;
    view.offers.answer_by = Some(AnswerBy::Rating);
    view
}

pub(super) fn meter() -> View {
    let mut view = crawling(asking(
        Chapter::Crawl,
        13,
        "Read the meter while the note sounds.",
        "Hold it at arm's length where the cone will be, on slow.",
        Ask::Meter(note()),
    ));
    if let Some(Ask::Meter(note)) = view.question.as_mut().map(|q| &mut Arc::make_mut(q).ask) {
        note.shortfall_db = 4.3;
    }
    view
}

pub(super) fn go_to() -> View {
    let mut view = crawling(asking(
        Chapter::Crawl,
        10,
        "Go to the spot 'window bay'.",
        "Get down so that your ears are where the cone will be, then press Enter. The notes run by once, unrated.",
        Ask::Move { spot: 1, name: "window bay".into() },
    ));
    view.progress.note_here = 0;
    view.sound.sounding = false;
    view
}

pub(super) fn anchors() -> View {
    let text = "Listen to the seven steps: even, then weaker and stronger.";
    crawling(asking(Chapter::Crawl, 11, text, "So that the words mean the same each time.", Ask::Anchors))
}

pub(super) fn comfort() -> View {
    let mut view = asking(
        Chapter::Level,
        8,
        "Press + until the tone is comfortable: as loud as you would play music.",
        "It starts very low and rises only while you press. Later tones are never much louder than this one.",
        Ask::Comfort { level: Dbfs::new(-41.0), highest: Dbfs::new(-19.0) },
    );
    view.sound.sounding = true;
    view.sound.level = Some(Dbfs::new(-41.0));
    view.offers = Offers { louder: true, undo: true, ..Offers::default() };
    view
}

pub(super) fn strain() -> View {
    let mut view = asking(
        Chapter::Level,
        9,
        "Did that sound clean?",
        "Strain is a buzz, a knock or a flutter that is not part of the tone.",
        Ask::Confirm { topic: Topic::Strain, yes: "clean".into(), no: Some("strained".into()) },
    );
    view.offers = Offers { again: true, undo: true, ..Offers::default() };
    view
}

pub(super) fn checklist() -> View {
    let mut view = asking(
        Chapter::Before,
        6,
        "Turn the subwoofer's low-pass (the control that limits how high it plays) all the way up, or bypass it.",
        "Otherwise the upper notes go missing everywhere, and every spot looks equally bad.",
        Ask::Confirm { topic: Topic::LowPassOpen, yes: "it is out of the way".into(), no: Some("it cannot be".into()) },
    );
    view.offers.undo = true;
    view
}

pub(super) fn choose() -> View {
    let options = ["a sound level meter is at hand", "a phone with a meter app", "ears only"].map(String::from).into();
    let text = "What is there to listen with?";
    asking(Chapter::Setup, 4, text, "", Ask::Choose { topic: Topic::MeterAtHand, options })
}

pub(super) fn number() -> View {
    let ask = Ask::Number { topic: Topic::RoomLength, unit: "m", low: 1.0, high: 20.0, default: Some(5.0) };
    asking(Chapter::Setup, 2, "How long is the room?", "From wall to wall, along its longer side.", ask)
}

pub(super) fn text() -> View {
    let ask = Ask::Text { topic: Topic::SpotName, default: Some("room".into()) };
    asking(Chapter::Setup, 1, "What is this room called?", "The name goes on the sheet.", ask)
}

pub(super) fn paused() -> View {
    let mut view = rate();
    view.paused = Some("somebody pressed stop; the note has faded".into());
    view.sound.sounding = false;
    view
}

fn around(value: f64, doubt: f64) -> Estimate {
    Estimate { value, low: value - doubt, high: value + doubt }
}

pub(super) fn ranking() -> Ranking {
    let belief = |spot, spread: f64, probability_best| SpotBelief {
        spot,
        answers: 16,
        spread_db: around(spread, 0.55),
        probability_best,
        worst_peak: (2, around(3.9, 1.2)),
        worst_hole: (5, around(-6.8, 2.6)),
        curve_db: vec![around(0.0, 1.0); 8],
    };
    Ranking {
        spots: vec![
            belief(1, 2.14, 0.71),
            belief(4, 2.93, 0.22),
            belief(0, 3.6, 0.04),
            belief(3, 4.4, 0.01),
            belief(2, 4.9, 0.01),
            belief(5, 5.6, 0.01),
            SpotBelief { answers: 0, ..belief(6, 4.0, 0.0) },
        ],
        expected_regret_db: 0.17,
        five_minutes_db: 0.05,
        deciding_notes: vec![2, 5],
        listener: ListenerReport {
            noise_db: around(1.6, 0.5),
            drift_db: around(1.0, 0.6),
            consistency: Some(0.8),
            repeats: 12,
            advice: Vec::new(),
        },
        caveats: vec!["The spot 'shelf end' was not heard, so nothing is said of it.".into()],
        advice: Advice::Stop { why: "no further stay is worth its time".into() },
    }
}

pub(super) fn verdict() -> View {
    let mut view = asking(
        Chapter::Verdict,
        40,
        "Move the subwoofer to the spot 'window bay'.",
        "Two people lift. Then press Enter and sit down.",
        Ask::Confirm { topic: Topic::SubwooferMoved, yes: "it stands there".into(), no: None },
    );
    view.ranking = Some(Arc::new(ranking()));
    view.offers.undo = true;
    view
}

/// The verdict with spots that are close.
pub(super) fn close_verdict() -> View {
    let mut view = asking(
        Chapter::Verdict,
        39,
        "window bay is the most even spot.",
        "That is right in about 5 of 10 cases. window bay and under the stairs are close.",
        Ask::Confirm {
            topic: Topic::Verdict,
            yes: "Go on".into(),
            no: Some("Compare them first, with the subwoofer moved".into()),
        },
    );
    view.ranking = Some(Arc::new(ranking()));
    view.offers.undo = true;
    view
}

/// In the shoot-out: nothing on the page says where the subwoofer stands.
pub(super) fn more_even() -> View {
    let options = ["More even before", "More even now", "No difference"].map(String::from).into();
    let mut view = asking(
        Chapter::Verdict,
        45,
        "Were the notes more even before the last move, or are they now?",
        "They run by from the lowest up. Have them again as often as you like.",
        Ask::Choose { topic: Topic::ShootOutMoreEven, options },
    );
    view.sound.sounding = true;
    view.sound.label = "E1".into();
    view.offers = Offers { again: true, skip: true, undo: true, ..Offers::default() };
    view
}

pub(super) fn done() -> View {
    View {
        ranking: Some(Arc::new(ranking())),
        sheet: Some(PathBuf::from("millbrook-7.sheet.html")),
        ..view(Chapter::Done)
    }
}

/// One question of each kind, with the name that its snapshot bears.
pub fn questions() -> Vec<(&'static str, View)> {
    vec![
        ("text", text()),
        ("number", number()),
        ("choose", choose()),
        ("checklist", checklist()),
        ("comfort", comfort()),
        ("strain", strain()),
        ("move", go_to()),
        ("anchors", anchors()),
        ("rate", rate()),
        ("meter", meter()),
        ("match", matching()),
        ("verdict-close", close_verdict()),
        ("more-even", more_even()),
        ("verdict", verdict()),
    ]
}
