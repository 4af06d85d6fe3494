//! The simulated laptop: the service's clerk, log, board and sessions, with their orders carried out on the simulated disk and air.

use super::{
    Happening, Plant, Storm,
    air::{HubEnd, ToHub, ToPhone},
    car::{self, CLOCK, FUEL, OIL},
    disk::Attempt,
    watch::{Rule, source_batch},
};
use crate::core::{Core, Journal, feed::Report};
use crate::serve::{
    clerk::{Clerk, ConnId, Order},
    session::{self, ANSWERS_WAITING, Heard, Session},
    shared::{Board, EventLog, Kind, encode},
};
use axum::extract::ws::Utf8Bytes;
use spinover_protocol::{
    Millis, PHONE_GONE_MS, PROTOCOL_VERSION,
    car::Car,
    event::{Right, Who},
    message::{ClientMessage, HubMessage, Join, SheetTitle, Welcome},
};
use std::{collections::VecDeque, sync::Arc};

/// The journal's name.
const JOURNAL: &str = "storm";
/// 2026-05-16 as the hub's clock has it, in milliseconds.
const WALL: Millis = 1_778_900_000_000;
/// The crew code and the chief code.
pub(super) const CODES: (&str, &str) = ("crew-code", "chief-code");

/// A hub that runs.
pub(super) struct Hub {
    pub(super) clerk: Clerk,
    log: EventLog,
    board: Board,
    car: Car,
    /// The hub's clock less the storm's.
    base: Millis,
    /// Frames as they were decoded last, so that one for twelve phones is decoded once.
    decoded: VecDeque<(Utf8Bytes, Arc<HubMessage>)>,
    trouble: bool,
}

impl Hub {
    pub(super) fn now(&self, storm: Millis) -> Millis {
        self.base + storm
    }

    fn decode(&mut self, frame: &Utf8Bytes) -> Arc<HubMessage> {
        let same = |(known, _): &&(Utf8Bytes, Arc<HubMessage>)| known.as_ptr() == frame.as_ptr();
        if let Some((_, message)) = self.decoded.iter().find(same) {
            return message.clone();
        }
        let message: HubMessage =
            serde_json::from_str(frame).expect("the hub's frames can be decoded");
        let message = Arc::new(message);
        self.decoded.push_back((frame.clone(), message.clone()));
        if self.decoded.len() > 12 {
            self.decoded.pop_front();
        }
        message
    }
}

impl Storm {
    /// Starts the hub from what the disk holds.
    pub(super) fn start_hub(&mut self) {
        self.life += 1;
        let mut journal: Journal = self.disk.load();
        if self.plant == Some(Plant::ForgetsCommands) {
            journal.commands.clear();
            for event in &mut journal.events {
                event.command = None;
            }
        }
        // As `keeper::Clock::start`: never before the latest event.
        let latest = journal.events.last().map_or(0, |event| event.at);
        let base = (WALL + self.laptop_off + self.now).max(latest) - self.now;
        let car = car::car();
        let sheet = car::sheet(self.plant != Some(Plant::NoGates));
        let sources = vec!["lines=storm".to_owned()];
        let core = Core::new(car.clone(), vec![sheet], sources, vec![], &journal);
        self.watch.hub_started(&self.disk, core.record());
        let log = EventLog::new(core.record().clone());
        self.hub = Some(Hub {
            clerk: Clerk::new(core),
            log,
            board: Board::default(),
            car,
            base,
            decoded: VecDeque::new(),
            trouble: false,
        });
        let (life, last) = (self.life, self.disk.last());
        self.say(|| format!("hub starts (life {life}) from a journal of {last} events"));
        self.decide(|clerk, now| clerk.start(now));
    }

