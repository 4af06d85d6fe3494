//! The one task that owns the core. Everything goes through its inbox, so the order in which it takes things is the order in
//! which everyone sees them. What is accepted goes to the book first; it is shown, and answered, when it is on the disk.

mod two_hubs;

use super::helm::{Helm, Over};
use super::history;
use super::shared::{Board, EventLog, Kind};
use crate::{
    book::{Book, BookHealth, Reading},
    core::{Core, Input, Output, TakeOver, feed::Report, lessons::Lessons},
    sources::sim::SimControls,
};
use spinover_protocol::{
    CommandId, HEARTBEAT_MS, Millis, Seq,
    event::{Event, EventBody, Right, Who},
    hubs::Charge,
    message::{Command, HubMessage},
};
use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, atomic},
    time::Duration,
};
use tokio::sync::{mpsc, oneshot, watch};

/// The fastest that readings are shown: twenty frames a second, faster than an eye follows a number.
const FRAME_EVERY: Duration = Duration::from_millis(50);
/// Slow things (figures, sources, people's lag) are shown this often.
const SLOW_EVERY_MS: i64 = 1_000;
/// What steps wait for is shown this often while a gate or a dwell is counting; pages count on between.
const PROGRESS_EVERY_MS: i64 = 200;
/// Reports taken at once before the clock and the commands get a look in.
const REPORTS_AT_ONCE: usize = 256;

/// One socket.
pub type ConnId = u64;

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
    /// Somebody has seen a higher charge: the charge, and where the hub that has it can be reached, where they know.
    Hear(Charge, Vec<String>),
    /// The standby asks for the charge: who wants it, and with which command.
    WantsOver(Option<Who>, Option<CommandId>, oneshot::Sender<String>),
}

struct Conn {
    who: Who,
    right: Right,
    answers: mpsc::Sender<HubMessage>,
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
    /// Why the readings are not live, kept with each warm-up.
    pub not_live: Option<String>,
    /// Numbers.
    pub counts: Arc<Counts>,
    /// Whether this hub is the one that takes commands.
    pub helm: Helm,
    /// This hub was a standby, and takes over.
    pub take_over: Option<TakeOver>,
}

/// Written down once the disk says so.
struct Writing {
    events: Vec<Event>,
    done: oneshot::Receiver<Result<(), crate::book::BookError>>,
}

struct Running {
    keeper: Keeper,
    health: watch::Receiver<BookHealth>,
    conns: BTreeMap<ConnId, Conn>,
    writing: VecDeque<Writing>,
    /// Answers that wait for the disk, and for the standby's: up to which event, to whom, since when.
    owed: VecDeque<(Seq, ConnId, HubMessage, Millis)>,
    sources_gone: bool,
    broken: Option<String>,
    /// Lessons out of the book, read beside the work.
    lessons: (mpsc::Sender<Lessons>, mpsc::Receiver<Lessons>),
    fresh: bool,
    stirred: bool,
    presence_changed: bool,
    shown_frame_at: Millis,
    shown_progress_at: Millis,
    shown_slow_at: Millis,
}

impl Keeper {
    /// Runs until `stop` is dropped or set, then writes out what waits.
    ///
    /// # Errors
    /// When the book can write nothing down any more.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), String> {
        let health = self.book.health();
        let mut running = Running {
            health,
            conns: BTreeMap::new(),
            writing: VecDeque::new(),
            owed: VecDeque::new(),
            sources_gone: false,
            broken: None,
            lessons: mpsc::channel(1),
            fresh: true,
            stirred: true,
            presence_changed: true,
            shown_frame_at: 0,
            shown_progress_at: 0,
            shown_slow_at: 0,
            keeper: self,
        };
        if let Some(over) = running.keeper.take_over.take() {
            running.take(Input::TakeOver(over), None);
        }
        // A hub that was replaced begins nothing.
        if running.keeper.helm.in_charge() {
            running.take(Input::Start, None);
        }
        let mut frames = tokio::time::interval(FRAME_EVERY);
        frames.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut reports = Vec::with_capacity(REPORTS_AT_ONCE);
        while running.broken.is_none() {
            tokio::select! {
                biased;
                () = super::stopped(&mut stop) => break,
                written = async { (&mut running.writing[0].done).await }, if !running.writing.is_empty() => running.written(written),
                Some(ask) = running.keeper.asks.recv() => running.asked(ask),
                () = running.keeper.helm.follower_changed() => running.followed(),
                _ = frames.tick() => running.tick(),
                Ok(()) = running.health.changed() => running.show_book(),
                Some(lessons) = running.lessons.1.recv() => running.keeper.core.learn(lessons),
                count = running.keeper.reports.recv_many(&mut reports, REPORTS_AT_ONCE), if !running.sources_gone => {
                    running.sources_gone = count == 0;
                    for (source, report) in reports.drain(..) {
                        running.reported(source, report);
                    }
                }
            }
        }
        if let Err(error) = running.keeper.book.close().await {
            tracing::error!("the book could not be closed: {error}");
        }
        while let Some(writing) = running.writing.front_mut() {
            match (&mut writing.done).await {
                Ok(Ok(())) => running.written(Ok(Ok(()))),
                _ => break,
            }
        }
        running.broken.map_or(Ok(()), Err)
    }
}

