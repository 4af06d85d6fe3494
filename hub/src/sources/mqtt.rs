//! Readings from an MQTT broker (3.1.1 or 5, plain or TLS): JSON objects, or a bare number on a topic of its own.

use super::clock::SourceClock;
use super::decode::{pass_time, values};
use super::framing::MAX_LINE;
use super::index::ChannelIndex;
use super::map::TopicMap;
use super::retry::Backoff;
use super::tally::{REPORT_EVERY, Tally, quoted, short, tell};
use super::{Feed, Running, Source};
use crate::core::feed::{Batch, FaultKind};
use anyhow::{anyhow, bail};
use rumqttc::{Transport, v5};
use spinover_protocol::{message::SourceState, units::Unit};
use std::{collections::HashMap, path::PathBuf, sync::Arc, time::Duration};
use tokio::time::Instant;

/// A broker that says nothing for one and a half times this is gone; short, since the crew waits.
const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// A broker that does not answer within this, in seconds, is tried again.
const CONNECT_WITHIN_S: u64 = 5;
/// Senders' clocks that are kept, one a topic; more topics than this send without time.
const CLOCKS: usize = 256;
/// The password may be given here, so that it stands in no command line.
const PASSWORD: &str = "SPINOVER_MQTT_PASSWORD";

/// A broker and what is wanted of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broker {
    /// Its name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// The topic filter; `+` and `#` are wildcards.
    pub filter: String,
    /// Who to be; the password may instead come from the environment.
    pub user: Option<String>,
    /// The password.
    pub password: Option<String>,
    /// Speak MQTT 5 and not 3.1.1.
    pub five: bool,
    /// Speak TLS.
    pub tls: bool,
    /// Certificates to trust (PEM) instead of the system's.
    pub ca: Option<PathBuf>,
}

impl Broker {
    /// Without secrets.
    fn shown(&self) -> String {
        format!(
            "{}://{}:{}/{}",
            if self.tls { "mqtts" } else { "mqtt" },
            self.host,
            self.port,
            self.filter
        )
    }
}

/// A broker as a source.
pub struct Mqtt {
    broker: Broker,
    transport: Transport,
    messages: Messages,
}

impl Mqtt {
    /// A source for that car.
    ///
    /// # Errors
    /// When the certificates cannot be read.
    pub(super) fn new(
        index: Arc<ChannelIndex>,
        topics: &[TopicMap],
        mut broker: Broker,
    ) -> anyhow::Result<Self> {
        if broker.user.is_some() && broker.password.is_none() {
            broker.password = std::env::var(PASSWORD).ok();
        }
        let transport = if broker.tls {
            super::mqtt_tls::transport(broker.ca.as_deref())?
        } else {
            Transport::Tcp
        };
        let topics = topics
            .iter()
            .map(|map| (map.topic.clone(), (map.channel, map.unit)))
            .collect();
        Ok(Self {
            broker,
            transport,
            messages: Messages {
                index,
                topics,
                clocks: HashMap::new(),
            },
        })
    }
}

impl Source for Mqtt {
    fn name(&self) -> String {
        self.broker.shown()
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { run(*self, &feed).await })
    }
}

async fn run(source: Mqtt, feed: &Feed) -> anyhow::Result<()> {
    let Mqtt {
        broker,
        transport,
        mut messages,
    } = source;
    let mut link = Link::new(&broker, transport);
    let (mut tally, mut backoff) = (Tally::default(), Backoff::default());
    feed.state(SourceState::Waiting).await?;
    loop {
        let event = tokio::select! {
            event = link.poll() => event,
            () = tokio::time::sleep(REPORT_EVERY), if tally.waits() => Ok(Heard::Nothing),
        };
        match event {
            Ok(Heard::Connected) => {
                // Asked for anew each time: a broker that was started again has forgotten it.
                if let Err(error) = link.subscribe(&broker.filter) {
                    tally.note(FaultKind::Trouble, || {
                        format!("{}: {error}", broker.shown())
                    });
                }
            }
            Ok(Heard::Subscribed) => {
                backoff.reset();
                feed.state(SourceState::Up).await?;
            }
            Ok(Heard::Refused(why)) => bail!("{}: {why}", broker.shown()),
            Ok(Heard::Message {
                topic,
                payload,
                retained,
            }) => {
                if let Some(batch) = messages.take(&topic, &payload, retained, &mut tally) {
                    feed.batch(batch).await?;
                }
            }
            Ok(Heard::Nothing) => {}
            Err(error) => {
                tally.note(FaultKind::Trouble, || {
                    format!(
                        "{}: {}; trying again",
                        broker.shown(),
                        short(&error.to_string(), 100)
                    )
                });
                tell(feed, tally.rest(Instant::now())).await?;
                feed.state(SourceState::Failed).await?;
                backoff.wait().await;
                feed.state(SourceState::Waiting).await?;
            }
        }
        tell(feed, tally.due(Instant::now())).await?;
    }
}

