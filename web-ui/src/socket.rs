//! The browser's side of the socket: carries out what [`Link`] asks for, and keeps what it knows. All logic is in the protocol crate.

use crate::{pure::trace::Trace, store};
use js_sys::Reflect;
use leptos::prelude::set_timeout;
use spinover_protocol::{
    CommandId, Millis, SUBPROTOCOL, Seq,
    car::Channel,
    clock::SteadyClock,
    event::EventBody,
    json,
    link::{Action, Identity, Input, Link},
    message::{ClientMessage, Command, HubMessage},
};
use std::{cell::RefCell, collections::VecDeque, time::Duration};
use wasm_bindgen::{JsCast, JsValue, prelude::Closure};
use web_sys::{CloseEvent, Event, MessageEvent, WebSocket};

/// What a message told of, so that only what depends on it is looked at again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Topic {
    /// The recorded state.
    Record,
    /// What steps wait for.
    Progress,
    /// Who is here.
    People,
    /// How the sources are.
    Sources,
    /// What the figures say.
    Figures,
    /// How long the counted parts have been in.
    Season,
    /// How the turnaround stands.
    Turnaround,
    /// The team's bus.
    Team,
    /// The welcome.
    Welcome,
    /// The book's health.
    Book,
    /// Which alarms cannot wait.
    Urgent,
    /// Which laptop is in charge. The last: the topics are counted by it.
    Hubs,
}

/// How many there are.
pub const TOPICS: usize = Topic::Hubs as usize + 1;

/// Everything behind the pages. One a page, as there is one socket a page.
pub struct Shell {
    link: Link,
    wire: Option<Wire>,
    clock: SteadyClock,
    /// When the hub allows the next try, after too many.
    pub retry_at: Option<f64>,
    /// When each command was first wanted.
    wanted: Vec<(CommandId, f64)>,
    /// A stop call to which this person said seen before its event, and so its number, had come.
    seen_early: Option<CommandId>,
    /// Refusals that have not been shown yet: what was wanted, and why not.
    pub refusals: Vec<(Command, String)>,
    /// One trace a channel, in the order of the welcome.
    pub traces: Vec<Trace>,
    /// Whose traces they are: the journal, and its car's channels.
    traced: Option<(String, Vec<Channel>)>,
}

/// Who is told of what came in.
type Told = Box<dyn Fn(Option<Topic>)>;

thread_local! {
    static SHELL: RefCell<Option<Shell>> = const { RefCell::new(None) };
    static TOLD: RefCell<Option<Told>> = const { RefCell::new(None) };
}

/// Names the one that is told when something came in: a topic, or nothing for readings and the link's state.
pub fn on_change(told: impl Fn(Option<Topic>) + 'static) {
    TOLD.set(Some(Box::new(told)));
}

/// Joins as that person, leaving any link before.
pub fn join(identity: Identity, token: Option<String>) {
    SHELL.with_borrow_mut(|shell| {
        let clock = shell.as_ref().map(|shell| shell.clock).unwrap_or_default();
        // Another role sees the same car: its traces go on.
        let (traces, traced, way) = shell
            .take()
            .map(|shell| (shell.traces, shell.traced, shell.link.way().clone()))
            .unwrap_or_default();
        *shell = Some(Shell {
            link: Link::new(identity, store::seed())
                .with_token(token)
                .knowing(way),
            wire: None,
            clock,
            retry_at: None,
            wanted: Vec::new(),
            seen_early: None,
            refusals: Vec::new(),
            traces,
            traced,
        });
    });
    feed(Input::Tick);
    for topic in [
        Topic::Record,
        Topic::Progress,
        Topic::People,
        Topic::Sources,
        Topic::Figures,
        Topic::Season,
        Topic::Turnaround,
        Topic::Team,
        Topic::Welcome,
        Topic::Book,
        Topic::Urgent,
        Topic::Hubs,
    ] {
        tell(Some(topic));
    }
}

/// Leaves the hub and forgets what it told.
pub fn leave() {
    SHELL.set(None);
    tell(Some(Topic::Welcome));
}

/// Looks at the link; nothing before joining.
pub fn with<T>(look: impl FnOnce(&Link) -> T) -> Option<T> {
    SHELL.with_borrow(|shell| shell.as_ref().map(|shell| look(&shell.link)))
}

/// Looks at everything behind the pages, and may take out what is to be taken.
pub fn with_shell<T>(look: impl FnOnce(&mut Shell) -> T) -> Option<T> {
    SHELL.with_borrow_mut(|shell| shell.as_mut().map(look))
}

