//! The bus itself: publishing what is on the disk, and fetching a journal back.

use super::{Bus, Gathered, STREAM, token};
use crate::book::Book;
use anyhow::{Context as _, anyhow, bail, ensure};
use async_nats::jetstream::{
    self, consumer, context,
    stream::{self, LastRawMessageErrorKind, Stream},
};
use futures_util::{StreamExt, TryStreamExt};
use spinover_protocol::{
    Seq,
    event::{Event, EventBody},
    hubs::{Hubs, Standing},
};
use std::{path::Path, time::Duration};
use tokio::sync::watch;

/// Events that are published before their acknowledgements are waited for.
const AT_ONCE: usize = 200;
/// After a trouble it is tried again in so long.
const AGAIN_AFTER: Duration = Duration::from_secs(2);
/// The same event published again within this time is known to be the same by its id; later by what the stream ends with.
const SAME_WITHIN: Duration = Duration::from_secs(600);

fn subject(car: &str, journal: &str) -> String {
    format!("{STREAM}.journal.{}.{}", token(car), token(journal))
}

/// What the servers say, in words: their errors are types of their own for each question.
fn said(error: impl std::fmt::Display) -> anyhow::Error {
    anyhow!("{error}")
}

async fn connect(bus: &Bus) -> anyhow::Result<context::Context> {
    let client = async_nats::ConnectOptions::new()
        .name("spinover")
        .connect(bus.servers.clone())
        .await?;
    Ok(jetstream::new(client))
}

async fn stream_of(jetstream: &context::Context, bus: &Bus) -> anyhow::Result<Stream> {
    let config = stream::Config {
        name: STREAM.to_owned(),
        description: Some("Journals of the team's hubs".to_owned()),
        subjects: vec![format!("{STREAM}.journal.>")],
        num_replicas: bus.copies,
        duplicate_window: SAME_WITHIN,
        ..stream::Config::default()
    };
    jetstream.get_or_create_stream(config).await.map_err(said)
}

/// Publishes a journal for as long as the hub runs: what the bus lacks at first, then whatever comes to the disk. Only while this hub is in
/// charge. Troubles are logged and tried again; nothing else waits for it.
pub async fn publish(
    bus: Bus,
    car: String,
    journal: String,
    book: Book,
    mut last: watch::Receiver<Seq>,
    hubs: watch::Receiver<Hubs>,
) {
    let mut told = String::new();
    loop {
        let Err(error) = publish_on(&bus, &car, &journal, &book, &mut last, &hubs).await else {
            return;
        };
        let words = format!("{error:#}");
        if words != told {
            tracing::warn!("the bus: {words}");
            told = words;
        }
        tokio::time::sleep(AGAIN_AFTER).await;
    }
}

/// Ends well only when the hub does.
async fn publish_on(
    bus: &Bus,
    car: &str,
    journal: &str,
    book: &Book,
    last: &mut watch::Receiver<Seq>,
    hubs: &watch::Receiver<Hubs>,
) -> anyhow::Result<()> {
    let jetstream = connect(bus).await?;
    let stream = stream_of(&jetstream, bus).await?;
    let subject = subject(car, journal);
    let ours = async |after: Seq, many: usize| -> anyhow::Result<Vec<Event>> {
        let book = book.clone();
        let read = move || book.reader()?.events_after(after, many);
        Ok(tokio::task::spawn_blocking(read).await??)
    };
    let mut sent = match stream.get_last_raw_message_by_subject(&subject).await {
        Ok(message) => {
            let theirs: Event = serde_json::from_slice(&message.payload)?;
            let same = ours(theirs.seq - 1, 1).await?.first() == Some(&theirs);
            if same { theirs.seq } else { fork(book).await? }
        }
        Err(error) if error.kind() == LastRawMessageErrorKind::NoMessageFound => 0,
        Err(error) => return Err(said(error)),
    };
    tracing::info!("publishing to the bus from event {}", sent + 1);
    loop {
        last.mark_unchanged();
        let (standing, charge) = {
            let hubs = hubs.borrow();
            (hubs.standing, hubs.charge.clone())
        };
        // A hub that was replaced has nothing more to say; the one that took over publishes.
        if standing == Standing::InCharge {
            loop {
                let events = ours(sent, AT_ONCE).await?;
                let Some(end) = events.last().map(|event| event.seq) else {
                    break;
                };
                let mut acknowledged = Vec::with_capacity(events.len());
                for event in &events {
                    let mut headers = async_nats::HeaderMap::new();
                    let id = format!("{journal}:{}:{}:{}", charge.epoch, charge.hub, event.seq);
                    headers.insert("Nats-Msg-Id", id.as_str());
                    let payload = serde_json::to_vec(event)?;
                    let published =
                        jetstream.publish_with_headers(subject.clone(), headers, payload.into());
                    acknowledged.push(published.await.map_err(said)?);
                }
                for acknowledged in acknowledged {
                    acknowledged.await.map_err(said)?;
                }
                sent = end;
            }
        }
        if last.changed().await.is_err() {
            return Ok(());
        }
    }
}

