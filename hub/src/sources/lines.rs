//! Lines of JSON from the hub's standard input, or over TCP from whoever connects. Decoding is in `decode`.

use super::clock::SourceClock;
use super::decode;
use super::framing::{Line, MAX_LINE, Splitter};
use super::index::ChannelIndex;
use super::tally::{REPORT_EVERY, Tally, tell};
use super::{Feed, HubGone, Running, Source};
use crate::core::feed::{Batch, FaultKind};
use anyhow::Context;
use spinover_protocol::message::SourceState;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;
use tokio::{io::AsyncReadExt, sync::mpsc, time::Instant};

/// So many may send at once; an honest pit has a handful.
const MAX_CLIENTS: usize = 64;
/// A client that sends nothing for this long is let go, so that those lost to bad radio do not fill the places.
const SILENT_AFTER: Duration = Duration::from_secs(600);
/// Bytes read at once.
const CHUNK: usize = 64 * 1024;
/// Two clients' times within this of each other, in seconds, are taken to be the same clock.
const SAME_CLOCK_S: f64 = 5.0;

/// Lines on standard input.
#[derive(Debug)]
pub struct StdinLines {
    index: Arc<ChannelIndex>,
}

impl StdinLines {
    /// A source for that car.
    pub fn new(index: Arc<ChannelIndex>) -> Self {
        Self { index }
    }
}

impl Source for StdinLines {
    fn name(&self) -> String {
        "lines:stdin".to_owned()
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { stdin(self.index, feed).await })
    }
}

/// What standard input brings. There is one a process, and it outlives the source: a hub that takes other files up goes on
/// where it was.
type Chunks = tokio::sync::Mutex<mpsc::Receiver<std::io::Result<Vec<u8>>>>;
static CHUNKS: OnceLock<Chunks> = OnceLock::new();

/// A thread of its own: a read that waits on a terminal cannot be called off, and must not hold up the hub's end.
fn read_stdin() -> Chunks {
    let (to, chunks) = mpsc::channel(4);
    std::thread::spawn(move || {
        use std::io::Read;
        let mut stdin = std::io::stdin().lock();
        let mut chunk = vec![0; CHUNK];
        loop {
            let read = stdin.read(&mut chunk).map(|count| chunk[..count].to_vec());
            let last = !matches!(&read, Ok(bytes) if !bytes.is_empty());
            if to.blocking_send(read).is_err() || last {
                return;
            }
        }
    });
    tokio::sync::Mutex::new(chunks)
}

async fn stdin(index: Arc<ChannelIndex>, feed: Feed) -> anyhow::Result<()> {
    let mut chunks = CHUNKS.get_or_init(read_stdin).lock().await;
    feed.state(SourceState::Up).await?;
    let shared = Arc::new(Shared::default());
    let mut reader = Reader::new(index, shared.clone());
    loop {
        tokio::select! {
            chunk = chunks.recv() => match chunk {
                Some(Ok(bytes)) if !bytes.is_empty() => reader.take(&bytes, &feed).await?,
                Some(Err(error)) => return Err(error).context("cannot read standard input"),
                _ => break,
            },
            () = tokio::time::sleep(REPORT_EVERY), if shared.tally().waits() => {}
        }
        shared.tell_due(&feed).await?;
    }
    reader.end(&feed).await?;
    shared.tell_rest(&feed).await?;
    feed.state(SourceState::Ended).await?;
    Ok(())
}

/// Lines over TCP; the hub listens.
#[derive(Debug)]
pub struct TcpLines {
    index: Arc<ChannelIndex>,
    listener: std::net::TcpListener,
    name: String,
}

impl TcpLines {
    /// Listens at `ADDR:PORT`; port 0 picks a free one, which [`Source::name`] then tells.
    ///
    /// # Errors
    /// When nothing can listen there.
    pub fn listen(index: Arc<ChannelIndex>, address: &str) -> anyhow::Result<Self> {
        let listener = std::net::TcpListener::bind(address)
            .with_context(|| format!("lines:tcp: cannot listen at {address}"))?;
        listener.set_nonblocking(true)?;
        let name = format!("lines:tcp://{}", listener.local_addr()?);
        tracing::info!("listening for readings at {name}");
        Ok(Self {
            index,
            listener,
            name,
        })
    }
}

