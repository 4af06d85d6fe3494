//! What the keeper does where there are two laptops: commands that a hub without charge is asked, handing over, and what the standby has.

use super::{ConnId, Over, Running};
use crate::serve::shared::Kind;
use spinover_protocol::{
    CommandId, Seq,
    event::{Right, Who},
    message::{Command, HubMessage},
};
use tokio::sync::oneshot;

impl Running {
    /// What is asked of a hub that is not in charge, and the wish that it should not be.
    pub(super) fn two_hubs(
        &mut self,
        conn: ConnId,
        who: Who,
        right: Right,
        id: CommandId,
        command: Command,
    ) {
        if let Some(seq) = self.keeper.core.answered(&id) {
            return self.owe(seq, conn, HubMessage::Ack { id, seq });
        }
        let reason = match command {
            Command::TakeOver {} if right != Right::Chief => {
                "only a phone that joined with the chief code can do that".to_owned()
            }
            Command::TakeOver {} if self.keeper.helm.in_charge() => {
                match self.hand_over(Some(who), Some(id.clone())) {
                    // The other hub answers.
                    Ok(()) => return,
                    Err(reason) => reason,
                }
            }
            Command::TakeOver {} => format!(
                "{}; if that one is off for good, start this one again with --take-over",
                self.keeper.helm.refusal()
            ),
            Command::Stop { text } => {
                // It is written down, and answered, where the phone gets it to next; those who are here must not wait for that.
                let message = HubMessage::StopNow {
                    text,
                    by: who,
                    command: id,
                };
                return self
                    .keeper
                    .board
                    .send_modify(|board| board.put(Kind::StopNow, &message));
            }
            _ => self.keeper.helm.refusal(),
        };
        self.answer(conn, HubMessage::Refused { id, reason });
    }

    fn owe(&mut self, seq: Seq, conn: ConnId, message: HubMessage) {
        let now = self.now();
        self.owed.push_back((seq, conn, message, now));
        self.pay();
    }

    /// Gives the charge to the standby: first it is on the disk that this hub has none any more, then the standby is told.
    pub(super) fn hand_over(
        &mut self,
        by: Option<Who>,
        command: Option<CommandId>,
    ) -> Result<(), String> {
        let (last, writing) = (self.keeper.log.last(), !self.writing.is_empty());
        let charge = self.keeper.helm.hand_over(last, writing)?;
        tracing::warn!(epoch = charge.epoch, "handing over to the second laptop");
        let kept = self.keep_hubs();
        let (to, over) = (
            self.keeper.helm.over(),
            Over {
                charge,
                by,
                command,
            },
        );
        tokio::spawn(async move {
            // If it cannot be kept, this hub must not be without charge after a restart and the other one with it, but a
            // takeover that the chief wants must not fail over it either: the other one tells this one again.
            if !matches!(kept.await, Ok(Ok(()))) {
                tracing::error!("that this hub was replaced could not be written down");
            }
            to.send_replace(Some(over));
        });
        Ok(())
    }

    pub(super) fn keep_hubs(&self) -> oneshot::Receiver<Result<(), crate::book::BookError>> {
        let (heard, peers) = self.keeper.helm.kept();
        self.keeper.book.keep_hubs(heard, peers)
    }

    /// The standby came, went, or has more on its disk.
    pub(super) fn followed(&mut self) {
        if self.keeper.helm.look(self.keeper.log.last()) {
            drop(self.keep_hubs());
        }
        self.pay();
    }
}
