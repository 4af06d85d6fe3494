//! The simulated phones: the app's link and clock, on sockets and timers that are simulated, in the hands of people.

use super::{
    Happening, Plant, Storm,
    air::{Conn, HubEnd, Radio, ToHub, ToPhone},
    car::{CLOCK, ROLES},
    chance::Chance,
    crew,
    hub::CODES,
};
use crate::serve::clerk::ConnId;
use spinover_protocol::{
    CommandId, Millis,
    clock::SteadyClock,
    link::{Action, Identity, Input, Link, State},
    message::{HubMessage, Quality},
};
use std::{collections::VecDeque, sync::Arc};

/// The page looks at the time and shows what it knows this often, as `web-ui/src/app.rs` does.
pub(super) const PAGE_MS: Millis = 100;
/// What a phone's wall clock shows when the storm begins.
const PHONE_WALL: f64 = 1_778_900_123_456.0;

/// A phone.
#[derive(Debug)]
pub(super) struct Phone {
    pub(super) link: Link,
    clock: SteadyClock,
    /// Somebody has set its wall clock, or the network has: by so many milliseconds.
    pub(super) clock_off: Millis,
    pub(super) conn: Option<ConnId>,
    pub(super) radio: Radio,
    pub(super) asleep: bool,
    pub(super) wakings: u32,
    /// What came in while it slept: its system took it, and the page will.
    inbox: VecDeque<(ConnId, ToPhone)>,
    identity: Identity,
    pub(super) chief: bool,
    presses: u64,
    loads: u64,
    seed: u64,
}

impl Phone {
    pub(super) fn new(n: usize, chance: &mut Chance) -> Self {
        let chief = n < 2;
        let identity = Identity {
            code: if chief { CODES.1 } else { CODES.0 }.to_owned(),
            name: format!("Person {n}"),
            role: if chief { ROLES[0] } else { ROLES[1 + n % 3] }.into(),
            device: format!("phone-{n:04}").as_str().into(),
        };
        let seed = chance.below(u64::MAX);
        let latency_ms = chance.between(1, 30);
        Self {
            link: Link::new(identity.clone(), seed),
            clock: SteadyClock::default(),
            clock_off: chance.between(-3_600_000, 3_600_000),
            conn: None,
            radio: Radio {
                latency_ms,
                jitter_ms: chance.between(0, 40),
                ..Radio::default()
            },
            asleep: false,
            wakings: 0,
            inbox: VecDeque::new(),
            identity,
            chief,
            presses: 0,
            loads: 1,
            seed,
        }
    }

    /// Its steady clock.
    pub(super) fn clock(&mut self, storm: Millis) -> f64 {
        self.clock.at(PHONE_WALL + (storm + self.clock_off) as f64)
    }

    /// Whether its screen shows a stop call.
    pub(super) fn shows_stop(&self) -> bool {
        let mirror = self.link.mirror();
        let known = mirror.record.warmup.as_ref();
        mirror.stop_now.is_some() || known.is_some_and(|warmup| warmup.stops().next().is_some())
    }
}

impl Storm {
    /// Feeds one input to a phone's link and does what it asks, as `web-ui/src/socket.rs` does.
    pub(super) fn feed(&mut self, n: usize, input: Input) {
        let mut inputs = VecDeque::from([input]);
        while let Some(input) = inputs.pop_front() {
            let phone = &mut self.phones[n];
            let now = phone.clock(self.now);
            for action in phone.link.take(now, input) {
                match action {
                    Action::Dial => self.dials(n),
                    Action::Hang => self.hangs_up(n),
                    Action::Send(message) => {
                        let conn = self.phones[n].conn.filter(|id| self.conns.contains_key(id));
                        match conn {
                            Some(id) => self.send_up(id, ToHub::Frame(message)),
                            None => inputs.push_back(Input::Closed),
                        }
                    }
                }
            }
        }
    }

    fn dials(&mut self, n: usize) {
        self.hangs_up(n);
        let id = self.next_conn;
        self.next_conn += 1;
        let radio = self.phones[n].radio;
        let latency = 3 * radio.latency(&mut self.chance);
        self.phones[n].conn = Some(id);
        self.conns.insert(id, Conn::new(id, n, radio.cut_until));
        // What asks for a connection is sent again after a second when it is lost.
        let lost = self.chance.percent(self.plan.dials_lost);
        let asks_at = self.now.max(radio.cut_until) + if lost { 1_000 } else { 0 };
        let then = match self.hub.is_some() {
            true => Happening::Opens(id),
            false => Happening::Refuses(id),
        };
        self.at(asks_at + latency, then);
    }

