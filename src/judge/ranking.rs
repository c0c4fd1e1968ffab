//! The judge's answer put together: answers made ready, listeners weighed, spots compared, the next stay chosen.

use crate::acoustics::equal_loudness::relative_growth;
use crate::judge::answers::Answers;
use crate::judge::belief::Belief;
use crate::judge::prior::{self, FieldPrior};
use crate::judge::weighing::weigh;
use crate::judge::{Case, Ranking, ShootOut, SpotBelief};
use crate::judge::{advice, decision, listener};
use crate::room::ensemble::{Doubt, Draws, Ensemble};

const DRAWS: usize = 512;
/// Rooms drawn that the plan could stand for.
const PREDICTIONS: usize = 512;

/// What stays the same through a visit: the curves as believed before anything is heard.
#[derive(Debug, Clone)]
pub struct Judge {
    /// What the curves may be like, most trusting of the room model first, with the logarithm of each one's weight.
    priors: Vec<(FieldPrior, f64)>,
    growth: Vec<f64>,
    octave: Vec<f64>,
    usable: bool,
}

/// Growth of loudness with level, relative to 63 Hz (ISO 226:2023, at 60 phon; at the loudness levels of a visit it
/// hardly changes).
fn growth(frequency_hz: f64) -> f64 {
    let at = |hz: f64| relative_growth(hz.clamp(20.0, 12_500.0), 60.0).unwrap_or(1.0);
    at(frequency_hz) / at(63.0)
}

/// Judges a case from scratch. `Judge` keeps what need not be computed twice in one visit.
pub fn judge(case: &Case) -> Ranking {
    Judge::new(case).rank(case)
}

impl Judge {
    /// Prepares for a visit in this case's room with its notes and seats.
    pub fn new(case: &Case) -> Self {
        let usable = !case.notes_hz.is_empty()
            && !case.room.spots.is_empty()
            && case.notes_hz.iter().all(|f| f.is_finite() && *f > 0.0);
        let notes: &[f64] = if usable { case.notes_hz } else { &[50.0] };
        let (spots, seats) = (case.room.spots.len().max(1), case.seat_weights.len().max(1));
        let mut priors = predicted_priors(case, notes, spots, seats);
        priors.push((
            FieldPrior::unknown_room(notes, spots, seats),
            if priors.is_empty() { 0.0 } else { libm::log(0.1) },
        ));
        Self {
            priors,
            growth: notes.iter().map(|&f| growth(f)).collect(),
            octave: notes.iter().map(|&f| libm::log2(f)).collect(),
            usable,
        }
    }

    /// The ranking from all evidence so far.
    pub fn rank(&self, case: &Case) -> Ranking {
        self.rank_after(case, &[])
    }

    /// The ranking from all evidence so far and the comparisons of moved subwoofers made since.
    pub fn rank_after(&self, case: &Case, outcomes: &[ShootOut]) -> Ranking {
        self.rank_at(case, outcomes, None)
    }

    /// The same while one of several seats is being heard for: what has been heard for the others counts in the
    /// ranking, but does not stand for hearing a spot for this one.
    pub fn rank_at(&self, case: &Case, outcomes: &[ShootOut], seat: Option<usize>) -> Ranking {
        let first = &self.priors[0].0;
        let seat_weights = weights(case.seat_weights, first.seats);
        let made_ready = Answers::prepare(case.evidence, first, &self.growth);
        let problem = made_ready.problem(&self.growth, &self.octave);
        let fits = weigh(&problem, &self.priors);
        let mut draws = decision::draw(&problem, &fits, &seat_weights, DRAWS, case.seed);
        decision::heed(&mut draws, outcomes);
        let belief = Belief { prior: first, problem, fits, draws };
        self.report(case, &belief, seat)
    }

