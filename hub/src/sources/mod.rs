//! Where readings come from: one file a kind, all behind one small trait.

pub mod can;
pub mod candump;
pub mod canmap;
pub mod clock;
pub mod dbc;
pub mod decode;
pub mod framing;
pub mod index;
pub mod lines;
pub mod map;
pub mod mqtt;
mod mqtt_tls;
pub mod nmea;
pub mod nmea_feed;
mod playback;
pub mod replay;
mod retry;
mod serial;
pub mod sim;
pub mod spec;
pub mod table;
pub mod tally;
pub mod whole;

use crate::core::feed::{Batch, Fault, FaultKind, Report};
use anyhow::Context;
use playback::Playback;
use spec::Spec;
use spinover_protocol::{
    car::Car,
    message::SourceState,
    trust::{source_name, source_spec},
};
use std::sync::Arc;
use tokio::sync::mpsc;

/// What a source does until it ends.
pub type Running = std::pin::Pin<Box<dyn Future<Output = anyhow::Result<()>> + Send>>;

/// A place where readings come from.
pub trait Source: Send {
    /// What it is, without secrets, as the crew chief sees it.
    fn name(&self) -> String;

    /// Why its readings are not live, when they are not: simulated, or of another day.
    fn not_live(&self) -> Option<String> {
        None
    }

    /// The controls that people can move, where the car is a simulated one.
    fn controls(&self) -> Option<sim::SimControls> {
        None
    }

    /// Delivers until the source ends or the feed closes. It mends its own troubles where it can (reconnects, waits) and
    /// reports them; it returns an error only when nothing more can come.
    fn run(self: Box<Self>, feed: Feed) -> Running;
}

/// What sources are told of the car, from its file.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The car.
    pub car: Car,
    /// How the columns of a recording become its channels; without it nothing can be replayed.
    pub replay: Option<map::ReplayMap>,
    /// What its channels are called on a bus, at a weather station, at a broker.
    pub names: map::Names,
    /// What the chance in a simulation starts from when its SPEC does not say.
    pub seed: u64,
}

/// Opens the source that the SPEC asks for. Files are looked at and ports are taken here, so that what cannot work is
/// refused before the hub runs.
///
/// # Errors
/// What is wrong with the SPEC, the file or the car file's map, and what would be right.
pub fn open(spec: &str, setup: &Setup) -> anyhow::Result<Box<dyn Source>> {
    let source = open_spec(source_spec(spec), setup)?;
    Ok(match source_name(spec) {
        Some(name) => Box::new(Named {
            name: name.to_owned(),
            source,
        }),
        None => source,
    })
}

/// A source that was given a name: `dash=can:can0`.
struct Named {
    name: String,
    source: Box<dyn Source>,
}

impl Source for Named {
    fn name(&self) -> String {
        format!("{}={}", self.name, self.source.name())
    }

    fn not_live(&self) -> Option<String> {
        self.source.not_live()
    }

    fn controls(&self) -> Option<sim::SimControls> {
        self.source.controls()
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        self.source.run(feed)
    }
}

fn open_spec(spec: &str, setup: &Setup) -> anyhow::Result<Box<dyn Source>> {
    let index = Arc::new(index::ChannelIndex::new(&setup.car));
    Ok(match spec.parse::<spec::Spec>()? {
        Spec::Sim {
            seed,
            speed,
            auto,
            noise,
            faults,
        } => {
            let settings = sim::Settings {
                seed: seed.unwrap_or(setup.seed),
                auto,
                noise,
                faults,
            };
            Box::new(sim::Sim::new(&setup.car, settings, speed)?)
        }
        Spec::Replay { file, speed, again } => {
            let map = setup.replay.as_ref().context("replay: the car file does not say which columns are which; add [replay] time = {column = \"…\"} and column = \"…\" to its channels")?;
            Box::new(replay::Replay::open(index, &file, map, speed, again)?)
        }
        Spec::LinesStdin => Box::new(lines::StdinLines::new(index)),
        Spec::LinesTcp { listen } => Box::new(lines::TcpLines::listen(index, &listen)?),
        Spec::LinesSerial { port, baud } => {
            let reader = decode::Intake::new(index);
            Box::new(serial::SerialLines {
                kind: "lines",
                port,
                baud,
                reader,
            })
        }
        Spec::Can { interface, dbc } => Box::new(can::Can::new(
            interface,
            canmap::CanMap::open(index, &dbc, &setup.names.signals)?,
        )?),
        Spec::Candump {
            file,
            dbc,
            speed,
            again,
        } => {
            let map = canmap::CanMap::open(index, &dbc, &setup.names.signals)?;
            Box::new(candump::Candump::open(
                Playback { file, speed, again },
                map,
            )?)
        }
        Spec::NmeaSerial { port, baud } => {
            let reader = nmea::NmeaMap::new(index, &setup.names.fields)?;
            Box::new(serial::SerialLines {
                kind: "nmea",
                port,
                baud,
                reader,
            })
        }
        Spec::NmeaUdp { listen } => Box::new(nmea_feed::NmeaUdp::listen(
            nmea::NmeaMap::new(index, &setup.names.fields)?,
            &listen,
        )?),
        Spec::NmeaFile { file, speed, again } => {
            let map = nmea::NmeaMap::new(index, &setup.names.fields)?;
            Box::new(nmea_feed::NmeaFile::open(
                Playback { file, speed, again },
                map,
            )?)
        }
        Spec::Mqtt(broker) => Box::new(mqtt::Mqtt::new(index, &setup.names.topics, broker)?),
    })
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
    pub async fn fault(
        &self,
        kind: FaultKind,
        count: u64,
        text: impl Into<String>,
    ) -> Result<(), HubGone> {
        self.send(Report::Fault(Fault {
            kind,
            count,
            text: text.into(),
        }))
        .await
    }

    /// Reports what the source is doing.
    ///
    /// # Errors
    /// When the hub has gone.
    pub async fn state(&self, state: SourceState) -> Result<(), HubGone> {
        self.send(Report::State(state)).await
    }

    async fn send(&self, report: Report) -> Result<(), HubGone> {
        self.to
            .send((self.source, report))
            .await
            .map_err(|_| HubGone)
    }
}
