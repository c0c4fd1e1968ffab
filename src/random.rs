//! Seeded random draws whose values never change between versions: generator bits mapped to numbers by ourselves.

use rand_core::Rng;
use rand_pcg::Pcg64;

/// A stream of random numbers, wholly determined by its seed and purpose.
#[derive(Debug, Clone)]
pub struct Random {
    generator: Pcg64,
    spare: Option<f64>,
}

impl Random {
    /// The stream that belongs to a seed and a purpose, so that two uses of one seed do not follow each other.
    pub fn new(seed: u64, purpose: u64) -> Self {
        Self { generator: Pcg64::new(u128::from(seed), u128::from(purpose)), spare: None }
    }

    /// Evenly between 0 and 1, neither included.
    pub fn uniform(&mut self) -> f64 {
        ((self.generator.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Uniform among 0 .. `count`; 0 for an empty range.
    pub fn below(&mut self, count: usize) -> usize {
        (self.uniform() * count as f64) as usize
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        let angle = std::f64::consts::TAU * self.uniform();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }

    /// Puts the items into random order (Fisher-Yates).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_numbers_and_another_purpose_others() {
        let draw = |purpose| {
            let mut random = Random::new(7, purpose);
            [random.uniform(), random.uniform()]
        };
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }

    #[test]
    fn normal_draws_have_mean_zero_and_variance_one() {
        let mut random = Random::new(3, 0);
        let draws: Vec<f64> = (0..20_000).map(|_| random.normal()).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / draws.len() as f64;
        // Four standard errors of mean and variance for 20,000 draws.
        assert!(mean.abs() < 4.0 / (20_000f64).sqrt());
        assert!((variance - 1.0).abs() < 4.0 * (2.0f64 / 20_000.0).sqrt());
    }
}
