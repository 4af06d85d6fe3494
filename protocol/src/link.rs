//! The phone's side of a connection as a state machine: when to dial, what to send, what is known, whether it can be trusted.
//!
//! It does no I/O and reads no clock, so the app in the browser, the clients in the tests and a simulated pit all run the same code.
//! Where there are two laptops, [`Way`] says which hub to dial.
//! The owner feeds it [`Input`]s with the phone's own clock (any steady milliseconds) and carries out the [`Action`]s.

mod way;

pub use way::Way;

use crate::{
    CommandId, LINK_LOST_MS, Millis, PING_MS, PROTOCOL_VERSION, PersonId, RoleKey, Seq,
    event::{Event, EventBody, Right, Who},
    hubs::{Hubs, Standing},
    message::{
        ClientMessage, Command, Farewell, FigureNow, Frame, HubMessage, Present, Progress, Resume,
        SourceHealth, Welcome,
    },
    record::Record,
};
use std::collections::{BTreeMap, VecDeque};

/// First wait before dialling again, in milliseconds; it doubles up to [`REDIAL_MAX_MS`].
const REDIAL_MIN_MS: f64 = 250.0;
/// Longest wait before dialling again. A crew has ninety seconds: waiting longer helps nobody on a network of twenty phones.
const REDIAL_MAX_MS: f64 = 3_000.0;
/// A dial that has led nowhere for this long is given up. Radios that drop every packet never refuse.
const DIAL_PATIENCE_MS: f64 = 4_000.0;
/// The same where there is another hub to try.
const DIAL_PATIENCE_OF_TWO_MS: f64 = 1_500.0;
/// Samples of the clock offset that are remembered; the one with the least lag is believed.
const OFFSETS_KEPT: usize = 16;
/// Answers to commands that are kept for the screen.
const ANSWERS_KEPT: usize = 32;

/// Who is joining.
#[derive(Clone, Debug, PartialEq)]
pub struct Identity {
    /// Crew code or chief code.
    pub code: String,
    /// Name.
    pub name: String,
    /// Role.
    pub role: RoleKey,
    /// The phone's own random name.
    pub device: PersonId,
}

/// What the owner tells the link.
#[derive(Clone, Debug)]
pub enum Input {
    /// The socket that `Action::Dial` asked for is open.
    Opened,
    /// The socket closed, or could not be opened.
    Closed,
    /// A frame came in.
    Received(Box<HubMessage>),
    /// The person wants something done.
    Want(CommandId, Command),
    /// Time has passed. At least every 250 ms while the page is awake.
    Tick,
    /// The page woke up, or the person pressed "try again".
    Wake,
}

/// What the owner must do.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Open a socket to [`Link::target`]; the one before is closed already.
    Dial,
    /// Close the socket.
    Hang,
    /// Send this on the socket.
    Send(Box<ClientMessage>),
}

/// The state of the link, as the page shows it.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// Never been up; dialling or waiting to dial.
    Connecting,
    /// Up, and heard from lately.
    Live,
    /// Was up; heard nothing since that time on the phone's clock.
    Lost {
        /// When the hub was last heard.
        since_ms: f64,
    },
    /// The hub refused, and trying again by itself would not help.
    Refused {
        /// What kind of reason.
        why: Farewell,
        /// The hub's words.
        reason: String,
    },
}

/// What became of a command.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// Its event is on the hub's disk.
    Done(Seq),
    /// Why not.
    Refused(String),
}

/// Everything that the hub has told.
#[derive(Clone, Debug, Default)]
pub struct Mirror {
    /// The welcome.
    pub welcome: Option<Welcome>,
    /// Which laptop is in charge, as the hub at the other end says.
    pub hubs: Hubs,
    /// The recorded state.
    pub record: Record,
    /// Latest readings.
    pub frame: Frame,
    /// What steps wait for.
    pub progress: Progress,
    /// Who is here.
    pub people: Vec<Present>,
    /// How the sources are doing.
    pub sources: Vec<SourceHealth>,
    /// What the figures say.
    pub figures: Vec<FigureNow>,
    /// The disk's trouble, while it refuses.
    pub book_trouble: Option<String>,
    /// How many milliseconds of readings a power cut could have cost of late, where that is more than is promised.
    pub book_late_ms: Option<u64>,
    /// A stop call heard before its event: words, who, and the command that the event will carry.
    pub stop_now: Option<(String, Who, CommandId)>,
}

