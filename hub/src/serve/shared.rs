//! What the keeper shows and every connection reads: the event log, and the board of latest things, each encoded once.

use axum::extract::ws::Utf8Bytes;
use spinover_protocol::{Seq, event::Event, message::HubMessage, record::Record};
use std::{
    collections::VecDeque,
    sync::{Arc, RwLock},
};
use tokio::sync::watch;

/// Events that are kept in memory for phones that were away; whoever was away for longer gets a snapshot.
const LOG_KEEPS: usize = 20_000;
/// And so many bytes of them: a warm-up's beginning carries its sheet and car. A longer tail would be no help to a phone, since a
/// snapshot is shorter.
const LOG_KEEPS_BYTES: usize = 1_000_000;
/// Events in one frame, at most.
const EVENTS_A_FRAME: usize = 200;

/// Encodes a message. Ours always can be.
pub fn encode(message: &HubMessage) -> Utf8Bytes {
    serde_json::to_string(message)
        .expect("messages have text keys and finite numbers")
        .into()
}

/// Events that are on the disk, and the record that they give.
#[derive(Debug)]
pub struct EventLog {
    inner: RwLock<Inner>,
    last: watch::Sender<Seq>,
}

#[derive(Debug)]
struct Inner {
    /// Consecutive events, encoded; the last one's number is the record's.
    events: VecDeque<Arc<str>>,
    bytes: usize,
    record: Arc<Record>,
}

impl EventLog {
    /// A log that goes on from a record whose events are not in memory.
    pub fn new(record: Record) -> Self {
        let last = watch::Sender::new(record.seq);
        Self {
            inner: RwLock::new(Inner {
                events: VecDeque::new(),
                bytes: 0,
                record: Arc::new(record),
            }),
            last,
        }
    }

    /// Adds events that have reached the disk, and wakes every connection.
    pub fn add(&self, events: &[Event]) {
        let mut inner = self
            .inner
            .write()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        for event in events {
            let text =
                serde_json::to_string(event).expect("events have text keys and finite numbers");
            inner.bytes += text.len();
            inner.events.push_back(text.into());
            Arc::make_mut(&mut inner.record).apply(event);
        }
        while inner.events.len() > LOG_KEEPS || inner.bytes > LOG_KEEPS_BYTES {
            let gone = inner.events.pop_front();
            inner.bytes -= gone.map_or(0, |text| text.len());
        }
        let last = inner.record.seq;
        drop(inner);
        self.last.send_replace(last);
    }

    /// Whether everything after that number is in memory, so that [`EventLog::after`] gives events.
    pub fn holds(&self, seq: Seq) -> bool {
        let inner = self
            .inner
            .read()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        let last = inner.record.seq;
        seq <= last && seq + inner.events.len() as Seq >= last
    }

    /// Changes whenever events are added. Subscribe before reading.
    pub fn subscribe(&self) -> watch::Receiver<Seq> {
        self.last.subscribe()
    }

    /// The number of the last event.
    pub fn last(&self) -> Seq {
        *self.last.borrow()
    }

    /// The record as of the last event that is on the disk.
    pub fn record(&self) -> Arc<Record> {
        self.inner
            .read()
            .unwrap_or_else(|poisoned| poisoned.into_inner())
            .record
            .clone()
    }

    /// The frame of events after that number, and the number of its last; a snapshot when they are not all in memory;
    /// nothing when there are none.
    pub fn after(&self, seq: Seq) -> Option<(Utf8Bytes, Seq)> {
        let inner = self
            .inner
            .read()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        let last = inner.record.seq;
        if seq == last {
            return None;
        }
        let first = last + 1 - inner.events.len() as Seq;
        if seq > last || seq + 1 < first {
            let record = Box::new(Record::clone(&inner.record));
            return Some((encode(&HubMessage::Snapshot { record }), last));
        }
        let start = (seq + 1 - first) as usize;
        let some = inner.events.iter().skip(start).take(EVENTS_A_FRAME);
        let mut frame = String::from(r#"{"type":"events","events":["#);
        let mut count = 0;
        for text in some {
            if count > 0 {
                frame.push(',');
            }
            frame.push_str(text);
            count += 1;
        }
        frame.push_str("]}");
        Some((frame.into(), seq + count))
    }
}

/// What is shown of each kind, encoded, with a number that counts its changes. Only the latest matters.
#[derive(Clone, Debug, Default)]
pub struct Board {
    slots: [Slot; KINDS],
}

#[derive(Clone, Debug, Default)]
struct Slot {
    changes: u64,
    frame: Option<Utf8Bytes>,
}

/// Kinds of latest-only messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Stop calls come first in every way. One is up until its event is on the disk, so that a phone that joins meanwhile has it too.
    StopNow,
    /// Readings.
    Readings,
    /// What steps wait for.
    Progress,
    /// Who is here.
    Presence,
    /// Sources' health.
    Sources,
    /// Figures.
    Figures,
    /// The book's health.
    Book,
    /// The two laptops.
    Hubs,
    /// How the turnaround stands.
    Turnaround,
    /// How long the counted parts have been in.
    Season,
    /// The team's bus.
    Team,
    /// How to join, once it has changed.
    Join,
    /// Whether somebody tries codes.
    Guessing,
}

