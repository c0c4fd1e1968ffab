//! Which stay would help most per minute, and when to stop.

use crate::evidence::{Evidence, Heard};
use crate::judge::ranking::Belief;
use crate::judge::{Advice, Case, decision};
use crate::stats::gaussian::NormalDraws;
use crate::stats::normal;

/// Below this expected regret another stay is not worth walking, dB.
const ENOUGH_DB: f64 = 0.05;
/// A stay hears at least this many notes, or all that there are.
const PART_OF_A_STAY: usize = 8;
/// How many notes say as much about a spot's spread as is known before any is heard; found by driving simulated visits.
const KNOWN_BEFORE_NOTES: f64 = 4.0;
/// More spots than this are not worth carrying the meter to.
const MOST_METERED: usize = 3;
/// The share of a spread's variance that reading the meter for all notes takes away.
const METER_TAKES: f64 = 0.9;
/// The meter comes out when the best few hold this probability.
const METER_WHEN: f64 = 0.85;

/// The next step, and what it gains a second (dB).
pub fn next(case: &Case, belief: &Belief, leader: usize, expected_regret_db: f64) -> (Advice, f64) {
    let prior = belief.prior;
    if case.room.spots.is_empty() || case.notes_hz.len() != prior.notes {
        return (Advice::Stop { why: "there is nothing to choose from".to_owned() }, 0.0);
    }
    let heard: Vec<usize> = (0..prior.spots)
        .map(|s| case.evidence.iter().filter(|e| e.spot == s && e.note < prior.notes).count())
        .collect();
    if prior.spots < 2 && heard[0] > 0 {
        return (Advice::Stop { why: "there is only one spot".to_owned() }, 0.0);
    }
    if expected_regret_db < ENOUGH_DB && heard.iter().any(|&h| h > 0) {
        return (
            Advice::Stop { why: "no other spot is likely to be more even by anything that could be heard".to_owned() },
            0.0,
        );
    }
    let Some(Stay { spot, notes, metered, gain_per_s }) = best_stay(case, belief, &heard) else {
        return (Advice::Stop { why: stop_for_time(expected_regret_db) }, 0.0);
    };
    if metered {
        let why = "it is among the leaders, and the meter settles what ears leave open".to_owned();
        return (Advice::Meter { spot, notes: (0..prior.notes).collect(), why }, gain_per_s);
    }
    let why = if heard[spot] == 0 {
        "nothing has been heard from here yet, and it may be the best".to_owned()
    } else if case.at_spot == Some(spot) {
        "a few more notes from here tell more than walking on".to_owned()
    } else if spot == leader {
        "it leads, and hearing it again makes that surer".to_owned()
    } else {
        "it may still be better than the leader".to_owned()
    };
    (Advice::Rate { spot, notes: least_heard(case, spot, notes), why }, gain_per_s)
}

fn stop_for_time(expected_regret_db: f64) -> String {
    if expected_regret_db < 0.2 {
        "the time is up, and the leader is good enough".to_owned()
    } else {
        format!("the time is up; another spot may be more even, by {expected_regret_db:.1} dB on average")
    }
}

/// A stay that could come next.
#[derive(Debug, Clone, Copy)]
struct Stay {
    spot: usize,
    notes: usize,
    /// With the meter instead of ears.
    metered: bool,
    /// By how much the expected spread at the spot finally chosen falls, dB a second.
    gain_per_s: f64,
}

/// The stay with the largest gain per second that fits into the time left.
fn best_stay(case: &Case, belief: &Belief, heard: &[usize]) -> Option<Stay> {
    let prior = belief.prior;
    let means = decision::means(&belief.draws.spread_db);
    let covariance = decision::covariance(&belief.draws.spread_db);
    let meter = MeterPlan::of(case, belief);
    let worth = |spot: usize, share: f64| {
        let own = libm::sqrt(covariance[(spot, spot)].max(1e-9));
        let pull: Vec<f64> = (0..prior.spots).map(|s| covariance[(s, spot)] * libm::sqrt(share) / own).collect();
        gain(&means, &pull)
    };
    let left = case.seconds_left.map_or(f64::INFINITY, |s| if s.is_nan() { 0.0 } else { s });
    let mut stays = Vec::new();
    // A spot that is not on the walk cannot be visited.
    for &spot in case.walk.iter().filter(|&&spot| spot < prior.spots) {
        let already = heard[spot];
        let travel = if case.at_spot == Some(spot) { 0.0 } else { seconds(case.pace.move_s) };
        let by_meter = travel + prior.notes as f64 * seconds(case.pace.meter_s);
        if meter.candidates.contains(&spot) && by_meter <= left {
            let gain_per_s = worth(spot, METER_TAKES) / by_meter;
            stays.push(Stay { spot, notes: prior.notes, metered: true, gain_per_s });
        }
        let fitting = ((left - meter.reserved_s - travel) / seconds(case.pace.rating_s) + 1e-9).max(0.0) as usize;
        let part = PART_OF_A_STAY.min(prior.notes);
        for notes in [part, prior.notes.min(fitting)] {
            if notes < part || notes > fitting || meter.read.contains(&spot) {
                continue;
            }
            let gain = worth(spot, learnt(notes as f64, already as f64));
            let gain_per_s = gain / (travel + notes as f64 * seconds(case.pace.rating_s));
            stays.push(Stay { spot, notes, metered: false, gain_per_s });
        }
    }
    // Where nothing speaks for one of them, the order of the walk does.
    let place = |spot: usize| case.walk.iter().position(|w| *w == spot).unwrap_or(usize::MAX);
    let metering = stays.iter().any(|s| s.metered) && (meter.settled || stays.iter().all(|s| s.metered));
    stays
        .into_iter()
        .filter(|s| s.metered == metering)
        .max_by(|a, b| a.gain_per_s.total_cmp(&b.gain_per_s).then(place(b.spot).cmp(&place(a.spot))))
}

