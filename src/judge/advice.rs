//! Which stay would help most per minute, and when to stop.

use nalgebra::DMatrix;

use crate::evidence::{Evidence, Heard};
use crate::judge::arrow::Marginals;
use crate::judge::belief::Belief;
use crate::judge::posterior::Fit;
use crate::judge::prior::FieldPrior;
use crate::judge::weighing::Weighed;
use crate::judge::worth::{Lesson, Means, lesson};
use crate::judge::{Advice, Case, decision};
use crate::random::Random;
use crate::stats::normal;

/// Below this expected regret another stay is not worth walking, dB: where the time was limited beforehand, and where
/// it was not.
const ENOUGH_DB: f64 = 0.02;
const GOOD_ENOUGH_DB: f64 = 0.2;
/// Sets the stream of random numbers that orders the notes apart from all others.
const NOTE_ORDER: u64 = 0x6e_6f_74_65 << 32;
const FIVE_MINUTES_S: f64 = 300.0;
/// A stay that is expected to gain less than this over the time that is left would not help, dB.
const NO_HELP_DB: f64 = 0.0003;
/// So many rounds of notes at a spot tell what their noise lets expect (a rule of thumb).
const ROUNDS_THAT_TELL: f64 = 2.0;
/// A stay hears at least this many notes, or all that there are.
const PART_OF_A_STAY: usize = 8;
/// The same where notes are matched and the time is short: each takes several times as long as a rating, and eight of
/// them may leave none for a second spot (a rule of thumb).
pub const LEAST_OF_A_MATCHED_STAY: usize = 4;
/// A first spot that is matched takes no more than this share of the time: less than half, since first matches often
/// take longer than expected (a rule of thumb).
const FIRST_SHARE: f64 = 0.4;
/// More spots than this are not worth carrying the meter to.
const MOST_METERED: usize = 3;
/// The meter comes out when the best few hold this probability.
const METER_WHEN: f64 = 0.85;

/// The next step for somebody who hears for a seat, and what it gains a second (dB).
pub fn next(case: &Case, belief: &Belief, seat: usize, leader: usize, expected_regret_db: f64) -> (Advice, f64) {
    let prior = belief.prior;
    if case.room.spots.is_empty() || case.notes_hz.len() != prior.notes {
        return (Advice::Stop { why: "there is nothing to choose from".to_owned() }, 0.0);
    }
    let heard = answers_by_spot(case, prior);
    if prior.spots < 2 && heard[0] > 0 {
        return (Advice::Stop { why: "there is only one spot".to_owned() }, 0.0);
    }
    let enough_db = if case.seconds_left.is_some() { ENOUGH_DB } else { GOOD_ENOUGH_DB };
    if expected_regret_db < enough_db && heard.iter().any(|&h| h > 0) {
        return (
            Advice::Stop { why: "no other spot is likely to be more even by anything that could be heard".to_owned() },
            0.0,
        );
    }
    let Some(Stay { spot, notes, metered, gain_per_s }) = best_stay(case, belief, seat) else {
        return (Advice::Stop { why: stop_for_time(expected_regret_db) }, 0.0);
    };
    let left_s = case.seconds_left.filter(|s| s.is_finite()).unwrap_or(FIVE_MINUTES_S);
    if gain_per_s * left_s < NO_HELP_DB && heard.iter().any(|&h| h > 0) {
        return (
            Advice::Stop { why: "nothing that could still be heard is likely to change the choice".to_owned() },
            0.0,
        );
    }
    if metered {
        let why = "it is among the leaders, and the meter settles what ears leave open".to_owned();
        return (Advice::Meter { spot, notes: shuffled(case, notes), why }, gain_per_s);
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
    (Advice::Rate { spot, notes: shuffled(case, notes), why }, gain_per_s)
}

/// What five more minutes would gain, dB: to first order five minutes of the best stay, which gains so much a second if
/// there is time for it.
pub fn five_minutes_db(case: &Case, belief: &Belief, seat: usize, gain_per_s: f64) -> f64 {
    let more = Case { seconds_left: Some(FIVE_MINUTES_S), ..case.clone() };
    let per_s =
        if gain_per_s > 0.0 { gain_per_s } else { best_stay(&more, belief, seat).map_or(0.0, |stay| stay.gain_per_s) };
    FIVE_MINUTES_S * per_s
}

fn answers_by_spot(case: &Case, prior: &FieldPrior) -> Vec<usize> {
    let count = |spot| case.evidence.iter().filter(|e| e.spot == spot && e.note < prior.notes).count();
    (0..prior.spots).map(count).collect()
}

fn stop_for_time(expected_regret_db: f64) -> String {
    if expected_regret_db < GOOD_ENOUGH_DB {
        "the time is up, and the leader is good enough".to_owned()
    } else {
        format!("the time is up; another spot may be more even, by {expected_regret_db:.1} dB on average")
    }
}

/// A stay that could come next.
#[derive(Debug, Clone)]
struct Stay {
    spot: usize,
    notes: Vec<usize>,
    /// With the meter instead of ears.
    metered: bool,
    /// By how much the expected spread at the spot finally chosen falls, dB a second.
    gain_per_s: f64,
}

/// What stays are weighed with.
struct Scales<'a> {
    case: &'a Case<'a>,
    belief: &'a Belief<'a>,
    /// The likeliest fit.
    fit: &'a Fit,
    prior: &'a FieldPrior,
    marginals: Marginals,
    means: Vec<f64>,
    covariance: DMatrix<f64>,
    /// The seat for which the answers are given.
    seat: usize,
    /// Answers for it so far, by spot.
    heard: Vec<usize>,
}

