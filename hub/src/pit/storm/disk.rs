//! The simulated disk under the book: transactions that take their time, fail, or are cut by a crash. Each holds as a whole or left
//! nothing, as the book's do; what has been answered stays. What `book::read` loads at a start, this loads.

use super::chance::Chance;
use crate::core::Journal;
use spinover_protocol::{
    Seq,
    event::{Event, EventBody},
};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// As the book's writer: waits between attempts, the first and the longest, in milliseconds.
const BACKOFF_MS: (i64, i64) = (100, 5_000);

/// What became of an attempt.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Attempt {
    /// So many appends are on the disk.
    Held(usize),
    /// The disk refused; try again after so many milliseconds.
    Refused(i64),
    /// What was handed over can never be written, and why.
    Never(String),
}

/// The disk.
#[derive(Debug, Default)]
pub(super) struct Disk {
    /// The journal: what survives a crash.
    synced: Vec<Event>,
    ids: BTreeSet<String>,
    waiting: VecDeque<Vec<Event>>,
    /// How many of those that wait are in the transaction under way.
    taken: usize,
    backoff_ms: i64,
    pub(super) failing: bool,
    /// A transaction takes up to so many milliseconds.
    pub(super) slow_ms: i64,
}

impl Disk {
    /// Everything that is on it.
    pub(super) fn synced(&self) -> &[Event] {
        &self.synced
    }

    /// The number of the last event on it.
    pub(super) fn last(&self) -> Seq {
        self.synced.len() as Seq
    }

    /// Takes events in; whether a transaction is to be begun.
    pub(super) fn append(&mut self, events: Vec<Event>) -> bool {
        self.waiting.push_back(events);
        self.taken == 0
    }

    /// Begins a transaction of all that waits; how long it will take, or nothing when nothing waits.
    pub(super) fn begin(&mut self, chance: &mut Chance) -> Option<i64> {
        self.taken = self.waiting.len();
        self.backoff_ms = BACKOFF_MS.0;
        (self.taken > 0).then(|| self.takes_ms(chance))
    }

    fn takes_ms(&self, chance: &mut Chance) -> i64 {
        chance.between(1, self.slow_ms.max(1))
    }

    /// The attempt is over.
    pub(super) fn end(&mut self, chance: &mut Chance) -> Attempt {
        if self.failing {
            let wait = self.backoff_ms;
            self.backoff_ms = (wait * 2).min(BACKOFF_MS.1);
            return Attempt::Refused(wait + self.takes_ms(chance));
        }
        match self.commit() {
            Ok(count) => Attempt::Held(count),
            Err(why) => Attempt::Never(why),
        }
    }

    fn commit(&mut self) -> Result<usize, String> {
        let count = std::mem::take(&mut self.taken);
        for events in self.waiting.drain(..count) {
            for event in events {
                let due = self.synced.len() as Seq + 1;
                if event.seq != due {
                    return Err(format!(
                        "event {} is out of order, {due} was due",
                        event.seq
                    ));
                }
                if let EventBody::WarmupBegun { id, .. } = &event.body
                    && !self.ids.insert(id.clone())
                {
                    return Err(format!("the book has a warm-up {id} already"));
                }
                self.synced.push(event);
            }
        }
        Ok(count)
    }

    /// The hub has gone: what waited is lost, but the transaction under way may have reached the disk, unanswered.
    pub(super) fn crash(&mut self, chance: &mut Chance) -> bool {
        // A failing disk can have taken the words without saying so, and gives them back when it is opened again.
        let held = self.taken > 0 && chance.percent(if self.failing { 15 } else { 50 });
        let held = held && self.commit().is_ok();
        self.waiting.clear();
        self.taken = 0;
        held
    }

    /// What a hub that starts now finds: as `book::read::load`.
    pub(super) fn load(&self) -> Journal {
        let begun = |event: &Event| matches!(event.body, EventBody::WarmupBegun { .. });
        let from = self.synced.iter().rposition(begun).unwrap_or(0);
        let mut people: BTreeMap<_, &Event> = BTreeMap::new();
        for event in &self.synced[..from] {
            if let EventBody::PersonJoined { who, .. } = &event.body {
                people.insert(who.id.clone(), event);
            }
        }
        let mut events: Vec<Event> = people.into_values().cloned().collect();
        events.sort_by_key(|event| event.seq);
        events.extend_from_slice(&self.synced[from..]);
        let command = |event: &Event| Some((event.command.clone()?, event.seq));
        Journal {
            events,
            commands: self.synced.iter().filter_map(command).collect(),
            last: self.last(),
            lessons: Default::default(),
        }
    }
}
