//! The evidence for other programs: CSV and JSON, both described in `docs/evidence.schema.json`.

use serde::Serialize;

use crate::evidence::{Evidence, Heard};
use crate::judge::{Estimate, ListenerReport, SpotBelief};
use crate::report::blend::BlendFacts;
use crate::report::facts::Facts;
use crate::routine::shoot_out::Comparison;

/// Raised whenever an older reader could misunderstand a newer export.
pub const EXPORT_VERSION: u32 = 1;

/// What is exported of a visit.
#[derive(Debug, Serialize)]
struct Export<'a> {
    format: &'static str,
    version: u32,
    visit: Visit<'a>,
    seats: Vec<Place>,
    spots: Vec<Place>,
    notes: Vec<Note<'a>>,
    evidence: Vec<Answer<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    comparisons: Vec<Compared>,
    ranking: Ranking<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    blend: Option<&'a BlendFacts>,
}

#[derive(Debug, Serialize)]
struct Visit<'a> {
    name: &'a str,
    file: &'a str,
    program: &'a str,
    begun: String,
    ended: String,
    seed: u64,
    loudness_phon: f64,
    rehearsal: bool,
    finished: bool,
}

#[derive(Debug, Serialize)]
struct Place {
    name: String,
    at_m: Option<[f64; 3]>,
}

#[derive(Debug, Serialize)]
struct Note<'a> {
    frequency_hz: f64,
    name: &'a str,
    half_width_octaves: f64,
    level_dbfs: Option<f64>,
    shortfall_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct Answer<'a> {
    answer: usize,
    stay: usize,
    seat: String,
    spot: String,
    frequency_hz: f64,
    note: &'a str,
    kind: &'static str,
    value: f64,
    unit: &'static str,
    shortfall_db: f64,
    rattles: bool,
}

#[derive(Debug, Serialize)]
struct Compared {
    before: String,
    after: String,
    more_even: Option<String>,
    blind: bool,
}

#[derive(Debug, Serialize)]
struct Ranking<'a> {
    chosen: Option<String>,
    expected_regret_db: f64,
    five_minutes_db: f64,
    deciding_hz: Vec<f64>,
    listener: &'a ListenerReport,
    caveats: &'a [String],
    spots: Vec<Spot>,
}

#[derive(Debug, Serialize)]
struct Spot {
    spot: String,
    answers: usize,
    spread_db: Estimate,
    probability_best: f64,
    worst_peak: Extreme,
    worst_hole: Extreme,
    curve_db: Vec<Estimate>,
}

#[derive(Debug, Serialize)]
struct Extreme {
    frequency_hz: f64,
    deviation_db: Estimate,
}

/// The evidence and the ranking as JSON.
/// # Errors
/// None in practice: all of it can be written as JSON. Figures that are not finite become `null`.
pub fn evidence_json(facts: &Facts) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(&export(facts))?;
    text.push('\n');
    Ok(text)
}

fn export(facts: &Facts) -> Export<'_> {
    let places = |places: &[crate::room::Place]| {
        places.iter().map(|place| Place { name: place.name.clone(), at_m: place.at_m }).collect()
    };
    Export {
        format: "evenbass-evidence",
        version: EXPORT_VERSION,
        visit: visit(facts),
        seats: places(&facts.room.seats),
        spots: places(&facts.room.spots),
        notes: (0..facts.notes_hz.len()).map(|note| note_of(facts, note)).collect(),
        evidence: facts.evidence.iter().enumerate().map(|(index, evidence)| answer(facts, index, evidence)).collect(),
        comparisons: facts.comparisons.iter().map(|comparison| compared(facts, comparison)).collect(),
        ranking: Ranking {
            chosen: facts.chosen.map(|spot| facts.spot_name(spot)),
            expected_regret_db: facts.ranking.expected_regret_db,
            five_minutes_db: facts.ranking.five_minutes_db,
            deciding_hz: facts.ranking.deciding_notes.iter().map(|&note| frequency_of(facts, note)).collect(),
            listener: &facts.ranking.listener,
            caveats: &facts.ranking.caveats,
            spots: facts.ranking.spots.iter().map(|belief| spot(facts, belief)).collect(),
        },
        blend: facts.blend.as_ref(),
    }
}

