//! NMEA 0183 sentences from a file or over UDP. From a serial port they come by `serial`; what they mean is in `nmea`.

use super::nmea::NmeaMap;
use super::playback::{Moment, Playback, Script, shown};
use super::serial::LineReader;
use super::tally::{REPORT_EVERY, Tally, tell};
use super::{Feed, Running, Source};
use crate::core::feed::FaultKind;
use anyhow::Context;
use spinover_protocol::message::SourceState;
use std::io::{BufRead, BufReader, Read};
use tokio::time::Instant;

/// A capture without times in it is played at this many sentences a second: about what 4800 baud carry.
const SENTENCES_A_SECOND: f64 = 10.0;
/// Looked through for a sentence that tells the time, in bytes.
const TIME_WITHIN: u64 = 256 * 1024;
const DAY_S: f64 = 86_400.0;

/// A capture played back.
#[derive(Debug)]
pub struct NmeaFile {
    playback: Playback,
    capture: Capture,
}

impl NmeaFile {
    pub(super) fn open(playback: Playback, map: NmeaMap) -> anyhow::Result<Self> {
        let name = shown(&playback.file);
        let file = std::fs::File::open(&playback.file)
            .with_context(|| format!("cannot open the capture {name}"))?;
        let mut time_kind = None;
        for line in BufReader::new(file.take(TIME_WITHIN)).split(b'\n') {
            let line = line.with_context(|| format!("cannot read the capture {name}"))?;
            if let Ok(sentence) = super::nmea::sentence(&line)
                && sentence.time_of_day().is_some()
            {
                time_kind = Some(sentence.kind.to_owned());
                break;
            }
        }
        Ok(Self {
            playback,
            capture: Capture {
                map,
                time_kind,
                taken: 0,
                days: 0.0,
                of_day: None,
            },
        })
    }
}

impl Source for NmeaFile {
    fn name(&self) -> String {
        format!("nmea:{}", shown(&self.playback.file))
    }

    fn not_live(&self) -> Option<String> {
        Some(format!("recording {}", shown(&self.playback.file)))
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { self.playback.play(self.capture, &feed).await })
    }
}

#[derive(Debug)]
struct Capture {
    map: NmeaMap,
    /// Time is taken from one kind of sentence only: those of several receivers disagree by a second.
    time_kind: Option<String>,
    taken: u32,
    days: f64,
    of_day: Option<f64>,
}

impl Script for Capture {
    fn rewind(&mut self) {
        self.taken = 0;
        self.days = 0.0;
        self.of_day = None;
    }

    fn line(&mut self, line: &[u8], _number: usize, tally: &mut Tally) -> Option<Moment> {
        let sentence = NmeaMap::sentence(line, tally)?;
        self.taken += 1;
        let said_s = match &self.time_kind {
            None => Some(f64::from(self.taken) / SENTENCES_A_SECOND),
            Some(kind) if sentence.kind == *kind => sentence.time_of_day().map(|of_day| {
                if self
                    .of_day
                    .is_some_and(|before| before - of_day > DAY_S / 2.0)
                {
                    self.days += 1.0;
                }
                self.of_day = Some(of_day);
                self.days * DAY_S + of_day
            }),
            Some(_) => None,
        };
        Some(Moment {
            said_s,
            values: self.map.values(&sentence, tally),
        })
    }
}

/// Sentences over UDP; the hub listens.
#[derive(Debug)]
pub struct NmeaUdp {
    map: NmeaMap,
    socket: std::net::UdpSocket,
    name: String,
}

impl NmeaUdp {
    /// Listens at `ADDR:PORT`; port 0 picks a free one, which [`Source::name`] then tells.
    pub(super) fn listen(map: NmeaMap, address: &str) -> anyhow::Result<Self> {
        let socket = std::net::UdpSocket::bind(address)
            .with_context(|| format!("nmea:udp: cannot listen at {address}"))?;
        socket.set_nonblocking(true)?;
        let name = format!("nmea:udp://{}", socket.local_addr()?);
        tracing::info!("listening for weather sentences at {name}");
        Ok(Self { map, socket, name })
    }
}

impl Source for NmeaUdp {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { listen(*self, &feed).await })
    }
}

async fn listen(mut source: NmeaUdp, feed: &Feed) -> anyhow::Result<()> {
    let socket = tokio::net::UdpSocket::from_std(source.socket)?;
    let mut tally = Tally::default();
    let mut datagram = vec![0; 64 * 1024];
    let mut up = false;
    feed.state(SourceState::Waiting).await?;
    loop {
        tokio::select! {
            received = socket.recv_from(&mut datagram) => match received {
                Ok((count, _)) => {
                    if !std::mem::replace(&mut up, true) {
                        feed.state(SourceState::Up).await?;
                    }
                    // A datagram holds whole sentences, one or several.
                    for line in datagram[..count].split(|byte| *byte == b'\n') {
                        if let Some(batch) = source.map.line(line, &mut tally) {
                            feed.batch(batch).await?;
                        }
                    }
                }
                Err(error) => {
                    tally.note(FaultKind::Trouble, || format!("{}: {error}", source.name));
                    tokio::time::sleep(REPORT_EVERY).await;
                }
            },
            () = tokio::time::sleep(REPORT_EVERY), if tally.waits() => {}
        }
        tell(feed, tally.due(Instant::now())).await?;
    }
}
