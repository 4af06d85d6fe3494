//! Calling the other hub: as a standby, which `standby::line` goes on with, and for the short talk in which two hubs compare what they
//! know of takeovers.

use super::{App, TAKES_WITHIN, hear_of};
use crate::core::charge::Fence;
use anyhow::{Context, anyhow, bail};
use futures_util::{SinkExt, StreamExt};
use spinover_protocol::hubs::{Charge, PeerMessage};
use std::{sync::Arc, time::Duration};
use tokio::{net::TcpStream, time::timeout};
use tokio_tungstenite::{MaybeTlsStream, WebSocketStream, connect_async, tungstenite};

/// The other hub is asked for at most this long.
pub const ASKED_WITHIN: Duration = Duration::from_secs(2);
/// Two hubs that are not connected compare what they know this often.
const COMPARE_EVERY: Duration = Duration::from_secs(3);

/// A connection to the other hub.
pub type Line = WebSocketStream<MaybeTlsStream<TcpStream>>;

/// Calls the other hub, and hears what it says first.
///
/// # Errors
/// Why it cannot be reached.
pub async fn call(url: &str) -> anyhow::Result<(Line, PeerMessage)> {
    let address = match (url.strip_prefix("http://"), url.strip_prefix("https://")) {
        (Some(rest), _) => format!("ws://{}", rest.trim_end_matches('/')),
        (_, Some(rest)) => format!("wss://{}", rest.trim_end_matches('/')),
        _ => bail!("{url} is no address of a hub; one looks like http://192.0.2.7:4780"),
    };
    let calling = async {
        let (mut line, _) = connect_async(format!("{address}/api/peer")).await?;
        let first = listen(&mut line).await?;
        anyhow::Ok((line, first))
    };
    timeout(ASKED_WITHIN, calling)
        .await
        .map_err(|_| anyhow!("{url} does not answer"))?
}

/// The next message of the other hub.
///
/// # Errors
/// When the connection ends, or what comes is not understood.
pub async fn listen(line: &mut Line) -> anyhow::Result<PeerMessage> {
    match frame(line).await? {
        tungstenite::Message::Text(text) => Ok(serde_json::from_str(&text)?),
        _ => bail!("it said something unexpected"),
    }
}

/// The next frame of the other hub: text, or a piece of a copied book.
///
/// # Errors
/// When the connection ends.
pub async fn frame(line: &mut Line) -> anyhow::Result<tungstenite::Message> {
    loop {
        match line.next().await.context("it hung up")?? {
            tungstenite::Message::Ping(_) | tungstenite::Message::Pong(_) => {}
            tungstenite::Message::Close(_) => bail!("it hung up"),
            frame => return Ok(frame),
        }
    }
}

/// Says something to the other hub.
///
/// # Errors
/// When the connection ends.
pub async fn tell(line: &mut Line, message: &PeerMessage) -> anyhow::Result<()> {
    let text = serde_json::to_string(message)?;
    Ok(timeout(TAKES_WITHIN, line.send(tungstenite::Message::text(text))).await??)
}

/// What another hub of the same journal knows: its highest charge, which it can prove, and where it is. If ours is higher, it is told.
async fn compare(url: &str, mine: &PeerMessage, fence: &Fence) -> Option<(Charge, Vec<String>)> {
    let PeerMessage::Charge {
        journal: here,
        charge: own,
        ..
    } = mine
    else {
        return None;
    };
    let (mut line, theirs) = call(url).await.ok()?;
    let PeerMessage::Charge {
        journal,
        charge,
        urls,
        ..
    } = theirs
    else {
        return None;
    };
    if journal != *here {
        return None;
    }
    if *own > charge {
        tell(&mut line, mine).await.ok()?;
        let _ = timeout(ASKED_WITHIN, listen(&mut line)).await;
    }
    fence.vouches(&charge).then_some((charge, urls))
}

/// The highest charge that any of these hubs knows, and where that one is.
pub async fn ask_all(
    urls: &[String],
    mine: &PeerMessage,
    fence: &Fence,
) -> Option<(Charge, Vec<String>)> {
    let asked = urls.iter().map(|url| compare(url, mine, fence));
    let heard = futures_util::future::join_all(asked).await;
    heard.into_iter().flatten().max()
}

/// Compares notes with the other hub for as long as this one runs, whenever the two are not connected: after a cut each hears of
/// what the other did meanwhile.
pub async fn keep_comparing(app: Arc<App>) {
    let mut stop = app.stop.clone();
    loop {
        compare_once(&app).await;
        tokio::select! {
            () = super::super::stopped(&mut stop) => return,
            () = tokio::time::sleep(COMPARE_EVERY) => {}
        }
    }
}

async fn compare_once(app: &App) {
    let other = app.peers.hubs.borrow().other.clone();
    let Some(other) = other.filter(|other| !other.here) else {
        return;
    };
    let mine = app.peers.charge(&app.journal);
    if let Some((charge, urls)) = ask_all(&other.urls, &mine, &app.peers.fence).await
        && charge > app.peers.hubs.borrow().charge
    {
        hear_of(app, charge, urls).await;
    }
}
