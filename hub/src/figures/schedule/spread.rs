//! How long a task takes: three guesses (at best, most likely, at worst) as the beta distribution of PERT, and what is left of it
//! once the task has been going for a while.
//!
//! Malcolm, Roseboom, Clark and Fazar (1959) as the beta on `low..high` with mean `(low + 4 likely + high) / 6`; the beta's
//! distribution function is `statrs`'s.

use crate::figures::{CantSay, plausible};
use statrs::distribution::{Beta, ContinuousCDF};

/// Longest that a task may be guessed to take, in minutes: a day.
pub const LONGEST_MIN: f64 = 1440.0;
/// Cells of the distribution function's table. With straight lines between, a quantile is off by under 0.01 % of the range in the
/// middle (measured against the library's own inverse in a test).
const CELLS: usize = 512;

/// Three guesses of how long something takes, in minutes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// At best.
    pub low_min: f64,
    /// Most likely.
    pub likely_min: f64,
    /// At worst.
    pub high_min: f64,
}

impl Spread {
    /// Exactly so long.
    pub fn exactly(min: f64) -> Self {
        Self {
            low_min: min,
            likely_min: min,
            high_min: min,
        }
    }

    /// Checks the guesses.
    ///
    /// # Errors
    /// [`CantSay::Implausible`] where one is below nought, over a day, or below the one before.
    pub fn checked(self) -> Result<Self, CantSay> {
        plausible("shortest time", self.low_min, 0.0, LONGEST_MIN)?;
        plausible("likely time", self.likely_min, self.low_min, LONGEST_MIN)?;
        plausible("longest time", self.high_min, self.likely_min, LONGEST_MIN)?;
        Ok(self)
    }

    /// The mean, in minutes.
    pub fn mean(&self) -> f64 {
        (self.low_min + 4.0 * self.likely_min + self.high_min) / 6.0
    }

    /// The variance, in square minutes: the beta's own, `(mean - low) (high - mean) / 7`. The handbooks' `((high - low) / 6)²` is an
    /// approximation of it.
    pub fn variance(&self) -> f64 {
        let mean = self.mean();
        (mean - self.low_min) * (self.high_min - mean) / 7.0
    }

    fn range(&self) -> f64 {
        self.high_min - self.low_min
    }
}

/// What is left of a task that has taken longer than the longest guess: the guess has failed, and nothing is known but that it
/// goes on. Ours, no source: most likely a tenth of what it has taken already, at worst half of it.
fn overrun(spent_min: f64) -> Spread {
    Spread {
        low_min: 0.0,
        likely_min: 0.1 * spent_min,
        high_min: 0.5 * spent_min,
    }
}

/// How long is left of a task: quantiles by a share between nought and one, so that the same share in two cases is the same luck.
#[derive(Clone, Debug)]
pub struct Left {
    low: f64,
    range: f64,
    spent: f64,
    /// The share that had ended by `spent`.
    gone: f64,
    /// The distribution function at equal steps of the range; empty where the guesses are all the same.
    table: Vec<f64>,
    /// For each of as many equal steps of share, the cell to begin looking in.
    index: Vec<u16>,
    over: bool,
    times: f64,
}

impl Left {
    /// Prepares the distribution of what is left after `spent_min`; 0 for a task that was not started.
    pub fn new(spread: Spread, spent_min: f64) -> Self {
        let spent = spent_min.max(0.0);
        let over = spent > 0.0 && spent >= spread.high_min;
        let (spread, spent) = if over {
            (overrun(spent), 0.0)
        } else {
            (spread, spent)
        };
        let range = spread.range();
        let mut left = Self {
            low: spread.low_min,
            range,
            spent,
            gone: 0.0,
            table: Vec::new(),
            index: Vec::new(),
            over,
            times: 1.0,
        };
        let shape = |from: f64| 1.0 + 4.0 * from / range;
        let beta = (range > 0.0)
            .then(|| {
                Beta::new(
                    shape(spread.likely_min - spread.low_min),
                    shape(spread.high_min - spread.likely_min),
                )
                .ok()
            })
            .flatten();
        if let Some(beta) = beta {
            left.table = (0..=CELLS)
                .map(|cell| beta.cdf(cell as f64 / CELLS as f64))
                .collect();
            let mut cell = 0;
            left.index = (0..CELLS)
                .map(|step| {
                    let share = step as f64 / CELLS as f64;
                    while cell + 1 < CELLS && left.table[cell + 1] <= share {
                        cell += 1;
                    }
                    cell as u16
                })
                .collect();
            left.gone = left.share_by(spent);
        }
        left
    }

    /// Makes what is left that many times as long.
    pub fn shorten(&mut self, times: f64) {
        self.times *= times;
    }

    /// It has taken longer than the longest guess.
    pub fn over(&self) -> bool {
        self.over
    }

    /// The share of such tasks that end within `min` of their start.
    fn share_by(&self, min: f64) -> f64 {
        let x = ((min - self.low) / self.range).clamp(0.0, 1.0) * CELLS as f64;
        let cell = (x as usize).min(CELLS - 1);
        let (a, b) = (self.table[cell], self.table[cell + 1]);
        a + (b - a) * (x - cell as f64)
    }

    /// Minutes left, such that a `share` of such tasks have no longer left. `share` is from nought to one.
    pub fn quantile(&self, share: f64) -> f64 {
        if self.table.is_empty() {
            return self.times * (self.low - self.spent).max(0.0);
        }
        let share = self.gone + share * (1.0 - self.gone);
        let step = ((share * CELLS as f64) as usize).min(CELLS - 1);
        let mut cell = usize::from(self.index[step]);
        while cell + 1 < CELLS && self.table[cell + 1] < share {
            cell += 1;
        }
        let (a, b) = (self.table[cell], self.table[cell + 1]);
        let within = if b > a { (share - a) / (b - a) } else { 0.0 };
        let min = self.low + self.range * (cell as f64 + within.clamp(0.0, 1.0)) / CELLS as f64;
        self.times * (min - self.spent).max(0.0)
    }

    /// The mean of what is left, in minutes, over a hundred equal shares.
    pub fn mean(&self) -> f64 {
        const SHARES: usize = 100;
        (0..SHARES)
            .map(|k| self.quantile((k as f64 + 0.5) / SHARES as f64))
            .sum::<f64>()
            / SHARES as f64
    }
}
