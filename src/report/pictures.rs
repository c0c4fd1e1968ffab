//! From the facts to what the pictures need.

use crate::draw::{Cell, Column, Curve, Curves, Note, Point, SpotsByNotes};
use crate::evidence::{Evidence, Heard};
use crate::judge::SpotBelief;
use crate::report::facts::Facts;
use crate::report::words;

/// What was heard, the spots in the judge's order.
pub fn spots_by_notes(facts: &Facts) -> SpotsByNotes {
    let notes = facts.notes_hz.iter().enumerate();
    let notes =
        notes.map(|(note, hertz)| Note { frequency_hz: *hertz, name: facts.note_name(note).to_owned() }).collect();
    let heard = facts.ranking.spots.iter().filter(|belief| belief.answers > 0);
    SpotsByNotes { notes, columns: heard.map(|belief| column(facts, belief)).collect() }
}

fn column(facts: &Facts, belief: &SpotBelief) -> Column {
    let here: Vec<&Evidence> = facts.evidence.iter().filter(|evidence| evidence.spot == belief.spot).collect();
    let cells = (0..facts.notes_hz.len()).map(|note| cell(&here, note)).collect();
    Column {
        name: facts.spot_name(belief.spot),
        under: format!("{} dB", words::decimal(belief.spread_db.value)),
        chosen: facts.chosen == Some(belief.spot),
        cells,
    }
}

fn cell(here: &[&Evidence], note: usize) -> Cell {
    let of_note = || here.iter().filter(|evidence| evidence.note == note);
    let steps = of_note().filter_map(|evidence| match evidence.heard {
        Heard::Rating { rating } => Some(rating.step()),
        _ => None,
    });
    let levels: Vec<f64> = of_note().filter_map(|evidence| relative_db(here, evidence)).collect();
    let level_db = (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64);
    Cell { steps: steps.collect(), level_db, rattles: of_note().any(|evidence| evidence.rattles) }
}

/// A measured level relative to the mean of those of its kind and stay, so that what the levels share (the meter's
/// scale, the volume) does not matter. The shortfall is added back: what the tone was played too low is not the room's
/// doing.
fn relative_db(here: &[&Evidence], evidence: &Evidence) -> Option<f64> {
    let own = level_db(evidence)?;
    if matches!(evidence.heard, Heard::Match { .. }) {
        return Some(own);
    }
    let kind = std::mem::discriminant(&evidence.heard);
    let alike: Vec<f64> = here
        .iter()
        .filter(|other| other.stay == evidence.stay && std::mem::discriminant(&other.heard) == kind)
        .filter_map(|other| level_db(other))
        .collect();
    Some(own - alike.iter().sum::<f64>() / alike.len() as f64)
}

fn level_db(evidence: &Evidence) -> Option<f64> {
    match evidence.heard {
        Heard::Rating { .. } => None,
        Heard::Match { offset_db } => Some(offset_db),
        Heard::Meter { level_db_spl: level_db } | Heard::Microphone { level_db } => {
            Some(level_db + evidence.shortfall_db)
        }
    }
}

/// The believed deviation from even at one spot, with its 80 % band; under it, thinner, the runner-up if it is asked
/// for.
pub fn curves(facts: &Facts, spots: &[usize]) -> Curves {
    let named = facts.notes_hz.iter().enumerate();
    let notes = named.map(|(note, hertz)| (*hertz, facts.note_name(note).to_owned())).collect();
    let beliefs = spots.iter().filter_map(|spot| facts.ranking.spots.iter().find(|belief| belief.spot == *spot));
    Curves { notes, curves: beliefs.map(|belief| curve(facts, belief)).collect() }
}

fn curve(facts: &Facts, belief: &SpotBelief) -> Curve {
    let point = |(hertz, estimate): (&f64, &crate::judge::Estimate)| Point {
        frequency_hz: *hertz,
        value_db: estimate.value,
        low_db: estimate.low,
        high_db: estimate.high,
    };
    Curve {
        label: facts.spot_name(belief.spot),
        points: facts.notes_hz.iter().zip(&belief.curve_db).map(point).collect(),
    }
}
