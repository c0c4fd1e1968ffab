//! How likely a rating is, and what it says: a seven-step probit with the listener's own borders and noise, and a few
//! careless answers.
//!
//! P(y = k) = (1 - careless) [Phi((t_k+1 - x)/s) - Phi((t_k - x)/s)] + careless / 7.
//!
//! A rating is about two distances: from what is heard up to the lower and up to the upper border of its word. Both are
//! Gaussian beforehand, and the probability of the answer is a difference of two normal integrals of them, so its mean
//! over the belief, and the first and second slopes of that mean's logarithm, have a closed form. They give the
//! Gaussian that agrees in mean and covariance.
//!
//! Sources: McCullagh, Regression models for ordinal data, J. R. Statist. Soc. B 42 (1980), for the graded probit; the
//! share of careless answers is the guess-and-lapse term of psychometric functions (Wichmann and Hill, Perception &
//! Psychophysics 63, 2001); Minka, Expectation propagation for approximate Bayesian inference, Proc. 17th UAI (2001),
//! and Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), section 3.6, for the moments behind a
//! border.

use crate::stats::normal;

/// Number of steps of the scale.
pub const STEPS: usize = 7;

/// Where the borders between the seven words lie on average, dB of perceived loudness as at 63 Hz (the anchors
/// demonstrate them).
pub const BORDERS_DB: [f64; STEPS - 1] = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0];

/// A Gaussian of the two distances, as mean and covariance (lower-lower, lower-upper, upper-upper).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Distances {
    /// Means, dB.
    pub mean: [f64; 2],
    /// Covariance, dB^2.
    pub covariance: [f64; 3],
}

/// What one rating adds to a Gaussian of its two distances: inverse covariance and its product with the mean.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Site {
    /// Lower-lower, lower-upper, upper-upper.
    pub precision: [f64; 3],
    /// Precision times mean.
    pub shift: [f64; 2],
}

/// Symmetric 2 x 2 product with a vector.
fn times(m: [f64; 3], x: [f64; 2]) -> [f64; 2] {
    [m[0] * x[0] + m[1] * x[1], m[1] * x[0] + m[2] * x[1]]
}

fn determinant(m: [f64; 3]) -> f64 {
    m[0] * m[2] - m[1] * m[1]
}

/// The nearest positive semidefinite matrix.
fn without_negative(m: [f64; 3]) -> [f64; 3] {
    let (middle, half) = (0.5 * (m[0] + m[2]), 0.5 * (m[0] - m[2]));
    let radius = libm::hypot(half, m[1]);
    if middle - radius >= 0.0 {
        return m;
    }
    let large = (middle + radius).max(0.0);
    let (cos, sin) = if radius > 0.0 { (half / radius, m[1] / radius) } else { (1.0, 0.0) };
    [0.5 * large * (1.0 + cos), 0.5 * large * sin, 0.5 * large * (1.0 - cos)]
}

fn inverse(m: [f64; 3]) -> Option<[f64; 3]> {
    let d = determinant(m);
    (d > 1e-14 && m[0] > 0.0).then(|| [m[2] / d, -m[1] / d, m[0] / d])
}

/// Half of m' V^-1 m + log |V|: what a Gaussian's density integrates to before it is normed.
fn volume(at: &Distances) -> Option<f64> {
    let x = times(inverse(at.covariance)?, at.mean);
    Some(0.5 * (x[0] * at.mean[0] + x[1] * at.mean[1] + libm::log(determinant(at.covariance))))
}

impl Distances {
    /// The belief without one site; `None` if nothing sensible is left.
    pub fn without(&self, site: &Site) -> Option<Self> {
        let p = inverse(self.covariance)?;
        let rest = [p[0] - site.precision[0], p[1] - site.precision[1], p[2] - site.precision[2]];
        let covariance = inverse(rest)?;
        let x = times(p, self.mean);
        Some(Self { mean: times(covariance, [x[0] - site.shift[0], x[1] - site.shift[1]]), covariance })
    }
}

/// Logarithm of an answer's probability under a belief, its slopes and downward curvature in the belief's mean.
pub struct Tilt {
    /// log Z.
    pub log_probability: f64,
    slope: [f64; 2],
    curvature: [f64; 3],
}

/// The answer `word` of somebody with this noise. `known` is added to both distances (it is what a known shortfall
/// does).
pub fn tilt(belief: &Distances, known: f64, word: usize, noise_db: f64, careless: f64) -> Tilt {
    let width = [0, 2].map(|k| libm::sqrt(noise_db * noise_db + belief.covariance[k].max(0.0)));
    let low = if word == 0 { f64::NEG_INFINITY } else { (belief.mean[0] + known) / width[0] };
    let high = if word + 1 == STEPS { f64::INFINITY } else { (belief.mean[1] + known) / width[1] };
    let attentive = if high > low { normal::interval(low, high) } else { 0.0 };
    let z = ((1.0 - careless) * attentive + careless / STEPS as f64).max(1e-300);
    let ratio =
        |x: f64, width: f64| if x.is_finite() { (1.0 - careless) * normal::density(x) / (z * width) } else { 0.0 };
    let (a, b) = (-ratio(low, width[0]), ratio(high, width[1]));
    let bend = |x: f64, slope: f64, width: f64| if x.is_finite() { slope * x / width } else { 0.0 };
    Tilt {
        log_probability: libm::log(z),
        slope: [a, b],
        curvature: [a * a + bend(low, a, width[0]), a * b, b * b + bend(high, b, width[1])],
    }
}

