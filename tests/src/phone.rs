//! A phone without a screen: the state machine that the app runs, a socket, and a clock. It dials, resumes and repeats by itself.

use crate::{DEADLINE, hub::Hub};
use futures_util::{SinkExt, StreamExt};
use spinover_protocol::{
    CommandId, PING_MS, SUBPROTOCOL,
    event::Event,
    link::{Action, Answer, Identity, Input, Link, Mirror},
    message::{Command, Frame, HubMessage},
};
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};
use tokio::{
    net::TcpStream,
    sync::{mpsc, watch},
    task::JoinHandle,
    time::timeout,
};
use tokio_tungstenite::{
    MaybeTlsStream, WebSocketStream, connect_async,
    tungstenite::{Message, client::IntoClientRequest},
};

type Socket = WebSocketStream<MaybeTlsStream<TcpStream>>;

/// The link wants to be told of time at least every 250 ms.
const TICK: Duration = Duration::from_millis(50);
/// A dial that takes longer leads nowhere; the link itself has given it up by then.
const DIAL: Duration = Duration::from_secs(4);

static NEXT_COMMAND: AtomicU64 = AtomicU64::new(1);

/// A phone. It is switched off when this is dropped.
#[derive(Debug)]
pub struct Phone {
    shared: Arc<Shared>,
    orders: mpsc::UnboundedSender<Order>,
    changed: watch::Receiver<()>,
    task: JoinHandle<()>,
}

#[derive(Debug)]
struct Shared {
    seen: Mutex<Seen>,
    started: Instant,
    changed: watch::Sender<()>,
}

/// What a phone knows, and all that it was ever told.
#[derive(Debug)]
pub struct Seen {
    /// The link, with its mirror of the hub.
    pub link: Link,
    /// The phone's clock now, in milliseconds.
    pub now: f64,
    /// Every frame that came in, in order, with the phone's clock.
    pub heard: Vec<(f64, HubMessage)>,
    /// It keeps nothing in `heard`: for runs of an hour.
    pub forgetful: bool,
    /// When the last frame came in, on the phone's clock.
    pub heard_at: f64,
    /// The longest that it heard nothing, in milliseconds, since it heard the first frame or this was set to nought.
    pub silence_ms: f64,
    /// Sockets opened so far.
    pub sockets: u32,
}

impl Seen {
    /// What the hub has told.
    pub fn mirror(&self) -> &Mirror {
        self.link.mirror()
    }

    /// Every event heard, in the order of hearing; snapshots are not looked into.
    pub fn events(&self) -> impl Iterator<Item = &Event> {
        self.heard.iter().flat_map(|(_, message)| match message {
            HubMessage::Events { events } => events.as_slice(),
            _ => &[],
        })
    }

    /// Every readings frame heard.
    pub fn frames(&self) -> impl Iterator<Item = &Frame> {
        self.heard.iter().filter_map(|(_, message)| {
            if let HubMessage::Readings(frame) = message {
                Some(frame)
            } else {
                None
            }
        })
    }

    /// The place of a channel in readings frames.
    ///
    /// # Panics
    /// When the car has no such channel, or there is no welcome yet.
    pub fn index(&self, channel: &str) -> usize {
        let welcome = self.mirror().welcome.as_ref().expect("a welcome");
        welcome
            .car
            .channel(&channel.into())
            .unwrap_or_else(|| panic!("no channel {channel}"))
            .0
    }

    /// A channel's latest value.
    pub fn value(&self, channel: &str) -> Option<f64> {
        self.mirror().frame.reading(self.index(channel)).0
    }
}

enum Order {
    Take(Input),
    Cut,
    Freeze(bool),
}

impl Phone {
    /// Switches a phone on and waits until the hub has told it everything.
    ///
    /// # Panics
    /// When the hub does not let it in by the deadline.
    pub async fn join(hub: &Hub, code: &str, name: &str, role: &str) -> Self {
        let phone = Self::dial(hub, code, name, role);
        phone
            .until("the first snapshot", |seen| seen.mirror().record.seq > 0)
            .await;
        phone
    }

    /// Switches a phone on and waits for nothing.
    pub fn dial(hub: &Hub, code: &str, name: &str, role: &str) -> Self {
        Self::dial_at(&hub.address(), code, name, role)
    }

