//! Listeners from careful to poor and what the curves may be like, weighed by how well they explain the answers.

use crate::judge::posterior::{Fit, Listener, Problem};
use crate::judge::prior::FieldPrior;

/// A fit, the prior it stands on, and its weight.
#[derive(Debug, Clone)]
pub struct Weighed<'a> {
    /// What the curves were believed to be before.
    pub prior: &'a FieldPrior,
    /// What is believed now.
    pub fit: Fit,
    /// Its share, 0 ..= 1.
    pub weight: f64,
}

/// The candidates for how well somebody listens, with the logarithm of their prior weight.
fn listeners() -> Vec<(Listener, f64)> {
    let mut found = Vec::new();
    for k in -2..=2 {
        let u = 0.35 * f64::from(k);
        let listener = Listener {
            noise_db: 1.5 * libm::exp(u),
            drift_db: 1.0 * libm::exp(1.3 * u),
            contour_db: 1.5 * libm::exp(0.9 * u),
        };
        found.push((listener, -0.5 * (u / 0.5) * (u / 0.5)));
    }
    found
}

/// Fits the candidate listeners with the likeliest prior and the priors with the likeliest listener, and weighs them
/// all by the evidence.
pub fn weigh<'a>(problem: &Problem, priors: &'a [(FieldPrior, f64)]) -> Vec<Weighed<'a>> {
    let candidates = listeners();
    let middle = candidates.len() / 2;
    let mut by_prior: Vec<Weighed> = Vec::new();
    for (prior, log_weight) in priors {
        let fit = problem.fit(prior, candidates[middle].0, by_prior.last().map(|last| &last.fit.settled), true);
        let log_weight = fit.log_evidence + log_weight + candidates[middle].1;
        by_prior.push(Weighed { prior, fit, weight: log_weight });
    }
    let likeliest = (0..priors.len()).max_by(|&a, &b| by_prior[a].weight.total_cmp(&by_prior[b].weight)).unwrap_or(0);
    let room_shares = shares(&by_prior.iter().map(|f| f.weight).collect::<Vec<_>>());
    let prior = &priors[likeliest].0;
    let mut by_listener: Vec<Option<Weighed>> = vec![None; candidates.len()];
    by_listener[middle] = Some(Weighed {
        weight: by_prior[likeliest].fit.log_evidence + candidates[middle].1,
        ..by_prior[likeliest].clone()
    });
    // Outwards from the middle, so that each begins where its neighbour ended.
    let outwards = (middle + 1..candidates.len()).map(|k| (k, k - 1)).chain((0..middle).rev().map(|k| (k, k + 1)));
    for (k, neighbour) in outwards {
        let most = by_listener.iter().flatten().map(|l| l.weight).fold(f64::NEG_INFINITY, f64::max);
        // Beyond a neighbour that is hardly possible nobody need be looked for.
        let Some(start) = by_listener[neighbour].as_ref().filter(|n| n.weight > most - 5.0).map(|n| &n.fit.settled)
        else {
            continue;
        };
        let (listener, log_weight) = candidates[k];
        let fit = problem.fit(prior, listener, Some(start), false);
        by_listener[k] = Some(Weighed { prior, weight: fit.log_evidence + log_weight, fit });
    }
    let mut found: Vec<Weighed> = by_listener.into_iter().flatten().collect();
    let listener_shares = shares(&found.iter().map(|f| f.weight).collect::<Vec<_>>());
    // Listener and room are taken as independent given the answers: the other priors stand with the middle listener.
    for (fit, share) in found.iter_mut().zip(&listener_shares) {
        fit.weight = share * room_shares[likeliest];
    }
    for (k, (mut other, share)) in by_prior.into_iter().zip(&room_shares).enumerate() {
        if k != likeliest && *share > 1e-3 {
            other.weight = *share;
            found.push(other);
        }
    }
    found
}

/// Weights that sum to 1 from their logarithms.
fn shares(logs: &[f64]) -> Vec<f64> {
    let most = logs.iter().copied().filter(|x| x.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let raw: Vec<f64> = logs.iter().map(|x| if x.is_finite() { libm::exp(x - most) } else { 0.0 }).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|x| if sum > 0.0 { x / sum } else { 1.0 / logs.len() as f64 }).collect()
}
