//! The network under HTTP: connections and how many, how long each may take over what, and encryption.
//!
//! Encrypted and plain connections come in by the same port and are told apart by their first byte, so that an address typed
//! without its scheme still leads somewhere: on an encrypted hub, to the page of `trust`.

pub mod authority;
pub mod line;
mod paced;
pub mod trust;

use super::door::guesses::place;
use axum::{Router, body::Body, extract::ConnectInfo};
use hyper::{Request, body::Incoming, server::conn::http1, service::service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use line::{Line, Plain};
pub use paced::pace;
use std::{
    collections::HashMap,
    io,
    net::{IpAddr, SocketAddr},
    pin::Pin,
    sync::{Arc, Mutex, PoisonError},
    task::{Context, Poll, ready},
    time::Duration,
};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore, watch},
    time::{Sleep, sleep, timeout},
};
use tokio_rustls::{TlsAcceptor, rustls::ServerConfig};
use tower::ServiceExt;

/// Connections from one address, an IPv6 network (/64) being one: a pit's 500 phones behind one router, two connections each.
const FROM_ONE: usize = 1_024;
/// Connections in all, where the system has as many file descriptors.
const IN_ALL: usize = 4_096;
/// File descriptors that are left for the book, the sources and whatever else.
const SPARE: u64 = 128;
/// How long a client may take to show its first byte, or to send a request's head; also how long an idle connection is kept, and how
/// long one waits for its turn to shake hands.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// How long a handshake may take once it is its turn. Much shorter than the wait for one, so that those who begin and do not go on
/// cannot keep everybody else waiting until they give up.
const SHAKEN_WITHIN: Duration = Duration::from_secs(5);
/// How long a client may take nothing of an answer.
const TAKES_NOTHING: Duration = Duration::from_secs(30);
/// Handshakes under way at once, in all: each costs some milliseconds of a core, and a core must be left for readings.
const HANDSHAKES: usize = 128;
/// Handshakes under way at once from one address.
const HANDSHAKES_FROM_ONE: usize = 64;
/// What may wait in the system to be sent to one phone, in bytes, beside what is on its way. What is handed over cannot be taken back:
/// over a slow link a system's own measure is many seconds of frames that are old when they come.
#[cfg(any(target_os = "linux", target_os = "android"))]
const UNSENT: u32 = 4 * 1024;
/// Largest head of a request, in bytes.
const MAX_HEAD: usize = 32 * 1024;
/// How long a stop waits for goodbyes.
const GOODBYES: Duration = Duration::from_secs(3);

/// Marks a request that came encrypted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Secure(pub bool);

/// With a request: the sending side of its connection, where it is not encrypted.
#[derive(Clone, Debug)]
pub struct Sender(pub Option<Arc<Line>>);

/// What an encrypted hub answers with.
pub struct Tls {
    /// How it shakes hands.
    pub config: Arc<ServerConfig>,
    /// What it says to those who come unencrypted.
    pub plain: Router,
}

/// How many connections there are, from where.
#[derive(Debug)]
struct Crowd {
    all: Arc<Semaphore>,
    most: usize,
    from: Mutex<HashMap<IpAddr, Here>>,
}

#[derive(Debug, Default)]
struct Here {
    connections: usize,
    handshakes: usize,
}

/// One connection's place; given back when it is dropped.
#[derive(Debug)]
struct Seat {
    crowd: Arc<Crowd>,
    from: IpAddr,
    _one: OwnedSemaphorePermit,
}

impl Crowd {
    fn new() -> Self {
        // A pit of 500 phones needs more than the 1,024 that many systems give at first.
        let files = rlimit::increase_nofile_limit(IN_ALL as u64 + SPARE).unwrap_or(1_024);
        let most = IN_ALL.min(files.saturating_sub(SPARE).max(64) as usize);
        if most < IN_ALL {
            tracing::warn!("the system allows this hub {most} connections only");
        }
        Self {
            all: Arc::new(Semaphore::new(most)),
            most,
            from: Mutex::default(),
        }
    }

    fn seat(self: &Arc<Self>, ip: IpAddr) -> Option<Seat> {
        let from = place(ip);
        let one = self.all.clone().try_acquire_owned().ok()?;
        let mut crowd = self.from.lock().unwrap_or_else(PoisonError::into_inner);
        let here = crowd.entry(from).or_default();
        if here.connections >= FROM_ONE {
            return None;
        }
        here.connections += 1;
        Some(Seat {
            crowd: self.clone(),
            from,
            _one: one,
        })
    }
}

impl Seat {
    /// Changes this address's count of handshakes, unless it is too many.
    fn handshake(&self, begins: bool) -> bool {
        let mut crowd = self
            .crowd
            .from
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let here = crowd.entry(self.from).or_default();
        if begins && here.handshakes >= HANDSHAKES_FROM_ONE {
            return false;
        }
        here.handshakes = if begins {
            here.handshakes + 1
        } else {
            here.handshakes.saturating_sub(1)
        };
        true
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut crowd = self
            .crowd
            .from
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(here) = crowd.get_mut(&self.from) {
            here.connections -= 1;
            if here.connections == 0 {
                crowd.remove(&self.from);
            }
        }
    }
}

