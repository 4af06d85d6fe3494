//! The one task that owns the core. Everything goes through its inbox, so the order in which it takes things is the order in
//! which everyone sees them. What is accepted goes to the book first; it is shown, and answered, when it is on the disk.
//! What is to be done is decided in `clerk`; here it is done.

pub use super::clerk::ConnId;
use super::clerk::{Clerk, Order, Wish, Wisher};
use super::helm::{Following, Helm, Over};
use super::history;
use super::reckoning::Reckoner;
use super::season::Counting;
use super::shared::{Board, EventLog, Kind, encode};
use crate::{
    book::{Book, BookError, BookHealth, Reading},
    core::{Core, TakeOver, feed::Report, lessons::Lessons},
    sources::sim::SimControls,
};
use axum::extract::ws::Utf8Bytes;
use spinover_protocol::{
    CommandId, Millis,
    event::{Event, EventBody, Right, Who},
    hubs::{Charge, Hubs},
    message::{Command, FigureNow, HubMessage},
    season, turnaround,
};
use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, atomic},
    time::Duration,
};
use tokio::sync::{mpsc, oneshot, watch};

/// Time is looked at this often.
const TICK_EVERY: Duration = Duration::from_millis(50);
/// Reports taken at once before the clock and the commands get a look in.
const REPORTS_AT_ONCE: usize = 256;

/// What a connection asks of the keeper.
#[derive(Debug)]
pub enum Ask {
    /// A socket that gave the right code.
    Join {
        /// The socket.
        conn: ConnId,
        /// The person.
        who: Who,
        /// What they may do.
        right: Right,
        /// Where answers to its commands go.
        answers: mpsc::Sender<HubMessage>,
        /// Tells the socket that it may go on.
        joined: oneshot::Sender<()>,
    },
    /// The socket is gone.
    Leave(ConnId),
    /// A command.
    Command(ConnId, CommandId, Box<Command>),
    /// The phone's lag.
    Lag(ConnId, u32),
    /// Other files are about to be taken up: from now on nothing but a stop is accepted. Answered with why not, where it must
    /// not be now.
    Rest(oneshot::Sender<Result<(), String>>),
    /// Nothing came of it.
    GoOn,
    /// Why the files must not be changed now, if so.
    Busy(oneshot::Sender<Option<String>>),
    /// Somebody has seen a higher charge: the charge, and where the hub that has it can be reached, where they know.
    Hear(Charge, Vec<String>),
    /// The standby asks for the charge: who wants it, and with which command. Answered only with why not.
    WantsOver(Option<Who>, Option<CommandId>, oneshot::Sender<String>),
}

/// Numbers for the metrics page.
#[derive(Debug, Default)]
pub struct Counts {
    /// Readings taken.
    pub readings: atomic::AtomicU64,
    /// Input not taken.
    pub faults: atomic::AtomicU64,
    /// Readings frames shown.
    pub frames: atomic::AtomicU64,
    /// Sockets joined now.
    pub sockets: atomic::AtomicU64,
    /// Commands accepted.
    pub accepted: atomic::AtomicU64,
    /// Commands refused.
    pub refused: atomic::AtomicU64,
}

/// The hub's clock: the wall clock when the process began, moved on by the steady clock, so that it never goes back.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    wall: Millis,
    steady: std::time::Instant,
}

impl Clock {
    /// A clock that starts now, or at the time of the latest event if the laptop's clock has gone back behind it.
    pub fn start(latest: Millis) -> Self {
        Self {
            wall: jiff::Timestamp::now().as_millisecond().max(latest),
            steady: std::time::Instant::now(),
        }
    }

    /// Now.
    pub fn now(&self) -> Millis {
        self.wall + self.steady.elapsed().as_millis() as Millis
    }
}

