//! The clerk's side of two laptops, without I/O: whether this hub takes commands, how far the standby has got, and whether an answer waits for it.
//! The rules of who is in charge are in `core::charge`; the talk with the other hub is in `peers`.

use crate::{
    book::hubs::Kept,
    core::charge::{Fence, Place},
};
use spinover_protocol::{
    CommandId, Millis, Seq,
    event::Who,
    hubs::{Charge, Hubs, OtherHub},
};

/// An answer waits at most this long for the standby to have its event too; then the crew goes on without, and is told.
pub const FOLLOW_PATIENCE_MS: Millis = 500;

/// The standby, as the connection to it knows it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Following {
    /// Its random name.
    pub hub: String,
    /// Where phones can reach it.
    pub urls: Vec<String>,
    /// It is connected.
    pub here: bool,
    /// It has every event up to this one on its disk.
    pub has: Seq,
}

/// A hub that gives its charge away: what the other one is to be told.
#[derive(Clone, Debug, PartialEq)]
pub struct Over {
    /// The charge that the other one is to take over with.
    pub charge: Charge,
    /// Who wanted it.
    pub by: Option<Who>,
    /// With which command.
    pub command: Option<CommandId>,
}

/// Why the charge cannot be given away, in words for the chief.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotYet {
    /// There is nobody to give it to.
    #[error("there is no second laptop that follows")]
    Nobody,
    /// The standby has not confirmed so many events.
    #[error("not yet: the second laptop still lacks {0} events; ask again")]
    Lacks(u64),
}

/// What the clerk holds.
pub struct Helm {
    place: Place,
    fence: Fence,
    peers: Vec<String>,
    following: Following,
    /// The standby has not kept up: answers do not wait for it until it has caught up.
    lagging: bool,
    told: Hubs,
}

impl Helm {
    /// The helm of a hub with that book, whose journal has that charge.
    pub fn new(kept: &Kept, place: Place) -> Self {
        let mut helm = Self {
            place,
            fence: Fence::new(&kept.fence),
            peers: kept.peers.clone(),
            following: Following::default(),
            lagging: true,
            told: Hubs::default(),
        };
        helm.told = helm.hubs(0);
        helm
    }

    /// The helm of a hub that knows of no other.
    pub fn alone(charge: Charge) -> Self {
        Self::new(&Kept::default(), Place::hub(charge, None))
    }

    /// Whether this hub takes commands and writes events.
    pub fn in_charge(&self) -> bool {
        self.place.in_charge()
    }

    /// Why it does not, in words for whoever asked.
    pub fn refusal(&self) -> String {
        match self.peers.first() {
            Some(url) => {
                format!("another laptop has taken over, {url}; nothing can be marked here any more")
            }
            None => "another laptop has taken over; nothing can be marked here any more".to_owned(),
        }
    }

    /// What is to be kept in the book.
    pub fn kept(&self) -> (Charge, Vec<String>) {
        (self.place.highest().clone(), self.peers.clone())
    }

    /// Hears of a charge, and where the hub that has it can be reached. True where that is news.
    pub fn hear(&mut self, charge: &Charge, urls: &[String]) -> bool {
        if !self.fence.vouches(charge) || !self.place.hear(charge) {
            return false;
        }
        if !urls.is_empty() {
            self.peers = urls.to_vec();
        }
        true
    }

    /// Gives the charge to the standby, which must lack nothing. From here on this hub takes no commands, whatever becomes of that.
    ///
    /// # Errors
    /// Why not.
    pub fn hand_over(&mut self, last: Seq, writing: bool) -> Result<Charge, NotYet> {
        let following = &self.following;
        if !following.here {
            return Err(NotYet::Nobody);
        }
        let behind = last.saturating_sub(following.has);
        if writing || behind > 0 {
            return Err(NotYet::Lacks(behind.max(1)));
        }
        let charge = self.place.next(&self.fence, &following.hub);
        self.place.hear(&charge);
        Ok(charge)
    }

