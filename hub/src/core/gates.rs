//! What the steps that can be marked next still wait for, and since when each condition has held.

use super::channels::Channels;
use spinover_protocol::{
    Millis, StepKey,
    message::{Progress, Quality, StepProgress, Wait},
    record::{Record, Warmup},
    sheet::{Gate, Step},
};
use std::collections::BTreeMap;

/// For each step that order allows, and each of its gates in order: since when it has held without a break.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gates {
    since: BTreeMap<StepKey, Vec<Option<Millis>>>,
}

impl Gates {
    /// Looks at every gate of the steps that order allows. To be called with every batch of readings, every event and every tick.
    pub fn look(&mut self, now: Millis, channels: &Channels, record: &Record) {
        let Some(warmup) = &record.warmup else {
            self.since.clear();
            return;
        };
        let allowed = warmup.allowed();
        self.since
            .retain(|key, _| allowed.iter().any(|step| step.key == *key));
        for step in allowed {
            if step.gates.is_empty() {
                continue;
            }
            let since = self
                .since
                .entry(step.key.clone())
                .or_insert_with(|| vec![None; step.gates.len()]);
            for (gate, since) in step.gates.iter().zip(since) {
                match holds(gate, now, channels, warmup).0 {
                    true => *since = since.or(Some(now)),
                    false => *since = None,
                }
            }
        }
    }

    /// What a step waits for, met or not.
    pub fn waits(
        &self,
        now: Millis,
        step: &Step,
        channels: &Channels,
        warmup: &Warmup,
    ) -> Vec<Wait> {
        let since = self.since.get(&step.key);
        let mut waits: Vec<Wait> = Vec::with_capacity(step.gates.len() + 1);
        for (index, gate) in step.gates.iter().enumerate() {
            let (holds, doubt) = holds(gate, now, channels, warmup);
            let held_for = since
                .and_then(|since| since[index])
                .map_or(0, |since| now - since);
            let left_ms = if holds {
                (gate.for_ms - held_for).max(0)
            } else {
                gate.for_ms
            };
            waits.push(Wait::Reading {
                channel: gate.channel.clone(),
                must: gate.must,
                holds,
                left_ms,
                doubt,
            });
        }
        if let Some(dwell) = step.dwell_ms {
            waits.push(Wait::Dwell {
                left_ms: (dwell - (now - warmup.current_since)).max(0),
            });
        }
        waits
    }
}

/// Whether a gate's condition holds on a good reading now; and if the reading is not good, in what way.
fn holds(gate: &Gate, now: Millis, channels: &Channels, warmup: &Warmup) -> (bool, Option<String>) {
    let Some((index, _)) = warmup.car.channel(&gate.channel) else {
        return (false, Some("none".to_owned()));
    };
    let doubt = match channels.reading(now, index) {
        (Some(value), Quality::Good, _) => {
            return (gate.must.met(value, warmup.band_now(&gate.channel)), None);
        }
        (_, Quality::Suspect, _) => "suspect",
        (_, Quality::Old, _) => "old",
        _ => "none",
    };
    (false, Some(doubt.to_owned()))
}

/// The whole picture, for the pages.
pub fn progress(now: Millis, gates: &Gates, channels: &Channels, record: &Record) -> Progress {
    let Some(warmup) = &record.warmup else {
        return Progress {
            now,
            steps: Vec::new(),
        };
    };
    let current = warmup.current().map(|(_, step)| &step.key);
    let one = |step: &Step| {
        let waits = gates.waits(now, step, channels, warmup);
        let limit = step.limit_ms.filter(|_| current == Some(&step.key));
        StepProgress {
            step: step.key.clone(),
            ready: waits.iter().all(Wait::met),
            waits,
            limit_left_ms: limit.map(|limit| limit - (now - warmup.current_since)),
        }
    };
    Progress {
        now,
        steps: warmup.allowed().into_iter().map(one).collect(),
    }
}
