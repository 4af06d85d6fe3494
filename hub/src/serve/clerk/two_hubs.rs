//! What the clerk decides where there are two laptops: commands that a hub without charge is asked, handing over, and what the standby has.

use super::{Clerk, ConnId, Order};
use crate::{
    core::{Input, TakeOver},
    serve::{
        helm::{Following, Helm, Over},
        shared::Kind,
    },
};
use spinover_protocol::{
    CommandId, Millis,
    event::{Right, Who},
    hubs::Charge,
    message::{Command, HubMessage},
};

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
        orders
    }

    /// Gives the charge to the standby.
    ///
    /// # Errors
    /// Why not, in words for the chief.
    pub fn hand_over(
        &mut self,
        by: Option<Who>,
        command: Option<CommandId>,
    ) -> Result<Vec<Order>, String> {
        if self.resting {
            return Err("the files are being changed; ask again in a moment".to_owned());
        }
        let charge = self
            .helm
            .hand_over(self.on_disk, !self.writing.is_empty())?;
        tracing::warn!(epoch = charge.epoch, "handing over to the second laptop");
        let (_, peers) = self.helm.kept();
        let over = Over {
            charge,
            by,
            command,
        };
        Ok(vec![Order::HandOver(over, peers)])
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
                match self.hand_over(Some(who), Some(id.clone())) {
                    // The other hub answers.
                    Ok(orders) => return orders,
                    Err(reason) => reason,
                }
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
