//! Publishing a journal: what the bus lacks, then whatever comes to the disk, by number.

use super::{Bus, Sent, State, jetstream, said, stream_of};
use crate::book::Book;
use async_nats::{
    Client, HeaderMap,
    jetstream::{Context, stream::LastRawMessageErrorKind},
};
use spinover_protocol::{
    Seq,
    event::{Event, EventBody},
    hubs::{Charge, Hubs, Standing},
};
use tokio::sync::watch;

/// Events that are published before their acknowledgements are waited for.
const AT_ONCE: usize = 200;

/// What is published, and where.
pub struct Journal {
    pub subject: String,
    pub name: String,
    pub book: Book,
    pub last: watch::Receiver<Seq>,
    pub hubs: watch::Receiver<Hubs>,
}

impl Journal {
    async fn after(&self, seq: Seq, many: usize) -> anyhow::Result<Vec<Event>> {
        let book = self.book.clone();
        let read = move || book.reader()?.events_after(seq, many);
        Ok(tokio::task::spawn_blocking(read).await??)
    }

    fn standing(&self) -> (Standing, Charge) {
        let hubs = self.hubs.borrow();
        (hubs.standing, hubs.charge.clone())
    }

    /// Up to where the bus has this journal as it is here.
    async fn has(&self, jetstream: &Context, bus: &Bus) -> anyhow::Result<Seq> {
        let stream = stream_of(jetstream, bus).await?;
        match stream.get_last_raw_message_by_subject(&self.subject).await {
            Ok(message) => {
                let theirs: Sent = serde_json::from_slice(&message.payload)?;
                let (before, seq) = (theirs.event.seq.saturating_sub(1), theirs.event.seq);
                match self.after(before, 1).await?.first() == Some(&theirs.event) {
                    true => Ok(seq),
                    // Another hub went on from an event that this one has not; from the takeover on the journal is its own.
                    false => self.fork().await,
                }
            }
            Err(error) if error.kind() == LastRawMessageErrorKind::NoMessageFound => Ok(0),
            Err(error) => Err(said(error)),
        }
    }

    /// The last event before the last takeover in this book.
    async fn fork(&self) -> anyhow::Result<Seq> {
        let (mut at, mut found) = (0, 0);
        loop {
            let events = self.after(at, 1000).await?;
            let Some(end) = events.last().map(|event| event.seq) else {
                return Ok(found);
            };
            let mut backwards = events.iter().rev();
            let over = backwards.find(|event| matches!(event.body, EventBody::TookOver { .. }));
            found = over.map_or(found, |event| event.seq - 1);
            at = end;
        }
    }

    /// Publishes some; they are on the bus when this ends well.
    async fn send(
        &self,
        jetstream: &Context,
        charge: &Charge,
        mut after: Seq,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        let mut acknowledged = Vec::with_capacity(events.len());
        for event in events {
            let seq = event.seq;
            let id = format!("{}:{}:{}:{seq}", self.name, charge.epoch, charge.hub);
            let mut headers = HeaderMap::new();
            headers.insert(async_nats::header::NATS_MESSAGE_ID, id.as_str());
            let sent = Sent {
                after,
                charge: charge.clone(),
                event,
            };
            let payload = serde_json::to_vec(&sent)?.into();
            let published = jetstream.publish_with_headers(self.subject.clone(), headers, payload);
            acknowledged.push(published.await.map_err(said)?);
            after = seq;
        }
        for acknowledged in acknowledged {
            acknowledged.await.map_err(said)?;
        }
        Ok(())
    }
}

/// Publishes for as long as the hub runs and the bus is there. Only while this hub is in charge: one that was replaced has nothing more to say.
///
/// # Errors
/// What the bus or the book says.
pub async fn publish(
    bus: &Bus,
    client: &Client,
    mut ours: Journal,
    state: &watch::Sender<State>,
) -> anyhow::Result<()> {
    let jetstream = jetstream(client);
    let mut sent = ours.has(&jetstream, bus).await?;
    tracing::info!("publishing to the bus from event {}", sent + 1);
    state.send_modify(|state| {
        (state.here, state.answers, state.why) = (true, true, None);
    });
    loop {
        ours.last.mark_unchanged();
        state.send_modify(|state| state.sent = sent);
        let (standing, charge) = ours.standing();
        if standing == Standing::InCharge {
            loop {
                let events = ours.after(sent, AT_ONCE).await?;
                let Some(end) = events.last().map(|event| event.seq) else {
                    break;
                };
                ours.send(&jetstream, &charge, sent, events).await?;
                sent = end;
                state.send_modify(|state| state.sent = sent);
            }
        }
        if ours.last.changed().await.is_err() {
            return Ok(());
        }
    }
}