    /// As [`Phone::dial`], at whatever stands between the phone and the hub.
    pub fn dial_at(address: &str, code: &str, name: &str, role: &str) -> Self {
        let device = format!("phone-of-{}", name.to_ascii_lowercase().replace(' ', "-"));
        let identity = Identity {
            code: code.to_owned(),
            name: name.to_owned(),
            role: role.into(),
            device: device.as_str().into(),
        };
        // Every phone has a seed of its own, and the same one in every run.
        let seed = name.bytes().fold(7, |seed: u64, byte| {
            seed.wrapping_mul(31).wrapping_add(byte.into())
        });
        let link = Link::new(identity, seed);
        let (changed_in, changed) = watch::channel(());
        let seen = Mutex::new(Seen {
            link,
            now: 0.0,
            heard: Vec::new(),
            forgetful: false,
            heard_at: 0.0,
            silence_ms: 0.0,
            sockets: 0,
        });
        let shared = Arc::new(Shared {
            seen,
            started: Instant::now(),
            changed: changed_in,
        });
        let (orders, inbox) = mpsc::unbounded_channel();
        let task = tokio::spawn(run(shared.clone(), format!("http://{address}"), inbox));
        Self {
            shared,
            orders,
            changed,
            task,
        }
    }

    /// Looks at what the phone knows.
    pub fn look<T>(&self, look: impl FnOnce(&Seen) -> T) -> T {
        look(&self.shared.lock())
    }

    /// Waits until something is so.
    ///
    /// # Panics
    /// When it is not so by the deadline, naming what was waited for.
    pub async fn until(&self, what: &str, so: impl FnMut(&Seen) -> bool) {
        self.until_within(DEADLINE, what, so).await;
    }

    /// Waits until something is so, for that long.
    ///
    /// # Panics
    /// When it is not so by then, naming what was waited for.
    pub async fn until_within(
        &self,
        patience: Duration,
        what: &str,
        mut so: impl FnMut(&Seen) -> bool,
    ) {
        let mut changed = self.changed.clone();
        let wait = async {
            loop {
                changed.mark_unchanged();
                if self.look(&mut so) {
                    return;
                }
                let _ = changed.changed().await;
            }
        };
        if timeout(patience, wait).await.is_err() {
            let state = self.look(|seen| {
                let mirror = seen.mirror();
                format!(
                    "{:?}, event {}, frame {}",
                    seen.link.state(seen.now),
                    mirror.record.seq,
                    mirror.frame.n
                )
            });
            let who = self.look(|seen| seen.link.identity().name.clone());
            panic!("{who} waited {patience:?} in vain for {what}; the link: {state}");
        }
    }

    /// Asks for something and waits for nothing.
    pub fn want(&self, command: Command) -> CommandId {
        let number = NEXT_COMMAND.fetch_add(1, Ordering::Relaxed);
        let id = self.look(|seen| CommandId(format!("{}-{number}", seen.link.identity().device)));
        let _ = self
            .orders
            .send(Order::Take(Input::Want(id.clone(), command)));
        id
    }

    /// Waits for the hub's answer to a command, which must be among the last 32 of this phone.
    ///
    /// # Panics
    /// When there is none by the deadline.
    pub async fn answer(&self, id: &CommandId) -> Answer {
        self.until("an answer", |seen| seen.link.answer(id).is_some())
            .await;
        self.look(|seen| seen.link.answer(id).cloned())
            .expect("waited for")
    }

    /// Asks for something, and returns the number of its event once it is on the hub's disk.
    ///
    /// # Panics
    /// When the hub refuses it.
    pub async fn done(&self, command: Command) -> u64 {
        let words = format!("{command:?}");
        match self.answer(&self.want(command)).await {
            Answer::Done(seq) => seq,
            Answer::Refused(reason) => panic!("refused {words}: {reason}"),
        }
    }

    /// Asks for something that the hub must refuse, and returns its reason.
    ///
    /// # Panics
    /// When the hub does it.
    pub async fn refused(&self, command: Command) -> String {
        let words = format!("{command:?}");
        match self.answer(&self.want(command)).await {
            Answer::Refused(reason) => reason,
            Answer::Done(seq) => panic!("done as event {seq}: {words}"),
        }
    }