impl Source for TcpLines {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move {
            serve(
                self.index,
                tokio::net::TcpListener::from_std(self.listener)?,
                feed,
            )
            .await
        })
    }
}

async fn serve(
    index: Arc<ChannelIndex>,
    listener: tokio::net::TcpListener,
    feed: Feed,
) -> anyhow::Result<()> {
    let shared = Arc::new(Shared::default());
    // Clients end with the source: dropping the set drops them.
    let mut clients = tokio::task::JoinSet::new();
    feed.state(SourceState::Waiting).await?;
    let mut tick = tokio::time::interval(REPORT_EVERY);
    loop {
        tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((_, peer)) if clients.len() >= MAX_CLIENTS => {
                    shared.tally().note(FaultKind::Trouble, || format!("{peer} was turned away: {MAX_CLIENTS} clients are connected already"));
                }
                Ok((socket, peer)) => {
                    tracing::debug!("{peer} sends readings");
                    if clients.is_empty() {
                        feed.state(SourceState::Up).await?;
                    }
                    clients.spawn(client(socket, Reader::new(index.clone(), shared.clone()), shared.clone(), feed.clone()));
                }
                Err(error) => {
                    // Out of file handles, mostly: it passes when clients leave. The tick below keeps this from spinning.
                    shared.tally().note(FaultKind::Trouble, || format!("cannot take a client: {error}"));
                    tick.tick().await;
                }
            },
            Some(ended) = clients.join_next() => {
                if let Ok(Err(HubGone)) = ended {
                    return Ok(());
                }
                if clients.is_empty() {
                    feed.state(SourceState::Waiting).await?;
                }
            }
            _ = tick.tick() => {}
        }
        shared.tell_due(&feed).await?;
    }
}

async fn client(
    mut socket: tokio::net::TcpStream,
    mut reader: Reader,
    shared: Arc<Shared>,
    feed: Feed,
) -> Result<(), HubGone> {
    let mut chunk = vec![0; CHUNK];
    loop {
        match tokio::time::timeout(SILENT_AFTER, socket.read(&mut chunk)).await {
            Ok(Ok(count)) if count > 0 => {
                reader.take(&chunk[..count], &feed).await?;
                shared.tell_due(&feed).await?;
            }
            // Ended, reset or silent: whole lines have been taken, and the last one may lack its end.
            _ => return reader.end(&feed).await,
        }
    }
}

/// What the clients of one source share.
#[derive(Debug, Default)]
struct Shared {
    tally: Mutex<Tally>,
    base: Mutex<Base>,
}

/// The time of the source as a whole, which clients with clocks of their own are fitted to.
#[derive(Clone, Copy, Debug, Default)]
struct Base {
    /// The latest time passed on, and when.
    latest: Option<(f64, Instant)>,
    /// Connected clients that send a time.
    timed: usize,
}

impl Base {
    /// Where a new client's clock starts. Its own time is kept where it can be: it is the same clock as the others', or it
    /// is alone and goes on. A clock of another kind (a board that counts from its own start) goes on from now.
    fn fit(&self, said: f64, now: Instant) -> f64 {
        let Some((latest, at)) = self.latest else {
            return said;
        };
        let expected = latest + now.duration_since(at).as_secs_f64();
        let same = (said - expected).abs() <= SAME_CLOCK_S;
        if (said >= latest && self.timed == 0) || same {
            said
        } else {
            expected
        }
    }
}

impl Shared {
    fn tally(&self) -> MutexGuard<'_, Tally> {
        // A counter is no worse for a panic elsewhere.
        self.tally.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn base(&self) -> MutexGuard<'_, Base> {
        self.base.lock().unwrap_or_else(PoisonError::into_inner)
    }

    async fn tell_due(&self, feed: &Feed) -> Result<(), HubGone> {
        let due = self.tally().due(Instant::now());
        tell(feed, due).await
    }

    async fn tell_rest(&self, feed: &Feed) -> Result<(), HubGone> {
        let rest = self.tally().rest(Instant::now());
        tell(feed, rest).await
    }
}