/// What the keeper works with.
pub struct Keeper {
    /// The state machine.
    pub core: Core,
    /// The clock.
    pub clock: Clock,
    /// The book.
    pub book: Book,
    /// Events for everyone.
    pub log: Arc<EventLog>,
    /// Latest things for everyone.
    pub board: watch::Sender<Board>,
    /// From the connections.
    pub asks: mpsc::Receiver<Ask>,
    /// From the sources.
    pub reports: mpsc::Receiver<(usize, Report)>,
    /// The simulated car's controls, where there is one.
    pub controls: Option<SimControls>,
    /// The season's counters.
    pub counting: Counting,
    /// Why the readings are not live, kept with each warm-up.
    pub not_live: Option<String>,
    /// Numbers.
    pub counts: Arc<Counts>,
    /// Whether this hub is the one that takes commands.
    pub helm: Helm,
    /// This hub was a standby, and takes over.
    pub take_over: Option<TakeOver>,
    /// The standby.
    pub following: watch::Receiver<Following>,
    /// Where it is said how the two laptops are.
    pub hubs: watch::Sender<Hubs>,
    /// Where the standby is told to take over, once what this hub has given up is on the disk.
    pub over: watch::Sender<Option<Over>>,
    /// Readings are shown this often at most.
    pub frame_every: Duration,
}

/// What the book answers once something is on the disk, or never can be.
type Written = Result<Result<(), BookError>, oneshot::error::RecvError>;

struct Running {
    clerk: Clerk,
    clock: Clock,
    book: Book,
    log: Arc<EventLog>,
    board: watch::Sender<Board>,
    controls: Option<SimControls>,
    not_live: Option<String>,
    counts: Arc<Counts>,
    following: watch::Receiver<Following>,
    hubs: watch::Sender<Hubs>,
    over: watch::Sender<Option<Over>>,
    health: watch::Receiver<BookHealth>,
    /// Where the standby that wants to take over hears that it cannot.
    over_refused: Option<oneshot::Sender<String>>,
    /// Where answers go.
    answers: BTreeMap<ConnId, mpsc::Sender<HubMessage>>,
    /// What the book was handed, oldest first.
    writing: VecDeque<oneshot::Receiver<Result<(), BookError>>>,
    sources_gone: bool,
    broken: Option<String>,
    /// Lessons out of the book, read beside the work.
    lessons: (mpsc::Sender<Lessons>, mpsc::Receiver<Lessons>),
    /// How the turnaround stands, reckoned beside the work.
    reckoner: Reckoner,
    /// The season's counters, counted beside the work.
    counting: Counting,
}

impl Keeper {
    /// Runs until `stop` is dropped or set, then writes out what waits.
    ///
    /// # Errors
    /// When the book can write nothing down any more.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), String> {
        let (mut asks, mut incoming) = (self.asks, self.reports);
        let mut running = Running {
            clerk: Clerk::new(self.core).at(self.helm),
            clock: self.clock,
            health: self.book.health(),
            book: self.book,
            log: self.log,
            board: self.board,
            controls: self.controls,
            not_live: self.not_live,
            counts: self.counts,
            following: self.following,
            hubs: self.hubs,
            over: self.over,
            over_refused: None,
            answers: BTreeMap::new(),
            writing: VecDeque::new(),
            sources_gone: false,
            broken: None,
            lessons: mpsc::channel(1),
            reckoner: Reckoner::new(),
            counting: self.counting,
        };
        running
            .clerk
            .frame_every(self.frame_every.as_millis() as i64);
        if let Some(over) = self.take_over {
            running.decide(|clerk, now| clerk.take_over(now, over));
        }
        running.decide(Clerk::start);
        let mut ticks = tokio::time::interval(TICK_EVERY);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut reports = Vec::with_capacity(REPORTS_AT_ONCE);
        while running.broken.is_none() {
            let due = running.readings_due();
            tokio::select! {
                biased;
                () = super::stopped(&mut stop) => break,
                written = async { (&mut running.writing[0]).await }, if !running.writing.is_empty() => running.written(written),
                Some(ask) = asks.recv() => running.asked(ask),
                Ok(()) = running.following.changed() => running.followed(),
                _ = ticks.tick() => running.tick(),
                () = tokio::time::sleep(due.unwrap_or_default()), if due.is_some() => running.show_readings(),
                Ok(()) = running.health.changed() => running.show_book(),
                Some(lessons) = running.lessons.1.recv() => running.learned(lessons),
                now = running.reckoner.reckoned() => running.show_turnaround(now),
                now = running.counting.counted() => running.show_season(now),
                count = incoming.recv_many(&mut reports, REPORTS_AT_ONCE), if !running.sources_gone => {
                    running.sources_gone = count == 0;
                    for (source, report) in reports.drain(..) {
                        running.reported(source, report);
                    }
                    running.show_readings();
                }
            }
        }
        if let Err(error) = running.book.close().await {
            tracing::error!("the book could not be closed: {error}");
        }
        while let Some(writing) = running.writing.front_mut() {
            match writing.await {
                Ok(Ok(())) => running.written(Ok(Ok(()))),
                _ => break,
            }
        }
        running.broken.map_or(Ok(()), Err)
    }
}