impl Tilt {
    /// The site that gives the belief this answer's mean and covariance; `None` where rounding leaves nothing sensible.
    pub fn site(&self, belief: &Distances) -> Option<Site> {
        let (h, v) = (self.curvature, belief.covariance);
        // precision = H (1 - V H)^-1, which is symmetric.
        let m = [
            1.0 - (v[0] * h[0] + v[1] * h[1]),
            -(v[0] * h[1] + v[1] * h[2]),
            -(v[1] * h[0] + v[2] * h[1]),
            1.0 - (v[1] * h[1] + v[2] * h[2]),
        ];
        let d = m[0] * m[3] - m[1] * m[2];
        if d.is_nan() || d < 1e-9 {
            return None;
        }
        let inverse = [m[3] / d, -m[1] / d, -m[2] / d, m[0] / d];
        let precision = [
            h[0] * inverse[0] + h[1] * inverse[2],
            h[0] * inverse[1] + h[1] * inverse[3],
            h[1] * inverse[1] + h[2] * inverse[3],
        ];
        // An answer that may be a slip can widen a belief. Only its mean is taken over then, along the directions that
        // would widen.
        let precision = without_negative(precision);
        let from_mean = times(precision, belief.mean);
        let pulled = times(precision, times(v, self.slope));
        Some(Site { precision, shift: [0, 1].map(|k| from_mean[k] + self.slope[k] + pulled[k]) })
    }

    /// What the answer adds to the logarithm of the evidence, beside the Gaussian parts.
    pub fn evidence(&self, cavity: &Distances, belief: &Distances) -> f64 {
        match (volume(cavity), volume(belief)) {
            (Some(without), Some(with)) => self.log_probability + without - with,
            _ => self.log_probability,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::gaussian;
    use nalgebra::{DMatrix, DVector};

    /// The answer between two borders whose distances are known, in noise standard deviations.
    fn known(low: f64, high: f64, careless: f64) -> Tilt {
        tilt(&Distances { mean: [low, high], covariance: [0.0; 3] }, 0.0, 3, 1.0, careless)
    }

    /// Borders and effects of the ordinal probit by Newton's method, from this file's slopes and curvatures alone.
    fn fit(counts: &[[usize; 5]; 5]) -> (DVector<f64>, f64, DMatrix<f64>) {
        let mut at = DVector::from_vec(vec![-1.0, 0.0, 1.0, 2.0, 0.0, 0.0, 0.0, 0.0]);
        for _ in 0..50 {
            let (mut slope, mut curvature) = (DVector::zeros(8), DMatrix::zeros(8, 8));
            let mut total = 0.0;
            for (group, row) in counts.iter().enumerate() {
                let effect = if group == 0 { 0.0 } else { at[3 + group] };
                for (word, &count) in row.iter().enumerate() {
                    let low = if word == 0 { f64::NEG_INFINITY } else { at[word - 1] - effect };
                    let high = if word == 4 { f64::INFINITY } else { at[word] - effect };
                    let g = known(low, high, 0.0);
                    total += count as f64 * g.log_probability;
                    let mut rows = [DVector::zeros(8), DVector::zeros(8)];
                    for (side, row) in rows.iter_mut().enumerate() {
                        let border = (word + side).checked_sub(1).filter(|b| *b < 4);
                        if let Some(border) = border {
                            row[border] = 1.0;
                        }
                        if group > 0 {
                            row[3 + group] = -1.0;
                        }
                    }
                    let weights = [[g.curvature[0], g.curvature[1]], [g.curvature[1], g.curvature[2]]];
                    for i in 0..2 {
                        slope += &rows[i] * (g.slope[i] * count as f64);
                        for j in 0..2 {
                            curvature += &rows[i] * rows[j].transpose() * (weights[i][j] * count as f64);
                        }
                    }
                }
            }
            let factor = gaussian::factor(&curvature);
            let step = factor.solve(&slope);
            if step.amax() < 1e-10 {
                return (at, total, factor.inverse());
            }
            at += step;
        }
        panic!("Newton's method did not settle");
    }

    #[test]
    fn ordinal_probit_agrees_with_statsmodels() {
        // Five groups of ratings; figures of statsmodels' OrderedModel (probit), also found by maximising the
        // likelihood with scipy.
        let counts = [[8, 6, 4, 2, 0], [3, 6, 6, 4, 1], [1, 3, 7, 6, 3], [0, 2, 5, 8, 5], [2, 4, 6, 5, 3]];
        let (at, total, covariance) = fit(&counts);
        let expected = [-0.285806, 0.552702, 1.393345, 2.353244, 0.711897, 1.322827, 1.765997, 1.139821];
        for (found, expected) in at.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-4, "{found} {expected}");
        }
        assert!((total + 141.944_454_56).abs() < 1e-4, "{total}");
        for (k, expected) in [0.340699, 0.348962, 0.359403, 0.345745].iter().enumerate() {
            assert!((libm::sqrt(covariance[(4 + k, 4 + k)]) - expected).abs() < 1e-4);
        }
    }

