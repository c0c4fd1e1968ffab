//! How far repeated or several people's ratings agree.

/// Cohen's kappa of two lists of categories 0 .. `categories`, weighted by |i - j|^`power` (0: any difference counts
/// alike, 1: linear, 2: quadratic). `None` if the lists differ in length, are empty, or leave nothing to disagree
/// about.
///
/// Source: Cohen, Psychological Bulletin 70 (1968).
pub fn weighted_kappa(first: &[usize], second: &[usize], categories: usize, power: i32) -> Option<f64> {
    if first.len() != second.len() || first.is_empty() || first.iter().chain(second).any(|&x| x >= categories) {
        return None;
    }
    let weight = |i: usize, j: usize| if i == j { 0.0 } else { (i.abs_diff(j) as f64).powi(power) };
    let n = first.len() as f64;
    let observed: f64 = first.iter().zip(second).map(|(&i, &j)| weight(i, j)).sum::<f64>() / n;
    let by_chance: f64 =
        first.iter().map(|&i| second.iter().map(|&j| weight(i, j)).sum::<f64>()).sum::<f64>() / (n * n);
    (by_chance > 0.0).then(|| 1.0 - observed / by_chance)
}

/// Kendall's coefficient of concordance W of `judges`, each a list of scores of the same items; ties share their mean
/// rank.
///
/// Source: Kendall and Babington Smith, Annals of Mathematical Statistics 10 (1939); with Kendall's correction for
/// ties.
pub fn concordance(judges: &[Vec<f64>]) -> Option<f64> {
    let items = judges.first()?.len();
    if items < 2 || judges.iter().any(|j| j.len() != items || j.iter().any(|x| !x.is_finite())) {
        return None;
    }
    let (m, n) = (judges.len() as f64, items as f64);
    let mut sums = vec![0.0; items];
    let mut ties = 0.0;
    for judge in judges {
        for (sum, rank) in sums.iter_mut().zip(ranks(judge)) {
            *sum += rank;
        }
        for value in judge {
            // Each member of a tie of t items adds t^2 - 1, so that the whole tie adds t^3 - t.
            let t = judge.iter().filter(|x| *x == value).count() as f64;
            ties += t * t - 1.0;
        }
    }
    let mean = m * (n + 1.0) / 2.0;
    let s: f64 = sums.iter().map(|x| (x - mean) * (x - mean)).sum();
    let most = m * m * (n * n * n - n) - m * ties;
    (most > 0.0).then(|| 12.0 * s / most)
}

/// Ranks from 1, ties sharing their mean.
fn ranks(values: &[f64]) -> Vec<f64> {
    let below = |v: f64| values.iter().filter(|x| **x < v).count() as f64;
    let same = |v: f64| values.iter().filter(|x| **x == v).count() as f64;
    values.iter().map(|&v| below(v) + (same(v) + 1.0) / 2.0).collect()
}

/// Kendall's rank correlation tau-b of two lists; `None` if they differ in length or one is all ties.
///
/// Source: Kendall, Rank Correlation Methods (1945 treatment of ties).
pub fn tau_b(first: &[f64], second: &[f64]) -> Option<f64> {
    if first.len() != second.len() {
        return None;
    }
    let (mut net, mut untied_first, mut untied_second) = (0.0, 0.0, 0.0);
    for i in 0..first.len() {
        for j in 0..i {
            let (a, b) = (sign(first[i] - first[j]), sign(second[i] - second[j]));
            net += a * b;
            untied_first += a * a;
            untied_second += b * b;
        }
    }
    let scale = libm::sqrt(untied_first * untied_second);
    (scale > 0.0).then(|| net / scale)
}

fn sign(x: f64) -> f64 {
    f64::from(i8::from(x > 0.0) - i8::from(x < 0.0))
}

