//! One phone's socket: hello, then its commands in, and the newest of everything out at the phone's own pace.

use super::{
    App,
    door::Denied,
    fanout::Place,
    keeper::{Ask, ConnId},
    net::line::Line,
    session::{self, ANSWERS_WAITING, Heard, Session},
    shared::encode,
};
use axum::extract::ws::{CloseFrame, Message, Utf8Bytes, WebSocket};
use futures_util::{SinkExt, StreamExt};
use spinover_protocol::{
    MAX_CLIENT_FRAME, PHONE_GONE_MS, PROTOCOL_VERSION, RoleKey,
    event::{Right, Who},
    message::{ClientMessage, Farewell, HubMessage, Resume, SheetTitle, Welcome},
};
use std::{
    net::IpAddr,
    sync::{Arc, atomic::AtomicU64, atomic::Ordering},
    time::{Duration, Instant},
};
use tokio::{
    sync::{mpsc, oneshot},
    time::timeout,
};

/// A socket that has not said hello by then is closed.
const HELLO_WITHIN: Duration = Duration::from_secs(5);
/// Commands and pings taken from one phone a second on average, and at once. A flood slows its own phone only.
const MESSAGES_A_SECOND: f64 = 50.0;
const MESSAGES_AT_ONCE: f64 = 200.0;

/// What a device is told that was put out.
const PUT_OUT: &str = "the crew chief has put this device out; ask for the code";

static NEXT_CONN: AtomicU64 = AtomicU64::new(1);

/// Leaves when the socket's task ends, however it ends.
struct Presence {
    conn: ConnId,
    asks: mpsc::Sender<Ask>,
}

impl Drop for Presence {
    fn drop(&mut self) {
        let ask = Ask::Leave(self.conn);
        if let Err(mpsc::error::TrySendError::Full(ask)) = self.asks.try_send(ask) {
            let asks = self.asks.clone();
            tokio::spawn(async move { asks.send(ask).await });
        }
    }
}

struct Hello {
    who: Who,
    right: Right,
    resume: Option<Resume>,
    /// A token for next time, where this time was by code.
    token: Option<String>,
    /// How many devices had been put out when it was looked at; what comes after may be this one.
    outs: u64,
}

struct Bye {
    why: Farewell,
    reason: String,
    retry_after: Option<Duration>,
}

impl Bye {
    fn new(why: Farewell, reason: impl Into<String>) -> Self {
        Self {
            why,
            reason: reason.into(),
            retry_after: None,
        }
    }
}

/// Serves one socket until it closes. Where its connection has a line, the fan-out writes to that what is for everyone.
pub async fn serve(app: Arc<App>, mut socket: WebSocket, from: IpAddr, line: Option<Arc<Line>>) {
    let hello = match timeout(HELLO_WITHIN, greet(&app, &mut socket, from)).await {
        Ok(Ok(Some(hello))) => hello,
        Ok(Ok(None)) | Err(_) => return,
        Ok(Err(bye)) => return say_goodbye(&mut socket, bye).await,
    };
    if let Some(bye) = stay(&app, &mut socket, hello, line).await {
        say_goodbye(&mut socket, bye).await;
    }
}

