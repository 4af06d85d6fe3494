//! The keeper's side of two laptops: whether this hub takes commands, how far the standby has got, and whether an answer waits for it.
//! The rules of who is in charge are in `core::charge`; the talk with the other hub is in `peers`.

use crate::{
    book::hubs::Kept,
    core::charge::{Fence, Place},
};
use spinover_protocol::{
    CommandId, Millis, Seq,
    event::Who,
    hubs::{Charge, Hubs, OtherHub, Standing},
};
use tokio::sync::watch;

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

/// What the keeper holds.
pub struct Helm {
    place: Place,
    fence: Fence,
    peers: Vec<String>,
    following: watch::Receiver<Following>,
    /// The standby has not kept up: answers do not wait for it until it has caught up.
    lagging: bool,
    told: watch::Sender<Hubs>,
    over: watch::Sender<Option<Over>>,
}

impl Helm {
    /// The helm of a hub with that book, whose journal has that charge.
    pub fn new(
        kept: &Kept,
        place: Place,
        following: watch::Receiver<Following>,
        told: watch::Sender<Hubs>,
        over: watch::Sender<Option<Over>>,
    ) -> Self {
        let helm = Self {
            place,
            fence: Fence::new(&kept.fence),
            peers: kept.peers.clone(),
            following,
            lagging: true,
            told,
            over,
        };
        helm.told.send_replace(helm.hubs(0));
        helm
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
    /// Why not, in words for the chief.
    pub fn hand_over(&mut self, last: Seq, writing: bool) -> Result<Charge, String> {
        let following = self.following.borrow().clone();
        if !following.here {
            return Err("there is no second laptop that follows".to_owned());
        }
        let behind = last.saturating_sub(following.has);
        if writing || behind > 0 {
            return Err(format!(
                "not yet: the second laptop still lacks {} events; ask again",
                behind.max(1)
            ));
        }
        let charge = self.place.next(&self.fence, &following.hub);
        self.place.hear(&charge);
        Ok(charge)
    }

    /// Where the other hub is told to take over, once what this one has given up is on the disk.
    pub fn over(&self) -> watch::Sender<Option<Over>> {
        self.over.clone()
    }

    /// Wakes when the standby came, went, or has more on its disk.
    pub async fn follower_changed(&mut self) {
        if self.following.changed().await.is_err() {
            std::future::pending::<()>().await;
        }
    }

    /// Looks at the standby anew. True where its address is news, and is to be kept.
    pub fn look(&mut self, last: Seq) -> bool {
        let following = self.following.borrow_and_update().clone();
        if !following.here {
            self.lagging = true;
        } else if following.has >= last {
            self.lagging = false;
        }
        let news = !following.urls.is_empty() && following.urls != self.peers && self.in_charge();
        if news {
            self.peers = following.urls;
        }
        news
    }

    /// Whether the answer to a command may go out: its event is on the standby's disk as well, or that has taken too long.
    pub fn may_answer(&mut self, seq: Seq, waited: Millis) -> bool {
        if self.lagging || self.following.borrow().has >= seq {
            return true;
        }
        self.lagging = waited >= FOLLOW_PATIENCE_MS;
        if self.lagging {
            tracing::warn!("the second laptop does not keep up; answers no longer wait for it");
        }
        self.lagging
    }

    fn hubs(&self, last: Seq) -> Hubs {
        let following = self.following.borrow();
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
    pub fn news(&self, last: Seq) -> Option<Hubs> {
        let hubs = self.hubs(last);
        self.told
            .send_if_modified(|told| {
                let news = *told != hubs;
                told.clone_from(&hubs);
                news
            })
            .then_some(hubs)
    }

    /// What this hub may do.
    pub fn standing(&self) -> Standing {
        self.place.standing()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn helm() -> (Helm, watch::Sender<Following>) {
        let (standby, following) = watch::channel(Following::default());
        let kept = Kept {
            hub: "a".to_owned(),
            fence: "secret".to_owned(),
            ..Kept::default()
        };
        let place = Place::hub(Charge::default(), None);
        let (told, over) = (
            watch::Sender::new(Hubs::default()),
            watch::Sender::new(None),
        );
        (Helm::new(&kept, place, following, told, over), standby)
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
        let (mut helm, standby) = helm();
        assert!(helm.may_answer(5, 0), "there is none");
        standby.send_replace(has(3));
        assert!(helm.look(5), "an address to keep");
        assert!(helm.may_answer(5, 0), "it is still catching up");
        standby.send_replace(has(5));
        assert!(!helm.look(5));
        assert!(!helm.may_answer(6, 0) && helm.may_answer(5, 0));
        assert!(!helm.may_answer(6, FOLLOW_PATIENCE_MS - 1));
        assert!(helm.may_answer(6, FOLLOW_PATIENCE_MS));
        assert!(helm.may_answer(7, 0), "it lags, and nobody waits again");
        standby.send_replace(has(7));
        helm.look(7);
        assert!(!helm.may_answer(8, 0), "it has caught up");
        standby.send_replace(Following {
            here: false,
            ..has(7)
        });
        helm.look(7);
        assert!(helm.may_answer(8, 0), "it has gone");
    }

    #[test]
    fn a_charge_is_given_only_to_a_standby_that_lacks_nothing() {
        let (mut helm, standby) = helm();
        assert!(helm.hand_over(4, false).is_err());
        standby.send_replace(has(3));
        helm.look(4);
        assert!(helm.hand_over(4, false).unwrap_err().contains("1 events"));
        standby.send_replace(has(4));
        assert!(
            helm.hand_over(4, true).is_err(),
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