    /// The hub goes, with everything that is not on the disk.
    pub(super) fn hub_goes(&mut self, word_gets_out: bool) {
        if self.hub.take().is_none() {
            return;
        }
        self.crashes += 1;
        let held = self.disk.crash(&mut self.chance);
        self.watch.on_disk(&self.disk, self.now);
        self.say(|| {
            let how = if word_gets_out {
                "is killed"
            } else {
                "loses power"
            };
            let held = if held {
                "; what it was writing had reached the disk"
            } else {
                ""
            };
            format!("hub {how}{held}")
        });
        self.watch.hub_gone(&self.disk, &self.phones, self.now);
        let conns: Vec<ConnId> = self.conns.keys().copied().collect();
        for id in conns {
            let Some(conn) = self.conns.get_mut(&id) else {
                continue;
            };
            conn.hub = None;
            conn.orphan = !word_gets_out;
            if word_gets_out {
                self.send_down(id, ToPhone::Closed);
            }
            self.forget_if_done(id);
        }
    }

    /// Has the clerk decide, and does what it says.
    fn decide(&mut self, decide: impl FnOnce(&mut Clerk, Millis) -> Vec<Order>) {
        let Some(hub) = &mut self.hub else { return };
        let now = hub.now(self.now);
        let mut orders = VecDeque::from(decide(&mut hub.clerk, now));
        while let Some(order) = orders.pop_front() {
            let Some(hub) = &mut self.hub else { return };
            match order {
                Order::Write(events) => {
                    self.watch.accepted(&events, self.now);
                    if self.disk.append(events) {
                        self.begin_writing();
                    }
                    if self.plant == Some(Plant::AnswersBeforeDisk)
                        && let Some(hub) = &mut self.hub
                    {
                        orders.extend(hub.clerk.written(now));
                    }
                }
                Order::Publish(events) => hub.log.add(&events),
                Order::Answer(conn, message) => {
                    if let Some(end) = self.conns.get_mut(&conn).and_then(|conn| conn.hub.as_mut())
                    {
                        if end.answers.len() < ANSWERS_WAITING {
                            end.answers.push_back(message);
                        } else {
                            end.given_up = true;
                            orders.extend(hub.clerk.left(now, conn));
                        }
                    }
                }
                Order::Show(Kind::StopNow, _) if self.plant == Some(Plant::StopWaits) => {}
                Order::Show(kind, message) => hub.board.put(kind, &message),
                Order::TakeDown(kind) => hub.board.take_down(kind),
                Order::Keep(..) | Order::Said(..) | Order::Control(..) => {}
                // There is one laptop in this pit.
                Order::Hubs(_)
                | Order::KeepHubs(..)
                | Order::HandOver(..)
                | Order::KeepCharge(_) => {}
            }
        }
        self.pump_all();
    }

    fn begin_writing(&mut self) {
        if let Some(takes) = self.disk.begin(&mut self.chance) {
            self.after(takes, Happening::Disk(self.life));
        }
    }

    /// An attempt to write is over.
    pub(super) fn disk_ends(&mut self) {
        if self.hub.is_none() {
            return;
        }
        match self.disk.end(&mut self.chance) {
            Attempt::Refused(wait) => {
                self.book_says(Some("the disk refuses"));
                self.after(wait, Happening::Disk(self.life));
            }
            Attempt::Never(why) => {
                self.watch
                    .breaks(self.now, Rule::Broken, format!("the hub ends: {why}"));
            }
            Attempt::Held(count) => {
                self.watch.on_disk(&self.disk, self.now);
                let last = self.disk.last();
                self.say(|| format!("disk has events up to {last}"));
                self.book_says(None);
                if self.plant != Some(Plant::AnswersBeforeDisk) {
                    for _ in 0..count {
                        self.decide(Clerk::written);
                    }
                }
                self.begin_writing();
            }
        }
    }

    fn book_says(&mut self, trouble: Option<&str>) {
        let Some(hub) = &mut self.hub else { return };
        if hub.trouble == trouble.is_some() {
            return;
        }
        hub.trouble = trouble.is_some();
        let trouble = trouble.map(str::to_owned);
        hub.clerk.book_trouble(trouble.clone());
        let message = HubMessage::Book {
            writing: trouble.is_none(),
            trouble,
            late_ms: None,
        };
        hub.board.put(Kind::Book, &message);
        self.say(|| format!("book says {message:?}"));
        self.pump_all();
    }

