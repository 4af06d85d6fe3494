//! What the keeper decides, without a disk, a socket or a clock: what is written, what is shown and answered and when, in which order.
//!
//! `keeper` carries its orders out on a real book and real connections; `pit::storm` on simulated ones. So what holds of the one
//! in every storm of a simulated pit holds of the other.

mod two_hubs;

pub use two_hubs::{Wish, Wisher};

use super::helm::{Helm, Over};
use super::shared::Kind;
use crate::core::{Core, Input, Output, feed::Report, lessons::Lessons};
use spinover_protocol::{
    CommandId, HEARTBEAT_MS, Millis, Seq,
    event::{Event, Right, Who},
    hubs::{Charge, Hubs},
    message::{Command, FigureNow, HubMessage, StepProgress},
    turnaround,
};
use std::collections::{BTreeMap, VecDeque};

/// Slow things (figures, sources, people's lag) are shown this often.
const SLOW_EVERY_MS: i64 = 1_000;
/// What steps wait for is shown this often while it changes, as it does while a gate or a dwell is counting; pages count on between.
/// Else it is shown with the slow things.
const PROGRESS_EVERY_MS: i64 = 200;
/// Readings are shown this often at most, unless it is told otherwise: faster than an eye follows a number.
pub const FRAME_EVERY_MS: i64 = 50;
/// Who is here is shown this much later for everyone who has joined, when it has changed and when only lags have: the list is as long
/// as they are many, and all of them get it, so that else a thousand phones would hear of little but each other.
const PRESENCE_MS_EACH: i64 = 1;
const LAGS_MS_EACH: i64 = 50;
/// Refusals that are remembered, so that a command that comes again on another socket gets the same answer.
const REFUSALS_KEPT: usize = 1_024;

/// One socket.
pub type ConnId = u64;

/// What is to be done, in the order given.
#[derive(Clone, Debug, PartialEq)]
pub enum Order {
    /// Hand these to the book; [`Clerk::written`] when they are on the disk.
    Write(Vec<Event>),
    /// These are on the disk: everyone may see them.
    Publish(Vec<Event>),
    /// Answer one connection; [`Clerk::left`] when it takes none.
    Answer(ConnId, HubMessage),
    /// Put this on the board.
    Show(Kind, HubMessage),
    /// Take this off the board.
    TakeDown(Kind),
    /// Give these readings of that moment to the book.
    Keep(i64, Vec<(usize, f64)>),
    /// Give what the figures say at that time to the book.
    Said(Millis, Vec<FigureNow>),
    /// Move a control of the simulated car.
    Control(String, f64),
    /// Tell everyone how the two laptops are.
    Hubs(Hubs),
    /// Have the book keep the highest charge, and where the other laptop is.
    KeepHubs(Charge, Vec<String>),
    /// The charge is given away: have the book keep it with these addresses, and then tell the standby.
    HandOver(Over, Vec<String>),
    /// Nothing comes of the hand-over that the standby wanted, and why.
    KeepCharge(String),
}

/// The deciding part of the keeper.
pub struct Clerk {
    core: Core,
    /// Whether this hub is the one that takes commands.
    helm: Helm,
    conns: BTreeMap<ConnId, (Who, Right)>,
    /// Handed to the book and not on the disk yet, oldest first.
    writing: VecDeque<Vec<Event>>,
    on_disk: Seq,
    /// Answers that wait for the disk, and for the standby's: up to which event, to whom, since when.
    owed: VecDeque<(Seq, ConnId, HubMessage, Millis)>,
    refused: VecDeque<(CommandId, String)>,
    /// Why nothing can be written down now.
    trouble: Option<String>,
    /// Other files are about to be taken up.
    resting: bool,
    /// The charge is about to be given away.
    leaving: Option<two_hubs::Leaving>,
    /// The stop call on the board: its event is not on the disk yet.
    stop: Option<CommandId>,
    fresh: bool,
    stirred: bool,
    presence_changed: bool,
    frame_every: i64,
    /// Before then no frame of readings is due.
    frame_due: Millis,
    shown_frame_at: Millis,
    looked_at_progress: Millis,
    shown_steps: Vec<StepProgress>,
    shown_presence_at: Millis,
    shown_slow_at: Millis,
}