    /// Changes what it keeps of itself.
    pub fn change<T>(&self, change: impl FnOnce(&mut Seen) -> T) -> T {
        change(&mut self.shared.lock())
    }

    /// Cuts its socket, as a walk behind the trailer does; it dials again by itself.
    pub fn cut(&self) {
        let _ = self.orders.send(Order::Cut);
    }

    /// While frozen it neither reads nor sends, and its socket stays open: a phone whose radio has gone, or a page asleep.
    pub fn freeze(&self, frozen: bool) {
        let _ = self.orders.send(Order::Freeze(frozen));
    }
}

impl Drop for Phone {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Seen> {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen.now = self.started.elapsed().as_secs_f64() * 1000.0;
        seen
    }

    fn take(&self, input: Input) -> Vec<Action> {
        let mut seen = self.lock();
        let now = seen.now;
        if let Input::Received(message) = &input {
            if seen.heard_at > 0.0 {
                seen.silence_ms = seen.silence_ms.max(now - seen.heard_at);
            }
            seen.heard_at = now;
            if !seen.forgetful {
                seen.heard.push((now, HubMessage::clone(message)));
            }
        }
        seen.sockets += u32::from(matches!(input, Input::Opened));
        let actions = seen.link.take(now, input);
        drop(seen);
        self.changed.send_replace(());
        actions
    }
}

async fn run(shared: Arc<Shared>, home: String, mut orders: mpsc::UnboundedReceiver<Order>) {
    let mut socket: Option<Socket> = None;
    let mut frozen = false;
    let mut ticks = tokio::time::interval(TICK.min(Duration::from_millis(PING_MS as u64)));
    loop {
        let input = tokio::select! {
            order = orders.recv() => match order {
                Some(Order::Take(input)) => input,
                Some(Order::Cut) => { socket = None; Input::Closed }
                Some(Order::Freeze(on)) => { frozen = on; continue }
                None => return,
            },
            frame = frame(&mut socket), if !frozen => match frame {
                Some(message) => Input::Received(Box::new(message)),
                None => { socket = None; Input::Closed }
            },
            _ = ticks.tick(), if !frozen => Input::Tick,
        };
        let mut inputs = VecDeque::from([input]);
        while let Some(input) = inputs.pop_front() {
            for action in shared.take(input) {
                match action {
                    Action::Dial => {
                        // As the app does: the link knows where, and nothing means where the page came from.
                        let target = shared.lock().link.target().to_owned();
                        let base = if target.is_empty() { &home } else { &target };
                        socket = open(&(base.replacen("http", "ws", 1) + "/ws")).await;
                        inputs.push_back(if socket.is_some() {
                            Input::Opened
                        } else {
                            Input::Closed
                        });
                    }
                    Action::Hang => socket = None,
                    Action::Send(message) => {
                        let text = serde_json::to_string(&*message).expect("every message is JSON");
                        let sent = match &mut socket {
                            Some(open) => open.send(Message::text(text)).await.is_ok(),
                            None => false,
                        };
                        if !sent {
                            socket = None;
                            inputs.push_back(Input::Closed);
                        }
                    }
                }
            }
        }
    }
}

async fn open(url: &str) -> Option<Socket> {
    let mut request = url.into_client_request().expect("an address of a hub");
    request.headers_mut().insert(
        "sec-websocket-protocol",
        SUBPROTOCOL.parse().expect("a plain word"),
    );
    timeout(DIAL, connect_async(request))
        .await
        .ok()?
        .ok()
        .map(|(socket, _)| socket)
}

/// The next frame; nothing when the socket has closed. Without a socket it waits for good.
async fn frame(socket: &mut Option<Socket>) -> Option<HubMessage> {
    let Some(open) = socket else {
        return std::future::pending().await;
    };
    loop {
        match open.next().await? {
            Ok(Message::Text(text)) => {
                return Some(
                    serde_json::from_str(&text)
                        .unwrap_or_else(|error| panic!("not understood: {error}: {text}")),
                );
            }
            Ok(Message::Ping(_) | Message::Pong(_)) => {}
            Ok(_) | Err(_) => return None,
        }
    }
}