    /// The hub looks at the time, and at who has been silent or deaf for too long.
    pub(super) fn hub_ticks(&mut self) {
        self.after(self.plan.tick_ms, Happening::Tick);
        if self.hub.is_none() {
            return;
        }
        self.decide(Clerk::tick);
        let gone = |end: &HubEnd| {
            let blocked = end
                .blocked_since
                .is_some_and(|at| self.now - at > PHONE_GONE_MS);
            blocked || self.now - end.heard_at > PHONE_GONE_MS
        };
        let gone: Vec<ConnId> = self
            .conns
            .values()
            .filter(|conn| conn.hub.as_ref().is_some_and(gone))
            .map(|conn| conn.id)
            .collect();
        for id in gone {
            self.say(|| {
                format!("hub gives connection {id} up: heard nothing, or it takes nothing")
            });
            self.hub_closes(id);
        }
        let record = self.hub.as_ref().map(|hub| hub.clerk.core().record());
        self.watch
            .stops(record, &self.phones, &self.conns, self.now);
    }

    /// The car says what its gauges read.
    pub(super) fn car_speaks(&mut self) {
        self.after(self.plan.reading_ms, Happening::Reading);
        // Once the weather has cleared the engine runs on evenly, so that the pit can come to rest.
        if !self.healed && self.chance.percent(4) {
            self.gauges[OIL] = self.chance.one(&[0.0, 70.0, 70.0, 70.0, 85.0, 30.0]);
            self.gauges[FUEL] = self.chance.one(&[0.0, 70.0, 70.0, 70.0, 120.0, 250.0]);
        }
        if self.hub.is_none() || self.now < self.car_silent_until {
            return;
        }
        let values = vec![
            (OIL, self.gauges[OIL]),
            (FUEL, self.gauges[FUEL]),
            (CLOCK, self.now as f64),
        ];
        self.watch.read(self.now, &values);
        let report = Report::Batch(source_batch(values));
        self.decide(|clerk, now| clerk.reported(now, 0, report));
        self.decide(|clerk, now| clerk.readings(now).into_iter().collect());
    }

    /// Something has come in from a phone.
    pub(super) fn hears(&mut self, id: ConnId, what: ToHub) {
        let now = self.now;
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        let Some(end) = &mut conn.hub else {
            // A laptop that was started again knows nothing of this connection, and says so.
            if conn.orphan && self.hub.is_some() {
                conn.orphan = false;
                self.send_down(id, ToPhone::Closed);
            }
            return;
        };
        end.heard_at = now;
        match what {
            ToHub::Closed => self.hub_closes(id),
            ToHub::Frame(message) if end.blocked_since.is_some() => end.inbox.push_back(*message),
            ToHub::Frame(message) => self.hears_message(id, *message),
        }
    }

    fn hears_message(&mut self, id: ConnId, message: ClientMessage) {
        let Some((conn, hub)) = self.conns.get_mut(&id).zip(self.hub.as_mut()) else {
            return;
        };
        let phone = conn.phone;
        let joined = conn.hub.as_ref().is_some_and(|end| end.session.is_some());
        if let (
            false,
            ClientMessage::Hello {
                code,
                name,
                role,
                device,
                resume,
                ..
            },
        ) = (joined, &message)
        {
            let right = match *code == CODES.1 {
                true => Right::Chief,
                false => Right::Crew,
            };
            let who = Who {
                id: device.clone(),
                name: name.clone(),
                role: role.clone(),
            };
            let mut resume = resume.clone();
            if let (Some(resume), Some(Plant::ResumesOneLate)) = (&mut resume, self.plant) {
                resume.seq += 1;
            }
            let welcome = welcome(&hub.car, hub.now(self.now), who.clone(), right);
            let from = resume.as_ref().map_or(0, |resume| resume.seq);
            self.say(|| {
                format!("hub lets phone {phone} in on connection {id}, resuming after {from}")
            });
            self.decide(|clerk, now| clerk.joined(now, id, who, right));
            let Some(hub) = &mut self.hub else { return };
            let (session, snapshot) = Session::begin(&hub.log, JOURNAL, resume.as_ref());
            let mut frames = vec![encode(&HubMessage::Welcome(Box::new(welcome)))];
            frames.extend(snapshot);
            if let Some(end) = self.conns.get_mut(&id).and_then(|conn| conn.hub.as_mut()) {
                end.session = Some(session);
            }
            self.send_frames(id, frames);
            self.pump(id);
            return;
        }
        match session::heard(message, hub.now(self.now)) {
            Err(why) => {
                let words = format!("the hub refuses a frame of a phone: {why}");
                self.watch.breaks(self.now, Rule::Broken, words);
            }
            Ok(Heard::Ping(lag, pong)) => {
                if let Some(lag) = lag {
                    self.decide(|clerk, now| clerk.lag(now, id, lag));
                }
                self.send_frames(id, vec![encode(&pong)]);
            }
            Ok(Heard::Command(command_id, command)) => {
                self.say(|| format!("hub takes {command_id} on connection {id}: {command:?}"));
                self.decide(|clerk, now| clerk.command(now, id, command_id, *command));
            }
        }
    }