/// What a broker says, whichever version it speaks.
enum Heard {
    Connected,
    Subscribed,
    Refused(String),
    Message {
        topic: String,
        payload: Vec<u8>,
        retained: bool,
    },
    Nothing,
}

/// A connection of either version; the library makes it anew when it is polled after an error.
enum Link {
    Three(rumqttc::AsyncClient, Box<rumqttc::EventLoop>),
    Five(v5::AsyncClient, Box<v5::EventLoop>),
}

impl Link {
    fn new(broker: &Broker, transport: Transport) -> Self {
        // Random, since two hubs of one name would throw each other out; the broker keeps nothing for either.
        let id = format!("spinover-{:08x}", rand::random::<u32>());
        let login = broker
            .user
            .clone()
            .map(|user| (user, broker.password.clone().unwrap_or_default()));
        if broker.five {
            let mut options = v5::MqttOptions::new(id, broker.host.clone(), broker.port);
            options
                .set_transport(transport)
                .set_keep_alive(KEEP_ALIVE)
                .set_clean_start(true)
                .set_connection_timeout(CONNECT_WITHIN_S);
            options.set_max_packet_size(Some(2 * MAX_LINE as u32));
            if let Some((user, password)) = login {
                options.set_credentials(user, password);
            }
            let (client, events) = v5::AsyncClient::new(options, 16);
            Self::Five(client, Box::new(events))
        } else {
            let mut options = rumqttc::MqttOptions::new(id, broker.host.clone(), broker.port);
            options
                .set_transport(transport)
                .set_keep_alive(KEEP_ALIVE)
                .set_clean_session(true)
                .set_max_packet_size(2 * MAX_LINE, 2 * MAX_LINE);
            if let Some((user, password)) = login {
                options.set_credentials(user, password);
            }
            let (client, mut events) = rumqttc::AsyncClient::new(options, 16);
            events
                .network_options
                .set_connection_timeout(CONNECT_WITHIN_S);
            Self::Three(client, Box::new(events))
        }
    }

    /// Asks for the topics, at most once each: a reading that was lost is made good by the next.
    fn subscribe(&self, filter: &str) -> anyhow::Result<()> {
        match self {
            Self::Three(client, _) => client.try_subscribe(filter, rumqttc::QoS::AtMostOnce)?,
            Self::Five(client, _) => {
                client.try_subscribe(filter, v5::mqttbytes::QoS::AtMostOnce)?
            }
        }
        Ok(())
    }

    /// The next thing the broker says. It may be called off and called again.
    async fn poll(&mut self) -> anyhow::Result<Heard> {
        match self {
            Self::Three(_, events) => {
                use rumqttc::{Event::Incoming, Packet, SubscribeReasonCode};
                Ok(match events.poll().await? {
                    Incoming(Packet::ConnAck(_)) => Heard::Connected,
                    Incoming(Packet::SubAck(answer))
                        if answer.return_codes.contains(&SubscribeReasonCode::Failure) =>
                    {
                        Heard::Refused("the broker refuses that topic to this user".to_owned())
                    }
                    Incoming(Packet::SubAck(_)) => Heard::Subscribed,
                    Incoming(Packet::Publish(message)) => Heard::Message {
                        topic: message.topic,
                        payload: message.payload.to_vec(),
                        retained: message.retain,
                    },
                    _ => Heard::Nothing,
                })
            }
            Self::Five(_, events) => {
                use v5::{
                    Event::Incoming,
                    mqttbytes::v5::{Packet, SubscribeReasonCode},
                };
                Ok(
                    match events.poll().await.map_err(|error| anyhow!("{error}"))? {
                        Incoming(Packet::ConnAck(_)) => Heard::Connected,
                        Incoming(Packet::SubAck(answer)) => match answer.return_codes.first() {
                            Some(SubscribeReasonCode::Success(_)) | None => Heard::Subscribed,
                            Some(why) => Heard::Refused(format!(
                                "the broker refuses that topic to this user: {why:?}"
                            )),
                        },
                        Incoming(Packet::Publish(message)) => Heard::Message {
                            topic: String::from_utf8_lossy(&message.topic).into_owned(),
                            payload: message.payload.to_vec(),
                            retained: message.retain,
                        },
                        _ => Heard::Nothing,
                    },
                )
            }
        }
    }
}

