//! A journal put together again from what was published. No I/O.

use serde::{Deserialize, Serialize};
use spinover_protocol::{Seq, event::Event, hubs::Charge};
use std::collections::BTreeMap;

/// An event as it is on the bus.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sent {
    /// The number of the event before it in that hub's book: a warm-up that was deleted for good leaves a gap.
    pub after: Seq,
    /// The charge of the hub that published it.
    pub charge: Charge,
    /// The event.
    pub event: Event,
}

/// What was published, in the order in which it came. Where a hub took over, what the one before it publishes is not part of the journal from the
/// first event of the new one on.
#[derive(Debug, Default)]
pub struct Gathered {
    events: BTreeMap<Seq, Sent>,
    charge: Charge,
}

impl Gathered {
    /// Takes the next one in.
    pub fn take(&mut self, sent: Sent) {
        if sent.charge < self.charge {
            return; // Replaced, and it did not know.
        }
        if sent.charge > self.charge {
            self.charge = sent.charge.clone();
            self.events.split_off(&sent.event.seq);
        }
        // One that is here came twice.
        self.events.entry(sent.event.seq).or_insert(sent);
    }

    /// The journal.
    ///
    /// # Errors
    /// The first and last of the numbers that are missing.
    pub fn events(self) -> Result<Vec<Event>, (Seq, Seq)> {
        let mut last = 0;
        let mut events = Vec::with_capacity(self.events.len());
        for (seq, sent) in self.events {
            if sent.after > last {
                return Err((last + 1, sent.after));
            }
            last = seq;
            events.push(sent.event);
        }
        Ok(events)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::event::EventBody;

    fn sent(epoch: u64, after: Seq, seq: Seq, text: &str) -> Sent {
        let body = EventBody::Noted {
            text: text.to_owned(),
        };
        Sent {
            after,
            charge: Charge {
                epoch,
                ..Charge::default()
            },
            event: Event {
                seq,
                at: 0,
                by: None,
                command: None,
                body,
            },
        }
    }

    fn texts(all: &[Sent]) -> Result<Vec<String>, (Seq, Seq)> {
        let mut gathered = Gathered::default();
        all.iter().for_each(|sent| gathered.take(sent.clone()));
        let text = |event: Event| match event.body {
            EventBody::Noted { text } => text,
            _ => String::new(),
        };
        Ok(gathered.events()?.into_iter().map(text).collect())
    }

    #[test]
    fn what_comes_twice_is_kept_once() {
        let (a, b) = (sent(0, 0, 1, "a"), sent(0, 1, 2, "b"));
        assert_eq!(texts(&[a.clone(), b.clone(), a, b]).unwrap(), ["a", "b"]);
    }

    #[test]
    fn a_takeover_ends_what_goes_on_without_it_whenever_that_comes() {
        let all = [
            sent(0, 0, 1, "a"),
            sent(0, 1, 2, "b"),
            sent(0, 2, 3, "only at the first"),
            sent(1, 1, 2, "took over"),
            sent(1, 2, 3, "after"),
            sent(0, 3, 4, "the first one has not heard of it"),
        ];
        assert_eq!(texts(&all).unwrap(), ["a", "took over", "after"]);
    }

    #[test]
    fn a_gap_that_the_book_had_is_one_and_another_is_told() {
        let known = [sent(0, 0, 1, "a"), sent(0, 1, 40, "b")];
        assert_eq!(texts(&known).unwrap(), ["a", "b"]);
        let lost = [sent(0, 0, 1, "a"), sent(0, 3, 4, "d")];
        assert_eq!(texts(&lost), Err((2, 3)));
    }
}
