//! Who may take commands, of two hubs with one journal: a state machine without I/O, clock or chance.
//!
//! The rule is one: **a hub takes commands only while it knows of no charge higher than its own.** Whoever takes over makes a charge
//! higher than all it knows; phones and the other hub carry it about. What two hubs cannot know without hearing of each other
//! is said in `docs/standby.md`.

use spinover_protocol::{
    CommandId,
    event::Who,
    hubs::{Charge, Standing},
};

/// The secret that both hubs' books hold, and nothing else: only with it can a charge be made that the other believes.
#[derive(Clone)]
pub struct Fence([u8; 32]);

impl std::fmt::Debug for Fence {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Fence")
    }
}

impl Fence {
    /// From the words that the book keeps.
    pub fn new(words: &str) -> Self {
        Self(blake3::derive_key(
            "spinover who is in charge 1",
            words.as_bytes(),
        ))
    }

    fn hash(&self, epoch: u64, hub: &str) -> blake3::Hash {
        let mut bytes = epoch.to_le_bytes().to_vec();
        bytes.extend_from_slice(hub.as_bytes());
        blake3::keyed_hash(&self.0, &bytes)
    }

    /// The charge of that number for that hub.
    pub fn charge(&self, epoch: u64, hub: &str) -> Charge {
        Charge {
            epoch,
            hub: hub.to_owned(),
            proof: self.hash(epoch, hub).to_hex().to_string(),
        }
    }

    /// Whether one of the journal's hubs made this charge. Takes the same time whatever is wrong with it.
    pub fn vouches(&self, charge: &Charge) -> bool {
        blake3::Hash::from_hex(charge.proof.as_bytes())
            .is_ok_and(|proof| proof == self.hash(charge.epoch, &charge.hub))
    }
}

/// A takeover that is to become an event.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeOver {
    /// The charge that the hub has from then on.
    pub charge: Charge,
    /// Who wanted it, where a phone said so.
    pub by: Option<Who>,
    /// With which command.
    pub command: Option<CommandId>,
    /// Nobody wanted it: the other hub had been gone for as long as was agreed.
    pub by_itself: bool,
}

/// What one hub may do, and why.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Place {
    standing: Standing,
    /// The charge of its own journal.
    own: Charge,
    /// The highest that it has heard of.
    highest: Charge,
}

impl Place {
    /// A hub that is not a standby. `own` is the charge in its journal, `heard` the highest that it has ever heard of and kept.
    pub fn hub(own: Charge, heard: Option<Charge>) -> Self {
        let highest = heard.unwrap_or_default().max(own.clone());
        Self {
            standing: if highest > own {
                Standing::Replaced
            } else {
                Standing::InCharge
            },
            own,
            highest,
        }
    }

    /// A standby that follows a journal with that charge.
    pub fn standby(own: Charge) -> Self {
        Self {
            standing: Standing::Standby,
            highest: own.clone(),
            own,
        }
    }

    /// What it may do.
    pub fn standing(&self) -> Standing {
        self.standing
    }

    /// Whether it takes commands and writes events of its own.
    pub fn in_charge(&self) -> bool {
        self.standing == Standing::InCharge
    }

    /// The charge of its own journal.
    pub fn own(&self) -> &Charge {
        &self.own
    }

    /// The highest charge that it has heard of.
    pub fn highest(&self) -> &Charge {
        &self.highest
    }

    /// Hears of a charge that the fence vouches for. True where that is news: it is to be kept before anyone is told.
    pub fn hear(&mut self, charge: &Charge) -> bool {
        if *charge <= self.highest {
            return false;
        }
        self.highest = charge.clone();
        if self.standing == Standing::InCharge {
            self.standing = Standing::Replaced;
        }
        true
    }

    /// A takeover that came with the journal that this standby follows.
    pub fn follow(&mut self, charge: &Charge) {
        if *charge > self.own {
            self.own = charge.clone();
        }
        self.hear(charge);
    }

