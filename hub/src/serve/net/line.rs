//! A plain connection's sending side, to which two write: the connection's own task through the WebSocket library, and the fan-out,
//! which has the same bytes for everyone. Neither ever writes into the middle of what the other has begun.

use axum::body::Bytes;
use std::{
    future::poll_fn,
    io,
    pin::Pin,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    task::{Context, Poll, ready},
};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{
        TcpStream,
        tcp::{OwnedReadHalf, OwnedWriteHalf},
    },
};

/// First byte of a WebSocket's close frame (RFC 6455 section 5.2), after which nothing may be sent.
const CLOSE: u8 = 0x88;

/// What came of an attempt to write without waiting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Put {
    /// All of it is with the system.
    Sent,
    /// Its beginning is; the rest goes out before anything else does.
    Begun,
    /// Nothing of it: there is no room, or something else is half sent.
    Full,
    /// Nothing of it, and nothing ever will be.
    Closed,
}

/// The sending side.
#[derive(Debug)]
pub struct Line(Mutex<Out>);

#[derive(Debug)]
struct Out {
    half: OwnedWriteHalf,
    /// What is left of the fan-out's bytes.
    rest: Bytes,
    /// The WebSocket library has written a part of what it handed over last, and will hand over the rest.
    midway: bool,
    /// It has written a close frame.
    closed: bool,
}

impl Line {
    fn out(&self) -> MutexGuard<'_, Out> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes whole frames if they can be written now.
    pub fn put(&self, frames: &Bytes) -> Put {
        let mut out = self.out();
        if out.closed {
            return Put::Closed;
        }
        if out.midway || !out.rest.is_empty() {
            return Put::Full;
        }
        match out.half.try_write(frames) {
            Ok(count) if count == frames.len() => Put::Sent,
            Ok(count) => {
                out.rest = frames.slice(count..);
                Put::Begun
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Put::Full,
            Err(_) => Put::Closed,
        }
    }

    /// Waits until what was begun is sent and there is room for more.
    ///
    /// # Errors
    /// When the connection is broken.
    pub async fn has_room(&self) -> io::Result<()> {
        poll_fn(|cx| {
            let mut out = self.out();
            ready!(out.finish(cx))?;
            out.half.as_ref().poll_write_ready(cx)
        })
        .await
    }
}

impl Out {
    /// Sends what is left of the fan-out's bytes.
    fn finish(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        while !self.rest.is_empty() {
            let count = ready!(Pin::new(&mut self.half).poll_write(cx, &self.rest))?;
            if count == 0 {
                return Poll::Ready(Err(io::ErrorKind::WriteZero.into()));
            }
            let _ = self.rest.split_to(count);
        }
        Poll::Ready(Ok(()))
    }

    /// Notes how far the library got: it hands over all that it has, so that what was taken whole ends with a frame.
    fn wrote(&mut self, first: Option<u8>, count: usize, of: usize) {
        self.closed |= !self.midway && first == Some(CLOSE);
        self.midway = count < of;
    }
}

/// Both sides of a plain connection, for the HTTP and WebSocket libraries.
#[derive(Debug)]
pub struct Plain {
    read: OwnedReadHalf,
    line: Arc<Line>,
}

impl Plain {
    /// Takes a connection over.
    pub fn new(stream: TcpStream) -> Self {
        let (read, half) = stream.into_split();
        let line = Line(Mutex::new(Out {
            half,
            rest: Bytes::new(),
            midway: false,
            closed: false,
        }));
        Self {
            read,
            line: Arc::new(line),
        }
    }

    /// Its sending side, for the fan-out.
    pub fn line(&self) -> Arc<Line> {
        self.line.clone()
    }
}

impl AsyncRead for Plain {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.read).poll_read(cx, buf)
    }
}

impl AsyncWrite for Plain {
    fn poll_write(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let mut out = self.line.out();
        ready!(out.finish(cx))?;
        let count = ready!(Pin::new(&mut out.half).poll_write(cx, bytes))?;
        out.wrote(bytes.first().copied(), count, bytes.len());
        Poll::Ready(Ok(count))
    }

    fn poll_write_vectored(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let mut out = self.line.out();
        ready!(out.finish(cx))?;
        let count = ready!(Pin::new(&mut out.half).poll_write_vectored(cx, parts))?;
        let of = parts.iter().map(|part| part.len()).sum();
        out.wrote(None, count, of);
        Poll::Ready(Ok(count))
    }

    fn is_write_vectored(&self) -> bool {
        true
    }

    fn poll_flush(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut out = self.line.out();
        ready!(out.finish(cx))?;
        Pin::new(&mut out.half).poll_flush(cx)
    }

    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut out = self.line.out();
        ready!(out.finish(cx))?;
        Pin::new(&mut out.half).poll_shutdown(cx)
    }
}