    fn pump_all(&mut self) {
        self.to_pump.extend(self.conns.keys());
        self.pump_those();
    }

    pub(super) fn pump(&mut self, id: ConnId) {
        self.to_pump.insert(id);
        self.pump_those();
    }

    /// What one connection says concerns the others, and they may have said something meanwhile: one after the other, not one
    /// within the other.
    fn pump_those(&mut self) {
        if std::mem::replace(&mut self.pumping, true) {
            return;
        }
        while let Some(id) = self.to_pump.pop_first() {
            self.pump_one(id);
        }
        self.pumping = false;
    }

    /// Sends a connection what is new, as far as it takes it: answers behind their events, then all else.
    fn pump_one(&mut self, id: ConnId) {
        loop {
            let (window, now) = (self.plan.window, self.now);
            let Some((conn, hub)) = self.conns.get_mut(&id).zip(self.hub.as_mut()) else {
                return;
            };
            let Some(end) = &mut conn.hub else { return };
            if conn.down.flying.len() >= window {
                end.blocked_since.get_or_insert(now);
                return;
            }
            end.blocked_since = None;
            if let Some(message) = end.inbox.pop_front() {
                self.hears_message(id, message);
                continue;
            }
            let Some(session) = &mut end.session else {
                return;
            };
            let frames = match end.answers.pop_front() {
                Some(answer) => session.answer(&hub.log, &answer),
                None if end.given_up => {
                    self.hub_closes(id);
                    return;
                }
                None => session.told(&hub.log, &hub.board),
            };
            if frames.is_empty() {
                return;
            }
            self.send_frames(id, frames);
        }
    }

    fn send_frames(&mut self, id: ConnId, frames: Vec<Utf8Bytes>) {
        for frame in frames {
            let Some(hub) = &mut self.hub else { return };
            let message = hub.decode(&frame);
            self.send_down(id, ToPhone::Frame(message));
        }
    }

    /// The hub closes its end.
    pub(super) fn hub_closes(&mut self, id: ConnId) {
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        if conn.hub.take().is_some() {
            self.decide(|clerk, now| clerk.left(now, id));
            self.send_down(id, ToPhone::Closed);
        }
        self.forget_if_done(id);
    }
}

fn welcome(car: &Car, now: Millis, you: Who, right: Right) -> Welcome {
    let sheet = car::sheet(true);
    Welcome {
        protocol: PROTOCOL_VERSION,
        hub_version: env!("CARGO_PKG_VERSION").to_owned(),
        journal: JOURNAL.to_owned(),
        now,
        you,
        right,
        car: car.clone(),
        sheets: vec![SheetTitle {
            key: sheet.key,
            name: sheet.name,
        }],
        join: Join {
            urls: Vec::new(),
            qr_svg: String::new(),
            trust: None,
        },
        not_live: None,
        token: None,
        controls: Vec::new(),
        hubs: spinover_protocol::hubs::Hubs::default(),
    }
}
