//! The trade's computations: pure functions and plain estimators. No I/O, no clock, no threads;
//! time comes in as seconds on any one scale. Nothing here knows of the wire or of a phone.
//!
//! Every result carries its uncertainty where it has one, says by [`CantSay`] why there is none,
//! and has `words()`: one plain sentence for a phone. A figure advises; nothing applies it.

use std::fmt;

use serde::Serialize;

pub mod air;
pub mod air_ahead;
pub mod bleed;
pub mod change;
pub mod cylinders;
pub mod flow;
pub mod fuel;
pub mod fuels;
pub mod idle;
pub mod mags;
pub mod mix;
pub mod quantity;
mod rhythm;
pub mod robust;
pub mod schedule;
mod settle;
pub mod slip;
pub mod warm;

/// Why a figure has no value now. An answer, not a failure.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "reason", rename_all = "snake_case")]
pub enum CantSay {
    /// Not enough of something countable.
    TooFew {
        /// What is counted, plural (`"readings"`, `"adjustments"`).
        what: &'static str,
        /// How many there are.
        have: usize,
        /// How many it takes.
        need: usize,
    },
    /// Watched for too short a time.
    TooShort {
        /// Seconds watched so far.
        have_s: f64,
        /// Seconds it takes.
        need_s: f64,
    },
    /// The newest reading is too old to speak for now.
    Old {
        /// Age of the newest reading, seconds.
        age_s: f64,
        /// The oldest it may be, seconds.
        limit_s: f64,
    },
    /// The engine does not run.
    NotRunning,
    /// Something needed was not given.
    Missing {
        /// What is missing.
        what: &'static str,
    },
    /// A value is not a number, or outside what is physically plausible.
    Implausible {
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// Lowest plausible value.
        low: f64,
        /// Highest plausible value.
        high: f64,
    },
    /// The cases to learn from are all alike, so they say nothing about the effect of a change.
    NoSpread {
        /// Which quantity does not vary.
        what: &'static str,
    },
    /// The cases learned from contradict how an engine behaves, so they are not believed.
    Contradicts {
        /// What they claim, as a plain clause.
        what: &'static str,
    },
    /// Wanted cannot be reached with what is at hand.
    OutOfReach {
        /// What cannot be done, as a plain clause.
        what: &'static str,
    },
}

impl CantSay {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        match self {
            CantSay::TooFew { what, have, need } => {
                format!("can't say yet: {have} of {need} {what}")
            }
            CantSay::TooShort { have_s, need_s } => {
                format!("can't say yet: {have_s:.0} s of {need_s:.0} s watched")
            }
            CantSay::Old { age_s, limit_s } => {
                format!("can't say: newest reading is {age_s:.1} s old, limit {limit_s:.1} s")
            }
            CantSay::NotRunning => "can't say: engine not running".to_owned(),
            CantSay::Missing { what } => format!("can't say: no {what}"),
            CantSay::Implausible {
                what,
                value,
                low,
                high,
            } => {
                format!("can't say: {what} {value} is outside {low}..{high}")
            }
            CantSay::NoSpread { what } => format!("can't say yet: {what} was always the same"),
            CantSay::Contradicts { what } => format!("not believed: {what}"),
            CantSay::OutOfReach { what } => format!("can't be done: {what}"),
        }
    }
}

impl fmt::Display for CantSay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words())
    }
}

impl std::error::Error for CantSay {}

/// Checks that `value` is a number within `low..=high`.
///
/// # Errors
/// [`CantSay::Implausible`] where it is not.
pub(crate) fn plausible(
    what: &'static str,
    value: f64,
    low: f64,
    high: f64,
) -> Result<f64, CantSay> {
    // A NaN fails both comparisons, and so is caught here too.
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(CantSay::Implausible {
            what,
            value,
            low,
            high,
        })
    }
}
