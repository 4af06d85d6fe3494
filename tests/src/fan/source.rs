//! The one source: a message at an even rate, its stamp noted just before it is written.

use super::{FIRST_STAMP, Stamps, wire};
use anyhow::{Context, Result};
use std::{
    fmt::Write as _,
    io::Write,
    net::TcpStream,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicU64, Ordering},
    },
    thread::JoinHandle,
    time::{Duration, Instant},
};

/// How a server takes a message.
#[derive(Clone, Debug)]
pub enum Form {
    /// A line of JSON with the values of so many channels; the server makes the message of it.
    Lines(usize),
    /// The message as a frame, its length before it in four bytes.
    Framed(Template),
    /// An MQTT 3.1.1 PUBLISH to the topic `f` at QoS 0.
    Mqtt(Template),
    /// A NATS PUB to the subject `f`.
    Nats(Template),
}

/// A message in which only the stamp changes.
#[derive(Clone, Debug)]
pub struct Template {
    text: Vec<u8>,
    at: usize,
}

impl Template {
    /// A readings frame of the hub's as a template.
    ///
    /// # Errors
    /// When it is none.
    pub fn new(frame: &[u8]) -> Result<Self> {
        let at = memchr::memmem::find(frame, b"\"v\":[").context("no readings frame")? + 5;
        let digits = &frame[at..at + 7];
        anyhow::ensure!(digits.iter().all(u8::is_ascii_digit), "no stamp");
        Ok(Self {
            text: frame.to_vec(),
            at,
        })
    }

    /// The message with that stamp, of seven digits.
    pub fn with(&self, stamp: u64) -> Vec<u8> {
        let mut text = self.text.clone();
        text[self.at..self.at + 7].copy_from_slice(stamp.to_string().as_bytes());
        text
    }

    /// Its length in bytes.
    pub fn length(&self) -> usize {
        self.text.len()
    }
}

impl Form {
    /// The bytes of one message.
    pub fn bytes(&self, stamp: u64, t_s: f64) -> Vec<u8> {
        match self {
            Self::Lines(channels) => line(*channels, stamp, t_s).into_bytes(),
            Self::Framed(template) => {
                let frame = wire::framed(&template.with(stamp));
                [&(frame.len() as u32).to_be_bytes()[..], &frame].concat()
            }
            Self::Mqtt(template) => {
                mqtt(0x30, &[&[0, 1, b'f'], &template.with(stamp)[..]].concat())
            }
            Self::Nats(template) => {
                let text = template.with(stamp);
                let head = format!("PUB f {}\r\n", text.len());
                [head.as_bytes(), &text, b"\r\n"].concat()
            }
        }
    }
}

/// An MQTT packet: its first byte, its length in the form of section 2.2.3 of MQTT 3.1.1, and the rest.
pub fn mqtt(first: u8, rest: &[u8]) -> Vec<u8> {
    let mut packet = vec![first];
    let mut length = rest.len();
    loop {
        let low = (length % 128) as u8;
        length /= 128;
        packet.push(if length > 0 { low | 0x80 } else { low });
        if length == 0 {
            break;
        }
    }
    packet.extend_from_slice(rest);
    packet
}

/// One line with every channel: the stamp, and waves with two decimals, as sensors send them.
pub fn line(channels: usize, stamp: u64, t_s: f64) -> String {
    let mut line = format!("{{\"t\":{t_s:.3},\"channel_0\":{stamp}");
    for channel in 1..channels {
        let wave = (stamp as f64 / (40.0 + 17.0 * channel as f64)).sin() * 40.0 + 50.0;
        let _ = write!(line, ",\"channel_{channel}\":{wave:.2}");
    }
    line.push_str("}\n");
    line
}

/// A source that runs on a thread of its own.
pub struct Running {
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
    thread: JoinHandle<Result<()>>,
}

impl Running {
    /// Starts it at that rate, on a connection on which the server already listens to it.
    pub fn start(mut to: TcpStream, form: Form, rate: f64, stamps: Arc<Stamps>) -> Self {
        let (stop, sent) = (
            Arc::new(AtomicBool::new(false)),
            Arc::new(AtomicU64::new(0)),
        );
        let (stopped, count) = (stop.clone(), sent.clone());
        let thread = std::thread::spawn(move || {
            let begun = Instant::now();
            for n in 0.. {
                let stamp = FIRST_STAMP + n;
                let t_s = n as f64 / rate;
                let bytes = form.bytes(stamp, t_s);
                let due = begun + Duration::from_secs_f64(t_s);
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
                if stopped.load(Ordering::Relaxed) {
                    break;
                }
                stamps.note(stamp);
                to.write_all(&bytes)?;
                count.store(n + 1, Ordering::Relaxed);
            }
            Ok(())
        });
        Self { stop, sent, thread }
    }

    /// Messages written so far.
    pub fn sent(&self) -> u64 {
        self.sent.load(Ordering::Relaxed)
    }

    /// Stops it.
    ///
    /// # Errors
    /// When it could not write.
    pub fn stop(self) -> Result<()> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread
            .join()
            .map_err(|_| anyhow::anyhow!("the source's thread broke"))?
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table 2.4 of MQTT 3.1.1: 127 takes one byte of length, 128 two.
    #[test]
    fn an_mqtt_length_is_written_as_the_standard_says() {
        assert_eq!(mqtt(0x30, &[0; 127])[..2], [0x30, 0x7f]);
        assert_eq!(mqtt(0x30, &[0; 128])[..3], [0x30, 0x80, 0x01]);
        assert_eq!(mqtt(0x30, &[0; 16_384])[..4], [0x30, 0x80, 0x80, 0x01]);
    }
}