    fn report(&self, case: &Case, belief: &Belief, seat: Option<usize>) -> Ranking {
        let spread = &belief.draws.spread_db;
        let best = decision::probability_smallest(spread);
        let means = decision::means(spread);
        let mut order: Vec<usize> = (0..belief.prior.spots).collect();
        order.sort_by(|&a, &b| means[a].total_cmp(&means[b]));
        let leader = order[0];
        let expected_regret_db = decision::regret(spread, leader);
        let spots = order.iter().map(|&spot| self.spot_belief(case, belief, spot, best[spot])).collect();
        let for_seat =
            case.evidence.iter().filter(|e| seat.is_none_or(|seat| e.seat == seat)).copied().collect::<Vec<_>>();
        let heard_here = Case { evidence: &for_seat, ..case.clone() };
        let here = seat.unwrap_or_else(|| main_seat(case, belief)).min(belief.prior.seats - 1);
        let (advice, gain_per_s) = advice::next(&heard_here, belief, here, leader, expected_regret_db);
        Ranking {
            spots,
            expected_regret_db,
            five_minutes_db: advice::five_minutes_db(&heard_here, belief, here, gain_per_s).min(expected_regret_db),
            deciding_notes: deciding(belief, &order, main_seat(case, belief)),
            listener: listener::report(case.evidence, &belief.fits),
            caveats: self.caveats(case, belief),
            advice,
        }
    }

    /// What cannot be said.
    fn caveats(&self, case: &Case, belief: &Belief) -> Vec<String> {
        let mut found = Vec::new();
        let mut say = |condition: bool, words: &str| {
            if condition {
                found.push(words.to_owned());
            }
        };
        let used = belief.problem.answers.len();
        let unheard = (0..belief.prior.spots).filter(|s| case.evidence.iter().all(|e| e.spot != *s)).count();
        say(!self.usable, "There are no spots or no usable notes: nothing can be ranked.");
        say(
            used == 0,
            "Nothing has been heard yet: the order is what the room's shape suggests, or no more than a guess.",
        );
        say(
            used < case.evidence.len(),
            "Some answers name a note, spot or seat that is not in this visit, or no number; they were left out.",
        );
        say(belief.prior.spots == 1, "There is only one spot: nothing to compare.");
        say(belief.prior.notes < 8, "With fewer than eight notes, peaks and holes between them go unheard.");
        if used > 0 && unheard > 0 {
            found.push(format!(
                "{unheard} of {} spots were not heard; what is said of them is inferred.",
                belief.prior.spots
            ));
        }
        let first = belief.problem.answers.first().map(|a| a.says);
        let same = used > 8 && belief.problem.answers.iter().all(|a| Some(a.says) == first);
        if same {
            found.push("All answers are the same: they do not tell the spots apart.".to_owned());
        }
        if self.priors.len() > 1 {
            let by_room: f64 = belief.fits.iter().filter(|f| !f.prior.unknown_room).map(|f| f.weight).sum();
            if by_room < 0.5 && used > 0 {
                found.push(
                    "The answers do not agree with the room as measured; its shape is hardly counted.".to_owned(),
                );
            }
        }
        if case.evidence.iter().any(|e| e.rattles) {
            found.push(
                "Something rattled during some tones: what rattles may have been rated, not the bass.".to_owned(),
            );
        }
        if case.evidence.iter().any(|e| e.shortfall_db > 6.0) {
            found.push("Some notes could not be played at equal loudness; less is known about them.".to_owned());
        }
        found
    }

    fn spot_belief(&self, case: &Case, belief: &Belief, spot: usize, probability_best: f64) -> SpotBelief {
        let notes = belief.prior.notes;
        let field = &belief.draws.field_db;
        let mut curves = vec![Vec::with_capacity(field.ncols()); notes];
        for column in field.column_iter() {
            let at = column.rows((main_seat(case, belief) * belief.prior.spots + spot) * notes, notes);
            let mean = at.mean();
            for (note, curve) in curves.iter_mut().enumerate() {
                curve.push(at[note] - mean);
            }
        }
        let curve_db: Vec<_> = curves.iter_mut().map(|values| decision::estimate(values)).collect();
        let by = |a: &usize, b: &usize| curve_db[*a].value.total_cmp(&curve_db[*b].value);
        let peak = (0..notes).max_by(by).unwrap_or(0);
        let hole = (0..notes).min_by(by).unwrap_or(0);
        SpotBelief {
            spot,
            answers: case.evidence.iter().filter(|e| e.spot == spot).count(),
            spread_db: decision::estimate(&mut belief.draws.spread_db.column(spot).iter().copied().collect::<Vec<_>>()),
            probability_best,
            worst_peak: (peak, curve_db[peak]),
            worst_hole: (hole, curve_db[hole]),
            curve_db,
        }
    }