/// The last event before the last takeover in this book: from there on its journal is its own.
async fn fork(book: &Book) -> anyhow::Result<Seq> {
    let book = book.clone();
    let find = move || -> anyhow::Result<Seq> {
        let reader = book.reader()?;
        let (mut at, mut found) = (0, 0);
        loop {
            let events = reader.events_after(at, 1000)?;
            let Some(end) = events.last().map(|event| event.seq) else {
                return Ok(found);
            };
            let over = events
                .iter()
                .rev()
                .find(|event| matches!(event.body, EventBody::TookOver { .. }));
            found = over.map_or(found, |event| event.seq - 1);
            at = end;
        }
    };
    tokio::task::spawn_blocking(find).await?
}

/// Fetches a car's journal into a directory that has no book yet; its readings are not on the bus. With several journals of the car the one
/// that was written last. Answers the journal's name and how many events it has.
///
/// # Errors
/// When the bus cannot be reached, has no such journal or not all of it, or the disk says no.
pub async fn fetch(bus: &Bus, car: &str, data: &Path) -> anyhow::Result<(String, usize)> {
    ensure!(
        !crate::book::hubs::is_there(data),
        "{} has a book already; give another --data directory",
        data.display()
    );
    let jetstream = connect(bus).await?;
    let stream = jetstream.get_stream(STREAM).await.map_err(said)?;
    let filter = format!("{STREAM}.journal.{}.>", token(car));
    let mut subjects = stream.info_with_subjects(filter).await.map_err(said)?;
    let mut latest: Option<(u64, String)> = None;
    while let Some((subject, _)) = subjects.try_next().await.map_err(said)? {
        let last = stream
            .get_last_raw_message_by_subject(&subject)
            .await
            .map_err(said)?;
        latest = latest.max(Some((last.sequence, subject)));
    }
    let (end, subject) = latest.with_context(|| format!("the bus has no journal of {car}"))?;
    let journal = subject.rsplit('.').next().unwrap_or_default().to_owned();
    let ordered = consumer::pull::OrderedConfig {
        filter_subject: subject,
        ..consumer::pull::OrderedConfig::default()
    };
    let consumer = stream.create_consumer(ordered).await.map_err(said)?;
    let mut messages = consumer.messages().await.map_err(said)?;
    let mut gathered = Gathered::default();
    while let Some(message) = messages.next().await {
        let message = message.map_err(said)?;
        gathered.take(serde_json::from_slice(&message.payload)?);
        if message.info().map_err(said)?.stream_sequence >= end {
            break;
        }
    }
    if let Some((from, to)) = gathered.missing {
        bail!("the bus lacks events {from} to {to} of {car}'s journal {journal}");
    }
    let count = gathered.events.len();
    crate::book::hubs::name_journal(data, &journal)?;
    let (book, _) = Book::open(data)?;
    for some in gathered.events.chunks(1000) {
        book.append(some.to_vec()).await??;
    }
    book.close().await?;
    Ok((journal, count))
}
