//! How likely a rating is: a seven-step probit with the listener's own borders and noise, and a few careless answers.
//!
//! P(y = k) = (1 - careless) [Phi((t_k+1 - x)/s) - Phi((t_k - x)/s)] + careless / 7.
//!
//! Source: McCullagh, Regression models for ordinal data, J. R. Statist. Soc. B 42 (1980), for the graded probit; the share of careless
//! answers is the guess-and-lapse term of psychometric functions (Wichmann and Hill, Perception & Psychophysics 63, 2001).

use crate::stats::normal;

/// Number of steps of the scale.
pub const STEPS: usize = 7;

/// Where the borders between the seven words lie on average, dB of perceived loudness as at 63 Hz (the anchors demonstrate them).
pub const BORDERS_DB: [f64; STEPS - 1] = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0];

/// Value and slopes of the logarithm of a rating's probability in the two standardised distances to its borders.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grade {
    /// log P.
    pub log_probability: f64,
    /// Slope in the lower and the upper distance.
    pub slope: [f64; 2],
    /// Curvature downwards (a positive semidefinite 2 x 2 matrix: lower-lower, lower-upper, upper-upper).
    pub curvature: [f64; 3],
    /// What is left of the curvature when it is not known whether the answer was attentive; nothing where that leaves no sense.
    pub doubtful_curvature: [f64; 3],
}

/// The probability of an answer whose lower and upper borders lie `low` and `high` noise standard deviations above what is heard.
/// With `careless` > 0 the curvature is that of the attentive part times the chance that the answer was attentive (as in EM),
/// which keeps it positive semidefinite.
pub fn grade(low: f64, high: f64, careless: f64) -> Grade {
    let attentive = normal::interval(low, high);
    let share = careless / STEPS as f64;
    let p = (1.0 - careless) * attentive + share;
    if attentive < 1e-280 || p <= 0.0 {
        let floor = if p > 0.0 { p } else { 1e-300 };
        return Grade {
            log_probability: libm::log(floor),
            slope: [0.0; 2],
            curvature: [0.0; 3],
            doubtful_curvature: [0.0; 3],
        };
    }
    let r = (1.0 - careless) * attentive / p;
    let (a, b) = (normal::density(low) / attentive, normal::density(high) / attentive);
    let (za, zb) = (if low.is_finite() { low } else { 0.0 }, if high.is_finite() { high } else { 0.0 });
    let curvature = [r * (a * a - za * a).max(0.0), -r * a * b, r * (b * b + zb * b).max(0.0)];
    // The second derivative of log P itself, downwards: less than the attentive part's by the doubt about attention (Louis, J. R. Statist. Soc. B 44, 1982).
    let lost = r * (1.0 - r);
    let exact = [curvature[0] - lost * a * a, curvature[1] + lost * a * b, curvature[2] - lost * b * b];
    let sensible = exact[0] >= 0.0 && exact[2] >= 0.0 && exact[0] * exact[2] >= exact[1] * exact[1];
    Grade {
        log_probability: libm::log(p),
        slope: [-r * a, r * b],
        curvature,
        doubtful_curvature: if sensible { exact } else { [0.0; 3] },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::gaussian;
    use nalgebra::{DMatrix, DVector};

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
                    let g = grade(low, high, 0.0);
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
        // Five groups of ratings; figures of statsmodels' OrderedModel (probit), also found by maximising the likelihood with scipy.
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
            let found = libm::exp(grade(borders[k], borders[k + 1], 0.0).log_probability);
            assert!((found - expected).abs() < 1e-8, "{k}: {found}");
        }
    }

    #[test]
    fn slopes_are_those_of_the_probability() {
        let step = 1e-5;
        for (low, high, careless) in
            [(-1.3, 0.4, 0.0), (0.2, 2.5, 0.03), (f64::NEG_INFINITY, -2.0, 0.03), (3.0, 5.0, 0.1)]
        {
            let g = grade(low, high, careless);
            let value = |l: f64, h: f64| grade(l, h, careless).log_probability;
            let by_low = (value(low + step, high) - value(low - step, high)) / (2.0 * step);
            let by_high = (value(low, high + step) - value(low, high - step)) / (2.0 * step);
            if low.is_finite() {
                assert!((g.slope[0] - by_low).abs() < 1e-6, "{low} {high}");
            }
            assert!((g.slope[1] - by_high).abs() < 1e-6, "{low} {high}");
        }
    }

    #[test]
    fn all_words_together_are_certain_and_far_answers_cost_no_more_than_carelessness() {
        for heard in [-20.0, -3.0, 0.0, 5.0, 30.0] {
            let total: f64 = (0..STEPS)
                .map(|k| {
                    let low = if k == 0 { f64::NEG_INFINITY } else { BORDERS_DB[k - 1] - heard };
                    let high = if k == STEPS - 1 { f64::INFINITY } else { BORDERS_DB[k] - heard };
                    let g = grade(low, high, 0.03);
                    assert!(g.log_probability >= libm::log(0.03 / 7.0) - 1e-12);
                    assert!(g.slope.iter().chain(&g.curvature).all(|x| x.is_finite()));
                    libm::exp(g.log_probability)
                })
                .sum();
            assert!((total - 1.0).abs() < 1e-12);
        }
    }
}
