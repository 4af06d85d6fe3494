//! What the clerk decides where there are two laptops: commands that a hub without charge is asked, handing over, and what the standby has.
//!
//! A hand-over has a moment of its own: this hub takes no commands any more and has not given its charge away yet, so that what the
//! standby has to confirm does not grow while it does.

use super::{Clerk, ConnId, Order};
use crate::{
    core::{Input, TakeOver},
    serve::{
        helm::{FOLLOW_PATIENCE_MS, Following, Helm, NotYet, Over},
        shared::Kind,
    },
};
use spinover_protocol::{
    CommandId, Millis,
    event::{Right, Who},
    hubs::Charge,
    message::{Command, HubMessage},
};
use std::collections::VecDeque;

/// Commands that wait for the end of a hand-over, which takes half a second at most.
const HELD_MOST: usize = 256;

/// Who wants a hand-over, and is told when nothing comes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wisher {
    /// A phone that is here.
    Phone(ConnId),
    /// The standby, by its own connection.
    Standby,
}

/// That this hub should give its charge away.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// Which person wants it.
    pub by: Option<Who>,
    /// With which command.
    pub command: Option<CommandId>,
    /// Who is answered.
    pub from: Wisher,
}

impl Wish {
    fn refused(&self, reason: &str) -> Option<Order> {
        let reason = reason.to_owned();
        match (self.from, &self.command) {
            (Wisher::Standby, _) => Some(Order::KeepCharge(reason)),
            (Wisher::Phone(conn), Some(id)) => {
                let id = id.clone();
                Some(Order::Answer(conn, HubMessage::Refused { id, reason }))
            }
            (Wisher::Phone(_), None) => None,
        }
    }
}

/// A hand-over that waits for the standby's disk.
#[derive(Debug)]
pub(super) struct Leaving {
    wish: Wish,
    since: Millis,
    held: VecDeque<(ConnId, CommandId, Command)>,
}

impl Clerk {
    /// The same as one of two laptops.
    #[must_use]
    pub fn at(mut self, helm: Helm) -> Self {
        self.helm = helm;
        self
    }

    /// This hub was a standby, and takes over.
    pub fn take_over(&mut self, now: Millis, over: TakeOver) -> Vec<Order> {
        self.take(now, Input::TakeOver(over), None)
    }

    /// Somebody has seen a charge, and knows where the hub that has it can be reached.
    pub fn hear(&mut self, charge: &Charge, urls: &[String]) -> Vec<Order> {
        if !self.helm.hear(charge, urls) {
            return Vec::new();
        }
        tracing::warn!(epoch = charge.epoch, "another hub has taken over");
        let (heard, peers) = self.helm.kept();
        vec![Order::KeepHubs(heard, peers)]
    }

    /// The standby came, went, or has more on its disk.
    pub fn followed(&mut self, now: Millis, following: Following) -> Vec<Order> {
        let mut orders = Vec::new();
        if self.helm.followed(following, self.on_disk) {
            let (heard, peers) = self.helm.kept();
            orders.push(Order::KeepHubs(heard, peers));
        }
        self.pay(now, &mut orders);
        self.leave(now, &mut orders);
        orders
    }

    /// Somebody wants this hub to give its charge away: from now on it takes no commands, and when the standby has everything on its
    /// disk, which it may take [`FOLLOW_PATIENCE_MS`] for, it is told to take over.
    pub fn hand_over(&mut self, now: Millis, wish: Wish) -> Vec<Order> {
        let mut orders = Vec::new();
        match &mut self.leaving {
            // The same wish by another socket, which is the one that can be answered.
            Some(leaving) if leaving.wish.command == wish.command => leaving.wish = wish,
            Some(_) => orders.extend(wish.refused("this laptop is handing over already")),
            None if self.resting => {
                orders.extend(wish.refused("the files are being changed; ask again in a moment"));
            }
            None => {
                self.leaving = Some(Leaving {
                    wish,
                    since: now,
                    held: VecDeque::new(),
                });
                self.leave(now, &mut orders);
            }
        }
        orders
    }

    /// Whether this hub is about to give its charge away.
    pub fn leaving(&self) -> bool {
        self.leaving.is_some()
    }