/// What messages mean.
struct Messages {
    index: Arc<ChannelIndex>,
    topics: HashMap<String, (usize, Unit)>,
    clocks: HashMap<String, SourceClock>,
}

impl Messages {
    fn take(
        &mut self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        tally: &mut Tally,
    ) -> Option<Batch> {
        if retained {
            // It may be of last week, and nothing says so.
            tally.note(FaultKind::Trouble, || {
                format!(
                    "the broker kept an old message on {}; its age is unknown, so it was left out",
                    quoted(topic.as_bytes())
                )
            });
            return None;
        }
        if payload.len() > MAX_LINE {
            tally.note(FaultKind::TooLong, || {
                format!(
                    "a message of {} bytes on {} was left out",
                    payload.len(),
                    quoted(topic.as_bytes())
                )
            });
            return None;
        }
        let bare = std::str::from_utf8(payload)
            .ok()
            .map(str::trim)
            .filter(|text| !text.starts_with('{'));
        let Some(bare) = bare else {
            let mut batch = values(payload, &self.index, tally)?;
            if let Some(said) = batch.t_s {
                batch.t_s = match self.clock(topic) {
                    Some(clock) => Some(pass_time(clock, said, tally)?),
                    None => None,
                };
            }
            return Some(batch);
        };
        // A topic that the car file names; else the topic's last level may be a channel's key.
        let known = self.topics.get(topic).copied().or_else(|| {
            let place = self.index.place(topic.rsplit('/').next()?)?;
            Some((place, self.index.unit(place)))
        });
        let Some((channel, unit)) = known else {
            tally.note(FaultKind::UnknownChannel, || {
                format!(
                    "topic {}: {}",
                    quoted(topic.as_bytes()),
                    self.index
                        .unknown(topic.rsplit('/').next().unwrap_or_default())
                )
            });
            return None;
        };
        let Some(value) = bare
            .parse::<f64>()
            .ok()
            .filter(|value| value.is_finite())
            .and_then(|value| unit.convert(value, self.index.unit(channel)))
        else {
            tally.note(FaultKind::NotANumber, || {
                format!(
                    "topic {}: {:?} is neither a number nor a JSON object",
                    quoted(topic.as_bytes()),
                    quoted(bare.as_bytes())
                )
            });
            return None;
        };
        if let Some(why) = self.index.absurd(channel, value) {
            tally.note(FaultKind::Absurd, || why);
            return None;
        }
        Some(Batch {
            t_s: None,
            values: vec![(channel, value)],
        })
    }

    fn clock(&mut self, topic: &str) -> Option<&mut SourceClock> {
        if !self.clocks.contains_key(topic) && self.clocks.len() < CLOCKS {
            self.clocks.insert(topic.to_owned(), SourceClock::default());
        }
        self.clocks.get_mut(topic)
    }
}

