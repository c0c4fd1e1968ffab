//! Blind paired comparisons: which of two settings is better, without knowing which is which.
//!
//! Balanced: in each pair of trials every option comes first once, in an order drawn from the seed, so that a habit of
//! preferring the first (or the louder by expectation) cannot win. Honest about level: each option carries the gain
//! that makes the two equally loud, or says that there is none. Stopped early: a sequential probability ratio test
//! (Wald, Sequential Tests of Statistical Hypotheses, Annals of Mathematical Statistics 16, 117-186, 1945) between
//! 'this one is chosen three times in four' and 'the other one is'. Its steps are all of one size, so its error rate
//! and length are exactly those of the gambler's ruin (Feller, An Introduction to Probability Theory I, chapter XIV;
//! from memory).

mod tree;

use serde::{Deserialize, Serialize};

use crate::stats::gaussian::NormalDraws;
pub use tree::{Setting, Tree, Trial, contour_towards_zero, phase_by_quarters};

/// Stops a test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rule {
    /// How often the better one must be chosen to be worth telling apart: above one half.
    pub share: f64,
    /// At most this share of tests, with the better one chosen that often, may end with the wrong one.
    pub error: f64,
    /// No more trials than this; an even number keeps the balance.
    pub most: usize,
}

impl Rule {
    /// Three times in four, one error in ten, eight trials: some fifty seconds, mostly less.
    pub const QUICK: Self = Self { share: 0.75, error: 0.1, most: 8 };
    /// Three times in four, one error in twenty, fourteen trials.
    pub const SURE: Self = Self { share: 0.75, error: 0.05, most: 14 };

    /// The lead at which it stops: Wald's bound ln((1-e)/e) over the weight of one choice, rounded up.
    pub fn lead(self) -> u32 {
        let bound = libm::log((1.0 - self.error) / self.error) / libm::log(self.share / (1.0 - self.share));
        // A bound that is whole but for rounding is not raised by one.
        (bound - 1e-9).ceil().max(1.0) as u32
    }

    /// Chance that a test without an end to its trials picks the worse one, if the better one is chosen with this
    /// share: gambler's ruin from the middle.
    pub fn wrong(self, share: f64) -> f64 {
        let odds = ((1.0 - share) / share).powi(self.lead() as i32);
        odds / (1.0 + odds)
    }

    /// How many trials such a test takes on average.
    pub fn length(self, share: f64) -> f64 {
        let lead = f64::from(self.lead());
        if (share - 0.5).abs() < 1e-9 {
            return lead * lead;
        }
        lead * (1.0 - 2.0 * self.wrong(share)) / (2.0 * share - 1.0)
    }
}

/// One of the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The first one named.
    A,
    /// The second one named.
    B,
}

impl Side {
    /// The other one.
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// What the person says after hearing both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    /// The one heard first.
    First,
    /// The one heard second.
    Second,
    /// No difference: counts for neither.
    Neither,
}

/// How the test ended.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The better one; `None` if nothing told them apart. Then the easier setting is as good.
    pub better: Option<Side>,
    /// The lead reached the rule's bound, so the stated error rate holds.
    pub sure: bool,
    /// How often each was chosen.
    pub chosen: [u32; 2],
    /// How often neither was.
    pub neither: u32,
    /// Chance that the other one is in fact the better, with both taken as equally likely at the start and the better
    /// one chosen as often as the rule says (Bayes).
    pub doubt: f64,
    /// Share of choices for whatever came first; far from one half, the choices went by order.
    pub first_share: Option<f64>,
}

/// A comparison in progress: the answers, and what follows from them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    rule: Rule,
    seed: u64,
    choices: Vec<Choice>,
}

impl Comparison {
    /// Begins. The seed decides which comes first; it must not be shown.
    pub fn new(rule: Rule, seed: u64) -> Self {
        Self { rule, seed, choices: Vec::new() }
    }

    /// Which one is heard first and which second; `None` when it is decided.
    pub fn next(&self) -> Option<[Side; 2]> {
        if self.is_over() {
            return None;
        }
        let first = self.first(self.choices.len());
        Some([first, first.other()])
    }

    /// Takes an answer. One after the end is left out.
    pub fn answer(&mut self, choice: Choice) {
        if !self.is_over() {
            self.choices.push(choice);
        }
    }

    /// Takes the last answer back. `false` if there was none.
    pub fn back(&mut self) -> bool {
        self.choices.pop().is_some()
    }

    /// How many answers it has taken.
    pub fn answers(&self) -> usize {
        self.choices.len()
    }

    /// The result; `None` until it is decided.
    pub fn verdict(&self) -> Option<Verdict> {
        self.is_over().then(|| {
            let [a, b] = self.chosen();
            let lead = a.abs_diff(b);
            let odds = ((1.0 - self.rule.share) / self.rule.share).powi(lead as i32);
            let firsts = self.choices.iter().filter(|choice| **choice == Choice::First).count() as f64;
            let made = f64::from(a + b);
            Verdict {
                better: match a.cmp(&b) {
                    std::cmp::Ordering::Less => Some(Side::B),
                    std::cmp::Ordering::Equal => None,
                    std::cmp::Ordering::Greater => Some(Side::A),
                },
                sure: lead >= self.rule.lead(),
                chosen: [a, b],
                neither: self.choices.len() as u32 - a - b,
                doubt: odds / (1.0 + odds),
                first_share: (made > 0.0).then(|| firsts / made),
            }
        })
    }

