//! The team's bus: a NATS server, or a cluster of them, to which hubs publish their journals, and from which a journal comes back when
//! a laptop's disk is lost. Built with `--features bus` only; without it every entry here says so. Replication is the servers' own.
//!
//! Journals are a JetStream stream, [`STREAM`], one subject a car and journal, one message an event; the message's id names the event, so that
//! one sent twice is kept once. What is on the laptop's disk is the truth: nothing waits for the bus.

use spinover_protocol::event::{Event, EventBody};

#[cfg(feature = "bus")]
mod nats;
#[cfg(feature = "bus")]
pub use nats::{fetch, publish};

/// The stream that holds the journals.
pub const STREAM: &str = "spinover";

/// Where the bus is: `nats://HOST:PORT`, several with commas between, and how many servers of a cluster keep each event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bus {
    /// The servers.
    pub servers: Vec<String>,
    /// How many of them keep each event: 1, or 3 in a cluster of three.
    pub copies: usize,
}

impl std::str::FromStr for Bus {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if cfg!(not(feature = "bus")) {
            return Err(
                "this spinover was built without the bus; build it with `--features bus`"
                    .to_owned(),
            );
        }
        let (servers, rest) = text.split_once('?').unwrap_or((text, ""));
        let copies = match rest.strip_prefix("copies=") {
            None if rest.is_empty() => 1,
            Some(count) => match count.parse() {
                Ok(count) if (1..=5).contains(&count) => count,
                _ => return Err(format!("copies={count}: 1 to 5")),
            },
            None => return Err(format!("`{rest}` is not known; copies=3 is")),
        };
        let servers: Vec<String> = servers
            .split(',')
            .map(|server| match server.contains("://") {
                true => server.to_owned(),
                false => format!("nats://{server}"),
            })
            .collect();
        let good = |server: &String| {
            server
                .strip_prefix("nats://")
                .is_some_and(|rest| rest.contains(':'))
        };
        match servers.iter().find(|server| !good(server)) {
            None => Ok(Self { servers, copies }),
            Some(bad) => Err(format!(
                "`{bad}` is no address of a bus; one looks like nats://192.0.2.9:4222"
            )),
        }
    }
}

/// A name as one part of a subject: letters and digits; everything else becomes a dash.
pub fn token(name: &str) -> String {
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let token: String = name.chars().map(plain).collect();
    if token.is_empty() {
        "-".to_owned()
    } else {
        token
    }
}

/// Puts a journal together from what was published, in that order. Where a hub took over, what the one before it had published beyond
/// that point is not part of the journal any more.
#[derive(Debug, Default)]
pub struct Gathered {
    /// The journal so far.
    pub events: Vec<Event>,
    /// The first numbers that are missing, where some are.
    pub missing: Option<(u64, u64)>,
}

impl Gathered {
    /// Takes the next one in.
    pub fn take(&mut self, event: Event) {
        let due = self.events.last().map_or(1, |last| last.seq + 1);
        if event.seq < due {
            let forks = matches!(event.body, EventBody::TookOver { .. })
                && self
                    .events
                    .get(event.seq as usize - 1)
                    .is_none_or(|known| *known != event);
            if !forks {
                return; // Published again.
            }
            self.events.truncate(event.seq as usize - 1);
        } else if event.seq > due {
            self.missing.get_or_insert((due, event.seq - 1));
            return;
        }
        self.events.push(event);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::hubs::Charge;

    fn event(seq: u64, text: &str) -> Event {
        let body = EventBody::Noted {
            text: text.to_owned(),
        };
        Event {
            seq,
            at: 0,
            by: None,
            command: None,
            body,
        }
    }

    fn took_over(seq: u64, epoch: u64) -> Event {
        let charge = Charge {
            epoch,
            ..Charge::default()
        };
        let body = EventBody::TookOver {
            charge,
            by_itself: false,
        };
        Event {
            body,
            ..event(seq, "")
        }
    }

    fn gathered(events: &[Event]) -> Gathered {
        let mut all = Gathered::default();
        events.iter().for_each(|event| all.take(event.clone()));
        all
    }

    #[test]
    fn what_comes_twice_is_kept_once_and_a_takeover_ends_what_went_on_without_it() {
        let (a, b, c) = (event(1, "a"), event(2, "b"), event(3, "only at the first"));
        let over = took_over(3, 1);
        let after = event(4, "after");
        let all = gathered(&[
            a.clone(),
            b.clone(),
            b.clone(),
            c,
            over.clone(),
            after.clone(),
            over.clone(),
        ]);
        assert_eq!(all.events, [a.clone(), b, over, after]);
        assert_eq!(all.missing, None);
        let hole = gathered(&[a, event(4, "d"), event(5, "e")]);
        assert_eq!((hole.events.len(), hole.missing), (1, Some((2, 3))));
    }

    #[test]
    fn names_become_parts_of_subjects() {
        assert_eq!(token("Kestrel 2.*>"), "kestrel-2---");
        assert_eq!(token(""), "-");
    }

    #[cfg(feature = "bus")]
    #[test]
    fn addresses() {
        let bus: Bus = "nats://192.0.2.9:4222,192.0.2.10:4222?copies=3"
            .parse()
            .unwrap();
        assert_eq!((bus.servers.len(), bus.copies), (2, 3));
        for bad in ["", "nats://", "http://h:1", "h", "h:1?copies=9", "h:1?x"] {
            assert!(bad.parse::<Bus>().is_err(), "{bad}");
        }
    }
}