#[derive(Clone, Debug)]
struct Waiting {
    id: CommandId,
    command: Command,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Socket {
    /// None; dial at that time.
    Down { dial_at: f64 },
    /// Asked for at that time.
    Dialling { since: f64 },
    /// Open, `hello` sent, no welcome yet.
    Joining { since: f64 },
    /// Welcomed.
    Up,
}

/// The phone's side of a connection.
#[derive(Debug)]
pub struct Link {
    identity: Identity,
    socket: Socket,
    refused: Option<(Farewell, String)>,
    heard_at: f64,
    was_up: bool,
    attempts: u32,
    pinged_at: f64,
    offsets: VecDeque<(f64, f64)>,
    lag_ms: Option<u32>,
    waiting: Vec<Waiting>,
    answers: VecDeque<(CommandId, Answer)>,
    /// Commands of the latest stop calls whose events are folded in.
    stops_folded: VecDeque<CommandId>,
    mirror: Mirror,
    way: Way,
    spread: u64,
}

impl Link {
    /// A link that will dial at once. `seed` spreads the phones' redials apart; anything that differs between phones will do.
    pub fn new(identity: Identity, seed: u64) -> Self {
        Self {
            identity,
            socket: Socket::Down {
                dial_at: f64::NEG_INFINITY,
            },
            refused: None,
            heard_at: f64::NEG_INFINITY,
            was_up: false,
            attempts: 0,
            pinged_at: f64::NEG_INFINITY,
            offsets: VecDeque::new(),
            lag_ms: None,
            waiting: Vec::new(),
            answers: VecDeque::new(),
            stops_folded: VecDeque::new(),
            mirror: Mirror::default(),
            way: Way::default(),
            spread: seed | 1,
        }
    }

    /// The same with the hubs that another link of this phone knew.
    #[must_use]
    pub fn knowing(mut self, way: Way) -> Self {
        self.way = way;
        self
    }

    /// The hubs that this phone knows.
    pub fn way(&self) -> &Way {
        &self.way
    }

    /// The hub to dial, and to ask for pages: `http://192.0.2.7:4780`, or nothing for the one that the page came from.
    pub fn target(&self) -> &str {
        self.way.target()
    }

    /// Whether the hub at the other end takes commands, as far as is known.
    pub fn in_charge(&self) -> bool {
        let Some(welcome) = &self.mirror.welcome else {
            return false;
        };
        let hubs = &self.mirror.hubs;
        hubs.standing == Standing::InCharge && !self.way.is_stale(&welcome.journal, &hubs.charge)
    }

    /// A stop goes to whoever hears it, and the wish to take over to whoever can; all else waits for the hub in charge.
    fn may_send(&self, command: &Command) -> bool {
        matches!(command, Command::Stop { .. } | Command::TakeOver {}) || self.in_charge()
    }

    /// Takes one input in; the actions are to be carried out in order.
    pub fn take(&mut self, now: f64, input: Input) -> Vec<Action> {
        let mut actions = Vec::new();
        match input {
            Input::Opened => self.opened(now, &mut actions),
            Input::Closed => self.closed(now),
            Input::Received(message) => self.received(now, *message, &mut actions),
            Input::Want(id, command) => {
                if self.socket == Socket::Up && self.may_send(&command) {
                    actions.push(send(ClientMessage::Command {
                        id: id.clone(),
                        command: command.clone(),
                    }));
                }
                self.waiting.push(Waiting { id, command });
            }
            Input::Tick => {}
            Input::Wake => {
                if self
                    .refused
                    .as_ref()
                    .is_none_or(|(why, _)| *why != Farewell::WrongCode)
                {
                    self.refused = None;
                }
                if let Socket::Down { dial_at } = &mut self.socket {
                    *dial_at = now;
                }
            }
        }
        self.tick(now, &mut actions);
        actions
    }

    /// The state of the link at that time.
    pub fn state(&self, now: f64) -> State {
        if let Some((why, reason)) = &self.refused {
            return State::Refused {
                why: *why,
                reason: reason.clone(),
            };
        }
        if !self.was_up {
            return State::Connecting;
        }
        if self.socket == Socket::Up && now - self.heard_at < LINK_LOST_MS as f64 {
            State::Live
        } else {
            State::Lost {
                since_ms: self.heard_at,
            }
        }
    }