impl<'a> Scales<'a> {
    fn new(case: &'a Case, belief: &'a Belief, seat: usize) -> Option<Self> {
        let Weighed { prior, fit, .. } = belief.fits.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
        Some(Self {
            case,
            belief,
            fit,
            prior,
            marginals: fit.factored.marginals(),
            means: decision::means(&belief.draws.spread_db),
            covariance: decision::covariance(&belief.draws.spread_db),
            seat,
            heard: answers_by_spot(case, prior),
        })
    }

    /// How many spots were heard so far.
    fn spots_heard(&self) -> usize {
        self.heard.iter().filter(|&&heard| heard > 0).count()
    }

    fn lesson(&self, spot: usize, means: Means, counts: &[usize]) -> Lesson {
        let pair = self.seat * self.prior.spots + spot;
        lesson(&self.belief.problem, self.prior, self.fit, &self.marginals, pair, means, counts)
    }

    /// By how much the smallest expected spread falls on average when this share of the doubt about a spot goes. What
    /// two rounds of answers have left open there is hardly chance any more (a note off the scale, the listener's own
    /// scale), and more of the same would leave it open too: the share then falls with the square of the answers.
    fn worth(&self, spot: usize, share: f64) -> f64 {
        let rounds = self.heard[spot] as f64 / self.prior.notes.max(1) as f64;
        let share = share * (ROUNDS_THAT_TELL / rounds.max(ROUNDS_THAT_TELL)).powi(2);
        let own = libm::sqrt(self.covariance[(spot, spot)].max(1e-9));
        let pull: Vec<f64> = self.covariance.column(spot).iter().map(|c| c * libm::sqrt(share) / own).collect();
        gain(&self.means, &pull)
    }

    /// Stays at a spot that fit into the time, with ears and with the meter.
    fn stays(&self, spot: usize, meter: &MeterPlan, left_s: f64) -> Vec<Stay> {
        let (notes, pace) = (self.prior.notes, self.case.pace);
        let travel_s = if self.case.at_spot == Some(spot) { 0.0 } else { seconds(pace.move_s) };
        let mut found = Vec::new();
        let by_meter_s = travel_s + notes as f64 * seconds(pace.meter_s);
        if meter.candidates.contains(&spot) && by_meter_s <= left_s {
            let lesson = self.lesson(spot, Means::Meter, &[notes]);
            let gain_per_s = self.worth(spot, lesson.share[notes]) / by_meter_s;
            found.push(Stay { spot, notes: lesson.notes, metered: true, gain_per_s });
        }
        let fitting = ((left_s - meter.reserved_s - travel_s) / seconds(pace.rating_s) + 1e-9).max(0.0) as usize;
        // A choice takes two spots: a first one that is matched leaves time for another.
        let share_s = if self.spots_heard() == 0 { FIRST_SHARE * left_s } else { left_s };
        let most_here = ((share_s - meter.reserved_s - travel_s) / seconds(pace.rating_s) + 1e-9).max(0.0) as usize;
        let part = match self.case.matching {
            true => most_here.clamp(LEAST_OF_A_MATCHED_STAY, PART_OF_A_STAY),
            false => PART_OF_A_STAY,
        };
        let part = part.min(notes);
        if fitting < part || meter.read.contains(&spot) {
            return found;
        }
        let most = if self.case.matching { most_here.max(part) } else { fitting };
        let counts = [part, (3 * part / 2).min(notes), notes.min(fitting).min(most)];
        let lesson = self.lesson(spot, Means::Ears, &counts);
        for count in counts {
            if (part..=fitting.min(most)).contains(&count) {
                let takes_s = travel_s + count as f64 * seconds(pace.rating_s);
                let gain_per_s = self.worth(spot, lesson.share[count]) / takes_s;
                found.push(Stay { spot, notes: lesson.notes[..count].to_vec(), metered: false, gain_per_s });
            }
        }
        found
    }
}

