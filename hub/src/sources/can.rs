//! A live CAN bus by Linux SocketCAN: the thinnest layer that turns frames over to `canmap`.
//!
//! Untested on hardware: the machines that this was built on have no CAN. All above the socket is proved from captures.

use super::canmap::CanMap;
use super::{Feed, Running, Source};

/// A CAN interface.
#[derive(Debug)]
pub struct Can {
    interface: String,
    map: CanMap,
}

impl Can {
    pub(super) fn new(interface: String, map: CanMap) -> anyhow::Result<Self> {
        if !cfg!(target_os = "linux") {
            anyhow::bail!(
                "can: needs Linux (SocketCAN); on this system record with another tool and use candump:FILE, or send JSON lines"
            );
        }
        Ok(Self { interface, map })
    }
}

impl Source for Can {
    fn name(&self) -> String {
        format!("can:{}", self.interface)
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { live::run(&self.interface, &self.map, &feed).await })
    }
}

#[cfg(not(target_os = "linux"))]
mod live {
    use super::{CanMap, Feed};

    pub async fn run(_: &str, _: &CanMap, _: &Feed) -> anyhow::Result<()> {
        anyhow::bail!("can: needs Linux")
    }
}

#[cfg(target_os = "linux")]
mod live {
    use super::{CanMap, Feed};
    use crate::core::feed::{Batch, FaultKind};
    use crate::sources::dbc::Frame;
    use crate::sources::retry::Backoff;
    use crate::sources::tally::{REPORT_EVERY, Tally, tell};
    use socketcan::{CanAnyFrame, EmbeddedFrame, Frame as _, tokio::CanFdSocket};
    use spinover_protocol::message::SourceState;
    use tokio::time::Instant;

    pub async fn run(interface: &str, map: &CanMap, feed: &Feed) -> anyhow::Result<()> {
        let mut backoff = Backoff::default();
        let mut tally = Tally::default();
        loop {
            feed.state(SourceState::Waiting).await?;
            let trouble = match CanFdSocket::open(interface) {
                Ok(socket) => listen(&socket, map, feed, &mut tally, &mut backoff).await?,
                Err(error) => error,
            };
            tally.note(FaultKind::Trouble, || {
                format!("CAN interface {interface}: {trouble}; trying again")
            });
            tell(feed, tally.rest(Instant::now())).await?;
            feed.state(SourceState::Failed).await?;
            backoff.wait().await;
        }
    }

    /// Until the socket breaks; the hub's going ends it with an error.
    async fn listen(
        socket: &CanFdSocket,
        map: &CanMap,
        feed: &Feed,
        tally: &mut Tally,
        backoff: &mut Backoff,
    ) -> anyhow::Result<std::io::Error> {
        let mut up = false;
        loop {
            let read = tokio::select! {
                read = socket.read_frame() => read,
                () = tokio::time::sleep(REPORT_EVERY), if tally.waits() => {
                    tell(feed, tally.due(Instant::now())).await?;
                    continue;
                }
            };
            let frame = match read {
                Ok(CanAnyFrame::Normal(frame)) => Frame {
                    id: frame.raw_id(),
                    extended: frame.is_extended(),
                    data: frame.data().to_vec(),
                },
                Ok(CanAnyFrame::Fd(frame)) => Frame {
                    id: frame.raw_id(),
                    extended: frame.is_extended(),
                    data: frame.data().to_vec(),
                },
                Ok(CanAnyFrame::Remote(_)) => continue,
                Ok(CanAnyFrame::Error(error)) => {
                    tally.note(FaultKind::Trouble, || {
                        format!("the CAN bus reports an error frame: {error:?}")
                    });
                    continue;
                }
                Err(error) => return Ok(error),
            };
            backoff.reset();
            if !std::mem::replace(&mut up, true) {
                feed.state(SourceState::Up).await?;
            }
            let values = map.values(&frame, tally);
            if !values.is_empty() {
                feed.batch(Batch { t_s: None, values }).await?;
            }
            tell(feed, tally.due(Instant::now())).await?;
        }
    }
}