impl Clerk {
    /// A clerk for that core, whose record is all on the disk.
    pub fn new(core: Core) -> Self {
        Self {
            on_disk: core.record().seq,
            helm: Helm::alone(core.record().charge.clone()),
            core,
            conns: BTreeMap::new(),
            writing: VecDeque::new(),
            owed: VecDeque::new(),
            refused: VecDeque::new(),
            trouble: None,
            resting: false,
            leaving: None,
            stop: None,
            fresh: true,
            stirred: true,
            presence_changed: true,
            frame_every: FRAME_EVERY_MS,
            frame_due: 0,
            shown_frame_at: 0,
            looked_at_progress: 0,
            shown_steps: Vec::new(),
            shown_presence_at: 0,
            shown_slow_at: 0,
        }
    }

    /// Readings are to be shown that often at most, in milliseconds.
    pub fn frame_every(&mut self, every_ms: i64) {
        self.frame_every = every_ms;
    }

    /// The state machine.
    pub fn core(&self) -> &Core {
        &self.core
    }

    /// Sockets joined now.
    pub fn sockets(&self) -> usize {
        self.conns.len()
    }

    /// What a closed warm-up teaches.
    pub fn learn(&mut self, lessons: Lessons) {
        self.core.learn(lessons);
    }

    /// The hub is ready. One that was replaced begins nothing.
    pub fn start(&mut self, now: Millis) -> Vec<Order> {
        if !self.helm.in_charge() {
            return Vec::new();
        }
        self.take(now, Input::Start, None)
    }

    /// A socket that gave the right code.
    pub fn joined(&mut self, now: Millis, conn: ConnId, who: Who, right: Right) -> Vec<Order> {
        self.conns.insert(conn, (who.clone(), right));
        self.take(now, Input::Joined(who, right), None)
    }

    /// A socket is gone, or takes no answers any more.
    pub fn left(&mut self, now: Millis, conn: ConnId) -> Vec<Order> {
        match self.conns.remove(&conn) {
            Some((who, _)) => self.take(now, Input::Left(who.id), None),
            None => Vec::new(),
        }
    }

    /// A phone has measured its lag.
    pub fn lag(&mut self, now: Millis, conn: ConnId, lag_ms: u32) -> Vec<Order> {
        match self.conns.get(&conn) {
            Some((who, _)) => {
                let id = who.id.clone();
                self.take(now, Input::Lag(id, lag_ms), None)
            }
            None => Vec::new(),
        }
    }

    /// A command came in.
    pub fn command(
        &mut self,
        now: Millis,
        conn: ConnId,
        id: CommandId,
        command: Command,
    ) -> Vec<Order> {
        let Some((who, right)) = self.conns.get(&conn).cloned() else {
            return Vec::new();
        };
        if matches!(command, Command::TakeOver {}) || !self.helm.in_charge() {
            return self.two_hubs(now, conn, id, command);
        }
        if self.held(conn, &id, &command) {
            return Vec::new();
        }
        // One id, one answer: also of a command that an old socket delivers after a new one has had its answer, and also while
        // the disk refuses, when its event may be waiting already.
        if self.core.answered(&id).is_none() {
            let before = self.refused.iter().find(|(known, _)| *known == id);
            let stop = matches!(command, Command::Stop { .. });
            let trouble = self.trouble.as_ref().filter(|_| !stop);
            let reason = match (before, trouble) {
                (Some((_, reason)), _) => Some(reason.clone()),
                (None, _) if self.resting && !stop => {
                    Some("the files are being changed; ask again in a moment".to_owned())
                }
                // What cannot be written down is not accepted. A stop goes out all the same.
                (None, Some(trouble)) => Some(format!("it cannot be written down now: {trouble}")),
                (None, None) => None,
            };
            if let Some(reason) = reason {
                return vec![self.refuse(conn, id, reason)];
            }
        }
        let input = Input::Command(who, right, id, command);
        self.take(now, input, Some(conn))
    }