fn seconds(given: f64) -> f64 {
    if given.is_finite() { given.max(0.1) } else { 1.0 }
}

/// What is to be done with the meter.
struct MeterPlan {
    /// Spots that were read already.
    read: Vec<usize>,
    /// Spots that may still be read, likeliest first.
    candidates: Vec<usize>,
    /// The leaders stand out far enough to begin.
    settled: bool,
    /// Time kept for the readings, s.
    reserved_s: f64,
}

impl MeterPlan {
    fn of(case: &Case, belief: &Belief) -> Self {
        let prior = belief.prior;
        let by_meter = |e: &&Evidence| matches!(e.heard, Heard::Meter { .. }) && e.spot < prior.spots;
        let mut read: Vec<usize> = case.evidence.iter().filter(by_meter).map(|e| e.spot).collect();
        read.sort_unstable();
        read.dedup();
        let best = decision::probability_smallest(&belief.draws.spread_db);
        let mut candidates: Vec<usize> = (0..prior.spots).filter(|s| !read.contains(s)).collect();
        candidates.sort_by(|&a, &b| best[b].total_cmp(&best[a]));
        candidates.truncate(if case.meter { MOST_METERED.saturating_sub(read.len()) } else { 0 });
        let held: f64 = candidates.iter().chain(&read).map(|&s| best[s]).sum();
        let each = seconds(case.pace.move_s) + prior.notes as f64 * seconds(case.pace.meter_s);
        let reserved_s = each * candidates.len() as f64;
        Self { settled: !read.is_empty() || held > METER_WHEN, read, candidates, reserved_s }
    }
}

/// The share of a spread's variance that some more notes take away, after some have been heard.
fn learnt(notes: f64, heard: f64) -> f64 {
    notes / (notes + heard + KNOWN_BEFORE_NOTES)
}

/// By how much the smallest of some means falls on average when one normal number pulls them all.
fn gain(means: &[f64], pull: &[f64]) -> f64 {
    const POINTS: usize = 24;
    let smallest = means.iter().copied().fold(f64::INFINITY, f64::min);
    let mut total = 0.0;
    for k in 0..POINTS {
        let z = normal::quantile((k as f64 + 0.5) / POINTS as f64);
        total += means.iter().zip(pull).map(|(m, p)| m + p * z).fold(f64::INFINITY, f64::min);
    }
    (smallest - total / POINTS as f64).max(0.0)
}

/// Notes of which least is known at a spot, in random order.
fn least_heard(case: &Case, spot: usize, take: usize) -> Vec<usize> {
    let count = case.notes_hz.len();
    let mut times = vec![0.0; count];
    for e in case.evidence.iter().filter(|e| e.spot == spot && e.note < count) {
        times[e.note] += 1.0;
    }
    let mut source = NormalDraws::new(case.seed.wrapping_add(0x51ED) ^ (case.evidence.len() as u64));
    let odd = source.uniform() < 0.5;
    let mut order: Vec<(f64, f64, usize)> = (0..count)
        .map(|n| (times[n] + if take < count && (n % 2 == 1) == odd { 0.5 } else { 0.0 }, source.uniform(), n))
        .collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut chosen: Vec<(f64, usize)> = order.into_iter().take(take).map(|(_, by_chance, n)| (by_chance, n)).collect();
    chosen.sort_by(|a, b| a.0.total_cmp(&b.0));
    chosen.into_iter().map(|(_, n)| n).collect()
}
