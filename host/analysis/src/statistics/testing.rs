//! Repeatable noise for the tests of this crate.

use rand::{RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A stream of repeatable random numbers.
pub(crate) struct Noise(ChaCha8Rng);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Uniform, strictly between 0 and 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// The number of events of a Poisson process of unit rate within `expected`.
    pub(crate) fn poisson(&mut self, expected: f64) -> u64 {
        let (mut count, mut sum) = (0, -self.uniform().ln());
        while sum < expected {
            count += 1;
            sum -= self.uniform().ln();
        }
        count
    }

    /// Standard normal, by the polar form of Box and Muller.
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// A stationary first-order series of unit variance about zero.
pub(crate) fn ar1(count: usize, rho: f64, seed: u64) -> Vec<f64> {
    let mut noise = Noise::new(seed);
    let fresh = (1.0 - rho * rho).sqrt();
    let mut level = noise.normal();
    (0..count)
        .map(|_| {
            level = rho * level + fresh * noise.normal();
            level
        })
        .collect()
}