impl Running {
    fn now(&self) -> Millis {
        self.keeper.clock.now()
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
                self.conns.insert(
                    conn,
                    Conn {
                        who: who.clone(),
                        right,
                        answers,
                    },
                );
                self.count_sockets();
                self.take(Input::Joined(who, right), None);
                let _ = joined.send(());
            }
            Ask::Leave(conn) => {
                if let Some(gone) = self.conns.remove(&conn) {
                    self.take(Input::Left(gone.who.id), None);
                }
                self.count_sockets();
            }
            Ask::Lag(conn, lag) => {
                if let Some(known) = self.conns.get(&conn) {
                    self.take(Input::Lag(known.who.id.clone(), lag), None);
                }
            }
            Ask::Hear(charge, urls) => {
                if self.keeper.helm.hear(&charge, &urls) {
                    tracing::warn!(epoch = charge.epoch, "another hub has taken over");
                    self.keep_hubs();
                }
            }
            Ask::WantsOver(by, command, refused) => {
                if let Err(reason) = self.hand_over(by, command) {
                    let _ = refused.send(reason);
                }
            }
            Ask::Command(conn, id, command) => {
                let Some(known) = self.conns.get(&conn) else {
                    return;
                };
                if matches!(*command, Command::TakeOver {}) || !self.keeper.helm.in_charge() {
                    let (who, right) = (known.who.clone(), known.right);
                    return self.two_hubs(conn, who, right, id, *command);
                }
                let trouble = self.health.borrow().trouble.clone();
                if let Some(trouble) = trouble.filter(|_| !matches!(*command, Command::Stop { .. }))
                {
                    // What cannot be written down is not accepted. A stop goes out all the same.
                    let reason = format!("it cannot be written down now: {trouble}");
                    self.answer(conn, HubMessage::Refused { id, reason });
                    return;
                }
                let input = Input::Command(known.who.clone(), known.right, id, *command);
                self.take(input, Some(conn));
            }
        }
    }

    /// Runs one input through the core and does what comes out.
    fn take(&mut self, input: Input, conn: Option<ConnId>) {
        let now = self.now();
        let mut events = Vec::new();
        for output in self.keeper.core.take(now, input) {
            match output {
                Output::Event(event) => events.push(event),
                Output::Accepted(id, seq) => {
                    self.keeper
                        .counts
                        .accepted
                        .fetch_add(1, atomic::Ordering::Relaxed);
                    if let Some(conn) = conn {
                        self.owed
                            .push_back((seq, conn, HubMessage::Ack { id, seq }, now));
                    }
                }
                Output::Refused(id, reason) => {
                    self.keeper
                        .counts
                        .refused
                        .fetch_add(1, atomic::Ordering::Relaxed);
                    if let Some(conn) = conn {
                        self.answer(conn, HubMessage::Refused { id, reason });
                    }
                }
                Output::StopNow { text, by, command } => {
                    let message = HubMessage::StopNow { text, by, command };
                    self.keeper
                        .board
                        .send_modify(|board| board.put(Kind::StopNow, &message));
                }
                Output::Keep(t_us, values) => self.keep(t_us, &values),
                Output::Control(key, value) => {
                    if let Some(controls) = &self.keeper.controls {
                        // The core has looked the control up; the handle only limits its range.
                        let _ = controls.set(&key, value);
                    }
                }
                Output::PresenceChanged => self.presence_changed = true,
            }
        }
        // A hub that was replaced writes no more events: its journal ends where the other one's goes on.
        if !events.is_empty() && self.keeper.helm.in_charge() {
            self.stirred = true;
            self.write(events);
        }
        self.pay();
    }

    fn write(&mut self, events: Vec<Event>) {
        let done = self.keeper.book.append(events.clone());
        for event in &events {
            if let (EventBody::WarmupBegun { id, .. }, Some(why)) =
                (&event.body, &self.keeper.not_live)
            {
                let edit = crate::book::Edit {
                    source: Some(why.clone()),
                    ..Default::default()
                };
                drop(self.keeper.book.edit(id, edit));
            }
        }
        self.writing.push_back(Writing { events, done });
    }

    /// The disk has the oldest of what was being written.
    fn written(
        &mut self,
        written: Result<Result<(), crate::book::BookError>, oneshot::error::RecvError>,
    ) {
        let Some(writing) = self.writing.pop_front() else {
            return;
        };
        match written {
            Ok(Ok(())) => {
                self.keeper.log.add(&writing.events);
                let closed = |event: &Event| matches!(event.body, EventBody::WarmupClosed {});
                if writing.events.iter().any(closed) {
                    self.learn();
                }
                if let Some(controls) = &self.keeper.controls {
                    for event in &writing.events {
                        match &event.body {
                            EventBody::StepMarked { step, .. } => {
                                controls.step_marked(step.as_str())
                            }
                            EventBody::Aborted { .. } => controls.shut_down(),
                            _ => {}
                        }
                    }
                }
                self.pay();
            }
            // The book tries a failing disk again by itself; this is an end that it cannot mend. A hub that can write nothing
            // down any more, and would show what it could not, is worse than none: it ends, and whoever watches it restarts it.
            Ok(Err(error)) => self.broken = Some(error.to_string()),
            Err(_) => self.broken = Some("the book's writer has gone".to_owned()),
        }
    }

    /// Has the book read for what the warm-up that was just closed teaches. Phones do not wait for it.
    fn learn(&self) {
        let (book, car) = (self.keeper.book.clone(), self.keeper.core.car().clone());
        let source = self.keeper.not_live.clone().unwrap_or_default();
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

    /// Sends the answers whose events are on the disk.
    fn pay(&mut self) {
        let (last, now) = (self.keeper.log.last(), self.now());
        while let Some((seq, _, _, since)) = self.owed.front()
            && *seq <= last
            && self.keeper.helm.may_answer(*seq, now - since)
        {
            if let Some((_, conn, message, _)) = self.owed.pop_front() {
                self.answer(conn, message);
            }
        }
    }

    fn answer(&mut self, conn: ConnId, message: HubMessage) {
        let Some(known) = self.conns.get(&conn) else {
            return;
        };
        if known.answers.try_send(message).is_err() {
            // A phone with that many unread answers reads nothing. Dropping its end closes its socket; it will join again and resume.
            if let Some(gone) = self.conns.remove(&conn) {
                self.take(Input::Left(gone.who.id), None);
            }
        }
    }

    /// Gives readings to the book, while a warm-up is under way.
    fn keep(&self, t_us: i64, values: &[(usize, f64)]) {
        let warmup = self.keeper.core.record().warmup.as_ref();
        if let Some(warmup) = warmup.filter(|warmup| warmup.closed_at.is_none())
            && !values.is_empty()
        {
            let reading = |&(channel, value): &(usize, f64)| -> Reading { (channel, t_us, value) };
            let readings = values.iter().map(reading).collect();
            self.keeper.book.readings(&warmup.id, readings);
        }
    }

    fn reported(&mut self, source: usize, report: Report) {
        match &report {
            Report::Batch(batch) => {
                self.fresh = true;
                self.keeper
                    .counts
                    .readings
                    .fetch_add(batch.values.len() as u64, atomic::Ordering::Relaxed);
            }
            Report::Fault(fault) => {
                self.keeper
                    .counts
                    .faults
                    .fetch_add(fault.count, atomic::Ordering::Relaxed);
                tracing::warn!(
                    source,
                    kind = fault.kind.name(),
                    count = fault.count,
                    "{}",
                    fault.text
                );
            }
            Report::State(_) => self.shown_slow_at = 0,
        }
        self.take(Input::Report(source, report), None);
    }

    fn tick(&mut self) {
        self.take(Input::Tick, None);
        let now = self.now();
        let mut messages: Vec<(Kind, HubMessage)> = Vec::new();
        if self.fresh || now - self.shown_frame_at >= HEARTBEAT_MS {
            self.keeper
                .counts
                .frames
                .fetch_add(1, atomic::Ordering::Relaxed);
            messages.push((
                Kind::Readings,
                HubMessage::Readings(self.keeper.core.frame(now)),
            ));
            self.fresh = false;
            self.shown_frame_at = now;
        }
        if self.stirred || now - self.shown_progress_at >= PROGRESS_EVERY_MS {
            messages.push((
                Kind::Progress,
                HubMessage::Progress(self.keeper.core.progress(now)),
            ));
            self.stirred = false;
            self.shown_progress_at = now;
        }
        let slow = now - self.shown_slow_at >= SLOW_EVERY_MS;
        if self.presence_changed || slow {
            messages.push((
                Kind::Presence,
                HubMessage::Presence {
                    people: self.keeper.core.people(),
                },
            ));
            self.presence_changed = false;
        }
        if slow {
            let figures = self.keeper.core.figures(now);
            messages.push((Kind::Figures, HubMessage::Figures { figures }));
            messages.push((
                Kind::Sources,
                HubMessage::Sources {
                    sources: self.keeper.core.sources(now),
                },
            ));
            self.shown_slow_at = now;
        }
        if let Some(hubs) = self.keeper.helm.news(self.keeper.log.last()) {
            messages.push((Kind::Hubs, HubMessage::Hubs(hubs)));
        }
        self.pay();
        if !messages.is_empty() {
            self.keeper.board.send_modify(|board| {
                for (kind, message) in &messages {
                    board.put(*kind, message);
                }
            });
        }
    }

    fn show_book(&mut self) {
        let health = self.health.borrow_and_update().clone();
        let message = HubMessage::Book {
            writing: health.writing,
            trouble: health.trouble,
            late_ms: Some(health.late_ms).filter(|late| *late > 0),
        };
        self.keeper
            .board
            .send_modify(|board| board.put(Kind::Book, &message));
    }

    fn count_sockets(&self) {
        self.keeper
            .counts
            .sockets
            .store(self.conns.len() as u64, atomic::Ordering::Relaxed);
    }
}