    pub(super) fn hangs_up(&mut self, n: usize) {
        let Some(id) = self.phones[n].conn.take() else {
            return;
        };
        if let Some(conn) = self.conns.get_mut(&id) {
            conn.phone_open = false;
            self.send_up(id, ToHub::Closed);
        }
        self.forget_if_done(id);
    }

    /// A dial has come through.
    pub(super) fn opens(&mut self, id: ConnId) {
        let now = self.now;
        if self.hub.is_none() {
            return self.refuses(id);
        }
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        let phone = conn.phone;
        if conn.dead || !conn.phone_open {
            return;
        }
        conn.hub = Some(HubEnd {
            heard_at: now,
            ..HubEnd::default()
        });
        self.say(|| format!("phone {phone} has connection {id}"));
        match self.phones[phone].asleep {
            // It will find out when it wakes; nothing else can be waiting before it.
            true => self.phones[phone].conn = None,
            false => self.feed(phone, Input::Opened),
        }
        if self.phones[phone].conn != Some(id) {
            self.phone_end_gone(id);
        }
    }

    /// A page that was asleep while its socket opened finds it closed.
    fn phone_end_gone(&mut self, id: ConnId) {
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        if !conn.phone_open {
            return;
        }
        conn.phone_open = false;
        let phone = conn.phone;
        self.send_up(id, ToHub::Closed);
        if self.phones[phone].asleep {
            self.phones[phone].inbox.push_back((id, ToPhone::Closed));
        }
    }

    pub(super) fn refuses(&mut self, id: ConnId) {
        if let Some(conn) = self.conns.get(&id).filter(|conn| conn.phone_open) {
            let phone = conn.phone;
            self.receives(phone, id, ToPhone::Closed);
        }
    }

    /// The front of what flies to a phone arrives.
    pub(super) fn arrives_at_phone(&mut self, id: ConnId) {
        let now = self.now;
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        if conn.down.held_until > now {
            let until = conn.down.held_until;
            return self.at(until, Happening::Down(id));
        }
        let phone = conn.phone;
        if let (Some(what), false, true) =
            (conn.down.flying.pop_front(), conn.dead, conn.phone_open)
        {
            self.receives(phone, id, what);
        }
        self.pump(id);
    }

    fn receives(&mut self, n: usize, id: ConnId, what: ToPhone) {
        let phone = &mut self.phones[n];
        if phone.asleep {
            phone.inbox.push_back((id, what));
            return;
        }
        if phone.conn != Some(id) {
            return; // A socket that the page has let go of.
        }
        match what {
            ToPhone::Closed => {
                phone.conn = None;
                if let Some(conn) = self.conns.get_mut(&id) {
                    conn.phone_open = false;
                    // Whatever is left of the hub's end hears of it.
                    self.send_up(id, ToHub::Closed);
                }
                self.forget_if_done(id);
                self.say(|| format!("phone {n} finds connection {id} closed"));
                self.feed(n, Input::Closed);
            }
            ToPhone::Frame(message) => {
                self.story_of(n, &message);
                let again = Box::new(HubMessage::clone(&message));
                self.feed(n, Input::Received(again));
                self.watch
                    .heard(n, &message, &self.phones[n], &self.disk, self.now);
            }
        }
    }

    fn story_of(&mut self, n: usize, message: &Arc<HubMessage>) {
        match &**message {
            HubMessage::Events { events } => {
                let (first, last) = (events.first().map(|e| e.seq), events.last().map(|e| e.seq));
                self.say(|| {
                    format!(
                        "phone {n} hears events {} to {}",
                        first.unwrap_or(0),
                        last.unwrap_or(0)
                    )
                });
            }
            HubMessage::Snapshot { record } => {
                self.say(|| format!("phone {n} takes a snapshot at event {}", record.seq));
            }
            HubMessage::Ack { .. } | HubMessage::Refused { .. } | HubMessage::StopNow { .. } => {
                self.say(|| format!("phone {n} hears {message:?}"));
            }
            _ => {}
        }
    }

    /// A page's timer: the link looks at the time, and the page shows what it knows.
    pub(super) fn page_timer(&mut self, n: usize, wakings: u32) {
        if self.phones[n].asleep || self.phones[n].wakings != wakings {
            return;
        }
        self.feed(n, Input::Tick);
        self.after(PAGE_MS, Happening::Page(n, wakings));
        let phone = &mut self.phones[n];
        let now = phone.clock(self.now);
        let live = phone.link.state(now) == State::Live;
        let (value, quality, _) = phone.link.mirror().frame.reading(CLOCK);
        // As `reading_now` in `web-ui/src/app.rs`.
        let shown_live = live || self.plant == Some(Plant::PageTrustsFrames);
        if let (Some(read_at), true) = (value, quality == Quality::Good && shown_live) {
            self.watch.shown(n, read_at as Millis, self.now);
        }
    }

