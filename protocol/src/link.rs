//! The phone's side of a connection as a state machine: when to dial, what to send, what is known, whether it can be trusted.
//!
//! It does no I/O and reads no clock, so the app in the browser, the clients in the tests and a simulated pit all run the same code.
//! Where there are two laptops, [`Way`] says which hub to dial.
//! The owner feeds it [`Input`]s with the phone's own clock (any steady milliseconds) and carries out the [`Action`]s.

mod way;

pub use way::Way;

use crate::map::Map;
use crate::{
    CommandId, LINK_LOST_MS, Millis, PING_MS, PROTOCOL_VERSION, PersonId, RoleKey, Seq,
    event::{Event, EventBody, Right, Who},
    hubs::{Hubs, Standing},
    message::{
        ClientMessage, Command, Farewell, FigureNow, Frame, HubMessage, Present, Progress, Resume,
        SourceHealth, Welcome,
    },
    record::Record,
    season,
    team::Team,
    turnaround,
};
use std::collections::VecDeque;

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
/// Two pongs that contradict each other by more than this, in milliseconds, mean that a clock has been set: the hub's counts whole
/// milliseconds, and two clocks drift apart by less than this in [`OFFSETS_KEPT`] pings.
const CLOCKS_MS: f64 = 5.0;
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
    /// Never had any readings; dialling, or waiting to dial, or for the first of them.
    Connecting,
    /// Up, and the latest readings are of now.
    Live,
    /// Was up; the readings are of that time on the phone's clock. The hub may still be heard, but too late: over a slow link old
    /// frames come one after the other.
    Lost {
        /// When the hub said the latest readings.
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
    /// How the turnaround stands; absent from a hub without a plan.
    pub turnaround: Option<turnaround::Now>,
    /// How long the counted parts have been in; absent from a hub without a season file.
    pub season: Option<season::Now>,
    /// The team's bus and the cars on it; absent from a hub without.
    pub team: Option<Team>,
    /// The disk's trouble, while it refuses.
    pub book_trouble: Option<String>,
    /// How many milliseconds of readings a power cut could have cost of late, where that is more than is promised.
    pub book_late_ms: Option<u64>,
    /// Wrong codes over the last minute and from how many addresses, while somebody tries codes.
    pub guessing: Option<(u32, u32)>,
    /// A stop call heard before its event: words, who, and the command that the event will carry.
    pub stop_now: Option<(String, Who, CommandId)>,
}

#[derive(Clone, Debug)]
struct Waiting {
    id: CommandId,
    command: Command,
}

/// A pong: the hub's clock less the phone's lies between the two ends.
#[derive(Clone, Copy, Debug)]
struct Offset {
    lag: f64,
    least: f64,
    most: f64,
}

impl Offset {
    /// The answer is taken to have been given half-way.
    fn middle(&self) -> f64 {
        (self.least + self.most) / 2.0
    }
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
    /// What this device joins by in place of the code, once a hub has given it: by the address of that hub, whose own it is.
    tokens: Map<String, String>,
    /// The token was sent with the hello that is not answered yet.
    by_token: bool,
    socket: Socket,
    refused: Option<(Farewell, String)>,
    heard_at: f64,
    was_up: bool,
    attempts: u32,
    pinged_at: f64,
    offsets: VecDeque<Offset>,
    /// The hub's clock is at least so far ahead of the phone's: nothing is heard before it is said.
    ahead_at_least: f64,
    /// The time of the latest readings on the hub's clock; none of this connection's have come while it is absent.
    frame_said: Option<f64>,
    /// Of when the latest readings of the connection before are, on the phone's clock.
    told_before: f64,
    /// The latest time that a ping was sent with.
    ping_sent: f64,
    /// The page has slept, and no ping of that time or later has been answered: what comes in may have waited for as long as it slept.
    woken: Option<f64>,
    /// What was asked before this is no measure of the hub's clock: the page has slept since, and its own clock may have stood still.
    measured_from: f64,
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
            tokens: Map::new(),
            by_token: false,
            socket: Socket::Down {
                dial_at: f64::NEG_INFINITY,
            },
            refused: None,
            heard_at: f64::NEG_INFINITY,
            was_up: false,
            attempts: 0,
            pinged_at: f64::NEG_INFINITY,
            offsets: VecDeque::new(),
            ahead_at_least: f64::NEG_INFINITY,
            frame_said: None,
            told_before: f64::NEG_INFINITY,
            ping_sent: f64::NEG_INFINITY,
            woken: None,
            measured_from: f64::NEG_INFINITY,
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