    /// A source reports.
    pub fn reported(&mut self, now: Millis, source: usize, report: Report) -> Vec<Order> {
        match &report {
            Report::Batch(_) => self.fresh = true,
            Report::Fault(_) => {}
            Report::State(_) => self.shown_slow_at = 0,
        }
        self.take(now, Input::Report(source, report), None)
    }

    /// The disk has the oldest of what it was handed.
    pub fn written(&mut self, now: Millis) -> Vec<Order> {
        let Some(events) = self.writing.pop_front() else {
            return Vec::new();
        };
        if let Some(last) = events.last() {
            self.on_disk = last.seq;
        }
        let shown = |event: &Event| event.command.is_some() && event.command == self.stop;
        let stop_is_out = events.iter().any(shown);
        let mut orders = Vec::new();
        if stop_is_out {
            // Down before its event is up: who joins between them hears of it once, and not of one that has been lifted.
            self.stop = None;
            orders.push(Order::TakeDown(Kind::StopNow));
        }
        orders.push(Order::Publish(events));
        self.pay(now, &mut orders);
        self.leave(now, &mut orders);
        orders
    }

    /// The disk refuses, or works again.
    pub fn book_trouble(&mut self, trouble: Option<String>) {
        self.trouble = trouble;
    }

    /// While it rests, because other files are about to be taken up, nothing but a stop is accepted.
    pub fn rest(&mut self, resting: bool) {
        self.resting = resting;
    }

    /// How the turnaround stands was reckoned.
    pub fn stands(&mut self, now: Millis, stands: turnaround::Now) -> Vec<Order> {
        match self.trouble {
            // What cannot be written down is not said; the next reckoning says it.
            Some(_) => Vec::new(),
            None => self.take(now, Input::Stands(Box::new(stands)), None),
        }
    }

    /// Time has passed: what is due to be shown.
    pub fn tick(&mut self, now: Millis) -> Vec<Order> {
        let mut orders = self.take(now, Input::Tick, None);
        orders.extend(self.readings(now));
        let mut show = |kind, message| orders.push(Order::Show(kind, message));
        let slow = now - self.shown_slow_at >= SLOW_EVERY_MS;
        if self.stirred || slow || now - self.looked_at_progress >= PROGRESS_EVERY_MS {
            let progress = self.core.progress(now);
            self.looked_at_progress = now;
            if self.stirred || slow || progress.steps != self.shown_steps {
                self.shown_steps.clone_from(&progress.steps);
                show(Kind::Progress, HubMessage::Progress(progress));
            }
            self.stirred = false;
        }
        let each = match self.presence_changed {
            true => PRESENCE_MS_EACH,
            false => LAGS_MS_EACH,
        };
        let presence_due = self.shown_presence_at + each * self.core.count_people() as i64;
        if (self.presence_changed || slow) && now >= presence_due {
            let people = self.core.people();
            show(Kind::Presence, HubMessage::Presence { people });
            self.presence_changed = false;
            self.shown_presence_at = now;
        }
        if slow {
            let figures = self.core.figures(now);
            let sources = self.core.sources(now);
            show(Kind::Sources, HubMessage::Sources { sources });
            let message = HubMessage::Figures {
                figures: figures.clone(),
            };
            show(Kind::Figures, message);
            orders.push(Order::Said(now, figures));
            self.shown_slow_at = now;
        }
        if let Some(hubs) = self.helm.news(self.on_disk) {
            orders.push(Order::Hubs(hubs));
        }
        // What the standby has kept waiting for too long.
        self.pay(now, &mut orders);
        self.leave(now, &mut orders);
        orders
    }

    /// The readings, where there are newer ones and their time has come, or none were shown for so long that phones would think the
    /// hub dead. The first after a pause goes out at once. After it a second one may: a source exactly as fast as the frames are that
    /// was held up once would else be shown late for good, since nothing could ever catch up.
    pub fn readings(&mut self, now: Millis) -> Option<Order> {
        let due = self.fresh && now >= self.frame_due;
        if !due && now - self.shown_frame_at < HEARTBEAT_MS {
            return None;
        }
        self.fresh = false;
        self.shown_frame_at = now;
        self.frame_due = now.max(self.frame_due + self.frame_every);
        let frame = HubMessage::Readings(self.core.frame(now));
        Some(Order::Show(Kind::Readings, frame))
    }

