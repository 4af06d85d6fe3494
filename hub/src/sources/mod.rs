//! Where readings come from: one file a kind, all behind one small trait.

pub mod map;

use crate::core::feed::{Batch, Fault, FaultKind, Report};
use spinover_protocol::message::SourceState;
use tokio::sync::mpsc;

/// A place where readings come from.
pub trait Source: Send {
    /// What it is, without secrets, as the crew chief sees it.
    fn name(&self) -> String;

    /// Why its readings are not live, when they are not: simulated, or of another day.
    fn not_live(&self) -> Option<String> {
        None
    }

    /// Delivers until the source ends or the feed closes. It mends its own troubles where it can (reconnects, waits) and
    /// reports them; it returns an error only when nothing more can come.
    fn run(self: Box<Self>, feed: Feed) -> std::pin::Pin<Box<dyn Future<Output = anyhow::Result<()>> + Send>>;
}

/// Where a source delivers to. When the hub is busy, sending waits: a flood slows its own source, not the others.
#[derive(Clone, Debug)]
pub struct Feed {
    /// The source's place in the hub's list.
    source: usize,
    to: mpsc::Sender<(usize, Report)>,
}

/// The hub has gone; the source should end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the hub is stopping")]
pub struct HubGone;

impl Feed {
    /// A feed for the source with that place in the hub's list.
    pub fn new(source: usize, to: mpsc::Sender<(usize, Report)>) -> Self {
        Self { source, to }
    }

    /// Delivers values.
    ///
    /// # Errors
    /// When the hub has gone.
    pub async fn batch(&self, batch: Batch) -> Result<(), HubGone> {
        self.send(Report::Batch(batch)).await
    }

    /// Reports input that could not be taken.
    ///
    /// # Errors
    /// When the hub has gone.
    pub async fn fault(&self, kind: FaultKind, count: u64, text: impl Into<String>) -> Result<(), HubGone> {
        self.send(Report::Fault(Fault { kind, count, text: text.into() })).await
    }

    /// Reports what the source is doing.
    ///
    /// # Errors
    /// When the hub has gone.
    pub async fn state(&self, state: SourceState) -> Result<(), HubGone> {
        self.send(Report::State(state)).await
    }

    async fn send(&self, report: Report) -> Result<(), HubGone> {
        self.to.send((self.source, report)).await.map_err(|_| HubGone)
    }
}