    /// The same with a token from an earlier visit.
    #[must_use]
    pub fn with_token(mut self, token: Option<String>) -> Self {
        self.tokens
            .extend(token.map(|token| (String::new(), token)));
        self
    }

    /// What this device can join by in place of the code, at the hub that it is at.
    pub fn token(&self) -> Option<&str> {
        self.tokens.get(self.way.target()).map(String::as_str)
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
                    .is_none_or(|(why, _)| !matches!(why, Farewell::WrongCode | Farewell::PutOut))
                {
                    self.refused = None;
                }
                // How long it slept, no clock of the page's may know, and old frames can be waiting in its socket; only the answer to
                // what it asks from now on shows that the link is still there. A clock that was set back may stand where it stood.
                self.measured_from = now.max(self.ping_sent + 1.0);
                self.woken = Some(self.measured_from);
                self.offsets.clear();
                self.pinged_at = f64::NEG_INFINITY;
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
        let since_ms = self.told_at(now);
        let told = self.frame_said.is_some() && self.woken.is_none();
        if self.socket == Socket::Up && told && now - since_ms < LINK_LOST_MS as f64 {
            State::Live
        } else {
            State::Lost { since_ms }
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

    /// The hub's clock at that time of the phone's; none before the hub has been heard. The least-lag pong of the last few is
    /// believed, as far as nothing was heard of a later time than it allows; without one, what was heard took no time to come.
    pub fn hub_now(&self, now: f64) -> Option<f64> {
        let best = self.offsets.iter().min_by(|a, b| a.lag.total_cmp(&b.lag));
        let middle = best.map_or(f64::NEG_INFINITY, Offset::middle);
        let ahead = middle.max(self.ahead_at_least);
        ahead.is_finite().then_some(now + ahead)
    }

    /// The latest that it can be on the hub's clock: where a ping's way there and back was slow on one half only, its middle says too
    /// little, and readings would look younger than they are.
    fn hub_now_at_most(&self, now: f64) -> Option<f64> {
        let most = self.offsets.iter().map(|offset| offset.most);
        match most.min_by(f64::total_cmp) {
            Some(most) => Some(now + most.max(self.ahead_at_least)),
            None => self.hub_now(now),
        }
    }

    /// Of when the latest readings are, on the phone's clock: the time of hearing, less what they can have taken to come. A welcome
    /// alone does not make the readings of the connection before any newer.
    fn told_at(&self, now: f64) -> f64 {
        match self.hub_now_at_most(now).zip(self.frame_said) {
            Some((hub_now, said)) => self.heard_at.min(now - (hub_now - said)),
            None => self.told_before,
        }
    }

    /// The hub said that it was this time.
    fn said(&mut self, now: f64, hub_now: Millis) {
        let hub_now = hub_now as f64;
        self.ahead_at_least = self.ahead_at_least.max(hub_now - now);
        // A pong that allows no such time was of a clock that has been set since.
        let least = self.ahead_at_least - CLOCKS_MS;
        self.offsets.retain(|offset| offset.most >= least);
    }

    /// What was asked then is answered now, and the hub said that it was this time: how long that took, in milliseconds.
    fn measured(&mut self, asked: f64, now: f64, hub_now: Millis) -> f64 {
        let hub_now = hub_now as f64;
        let lag = (now - asked).max(0.0);
        if asked > self.measured_from - 0.5 {
            self.offsets.push_back(Offset {
                lag,
                least: hub_now - now,
                most: hub_now - asked,
            });
        }
        if self.offsets.len() > OFFSETS_KEPT {
            self.offsets.pop_front();
        }
        lag
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
        // Whatever comes on this socket was said after the hello.
        self.woken = None;
        let resume = self.mirror.welcome.as_ref().map(|welcome| Resume {
            journal: welcome.journal.clone(),
            seq: self.mirror.record.seq,
            charge: self.mirror.record.charge.clone(),
        });
        actions.push(send(ClientMessage::Hello {
            protocol: PROTOCOL_VERSION,
            // The code crosses the air once; from then on the token, which is worth less to whoever listens.
            code: match self.token() {
                Some(_) => String::new(),
                None => self.identity.code.clone(),
            },
            token: self.token().map(str::to_owned),
            name: self.identity.name.clone(),
            role: self.identity.role.clone(),
            device: self.identity.device.clone(),
            resume,
            seen: self.way.seen().cloned(),
        }));
        self.by_token = self.token().is_some();
        self.socket = Socket::Joining { since: now };
    }

    /// A token that this hub does not know (its data directory is another, or it was told to forget) is worth one try by code.
    fn token_unknown(&mut self, why: Farewell) -> bool {
        let void = matches!(why, Farewell::WrongCode | Farewell::PutOut);
        if void && self.by_token {
            self.tokens.remove(self.way.target());
        }
        why == Farewell::WrongCode && self.by_token && !self.identity.code.is_empty()
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
            HubMessage::Welcome(welcome) => self.welcomed(now, *welcome, actions),
            HubMessage::Hubs(hubs) => self.hubs(hubs, now, actions),
            HubMessage::Goodbye {
                reason,
                why,
                retry_after_ms,
            } => {
                if self.token_unknown(why) {
                    self.socket = Socket::Down { dial_at: now };
                    actions.push(Action::Hang);
                    return;
                }
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
            HubMessage::Readings(frame) => {
                self.said(now, frame.now);
                self.frame_said = Some(frame.now as f64);
                self.was_up = true;
                self.mirror.frame = frame;
            }
            HubMessage::Progress(progress) => self.mirror.progress = progress,
            HubMessage::Presence { people } => self.mirror.people = people,
            HubMessage::Sources { sources } => self.mirror.sources = sources,
            HubMessage::Figures { figures } => self.mirror.figures = figures,
            HubMessage::Turnaround(now) => self.mirror.turnaround = Some(now),
            HubMessage::Season(now) => self.mirror.season = Some(now),
            HubMessage::Team(team) => self.mirror.team = Some(team),
            HubMessage::Book {
                writing,
                trouble,
                late_ms,
            } => {
                self.mirror.book_late_ms = late_ms;
                self.mirror.book_trouble = (!writing)
                    .then(|| trouble.unwrap_or_else(|| "the book cannot be written".to_owned()));
            }
            HubMessage::Join(join) => {
                if let Some(welcome) = &mut self.mirror.welcome {
                    welcome.join = join;
                }
            }
            HubMessage::Guessing { wrong, addresses } => {
                self.mirror.guessing = (wrong > 0).then_some((wrong, addresses));
            }
            HubMessage::Ack { id, seq } => self.answered(id, Answer::Done(seq)),
            HubMessage::Refused { id, reason } => self.answered(id, Answer::Refused(reason)),
            HubMessage::Pong { sent, now: hub_now } => {
                // A number of another's making may come back with its last bits changed.
                if self.woken.is_some_and(|woken| sent > woken - 0.5) {
                    self.woken = None;
                }
                let most = hub_now as f64 - sent;
                // What was known before and cannot be so by this pong was of a clock that has been set since.
                self.offsets
                    .retain(|offset| offset.least <= most + CLOCKS_MS);
                if self.ahead_at_least > most + CLOCKS_MS {
                    self.ahead_at_least = hub_now as f64 - now;
                }
                self.said(now, hub_now);
                let lag = self.measured(sent, now, hub_now);
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

    fn welcomed(&mut self, now: f64, welcome: Welcome, actions: &mut Vec<Action>) {
        if let Some(token) = &welcome.token {
            self.tokens
                .insert(self.way.target().to_owned(), token.clone());
        }
        self.told_before = self.told_at(now);
        self.frame_said = None;
        let asked = match self.socket {
            Socket::Joining { since } => since,
            _ => now,
        };
        self.socket = Socket::Up;
        self.attempts = 0;
        self.refused = None;
        self.pinged_at = f64::NEG_INFINITY;
        // Another hub, or the same one after its clock was set: what was known of its clock is void.
        self.offsets.clear();
        self.ahead_at_least = f64::NEG_INFINITY;
        self.said(now, welcome.now);
        // It answers the hello as a pong answers a ping: what follows may come late before the first pong has.
        self.measured(asked, now, welcome.now);
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
        self.mirror.guessing = None;
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
                self.ping_sent = self.woken.map_or(now, |woken| now.max(woken));
                actions.push(send(ClientMessage::Ping {
                    sent: self.ping_sent,
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
pub fn marks(mirror: &Mirror) -> Map<String, Millis> {
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
mod tests;
