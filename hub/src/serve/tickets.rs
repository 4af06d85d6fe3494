//! Tickets: what an address can carry in place of a code. A link to a report is opened in a tab of its own, where an
//! address is seen, kept and shared; a ticket opens the book's pages for reading only, and is worth nothing an hour later.

use std::{
    collections::VecDeque,
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

/// How long a ticket is good for: a phone left open on a page renews it long before.
pub const GOOD_FOR: Duration = Duration::from_secs(30 * 60);
/// Tickets that are remembered; the oldest go first. Each phone holds one at a time.
const KEPT: usize = 1024;

/// The tickets that are out, as hashes, oldest first.
#[derive(Debug, Default)]
pub struct Tickets(Mutex<VecDeque<(blake3::Hash, Instant)>>);

impl Tickets {
    /// A new one.
    ///
    /// # Errors
    /// When the system has no random numbers.
    pub fn give(&self, now: Instant) -> Result<String, getrandom::Error> {
        // Nine groups of four from thirty letters: 176 bits, which nobody guesses.
        let ticket = super::codes::random(9)?;
        let mut out = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        out.push_back((blake3::hash(ticket.as_bytes()), now + GOOD_FOR));
        while out.len() > KEPT {
            out.pop_front();
        }
        Ok(ticket)
    }

    /// Whether a ticket is good.
    pub fn good(&self, ticket: &str, now: Instant) -> bool {
        // Hashes compare in constant time; see `blake3::Hash`.
        let hash = blake3::hash(ticket.as_bytes());
        let mut out = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        out.retain(|(_, until)| *until > now);
        out.iter().any(|(known, _)| *known == hash)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ticket_is_good_for_its_time_and_no_other_is() {
        let tickets = Tickets::default();
        let now = Instant::now();
        let ticket = tickets.give(now).unwrap();
        assert!(tickets.good(&ticket, now));
        assert!(!tickets.good("", now));
        assert!(!tickets.good(&ticket.replace('-', ""), now));
        assert!(!tickets.good(&ticket, now + GOOD_FOR));
    }

    #[test]
    fn the_oldest_go_first() {
        let tickets = Tickets::default();
        let now = Instant::now();
        let first = tickets.give(now).unwrap();
        for _ in 0..KEPT {
            tickets.give(now).unwrap();
        }
        assert!(!tickets.good(&first, now));
    }
}