    /// Whether there is anything to judge at all.
    pub fn usable(&self) -> bool {
        self.usable
    }
}

/// The notes in which the first two spots differ most surely.
fn deciding(belief: &Belief, order: &[usize], seat: usize) -> Vec<usize> {
    let notes = belief.prior.notes;
    let (Some(&first), Some(&second)) = (order.first(), order.get(1)) else {
        return Vec::new();
    };
    let (first, second) = (seat * belief.prior.spots + first, seat * belief.prior.spots + second);
    let field = &belief.draws.field_db;
    let mut found: Vec<(f64, usize)> = (0..notes)
        .map(|n| {
            let apart: Vec<f64> =
                field.column_iter().map(|c| c[first * notes + n].abs() - c[second * notes + n].abs()).collect();
            let mean = apart.iter().sum::<f64>() / apart.len().max(1) as f64;
            let variance = apart.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / apart.len().max(1) as f64;
            (mean.abs() / libm::sqrt(variance + 0.1), n)
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().filter(|(sure, _)| *sure > 1.0).take(3).map(|(_, n)| n).collect()
}

/// The seat that counts most: its curves are shown.
fn main_seat(case: &Case, belief: &Belief) -> usize {
    let found = weights(case.seat_weights, belief.prior.seats);
    (0..found.len()).rev().max_by(|&a, &b| found[a].total_cmp(&found[b])).unwrap_or(0)
}

fn weights(given: &[f64], seats: usize) -> Vec<f64> {
    let mut found: Vec<f64> = given.iter().map(|w| if w.is_finite() && *w > 0.0 { *w } else { 0.0 }).collect();
    found.resize(seats, 0.0);
    if found.iter().sum::<f64>() <= 0.0 {
        found[0] = 1.0;
    }
    found
}

/// How far the room may be from a bare box, the share of the usual variation that the model then misses, and the weight
/// of that belief.
fn disagreements() -> [(Doubt, f64, f64); 4] {
    let usual = Doubt::default();
    let bare = Doubt { frequency: 0.004, damping_log: 0.1, shape: 0.03, ..usual };
    let furnished = Doubt { frequency: 0.02, damping_log: 0.3, shape: 0.3, ..usual };
    [(bare, 0.15, 0.25), (bare, 0.35, 0.2), (furnished, 0.3, 0.25), (furnished, 0.6, 0.2)]
}

/// What the room model predicts, with more and more doubt.
fn predicted_priors(case: &Case, notes: &[f64], spots: usize, seats: usize) -> Vec<(FieldPrior, f64)> {
    let points: Vec<f64> = notes.iter().copied().chain(prior::evaluation_grid(notes)).collect();
    let half_width = case.half_width_octaves.max(1.0 / 12.0);
    let mut found = Vec::new();
    let mut last: Option<(Doubt, Vec<Option<Draws>>)> = None;
    for (doubt, residual, weight) in disagreements() {
        if last.as_ref().is_none_or(|(same, _)| *same != doubt) {
            let ensemble = Ensemble::new(case.room, &points, half_width, doubt);
            let levels = |seat| ensemble.as_ref().and_then(|e| e.levels(seat, PREDICTIONS, case.seed));
            last = Some((doubt, (0..seats).map(levels).collect()));
        }
        if let Some((_, predictions)) = &last
            && predictions.iter().any(Option::is_some)
        {
            found.push((FieldPrior::predicted(notes, predictions, spots, residual), libm::log(weight)));
        }
    }
    found
}
