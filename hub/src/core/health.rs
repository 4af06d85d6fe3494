//! How the sources are doing: rates, counts, and what they could not take.

use super::{
    channels::Channels,
    feed::{FaultKind, Report},
    times::Times,
};
use spinover_protocol::{
    Millis,
    message::{FaultCount, SourceHealth, SourceState},
    trust::is_simulated,
};
use std::collections::BTreeMap;

/// A source that was heard within this long still counts as delivering; what is posted has no state of its own.
const LATE_MS: i64 = 10_000;
/// The rate is taken over this long.
const RATE_OVER_MS: i64 = 2_000;

#[derive(Clone, Debug, PartialEq)]
struct One {
    name: String,
    state: SourceState,
    taken: u64,
    per_second: f64,
    counted_from: (Millis, u64),
    faults: BTreeMap<FaultKind, FaultCount>,
    since: Millis,
    heard_at: Option<Millis>,
    lost: u32,
}

/// All sources.
#[derive(Clone, Debug, PartialEq)]
pub struct Health {
    sources: Vec<One>,
}

impl Health {
    /// Sources with those names, nothing heard yet.
    pub fn new(names: Vec<String>) -> Self {
        let one = |name| One {
            name,
            state: SourceState::Waiting,
            taken: 0,
            per_second: 0.0,
            counted_from: (0, 0),
            faults: BTreeMap::new(),
            since: 0,
            heard_at: None,
            lost: 0,
        };
        Self {
            sources: names.into_iter().map(one).collect(),
        }
    }

    /// Takes one report in.
    pub fn take(&mut self, now: Millis, source: usize, report: &Report) {
        let Some(one) = self.sources.get_mut(source) else {
            return;
        };
        match report {
            Report::Batch(batch) => {
                one.taken += batch.values.len() as u64;
                one.heard_at = Some(now);
            }
            Report::State(state) => {
                let lost = matches!(state, SourceState::Waiting | SourceState::Failed);
                if one.state == SourceState::Up && lost {
                    one.lost += 1;
                }
                if one.state != *state || one.since == 0 {
                    one.since = now;
                }
                one.state = *state;
            }
            Report::Fault(fault) => {
                let kind = fault.kind.name().to_owned();
                let known = one.faults.entry(fault.kind);
                let known = known.or_insert(FaultCount {
                    kind,
                    count: 0,
                    last: String::new(),
                    at: now,
                });
                known.count += fault.count;
                known.last = fault
                    .text
                    .chars()
                    .take(spinover_protocol::MAX_TEXT)
                    .collect();
                known.at = now;
            }
        }
    }

    /// Whether anything that may be a car delivers, or has of late.
    pub fn may_be_a_car(&self, now: Millis) -> bool {
        let late = |one: &One| one.heard_at.is_some_and(|at| now - at < LATE_MS);
        let up = |one: &One| one.state == SourceState::Up;
        let mut sources = self.sources.iter();
        sources.any(|one| !is_simulated(&one.name) && (up(one) || late(one)))
    }

    /// Works the rates out.
    pub fn tick(&mut self, now: Millis) {
        for one in &mut self.sources {
            let (from, taken) = one.counted_from;
            if now - from >= RATE_OVER_MS {
                one.per_second = (one.taken - taken) as f64 * 1000.0 / (now - from) as f64;
                one.counted_from = (now, one.taken);
            }
        }
    }

    /// As the pages see it.
    pub fn sources(&self, now: Millis, channels: &Channels, times: &Times) -> Vec<SourceHealth> {
        let one = |(source, one): (usize, &One)| SourceHealth {
            name: one.name.clone(),
            state: one.state,
            per_second: one.per_second,
            taken: one.taken,
            faults: one.faults.values().cloned().collect(),
            since: one.since,
            lost: one.lost,
            clock: times.clock(source),
            last: channels.said_by(now, source),
        };
        self.sources.iter().enumerate().map(one).collect()
    }
}
