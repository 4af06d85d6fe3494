//! One standby that follows: events and frames as they come, rows of readings from the disk, remarks when they change, photos as it asks
//! for them; and the charge, when it is given away.

use super::{App, TAKES_WITHIN, hear, leader, say, say_text};
use crate::{
    book::{Book, BookError, Reader},
    serve::{
        helm::{Following, Over},
        keeper::Ask,
        shared::Seen,
        stopped, two,
    },
};
use anyhow::{Context, bail};
use axum::extract::ws::{Message, WebSocket};
use spinover_protocol::{
    Seq,
    book::Listed,
    hubs::{Hubs, PeerMessage, RowText, Standing},
};
use std::{collections::BTreeMap, sync::Arc, time::Duration};
use tokio::{
    sync::{oneshot, watch},
    time::timeout,
};

/// New rows of readings are looked for this often: they come to the disk every 200 ms.
const ROWS_EVERY: Duration = Duration::from_millis(250);
/// Remarks are looked at this often.
const REMARKS_EVERY: Duration = Duration::from_secs(2);
/// Rows in one frame, at most.
const ROWS_A_FRAME: usize = 500;
/// Size of a piece of a photo: a twentieth of a second on a slow radio.
const PHOTO_PIECE: usize = 64 * 1024;

/// The keeper's no to a takeover; never, where it says none.
async fn answered(asked: &mut Option<oneshot::Receiver<String>>) -> Option<String> {
    match asked {
        Some(answer) => answer.await.ok(),
        None => std::future::pending().await,
    }
}

/// Takes the standby off the keeper's list however the connection ends.
struct Here<'a>(&'a watch::Sender<Following>);

impl Drop for Here<'_> {
    fn drop(&mut self) {
        self.0.send_modify(|following| following.here = false);
    }
}

/// One standby that follows.
pub(super) struct Follower<'a> {
    pub(super) app: &'a Arc<App>,
    pub(super) socket: &'a mut WebSocket,
    pub(super) cursor: Seq,
    pub(super) seen: Seen,
}

impl Follower<'_> {
    pub(super) async fn serve(
        mut self,
        hub: String,
        urls: Vec<String>,
        rows: Vec<(String, u64)>,
    ) -> anyhow::Result<()> {
        let app = self.app;
        two::let_in(app, &urls);
        say(self.socket, &leader(app, false)).await?;
        tracing::info!("the second laptop follows: {}", urls.join(", "));
        let (mut events, mut board) = (app.log.subscribe(), app.board.clone());
        let (mut over, mut hubs) = (app.peers.over.clone(), app.peers.hubs.clone());
        let mut stop = app.stop.clone();
        events.mark_changed();
        board.mark_changed();
        over.mark_changed();
        app.peers.following.send_replace(Following {
            hub,
            urls,
            here: true,
            has: self.cursor,
        });
        let _here = Here(&app.peers.following);
        let (crew_code, _) = app.door.codes();
        let mut rows = RowsOut::new(app.book.clone(), rows);
        let mut remarks: BTreeMap<String, Listed> = BTreeMap::new();
        let mut rows_due = tokio::time::interval(ROWS_EVERY);
        let mut remarks_due = tokio::time::interval(REMARKS_EVERY);
        let mut refused: Option<oneshot::Receiver<String>> = None;
        loop {
            tokio::select! {
                biased;
                () = stopped(&mut stop) => return Ok(()),
                Ok(()) = over.changed() => {
                    let over = over.borrow_and_update().clone();
                    if let Some(over) = over {
                        return self.give_over(over).await;
                    }
                }
                said = hear(self.socket) => match said? {
                    Some(PeerMessage::Have { seq }) => {
                        app.peers.following.send_modify(|following| following.has = seq);
                    }
                    Some(PeerMessage::WantsOver { by, command }) => {
                        let (refused_in, answer) = oneshot::channel();
                        app.asks.send(Ask::WantsOver(by, command, refused_in)).await?;
                        // What it has on its disk must be heard meanwhile: the answer waits for it.
                        refused = Some(answer);
                    }
                    Some(PeerMessage::WantPhoto { name, from }) => self.send_photo(name, from).await?,
                    Some(_) => bail!("it said something unexpected"),
                    None => bail!("it has gone"),
                },
                reason = answered(&mut refused), if refused.is_some() => {
                    refused = None;
                    if let Some(reason) = reason {
                        say(self.socket, &PeerMessage::Denied { reason }).await?;
                    }
                }
                Ok(()) = events.changed() => {
                    events.mark_unchanged();
                    self.send_events().await?;
                }
                Ok(()) = hubs.changed() => {
                    // Replaced by somebody else; what is handed over comes by the other way.
                    let gone = hubs.borrow_and_update().standing != Standing::InCharge;
                    if gone && over.borrow().is_none() && !self.waits_for_over(&hubs) {
                        return say(self.socket, &app.peers.charge(&app.journal)).await;
                    }
                }
                Ok(()) = board.changed() => {
                    let news = board.borrow_and_update().news(&mut self.seen);
                    for news in news {
                        say_text(self.socket, news).await?;
                    }
                }
                _ = rows_due.tick() => {
                    for message in rows.next().await? {
                        say(self.socket, &message).await?;
                    }
                }
                _ = remarks_due.tick() => {
                    if app.door.codes().0 != crew_code {
                        // It calls again, and is given the new one.
                        return Ok(());
                    }
                    let book = app.book.clone();
                    let all = tokio::task::spawn_blocking(move || book.reader()?.warmups()).await??;
                    let fresh: Vec<Listed> = all
                        .iter()
                        .map(crate::book::WarmupEntry::listed)
                        .filter(|listed| remarks.get(&listed.id) != Some(listed))
                        .collect();
                    if !fresh.is_empty() {
                        remarks.extend(fresh.iter().map(|listed| (listed.id.clone(), listed.clone())));
                        say(self.socket, &PeerMessage::Remarks { warmups: fresh }).await?;
                    }
                }
            }
        }
    }

    /// The keeper has given the charge to this standby, and is writing that down.
    fn waits_for_over(&self, hubs: &watch::Receiver<Hubs>) -> bool {
        hubs.borrow().charge.hub == self.app.peers.following.borrow().hub
    }

    async fn send_events(&mut self) -> anyhow::Result<()> {
        while self.cursor < self.app.log.last() {
            if self.app.log.holds(self.cursor) {
                let Some((frame, last)) = self.app.log.after(self.cursor) else {
                    return Ok(());
                };
                say_text(self.socket, frame).await?;
                self.cursor = last;
            } else {
                let (book, after) = (self.app.book.clone(), self.cursor);
                let read = move || book.reader()?.events_after(after, 200);
                let events = tokio::task::spawn_blocking(read).await??;
                let Some(last) = events.last() else {
                    bail!("its events are not in the book");
                };
                self.cursor = last.seq;
                say(self.socket, &PeerMessage::Events { events }).await?;
            }
        }
        Ok(())
    }

    /// A piece of a photo, small enough that nothing else waits long for it; an empty one is the end, also where there is no such photo.
    async fn send_photo(&mut self, name: String, from: u64) -> anyhow::Result<()> {
        let photos = self.app.book.photos();
        let piece =
            tokio::task::spawn_blocking(move || photos.piece(&name, from, PHOTO_PIECE)).await?;
        let piece = piece.unwrap_or_else(|error| {
            tracing::warn!("a photo for the second laptop: {error}");
            Vec::new()
        });
        let frame = Message::Binary(piece.into());
        Ok(timeout(TAKES_WITHIN, self.socket.send(frame))
            .await
            .context("it takes nothing")??)
    }

    async fn give_over(&mut self, over: Over) -> anyhow::Result<()> {
        self.send_events().await?;
        let message = PeerMessage::Charge {
            journal: self.app.journal.clone(),
            charge: over.charge,
            standing: Standing::Replaced,
            urls: self.app.peers.urls.clone(),
            by: over.by,
            command: over.command,
        };
        say(self.socket, &message).await
    }
}

