//! Which hub a phone dials, where there are two: the one that it is at, until that is silent or says that another is in charge.
//! No I/O; [`super::Link`] asks, and tells what came of it.

use crate::hubs::{Charge, Hubs, SeenCharge, Standing};

/// Addresses that are remembered. Two laptops with a few networks each have no more.
const KNOWN_MOST: usize = 8;
/// A phone that cannot reach the hub in charge, and must be content with the other one, looks for it again after so many milliseconds.
const LOOK_AGAIN_MS: f64 = 15_000.0;

/// The hubs that a phone knows, and the highest charge that it has seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// Addresses; the first is empty: wherever the page came from.
    known: Vec<String>,
    at: usize,
    seen: Option<SeenCharge>,
    /// When to leave this hub for the one in charge.
    leave_at: Option<f64>,
    left_at: f64,
}

impl Default for Way {
    fn default() -> Self {
        Self {
            known: vec![String::new()],
            at: 0,
            seen: None,
            leave_at: None,
            left_at: f64::NEG_INFINITY,
        }
    }
}

impl Way {
    /// The hub to dial: `http://192.0.2.7:4780`, or nothing for the one that the page came from.
    pub fn target(&self) -> &str {
        &self.known[self.at]
    }

    /// Whether there is another hub to try.
    pub fn has_other(&self) -> bool {
        self.known.len() > 1
    }

    /// The highest charge seen so far.
    pub fn seen(&self) -> Option<&SeenCharge> {
        self.seen.as_ref()
    }

    /// The hub cannot be reached: the next one's turn.
    pub fn failed(&mut self) {
        self.at = (self.at + 1) % self.known.len();
    }

    /// This hub does not let the phone in, and is not the one that the page came from: forgotten. Answers whether it was so.
    pub fn forget(&mut self) -> bool {
        if self.at == 0 {
            return false;
        }
        self.known.remove(self.at);
        self.at %= self.known.len();
        true
    }

    /// What a hub says of itself and the other one.
    pub fn heard(&mut self, now: f64, journal: &str, hubs: &Hubs) {
        for url in hubs.other.iter().flat_map(|other| &other.urls) {
            if self.known.len() < KNOWN_MOST && !self.known.contains(url) {
                self.known.push(url.clone());
            }
        }
        let stale = self.is_stale(journal, &hubs.charge);
        if !stale && !hubs.charge.is_first() {
            self.seen = Some(SeenCharge {
                journal: journal.to_owned(),
                charge: hubs.charge.clone(),
            });
        }
        let elsewhere = match hubs.standing {
            Standing::InCharge => stale,
            Standing::Standby => hubs.other.as_ref().is_some_and(|other| other.here),
            Standing::Replaced => true,
        };
        self.leave_at =
            (elsewhere && self.has_other()).then(|| (self.left_at + LOOK_AGAIN_MS).max(now));
    }

    /// Whether a hub with that charge was replaced by one that this phone has heard of.
    pub fn is_stale(&self, journal: &str, charge: &Charge) -> bool {
        self.seen
            .as_ref()
            .is_some_and(|seen| seen.journal == journal && *charge < seen.charge)
    }

    /// Whether it is time to leave this hub; if so, the next one's turn has come.
    pub fn leaves(&mut self, now: f64) -> bool {
        if self.leave_at.is_none_or(|at| now < at) {
            return false;
        }
        self.leave_at = None;
        self.left_at = now;
        self.failed();
        true
    }

    /// The socket has closed: what this hub said of itself is void.
    pub fn closed(&mut self) {
        self.leave_at = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hubs::OtherHub;

    fn hubs(standing: Standing, epoch: u64, here: bool) -> Hubs {
        let charge = Charge {
            epoch,
            ..Charge::default()
        };
        let other = OtherHub {
            urls: vec!["http://192.0.2.8:1".to_owned()],
            here,
            behind: 0,
        };
        Hubs {
            standing,
            charge,
            other: Some(other),
        }
    }

    #[test]
    fn a_standby_is_stayed_with_while_the_first_is_gone_and_left_when_it_is_back() {
        let mut way = Way::default();
        way.heard(0.0, "j", &hubs(Standing::Standby, 0, false));
        assert!(!way.leaves(60_000.0));
        way.heard(60_000.0, "j", &hubs(Standing::Standby, 0, true));
        assert!(way.leaves(60_000.0));
        assert_eq!(way.target(), "http://192.0.2.8:1");
        // It could not be reached, and the phone is back here: not again at once.
        way.failed();
        way.heard(60_100.0, "j", &hubs(Standing::Standby, 0, true));
        assert!(!way.leaves(60_100.0) && way.leaves(75_000.0));
    }

    #[test]
    fn the_lower_charge_is_refused_once_the_higher_was_seen_and_only_in_its_own_journal() {
        let mut way = Way::default();
        way.heard(0.0, "j", &hubs(Standing::InCharge, 2, false));
        assert!(!way.leaves(0.0), "in charge");
        way.heard(1.0, "j", &hubs(Standing::InCharge, 1, false));
        assert!(way.is_stale("j", &Charge::default()));
        assert!(way.leaves(1.0));
        way.heard(2.0, "other", &hubs(Standing::InCharge, 0, false));
        assert!(!way.leaves(99_000.0));
        assert_eq!(way.seen().map(|seen| seen.charge.epoch), Some(2));
    }

    #[test]
    fn a_hub_that_does_not_let_us_in_is_forgotten_but_never_the_page_s_own() {
        let mut way = Way::default();
        assert!(!way.forget());
        way.heard(0.0, "j", &hubs(Standing::InCharge, 0, true));
        way.failed();
        assert!(way.forget());
        assert_eq!(way.target(), "");
        assert!(!way.has_other());
    }
}