    /// The page stands still; the socket stays as it is.
    pub(super) fn sleeps(&mut self, n: usize, for_ms: Millis) {
        if self.phones[n].asleep {
            return;
        }
        self.phones[n].asleep = true;
        self.phones[n].wakings += 1;
        self.say(|| format!("phone {n} falls asleep for {for_ms} ms"));
        self.after(for_ms, Happening::Wake(n));
    }

    pub(super) fn wakes(&mut self, n: usize) {
        if !self.phones[n].asleep {
            return;
        }
        self.phones[n].asleep = false;
        self.say(|| format!("phone {n} wakes"));
        // What waited and the waking come in either order; the page is drawn after both.
        let wake_first = self.chance.percent(50);
        if wake_first {
            self.feed(n, Input::Wake);
        }
        while let Some((id, what)) = self.phones[n].inbox.pop_front() {
            self.receives(n, id, what);
        }
        if !wake_first {
            self.feed(n, Input::Wake);
        }
        let wakings = self.phones[n].wakings;
        self.page_timer(n, wakings);
    }

    /// Somebody presses something, some people twice, and again after a while.
    pub(super) fn presses(&mut self, n: usize) {
        let wait = self.chance.around(self.plan.press_ms);
        if self.healed {
            return;
        }
        self.after(wait, Happening::Press(n));
        if self.presses_once(n) && self.chance.percent(3) {
            self.after(1, Happening::PressAgain(n));
        }
    }

    /// Whether there was anybody awake to press.
    pub(super) fn presses_once(&mut self, n: usize) -> bool {
        let phone = &mut self.phones[n];
        if self.healed || phone.asleep {
            return false;
        }
        phone.presses += 1;
        let words = format!("{}:{}:{}", n, phone.loads, phone.presses);
        let id = CommandId(format!(
            "{}-{}-{}",
            phone.identity.device, phone.loads, phone.presses
        ));
        let command = crew::wish(&phone.link, phone.chief, words, &mut self.chance);
        self.say(|| format!("phone {n} wants {id}: {command:?}"));
        self.feed(n, Input::Want(id, command));
        true
    }

    /// The page is loaded anew: what it knew is gone.
    pub(super) fn reloads(&mut self, n: usize) {
        if self.phones[n].asleep {
            return;
        }
        self.say(|| format!("phone {n} loads the page anew"));
        self.hangs_up(n);
        let phone = &mut self.phones[n];
        phone.loads += 1;
        phone.seed = phone.seed.rotate_left(7) ^ phone.loads;
        phone.link = Link::new(phone.identity.clone(), phone.seed);
        phone.clock = SteadyClock::default();
        self.watch.loaded_anew(n);
        self.feed(n, Input::Tick);
    }

    /// Sends something on its way to a phone.
    pub(super) fn send_down(&mut self, id: ConnId, what: ToPhone) {
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        let radio = self.phones[conn.phone].radio;
        let latency = radio.latency(&mut self.chance);
        let at = conn.down.send(self.now, latency, radio.crawl_ms, what);
        self.at(at, Happening::Down(id));
    }

    /// Sends something on its way to the hub.
    pub(super) fn send_up(&mut self, id: ConnId, what: ToHub) {
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        let latency = self.phones[conn.phone].radio.latency(&mut self.chance);
        let at = conn.up.send(self.now, latency, 0, what);
        self.at(at, Happening::Up(id));
    }

    /// The front of what flies to the hub arrives.
    pub(super) fn arrives_at_hub(&mut self, id: ConnId) {
        let now = self.now;
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        if conn.up.held_until > now {
            let until = conn.up.held_until;
            return self.at(until, Happening::Up(id));
        }
        if let (Some(what), false) = (conn.up.flying.pop_front(), conn.dead) {
            self.hears(id, what);
        }
        self.forget_if_done(id);
    }

    /// Both ends are closed and nothing flies to the hub any more.
    pub(super) fn forget_if_done(&mut self, id: ConnId) {
        let done = |conn: &Conn| {
            !conn.phone_open && conn.hub.is_none() && (conn.dead || conn.up.flying.is_empty())
        };
        if self.conns.get(&id).is_some_and(done) {
            self.conns.remove(&id);
        }
    }
}