/// Reads the rows of readings that the standby has not yet.
struct RowsOut {
    book: Book,
    at: Vec<(String, u64)>,
}

impl RowsOut {
    fn new(book: Book, at: Vec<(String, u64)>) -> Self {
        Self { book, at }
    }

    async fn next(&mut self) -> anyhow::Result<Vec<PeerMessage>> {
        let (book, mut at) = (self.book.clone(), std::mem::take(&mut self.at));
        let (messages, at) = tokio::task::spawn_blocking(move || {
            let reader = book.reader()?;
            let messages = rows_out(&reader, &mut at)?;
            Ok::<_, BookError>((messages, at))
        })
        .await??;
        self.at = at;
        Ok(messages)
    }
}

fn rows_out(reader: &Reader, at: &mut Vec<(String, u64)>) -> Result<Vec<PeerMessage>, BookError> {
    let first = at.first().map_or(String::new(), |(id, _)| id.clone());
    for id in reader.warmups_from(&first)? {
        if !at.iter().any(|(known, _)| *known == id) {
            at.push((id, 0));
        }
    }
    let mut messages = Vec::new();
    for (id, next) in at.iter_mut() {
        let found = match reader.rows_from(id, *next) {
            // Deleted for good meanwhile; or damaged, which `book check` names, and which must not keep events from being followed.
            Err(BookError::NoSuchWarmup(_) | BookError::Unreadable(_)) => continue,
            found => found?,
        };
        let Some((first, rows)) = found else {
            continue;
        };
        let mut texts: Vec<RowText> = Vec::with_capacity(rows.len());
        let done: Result<(), std::convert::Infallible> = rows.each_row(|time, cells| {
            texts.push((time, cells.to_vec()));
            Ok(())
        });
        let Ok(()) = done;
        *next = first + texts.len() as u64;
        let mut begin = first;
        for some in texts.chunks(ROWS_A_FRAME) {
            messages.push(PeerMessage::Rows {
                warmup: id.clone(),
                first: begin,
                rows: some.to_vec(),
            });
            begin += some.len() as u64;
        }
    }
    // The latest few: rows of an earlier one can still be on their way when the next has begun.
    let many = at.len().saturating_sub(3);
    at.drain(..many);
    Ok(messages)
}