/// The phone's steady clock, in milliseconds.
pub fn now() -> f64 {
    with_shell(Shell::now).unwrap_or_else(js_sys::Date::now)
}

/// The hub's clock, or the nearest thing known.
pub fn hub_now() -> Millis {
    let now = now();
    with(|link| {
        link.hub_now(now)
            .map_or(link.mirror().frame.now, |hub_now| hub_now as Millis)
    })
    .unwrap_or(0)
}

/// Asks the hub for something.
pub fn want(command: Command) {
    let id = CommandId(store::random_name());
    let now = now();
    with_shell(|shell| shell.wanted.push((id.clone(), now)));
    feed(Input::Want(id, command));
}

/// Says seen to a stop call that has been heard of before its event has come.
pub fn seen_early(command: CommandId) {
    with_shell(|shell| shell.seen_early = Some(command));
}

/// Feeds one input to the link, does what it asks, and tells of what changed.
pub fn feed(input: Input) {
    let mut topic = None;
    let mut seen: Option<Seq> = None;
    with_shell(|shell| {
        if let Input::Received(message) = &input {
            topic = shell.before(message, &mut seen);
        }
        let fresh = matches!(&input, Input::Received(message) if matches!(**message, HubMessage::Readings(_)));
        shell.take(input);
        if fresh {
            shell.remember();
        }
    });
    tell(topic);
    if let Some(call) = seen {
        want(Command::Seen { call });
    }
}

fn tell(topic: Option<Topic>) {
    TOLD.with_borrow(|told| {
        if let Some(told) = told {
            told(topic);
        }
    });
}

impl Shell {
    /// The phone's steady clock.
    pub fn now(&mut self) -> f64 {
        self.clock.at(js_sys::Date::now())
    }

    /// The link.
    pub fn link(&self) -> &Link {
        &self.link
    }

    /// Commands not answered yet that were wanted at least that many milliseconds ago.
    pub fn unanswered_for(&mut self, ms: f64) -> Vec<Command> {
        let now = self.now();
        let old = |id: &CommandId| {
            self.wanted
                .iter()
                .any(|(known, at)| known == id && now - at >= ms)
        };
        self.link
            .unanswered()
            .filter(|(id, _)| old(id))
            .map(|(_, command)| command.clone())
            .collect()
    }

    /// What must be noted of a message before the link folds it in.
    fn before(&mut self, message: &HubMessage, seen: &mut Option<Seq>) -> Option<Topic> {
        match message {
            HubMessage::Welcome(welcome) => {
                self.retry_at = None;
                // The other laptop's is not kept: this page is not its.
                if let Some(token) = &welcome.token
                    && self.link.target().is_empty()
                {
                    store::set_token(welcome.you.id.as_str(), token);
                }
                let car = (welcome.journal.clone(), welcome.car.channels.clone());
                if self.traced.as_ref() != Some(&car) {
                    self.traces = vec![Trace::default(); welcome.car.channels.len()];
                    self.traced = Some(car);
                }
                Some(Topic::Welcome)
            }
            HubMessage::Goodbye { retry_after_ms, .. } => {
                let now = self.now();
                self.retry_at = retry_after_ms.map(|wait| now + wait as f64);
                None
            }
            HubMessage::Events { events } => {
                let early = self.seen_early.as_ref();
                let called =
                    |body: &EventBody| matches!(body, EventBody::Called { stop: true, .. });
                if let Some(event) = events.iter().find(|event| {
                    early.is_some() && event.command.as_ref() == early && called(&event.body)
                }) {
                    *seen = Some(event.seq);
                    self.seen_early = None;
                }
                Some(Topic::Record)
            }
            HubMessage::Snapshot { .. } | HubMessage::StopNow { .. } => Some(Topic::Record),
            HubMessage::Progress(_) => Some(Topic::Progress),
            HubMessage::Presence { .. } | HubMessage::Guessing { .. } => Some(Topic::People),
            HubMessage::Join(_) => Some(Topic::Welcome),
            HubMessage::Sources { .. } => Some(Topic::Sources),
            HubMessage::Figures { .. } => Some(Topic::Figures),
            HubMessage::Turnaround(_) => Some(Topic::Turnaround),
            HubMessage::Season(_) => Some(Topic::Season),
            HubMessage::Team(_) => Some(Topic::Team),
            HubMessage::Book { .. } => Some(Topic::Book),
            HubMessage::Hubs(_) => Some(Topic::Hubs),
            HubMessage::Ack { id, .. } => {
                self.wanted.retain(|(known, _)| known != id);
                None
            }
            HubMessage::Refused { id, reason } => {
                self.wanted.retain(|(known, _)| known != id);
                let wanted = self
                    .link
                    .unanswered()
                    .find(|(known, _)| *known == id)
                    .map(|(_, command)| command.clone());
                if let Some(command) = wanted {
                    self.refusals.push((command, reason.clone()));
                }
                None
            }
            HubMessage::Readings(frame) => {
                (frame.urgent != self.link.mirror().frame.urgent).then_some(Topic::Urgent)
            }
            HubMessage::Pong { .. } => None,
        }
    }