    /// What is asked meanwhile waits: it is done here if nothing comes of the hand-over, and else at the other laptop, where its phone
    /// brings it. True where it was kept.
    pub(super) fn held(&mut self, conn: ConnId, id: &CommandId, command: &Command) -> bool {
        let Some(leaving) = &mut self.leaving else {
            return false;
        };
        let now_or_never = matches!(command, Command::Stop { .. } | Command::TakeOver {});
        if now_or_never || leaving.held.len() >= HELD_MOST || self.core.answered(id).is_some() {
            return false;
        }
        leaving.held.push_back((conn, id.clone(), command.clone()));
        true
    }

    /// Gives the charge away where the standby has everything, and gives that up where it takes too long.
    pub(super) fn leave(&mut self, now: Millis, orders: &mut Vec<Order>) {
        let Some(leaving) = self.leaving.take() else {
            return;
        };
        match self.helm.hand_over(self.on_disk, !self.writing.is_empty()) {
            Ok(charge) => {
                tracing::warn!(epoch = charge.epoch, "handing over to the second laptop");
                let (_, peers) = self.helm.kept();
                let (by, command) = (leaving.wish.by, leaving.wish.command);
                let over = Over {
                    charge,
                    by,
                    command,
                };
                orders.push(Order::HandOver(over, peers));
            }
            Err(NotYet::Lacks(_)) if now - leaving.since < FOLLOW_PATIENCE_MS => {
                self.leaving = Some(leaving);
            }
            Err(not) => {
                orders.extend(leaving.wish.refused(&not.to_string()));
                for (conn, id, command) in leaving.held {
                    orders.extend(self.command(now, conn, id, command));
                }
            }
        }
    }

    /// What is asked of a hub that is not in charge, and the wish that it should not be.
    pub(super) fn two_hubs(
        &mut self,
        now: Millis,
        conn: ConnId,
        id: CommandId,
        command: Command,
    ) -> Vec<Order> {
        let Some((who, right)) = self.conns.get(&conn).cloned() else {
            return Vec::new();
        };
        if let Some(seq) = self.core.answered(&id) {
            let ack = HubMessage::Ack { id, seq };
            self.owed.push_back((seq, conn, ack, now));
            let mut orders = Vec::new();
            self.pay(now, &mut orders);
            return orders;
        }
        let reason = match command {
            Command::TakeOver {} if right != Right::Chief => {
                "only a phone that joined with the chief code can do that".to_owned()
            }
            Command::TakeOver {} if self.helm.in_charge() => {
                let (by, from) = (Some(who), Wisher::Phone(conn));
                // If it can be done, the other hub answers.
                return self.hand_over(
                    now,
                    Wish {
                        by,
                        command: Some(id),
                        from,
                    },
                );
            }
            Command::TakeOver {} => format!(
                "{}; if that one is off for good, start this one again with --take-over",
                self.helm.refusal()
            ),
            Command::Stop { text } => {
                // It is written down, and answered, where the phone gets it to next; those who are here must not wait for that.
                let message = HubMessage::StopNow {
                    text,
                    by: who,
                    command: id,
                };
                return vec![Order::Show(Kind::StopNow, message)];
            }
            _ => self.helm.refusal(),
        };
        vec![Order::Answer(conn, HubMessage::Refused { id, reason })]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        book::hubs::Kept,
        core::{Core, Journal, charge::Place},
        files::demo,
    };

    const CHIEF: ConnId = 1;

    /// A clerk with a chief, all of whose events are on the disk, and a standby that has so many of them.
    fn clerk(behind: u64) -> (Clerk, Following) {
        let (car, sheets) = (demo::car().unwrap().car, demo::sheets().unwrap());
        let core = Core::new(car, sheets, vec![], vec![], &Journal::default());
        let kept = Kept {
            hub: "a".to_owned(),
            fence: "secret".to_owned(),
            ..Kept::default()
        };
        let mut clerk = Clerk::new(core).at(Helm::new(&kept, Place::hub(Charge::default(), None)));
        clerk.start(0);
        let wren = Who {
            id: "w".into(),
            name: "Wren".to_owned(),
            role: "chief".into(),
        };
        clerk.joined(0, CHIEF, wren, Right::Chief);
        while !clerk.writing.is_empty() {
            clerk.written(0);
        }
        let following = Following {
            hub: "b".to_owned(),
            here: true,
            has: clerk.on_disk - behind,
            ..Following::default()
        };
        clerk.followed(0, following.clone());
        (clerk, following)
    }