    /// What the hub has told so far.
    pub fn mirror(&self) -> &Mirror {
        &self.mirror
    }

    /// Who this is, as far as the phone knows.
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// Whether the hub lets this person mark steps.
    pub fn is_chief(&self) -> bool {
        self.mirror
            .welcome
            .as_ref()
            .is_some_and(|welcome| welcome.right == Right::Chief)
    }

    /// The hub's clock at that time of the phone's, once a pong has come; the least-lag sample of the last few is believed.
    pub fn hub_now(&self, now: f64) -> Option<f64> {
        let best = self.offsets.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        Some(now + best.1)
    }

    /// The lag last measured, there and back, in milliseconds.
    pub fn lag_ms(&self) -> Option<u32> {
        self.lag_ms
    }

    /// The age of a channel's reading now: what the frame said, plus the time that has passed on the phone since. It goes on
    /// growing when the link is lost.
    pub fn age_ms(&self, index: usize, now: f64) -> Option<f64> {
        self.mirror.frame.reading(index).0?;
        let (_, _, age) = self.mirror.frame.reading(index);
        // Without an offset the frame is taken to have travelled no time at all.
        let frame_age = match self.hub_now(now) {
            Some(hub_now) => (hub_now - self.mirror.frame.now as f64).max(0.0),
            None => (now - self.heard_at).max(0.0),
        };
        Some(age as f64 + frame_age)
    }

    /// Commands that have not been answered yet, oldest first.
    pub fn unanswered(&self) -> impl Iterator<Item = (&CommandId, &Command)> {
        self.waiting
            .iter()
            .map(|waiting| (&waiting.id, &waiting.command))
    }

    /// What became of a command, while it is remembered.
    pub fn answer(&self, id: &CommandId) -> Option<&Answer> {
        self.answers
            .iter()
            .rev()
            .find(|(known, _)| known == id)
            .map(|(_, answer)| answer)
    }

    fn opened(&mut self, now: f64, actions: &mut Vec<Action>) {
        let resume = self.mirror.welcome.as_ref().map(|welcome| Resume {
            journal: welcome.journal.clone(),
            seq: self.mirror.record.seq,
            charge: self.mirror.record.charge.clone(),
        });
        actions.push(send(ClientMessage::Hello {
            protocol: PROTOCOL_VERSION,
            code: self.identity.code.clone(),
            name: self.identity.name.clone(),
            role: self.identity.role.clone(),
            device: self.identity.device.clone(),
            resume,
            seen: self.way.seen().cloned(),
        }));
        self.socket = Socket::Joining { since: now };
    }

    fn closed(&mut self, now: f64) {
        // A socket that was up and broke is a blip far more often than a dead laptop: the same hub first.
        if matches!(
            self.socket,
            Socket::Dialling { .. } | Socket::Joining { .. }
        ) {
            self.way.failed();
        }
        self.way.closed();
        if !matches!(self.socket, Socket::Down { .. }) {
            self.socket = Socket::Down {
                dial_at: now + self.redial_wait(),
            };
        }
    }

    /// Doubling waits, each drawn from its upper half, so that twenty phones that lost the same hub do not come back in step.
    fn redial_wait(&mut self) -> f64 {
        let full = (REDIAL_MIN_MS * f64::from(1u32 << self.attempts.min(10))).min(REDIAL_MAX_MS);
        self.attempts += 1;
        // A xorshift step: it needs to differ between phones, not to be unguessable.
        self.spread ^= self.spread << 13;
        self.spread ^= self.spread >> 7;
        self.spread ^= self.spread << 17;
        full * (0.5 + 0.5 * (self.spread % 1024) as f64 / 1024.0)
    }