const KINDS: usize = Kind::Guessing as usize + 1;

impl Board {
    /// Puts the latest of a kind up.
    pub fn put(&mut self, kind: Kind, message: &HubMessage) {
        self.put_encoded(kind, encode(message));
    }

    /// The same with what was encoded beforehand, so that nobody who looks at the board waits for that.
    pub fn put_encoded(&mut self, kind: Kind, frame: Utf8Bytes) {
        let slot = &mut self.slots[kind as usize];
        slot.changes += 1;
        slot.frame = Some(frame);
    }

    /// Takes down what is up of a kind: who has not seen it will not.
    pub fn take_down(&mut self, kind: Kind) {
        self.slots[kind as usize].frame = None;
    }

    /// What changed since a connection last looked; it is noted as seen.
    pub fn news(&self, seen: &mut Seen) -> Vec<Utf8Bytes> {
        let mut news = Vec::new();
        for (slot, seen) in self.slots.iter().zip(&mut seen.0) {
            if slot.changes != *seen {
                *seen = slot.changes;
                news.extend(slot.frame.clone());
            }
        }
        news
    }
}

/// What a connection has seen of the board.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen([u64; KINDS]);

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::event::EventBody;

    fn noted(seq: Seq) -> Event {
        Event {
            seq,
            at: 0,
            by: None,
            command: None,
            body: EventBody::Noted {
                text: "n".to_owned(),
            },
        }
    }

    #[test]
    fn a_stop_is_for_whoever_joins_until_it_is_taken_down() {
        let stop = HubMessage::Book {
            writing: true,
            trouble: None,
            late_ms: None,
        };
        let (mut board, mut early) = (Board::default(), Seen::default());
        assert!(board.news(&mut early).is_empty());
        board.put(Kind::StopNow, &stop);
        assert_eq!(board.news(&mut early).len(), 1);
        assert_eq!(board.news(&mut early).len(), 0, "once");
        assert_eq!(board.news(&mut Seen::default()).len(), 1);
        board.take_down(Kind::StopNow);
        assert_eq!(board.news(&mut Seen::default()).len(), 0);
        board.put(Kind::StopNow, &stop);
        assert_eq!(board.news(&mut early).len(), 1, "another");
    }

    fn decoded(log: &EventLog, after: Seq) -> Option<(HubMessage, Seq)> {
        log.after(after)
            .map(|(text, last)| (serde_json::from_str(&text).unwrap(), last))
    }

    #[test]
    fn the_log_is_bounded_by_bytes_too() {
        let log = EventLog::new(Record::default());
        let long = |seq| Event {
            body: EventBody::Noted {
                text: "n".repeat(LOG_KEEPS_BYTES / 4),
            },
            ..noted(seq)
        };
        for seq in 1..=6 {
            log.add(&[long(seq)]);
        }
        let inner = log.inner.read().unwrap();
        assert_eq!(inner.events.len(), 3);
        assert_eq!(
            inner.bytes,
            inner.events.iter().map(|text| text.len()).sum::<usize>()
        );
        drop(inner);
        assert!(matches!(
            decoded(&log, 2),
            Some((HubMessage::Snapshot { .. }, 6))
        ));
        assert!(matches!(
            decoded(&log, 3),
            Some((HubMessage::Events { .. }, 6))
        ));
    }

    #[test]
    fn a_tail_where_it_is_in_memory_and_a_snapshot_where_it_is_not() {
        let log = EventLog::new(Record {
            seq: 10,
            ..Record::default()
        });
        assert_eq!(decoded(&log, 10), None);
        assert!(matches!(
            decoded(&log, 9),
            Some((HubMessage::Snapshot { .. }, 10))
        ));
        log.add(&[noted(11), noted(12)]);
        let (message, last) = decoded(&log, 10).unwrap();
        assert_eq!(
            (message, last),
            (
                HubMessage::Events {
                    events: vec![noted(11), noted(12)]
                },
                12
            )
        );
        assert_eq!(
            decoded(&log, 11).unwrap().0,
            HubMessage::Events {
                events: vec![noted(12)]
            }
        );
        assert!(
            matches!(decoded(&log, 0), Some((HubMessage::Snapshot { .. }, 12))),
            "a new phone"
        );
        assert!(
            matches!(decoded(&log, 99), Some((HubMessage::Snapshot { .. }, 12))),
            "a phone of another journal"
        );
    }
}