/// Krippendorff's alpha for values on an interval scale; a row a rater, `None` where somebody did not answer.
///
/// Source: Krippendorff, Computing Krippendorff's alpha-reliability (2011).
pub fn interval_alpha(raters: &[Vec<Option<f64>>]) -> Option<f64> {
    let units = raters.first()?.len();
    let mut paired: Vec<f64> = Vec::new();
    let mut observed = 0.0;
    for unit in 0..units {
        let values: Vec<f64> = raters.iter().filter_map(|r| r.get(unit).copied().flatten()).collect();
        if values.len() < 2 {
            continue;
        }
        let apart: f64 = values.iter().flat_map(|a| values.iter().map(move |b| (a - b) * (a - b))).sum();
        observed += apart / (values.len() as f64 - 1.0);
        paired.extend(values);
    }
    let n = paired.len() as f64;
    let expected: f64 = paired.iter().flat_map(|a| paired.iter().map(move |b| (a - b) * (a - b))).sum();
    (n > 1.0 && expected > 0.0).then(|| 1.0 - (n - 1.0) * observed / expected)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Cohen's kappa and tau-b of two raters, and W of three judges: the figures are those of scikit-learn, statsmodels
    // and scipy.
    const A: [usize; 16] = [1, 2, 3, 4, 5, 1, 2, 3, 4, 5, 2, 3, 4, 3, 3, 1];
    const B: [usize; 16] = [1, 2, 3, 4, 4, 2, 2, 3, 5, 5, 1, 3, 3, 3, 4, 1];

    #[test]
    fn kappa_agrees_with_scikit_learn() {
        for (power, expected) in [(0, 0.52), (1, 0.736_262_736_3), (2, 0.883_495_145_6)] {
            let found = weighted_kappa(&A, &B, 6, power).unwrap();
            assert!((found - expected).abs() < 1e-4, "power {power}: {found}");
        }
        assert_eq!(weighted_kappa(&[1, 1], &[1, 1], 3, 2), None);
        assert_eq!(weighted_kappa(&[], &[], 3, 2), None);
    }

    #[test]
    fn tau_b_agrees_with_scipy() {
        let as_numbers = |x: &[usize]| x.iter().map(|&v| v as f64).collect::<Vec<_>>();
        assert!((tau_b(&as_numbers(&A), &as_numbers(&B)).unwrap() - 0.82).abs() < 1e-4);
        assert_eq!(tau_b(&[1.0, 1.0], &[1.0, 2.0]), None);
    }

    #[test]
    fn concordance_agrees_with_scipy_and_knows_ties() {
        let rows = |x: &[&[f64]]| x.iter().map(|r| r.to_vec()).collect::<Vec<_>>();
        let three = rows(&[&[1., 6., 3., 2., 5., 4.], &[1., 5., 6., 2., 4., 3.], &[6., 3., 2., 5., 4., 1.]]);
        assert!((concordance(&three).unwrap() - 0.212_698_412_7).abs() < 1e-9);
        let four = rows(&[&[1., 2., 3., 4., 5.], &[1., 3., 2., 4., 5.], &[2., 1., 3., 5., 4.], &[1., 2., 4., 3., 5.]]);
        assert!((concordance(&four).unwrap() - 0.8125).abs() < 1e-9);
        let ties = rows(&[&[1., 2.5, 2.5, 4.], &[1., 2., 3., 4.], &[2., 1., 3.5, 3.5]]);
        assert!((concordance(&ties).unwrap() - 0.821_428_571_4).abs() < 1e-9);
    }

    #[test]
    fn alpha_gives_krippendorffs_own_example() {
        // Krippendorff (2011), section D: four coders, twelve units, nought where nobody coded; published 0.849 on an
        // interval scale.
        let table = [
            [1, 2, 3, 3, 2, 1, 4, 1, 2, 0, 0, 0],
            [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, 0, 3],
            [0, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, 0],
            [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, 0],
        ];
        let raters: Vec<Vec<Option<f64>>> =
            table.iter().map(|row| row.iter().map(|&x| (x > 0).then(|| f64::from(x))).collect()).collect();
        assert!((interval_alpha(&raters).unwrap() - 0.849_107_142_9).abs() < 1e-9);
        assert_eq!(interval_alpha(&[vec![Some(1.0)], vec![Some(1.0)]]), None);
    }
}