impl Running {
    /// Has the clerk decide, and does what it says. What changes on the board changes together, so that phones get it in one go.
    fn decide(&mut self, decide: impl FnOnce(&mut Clerk, Millis) -> Vec<Order>) {
        let mut orders = VecDeque::from(decide(&mut self.clerk, self.clock.now()));
        let mut changes = Vec::new();
        while let Some(order) = orders.pop_front() {
            // Who sees the events must see a board that is as new.
            if let Order::Publish(_) = &order {
                self.post(&mut changes);
            }
            match order {
                Order::Write(events) => self.write(events),
                Order::Publish(events) => self.publish(&events),
                Order::Answer(conn, message) => orders.extend(self.answer(conn, message)),
                Order::Show(kind, message) => {
                    changes.push((kind, Some(self.shown(kind, &message))))
                }
                Order::TakeDown(kind) => changes.push((kind, None)),
                Order::Keep(t_us, values) => self.keep(t_us, &values),
                Order::Said(at, figures) => self.said(at, figures),
                Order::Control(key, value) => {
                    if let Some(controls) = &self.controls {
                        // The core has looked the control up; the handle only limits its range.
                        let _ = controls.set(&key, value);
                    }
                }
                Order::Hubs(hubs) => {
                    self.hubs.send_replace(hubs.clone());
                    self.show(Kind::Hubs, &HubMessage::Hubs(hubs));
                }
                Order::KeepHubs(charge, peers) => drop(self.book.keep_hubs(charge, peers)),
                Order::HandOver(over, peers) => self.hand_over(over, peers),
                Order::KeepCharge(reason) => {
                    if let Some(refused) = self.over_refused.take() {
                        let _ = refused.send(reason);
                    }
                }
            }
        }
        self.post(&mut changes);
    }

    /// Puts up, or takes down, what has changed on the board.
    fn post(&self, changes: &mut Vec<(Kind, Option<Utf8Bytes>)>) {
        if changes.is_empty() {
            return;
        }
        self.board.send_modify(|board| {
            for (kind, frame) in changes.drain(..) {
                match frame {
                    Some(frame) => board.put_encoded(kind, frame),
                    None => board.take_down(kind),
                }
            }
        });
    }

    /// A message of the board's, encoded and counted.
    fn shown(&self, kind: Kind, message: &HubMessage) -> Utf8Bytes {
        if kind == Kind::Readings {
            count(&self.counts.frames, 1);
        }
        encode(message)
    }

    /// How long until readings that wait are to be shown.
    fn readings_due(&self) -> Option<Duration> {
        let wait = (self.clerk.readings_due()? - self.clock.now()).max(0);
        Some(Duration::from_millis(wait as u64))
    }

    /// Readings that came are shown at once where that is not too often.
    fn show_readings(&mut self) {
        self.decide(|clerk, now| clerk.readings(now).into_iter().collect());
    }