/// The stay with the largest gain per second that fits into the time left.
fn best_stay(case: &Case, belief: &Belief, seat: usize) -> Option<Stay> {
    let scales = Scales::new(case, belief, seat)?;
    let meter = MeterPlan::of(case, belief);
    let left_s = case.seconds_left.map_or(f64::INFINITY, |s| if s.is_nan() { 0.0 } else { s });
    // A spot that is not on the walk cannot be visited.
    let open = case.walk.iter().copied().filter(|&spot| spot < scales.prior.spots);
    let mut stays: Vec<Stay> = open.flat_map(|spot| scales.stays(spot, &meter, left_s)).collect();
    let elsewhere = |stay: &Stay| scales.heard[stay.spot] == 0;
    if case.matching && scales.spots_heard() == 1 && stays.iter().any(elsewhere) {
        // Matches are slow: before a second spot was heard, more from the first one may use up the time.
        stays.retain(elsewhere);
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

/// By how much the smallest of some means falls on average when one normal number pulls them all: exact, as the
/// smallest of some straight lines is made of pieces of them (Frazier, Powell and Dayanik, INFORMS J. Computing 21,
/// 2009).
fn gain(means: &[f64], pull: &[f64]) -> f64 {
    let mut lines: Vec<(f64, f64)> = pull.iter().copied().zip(means.iter().copied()).collect();
    // The steepest line is the lowest far to the left.
    lines.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    lines.dedup_by(|later, earlier| later.0 == earlier.0);
    let mut lowest: Vec<(f64, f64, f64)> = Vec::new();
    for (slope, height) in lines {
        let mut from = f64::NEG_INFINITY;
        while let Some(&(before, level, began)) = lowest.last() {
            from = (height - level) / (before - slope);
            if from > began {
                break;
            }
            lowest.pop();
            from = f64::NEG_INFINITY;
        }
        lowest.push((slope, height, from));
    }
    let ends = lowest.iter().skip(1).map(|line| line.2).chain([f64::INFINITY]);
    let pieces = lowest.iter().zip(ends).map(|(&(slope, height, from), to)| {
        height * normal::interval(from, to) + slope * (normal::density(from) - normal::density(to))
    });
    let smallest = means.iter().copied().fold(f64::INFINITY, f64::min);
    (smallest - pieces.sum::<f64>()).max(0.0)
}

/// The same notes in random order, so that none is always heard after the same one.
fn shuffled(case: &Case, mut notes: Vec<usize>) -> Vec<usize> {
    Random::new(case.seed, NOTE_ORDER + case.evidence.len() as u64).shuffle(&mut notes);
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gain_is_what_a_fine_sum_over_the_normal_number_gives() {
        let cases: [(&[f64], &[f64]); 5] = [
            (&[3.0, 3.2, 4.0, 6.0], &[0.1, 0.8, -0.3, 0.2]),
            (&[3.0, 3.0], &[0.5, 0.5]),
            (&[2.0, 5.0], &[0.0, 0.9]),
            (&[4.0], &[1.0]),
            (&[3.0, 3.1, 3.2, 3.3, 3.4], &[1.0, 0.0, -1.0, 0.5, -0.2]),
        ];
        for (means, pull) in cases {
            let step = 1e-3;
            let sum: f64 = (-8000..=8000)
                .map(|k| {
                    let z = f64::from(k) * step;
                    let low = means.iter().zip(pull).map(|(m, p)| m + p * z).fold(f64::INFINITY, f64::min);
                    step * normal::density(z) * low
                })
                .sum();
            let smallest = means.iter().copied().fold(f64::INFINITY, f64::min);
            assert!((gain(means, pull) - (smallest - sum)).abs() < 1e-5, "{means:?} {pull:?}");
        }
        // However far a spot lies behind, hearing it is worth more than nothing.
        assert!(gain(&[2.0, 5.0], &[0.0, 0.6]) > 0.0);
    }
}
