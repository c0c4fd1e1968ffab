//! `evenbass rank`

use serde::Serialize;

use crate::cli::args::Rank;
use crate::cli::{Failure, say, session};
use crate::draw::curves::text_curve;
use crate::draw::{Curve, Curves, Glyphs, Point};
use crate::judge::{Advice, Estimate, Ranking};
use crate::routine::State;
use crate::visit;

/// The ranking with the names that its positions stand for.
#[derive(Serialize)]
struct Named<'a> {
    visit: &'a str,
    spots: Vec<&'a str>,
    notes_hz: &'a [f64],
    ranking: &'a Ranking,
}

/// Size of a curve, characters.
const COLUMNS: usize = 76;
const ROWS: usize = 13;

/// Prints who leads.
pub fn run(rank: &Rank) -> Result<(), Failure> {
    let opened = visit::read(&rank.visit)?;
    if let Some(torn) = &opened.notice {
        eprintln!("{}", torn.words_for_readers());
    }
    let state = session::replay(&rank.visit, &opened)?;
    let ranking = state.consultation().ranked();
    if rank.json {
        let named = Named {
            visit: &state.brief().name,
            spots: state.room().spots.iter().map(|spot| spot.name.as_str()).collect(),
            notes_hz: state.notes_hz(),
            ranking: &ranking,
        };
        say!("{}", serde_json::to_string_pretty(&named)?);
    } else {
        let glyphs = if rank.ascii { Glyphs::Ascii } else { Glyphs::Unicode };
        say::text(&[table(&state, &ranking), curves(&state, &ranking, glyphs), words(&state, &ranking)].concat());
    }
    Ok(())
}

fn table(state: &State, ranking: &Ranking) -> String {
    let width = state.room().spots.iter().map(|spot| spot.name.chars().count()).max().unwrap_or(4).max(4);
    let mut lines = vec![format!(
        "{:width$}  {:>18}  {:>11}  {:>16}  {:>16}  {:>7}",
        "spot", "spread dB", "best in 10", "strongest note", "weakest note", "answers"
    )];
    for spot in &ranking.spots {
        let note =
            |(note, estimate): &(usize, Estimate)| format!("{} {:+.0} dB", state.note_name(*note), estimate.value);
        lines.push(format!(
            "{:width$}  {:>18}  {:>11}  {:>16}  {:>16}  {:>7}",
            state.room().spots[spot.spot].name,
            with_doubt(&spot.spread_db),
            tenths(spot.probability_best),
            note(&spot.worst_peak),
            note(&spot.worst_hole),
            spot.answers
        ));
    }
    lines.join("\n") + "\n"
}

/// The first two spots' curves with the bands that hold the truth in eight of ten cases.
fn curves(state: &State, ranking: &Ranking, glyphs: Glyphs) -> String {
    let point = |(hertz, estimate): (&f64, &Estimate)| Point {
        frequency_hz: *hertz,
        value_db: estimate.value,
        low_db: estimate.low,
        high_db: estimate.high,
    };
    let mut text = String::new();
    for spot in ranking.spots.iter().take(2).filter(|spot| spot.answers > 0) {
        let name = &state.room().spots[spot.spot].name;
        let points = state.notes_hz().iter().zip(&spot.curve_db).map(point).collect();
        let curve = Curve { label: name.clone(), points };
        let drawn = text_curve(&Curves { notes: Vec::new(), curves: vec![curve] }, COLUMNS, ROWS, glyphs);
        text += &format!(
            "\n{name}: each note against the mean of all, dB; the upright lines hold the truth 8 times in 10\n{drawn}"
        );
    }
    text
}

/// What the figures mean.
fn words(state: &State, ranking: &Ranking) -> String {
    let mut lines = vec![String::new()];
    lines.push(format!("Choosing the first now costs {:.1} dB of evenness on average.", ranking.expected_regret_db));
    if !ranking.deciding_notes.is_empty() {
        let notes: Vec<String> = ranking
            .deciding_notes
            .iter()
            .map(|&note| format!("{} ({:.0} Hz)", state.note_name(note), state.notes_hz()[note]))
            .collect();
        lines.push(format!("The first two differ most surely at {}.", notes.join(", ")));
    }
    lines.push(match &ranking.advice {
        Advice::Stop { why } => format!("Nothing more to hear: {why}."),
        Advice::Rate { spot, notes, why } | Advice::Meter { spot, notes, why } => format!(
            "Five more minutes would lower that by about {:.2} dB; first to hear: {}, {} notes, because {why}.",
            ranking.five_minutes_db,
            state.room().spots[*spot].name,
            notes.len(),
        ),
    });
    lines.extend(ranking.listener.advice.iter().cloned());
    lines.extend(ranking.caveats.iter().cloned());
    lines.join("\n") + "\n"
}

fn with_doubt(estimate: &Estimate) -> String {
    format!("{:.1} ({:.1} to {:.1})", estimate.value, estimate.low, estimate.high)
}

fn tenths(probability: f64) -> String {
    match (probability * 10.0).round() {
        0.0 => "under 1".into(),
        10.0 => "over 9".into(),
        tenths => format!("about {tenths}"),
    }
}