    fn ask(clerk: &mut Clerk, now: Millis, id: &str, command: Command) -> Vec<Order> {
        clerk.command(now, CHIEF, id.into(), command)
    }

    fn note() -> Command {
        Command::Note {
            text: "while it waits".to_owned(),
        }
    }

    fn gives(orders: &[Order]) -> bool {
        orders
            .iter()
            .any(|order| matches!(order, Order::HandOver(..)))
    }

    fn writes(orders: &[Order]) -> bool {
        orders.iter().any(|order| matches!(order, Order::Write(_)))
    }

    #[test]
    fn a_hand_over_waits_for_the_standby_and_nothing_is_taken_in_meanwhile() {
        let (mut clerk, following) = clerk(1);
        let orders = ask(&mut clerk, 10, "over", Command::TakeOver {});
        assert_eq!(orders, [], "neither yes nor no");
        assert_eq!(ask(&mut clerk, 20, "n", note()), []);
        assert!(clerk.helm.in_charge() && clerk.leaving());
        // The confirmation is all that it takes, at the last moment too.
        let has = clerk.on_disk;
        let now = 10 + FOLLOW_PATIENCE_MS - 1;
        assert!(!gives(&clerk.tick(now)));
        let orders = clerk.followed(now, Following { has, ..following });
        assert!(gives(&orders) && !writes(&orders), "{orders:?}");
        assert!(!clerk.helm.in_charge() && !clerk.leaving());
    }

    #[test]
    fn one_that_takes_too_long_is_refused_and_what_waited_is_done_here() {
        let (mut clerk, _) = clerk(2);
        assert_eq!(ask(&mut clerk, 0, "over", Command::TakeOver {}), []);
        assert_eq!(ask(&mut clerk, 1, "n", note()), []);
        let orders = clerk.tick(FOLLOW_PATIENCE_MS);
        let refused = |order: &Order| {
            matches!(order, Order::Answer(CHIEF, HubMessage::Refused { id, reason })
                if id.as_str() == "over" && reason.contains("2 events"))
        };
        assert!(orders.iter().any(refused), "{orders:?}");
        assert!(writes(&orders) && clerk.helm.in_charge() && !clerk.leaving());
    }

    #[test]
    fn a_stop_is_taken_in_while_a_hand_over_waits_and_the_standby_must_have_it_too() {
        let (mut clerk, following) = clerk(1);
        ask(&mut clerk, 0, "over", Command::TakeOver {});
        let text = "fuel leak".to_owned();
        let orders = ask(&mut clerk, 1, "stop", Command::Stop { text });
        assert!(writes(&orders), "{orders:?}");
        let has = clerk.on_disk;
        let before = Following { has, ..following };
        assert!(
            !gives(&clerk.followed(2, before.clone())),
            "it is not on the disk here"
        );
        assert!(!gives(&clerk.written(3)), "it is not on the disk there");
        let has = clerk.on_disk;
        assert!(gives(&clerk.followed(4, Following { has, ..before })));
    }

    #[test]
    fn with_nobody_there_the_answer_is_no_at_once_and_the_standby_hears_its_own() {
        let (mut clerk, following) = clerk(1);
        let wish = Wish {
            by: None,
            command: None,
            from: Wisher::Standby,
        };
        assert_eq!(clerk.hand_over(0, wish.clone()), []);
        let gone = Following {
            here: false,
            ..following
        };
        let orders = clerk.followed(1, gone);
        assert!(
            matches!(&orders[..], [Order::KeepCharge(why)] if why.contains("no second laptop"))
        );
        let orders = clerk.hand_over(2, wish);
        assert!(matches!(&orders[..], [Order::KeepCharge(_)]), "{orders:?}");
    }
}