fn compared(facts: &Facts, comparison: &Comparison) -> Compared {
    Compared {
        before: facts.spot_name(comparison.before),
        after: facts.spot_name(comparison.after),
        more_even: comparison.more_even.map(|spot| facts.spot_name(spot)),
        blind: comparison.blind,
    }
}

fn visit(facts: &Facts) -> Visit<'_> {
    Visit {
        name: &facts.brief.name,
        file: &facts.visit_file,
        program: &facts.program,
        begun: facts.started.to_string(),
        ended: facts.ended.to_string(),
        seed: facts.brief.seed,
        loudness_phon: facts.brief.loudness_phon,
        rehearsal: facts.brief.rehearsal,
        finished: facts.finished,
    }
}

fn note_of(facts: &Facts, note: usize) -> Note<'_> {
    let level = facts.levels.iter().find(|level| level.note == note);
    Note {
        frequency_hz: facts.notes_hz[note],
        name: facts.note_name(note),
        half_width_octaves: facts.half_width_octaves,
        level_dbfs: level.map(|level| level.level.dbfs()),
        shortfall_db: level.map(|level| level.shortfall_db),
    }
}

fn answer<'a>(facts: &'a Facts, index: usize, evidence: &Evidence) -> Answer<'a> {
    let (kind, value, unit) = match evidence.heard {
        Heard::Rating { rating } => ("rating", f64::from(rating.step()), "steps"),
        Heard::Match { offset_db } => ("match", offset_db, "dB"),
        Heard::Meter { level_db_spl } => ("meter", level_db_spl, "dB SPL"),
        Heard::Microphone { level_db } => ("microphone", level_db, "dB"),
    };
    Answer {
        answer: index + 1,
        stay: evidence.stay + 1,
        seat: facts.seat_name(evidence.seat),
        spot: facts.spot_name(evidence.spot),
        frequency_hz: frequency_of(facts, evidence.note),
        note: facts.note_name(evidence.note),
        kind,
        value,
        unit,
        shortfall_db: evidence.shortfall_db,
        rattles: evidence.rattles,
    }
}

fn frequency_of(facts: &Facts, note: usize) -> f64 {
    facts.notes_hz.get(note).copied().unwrap_or(f64::NAN)
}

fn spot(facts: &Facts, belief: &SpotBelief) -> Spot {
    let extreme =
        |(note, deviation_db): (usize, Estimate)| Extreme { frequency_hz: frequency_of(facts, note), deviation_db };
    Spot {
        spot: facts.spot_name(belief.spot),
        answers: belief.answers,
        spread_db: belief.spread_db,
        probability_best: belief.probability_best,
        worst_peak: extreme(belief.worst_peak),
        worst_hole: extreme(belief.worst_hole),
        curve_db: belief.curve_db.clone(),
    }
}

/// One line an answer, after a line of column names; lines that begin with `#` are remarks.
pub fn evidence_csv(facts: &Facts) -> String {
    let kind = if facts.brief.rehearsal { "a rehearsal with a simulated listener" } else { "a visit" };
    let mut text = format!("# evenbass evidence, version {EXPORT_VERSION}, of {kind} begun {}\n", facts.started);
    text.push_str("answer,stay,seat,spot,frequency_hz,note,kind,value,unit,shortfall_db,rattles\n");
    for (index, evidence) in facts.evidence.iter().enumerate() {
        let row = answer(facts, index, evidence);
        let fields = [
            row.answer.to_string(),
            row.stay.to_string(),
            row.seat,
            row.spot,
            row.frequency_hz.to_string(),
            row.note.to_owned(),
            row.kind.to_owned(),
            row.value.to_string(),
            row.unit.to_owned(),
            row.shortfall_db.to_string(),
            row.rattles.to_string(),
        ];
        text.push_str(&fields.map(|field| quoted(&field)).join(","));
        text.push('\n');
    }
    text
}

/// RFC 4180: quoted where it must be, quotes doubled. A leading `#` is quoted too, so that no row is taken for a
/// remark.
fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) || field.starts_with(['#', ' ']) || field.ends_with(' ') {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}