/// Waits for the hello and looks at it; nothing when the socket closed instead.
async fn greet(app: &App, socket: &mut WebSocket, from: IpAddr) -> Result<Option<Hello>, Bye> {
    let text = loop {
        match socket.recv().await {
            Some(Ok(Message::Text(text))) => break text,
            Some(Ok(Message::Ping(_) | Message::Pong(_))) => {}
            Some(Ok(Message::Binary(_))) => {
                return Err(Bye::new(Farewell::BadMessage, "frames are JSON text"));
            }
            _ => return Ok(None),
        }
    };
    let message = serde_json::from_str(&text)
        .map_err(|error| Bye::new(Farewell::BadMessage, format!("no hello: {error}")))?;
    let ClientMessage::Hello {
        protocol,
        code,
        name,
        role,
        device,
        resume,
        token,
        seen,
    } = message
    else {
        return Err(Bye::new(
            Farewell::BadMessage,
            "the first frame must be hello",
        ));
    };
    let outs = *app.door.sessions.outs().borrow();
    let right = match &token {
        Some(token) => app.door.check_token(token, Some(&device)),
        None => app.door.check(&code, from, Instant::now()),
    }
    .map_err(denied)?;
    if protocol != PROTOCOL_VERSION {
        let reason = format!(
            "the app speaks version {protocol} and the hub {PROTOCOL_VERSION}; reload the page"
        );
        return Err(Bye::new(Farewell::WrongVersion, reason));
    }
    // Before the phone is told anything: a hub that was replaced must not say that it is in charge.
    if let Some(seen) = seen.filter(|seen| seen.journal == app.journal) {
        super::peers::hear_of(app, seen.charge, Vec::new()).await;
    }
    let name: String = name.chars().filter(|c| !c.is_control()).collect();
    let name = name.trim();
    if name.is_empty() || name.chars().count() > 40 {
        return Err(Bye::new(
            Farewell::BadMessage,
            "a name has 1 to 40 characters",
        ));
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
    if !(8..=64).contains(&device.0.len()) || !device.0.chars().all(plain) {
        return Err(Bye::new(
            Farewell::BadMessage,
            "a device has 8 to 64 letters, digits or dashes",
        ));
    }
    // A role that this car has not (none chosen yet, or remembered from another car) becomes the first one.
    let role = match app.car.role(&role) {
        Some(role) => role.key.clone(),
        None => app
            .car
            .roles
            .first()
            .map_or(RoleKey::default(), |role| role.key.clone()),
    };
    let who = Who {
        id: device,
        name: name.to_owned(),
        role,
    };
    let token = app
        .door
        .came_in(&who, right, token.as_deref(), app.clock.now());
    let hello = Hello {
        who,
        right,
        resume,
        token,
        outs,
    };
    Ok(Some(hello))
}

/// What somebody is told who is not let in.
fn denied(why: Denied) -> Bye {
    let (why, reason, retry_after) = match why {
        Denied::Wrong(wait) => (
            Farewell::WrongCode,
            "that code is not right; ask the crew chief, or scan the code on the laptop",
            Some(wait),
        ),
        Denied::Wait(wait) => (
            Farewell::TooManyTries,
            "too soon after a wrong code; wait a little",
            Some(wait),
        ),
        Denied::Unknown => (
            Farewell::WrongCode,
            "this hub does not know this device; join by code",
            None,
        ),
        Denied::PutOut => (Farewell::PutOut, PUT_OUT, None),
    };
    Bye {
        retry_after,
        ..Bye::new(why, reason)
    }
}

/// The joined phase. Returns what to say when the hub is the one to end it.
async fn stay(
    app: &Arc<App>,
    socket: &mut WebSocket,
    hello: Hello,
    line: Option<Arc<Line>>,
) -> Option<Bye> {
    let conn = NEXT_CONN.fetch_add(1, Ordering::Relaxed);
    let (answers_in, mut answers) = mpsc::channel(ANSWERS_WAITING);
    let (joined_in, joined) = oneshot::channel();
    let mut stop = app.stop.clone();
    let mut outs = app.door.sessions.outs();
    outs.mark_changed();
    let presence = Presence {
        conn,
        asks: app.asks.clone(),
    };
    let (who, right) = (hello.who.clone(), hello.right);
    app.asks
        .send(Ask::Join {
            conn,
            who,
            right,
            answers: answers_in,
            joined: joined_in,
        })
        .await
        .ok()?;
    joined.await.ok()?;

    let resume = hello.resume.as_ref();
    let (session, snapshot) = Session::begin(&app.log, &app.journal, resume);
    let mut first = vec![encode(&HubMessage::Welcome(Box::new(welcome(app, &hello))))];
    first.extend(snapshot);
    for frame in first {
        socket.send(Message::Text(frame)).await.ok()?;
    }
    let gone_after = Duration::from_millis(PHONE_GONE_MS as u64);
    // Its place first, and what has changed meanwhile afterwards: the fan-out sees to what changes from then on.
    let place = app.fanout.join(conn, session, line);
    if let Err(end) = catch_up(app, socket, &place, &hello, gone_after).await {
        return end;
    }
    let mut heard = tokio::time::Instant::now();
    let mut budget = Budget {
        left: MESSAGES_AT_ONCE,
        at: Instant::now(),
    };
    loop {
        tokio::select! {
            biased;
            () = super::stopped(&mut stop) => return Some(Bye::new(Farewell::Stopping, "the hub is stopping")),
            Ok(()) = outs.changed() => {
                // Before anything else that has changed since: a new code is not for who was put out.
                if app.door.sessions.is_out(&hello.who.id, hello.outs) {
                    return Some(Bye::new(Farewell::PutOut, PUT_OUT));
                }
            }
            frame = socket.recv() => {
                heard = tokio::time::Instant::now();
                match frame {
                    Some(Ok(Message::Text(text))) => {
                        budget.spend().await;
                        match heard_text(app, conn, &text).await {
                            Ok(Some(reply)) => push(socket, vec![encode(&reply)], gone_after).await?,
                            Ok(None) => {}
                            Err(bye) => return Some(bye),
                        }
                    }
                    Some(Ok(Message::Binary(_))) => return Some(Bye::new(Farewell::BadMessage, "frames are JSON text")),
                    Some(Ok(Message::Ping(_) | Message::Pong(_))) => {}
                    Some(Ok(Message::Close(_)) | Err(_)) | None => return None,
                }
            }
            answer = answers.recv() => {
                push(socket, place.answer(&app.log, &answer?), gone_after).await?;
                if let Err(end) = catch_up(app, socket, &place, &hello, gone_after).await {
                    return end;
                }
            }
            () = place.woken() => {
                if let Err(end) = catch_up(app, socket, &place, &hello, gone_after).await {
                    return end;
                }
            }
            _ = tokio::time::sleep_until(heard + gone_after) => {
                tracing::info!(name = %hello.who.name, "heard nothing; closing");
                drop(presence);
                return None;
            }
        }
    }
}

/// Sends what is new until nothing is. A slow phone gets what is newest when it has room, and nobody else is held up by it.
///
/// # Errors
/// When the socket is to end, with what is to be said before.
async fn catch_up(
    app: &App,
    socket: &mut WebSocket,
    place: &Place,
    hello: &Hello,
    patience: Duration,
) -> Result<(), Option<Bye>> {
    let outs = app.door.sessions.outs();
    loop {
        if !matches!(timeout(patience, place.has_room()).await, Ok(Ok(()))) {
            return Err(None);
        }
        let news = place.news(&app.log, &app.board, &outs);
        // Before anything that has changed since: a new code is not for who was put out.
        if app.door.sessions.is_out(&hello.who.id, hello.outs) {
            return Err(Some(Bye::new(Farewell::PutOut, PUT_OUT)));
        }
        if news.is_empty() {
            return Ok(());
        }
        if push(socket, news, patience).await.is_none() {
            return Err(None);
        }
    }
}

/// Sends frames in one go; gives up on a phone that takes none for so long.
async fn push(socket: &mut WebSocket, frames: Vec<Utf8Bytes>, patience: Duration) -> Option<()> {
    let send = async {
        for frame in frames {
            socket.feed(Message::Text(frame)).await?;
        }
        socket.flush().await
    };
    match timeout(patience, send).await {
        Ok(Ok(())) => Some(()),
        _ => None,
    }
}

async fn heard_text(app: &App, conn: ConnId, text: &str) -> Result<Option<HubMessage>, Bye> {
    let message = serde_json::from_str(text)
        .map_err(|error| Bye::new(Farewell::BadMessage, format!("not understood: {error}")))?;
    let heard = session::heard(message, app.clock.now())
        .map_err(|reason| Bye::new(Farewell::BadMessage, reason))?;
    match heard {
        Heard::Ping(lag, pong) => {
            if let Some(lag) = lag {
                let _ = app.asks.send(Ask::Lag(conn, lag)).await;
            }
            Ok(Some(pong))
        }
        Heard::Command(id, command) => {
            let _ = app.asks.send(Ask::Command(conn, id, command)).await;
            Ok(None)
        }
    }
}

fn welcome(app: &App, hello: &Hello) -> Welcome {
    Welcome {
        protocol: PROTOCOL_VERSION,
        hub_version: env!("CARGO_PKG_VERSION").to_owned(),
        journal: app.journal.clone(),
        now: app.clock.now(),
        you: hello.who.clone(),
        right: hello.right,
        car: app.car.clone(),
        sheets: app
            .sheets
            .iter()
            .map(|(key, name)| SheetTitle {
                key: key.clone(),
                name: name.clone(),
            })
            .collect(),
        join: app.door.join(),
        not_live: app.not_live.clone(),
        controls: app.controls.clone(),
        token: hello.token.clone(),
        hubs: app.peers.hubs.borrow().clone(),
    }
}

async fn say_goodbye(socket: &mut WebSocket, bye: Bye) {
    let retry_after_ms = bye.retry_after.map(|wait| wait.as_millis() as i64);
    let goodbye = HubMessage::Goodbye {
        reason: bye.reason,
        why: bye.why,
        retry_after_ms,
    };
    let close = CloseFrame {
        code: 1000,
        reason: Utf8Bytes::from_static("goodbye"),
    };
    let words = async {
        socket.send(Message::Text(encode(&goodbye))).await?;
        socket.send(Message::Close(Some(close))).await?;
        // Closing with unread input would reset the connection, and the goodbye might never be read.
        while let Some(Ok(_)) = socket.next().await {}
        Ok::<_, axum::Error>(())
    };
    let _ = timeout(Duration::from_secs(1), words).await;
}

/// How many messages a phone may still send now.
struct Budget {
    left: f64,
    at: Instant,
}

impl Budget {
    /// Takes one; waits when there is none left.
    async fn spend(&mut self) {
        let now = Instant::now();
        self.left = (self.left + (now - self.at).as_secs_f64() * MESSAGES_A_SECOND)
            .min(MESSAGES_AT_ONCE)
            - 1.0;
        self.at = now;
        if self.left < 0.0 {
            tokio::time::sleep(Duration::from_secs_f64(-self.left / MESSAGES_A_SECOND)).await;
        }
    }
}

/// Largest frame and message that a phone may send.
pub const MAX_FRAME: usize = MAX_CLIENT_FRAME;

/// What a socket reads at once, in bytes. The library takes it for each phone at once and clears it for each read; phones say little
/// at a time, and a longer frame comes in pieces.
pub const READ_BUFFER: usize = 4 * 1024;