    fn received(&mut self, now: f64, message: HubMessage, actions: &mut Vec<Action>) {
        if matches!(self.socket, Socket::Down { .. } | Socket::Dialling { .. }) {
            return; // A frame of a socket that was given up.
        }
        self.heard_at = now;
        match message {
            HubMessage::Welcome(welcome) => self.welcomed(*welcome, now, actions),
            HubMessage::Hubs(hubs) => self.hubs(hubs, now, actions),
            HubMessage::Goodbye {
                reason,
                why,
                retry_after_ms,
            } => {
                let wait = retry_after_ms.map_or_else(|| self.redial_wait(), |wait| wait as f64);
                self.socket = Socket::Down {
                    dial_at: now + wait,
                };
                // The other laptop may have other codes; that must not lock the phone out of its own.
                let elsewhere = !matches!(why, Farewell::Stopping | Farewell::TooManyTries)
                    && self.way.forget();
                if !matches!(why, Farewell::Stopping) && !elsewhere {
                    self.refused = Some((why, reason));
                }
                self.way.closed();
                actions.push(Action::Hang);
            }
            HubMessage::Snapshot { record } => {
                self.mirror.record = *record;
                self.mirror.stop_now = None;
            }
            HubMessage::Events { events } => self.fold(&events, now, actions),
            HubMessage::StopNow { text, by, command } => self.stop_now(text, by, command),
            HubMessage::Readings(frame) => self.mirror.frame = frame,
            HubMessage::Progress(progress) => self.mirror.progress = progress,
            HubMessage::Presence { people } => self.mirror.people = people,
            HubMessage::Sources { sources } => self.mirror.sources = sources,
            HubMessage::Figures { figures } => self.mirror.figures = figures,
            HubMessage::Book {
                writing,
                trouble,
                late_ms,
            } => {
                self.mirror.book_late_ms = late_ms;
                self.mirror.book_trouble = (!writing)
                    .then(|| trouble.unwrap_or_else(|| "the book cannot be written".to_owned()));
            }
            HubMessage::Ack { id, seq } => self.answered(id, Answer::Done(seq)),
            HubMessage::Refused { id, reason } => self.answered(id, Answer::Refused(reason)),
            HubMessage::Pong { sent, now: hub_now } => {
                let lag = (now - sent).max(0.0);
                // The answer is taken to have been given half-way.
                self.offsets
                    .push_back((lag, hub_now as f64 - (sent + lag / 2.0)));
                if self.offsets.len() > OFFSETS_KEPT {
                    self.offsets.pop_front();
                }
                self.lag_ms = Some(lag as u32);
            }
        }
    }

    fn hubs(&mut self, hubs: Hubs, now: f64, actions: &mut Vec<Action>) {
        let before = self.in_charge();
        if let Some(welcome) = &self.mirror.welcome {
            self.way.heard(now, &welcome.journal, &hubs);
        }
        self.mirror.hubs = hubs;
        if !before && self.in_charge() {
            self.send_waiting(actions);
        }
    }

    fn send_waiting(&self, actions: &mut Vec<Action>) {
        for waiting in &self.waiting {
            if self.may_send(&waiting.command) {
                actions.push(send(ClientMessage::Command {
                    id: waiting.id.clone(),
                    command: waiting.command.clone(),
                }));
            }
        }
    }

    fn welcomed(&mut self, welcome: Welcome, now: f64, actions: &mut Vec<Action>) {
        self.socket = Socket::Up;
        self.attempts = 0;
        self.was_up = true;
        self.refused = None;
        self.pinged_at = f64::NEG_INFINITY;
        // Another hub, or the same one after its clock was set: what was known of its clock is void.
        self.offsets.clear();
        if self
            .mirror
            .welcome
            .as_ref()
            .is_some_and(|known| known.journal != welcome.journal)
        {
            self.mirror.record = Record::default();
        }
        self.mirror.stop_now = None;
        self.way.heard(now, &welcome.journal, &welcome.hubs);
        self.mirror.hubs = welcome.hubs.clone();
        self.mirror.welcome = Some(welcome);
        self.send_waiting(actions);
    }

    /// A stop and its event come by two ways, and a quick disk can let the event arrive first: the stop is then known already.
    fn stop_now(&mut self, text: String, by: Who, command: CommandId) {
        if !self.stops_folded.contains(&command) {
            self.mirror.stop_now = Some((text, by, command));
        }
    }

    fn fold(&mut self, events: &[Event], now: f64, actions: &mut Vec<Action>) {
        for event in events {
            if event.seq > self.mirror.record.seq + 1 {
                // A hole can only be our own fault or the hub's; the cure for both is to join again from what we have.
                actions.push(Action::Hang);
                self.socket = Socket::Down { dial_at: now };
                return;
            }
            if self
                .mirror
                .stop_now
                .as_ref()
                .is_some_and(|(_, _, command)| event.command.as_ref() == Some(command))
            {
                self.mirror.stop_now = None;
            }
            if let (EventBody::Called { stop: true, .. }, Some(command)) =
                (&event.body, &event.command)
            {
                self.stops_folded.push_back(command.clone());
                if self.stops_folded.len() > ANSWERS_KEPT {
                    self.stops_folded.pop_front();
                }
            }
            self.mirror.record.apply(event);
        }
    }