    /// Which one comes first in a trial: drawn for each pair of trials, the second of which turns it round.
    fn first(&self, trial: usize) -> Side {
        let mut draws = NormalDraws::new(self.seed);
        let drawn = (0..=trial / 2).map(|_| draws.uniform()).last().unwrap_or(0.0);
        let first = if drawn < 0.5 { Side::A } else { Side::B };
        if trial.is_multiple_of(2) { first } else { first.other() }
    }

    fn chosen(&self) -> [u32; 2] {
        let mut chosen = [0; 2];
        for (trial, choice) in self.choices.iter().enumerate() {
            let side = match choice {
                Choice::First => self.first(trial),
                Choice::Second => self.first(trial).other(),
                Choice::Neither => continue,
            };
            chosen[usize::from(side == Side::B)] += 1;
        }
        chosen
    }

    fn is_over(&self) -> bool {
        let [a, b] = self.chosen();
        let left = self.rule.most.saturating_sub(self.choices.len()) as u32;
        a.abs_diff(b) >= self.rule.lead() || left == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;

    fn run(rule: Rule, seed: u64, share_for_a: f64, random: &mut Random) -> (Verdict, usize) {
        let mut comparison = Comparison::new(rule, seed);
        while let Some([first, _]) = comparison.next() {
            let side = if random.uniform() < share_for_a { Side::A } else { Side::B };
            comparison.answer(if side == first { Choice::First } else { Choice::Second });
        }
        (comparison.verdict().unwrap(), comparison.answers())
    }

    #[test]
    fn error_and_length_are_those_of_the_gamblers_ruin() {
        // Wald's bound for 10 % and three in four is ln 9 / ln 3 = 2; for 5 %, ln 19 / ln 3 = 2.68, so 3.
        assert_eq!((Rule::QUICK.lead(), Rule::SURE.lead()), (2, 3));
        assert!((Rule::QUICK.wrong(0.75) - 0.1).abs() < 1e-12);
        assert!((Rule::SURE.wrong(0.75) - 1.0 / 28.0).abs() < 1e-12);
        let mut random = Random::new(11, 1);
        for (rule, share) in
            [(Rule::QUICK, 0.75), (Rule::SURE, 0.75), (Rule::SURE, 0.6), (Rule::QUICK, 0.9), (Rule::QUICK, 0.5)]
        {
            let rule = Rule { most: 400, ..rule };
            let runs = 20_000_u32;
            let (mut wrong, mut length) = (0, 0);
            for seed in 0..runs {
                let (verdict, answers) = run(rule, u64::from(seed), share, &mut random);
                wrong += u32::from(verdict.better == Some(Side::B));
                length += answers;
            }
            let (wrong, length) = (f64::from(wrong) / f64::from(runs), length as f64 / f64::from(runs));
            // Four standard errors of a share and, with the length's spread below 12, of a mean.
            let expected = rule.wrong(share);
            assert!((wrong - expected).abs() < 4.0 * (expected * (1.0 - expected) / f64::from(runs)).sqrt(), "{wrong}");
            assert!((length - rule.length(share)).abs() < 4.0 * 12.0 / f64::from(runs).sqrt(), "{length}");
        }
    }

    #[test]
    fn the_end_of_the_trials_is_owned_up_to() {
        let mut random = Random::new(12, 1);
        let runs = 10_000;
        let (mut wrong_and_sure, mut most) = (0, 0);
        for seed in 0..runs {
            let (verdict, answers) = run(Rule::QUICK, seed, 0.75, &mut random);
            assert_eq!(verdict.sure, verdict.chosen[0].abs_diff(verdict.chosen[1]) >= 2);
            wrong_and_sure += u32::from(verdict.sure && verdict.better == Some(Side::B));
            most = most.max(answers);
        }
        assert_eq!(most, Rule::QUICK.most);
        // Cutting a test short only takes away from the sure errors.
        assert!(f64::from(wrong_and_sure) / (runs as f64) < 0.1 + 4.0 * 0.003);
    }

    #[test]
    fn a_habit_of_choosing_the_first_decides_nothing_and_is_seen() {
        for seed in 0..200 {
            let mut comparison = Comparison::new(Rule::SURE, seed);
            let mut firsts = Vec::new();
            while let Some([first, second]) = comparison.next() {
                assert_eq!(first, second.other());
                firsts.push(first);
                comparison.answer(Choice::First);
            }
            let verdict = comparison.verdict().unwrap();
            assert_eq!((verdict.better, verdict.first_share), (None, Some(1.0)));
            assert!(firsts.chunks(2).all(|pair| pair[0] != pair[1]), "unbalanced: {firsts:?}");
        }
    }

    #[test]
    fn answers_can_be_taken_back_and_no_difference_counts_for_neither() {
        let mut comparison = Comparison::new(Rule::QUICK, 5);
        let first = comparison.next();
        assert!(!comparison.back());
        comparison.answer(Choice::Neither);
        assert!(comparison.back());
        assert_eq!(comparison.next(), first);
        for _ in 0..Rule::QUICK.most + 3 {
            comparison.answer(Choice::Neither);
        }
        let verdict = comparison.verdict().unwrap();
        assert_eq!((verdict.better, verdict.neither, verdict.doubt), (None, 8, 0.5));
        assert_eq!((verdict.first_share, verdict.sure), (None, false));
    }
}