    fn asked(&mut self, ask: Ask) {
        match ask {
            Ask::Join {
                conn,
                who,
                right,
                answers,
                joined,
            } => {
                self.answers.insert(conn, answers);
                self.decide(|clerk, now| clerk.joined(now, conn, who, right));
                self.count_sockets();
                let _ = joined.send(());
            }
            Ask::Leave(conn) => {
                self.answers.remove(&conn);
                self.decide(|clerk, now| clerk.left(now, conn));
                self.count_sockets();
            }
            Ask::Lag(conn, lag) => self.decide(|clerk, now| clerk.lag(now, conn, lag)),
            Ask::Command(conn, id, command) => {
                // The book's word is looked at here as well: it may not have come round yet.
                self.clerk
                    .book_trouble(self.health.borrow().trouble.clone());
                self.decide(|clerk, now| clerk.command(now, conn, id, *command));
            }
            Ask::Rest(answer) => {
                let busy = self.busy();
                let rest = busy.is_none();
                // Whoever asked may have hung up meanwhile.
                let resting = answer.send(busy.map_or(Ok(()), Err)).is_ok() && rest;
                self.clerk.rest(resting);
            }
            Ask::GoOn => self.clerk.rest(false),
            Ask::Busy(answer) => drop(answer.send(self.busy())),
            Ask::Hear(charge, urls) => self.decide(|clerk, _| clerk.hear(&charge, &urls)),
            Ask::WantsOver(by, command, refused) => {
                self.over_refused = Some(refused);
                let from = Wisher::Standby;
                self.decide(|clerk, now| clerk.hand_over(now, Wish { by, command, from }));
            }
        }
    }

    fn followed(&mut self) {
        let following = self.following.borrow_and_update().clone();
        self.decide(|clerk, now| clerk.followed(now, following));
    }

    /// First it is on the disk that this hub has no charge any more, then the standby is told.
    fn hand_over(&self, over: Over, peers: Vec<String>) {
        let kept = self.book.keep_hubs(over.charge.clone(), peers);
        let to = self.over.clone();
        tokio::spawn(async move {
            // If it cannot be kept, a takeover that the chief wants must not fail over it: the other one tells this one again.
            if !matches!(kept.await, Ok(Ok(()))) {
                tracing::error!("that this hub was replaced could not be written down");
            }
            to.send_replace(Some(over));
        });
    }

    fn busy(&self) -> Option<String> {
        if self.clerk.leaving() {
            return Some("this laptop is handing over".to_owned());
        }
        let played = self.not_live.is_some();
        self.clerk.core().busy(self.clock.now(), played)
    }

    /// Time has passed.
    fn tick(&mut self) {
        self.decide(Clerk::tick);
        self.reckoner.tick(self.clerk.core(), self.clock.now());
        let core = self.clerk.core();
        self.counting.tick(core, self.clock.now(), &self.book);
    }

    fn write(&mut self, events: Vec<Event>) {
        self.reckoner.heard(&events);
        let begun = |event: &Event| match &event.body {
            EventBody::WarmupBegun { id, .. } => Some(id.clone()),
            _ => None,
        };
        let begun: Vec<String> = events.iter().filter_map(begun).collect();
        self.writing.push_back(self.book.append(events));
        if let Some(why) = &self.not_live {
            for id in begun {
                let edit = crate::book::Edit {
                    source: Some(why.clone()),
                    ..Default::default()
                };
                drop(self.book.edit(&id, edit));
            }
        }
    }

    /// The book has answered about the oldest of what it was handed.
    fn written(&mut self, written: Written) {
        self.writing.pop_front();
        match written {
            Ok(Ok(())) => self.decide(Clerk::written),
            // The book tries a failing disk again by itself; this is an end that it cannot mend. A hub that can write nothing
            // down any more, and would show what it could not, is worse than none: it ends, and whoever watches it restarts it.
            Ok(Err(error)) => self.broken = Some(error.to_string()),
            Err(_) => self.broken = Some("the book's writer has gone".to_owned()),
        }
    }

    /// These are on the disk.
    fn publish(&mut self, events: &[Event]) {
        self.log.add(events);
        self.counting.heard(events);
        let closed = |event: &Event| {
            matches!(
                event.body,
                EventBody::WarmupClosed {} | EventBody::TurnaroundClosed {}
            )
        };
        if events.iter().any(closed) {
            self.learn();
        }
        if let Some(controls) = &self.controls {
            for event in events {
                match &event.body {
                    EventBody::StepMarked { step, .. } => controls.step_marked(step.as_str()),
                    EventBody::Aborted { .. } => controls.shut_down(),
                    _ => {}
                }
            }
        }
    }