    /// The standby is so now. True where its address is news, and is to be kept.
    pub fn followed(&mut self, following: Following, last: Seq) -> bool {
        if !following.here {
            self.lagging = true;
        } else if following.has >= last {
            self.lagging = false;
        }
        let news = !following.urls.is_empty() && following.urls != self.peers && self.in_charge();
        if news {
            self.peers.clone_from(&following.urls);
        }
        self.following = following;
        news
    }

    /// Whether the answer to a command may go out: its event is on the standby's disk as well, or that has taken too long.
    pub fn may_answer(&mut self, seq: Seq, waited: Millis) -> bool {
        if self.lagging || self.following.has >= seq {
            return true;
        }
        self.lagging = waited >= FOLLOW_PATIENCE_MS;
        if self.lagging {
            tracing::warn!("the second laptop does not keep up; answers no longer wait for it");
        }
        self.lagging
    }

    /// What there is to tell of the two laptops.
    pub fn hubs(&self, last: Seq) -> Hubs {
        let following = &self.following;
        let known = !self.peers.is_empty();
        let other = known.then(|| OtherHub {
            urls: self.peers.clone(),
            here: following.here,
            behind: match self.in_charge() {
                true => last.saturating_sub(following.has),
                false => 0,
            },
        });
        Hubs {
            standing: self.place.standing(),
            charge: self.place.highest().clone(),
            other,
        }
    }

    /// What there is to tell of the two laptops, where it differs from what was told last.
    pub fn news(&mut self, last: Seq) -> Option<Hubs> {
        let hubs = self.hubs(last);
        if self.told == hubs {
            return None;
        }
        self.told.clone_from(&hubs);
        Some(hubs)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::hubs::Standing;

    fn helm() -> Helm {
        let kept = Kept {
            hub: "a".to_owned(),
            fence: "secret".to_owned(),
            ..Kept::default()
        };
        Helm::new(&kept, Place::hub(Charge::default(), None))
    }

    fn has(has: Seq) -> Following {
        Following {
            hub: "b".to_owned(),
            urls: vec!["http://192.0.2.8:4780".to_owned()],
            here: true,
            has,
        }
    }

    #[test]
    fn answers_wait_for_a_standby_that_keeps_up_and_for_no_other() {
        let mut helm = helm();
        assert!(helm.may_answer(5, 0), "there is none");
        assert!(helm.followed(has(3), 5), "an address to keep");
        assert!(helm.may_answer(5, 0), "it is still catching up");
        assert!(!helm.followed(has(5), 5));
        assert!(!helm.may_answer(6, 0) && helm.may_answer(5, 0));
        assert!(!helm.may_answer(6, FOLLOW_PATIENCE_MS - 1));
        assert!(helm.may_answer(6, FOLLOW_PATIENCE_MS));
        assert!(helm.may_answer(7, 0), "it lags, and nobody waits again");
        helm.followed(has(7), 7);
        assert!(!helm.may_answer(8, 0), "it has caught up");
        let gone = Following {
            here: false,
            ..has(7)
        };
        helm.followed(gone, 7);
        assert!(helm.may_answer(8, 0), "it has gone");
    }

    #[test]
    fn a_charge_is_given_only_to_a_standby_that_lacks_nothing() {
        let mut helm = helm();
        assert_eq!(helm.hand_over(4, false), Err(NotYet::Nobody));
        helm.followed(has(3), 4);
        assert_eq!(helm.hand_over(4, false), Err(NotYet::Lacks(1)));
        helm.followed(has(4), 4);
        assert_eq!(
            helm.hand_over(4, true),
            Err(NotYet::Lacks(1)),
            "something is on its way to the disk"
        );
        assert!(helm.in_charge());
        let charge = helm.hand_over(4, false).unwrap();
        assert_eq!((charge.epoch, charge.hub.as_str()), (1, "b"));
        assert!(!helm.in_charge() && Fence::new("secret").vouches(&charge));
        assert_eq!(helm.news(4).unwrap().standing, Standing::Replaced);
        assert_eq!(helm.news(4), None);
    }
}
