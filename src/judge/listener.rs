//! What the answers say about the person who gives them, in words that help.

use serde::{Deserialize, Serialize};

use crate::evidence::{Evidence, Heard};
use crate::judge::Estimate;
use crate::judge::weighing::Weighed;
use crate::stats::agreement;

/// Fewer repeats than this say nothing about consistency.
const FEWEST_REPEATS: usize = 8;
/// Below this agreement with themselves, answers hardly repeat (the band 'fair' ends here; Landis and Koch, Biometrics
/// 33, 1977).
const HARDLY_REPEATS: f64 = 0.4;
/// A noise above this is that of a poor listener, dB.
const NOISY_DB: f64 = 2.3;

/// The listener as the judge hears them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ListenerReport {
    /// Noise of one rating, dB.
    pub noise_db: Estimate,
    /// How far the idea of 'even' moves from stay to stay, standard deviation, dB.
    pub drift_db: Estimate,
    /// Agreement of repeated ratings (quadratically weighted kappa, 1 is perfect); `None` with too few repeats or
    /// nothing to disagree on.
    pub consistency: Option<f64>,
    /// How many pairs of ratings of the same note from the same spot there are.
    pub repeats: usize,
    /// What would help, kindly; empty if nothing is amiss.
    pub advice: Vec<String>,
}

/// Sums up the listener.
pub fn report(evidence: &[Evidence], fits: &[Weighed]) -> ListenerReport {
    let (first, second) = repeats(evidence);
    let enough = first.len() >= FEWEST_REPEATS;
    let consistency = if enough { agreement::weighted_kappa(&first, &second, 7, 2) } else { None };
    let noise_db = over(fits, |f| f.fit.listener.noise_db);
    let drift_db = over(fits, |f| f.fit.listener.drift_db);
    let words: Vec<usize> = evidence.iter().filter_map(word).collect();
    let mut advice = Vec::new();
    if words.len() >= 16 {
        let share = |low: usize, high: usize| {
            words.iter().filter(|w| (low..=high).contains(w)).count() as f64 / words.len() as f64
        };
        if share(4, 6) > 0.75 || share(0, 2) > 0.75 {
            let side = if share(4, 6) > 0.75 { "strong" } else { "weak" };
            advice.push(format!(
                "Nearly all answers are on the {side} side. Let the notes run by once more and take their middle as \
                 'even'; the ranking allows for it."
            ));
        }
        if (0..7).any(|w| share(w, w) > 0.85) {
            advice.push(
                "Nearly all answers are the same word. Use the whole scale: listen to the anchors again.".to_owned(),
            );
        }
    }
    if consistency.is_some_and(|k| k < HARDLY_REPEATS) || noise_db.value > NOISY_DB {
        advice.push(
            "The same note gets rather different answers. A short rest, the anchors once more, and a quieter room \
             help; the promise is wider until then."
                .to_owned(),
        );
    }
    if drift_db.value > 1.9 {
        advice.push("'Even' moves from stay to stay. Wait for the notes to run by before the first answer.".to_owned());
    }
    ListenerReport { noise_db, drift_db, consistency, repeats: first.len(), advice }
}

fn word(e: &Evidence) -> Option<usize> {
    if let Heard::Rating { rating } = e.heard { Some(rating.index()) } else { None }
}

/// Ratings of the same note from the same spot at the same seat, each with the one before it.
fn repeats(evidence: &[Evidence]) -> (Vec<usize>, Vec<usize>) {
    let (mut first, mut second) = (Vec::new(), Vec::new());
    for (i, later) in evidence.iter().enumerate() {
        let same =
            |e: &&Evidence| e.note == later.note && e.spot == later.spot && e.seat == later.seat && word(e).is_some();
        if let (Some(b), Some(a)) = (word(later), evidence[..i].iter().rev().find(same).and_then(word)) {
            first.push(a);
            second.push(b);
        }
    }
    (first, second)
}

/// Weighted mean and outer values over the candidate listeners.
fn over(fits: &[Weighed], value: impl Fn(&Weighed) -> f64) -> Estimate {
    let mut found: Vec<(f64, f64)> = fits.iter().map(|f| (value(f), f.weight)).collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at = |share: f64| {
        let mut sum = 0.0;
        found.iter().find(|(_, w)| {
            sum += w;
            sum >= share
        })
    };
    let middle = found.iter().map(|(v, w)| v * w).sum();
    let end = |share: f64| at(share).or(found.last()).map_or(middle, |x| x.0);
    Estimate { value: middle, low: end(0.1).min(middle), high: end(0.9).max(middle) }
}