    fn answered(&mut self, id: CommandId, answer: Answer) {
        self.waiting.retain(|waiting| waiting.id != id);
        self.answers.push_back((id, answer));
        if self.answers.len() > ANSWERS_KEPT {
            self.answers.pop_front();
        }
    }

    fn tick(&mut self, now: f64, actions: &mut Vec<Action>) {
        match self.socket {
            Socket::Down { dial_at } if now >= dial_at && self.may_dial() => {
                self.socket = Socket::Dialling { since: now };
                actions.push(Action::Dial);
            }
            Socket::Dialling { since } | Socket::Joining { since }
                if now - since > self.dial_patience() =>
            {
                actions.push(Action::Hang);
                self.closed(now);
            }
            Socket::Up if now - self.heard_at > LINK_LOST_MS as f64 + PING_MS as f64 => {
                // Half-open: the radio went, and no close will ever come.
                actions.push(Action::Hang);
                self.closed(now);
            }
            Socket::Up if self.way.leaves(now) => {
                actions.push(Action::Hang);
                self.socket = Socket::Down { dial_at: now };
            }
            Socket::Up if now - self.pinged_at >= PING_MS as f64 => {
                self.pinged_at = now;
                actions.push(send(ClientMessage::Ping {
                    sent: now,
                    lag_ms: self.lag_ms,
                }));
            }
            _ => {}
        }
    }

    fn dial_patience(&self) -> f64 {
        match self.way.has_other() {
            true => DIAL_PATIENCE_OF_TWO_MS,
            false => DIAL_PATIENCE_MS,
        }
    }

