//! Many WebSocket clients on one thread: each message is counted, and its stamp looked up, as soon as it can be read.

use super::{MARK, Stamps, wire};
use anyhow::{Context, Result};
use memchr::memmem::Finder;
use mio::{Events, Interest, Poll, Token, net::TcpStream};
use std::{
    io::{ErrorKind, Read, Write},
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};

/// What the clients have seen between two moments.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Microseconds from the source's write to the client's read, one for each stamped message.
    pub late_us: Vec<u32>,
    /// WebSocket frames, of whatever kind.
    pub frames: u64,
    /// WebSocket frames that held a stamp.
    pub stamped_frames: u64,
    /// Bytes read.
    pub bytes: u64,
    /// Reads that gave something.
    pub reads: u64,
    /// Connections that ended.
    pub ended: u64,
}

/// How the clients are told what to do from another thread.
#[derive(Debug, Default)]
pub struct Control {
    /// Count from now on.
    pub counting: AtomicBool,
    /// Stop.
    pub stop: AtomicBool,
    /// Clients that have had a stamped message.
    pub reached: AtomicU64,
}

struct Client {
    stream: TcpStream,
    /// The beginning of a frame that is not all there.
    kept: Vec<u8>,
    reached: bool,
}

/// How long clients that sleep wait for a message before they look after their pings.
const PATIENCE: Duration = Duration::from_millis(5);

/// Clients that are connected and have said what they must.
pub struct Crowd {
    poll: Poll,
    clients: Vec<Option<Client>>,
    ping: Option<Vec<u8>>,
    ping_every: Duration,
    patience: Duration,
}

impl Crowd {
    /// Takes the sockets over; `ping` is sent by each that often. They sleep between messages, or look without a pause: a write to a
    /// sleeper of the same machine pays for waking it, which a write to a phone does not.
    ///
    /// # Errors
    /// When the system cannot watch so many.
    pub fn new(
        sockets: Vec<(std::net::TcpStream, Vec<u8>)>,
        ping: Option<(Vec<u8>, Duration)>,
        sleeps: bool,
    ) -> Result<Self> {
        let poll = Poll::new()?;
        let mut clients = Vec::new();
        for (place, (socket, kept)) in sockets.into_iter().enumerate() {
            socket.set_nonblocking(true)?;
            let mut stream = TcpStream::from_std(socket);
            poll.registry()
                .register(&mut stream, Token(place), Interest::READABLE)?;
            clients.push(Some(Client {
                stream,
                kept,
                reached: false,
            }));
        }
        let (ping, ping_every) =
            ping.map_or((None, Duration::ZERO), |(ping, every)| (Some(ping), every));
        Ok(Self {
            poll,
            clients,
            ping,
            ping_every,
            patience: if sleeps { PATIENCE } else { Duration::ZERO },
        })
    }

    /// Reads until told to stop.
    ///
    /// # Errors
    /// When the system's poll fails.
    pub fn run(mut self, stamps: &Stamps, control: &Control) -> Result<Seen> {
        let mut seen = Seen::default();
        let mut events = Events::with_capacity(1024);
        let mut room = vec![0; 1 << 20];
        let finder = Finder::new(MARK);
        let (mut pinged, mut begun) = (0u64, Instant::now());
        while !control.stop.load(Ordering::Relaxed) {
            match self.poll.poll(&mut events, Some(self.patience)) {
                // The source is on the same core.
                Ok(()) if events.is_empty() => std::thread::yield_now(),
                Ok(()) => {}
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => return Err(error).context("poll"),
            }
            let counting = control.counting.load(Ordering::Relaxed);
            for event in &events {
                let Some(slot) = self.clients.get_mut(event.token().0) else {
                    continue;
                };
                let Some(client) = slot else { continue };
                if !read(
                    client, &mut room, &finder, stamps, counting, control, &mut seen,
                ) {
                    *slot = None;
                    seen.ended += 1;
                }
            }
            if let Some(ping) = &self.ping {
                // Evenly over the time, as phones that joined one after the other do.
                let due = (begun.elapsed().as_secs_f64() / self.ping_every.as_secs_f64()
                    * self.clients.len() as f64) as u64;
                if due > pinged + 10_000_000 {
                    (pinged, begun) = (0, Instant::now());
                }
                while pinged < due {
                    let place = pinged as usize % self.clients.len();
                    pinged += 1;
                    if let Some(client) = &mut self.clients[place] {
                        let _ = client.stream.write(ping);
                    }
                }
            }
        }
        Ok(seen)
    }
}

