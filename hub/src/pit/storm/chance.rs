//! Randomness from a seed, the same on every machine and with every version of the library: ChaCha8 is a published cipher, and what
//! is made of its words is made here.

use rand_chacha::{
    ChaCha8Rng,
    rand_core::{RngCore, SeedableRng},
};

/// A stream of chances.
#[derive(Debug)]
pub(super) struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream of that seed.
    pub(super) fn new(seed: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        Self(ChaCha8Rng::from_seed(key))
    }

    /// A number below `limit`, which is not nought.
    pub(super) fn below(&mut self, limit: u64) -> u64 {
        ((u128::from(self.0.next_u64()) * u128::from(limit)) >> 64) as u64
    }

    /// A place in a list of that length.
    pub(super) fn place(&mut self, length: usize) -> usize {
        self.below(length as u64) as usize
    }

    /// A number from `low` to `high`, both included.
    pub(super) fn between(&mut self, low: i64, high: i64) -> i64 {
        low + self.below((high - low + 1).max(1) as u64) as i64
    }

    /// True so many times in a hundred.
    pub(super) fn percent(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }

    /// One of them.
    pub(super) fn one<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.place(of.len())]
    }

    /// A wait around a mean: from a fifth of it to nine fifths.
    pub(super) fn around(&mut self, mean: i64) -> i64 {
        self.between(mean / 5, mean * 9 / 5).max(1)
    }
}
