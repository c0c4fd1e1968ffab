//! What a wide screen shows beside the question, for whoever sits on the sofa: plan, curves, ranking and what was
//! answered.

use serde::Serialize;

use crate::draw::{Curve, Curves, Point, curves};
use crate::faces::handset::floor::{self, PAGE};
use crate::faces::words;
use crate::view::{SpotBelief, View};

/// Lines in the picture of the curves: the leader and the next.
const CURVES: usize = 2;

/// Everything beside the question.
#[derive(Debug, Serialize)]
pub(super) struct Desk {
    /// The leader's curve and the next one's, once there is a verdict.
    curves: Option<String>,
    /// The larger plan.
    plan: Option<String>,
    /// What cannot be said, in words.
    caveats: Vec<String>,
    /// What was taken since the program started, newest first.
    log: Vec<Logged>,
}

/// An answer that was taken.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Logged {
    /// The question, where the answer alone would say nothing.
    pub asked: Option<String>,
    pub taken: String,
}

/// One spot of the ranking.
#[derive(Debug, Serialize)]
pub(super) struct Row {
    spot: String,
    spread: String,
    odds: String,
}

/// The spots that were heard, the judge's first; empty before the verdict.
pub(super) fn rows(view: &View) -> Vec<Row> {
    heard(view)
        .map(|belief| Row {
            spot: words::spot_name(view, belief.spot),
            spread: words::doubtful_db(belief.spread_db),
            odds: words::odds(belief.probability_best),
        })
        .collect()
}

fn heard(view: &View) -> impl Iterator<Item = &SpotBelief> {
    view.ranking.iter().flat_map(|ranking| &ranking.spots).filter(|belief| belief.answers > 0)
}

/// The desk of a view.
pub(super) fn desk(view: &View, log: Vec<Logged>) -> Desk {
    let notes = view.notes_hz.iter().copied().zip(view.note_names.iter().cloned()).collect();
    let drawn = Curves { notes, curves: heard(view).take(CURVES).map(|belief| curve(view, belief)).collect() };
    Desk {
        curves: curves::svg(&drawn, 430.0, 280.0, &PAGE)
            .filter(|_| view.ranking.is_some())
            .map(floor::styled_by_the_page),
        plan: floor::plan(view, [400.0, 340.0]),
        caveats: view.ranking.as_ref().map(|ranking| ranking.caveats.clone()).unwrap_or_default(),
        log,
    }
}

fn curve(view: &View, belief: &SpotBelief) -> Curve {
    let points = view.notes_hz.iter().zip(&belief.curve_db).map(|(&frequency_hz, estimate)| Point {
        frequency_hz,
        value_db: estimate.value,
        low_db: estimate.low,
        high_db: estimate.high,
    });
    Curve { label: words::spot_name(view, belief.spot), points: points.collect() }
}
