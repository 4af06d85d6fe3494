//! A plain connection's sending side, to which two write: the connection's own task through the WebSocket library, and the fan-out,
//! which has the same bytes for everyone. Neither ever writes into the middle of what the other has begun.

use axum::body::Bytes;
use socket2::SockRef;
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
        match out.try_write(frames) {
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
    /// Writes what there is room for. The system is asked and not the runtime, which would look up first what it has been told of the
    /// connection; only when there is no room is it to know.
    fn try_write(&self, bytes: &[u8]) -> io::Result<usize> {
        match SockRef::from(self.half.as_ref()).send(bytes) {
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => self.half.try_write(bytes),
            written => written,
        }
    }

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

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::{
        io::{AsyncReadExt, AsyncWriteExt},
        net::{TcpListener, TcpSocket},
    };

    /// Bytes of a frame before what it carries.
    const HEAD: usize = 10;

    /// A connection with little room on both sides.
    async fn narrow() -> (Plain, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let socket = TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(4096).unwrap();
        let address = listener.local_addr().unwrap();
        let (near, far) = tokio::join!(listener.accept(), socket.connect(address));
        let near = near.unwrap().0;
        SockRef::from(&near).set_send_buffer_size(4096).unwrap();
        (Plain::new(near), far.unwrap())
    }

    /// A text frame of one letter behind a number. Every fourth is longer than all the room there is, whatever the system makes of 4096,
    /// so that it is cut; the others are if it happens so.
    fn frame(letter: u8, n: u32) -> Vec<u8> {
        let length: u64 = if n.is_multiple_of(4) { 400_000 } else { 10_000 };
        let mut frame = vec![0x81, 127];
        frame.extend(length.to_be_bytes());
        frame.extend(n.to_be_bytes());
        frame.resize(HEAD + length as usize, letter);
        frame
    }

    #[tokio::test]
    async fn two_writers_never_cut_into_each_others_frames() {
        const FRAMES: u32 = 400;
        let (mut plain, mut far) = narrow().await;
        let line = plain.line();
        let own = async {
            for n in 0..FRAMES {
                plain.write_all(&frame(b'o', n)).await.unwrap();
                plain.flush().await.unwrap();
                tokio::task::yield_now().await;
            }
            plain.shutdown().await.unwrap();
        };
        let fan = async {
            let (mut sent, mut begun, mut full) = (Vec::new(), 0, 0);
            for n in 0..4 * FRAMES {
                match line.put(&frame(b'f', n).into()) {
                    Put::Sent => sent.push(n),
                    Put::Begun => {
                        sent.push(n);
                        begun += 1;
                    }
                    Put::Full => full += 1,
                    Put::Closed => break,
                }
                tokio::task::yield_now().await;
            }
            (sent, begun, full)
        };
        let reading = async {
            let mut bytes = Vec::new();
            let mut chunk = vec![0; 3_000];
            loop {
                let count = far.read(&mut chunk).await.unwrap();
                if count == 0 {
                    return bytes;
                }
                bytes.extend_from_slice(&chunk[..count]);
            }
        };
        let ((), (sent, begun, full), bytes) = tokio::join!(own, fan, reading);
        assert!(
            begun > 0 && full > 0,
            "{begun} begun and {full} refused: nothing was tried"
        );
        let (mut owned, mut fanned) = (Vec::new(), Vec::new());
        let mut rest = bytes.as_slice();
        while let Some(head) = rest.get(..=HEAD + 4) {
            let n = u32::from_be_bytes(head[HEAD..HEAD + 4].try_into().unwrap());
            let letter = head[HEAD + 4];
            let whole = frame(letter, n);
            assert!(rest.starts_with(&whole), "frame {n} is not whole");
            rest = &rest[whole.len()..];
            match letter {
                b'o' => owned.push(n),
                _ => fanned.push(n),
            }
        }
        assert_eq!(rest, b"");
        assert_eq!(owned, (0..FRAMES).collect::<Vec<_>>());
        assert_eq!(fanned, sent);
    }

    #[tokio::test]
    async fn nothing_follows_a_close_frame() {
        let (mut plain, _far) = narrow().await;
        let line = plain.line();
        assert_eq!(line.put(&Bytes::from_static(b"\x81\x01a")), Put::Sent);
        plain.write_all(b"\x88\x02\x03\xe8").await.unwrap();
        assert_eq!(line.put(&Bytes::from_static(b"\x81\x01b")), Put::Closed);
    }
}
