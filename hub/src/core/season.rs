//! What a season's counters count in a warm-up and between rounds, and how they stand. Pure: the book's reading is `serve::season`.

use super::Core;
use super::command::{Decision, Refusal, short, words};
use spinover_protocol::{
    Millis,
    event::EventBody,
    record::{Record, Said, Warmup},
    season::{self, Counter, CounterNow, Counts, Life},
    turnaround::Turnaround,
};
use std::collections::BTreeMap;

/// Something that counted: when, and how much.
pub type Tick = (Millis, f64);

/// What a warm-up adds to a counter by its record alone. Engine seconds are the readings' to say: see [`Above`].
pub fn of_warmup(counts: &Counts, warmup: &Warmup) -> Vec<Tick> {
    let meant = |at: Millis| {
        let mut practices = warmup.practices.iter().filter(|practice| practice.crew);
        !practices
            .any(|practice| at >= practice.at && practice.ended_at.is_none_or(|end| at <= end))
    };
    let done = |mark: &&spinover_protocol::record::Mark| mark.skipped.is_none() && meant(mark.at);
    match counts {
        Counts::WarmUps => {
            let first = warmup.steps.values().filter(done).map(|mark| mark.at).min();
            first.map(|at| (at, 1.0)).into_iter().collect()
        }
        Counts::Runs { step } | Counts::BurnOuts { step } | Counts::Steps { step } => {
            let mark = warmup.steps.get(step).filter(done);
            mark.map(|mark| (mark.at, 1.0)).into_iter().collect()
        }
        Counts::Tasks { .. } | Counts::EngineSeconds { .. } => Vec::new(),
    }
}

/// What a time between rounds adds to a counter.
pub fn of_turnaround(counts: &Counts, turnaround: &Turnaround) -> Vec<Tick> {
    let Counts::Tasks { task } = counts else {
        return Vec::new();
    };
    let done = turnaround
        .tasks
        .get(task)
        .and_then(|progress| progress.done.as_ref());
    done.map(|stamp| (stamp.at, 1.0)).into_iter().collect()
}

/// Seconds of the engine above a speed, minute by minute, from its readings in order.
#[derive(Debug)]
pub struct Above {
    above_rpm: f64,
    last: Option<(i64, f64)>,
    minutes: BTreeMap<Millis, f64>,
}

/// Readings of the speed further apart than this say nothing of the time between, in microseconds.
const GAP_US: i64 = 2_000_000;

impl Above {
    /// None yet.
    pub fn new(above_rpm: f64) -> Self {
        Self {
            above_rpm,
            last: None,
            minutes: BTreeMap::new(),
        }
    }

    /// The engine's speed at a time in microseconds. From one reading to the next the first one's holds.
    pub fn push(&mut self, t_us: i64, rpm: f64) {
        if let Some((from_us, held)) = self.last
            && held > self.above_rpm
            && (0..=GAP_US).contains(&(t_us - from_us))
        {
            let minute = from_us.div_euclid(60_000_000) * 60_000;
            *self.minutes.entry(minute).or_default() += (t_us - from_us) as f64 / 1e6;
        }
        self.last = Some((t_us, rpm));
    }

    /// What it comes to.
    pub fn ticks(self) -> Vec<Tick> {
        self.minutes.into_iter().collect()
    }
}

/// How a counter stands, from all that counted, in any order, and the changes of its part, oldest first.
pub fn stands(counter: &Counter, ticks: &[Tick], changes: &[Said]) -> CounterNow {
    // What counted at the very moment of a change was before it.
    let between = |from: Millis, to: Millis| -> f64 {
        let inside = ticks.iter().filter(|(at, _)| *at > from && *at <= to);
        // Not a sum: that of nothing is minus nought, and would be shown so.
        inside.fold(0.0, |sum, (_, amount)| sum + amount)
    };
    let mut before = Vec::new();
    let mut from = Millis::MIN;
    for changed in changes {
        before.push(Life {
            changed: changed.clone(),
            count: between(from, changed.at),
        });
        from = changed.at;
    }
    before.reverse();
    CounterNow {
        counter: counter.clone(),
        count: between(from, Millis::MAX),
        before,
    }
}

/// How all stand; `ticks` is what counted for each, in the counters' order.
pub fn all_stand(
    counters: &[Counter],
    ticks: &[Vec<Tick>],
    changes: &BTreeMap<String, Vec<Said>>,
) -> season::Now {
    let none = Vec::new();
    let stand = counters
        .iter()
        .zip(ticks)
        .map(|(counter, ticks)| stands(counter, ticks, changes.get(&counter.key).unwrap_or(&none)));
    season::Now {
        counters: stand.collect(),
    }
}

impl Core {
    /// What the team counts over the season.
    pub fn season(&mut self, counters: Vec<Counter>) {
        self.counters = counters;
    }

    /// The changes of parts.
    pub fn part_changes(&self) -> &BTreeMap<String, Vec<Said>> {
        &self.record.changes
    }

    pub(super) fn change_part(&self, counter: String, remark: String) -> Result<Decision, Refusal> {
        self.counter(&counter)?;
        let remark = words(remark)?;
        Ok(Decision::Events(vec![EventBody::PartChanged {
            counter,
            remark,
        }]))
    }

    pub(super) fn undo_change(&self, counter: String) -> Result<Decision, Refusal> {
        self.counter(&counter)?;
        match changed(&self.record, &counter) {
            true => Ok(Decision::Events(vec![EventBody::PartChangeUndone {
                counter,
            }])),
            false => Err("that part was not changed yet".to_owned()),
        }
    }

    fn counter(&self, key: &str) -> Result<&Counter, Refusal> {
        let known = self.counters.iter().find(|counter| counter.key == key);
        known.ok_or_else(|| {
            format!(
                "nothing is counted as '{}' (serve --season FILE)",
                short(key)
            )
        })
    }
}

fn changed(record: &Record, counter: &str) -> bool {
    record
        .changes
        .get(counter)
        .is_some_and(|all| !all.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(at: Millis) -> Said {
        Said {
            at,
            by: None,
            text: format!("set {at}"),
        }
    }

    #[test]
    fn a_part_counts_from_its_change_on_and_the_earlier_ones_are_kept() {
        let counter = Counter {
            limit: 3.0,
            warn_at: 2.0,
            ..Counter::default()
        };
        let ticks = [(10, 1.0), (20, 1.0), (30, 1.0), (40, 1.0), (50, 1.0)];
        let now = stands(&counter, &ticks, &[said(20), said(35)]);
        assert_eq!(now.count, 2.0);
        assert_eq!(now.due(), season::Due::Soon);
        let before: Vec<(Millis, f64)> =
            now.before.iter().map(|l| (l.changed.at, l.count)).collect();
        assert_eq!(before, [(35, 1.0), (20, 2.0)]);
        assert_eq!(stands(&counter, &ticks, &[]).due(), season::Due::Now);
        let none = stands(&counter, &[], &[said(9)]);
        assert_eq!(none.due(), season::Due::Fine);
        assert_eq!(format!("{:.0}", none.count), "0");
    }

    #[test]
    fn seconds_above_are_what_was_held_and_gaps_are_not() {
        let mut above = Above::new(2000.0);
        for (second, rpm) in [
            (0, 1500.0),
            (1, 2500.0),
            (2, 2500.0),
            (3, 1000.0),
            (4, 3000.0),
            (90, 3000.0),
            (91, 0.0),
        ] {
            above.push(second * 1_000_000, rpm);
        }
        assert_eq!(above.ticks(), [(0, 2.0), (60_000, 1.0)]);
    }
}
