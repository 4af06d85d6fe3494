//! The record after every event on the disk, folded by the judge itself. A storm of some minutes has thousands of events and a record
//! is large, so not each is kept: one in so many, and those last asked for; what lies between is folded again.

use spinover_protocol::{Seq, event::Event, record::Record};
use std::{collections::VecDeque, sync::Arc};

/// One record in so many is kept.
const EVERY: usize = 64;
/// So many that were asked for last are kept as well: about as many as phones are behind in different ways.
const LATELY: usize = 16;

/// What the journal gives.
#[derive(Default)]
pub(super) struct Truth {
    /// After all events so far.
    last: Arc<Record>,
    /// After none, after `EVERY`, after twice as many and so on.
    kept: Vec<Arc<Record>>,
    lately: VecDeque<Arc<Record>>,
}

impl Truth {
    /// One more event is on the disk.
    pub(super) fn add(&mut self, event: &Event) {
        if self.kept.is_empty() {
            self.kept.push(Arc::default());
        }
        Arc::make_mut(&mut self.last).apply(event);
        if self.last.seq.is_multiple_of(EVERY as Seq) {
            self.kept.push(self.last.clone());
        }
    }

    /// The record after all events so far.
    pub(super) fn last(&self) -> &Arc<Record> {
        &self.last
    }

    /// The record after that event of the journal; nothing where there is no such event yet.
    pub(super) fn at(&mut self, seq: Seq, journal: &[Event]) -> Option<Arc<Record>> {
        if seq > self.last.seq {
            return None;
        }
        if seq == self.last.seq {
            return Some(self.last.clone());
        }
        if let Some(known) = self.lately.iter().find(|record| record.seq == seq) {
            return Some(known.clone());
        }
        let from = self.kept.get(seq as usize / EVERY)?;
        let mut record = Record::clone(from);
        for event in &journal[from.seq as usize..seq as usize] {
            record.apply(event);
        }
        let record = Arc::new(record);
        self.lately.push_back(record.clone());
        if self.lately.len() > LATELY {
            self.lately.pop_front();
        }
        Some(record)
    }
}