    /// When the readings that wait are to be shown, if any do.
    pub fn readings_due(&self) -> Option<Millis> {
        self.fresh.then_some(self.frame_due)
    }

    /// Runs one input through the core and says what is to be done about what comes out.
    fn take(&mut self, now: Millis, input: Input, conn: Option<ConnId>) -> Vec<Order> {
        let (mut orders, mut events) = (Vec::new(), Vec::new());
        for output in self.core.take(now, input) {
            match output {
                Output::Event(event) => events.push(event),
                Output::Accepted(id, seq) => {
                    if let Some(conn) = conn {
                        self.owed
                            .push_back((seq, conn, HubMessage::Ack { id, seq }, now));
                    }
                }
                Output::Refused(id, reason) => {
                    if let Some(conn) = conn {
                        orders.push(self.refuse(conn, id, reason));
                    }
                }
                Output::StopNow { text, by, command } => {
                    self.stop = Some(command.clone());
                    let message = HubMessage::StopNow { text, by, command };
                    orders.push(Order::Show(Kind::StopNow, message));
                }
                Output::Keep(t_us, values) => orders.push(Order::Keep(t_us, values)),
                Output::Control(key, value) => orders.push(Order::Control(key, value)),
                Output::PresenceChanged => self.presence_changed = true,
            }
        }
        // A hub that was replaced writes no more events: its journal ends where the other one's goes on.
        if !events.is_empty() && self.helm.in_charge() {
            self.stirred = true;
            self.writing.push_back(events.clone());
            orders.push(Order::Write(events));
        }
        self.pay(now, &mut orders);
        orders
    }

    fn refuse(&mut self, conn: ConnId, id: CommandId, reason: String) -> Order {
        if !self.refused.iter().any(|(known, _)| *known == id) {
            self.refused.push_back((id.clone(), reason.clone()));
            if self.refused.len() > REFUSALS_KEPT {
                self.refused.pop_front();
            }
        }
        Order::Answer(conn, HubMessage::Refused { id, reason })
    }

    /// The answers whose events are on the disk, and on the standby's where one keeps up.
    fn pay(&mut self, now: Millis, orders: &mut Vec<Order>) {
        while let Some((seq, _, _, since)) = self.owed.front()
            && *seq <= self.on_disk
            && self.helm.may_answer(*seq, now - since)
        {
            if let Some((_, conn, message, _)) = self.owed.pop_front() {
                orders.push(Order::Answer(conn, message));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::{Journal, feed::Batch};
    use spinover_protocol::car::Car;

    fn clerk() -> Clerk {
        let source = vec!["lines=dash".to_owned()];
        let journal = Journal::default();
        Clerk::new(Core::new(Car::default(), vec![], source, vec![], &journal))
    }

    /// Something comes in at that time; whether it is shown at once.
    fn shown(clerk: &mut Clerk, at: Millis) -> bool {
        let batch = Batch {
            t_s: None,
            values: Vec::new(),
        };
        clerk.reported(at, 0, Report::Batch(batch));
        clerk.readings(at).is_some()
    }

    #[test]
    fn a_source_as_fast_as_the_frames_is_in_step_again_after_it_was_held_up() {
        let mut clerk = clerk();
        for n in 0..100 {
            let held_up = if n == 10 { 40 } else { 0 };
            let uneven = [0, 7, -9, 3][n as usize % 4];
            let at = 10_000 + n * FRAME_EVERY_MS + uneven + held_up;
            assert!(shown(&mut clerk, at), "number {n} had to wait");
        }
    }

    #[test]
    fn a_fast_source_is_shown_twenty_times_a_second_and_its_last_word_when_due() {
        let mut clerk = clerk();
        let count = (0..10_000)
            .filter(|n| shown(&mut clerk, 50_000 + n))
            .count();
        assert!((199..=202).contains(&count), "{count} in ten seconds");
        let due = clerk.readings_due().unwrap();
        assert!(clerk.readings(due - 1).is_none() && clerk.readings(due).is_some());
        assert_eq!(clerk.readings_due(), None, "nothing newer");
    }
}
