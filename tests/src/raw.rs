//! A bare socket to the hub: sends exactly what it is told, reads only when it is asked. For what a well-made phone never does.

use crate::{DEADLINE, hub::Hub};
use anyhow::{Context, Result, bail};
use futures_util::{SinkExt, StreamExt};
use serde_json::Value;
use spinover_protocol::{
    PROTOCOL_VERSION,
    message::{Farewell, HubMessage, Welcome},
};
use std::net::{IpAddr, SocketAddr};
use tokio::{
    net::{TcpSocket, TcpStream},
    time::timeout,
};
use tokio_tungstenite::{WebSocketStream, client_async, tungstenite::Message};

/// A bare socket.
#[derive(Debug)]
pub struct Raw(WebSocketStream<TcpStream>);

impl Raw {
    /// Opens the hub's socket.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub async fn open(hub: &Hub) -> Result<Self> {
        Self::open_with_room(hub, None).await
    }

    /// Opens the hub's socket with room for only so many bytes that have come in and were not read.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub async fn open_with_room(hub: &Hub, room: Option<u32>) -> Result<Self> {
        let socket = TcpSocket::new_v4()?;
        if let Some(room) = room {
            socket.set_recv_buffer_size(room)?;
        }
        Self::open_on(socket, &hub.address()).await
    }

    /// Opens a socket to a hub's address from an address of its own: on Linux all of 127.0.0.0/8 are this machine's.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub async fn open_from(address: &str, from: IpAddr) -> Result<Self> {
        let socket = TcpSocket::new_v4()?;
        socket.bind(SocketAddr::new(from, 0))?;
        Self::open_on(socket, address).await
    }

    async fn open_on(socket: TcpSocket, address: &str) -> Result<Self> {
        let stream = timeout(DEADLINE, socket.connect(address.parse()?))
            .await
            .context("no connection in time")??;
        let open = client_async(format!("ws://{address}/ws"), stream);
        let (socket, _) = timeout(DEADLINE, open)
            .await
            .context("no handshake in time")??;
        Ok(Self(socket))
    }

    /// Opens it and joins.
    ///
    /// # Errors
    /// When that fails; what the hub answers is not looked at.
    pub async fn join(hub: &Hub, code: &str, device: &str, resume: Option<Value>) -> Result<Self> {
        let mut raw = Self::open(hub).await?;
        raw.send(&hello(code, device, resume)).await?;
        Ok(raw)
    }

    /// Sends a frame.
    ///
    /// # Errors
    /// When the socket is closed.
    pub async fn send(&mut self, frame: &Value) -> Result<()> {
        self.send_text(&frame.to_string()).await
    }

    /// Sends any text.
    ///
    /// # Errors
    /// When the socket is closed.
    pub async fn send_text(&mut self, text: &str) -> Result<()> {
        Ok(self.0.send(Message::text(text)).await?)
    }

    /// Sends bytes in a binary frame, which the hub does not speak.
    ///
    /// # Errors
    /// When the socket is closed.
    pub async fn send_bytes(&mut self, bytes: Vec<u8>) -> Result<()> {
        Ok(self.0.send(Message::binary(bytes)).await?)
    }

    /// The next frame; nothing when the hub has closed the socket.
    ///
    /// # Errors
    /// When none comes in time, or it cannot be understood.
    pub async fn next(&mut self) -> Result<Option<HubMessage>> {
        loop {
            return match timeout(DEADLINE, self.0.next())
                .await
                .context("no frame in time")?
            {
                Some(Ok(Message::Text(text))) => Ok(Some(
                    serde_json::from_str(&text).with_context(|| text.to_string())?,
                )),
                Some(Ok(Message::Ping(_) | Message::Pong(_))) => continue,
                Some(Ok(Message::Close(_)) | Err(_)) | None => Ok(None),
                Some(Ok(other)) => bail!("a frame that is no text: {other:?}"),
            };
        }
    }

    /// What the hub says to a hello: the welcome, or why not.
    ///
    /// # Errors
    /// When it says neither.
    pub async fn said(&mut self) -> Result<Result<Welcome, (Farewell, Option<i64>)>> {
        self.until(|message| match message {
            HubMessage::Welcome(welcome) => Some(Ok(*welcome)),
            HubMessage::Goodbye {
                why,
                retry_after_ms,
                ..
            } => Some(Err((why, retry_after_ms))),
            _ => None,
        })
        .await
    }

    /// Reads until a frame of which `pick` makes something.
    ///
    /// # Errors
    /// When none comes in time, or the socket closes first.
    pub async fn until<T>(&mut self, mut pick: impl FnMut(HubMessage) -> Option<T>) -> Result<T> {
        loop {
            let message = self.next().await?.context("the hub closed the socket")?;
            if let Some(found) = pick(message) {
                return Ok(found);
            }
        }
    }
}

/// A `hello` by a device's token.
pub fn hello_again(token: &str, device: &str) -> Value {
    let mut hello = hello("", device, None);
    hello["token"] = token.into();
    hello
}

/// A `hello` for the first role of whatever car it is.
pub fn hello(code: &str, device: &str, resume: Option<Value>) -> Value {
    let mut hello = serde_json::json!({
        "type": "hello", "protocol": PROTOCOL_VERSION, "code": code, "name": device, "role": "", "device": device,
    });
    if let Some(resume) = resume {
        hello["resume"] = resume;
    }
    hello
}
