//! What the answers so far say about mains and subwoofer at the seat.
//!
//! Unknown are four curves over the bands (mains, subwoofer, phase between the two, the person's own contour), seven
//! numbers about controls and person, and an offset for each pass. All are normal beforehand. For every delay and
//! polarity in question the most likely curves are found by Fisher's scoring (Gauss-Newton steps with expected
//! information), and the hypotheses are weighed by Laplace's approximation (MacKay, Information Theory, Inference, and
//! Learning Algorithms, chapter 27; from memory).

use nalgebra::DVector;

use crate::blend::tune::fit::{Climb, Fit, Trust};
use crate::blend::tune::model::{Draw, Effect, Hypothesis, Room, Scalar, under_band};
use crate::blend::tune::prior::prior;
use crate::blend::tune::{Case, Pass, Sounding};
use crate::stats::gaussian::{self, NormalDraws};

/// Delays in question, milliseconds: a subwoofer that is later than the mains by so much.
const LATE_MS: [f64; 12] = [-1.0, 1.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0, 21.0];
/// Kinds of rooms in question; a lively one leaves time less sharp, and half the delays will do.
const ROOMS: [Room; 2] = [Room::Calm, Room::Lively];
/// The subwoofer's level where climbs begin, over the mains', dB.
const LOUDER_DB: [f64; 3] = [-8.0, 0.0, 8.0];
/// Steps of the first climbs and of those that go on, with wide trust first and then as people rate, and how many go
/// on.
const SHORT: usize = 4;
const WIDE_STEPS: usize = 6;
const STEPS: usize = 12;
const PEAKS: usize = 14;

/// The belief after some passes.
#[derive(Debug, Clone)]
pub struct Belief {
    case: Case,
    peaks: Vec<Peak>,
}

/// The most likely system under one hypothesis.
#[derive(Debug, Clone)]
struct Peak {
    hypothesis: Hypothesis,
    mean: DVector<f64>,
    /// Factor of the precision there.
    factor: gaussian::Factor,
    weight: f64,
}

impl Belief {
    /// Weighs all hypotheses by what was heard.
    pub fn new(case: &Case, passes: &[Pass]) -> Self {
        let (calm, lively) = (prior(case, passes, Room::Calm), prior(case, passes, Room::Lively));
        let prior = |hypothesis: Hypothesis| match hypothesis.room {
            Room::Calm => &calm,
            Room::Lively => &lively,
        };
        let effects: Vec<Effect> = passes.iter().map(|pass| Effect::of(case, &pass.setting)).collect();
        let fit =
            |hypothesis, trust| Fit { case, passes, effects: &effects, prior: prior(hypothesis), hypothesis, trust };
        // A short climb from every start, and to the top from where it looks best.
        let mut climbs: Vec<(Hypothesis, Climb)> = Vec::new();
        let hypotheses = ROOMS.into_iter().flat_map(|room| {
            let late_ms = LATE_MS.into_iter().step_by(if room == Room::Calm { 1 } else { 2 });
            late_ms.flat_map(move |late_ms| {
                [false, true].map(|inverted| Hypothesis { late_s: late_ms * 1e-3, inverted, room })
            })
        });
        for hypothesis in hypotheses {
            for louder_db in LOUDER_DB {
                climbs.push((hypothesis, fit(hypothesis, Trust::WIDE).begin(louder_db, SHORT)));
            }
        }
        let evidence = |(hypothesis, climb): &(Hypothesis, Climb)| climb.evidence(prior(*hypothesis));
        climbs.sort_by(|a, b| evidence(b).total_cmp(&evidence(a)));
        climbs.truncate(PEAKS);
        let found: Vec<(Hypothesis, DVector<f64>, gaussian::Factor, f64)> = climbs
            .into_iter()
            .map(|(hypothesis, mut climb)| {
                fit(hypothesis, Trust::WIDE).climb(&mut climb, WIDE_STEPS);
                let fit = fit(hypothesis, Trust::USUAL);
                let mut climb = fit.from(climb.at);
                fit.climb(&mut climb, STEPS);
                let evidence = climb.evidence(prior(hypothesis));
                (hypothesis, climb.at, climb.factor, evidence)
            })
            .collect();
        let best = found.iter().map(|peak| peak.3).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = found.iter().map(|peak| libm::exp(peak.3 - best)).sum();
        let peaks = found.into_iter().map(|(hypothesis, mean, factor, evidence)| Peak {
            hypothesis,
            mean,
            factor,
            weight: libm::exp(evidence - best) / total,
        });
        Self { case: case.clone(), peaks: peaks.collect() }
    }

    /// Possible systems, each as likely as the next.
    pub fn draws(&self, count: usize, seed: u64) -> Vec<Draw> {
        let mut normal = NormalDraws::new(seed);
        let offset = normal.uniform();
        (0..count)
            .map(|at| {
                let peak = self.peak_at((at as f64 + offset) / count as f64);
                let mut z = normal.matrix(peak.mean.len(), 1);
                gaussian::solve_transposed(peak.factor.lower(), &mut z);
                let unknowns: Vec<f64> = peak.mean.iter().zip(z.iter()).map(|(mean, z)| mean + z).collect();
                Draw::of(&self.case, &unknowns, peak.hypothesis)
            })
            .collect()
    }

    /// Levels of bands that are expected at a setting, dB over equal loudness with the reference.
    pub fn expected_db(&self, setting: &[f64], sounding: Sounding, bands_hz: &[f64], seed: u64) -> Vec<f64> {
        const DRAWS: usize = 16;
        let effect = Effect::of(&self.case, setting);
        let mut sums_db = vec![0.0; bands_hz.len()];
        for draw in self.draws(DRAWS, seed) {
            let power = draw.power(&effect.at_points(&self.case, draw.known), sounding);
            for (sum_db, &hz) in sums_db.iter_mut().zip(bands_hz) {
                let total: f64 =
                    under_band(self.case.crossover_hz, hz).into_iter().map(|(k, weight)| weight * power[k]).sum();
                *sum_db += 10.0 * libm::log10(total) / DRAWS as f64;
            }
        }
        sums_db
    }

    /// Chance that the subwoofer is turned over against the mains at the start, delay aside.
    pub fn inverted(&self) -> f64 {
        self.peaks.iter().filter(|peak| peak.hypothesis.inverted).map(|peak| peak.weight).sum()
    }

    /// How late the subwoofer is at the start, seconds: mean, and standard deviation.
    pub fn late_s(&self) -> (f64, f64) {
        let late = |peak: &Peak| peak.hypothesis.late_s + peak.mean[Scalar::Delay.at()] * 1e-3;
        let mean: f64 = self.peaks.iter().map(|peak| peak.weight * late(peak)).sum();
        let variance: f64 = self.peaks.iter().map(|peak| peak.weight * (late(peak) - mean).powi(2)).sum();
        (mean, variance.sqrt())
    }

    fn peak_at(&self, share: f64) -> &Peak {
        let mut sum = 0.0;
        for peak in &self.peaks {
            sum += peak.weight;
            if share < sum {
                return peak;
            }
        }
        &self.peaks[self.peaks.len() - 1]
    }
}