/// One sender's stream, from bytes to batches.
struct Reader {
    splitter: Splitter,
    index: Arc<ChannelIndex>,
    shared: Arc<Shared>,
    /// Its clock, once it has sent a time; it is then counted in [`Base::timed`] until it goes.
    clock: Option<SourceClock>,
}

impl Drop for Reader {
    fn drop(&mut self) {
        if self.clock.is_some() {
            self.shared.base().timed -= 1;
        }
    }
}

impl Reader {
    fn new(index: Arc<ChannelIndex>, shared: Arc<Shared>) -> Self {
        Self {
            splitter: Splitter::default(),
            index,
            shared,
            clock: None,
        }
    }

    async fn take(&mut self, bytes: &[u8], feed: &Feed) -> Result<(), HubGone> {
        self.deliver(|splitter, each| splitter.push(bytes, each), feed)
            .await
    }

    async fn end(&mut self, feed: &Feed) -> Result<(), HubGone> {
        self.deliver(|splitter, each| splitter.end(each), feed)
            .await
    }

    async fn deliver(
        &mut self,
        cut: impl FnOnce(&mut Splitter, &mut dyn FnMut(Line<'_>)),
        feed: &Feed,
    ) -> Result<(), HubGone> {
        for batch in self.decode(cut) {
            feed.batch(batch).await?;
        }
        Ok(())
    }

    /// Decodes a whole chunk under one lock, before anything is awaited.
    fn decode(&mut self, cut: impl FnOnce(&mut Splitter, &mut dyn FnMut(Line<'_>))) -> Vec<Batch> {
        let Self {
            splitter,
            index,
            shared,
            clock,
        } = self;
        let mut batches = Vec::new();
        let mut tally = shared.tally();
        cut(splitter, &mut |line| match line {
            Line::TooLong => tally.note(FaultKind::TooLong, || {
                format!(
                    "a line of more than {MAX_LINE} bytes was left out; send one JSON object a line"
                )
            }),
            Line::Whole(line) => {
                let Some(mut batch) = decode::values(line, index, &mut tally) else {
                    return;
                };
                if let Some(said) = batch.t_s {
                    let Some(time) = fitted(clock, shared, said, &mut tally) else {
                        return;
                    };
                    batch.t_s = Some(time);
                }
                batches.push(batch);
            }
        });
        batches
    }
}

fn fitted(
    clock: &mut Option<SourceClock>,
    shared: &Shared,
    said: f64,
    tally: &mut Tally,
) -> Option<f64> {
    let now = Instant::now();
    let mut base = shared.base();
    let clock = match clock {
        Some(clock) => clock,
        None => {
            let start = base.fit(said, now);
            if start != said {
                tracing::info!("a sender's clock starts at {said} s; taken as {start:.3} s");
            }
            base.timed += 1;
            clock.insert(SourceClock::starting(said, start))
        }
    };
    let time = decode::pass_time(clock, said, tally)?;
    base.latest = Some((time, now));
    Some(time)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_of_several_senders_are_fitted() {
        let now = Instant::now();
        let later = now + Duration::from_secs(10);
        let none = Base::default();
        assert_eq!(none.fit(7.0, now), 7.0);
        // Alone, and going on: kept as it is, however far.
        let alone = Base {
            latest: Some((100.0, now)),
            timed: 0,
        };
        assert_eq!(alone.fit(500.0, later), 500.0);
        // A board that started again goes on from now.
        assert_eq!(alone.fit(0.0, later), 110.0);
        // Beside another: the same clock is kept, another one fitted.
        let beside = Base {
            latest: Some((100.0, now)),
            timed: 1,
        };
        assert_eq!(beside.fit(112.0, later), 112.0);
        assert_eq!(beside.fit(500.0, later), 110.0);
    }
}
