//! How a counted part is said: how many of how many, and whether it is due. No I/O.

use crate::words::{Word as W, fill};
use spinover_protocol::season::{CounterNow, Counts, Due};

/// `7 of 8 runs`.
pub fn counted(now: &CounterNow) -> String {
    let word = match now.counter.counts {
        Counts::WarmUps => W::SeasonWarmUps,
        Counts::Runs { .. } => W::SeasonRuns,
        Counts::BurnOuts { .. } => W::SeasonBurnOuts,
        Counts::Steps { .. } | Counts::Tasks { .. } => W::SeasonMarks,
        Counts::EngineSeconds { .. } => W::SeasonSeconds,
    };
    let whole = |number: f64| format!("{number:.0}");
    // Rounded down: what is not reached yet must not read as reached.
    fill(
        word,
        &[&whole(now.count.floor()), &whole(now.counter.limit)],
    )
}

/// The stylesheet's and the tests' name for how due it is.
pub fn key(due: Due) -> &'static str {
    match due {
        Due::Fine => "fine",
        Due::Soon => "soon",
        Due::Now => "due",
    }
}

/// How much of its bar is full, 0 to 1.
pub fn share(now: &CounterNow) -> f64 {
    let limit = now.counter.limit;
    if limit > 0.0 {
        (now.count / limit).clamp(0.0, 1.0)
    } else {
        1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::season::Counter;

    fn at(count: f64) -> CounterNow {
        CounterNow {
            counter: Counter {
                counts: Counts::EngineSeconds { above_rpm: 2000.0 },
                limit: 1800.0,
                warn_at: 1500.0,
                ..Counter::default()
            },
            count,
            ..CounterNow::default()
        }
    }

    #[test]
    fn nothing_reads_as_reached_before_it_is() {
        assert!(
            counted(&at(1799.9)).starts_with("1799 "),
            "{}",
            counted(&at(1799.9))
        );
        assert_eq!(key(at(1499.9).due()), "fine");
        assert_eq!(key(at(1500.0).due()), "soon");
        assert_eq!(key(at(1800.0).due()), "due");
        assert_eq!(share(&at(900.0)), 0.5);
        assert_eq!(share(&at(9000.0)), 1.0);
    }
}