/// Serves until told to stop, then waits a moment for requests and goodbyes that are under way.
pub async fn serve(
    listener: TcpListener,
    app: Router,
    tls: Option<Tls>,
    mut stop: watch::Receiver<bool>,
) {
    let crowd = Arc::new(Crowd::new());
    let handshakes = Arc::new(Semaphore::new(HANDSHAKES));
    let tls = tls.map(Arc::new);
    let mut turned_away = 0u64;
    loop {
        let accepted = tokio::select! {
            () = super::stopped(&mut stop) => break,
            accepted = listener.accept() => accepted,
        };
        let (stream, from) = match accepted {
            Ok(accepted) => accepted,
            // Gone again before it was looked at, or no file descriptor left; the latter needs a moment.
            Err(error) => {
                tracing::debug!("a connection could not be taken: {error}");
                sleep(Duration::from_millis(20)).await;
                continue;
            }
        };
        let Some(seat) = crowd.seat(from.ip()) else {
            turned_away += 1;
            if turned_away.is_power_of_two() {
                tracing::warn!(%from, "too many connections; {turned_away} turned away so far");
            }
            continue;
        };
        let _ = stream.set_nodelay(true);
        #[cfg(any(target_os = "linux", target_os = "android"))]
        let _ = socket2::SockRef::from(&stream).set_tcp_notsent_lowat(UNSENT);
        let (app, tls, handshakes) = (app.clone(), tls.clone(), handshakes.clone());
        let stop = stop.clone();
        tokio::spawn(async move {
            let Some(tls) = tls else {
                return talk_plainly(stream, seat, from, app, stop).await;
            };
            match timeout(HEAD_WITHIN, encrypted(&stream)).await {
                Ok(Ok(true)) => {
                    if let Some(stream) = shake(stream, &seat, &tls.config, &handshakes).await {
                        talk(stream, seat, from, app, None, stop).await;
                    }
                }
                Ok(Ok(false)) => talk_plainly(stream, seat, from, tls.plain.clone(), stop).await,
                _ => {}
            }
        });
    }
    // Every connection has given its seat back once it has ended; sockets end after a goodbye.
    let all = u32::try_from(crowd.most).unwrap_or(u32::MAX);
    let _ = timeout(GOODBYES, crowd.all.acquire_many(all)).await;
}

/// Whether the first byte is that of a TLS handshake (content type 22, RFC 8446 section 5.1).
async fn encrypted(stream: &TcpStream) -> io::Result<bool> {
    let mut first = [0];
    match stream.peek(&mut first).await? {
        0 => Err(io::ErrorKind::UnexpectedEof.into()),
        _ => Ok(first[0] == 22),
    }
}

async fn shake(
    stream: TcpStream,
    seat: &Seat,
    config: &Arc<ServerConfig>,
    handshakes: &Semaphore,
) -> Option<tokio_rustls::server::TlsStream<TcpStream>> {
    if !seat.handshake(true) {
        return None;
    }
    let shaken = async {
        let _turn = timeout(HEAD_WITHIN, handshakes.acquire()).await??;
        let stream = TlsAcceptor::from(config.clone()).accept(stream);
        Ok::<_, anyhow::Error>(timeout(SHAKEN_WITHIN, stream).await??)
    };
    let shaken = shaken.await;
    seat.handshake(false);
    shaken
        .inspect_err(|error| tracing::debug!("no handshake: {error}"))
        .ok()
}

async fn talk_plainly(
    stream: TcpStream,
    seat: Seat,
    from: SocketAddr,
    app: Router,
    stop: watch::Receiver<bool>,
) {
    let stream = Plain::new(stream);
    let line = stream.line();
    talk(stream, seat, from, app, Some(line), stop).await;
}

/// Speaks HTTP/1.1 with one connection; one without a line of its own is encrypted. One version is enough for a page of six files, and is less to attack.
async fn talk(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    seat: Seat,
    from: SocketAddr,
    app: Router,
    line: Option<Arc<Line>>,
    mut stop: watch::Receiver<bool>,
) {
    let stream = Patient {
        stream,
        _seat: seat,
        stuck: None,
    };
    let service = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(ConnectInfo(from));
        request.extensions_mut().insert(Secure(line.is_none()));
        request.extensions_mut().insert(Sender(line.clone()));
        app.clone().oneshot(request.map(Body::new))
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .max_buf_size(MAX_HEAD)
        .serve_connection(TokioIo::new(stream), service)
        .with_upgrades();
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = super::stopped(&mut stop) => {
            // The answer that is under way still goes out.
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%from, "a connection ended: {error}");
    }
}

/// A stream that gives up when its other end takes nothing for too long, and holds the connection's seat for as long as it is
/// open, also after it has become a socket.
struct Patient<S> {
    stream: S,
    _seat: Seat,
    stuck: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    /// What a write came to, unless it has come to nothing for too long.
    fn tried<T>(
        &mut self,
        cx: &mut Context<'_>,
        tried: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if tried.is_ready() {
            self.stuck = None;
            return tried;
        }
        let stuck = self
            .stuck
            .get_or_insert_with(|| Box::pin(sleep(TAKES_NOTHING)));
        ready!(stuck.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.tried(cx, tried)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.stream).poll_write_vectored(cx, parts);
        self.tried(cx, tried)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.stream).poll_flush(cx);
        self.tried(cx, tried)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.tried(cx, tried)
    }
}