    /// Has the book read for what the warm-up or turnaround that was just closed teaches. Phones do not wait for it.
    fn learn(&self) {
        let (book, car) = (self.book.clone(), self.clerk.core().car().clone());
        let source = self.not_live.clone().unwrap_or_default();
        let to = self.lessons.0.clone();
        tokio::spawn(async move {
            // Its last readings may still be on their way to the disk.
            if !matches!(book.flush().await, Ok(Ok(()))) {
                return;
            }
            let read = move || history::lessons(&book.reader()?, &car, &source);
            match tokio::task::spawn_blocking(read).await {
                Ok(Ok(lessons)) => drop(to.send(lessons).await),
                Ok(Err(error)) => tracing::warn!("the figures know less than the book: {error}"),
                Err(_) => {}
            }
        });
    }

    fn learned(&mut self, lessons: Lessons) {
        self.clerk.learn(lessons);
        self.reckoner.learned();
    }

    /// Gives an answer to its connection; what is to be done where that takes none.
    fn answer(&mut self, conn: ConnId, message: HubMessage) -> Vec<Order> {
        match &message {
            HubMessage::Ack { .. } => count(&self.counts.accepted, 1),
            HubMessage::Refused { .. } => count(&self.counts.refused, 1),
            _ => {}
        }
        match self.answers.get(&conn) {
            // A phone with that many unread answers reads nothing. Dropping its end closes its socket; it will join again and resume.
            Some(answers) if answers.try_send(message).is_err() => {
                self.answers.remove(&conn);
                self.clerk.left(self.clock.now(), conn)
            }
            _ => Vec::new(),
        }
    }

    /// Gives readings to the book, while a warm-up is under way.
    fn keep(&self, t_us: i64, values: &[(usize, f64)]) {
        let warmup = self.clerk.core().record().warmup.as_ref();
        if let Some(warmup) = warmup.filter(|warmup| warmup.closed_at.is_none())
            && !values.is_empty()
        {
            let reading = |&(channel, value): &(usize, f64)| -> Reading { (channel, t_us, value) };
            let readings = values.iter().map(reading).collect();
            self.book.readings(&warmup.id, readings);
        }
    }

    /// Gives what the figures say to the book, while a warm-up is under way.
    fn said(&self, at: Millis, figures: Vec<FigureNow>) {
        let warmup = self.clerk.core().record().warmup.as_ref();
        if let Some(warmup) = warmup.filter(|warmup| warmup.closed_at.is_none()) {
            self.book.said(&warmup.id, at, figures);
        }
    }

    fn reported(&mut self, source: usize, report: Report) {
        match &report {
            Report::Batch(batch) => count(&self.counts.readings, batch.values.len() as u64),
            Report::Fault(fault) => {
                count(&self.counts.faults, fault.count);
                tracing::warn!(
                    source,
                    kind = fault.kind.name(),
                    count = fault.count,
                    "{}",
                    fault.text
                );
            }
            Report::State(_) => {}
        }
        self.decide(|clerk, now| clerk.reported(now, source, report));
    }

    fn show(&self, kind: Kind, message: &HubMessage) {
        self.post(&mut vec![(kind, Some(self.shown(kind, message)))]);
    }

    fn show_turnaround(&mut self, now: Option<turnaround::Now>) {
        if let Some(stands) = now {
            let message = HubMessage::Turnaround(stands.clone());
            self.show(Kind::Turnaround, &message);
            self.decide(|clerk, now| clerk.stands(now, stands));
        }
    }

    fn show_season(&self, now: Option<season::Now>) {
        if let Some(now) = now {
            self.show(Kind::Season, &HubMessage::Season(now));
        }
    }

    fn show_book(&mut self) {
        let health = self.health.borrow_and_update().clone();
        self.clerk.book_trouble(health.trouble.clone());
        let message = HubMessage::Book {
            writing: health.writing,
            trouble: health.trouble,
            late_ms: Some(health.late_ms).filter(|late| *late > 0),
        };
        self.show(Kind::Book, &message);
    }

    fn count_sockets(&self) {
        let sockets = self.clerk.sockets() as u64;
        self.counts
            .sockets
            .store(sockets, atomic::Ordering::Relaxed);
    }
}

fn count(counter: &atomic::AtomicU64, by: u64) {
    counter.fetch_add(by, atomic::Ordering::Relaxed);
}
