//! What the two laptops say to each other on `/api/peer`, from the side of the hub that is called; and the short talk in which two
//! hubs compare what they know of takeovers. The standby's side of following is in `standby`, the messages in the protocol.

use super::{
    App,
    door::Denied,
    helm::{Following, Over},
    keeper::Ask,
    shared::Seen,
};
use crate::{
    book::{Book, BookError, Reader},
    core::charge::Fence,
};
use anyhow::{Context, anyhow, bail};
use axum::{
    extract::{
        ConnectInfo, State, WebSocketUpgrade,
        ws::{Message, Utf8Bytes, WebSocket},
    },
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::{SinkExt, StreamExt};
use spinover_protocol::{
    PROTOCOL_VERSION, Seq,
    book::Listed,
    event::Right,
    hubs::{Charge, FileText, Hubs, PeerMessage, RowText, Standing},
};
use std::{
    collections::BTreeMap,
    io::Read,
    net::SocketAddr,
    sync::{Arc, PoisonError, RwLock},
    time::{Duration, Instant},
};
use tokio::{
    net::TcpStream,
    sync::{oneshot, watch},
    time::timeout,
};
use tokio_tungstenite::{MaybeTlsStream, WebSocketStream, connect_async, tungstenite};

/// Largest frame that a caller may send.
const MAX_FRAME: usize = 256 * 1024;
/// A caller that says nothing for so long is hung up on.
const SAYS_WITHIN: Duration = Duration::from_secs(5);
/// A standby that takes nothing for so long is given up.
const TAKES_WITHIN: Duration = Duration::from_secs(6);
/// New rows of readings are looked for this often: they come to the disk every 200 ms.
const ROWS_EVERY: Duration = Duration::from_millis(250);
/// Remarks are looked at this often.
const REMARKS_EVERY: Duration = Duration::from_secs(2);
/// Rows in one frame, at most.
const ROWS_A_FRAME: usize = 500;
/// Size of a piece of a copied book.
const PIECE: usize = 128 * 1024;
/// The other hub is asked for at most this long.
pub const ASKED_WITHIN: Duration = Duration::from_secs(2);
/// Two hubs that are not connected compare what they know this often.
const COMPARE_EVERY: Duration = Duration::from_secs(3);

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

/// Takes the standby off the keeper's list however the connection ends.
struct Here<'a>(&'a watch::Sender<Following>);

impl Drop for Here<'_> {
    fn drop(&mut self) {
        self.0.send_modify(|following| following.here = false);
    }
}

/// One standby that follows.
struct Follower<'a> {
    app: &'a Arc<App>,
    socket: &'a mut WebSocket,
    cursor: Seq,
    seen: Seen,
}

impl Follower<'_> {
    async fn serve(
        mut self,
        hub: String,
        urls: Vec<String>,
        rows: Vec<(String, u64)>,
    ) -> anyhow::Result<()> {
        let app = self.app;
        super::two::let_in(app, &urls);
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
        loop {
            tokio::select! {
                biased;
                () = super::stopped(&mut stop) => return Ok(()),
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
                        let (refused_in, refused) = oneshot::channel();
                        app.asks.send(Ask::WantsOver(by, command, refused_in)).await?;
                        if let Ok(reason) = refused.await {
                            return say(self.socket, &PeerMessage::Denied { reason }).await;
                        }
                    }
                    Some(_) => bail!("it said something unexpected"),
                    None => bail!("it has gone"),
                },
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
            () = super::stopped(&mut stop) => return,
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
