//! A car's journal back from the bus, into a directory that has no book.

use super::{Bus, Gathered, STREAM, connect, jetstream, said, token};
use crate::book::{Book, hubs};
use anyhow::{Context as _, bail, ensure};
use async_nats::jetstream::consumer::pull::OrderedConfig;
use futures_util::{StreamExt, TryStreamExt};
use std::path::Path;

/// Events that are written down at once.
const AT_ONCE: usize = 1000;

/// Brings a car's journal back: every event with its number. Readings and photos are not on the bus. With several journals of the car the one
/// that was written last. Answers the journal's name and how many events it has.
///
/// # Errors
/// When the bus cannot be reached, has no such journal or not all of it, when there is a book, or the disk says no.
pub async fn restore(bus: &Bus, car: &str, data: &Path) -> anyhow::Result<(String, usize)> {
    ensure!(
        !hubs::is_there(data),
        "{} has a book already; give another --data directory",
        data.display()
    );
    let client = connect(bus, |_| {}).await?;
    let jetstream = jetstream(&client);
    let stream = jetstream.get_stream(STREAM).await;
    let stream = stream.map_err(|error| anyhow::anyhow!("the bus has no journals: {error}"))?;
    let filter = format!("{STREAM}.journal.{}.>", token(car));
    let mut subjects = stream.info_with_subjects(filter).await.map_err(said)?;
    let mut latest: Option<(u64, String)> = None;
    while let Some((subject, _)) = subjects.try_next().await.map_err(said)? {
        let last = stream.get_last_raw_message_by_subject(&subject).await;
        let last = last.map_err(said)?;
        latest = latest.max(Some((last.sequence, subject)));
    }
    let (end, subject) = latest.with_context(|| format!("the bus has no journal of {car}"))?;
    let journal = subject.rsplit('.').next().unwrap_or_default().to_owned();
    let ordered = OrderedConfig {
        filter_subject: subject,
        ..OrderedConfig::default()
    };
    let consumer = stream.create_consumer(ordered).await.map_err(said)?;
    let mut messages = consumer.messages().await.map_err(said)?;
    let mut gathered = Gathered::default();
    let mut whole = false;
    while let Some(message) = messages.next().await {
        let message = message.map_err(said)?;
        gathered.take(serde_json::from_slice(&message.payload)?);
        whole = message.info().map_err(said)?.stream_sequence >= end;
        if whole {
            break;
        }
    }
    ensure!(whole, "the bus broke off before the journal's end");
    let events = match gathered.events() {
        Ok(events) => events,
        Err((from, to)) => {
            bail!("the bus lacks events {from} to {to} of {car}'s journal {journal}")
        }
    };
    let count = events.len();
    // In a room of its own first: a book that is not whole must not lie where one is looked for.
    std::fs::create_dir_all(data).with_context(|| data.display().to_string())?;
    let room = tempfile::Builder::new()
        .prefix("restored-")
        .tempdir_in(data)?;
    hubs::name_journal(room.path(), &journal)?;
    let (book, _) = Book::open(room.path())?;
    for some in events.chunks(AT_ONCE) {
        book.append(some.to_vec()).await??;
    }
    book.close().await?;
    hubs::adopt(data, &room.path().join("spinover.db"))?;
    Ok((journal, count))
}
