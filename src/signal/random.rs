//! Random numbers that are the same in every version and on every machine.

use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64;

/// A seeded stream of numbers. The bits come from PCG; the mapping to numbers is ours, so that it never changes.
pub(super) struct Random(Pcg64);

impl Random {
    pub fn from_seed(seed: u64) -> Self {
        Self(Pcg64::seed_from_u64(seed))
    }

    /// Evenly distributed over 0 <= x < 1, in steps of 2^-53.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
    }
}