    fn take(&mut self, input: Input) {
        let mut inputs = VecDeque::from([input]);
        while let Some(input) = inputs.pop_front() {
            let now = self.now();
            for action in self.link.take(now, input) {
                let done = match action {
                    Action::Dial => {
                        self.wire = Wire::dial(self.link.target());
                        self.wire.is_some()
                    }
                    Action::Hang => {
                        self.wire = None;
                        true
                    }
                    Action::Send(message) => {
                        self.wire.as_ref().is_some_and(|wire| wire.send(&message))
                    }
                };
                if !done {
                    self.wire = None;
                    inputs.push_back(Input::Closed);
                }
            }
        }
    }

    /// Keeps the newest frame for the traces.
    fn remember(&mut self) {
        let frame = &self.link.mirror().frame;
        for (index, trace) in self.traces.iter_mut().enumerate() {
            let (value, quality, _) = frame.reading(index);
            trace.push(frame.now as f64, value, quality);
        }
    }
}

/// The line that `start.js` has dialled, where it is still of use. It is given away once.
fn early_line() -> Option<WebSocket> {
    let (window, name) = (web_sys::window()?, JsValue::from_str("spinoverLine"));
    let line = Reflect::get(&window, &name).ok()?;
    let _ = Reflect::set(&window, &name, &JsValue::UNDEFINED);
    let line = line.dyn_into::<WebSocket>().ok()?;
    (line.ready_state() <= WebSocket::OPEN).then_some(line)
}

/// One WebSocket; dropping it closes it, and nothing is heard of it afterwards.
struct Wire {
    socket: WebSocket,
    _opened: Closure<dyn FnMut(Event)>,
    _message: Closure<dyn FnMut(MessageEvent)>,
    _closed: Closure<dyn FnMut(CloseEvent)>,
}

impl Wire {
    /// To the hub at that address, or to the one that the page came from.
    fn dial(target: &str) -> Option<Self> {
        let location = web_sys::window()?.location();
        let scheme = if location
            .protocol()
            .is_ok_and(|protocol| protocol == "https:")
        {
            "wss://"
        } else {
            "ws://"
        };
        let url = match target.strip_prefix("http") {
            Some(rest) => format!("ws{rest}/ws"),
            None => scheme.to_owned() + &location.host().ok()? + "/ws",
        };
        let early = early_line().filter(|_| target.is_empty());
        let socket = match early {
            Some(line) => line,
            None => WebSocket::new_with_str(&url, SUBPROTOCOL).ok()?,
        };
        if socket.ready_state() == WebSocket::OPEN {
            // It will not say so again.
            set_timeout(|| feed(Input::Opened), Duration::ZERO);
        }
        let opened = Closure::<dyn FnMut(Event)>::new(|_| feed(Input::Opened));
        let closed = Closure::<dyn FnMut(CloseEvent)>::new(|_| feed(Input::Closed));
        let message = Closure::<dyn FnMut(MessageEvent)>::new(|event: MessageEvent| {
            let Some(text) = event.data().as_string() else {
                return;
            };
            // A message of a kind that this page does not know is passed over; the version in the sub-protocol says what must be known.
            if let Ok(message) = json::from_str::<HubMessage>(&text) {
                feed(Input::Received(Box::new(message)));
            }
        });
        socket.set_onopen(Some(opened.as_ref().unchecked_ref()));
        socket.set_onclose(Some(closed.as_ref().unchecked_ref()));
        socket.set_onmessage(Some(message.as_ref().unchecked_ref()));
        Some(Self {
            socket,
            _opened: opened,
            _message: message,
            _closed: closed,
        })
    }

    fn send(&self, message: &ClientMessage) -> bool {
        serde_json::to_string(message).is_ok_and(|text| self.socket.send_with_str(&text).is_ok())
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.socket.set_onopen(None);
        self.socket.set_onclose(None);
        self.socket.set_onmessage(None);
        let _ = self.socket.close();
    }
}
