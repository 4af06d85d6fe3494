//! WebSocket frames (RFC 6455 section 5.2) as bytes: just enough to open a socket, say little and count what comes, so that a
//! thousand clients cost one core little.

use anyhow::{Context, Result, bail};
use std::{
    io::{Read, Write},
    net::TcpStream,
    time::Duration,
};

/// Opens a WebSocket over a TCP connection to that address; bytes that came behind the answer's head are returned.
///
/// # Errors
/// When the server does not switch.
pub fn open_on(
    mut stream: TcpStream,
    address: &str,
    path: &str,
    protocol: Option<&str>,
) -> Result<(TcpStream, Vec<u8>)> {
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(Duration::from_secs(20)))?;
    let protocol = protocol.map_or_else(String::new, |name| {
        format!("Sec-WebSocket-Protocol: {name}\r\n")
    });
    // The key is the RFC's own example; the answer to it is not looked at.
    let request = format!(
        "GET {path} HTTP/1.1\r\nHost: {address}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n{protocol}\r\n"
    );
    stream.write_all(request.as_bytes())?;
    let mut head = Vec::new();
    let mut chunk = [0; 4096];
    loop {
        let count = stream.read(&mut chunk).context("no answer")?;
        if count == 0 {
            bail!("closed before it answered");
        }
        head.extend_from_slice(&chunk[..count]);
        if let Some(end) = memchr::memmem::find(&head, b"\r\n\r\n") {
            if !head.starts_with(b"HTTP/1.1 101") {
                bail!("{}", String::from_utf8_lossy(&head[..end]));
            }
            let rest = head.split_off(end + 4);
            return Ok((stream, rest));
        }
    }
}

/// A client's frame: masked as it must be, with the mask nought, so that the bytes stay as they are.
pub fn masked(text: bool, payload: &[u8]) -> Vec<u8> {
    let mut frame = vec![0x80 | if text { 1 } else { 2 }];
    match payload.len() {
        length @ ..126 => frame.push(0x80 | length as u8),
        length => {
            frame.push(0x80 | 126);
            frame.extend((length as u16).to_be_bytes());
        }
    }
    frame.extend([0; 4]);
    frame.extend_from_slice(payload);
    frame
}

/// A server's text frame.
pub fn framed(payload: &[u8]) -> Vec<u8> {
    let mut frame = vec![0x81];
    match payload.len() {
        length @ ..126 => frame.push(length as u8),
        length @ ..65_536 => {
            frame.push(126);
            frame.extend((length as u16).to_be_bytes());
        }
        length => {
            frame.push(127);
            frame.extend((length as u64).to_be_bytes());
        }
    }
    frame.extend_from_slice(payload);
    frame
}

/// The first frame in these bytes: where its payload begins and where it ends; nothing when it is not all there.
pub fn first(bytes: &[u8]) -> Option<(usize, usize)> {
    let short = *bytes.get(1)? & 0x7f;
    let (head, length) = match short {
        126 => (
            4,
            usize::from(u16::from_be_bytes(bytes.get(2..4)?.try_into().ok()?)),
        ),
        127 => {
            let length = u64::from_be_bytes(bytes.get(2..10)?.try_into().ok()?);
            (10, usize::try_from(length).ok()?)
        }
        length => (2, usize::from(length)),
    };
    let end = head + length;
    (bytes.len() >= end).then_some((head, end))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of RFC 6455 section 5.7, and lengths on both sides of where the head changes.
    #[test]
    fn frames_are_cut_where_the_rfc_says() {
        assert_eq!(framed(b"Hello"), [0x81, 0x05, 0x48, 0x65, 0x6c, 0x6c, 0x6f]);
        assert_eq!(&framed(&[7; 256])[..4], [0x81, 0x7e, 0x01, 0x00]);
        assert_eq!(
            &framed(&vec![7; 65_536])[..10],
            [0x81, 0x7f, 0, 0, 0, 0, 0, 1, 0, 0]
        );
        for length in [0, 1, 125, 126, 127, 65_535, 65_536] {
            let mut bytes = framed(&vec![1; length]);
            let whole = bytes.len();
            assert_eq!(first(&bytes[..whole - 1]), None);
            bytes.push(9);
            assert_eq!(first(&bytes), Some((whole - length, whole)));
        }
    }
}