    #[test]
    fn normal_ogive_graded_responses_have_their_closed_form() {
        // Samejima's graded response model, normal ogive, slope 1.5, difficulties -1, 0, 1.2, ability 0.4.
        let borders = [f64::NEG_INFINITY, 1.5 * (-1.0 - 0.4), 1.5 * (0.0 - 0.4), 1.5 * (1.2 - 0.4), f64::INFINITY];
        for (k, expected) in [0.017_864_42, 0.256_388_70, 0.610_677_21, 0.115_069_67].iter().enumerate() {
            let found = libm::exp(known(borders[k], borders[k + 1], 0.0).log_probability);
            assert!((found - expected).abs() < 1e-8, "{k}: {found}");
        }
    }

    #[test]
    fn slopes_are_those_of_the_probability() {
        let step = 1e-5;
        for (low, high, careless) in
            [(-1.3, 0.4, 0.0), (0.2, 2.5, 0.03), (f64::NEG_INFINITY, -2.0, 0.03), (3.0, 5.0, 0.1)]
        {
            let g = known(low, high, careless);
            let value = |l: f64, h: f64| known(l, h, careless).log_probability;
            let by_low = (value(low + step, high) - value(low - step, high)) / (2.0 * step);
            let by_high = (value(low, high + step) - value(low, high - step)) / (2.0 * step);
            if low.is_finite() {
                assert!((g.slope[0] - by_low).abs() < 1e-6, "{low} {high}");
            }
            assert!((g.slope[1] - by_high).abs() < 1e-6, "{low} {high}");
            let bend = (value(low, high + step) - 2.0 * value(low, high) + value(low, high - step)) / (step * step);
            assert!((g.curvature[2] + bend).abs() < 1e-4, "{low} {high}: {} {bend}", g.curvature[2]);
        }
    }

    #[test]
    fn all_words_together_are_certain_and_far_answers_cost_no_more_than_carelessness() {
        for heard in [-20.0, -3.0, 0.0, 5.0, 30.0] {
            let total: f64 = (0..STEPS)
                .map(|k| {
                    let low = if k == 0 { f64::NEG_INFINITY } else { BORDERS_DB[k - 1] - heard };
                    let high = if k == STEPS - 1 { f64::INFINITY } else { BORDERS_DB[k] - heard };
                    let g = known(low, high, 0.03);
                    assert!(g.log_probability >= libm::log(0.03 / 7.0) - 1e-12);
                    assert!(g.slope.iter().chain(&g.curvature).all(|x| x.is_finite()));
                    libm::exp(g.log_probability)
                })
                .sum();
            assert!((total - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_site_gives_the_belief_the_mean_and_covariance_that_numbers_give() {
        // Sums over a fine lattice of belief times probability; nothing of the closed form is used.
        let belief = Distances { mean: [-2.0, 1.5], covariance: [4.0, 3.2, 5.0] };
        for (word, noise) in [(3, 1.5), (5, 0.8), (0, 1.0), (6, 2.0)] {
            let p = inverse(belief.covariance).unwrap();
            let (mut total, mut first, mut second) = (0.0, [0.0; 2], [0.0; 3]);
            for i in 0..600 {
                for j in 0..600 {
                    let z = [-20.0 + 36.0 * (i as f64 + 0.5) / 600.0, -16.5 + 36.0 * (j as f64 + 0.5) / 600.0];
                    let d = [z[0] - belief.mean[0], z[1] - belief.mean[1]];
                    let low = if word == 0 { 0.0 } else { normal::cumulative(z[0] / noise) };
                    let high = if word == 6 { 1.0 } else { normal::cumulative(z[1] / noise) };
                    let x = times(p, d);
                    let w = libm::exp(-0.5 * (x[0] * d[0] + x[1] * d[1])) * (0.97 * (high - low) + 0.03 / 7.0);
                    total += w;
                    first = [first[0] + w * z[0], first[1] + w * z[1]];
                    second = [second[0] + w * z[0] * z[0], second[1] + w * z[0] * z[1], second[2] + w * z[1] * z[1]];
                }
            }
            let mean = [first[0] / total, first[1] / total];
            let covariance = [
                second[0] / total - mean[0] * mean[0],
                second[1] / total - mean[0] * mean[1],
                second[2] / total - mean[1] * mean[1],
            ];
            let site = tilt(&belief, 0.0, word, noise, 0.03).site(&belief).unwrap();
            // With the site the belief is the tilted one: taking the site off again gives the belief.
            let with = Distances { mean, covariance };
            let back = with.without(&site).unwrap();
            for k in 0..2 {
                assert!((back.mean[k] - belief.mean[k]).abs() < 2e-3, "{word}: {back:?}");
            }
            for k in 0..3 {
                assert!((back.covariance[k] - belief.covariance[k]).abs() < 5e-3, "{word}: {back:?}");
            }
        }
    }
}