/// Reads `[USER[:PASSWORD]@]HOST[:PORT]/TOPIC`.
pub(super) fn parse(place: &str, tls: bool) -> Result<Broker, String> {
    let example = "mqtt://192.168.1.10:1883/kestrel/#";
    let rest = place
        .strip_prefix("//")
        .ok_or_else(|| format!("write it as {example}"))?;
    let (address, filter) = rest
        .split_once('/')
        .filter(|(_, filter)| !filter.is_empty())
        .ok_or_else(|| format!("it names no topic; write it as {example}"))?;
    let (login, address) = address
        .rsplit_once('@')
        .map_or((None, address), |(login, address)| (Some(login), address));
    let (user, password) = match login.map(|login| login.split_once(':').unwrap_or((login, ""))) {
        Some((user, password)) => (
            Some(user.to_owned()),
            Some(password.to_owned()).filter(|password| !password.is_empty()),
        ),
        None => (None, None),
    };
    let usual = if tls { 8883 } else { 1883 };
    // An address of IPv6 stands in brackets, which the library does not want.
    let (host, port) = match address
        .rsplit_once(':')
        .filter(|(_, port)| !port.contains(']'))
    {
        Some((host, port)) => (
            host,
            port.parse()
                .map_err(|_| format!("{port:?} is no port; write it as {example}"))?,
        ),
        None => (address, usual),
    };
    let host = host.trim_start_matches('[').trim_end_matches(']');
    if host.is_empty() {
        return Err(format!("it names no broker; write it as {example}"));
    }
    Ok(Broker {
        host: host.to_owned(),
        port,
        filter: filter.to_owned(),
        user,
        password,
        five: false,
        tls,
        ca: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::car::{Car, Channel};

    fn messages() -> Messages {
        let channel = |key: &str, unit| Channel {
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new(key, unit, (0.0, 300.0))
        };
        let channels = vec![
            channel("oil_pressure", Unit::Psi),
            channel("oil_temp", Unit::DegF),
        ];
        let index = ChannelIndex::new(&Car {
            team: String::new(),
            name: String::new(),
            channels,
            ..Car::default()
        });
        Messages {
            index: Arc::new(index),
            topics: HashMap::from([("sensors/7".to_owned(), (1, Unit::DegC))]),
            clocks: HashMap::new(),
        }
    }

    #[test]
    fn numbers_and_objects_reach_their_channels() {
        let mut messages = messages();
        let mut tally = Tally::default();
        let mut take = |topic: &str, payload: &str| {
            messages
                .take(topic, payload.as_bytes(), false, &mut tally)
                .map(|batch| (batch.t_s, batch.values))
        };
        assert_eq!(
            take("kestrel/oil_pressure", " 80.5\n"),
            Some((None, vec![(0, 80.5)]))
        );
        assert_eq!(take("sensors/7", "100"), Some((None, vec![(1, 212.0)])));
        assert_eq!(
            take("any", r#"{"t": 5, "oil_pressure": 70, "oil_temp": 150}"#),
            Some((Some(5.0), vec![(0, 70.0), (1, 150.0)]))
        );
        // Each topic has its own clock.
        assert_eq!(
            take("other", r#"{"t": 1, "oil_pressure": 71}"#),
            Some((Some(1.0), vec![(0, 71.0)]))
        );
        assert_eq!(take("any", r#"{"t": 4, "oil_pressure": 72}"#), None);
        assert_eq!(take("kestrel/oil_presure", "1"), None);
        assert_eq!(take("kestrel/oil_pressure", "high"), None);
        assert_eq!(take("kestrel/oil_pressure", "NaN"), None);
        assert_eq!(take("kestrel/oil_pressure", "1e6"), None);
        assert_eq!(take("kestrel/oil_pressure", ""), None);
        assert!(
            messages
                .take("kestrel/oil_pressure", b"80", true, &mut tally)
                .is_none()
        );
        assert!(
            messages
                .take(
                    "kestrel/oil_pressure",
                    &[b' '; MAX_LINE + 1],
                    false,
                    &mut tally
                )
                .is_none()
        );
        let counts: Vec<_> = tally
            .rest(Instant::now())
            .into_iter()
            .map(|fault| (fault.kind, fault.count))
            .collect();
        use FaultKind::{Absurd, NotANumber, TimeBack, TooLong, Trouble, UnknownChannel};
        assert_eq!(
            counts,
            [
                (UnknownChannel, 1),
                (NotANumber, 3),
                (Absurd, 1),
                (TimeBack, 1),
                (TooLong, 1),
                (Trouble, 1)
            ]
        );
    }

    #[test]
    fn addresses_are_read_and_secrets_not_shown() {
        let broker = parse("//crew:secret@10.0.0.5/kestrel/#", false).unwrap();
        assert_eq!(
            (broker.host.as_str(), broker.port, broker.filter.as_str()),
            ("10.0.0.5", 1883, "kestrel/#")
        );
        assert_eq!(
            (broker.user.as_deref(), broker.password.as_deref()),
            (Some("crew"), Some("secret"))
        );
        assert_eq!(broker.shown(), "mqtt://10.0.0.5:1883/kestrel/#");
        let broker = parse("//[::1]:1884/a", true).unwrap();
        assert_eq!(
            (broker.host.as_str(), broker.port, broker.user),
            ("::1", 1884, None)
        );
        assert_eq!(parse("//[::1]/a", true).unwrap().port, 8883);
        for bad in [
            "host/topic",
            "//host",
            "//host/",
            "//:1883/a",
            "//host:port/a",
        ] {
            assert!(parse(bad, false).is_err(), "{bad}");
        }
    }
}
