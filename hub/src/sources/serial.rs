//! A serial port as a stream of bytes, opened again when it was pulled out. What the bytes mean is up to the reader.

use super::decode::Intake;
use super::framing::{Line, MAX_LINE, Splitter};
use super::retry::Backoff;
use super::tally::{REPORT_EVERY, Tally, tell};
use super::{Feed, Running, Source};
use crate::core::feed::{Batch, FaultKind};
use spinover_protocol::message::SourceState;
use tokio::time::Instant;

/// One who knows what the lines of a stream mean.
pub(super) trait LineReader: Send {
    /// Reads a line.
    fn line(&mut self, line: &[u8], tally: &mut Tally) -> Option<Batch>;
}

impl LineReader for Intake {
    fn line(&mut self, line: &[u8], tally: &mut Tally) -> Option<Batch> {
        Intake::line(self, line, tally)
    }
}

/// Lines from a serial port.
pub(super) struct SerialLines<R> {
    /// What goes before the port in the name: `lines`, `nmea`.
    pub kind: &'static str,
    /// `/dev/ttyUSB0`, `COM3`.
    pub port: String,
    /// Bits a second; 8 data bits, no parity, one stop bit.
    pub baud: u32,
    /// What reads the lines.
    pub reader: R,
}

impl<R: LineReader + 'static> Source for SerialLines<R> {
    fn name(&self) -> String {
        format!("{}:serial:{}", self.kind, self.port)
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { run(*self, &feed).await })
    }
}

async fn run<R: LineReader>(mut source: SerialLines<R>, feed: &Feed) -> anyhow::Result<()> {
    let mut backoff = Backoff::default();
    let mut tally = Tally::default();
    loop {
        feed.state(SourceState::Waiting).await?;
        let trouble = match serial2_tokio::SerialPort::open(&source.port, source.baud) {
            Ok(port) => listen(&port, &mut source.reader, feed, &mut tally, &mut backoff).await?,
            Err(error) => error.to_string(),
        };
        tally.note(FaultKind::Trouble, || {
            format!("serial port {}: {trouble}; trying again", source.port)
        });
        tell(feed, tally.rest(Instant::now())).await?;
        feed.state(SourceState::Failed).await?;
        backoff.wait().await;
    }
}

/// Until the port breaks, and why; the hub's going ends it with an error.
async fn listen(
    port: &serial2_tokio::SerialPort,
    reader: &mut impl LineReader,
    feed: &Feed,
    tally: &mut Tally,
    backoff: &mut Backoff,
) -> anyhow::Result<String> {
    let mut splitter = Splitter::default();
    let mut chunk = vec![0; 4096];
    let mut up = false;
    // A port is opened in the middle of a line more often than not; that first torn one is no fault of the sender.
    let mut torn = true;
    loop {
        let read = tokio::select! {
            read = port.read(&mut chunk) => read,
            () = tokio::time::sleep(REPORT_EVERY), if tally.waits() => {
                tell(feed, tally.due(Instant::now())).await?;
                continue;
            }
        };
        let count = match read {
            Ok(0) => return Ok("it was closed".to_owned()),
            Ok(count) => count,
            Err(error) => return Ok(error.to_string()),
        };
        backoff.reset();
        if !std::mem::replace(&mut up, true) {
            feed.state(SourceState::Up).await?;
        }
        let mut batches = Vec::new();
        splitter.push(&chunk[..count], |line| match line {
            Line::Whole(line) => {
                let mut unheard = Tally::default();
                let first = std::mem::take(&mut torn);
                batches.extend(reader.line(line, if first { &mut unheard } else { tally }));
            }
            Line::TooLong => tally.note(FaultKind::TooLong, || {
                format!(
                    "a line of more than {MAX_LINE} bytes was left out; is the baud rate right?"
                )
            }),
        });
        for batch in batches {
            feed.batch(batch).await?;
        }
        tell(feed, tally.due(Instant::now())).await?;
    }
}