    /// The charge that this or another hub would take over with now: higher than all that this one has heard of.
    pub fn next(&self, fence: &Fence, hub: &str) -> Charge {
        fence.charge(self.highest.epoch + 1, hub)
    }

    /// Takes over with that charge, once it is in the journal. Refused where a higher one is known by then.
    pub fn take_over(&mut self, charge: Charge) -> bool {
        if charge < self.highest || charge <= self.own {
            return false;
        }
        self.highest = charge.clone();
        self.own = charge;
        self.standing = Standing::InCharge;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::{HashSet, VecDeque};

    fn fence() -> Fence {
        Fence::new("of this journal")
    }

    #[test]
    fn only_the_journals_own_hubs_are_believed() {
        let charge = fence().charge(3, "b");
        assert!(fence().vouches(&charge));
        assert!(!Fence::new("of another").vouches(&charge));
        for forged in [
            Charge {
                epoch: 4,
                ..charge.clone()
            },
            Charge {
                hub: "c".into(),
                ..charge.clone()
            },
            Charge {
                proof: String::new(),
                ..charge.clone()
            },
            Charge::default(),
        ] {
            assert!(!fence().vouches(&forged), "{forged:?}");
        }
    }

    /// Two hubs and two phones: everything that can happen to them, in every order.
    #[derive(Clone, Debug, PartialEq, Eq, Hash)]
    struct Pit {
        hubs: [Place; 2],
        /// What each hub has kept of what it heard: all that is left of it after a restart.
        kept: [Charge; 2],
        phones: [Charge; 2],
        /// A phone whose command a hub has just taken: hub, and what phone and hub knew.
        took: Option<(usize, Charge)>,
    }

    const NAMES: [&str; 2] = ["a", "b"];

    impl Pit {
        fn new() -> Self {
            Self {
                hubs: [
                    Place::hub(Charge::default(), None),
                    Place::standby(Charge::default()),
                ],
                kept: Default::default(),
                phones: Default::default(),
                took: None,
            }
        }

        fn hear(&mut self, hub: usize, charge: &Charge) {
            if !charge.is_first() && fence().vouches(charge) && self.hubs[hub].hear(charge) {
                self.kept[hub] = charge.clone();
            }
        }

        fn restart(&mut self, hub: usize) {
            let place = &self.hubs[hub];
            let own = place.own().clone();
            self.hubs[hub] = match place.standing() {
                Standing::Standby => Place::standby(own),
                _ => Place::hub(own, Some(self.kept[hub].clone())),
            };
        }

        fn next(&self) -> Vec<(String, Self)> {
            let mut all = Vec::new();
            for hub in 0..2 {
                // The chief's word, or the time that was agreed: whatever this hub knows of the other one.
                if !self.hubs[hub].in_charge() {
                    let mut pit = self.clone();
                    let charge = pit.hubs[hub].next(&fence(), NAMES[hub]);
                    assert!(pit.hubs[hub].take_over(charge));
                    all.push((format!("{} takes over", NAMES[hub]), pit));
                }
                // Handing over: the other one takes what this one has given up.
                if self.hubs[hub].in_charge() {
                    let mut pit = self.clone();
                    let charge = pit.hubs[hub].next(&fence(), NAMES[1 - hub]);
                    pit.hear(hub, &charge);
                    all.push((format!("{} hands over, unheard", NAMES[hub]), pit.clone()));
                    if pit.hubs[1 - hub].take_over(charge) {
                        all.push((format!("{} hands over", NAMES[hub]), pit));
                    }
                }
                // The link between the laptops, one way at a time: it may be cut at any moment, so each is a step of its own.
                let mut pit = self.clone();
                let told = self.hubs[1 - hub].highest().clone();
                pit.hear(hub, &told);
                all.push((format!("{} hears the other", NAMES[hub]), pit));
                let mut pit = self.clone();
                pit.restart(hub);
                all.push((format!("{} starts again", NAMES[hub]), pit));
                for phone in 0..2 {
                    // Hello: the hub hears of what the phone has seen, the phone of what the hub has; then a command.
                    let mut pit = self.clone();
                    let seen = pit.phones[phone].clone();
                    pit.hear(hub, &seen);
                    let says = pit.hubs[hub].highest().clone();
                    pit.phones[phone] = seen.max(says);
                    if pit.hubs[hub].in_charge() {
                        pit.took = Some((hub, pit.phones[phone].clone()));
                    }
                    all.push((format!("phone {phone} at {}", NAMES[hub]), pit));
                }
            }
            all
        }

        fn check(&self) {
            let [a, b] = &self.hubs;
            if a.in_charge() && b.in_charge() {
                assert_ne!(a.own(), b.own(), "one charge, two hubs");
            }
            for (hub, place) in self.hubs.iter().enumerate() {
                assert!(place.own() <= place.highest());
                if place.in_charge() {
                    assert_eq!(place.own(), place.highest(), "{}", NAMES[hub]);
                }
            }
            if let Some((hub, phone)) = &self.took {
                assert!(self.hubs[*hub].own() >= phone, "a lower hub took a command");
            }
        }

        /// Both hubs hear each other, as often as it takes.
        fn healed(mut self) -> Self {
            for _ in 0..2 {
                for hub in 0..2 {
                    let told = self.hubs[1 - hub].highest().clone();
                    self.hear(hub, &told);
                }
            }
            self
        }
    }

    #[test]
    fn in_every_order_of_what_can_happen_no_lower_hub_takes_a_command() {
        const DEEP: usize = 6;
        let mut known = HashSet::from([Pit::new()]);
        let mut queue = VecDeque::from([(0, Pit::new())]);
        let (mut steps, mut both) = (0, 0);
        while let Some((depth, pit)) = queue.pop_front() {
            let two = |pit: &Pit| pit.hubs.iter().filter(|hub| hub.in_charge()).count() == 2;
            both += usize::from(two(&pit));
            assert!(
                !two(&pit.clone().healed()),
                "still two once they have heard each other: {pit:?}"
            );
            if depth == DEEP {
                continue;
            }
            for (what, mut next) in pit.next() {
                steps += 1;
                let before = std::panic::catch_unwind(|| next.check());
                assert!(before.is_ok(), "{what} after {pit:?}");
                next.took = None;
                if known.insert(next.clone()) {
                    queue.push_back((depth + 1, next));
                }
            }
        }
        // That both believe for a while is possible, and must be: nothing can tell a cut link from a dead laptop.
        assert!(both > 0);
        assert!(
            known.len() > 300 && steps > 5_000,
            "{} {steps}",
            known.len()
        );
    }

    #[test]
    fn a_replaced_hub_stays_so_over_a_restart_and_can_be_put_in_charge_again() {
        let (fence, first) = (fence(), Charge::default());
        let over = fence.charge(1, "b");
        let mut place = Place::hub(first.clone(), None);
        assert!(place.in_charge() && place.hear(&over) && !place.hear(&over));
        assert_eq!(place.standing(), Standing::Replaced);
        let mut place = Place::hub(first, Some(over.clone()));
        assert_eq!(place.standing(), Standing::Replaced);
        let again = place.next(&fence, "a");
        assert!(again > over && place.take_over(again) && place.in_charge());
        assert!(!place.take_over(over), "a lower one never");
    }

    #[test]
    fn two_that_take_over_at_once_are_told_apart() {
        let fence = fence();
        let (b, c) = (fence.charge(1, "b"), fence.charge(1, "c"));
        let mut place = Place::hub(b.clone(), None);
        assert!(place.hear(&c) && !place.in_charge());
        let mut place = Place::hub(c, None);
        assert!(!place.hear(&b) && place.in_charge());
    }
}
