//! A car's journal back from the bus, into a directory that has no book.

use super::{Bus, Gathered, STREAM, connect, jetstream, said, token};
use crate::book::{Book, hubs};
use anyhow::{Context as _, anyhow, ensure};
use async_nats::jetstream::{
    ErrorCode, consumer::pull::OrderedConfig, context::GetStreamErrorKind,
};
use futures_util::{StreamExt, TryStreamExt};
use spinover_protocol::event::Event;
use std::{
    path::Path,
    time::{Duration, Instant},
};
use tokio::time::{sleep, timeout};

/// Events that are written down at once.
const AT_ONCE: usize = 1000;
/// A cluster that has just lost a server answers again within seconds; one that does not for so long is asked no more.
const WAITS: Duration = Duration::from_secs(30);
/// It is asked again after so long.
const AGAIN_AFTER: Duration = Duration::from_secs(1);
/// The next event comes within so long.
const COMES_WITHIN: Duration = Duration::from_secs(10);

/// Brings a car's journal back: every event with its number. Readings and photos are not on the bus. With several journals of the car the one
/// that was written last. Answers the journal's name and how many events it has.
///
/// # Errors
/// When the bus cannot be reached for half a minute, has no such journal or not all of it, when there is a book, or the disk says no.
pub async fn restore(bus: &Bus, car: &str, data: &Path) -> anyhow::Result<(String, usize)> {
    ensure!(
        !hubs::is_there(data),
        "{} has a book already; give another --data directory",
        data.display()
    );
    let begun = Instant::now();
    let (journal, events) = loop {
        match fetch(bus, car).await {
            Ok(answer) => break answer?,
            Err(error) if begun.elapsed() < WAITS => {
                tracing::warn!("the bus: {error:#}; asking again");
                sleep(AGAIN_AFTER).await;
            }
            Err(error) => return Err(error),
        }
    };
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
    Ok((journal, events.len()))
}

/// The journal's name and its events, or why there are none: that is an answer too. An error is none, and may be another time.
async fn fetch(bus: &Bus, car: &str) -> anyhow::Result<anyhow::Result<(String, Vec<Event>)>> {
    let client = connect(bus, |_| {}).await?;
    let jetstream = jetstream(&client);
    let stream = match jetstream.get_stream(STREAM).await {
        Ok(stream) => stream,
        Err(error) => match error.kind() {
            GetStreamErrorKind::JetStream(told)
                if told.error_code() == ErrorCode::STREAM_NOT_FOUND =>
            {
                return Ok(Err(anyhow!("there are no journals on the bus")));
            }
            _ => return Err(said(error)),
        },
    };
    let filter = format!("{STREAM}.journal.{}.>", token(car));
    let mut subjects = stream.info_with_subjects(filter).await.map_err(said)?;
    let mut latest: Option<(u64, String)> = None;
    while let Some((subject, _)) = subjects.try_next().await.map_err(said)? {
        let last = stream.get_last_raw_message_by_subject(&subject).await;
        let last = last.map_err(said)?;
        latest = latest.max(Some((last.sequence, subject)));
    }
    let Some((end, subject)) = latest else {
        return Ok(Err(anyhow!("the bus has no journal of {car}")));
    };
    let journal = subject.rsplit('.').next().unwrap_or_default().to_owned();
    let ordered = OrderedConfig {
        filter_subject: subject,
        ..OrderedConfig::default()
    };
    let consumer = stream.create_consumer(ordered).await.map_err(said)?;
    let mut messages = consumer.messages().await.map_err(said)?;
    let mut gathered = Gathered::default();
    loop {
        let message = timeout(COMES_WITHIN, messages.next()).await?;
        let message = message.context("the bus broke off before the journal's end")?;
        let message = message.map_err(said)?;
        gathered.take(serde_json::from_slice(&message.payload)?);
        if message.info().map_err(said)?.stream_sequence >= end {
            break;
        }
    }
    Ok(match gathered.events() {
        Ok(events) => Ok((journal, events)),
        Err((from, to)) => Err(anyhow!(
            "the bus lacks events {from} to {to} of {car}'s journal {journal}"
        )),
    })
}
