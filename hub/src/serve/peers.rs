//! What the two laptops say to each other on `/api/peer`, from the side of the hub that is called. The standby's side of following is in
//! `standby`, the messages in the protocol.

mod calls;
mod follower;

pub use calls::{Line, ask_all, call, frame, keep_comparing, listen, tell};

use self::follower::Follower;
use super::{
    App,
    door::Denied,
    helm::{Following, Over},
    keeper::Ask,
    shared::Seen,
};
use crate::core::charge::Fence;
use anyhow::{Context, bail};
use axum::{
    extract::{
        ConnectInfo, State, WebSocketUpgrade,
        ws::{Message, Utf8Bytes, WebSocket},
    },
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::SinkExt;
use spinover_protocol::{
    PROTOCOL_VERSION, Seq,
    event::Right,
    hubs::{Charge, FileText, Hubs, PeerMessage, Standing},
};
use std::{
    io::Read,
    net::SocketAddr,
    sync::{Arc, PoisonError, RwLock},
    time::{Duration, Instant},
};
use tokio::{sync::watch, time::timeout};

/// Largest frame that a caller may send.
const MAX_FRAME: usize = 256 * 1024;
/// A caller that says nothing for so long is hung up on.
const SAYS_WITHIN: Duration = Duration::from_secs(5);
/// A standby that takes nothing for so long is given up.
const TAKES_WITHIN: Duration = Duration::from_secs(6);
/// Size of a piece of a copied book.
const PIECE: usize = 128 * 1024;

/// What a hub knows of itself as one of two.
pub struct Peers {
    /// This hub's random name.
    pub hub: String,
    /// The journal's secret.
    pub fence: Fence,
    /// Where this hub can be reached.
    pub urls: Vec<String>,
    /// Pages from there may talk to this hub.
    pub origins: RwLock<Vec<String>>,
    /// What phones are told of the two.
    pub hubs: watch::Receiver<Hubs>,
    /// Set when the charge is given away.
    pub over: watch::Receiver<Option<Over>>,
    /// The standby, for the keeper.
    pub following: watch::Sender<Following>,
    /// The car file and the sheets.
    pub files: Vec<FileText>,
}

impl Peers {
    /// Whether a page from that origin is the other hub's: its phones move over without loading the page anew.
    pub fn allows(&self, origin: &str) -> bool {
        let origins = self.origins.read().unwrap_or_else(PoisonError::into_inner);
        origins.iter().any(|known| known == origin)
    }

    /// Lets pages from there in; the origins that are new.
    pub fn allow(&self, urls: &[String]) -> Vec<String> {
        let mut new = Vec::new();
        let mut origins = self.origins.write().unwrap_or_else(PoisonError::into_inner);
        for origin in super::discovery::origins(urls) {
            // They stand in a header; and there are two laptops, with a few networks each.
            let plain = |c: char| c.is_ascii_graphic() && !matches!(c, ';' | ',' | '\'' | '"');
            let room = origins.len() < 64 && origin.len() < 80 && origin.chars().all(plain);
            if room && !origins.contains(&origin) {
                origins.push(origin.clone());
                new.push(origin);
            }
        }
        new
    }

    /// The highest charge that this hub knows, as it says so.
    pub fn charge(&self, journal: &str) -> PeerMessage {
        let hubs = self.hubs.borrow();
        PeerMessage::Charge {
            journal: journal.to_owned(),
            charge: hubs.charge.clone(),
            standing: hubs.standing,
            urls: self.urls.clone(),
            by: None,
            command: None,
        }
    }
}

/// `GET /api/peer`.
pub async fn ws(
    State(app): State<Arc<App>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
    upgrade: WebSocketUpgrade,
) -> Response {
    if headers.contains_key(header::ORIGIN) {
        return (
            StatusCode::FORBIDDEN,
            "this is for the other laptop, not for pages\n",
        )
            .into_response();
    }
    upgrade
        .max_message_size(MAX_FRAME)
        .max_frame_size(MAX_FRAME)
        .on_upgrade(move |mut socket| async move {
            match talk(&app, &mut socket, from).await {
                Ok(()) => {}
                Err(error) => tracing::info!(%from, "the other laptop: {error:#}"),
            }
            let _ = timeout(Duration::from_secs(1), socket.close()).await;
        })
}

async fn say(socket: &mut WebSocket, message: &PeerMessage) -> anyhow::Result<()> {
    say_text(socket, serde_json::to_string(message)?.into()).await
}

async fn say_text(socket: &mut WebSocket, text: Utf8Bytes) -> anyhow::Result<()> {
    Ok(timeout(TAKES_WITHIN, socket.send(Message::Text(text)))
        .await
        .context("it takes nothing")??)
}

async fn hear(socket: &mut WebSocket) -> anyhow::Result<Option<PeerMessage>> {
    loop {
        match socket.recv().await {
            Some(Ok(Message::Text(text))) => return Ok(Some(serde_json::from_str(&text)?)),
            Some(Ok(Message::Ping(_) | Message::Pong(_))) => {}
            _ => return Ok(None),
        }
    }
}

async fn talk(app: &Arc<App>, socket: &mut WebSocket, from: SocketAddr) -> anyhow::Result<()> {
    say(socket, &app.peers.charge(&app.journal)).await?;
    let said = timeout(SAYS_WITHIN, hear(socket))
        .await
        .context("it said nothing")??;
    match said {
        Some(PeerMessage::Charge {
            journal,
            charge,
            urls,
            ..
        }) => {
            if journal == app.journal {
                hear_of(app, charge, urls).await;
            }
            say(socket, &app.peers.charge(&app.journal)).await
        }
        Some(PeerMessage::Follow {
            protocol,
            code,
            hub,
            urls,
            journal,
            charge,
            seq,
            rows,
        }) => {
            let denied = admit(app, from, protocol, &code, &hub).await;
            let ours = journal.as_ref() == Some(&app.journal);
            let denied = match denied {
                None if ours
                    && app.peers.fence.vouches(&charge)
                    && charge > app.peers.hubs.borrow().charge =>
                {
                    Some("you have taken over from me".to_owned())
                }
                denied => denied,
            };
            if let Some(reason) = denied {
                return say(socket, &PeerMessage::Denied { reason }).await;
            }
            let whole = ours && goes_on(app, &charge, seq).await?;
            if !whole {
                return give_copy(app, socket).await;
            }
            Follower {
                app,
                socket,
                cursor: seq,
                seen: Seen::default(),
            }
            .serve(hub, urls, rows)
            .await
        }
        Some(_) => bail!("it began with something else"),
        None => Ok(()),
    }
}

/// Lets the keeper hear of a charge, and waits until it has. One that nobody can vouch for is passed over.
pub async fn hear_of(app: &App, charge: Charge, urls: Vec<String>) {
    if charge <= app.peers.hubs.borrow().charge || !app.peers.fence.vouches(&charge) {
        return;
    }
    super::two::let_in(app, &urls);
    let mut hubs = app.peers.hubs.clone();
    if app.asks.send(Ask::Hear(charge.clone(), urls)).await.is_ok() {
        let _ = timeout(
            Duration::from_secs(1),
            hubs.wait_for(|hubs| hubs.charge >= charge),
        )
        .await;
    }
}

/// Why a standby may not follow.
async fn admit(
    app: &App,
    from: SocketAddr,
    protocol: u32,
    code: &str,
    hub: &str,
) -> Option<String> {
    match app.door.check(code, from.ip(), Instant::now()) {
        Ok(Right::Chief) => {}
        Ok(Right::Crew) => return Some("a second laptop needs the chief code".to_owned()),
        Err(Denied::Wrong(_)) => return Some("that code is not right".to_owned()),
        Err(Denied::Wait(_)) => return Some("too soon after a wrong code".to_owned()),
        // Only tokens are answered so.
        Err(Denied::Unknown | Denied::PutOut) => return Some("a code is needed".to_owned()),
    }
    if protocol != PROTOCOL_VERSION {
        return Some("the two laptops run different versions of spinover".to_owned());
    }
    if app.peers.hubs.borrow().standing != Standing::InCharge {
        return Some("this hub is not in charge itself".to_owned());
    }
    let following = app.peers.following.borrow();
    if following.here && following.hub != hub {
        return Some("another laptop follows already; there can be one".to_owned());
    }
    if hub == app.peers.hub {
        return Some("this is the hub itself".to_owned());
    }
    None
}

/// Whether a book that ends there goes on into this one.
async fn goes_on(app: &App, charge: &Charge, seq: Seq) -> anyhow::Result<bool> {
    let record = app.log.record();
    if *charge != record.charge || seq > record.seq || seq == 0 {
        return Ok(false);
    }
    let book = app.book.clone();
    Ok(tokio::task::spawn_blocking(move || book.reader()?.is_whole_after(seq)).await??)
}

fn leader(app: &App, copy: bool) -> PeerMessage {
    PeerMessage::Leader {
        last: app.log.last(),
        copy,
        not_live: app.not_live.clone(),
        crew_code: app.door.codes().0,
        files: app.peers.files.clone(),
        urls: app.peers.urls.clone(),
    }
}

/// Sends the whole book.
async fn give_copy(app: &App, socket: &mut WebSocket) -> anyhow::Result<()> {
    say(socket, &leader(app, true)).await?;
    let book = app.book.clone();
    let (folder, mut file) = tokio::task::spawn_blocking(move || {
        let folder = tempfile::Builder::new()
            .prefix("copy-")
            .tempdir_in(book.dir())?;
        let path = folder.path().join("copy.db");
        book.reader()?.copy_to(&path)?;
        anyhow::Ok((folder, std::fs::File::open(path)?))
    })
    .await??;
    loop {
        let (piece, back) = tokio::task::spawn_blocking(move || {
            let mut piece = vec![0; PIECE];
            let count = file.read(&mut piece)?;
            piece.truncate(count);
            std::io::Result::Ok((piece, file))
        })
        .await??;
        file = back;
        if piece.is_empty() {
            break;
        }
        timeout(TAKES_WITHIN, socket.send(Message::Binary(piece.into())))
            .await
            .context("it takes nothing")??;
    }
    drop(folder);
    say(socket, &PeerMessage::Copied {}).await
}
