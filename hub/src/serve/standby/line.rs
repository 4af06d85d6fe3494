//! The standby's connection to the hub in charge: calls, says how far the book here has got, hands on what comes, and calls again.

use super::{First, hello};
use crate::{
    book::Book,
    serve::peers::{call, frame, tell},
};
use anyhow::{Context, bail};
use spinover_protocol::{
    LINK_LOST_MS,
    hubs::{Charge, PeerMessage},
    message::HubMessage,
};
use std::{collections::BTreeMap, time::Duration};
use tokio::{
    sync::mpsc,
    time::{sleep, timeout},
};
use tokio_tungstenite::tungstenite::Message;

/// A hub in charge that says nothing for so long is gone: it sends a frame at least every half a second.
const SILENT_AFTER: Duration = Duration::from_millis(LINK_LOST_MS as u64);
/// It is called again after so long.
const AGAIN_AFTER: Duration = Duration::from_millis(500);
/// What may wait to be sent to it.
const WAITING: usize = 64;

/// What the connection tells the standby.
pub enum Heard {
    /// The hub that was called knows of this charge, and is there.
    Charge(Charge, Vec<String>),
    /// It lets us follow: what to send goes here, and how many rows of which warm-ups were on the disk when we said so.
    Up(mpsc::Sender<PeerMessage>, BTreeMap<String, u64>),
    /// It said something.
    Peer(Box<PeerMessage>),
    /// A piece of what was asked for.
    Piece(Vec<u8>),
    /// A frame that phones get too.
    Phones(Box<HubMessage>),
    /// It cannot be reached, or the connection has ended, and why.
    Down(String),
}

/// Calls for as long as anybody listens.
pub async fn keep_calling(first: First, urls: Vec<String>, book: Book, to: mpsc::Sender<Heard>) {
    while !to.is_closed() {
        let why = match once(&first, &urls, &book, &to).await {
            Ok(()) => return,
            Err(error) => format!("{error:#}"),
        };
        let _ = to.send(Heard::Down(why)).await;
        sleep(AGAIN_AFTER).await;
    }
}

/// One call; it ends well only when nobody listens any more.
async fn once(
    first: &First,
    urls: &[String],
    book: &Book,
    to: &mpsc::Sender<Heard>,
) -> anyhow::Result<()> {
    let (mut line, said) = call(&first.url).await?;
    let PeerMessage::Charge {
        charge,
        urls: theirs,
        ..
    } = said
    else {
        bail!("it began with something else");
    };
    if to.send(Heard::Charge(charge, theirs)).await.is_err() {
        return Ok(());
    }
    // What was handed over before must be on the disk before we say how much there is.
    book.flush().await.context("the book is closed")??;
    let asked = book.clone();
    let progress = tokio::task::spawn_blocking(move || asked.reader()?.progress()).await??;
    tell(&mut line, &hello(first, urls, Some(&progress))).await?;
    let (out, mut outgoing) = mpsc::channel(WAITING);
    if to
        .send(Heard::Up(out, progress.rows.into_iter().collect()))
        .await
        .is_err()
    {
        return Ok(());
    }
    loop {
        tokio::select! {
            message = outgoing.recv() => match message {
                Some(message) => tell(&mut line, &message).await?,
                None => bail!("begun again"),
            },
            came = timeout(SILENT_AFTER, frame(&mut line)) => {
                let heard = match came.context("it has fallen silent")?? {
                    Message::Binary(piece) => Heard::Piece(piece.into()),
                    Message::Text(text) => match understood(&text) {
                        Some(heard) => heard,
                        // Of a newer version than this one, and not needed.
                        None => continue,
                    },
                    _ => bail!("it said something unexpected"),
                };
                if to.send(heard).await.is_err() {
                    return Ok(());
                }
            }
        }
    }
}

fn understood(text: &str) -> Option<Heard> {
    if let Ok(message) = serde_json::from_str::<PeerMessage>(text) {
        return Some(Heard::Peer(Box::new(message)));
    }
    let message = serde_json::from_str::<HubMessage>(text).ok()?;
    Some(Heard::Phones(Box::new(message)))
}