    fn may_dial(&self) -> bool {
        // After a refusal only "too many tries" is worth another by itself: it names its wait.
        self.refused
            .as_ref()
            .is_none_or(|(why, _)| *why == Farewell::TooManyTries)
    }
}

fn send(message: ClientMessage) -> Action {
    Action::Send(Box::new(message))
}

/// The people that a call waits for: those here who have not seen it, by what presence says.
pub fn not_seen_by(mirror: &Mirror, call: Seq) -> Vec<&Present> {
    let Some(call) = mirror
        .record
        .warmup
        .as_ref()
        .and_then(|warmup| warmup.call(call))
    else {
        return Vec::new();
    };
    mirror
        .people
        .iter()
        .filter(|present| present.here && call.waits_for(&present.who))
        .collect()
}

/// Keys of steps done so far, with their marks: what a test compares between phones.
pub fn marks(mirror: &Mirror) -> BTreeMap<String, Millis> {
    let steps = mirror
        .record
        .warmup
        .iter()
        .flat_map(|warmup| warmup.steps.iter());
    steps
        .map(|(key, mark)| (key.to_string(), mark.at))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link() -> Link {
        let identity = Identity {
            code: "c".into(),
            name: "n".into(),
            role: "idle".into(),
            device: "phone-0001".into(),
        };
        Link::new(identity, 7)
    }

    fn welcome(journal: &str) -> Input {
        let json = format!(
            r#"{{"type":"welcome","protocol":1,"hub_version":"0","journal":"{journal}","now":5000,
            "you":{{"id":"phone-0001","name":"n","role":"idle"}},"right":"crew",
            "car":{{"team":"","name":"","channels":[],"roles":[]}},"sheets":[],"join":{{"urls":[],"qr_svg":""}}}}"#
        );
        Input::Received(Box::new(serde_json::from_str(&json).unwrap()))
    }

    fn noted(seq: Seq) -> Event {
        Event {
            seq,
            at: 0,
            by: None,
            command: None,
            body: EventBody::Noted {
                text: String::new(),
            },
        }
    }

    fn up(link: &mut Link) {
        assert_eq!(link.take(0.0, Input::Tick), vec![Action::Dial]);
        link.take(10.0, Input::Opened);
        link.take(20.0, welcome("j"));
        assert_eq!(link.state(20.0), State::Live);
    }

    #[test]
    fn silence_is_told_within_the_promise_and_the_socket_given_up() {
        let mut link = link();
        up(&mut link);
        assert_eq!(link.state(2_519.0), State::Lost { since_ms: 20.0 });
        assert_eq!(link.state(2_019.0), State::Live);
        assert_eq!(link.take(3_100.0, Input::Tick), vec![Action::Hang]);
        let redial = link.take(3_400.0, Input::Tick);
        assert_eq!(redial, vec![Action::Dial]);
    }

    #[test]
    fn an_unanswered_command_is_sent_again_with_the_same_id() {
        let mut link = link();
        up(&mut link);
        link.take(
            30.0,
            Input::Want("x1".into(), Command::Note { text: "oil".into() }),
        );
        link.take(40.0, Input::Closed);
        link.take(400.0, Input::Tick);
        let hello = link.take(410.0, Input::Opened);
        assert!(
            matches!(&hello[0], Action::Send(message) if matches!(&**message, ClientMessage::Hello { resume: Some(_), .. }))
        );
        let sent = link.take(420.0, welcome("j"));
        assert!(sent.iter().any(
            |action| matches!(action, Action::Send(message) if matches!(&**message, ClientMessage::Command { id, .. } if id.0 == "x1"))
        ));
        link.take(
            430.0,
            Input::Received(Box::new(HubMessage::Ack {
                id: "x1".into(),
                seq: 3,
            })),
        );
        assert_eq!(link.unanswered().count(), 0);
        assert_eq!(link.answer(&"x1".into()), Some(&Answer::Done(3)));
    }

    #[test]
    fn events_fold_once_and_a_hole_means_joining_again() {
        let mut link = link();
        up(&mut link);
        let events = |events: Vec<Event>| Input::Received(Box::new(HubMessage::Events { events }));
        link.take(30.0, events(vec![noted(1), noted(2)]));
        link.take(31.0, events(vec![noted(2)]));
        assert_eq!(link.mirror().record.seq, 2);
        let actions = link.take(32.0, events(vec![noted(4)]));
        assert_eq!(actions, vec![Action::Hang, Action::Dial]);
        assert_eq!(link.mirror().record.seq, 2);
    }

    #[test]
    fn a_stop_shows_once_whether_it_or_its_event_comes_first() {
        for event_first in [false, true] {
            let mut link = link();
            up(&mut link);
            let who = Who {
                id: "phone-0002".into(),
                name: "o".into(),
                role: "fuel".into(),
            };
            let body = EventBody::Called {
                to: crate::event::Audience::All,
                text: "fire".into(),
                stop: true,
            };
            let event = Event {
                seq: 1,
                at: 0,
                by: Some(who.clone()),
                command: Some("s1".into()),
                body,
            };
            let event = HubMessage::Events {
                events: vec![event],
            };
            let now = HubMessage::StopNow {
                text: "fire".into(),
                by: who,
                command: "s1".into(),
            };
            let both = if event_first {
                [event, now]
            } else {
                [now, event]
            };
            for message in both {
                link.take(30.0, Input::Received(Box::new(message)));
                assert_eq!(
                    link.mirror().stop_now.is_some(),
                    !event_first && link.mirror().record.seq == 0
                );
            }
            assert_eq!(link.mirror().stop_now, None);
        }
    }

    fn hubs(standing: &str, epoch: u64, here: bool) -> Hubs {
        let json = format!(
            r#"{{"standing":"{standing}","charge":{{"epoch":{epoch},"hub":"h","proof":""}},
            "other":{{"urls":["http://192.0.2.8:4780"],"here":{here},"behind":0}}}}"#
        );
        serde_json::from_str(&json).unwrap()
    }

    fn told(hubs: Hubs) -> Input {
        Input::Received(Box::new(HubMessage::Hubs(hubs)))
    }

    fn welcome_with(hubs: Hubs) -> Input {
        let Input::Received(mut message) = welcome("j") else {
            unreachable!("a message")
        };
        if let HubMessage::Welcome(welcome) = &mut *message {
            welcome.hubs = hubs;
        }
        Input::Received(message)
    }

    fn sent(actions: &[Action], id: &str) -> bool {
        actions.iter().any(|action| {
            matches!(action, Action::Send(message)
                if matches!(&**message, ClientMessage::Command { id: known, .. } if known.0 == id))
        })
    }

    #[test]
    fn the_second_laptop_is_tried_when_the_first_is_gone_and_marks_wait_until_it_is_in_charge() {
        let mut link = link();
        up(&mut link);
        link.take(30.0, told(hubs("in_charge", 1, true)));
        link.take(40.0, Input::Closed);
        // A blip is likelier than a death: the same hub once more, then the other.
        assert_eq!(link.take(400.0, Input::Tick), vec![Action::Dial]);
        assert_eq!(link.target(), "");
        link.take(410.0, Input::Closed);
        assert_eq!(link.take(1_500.0, Input::Tick), vec![Action::Dial]);
        assert_eq!(link.target(), "http://192.0.2.8:4780");
        let hello = link.take(1_510.0, Input::Opened);
        assert!(
            matches!(&hello[0], Action::Send(message) if matches!(&**message, ClientMessage::Hello { seen: Some(seen), .. } if seen.charge.epoch == 1)),
            "it tells what it has seen"
        );
        link.take(1_520.0, welcome_with(hubs("standby", 1, false)));
        assert_eq!(link.state(1_521.0), State::Live);
        assert!(!link.in_charge());
        let mark = Command::Mark { step: "s".into() };
        let stop = Command::Stop {
            text: "fire".into(),
        };
        assert!(!sent(
            &link.take(1_530.0, Input::Want("m".into(), mark)),
            "m"
        ));
        assert!(sent(
            &link.take(1_540.0, Input::Want("s".into(), stop)),
            "s"
        ));
        let now = link.take(1_550.0, told(hubs("in_charge", 2, false)));
        assert!(sent(&now, "m") && sent(&now, "s") && link.in_charge());
        // The first one is back and has heard nothing: refused, and left for the other.
        link.take(1_560.0, Input::Closed);
        link.take(3_000.0, Input::Tick);
        link.take(3_010.0, Input::Closed);
        link.take(9_000.0, Input::Tick);
        assert_eq!(link.target(), "");
        link.take(9_010.0, Input::Opened);
        let after = link.take(9_020.0, welcome("j"));
        assert!(!link.in_charge() && !sent(&after, "m"));
        assert!(after.contains(&Action::Hang));
        assert_eq!(link.target(), "http://192.0.2.8:4780");
    }

    #[test]
    fn a_second_laptop_with_another_code_does_not_lock_the_phone_out_of_the_first() {
        let mut link = link();
        up(&mut link);
        link.take(30.0, told(hubs("in_charge", 0, true)));
        link.take(40.0, Input::Closed);
        link.take(400.0, Input::Tick);
        link.take(410.0, Input::Closed);
        link.take(1_500.0, Input::Tick);
        link.take(1_510.0, Input::Opened);
        let goodbye = HubMessage::Goodbye {
            reason: "wrong code".into(),
            why: Farewell::WrongCode,
            retry_after_ms: None,
        };
        link.take(1_520.0, Input::Received(Box::new(goodbye)));
        assert_eq!(link.target(), "");
        assert_eq!(link.take(9_000.0, Input::Tick), vec![Action::Dial]);
    }

    #[test]
    fn a_wrong_code_is_not_tried_again_by_itself() {
        let mut link = link();
        link.take(0.0, Input::Tick);
        link.take(1.0, Input::Opened);
        let goodbye = HubMessage::Goodbye {
            reason: "wrong code".into(),
            why: Farewell::WrongCode,
            retry_after_ms: None,
        };
        link.take(2.0, Input::Received(Box::new(goodbye)));
        assert!(link.take(60_000.0, Input::Tick).is_empty());
        assert!(matches!(
            link.state(60_000.0),
            State::Refused {
                why: Farewell::WrongCode,
                ..
            }
        ));
    }

    #[test]
    fn ages_are_right_though_the_phone_clock_is_not() {
        let mut link = link();
        up(&mut link);
        // The hub's clock is 1,000,000 ahead of the phone's; the pong took 40 ms there and back.
        link.take(
            100.0,
            Input::Received(Box::new(HubMessage::Pong {
                sent: 60.0,
                now: 1_000_080,
            })),
        );
        let frame = Frame {
            n: 1,
            now: 1_000_110,
            v: vec![Some(1.0)],
            q: "g".into(),
            age: vec![30],
            src: vec![0],
            ..Frame::default()
        };
        link.take(
            130.0,
            Input::Received(Box::new(HubMessage::Readings(frame))),
        );
        assert_eq!(link.age_ms(0, 130.0), Some(50.0));
        assert_eq!(link.age_ms(0, 1_130.0), Some(1_050.0));
    }
}