/// Reads what there is; false when the connection has ended.
fn read(
    client: &mut Client,
    room: &mut [u8],
    finder: &Finder<'_>,
    stamps: &Stamps,
    counting: bool,
    control: &Control,
    seen: &mut Seen,
) -> bool {
    loop {
        let kept = client.kept.len();
        room[..kept].copy_from_slice(&client.kept);
        let count = match client.stream.read(&mut room[kept..]) {
            Ok(0) => return false,
            Ok(count) => count,
            Err(error) if error.kind() == ErrorKind::WouldBlock => return true,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(_) => return false,
        };
        let now = stamps.now_ns();
        let full = count == room.len() - kept;
        let mut bytes = &room[..kept + count];
        let (mut frames, mut stamped) = (0, 0);
        while let Some((start, end)) = wire::first(bytes) {
            let before = stamped;
            let payload = &bytes[start..end];
            for at in finder.find_iter(payload) {
                let Some(stamp) = stamp(&payload[at..]) else {
                    continue;
                };
                stamped += 1;
                if let (true, Some(sent)) = (counting, stamps.sent_ns(stamp)) {
                    seen.late_us.push((now.saturating_sub(sent) / 1000) as u32);
                }
            }
            frames += 1;
            if counting && stamped > before {
                seen.stamped_frames += 1;
            }
            bytes = &bytes[end..];
        }
        client.kept.clear();
        client.kept.extend_from_slice(bytes);
        if stamped > 0 && !client.reached {
            client.reached = true;
            control.reached.fetch_add(1, Ordering::Relaxed);
        }
        if counting {
            seen.frames += frames;
            seen.bytes += count as u64;
            seen.reads += 1;
        }
        // An edge-triggered stream that gave less than there was room for is empty (epoll(7)).
        if !full {
            return true;
        }
    }
}

/// The first channel's value in a readings frame.
fn stamp(frame: &[u8]) -> Option<u64> {
    let near = &frame[..frame.len().min(200)];
    let at = memchr::memmem::find(near, b"\"v\":[")? + 5;
    let digits = near[at..].iter().take_while(|byte| byte.is_ascii_digit());
    let value = digits.fold(0u64, |value, digit| value * 10 + u64::from(digit - b'0'));
    (value > 0).then_some(value)
}

/// A crowd on a thread of its own.
pub struct Running {
    control: Arc<Control>,
    thread: std::thread::JoinHandle<Result<Seen>>,
}

impl Running {
    /// Starts it.
    pub fn start(crowd: Crowd, stamps: Arc<Stamps>) -> Self {
        let control = Arc::new(Control::default());
        let thread = std::thread::spawn({
            let control = control.clone();
            move || crowd.run(&stamps, &control)
        });
        Self { control, thread }
    }

    /// Clients that have had a stamped message.
    pub fn reached(&self) -> u64 {
        self.control.reached.load(Ordering::Relaxed)
    }

    /// Counts, or no longer counts.
    pub fn count(&self, counting: bool) {
        self.control.counting.store(counting, Ordering::Relaxed);
    }

    /// Stops it: what was seen.
    ///
    /// # Errors
    /// When it failed.
    pub fn stop(self) -> Result<Seen> {
        self.control.stop.store(true, Ordering::Relaxed);
        self.thread
            .join()
            .map_err(|_| anyhow::anyhow!("the clients' thread broke"))?
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stamp_is_the_first_value_of_a_frame() {
        let frame =
            br#"{"type":"readings","n":7,"now":1700000000000,"v":[1000042.0,null,3.5],"q":"gng"}"#;
        assert_eq!(stamp(frame), Some(1_000_042));
        assert_eq!(stamp(br#"{"type":"readings","v":[null]}"#), None);
    }
}
