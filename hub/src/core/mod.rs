//! The one truth: a deterministic state machine, `(state, now, input) -> outputs`. No I/O, no clock, no threads, no hash order.
//!
//! What is accepted becomes events; the caller writes them down before it shows them to anyone (see `serve::keeper`).
//! What is not recorded (latest readings, who is here, gate timers, source health) lives here too, and is lost with the process.

mod alarm_commands;
pub mod alarms;
pub mod channels;
pub mod charge;
pub mod command;
pub mod day_air;
pub mod feed;
pub mod gates;
pub mod health;
pub mod judge;
pub mod lessons;
pub mod live;
mod practice;
mod rest;
pub mod season;
pub mod skew;
pub mod stuck;
pub mod times;
pub mod turnaround;
mod turnaround_commands;
mod turnaround_late;
mod typed;

use alarms::Alarms;
use channels::Channels;
use day_air::{AirQuestion, DayAir};
use feed::{Fault, FaultKind, Report};
use gates::Gates;
use health::Health;
use lessons::Lessons;
use live::Live;
use spinover_protocol::{
    CommandId, Millis, PersonId, Seq,
    car::Car,
    event::{Event, EventBody, Right, Who},
    message::{Command, FigureNow, Present, Progress, SourceHealth},
    record::{Call, Record},
    season::Counter,
    sheet::Sheet,
    turnaround::{self as turnaround_now, Plan},
};
use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};
use times::Times;
use turnaround::{Reckoning, Took};
pub(crate) use typed::slip_of;

/// Alarms that watch figures hear of them this often: working figures out costs more than looking at readings.
const ASK_FIGURES_MS: Millis = 500;

pub use charge::TakeOver;
/// Answers that are remembered. A phone sends a command again within minutes, and a crew presses a few thousand times a day;
/// a hub that runs for a season must not grow by each.
const ANSWERED_KEPT: usize = 10_000;

/// What goes into the core.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// The hub is ready: go on with the warm-up under way, or begin one.
    Start,
    /// A source's report.
    Report(usize, Report),
    /// A socket joined.
    Joined(Who, Right),
    /// A socket went.
    Left(PersonId),
    /// A phone measured its lag.
    Lag(PersonId, u32),
    /// A person asked for something.
    Command(Who, Right, CommandId, Command),
    /// This hub takes over.
    TakeOver(TakeOver),
    /// How the turnaround stands was reckoned.
    Stands(Box<turnaround_now::Now>),
    /// Time has passed.
    Tick,
}

/// What comes out of it, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Write this down, then show it.
    Event(Event),
    /// Tell whoever sent the command, once every event up to the number is written down.
    Accepted(CommandId, Seq),
    /// Tell whoever sent the command.
    Refused(CommandId, String),
    /// Show this now; its event follows.
    StopNow {
        /// The words.
        text: String,
        /// Who called.
        by: Who,
        /// The command.
        command: CommandId,
    },
    /// Keep these readings: what phones are shown, with its time on the hub's clock in microseconds.
    Keep(i64, Vec<(usize, f64)>),
    /// Move a control of the simulated car.
    Control(String, f64),
    /// Who is here has changed.
    PresenceChanged,
}

/// What the book gives a core to begin with.
#[derive(Clone, Debug, Default)]
pub struct Journal {
    /// Events that give the record, in order; numbers may be missing before the last warm-up began.
    pub events: Vec<Event>,
    /// Commands answered before, and the number of the last event of each.
    pub commands: Vec<(CommandId, Seq)>,
    /// Number of the journal's last event.
    pub last: Seq,
    /// What earlier warm-ups teach.
    pub lessons: Lessons,
}

/// A person's sockets.
#[derive(Clone, Debug, PartialEq)]
struct Here {
    who: Who,
    right: Right,
    sockets: u32,
    lag_ms: Option<u32>,
    since: Millis,
}

/// The state machine.
pub struct Core {
    car: Car,
    sheets: Vec<Sheet>,
    trainable: Vec<String>,
    record: Record,
    /// Commands that became events, and the number of the last event of each. A command that comes again is answered from here.
    /// The latest only, see [`ANSWERED_KEPT`].
    answered: BTreeMap<CommandId, Seq>,
    /// The same in the order in which they came.
    answered_in_order: VecDeque<CommandId>,
    channels: Channels,
    gates: Gates,
    alarms: Alarms,
    figures_asked_at: Millis,
    health: Health,
    live: Live,
    times: Times,
    here: BTreeMap<PersonId, Here>,
    plan: Option<Plan>,
    took: Arc<Took>,
    day_air: DayAir,
    counters: Vec<Counter>,
    /// When the time between rounds last changed: a reckoning from before is of what was.
    turnaround_moved_at: Millis,
    /// The time that the latest warm-up's id says.
    begun_at: Millis,
}

impl Core {
    /// A core for that car, with what the journal holds folded in.
    ///
    /// `sources` are their names in order; `trainable` are the controls of a simulated car.
    pub fn new(
        car: Car,
        sheets: Vec<Sheet>,
        sources: Vec<String>,
        trainable: Vec<String>,
        journal: &Journal,
    ) -> Self {
        let mut core = Self {
            channels: Channels::new(&car.channels, &sources),
            live: Live::new(&car, journal.lessons.clone()),
            times: Times::default(),
            alarms: Alarms::new(&car),
            figures_asked_at: 0,
            car,
            sheets,
            trainable,
            record: Record::default(),
            answered: BTreeMap::new(),
            answered_in_order: VecDeque::new(),
            gates: Gates::default(),
            health: Health::new(sources),
            here: BTreeMap::new(),
            plan: None,
            took: journal.lessons.took.clone(),
            day_air: DayAir::default(),
            counters: Vec::new(),
            turnaround_moved_at: 0,
            begun_at: 0,
        };
        core.take_air(&journal.lessons);
        for (id, seq) in &journal.commands {
            core.remember(id, *seq);
        }
        for event in &journal.events {
            core.fold(event);
        }
        // Numbers go on from the journal's end, also where its last events are of no consequence for the record.
        core.record.seq = core.record.seq.max(journal.last);
        core.live.follow(&core.car, &core.record);
        core.calibrate();
        core
    }

    /// Takes one input in.
    pub fn take(&mut self, now: Millis, input: Input) -> Vec<Output> {
        let mut outputs = Vec::new();
        match input {
            Input::Start => self.start(now, &mut outputs),
            Input::Report(source, report) => {
                let report = self.once(source, report);
                if let Report::Batch(batch) = &report {
                    let t_us = self.times.hub_us(now, source, batch);
                    let spoken = self.channels.take(now, source, batch);
                    self.live.batch(t_us, &spoken.good);
                    self.gates.look(now, &self.channels, &self.record);
                    outputs.push(Output::Keep(t_us, spoken.all));
                    self.look_at_alarms(now, &mut outputs);
                }
                self.health.take(now, source, &report);
                self.end_practices_over_a_car(now, &mut outputs);
            }
            Input::Joined(who, right) => self.joined(now, who, right, &mut outputs),
            Input::Left(id) => {
                if let Some(here) = self.here.get_mut(&id) {
                    here.sockets = here.sockets.saturating_sub(1);
                    if here.sockets == 0 {
                        here.since = now;
                    }
                    outputs.push(Output::PresenceChanged);
                }
            }
            Input::Lag(id, lag_ms) => {
                if let Some(here) = self.here.get_mut(&id) {
                    here.lag_ms = Some(lag_ms);
                }
            }
            Input::Command(who, right, id, command) => {
                self.command(now, &who, right, id, command, &mut outputs)
            }
            Input::TakeOver(over) => {
                let body = EventBody::TookOver {
                    charge: over.charge,
                    by_itself: over.by_itself,
                };
                let (by, command) = (over.by.as_ref(), over.command.as_ref());
                self.emit(now, by, command, body, &mut outputs);
            }
            Input::Stands(stands) => {
                if let Some(body) = self.late(&stands) {
                    self.emit(now, None, None, body, &mut outputs);
                }
            }
            Input::Tick => {
                self.gates.look(now, &self.channels, &self.record);
                self.health.tick(now);
                if self.day_air.wants(now)
                    && let Some(air) = self.live.air_of_station(now, &self.record)
                {
                    self.day_air.take(now, &air);
                }
                if self.alarms.watch_figures() && now - self.figures_asked_at >= ASK_FIGURES_MS {
                    self.figures_asked_at = now;
                    let figures = self.figures(now).into_iter();
                    let asking = figures.filter(|figure| figure.attention);
                    self.alarms.figures_ask(asking.map(|figure| figure.key));
                }
                self.look_at_alarms(now, &mut outputs);
            }
        }
        outputs
    }

    /// The recorded state.
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// The number of the event that a command of that id has become.
    pub fn answered(&self, id: &CommandId) -> Option<Seq> {
        self.answered.get(id).copied()
    }

    /// The car.
    pub fn car(&self) -> &Car {
        &self.car
    }

    /// The sheets that can be begun.
    pub fn sheets(&self) -> &[Sheet] {
        &self.sheets
    }

    /// Latest readings.
    pub fn channels(&self) -> &Channels {
        &self.channels
    }

    /// The next readings frame.
    pub fn frame(&mut self, now: Millis) -> spinover_protocol::message::Frame {
        let urgent = self
            .record
            .warmup
            .as_ref()
            .map(|warmup| self.alarms.urgent(warmup))
            .unwrap_or_default();
        spinover_protocol::message::Frame {
            urgent,
            ..self.channels.frame(now)
        }
    }

    /// How the sources are doing, and what each said last.
    pub fn sources(&self, now: Millis) -> Vec<SourceHealth> {
        self.health.sources(now, &self.channels, &self.times)
    }

    /// Says which sources play a recording or a simulation: their times are no clock's.
    pub fn played(&mut self, played: Vec<bool>) {
        self.times.played(played);
    }

    /// The plan for the time between rounds, where the team has one.
    pub fn plan(&mut self, plan: Option<Plan>) {
        self.plan = plan;
    }

    /// What it takes to reckon how the turnaround stands; none without a plan.
    pub fn reckoning(&self, now: Millis) -> Option<Reckoning> {
        Some(Reckoning {
            now,
            plan: self.plan.as_ref()?.name.clone(),
            turnaround: self.record.turnaround.clone(),
            took: self.took.clone(),
            air: self.air_question(),
        })
    }

    /// What is known of the air, and the flow's rule; the hours of the clock on the wall are the caller's to say.
    fn air_question(&self) -> AirQuestion {
        let set = self.record.warmup.as_ref().and_then(|warmup| {
            let told = warmup.today.flow.as_ref()?;
            Some(told.value)
        });
        let of_file = self.car.fuel.as_ref().and_then(|fuel| fuel.flow);
        AirQuestion {
            seen: self.day_air.seen(),
            rule: set.or(of_file),
            cases: self.live.flow_cases(),
            ..AirQuestion::default()
        }
    }

    fn take_air(&mut self, lessons: &Lessons) {
        for seen in &lessons.airs {
            self.day_air.take(seen.at, &seen.air);
        }
    }

    /// What earlier warm-ups teach, before anything has been taken in: as if the journal had said so.
    pub fn know(&mut self, lessons: Lessons) {
        self.took = lessons.took.clone();
        self.take_air(&lessons);
        self.live = Live::new(&self.car, lessons);
        self.live.follow(&self.car, &self.record);
    }

    /// Readings of the warm-up under way from before the hub was started again, for the figures.
    pub fn recall(&mut self, t_us: i64, values: &[(usize, f64)]) {
        self.live.batch(t_us, values);
    }

    /// Newer lessons of earlier warm-ups, once the book has another.
    pub fn learn(&mut self, lessons: Lessons) {
        self.took = lessons.took.clone();
        self.take_air(&lessons);
        self.live.learn(lessons);
    }

    /// What the figures say now.
    pub fn figures(&self, now: Millis) -> Vec<FigureNow> {
        self.live.figures(now * 1000, &self.record)
    }

    /// What the steps that can be marked next still wait for.
    pub fn progress(&self, now: Millis) -> Progress {
        gates::progress(now, &self.gates, &self.channels, &self.record)
    }

    /// How many have joined since the hub started.
    pub fn count_people(&self) -> usize {
        self.here.len()
    }

    /// Who is here.
    pub fn people(&self) -> Vec<Present> {
        let present = |here: &Here| Present {
            who: here.who.clone(),
            right: here.right,
            here: here.sockets > 0,
            lag_ms: here.lag_ms,
            since: here.since,
        };
        self.here.values().map(present).collect()
    }

    fn fold(&mut self, event: &Event) {
        self.record.apply(event);
        if event.body.moves_turnaround() {
            self.turnaround_moved_at = event.at;
        }
        match &event.body {
            EventBody::WarmupBegun { today, .. } => {
                self.begun_at = self.begun_at.max(event.at);
                if let Some(told) = &today.conditions {
                    self.day_air.take(told.at, &told.value);
                }
            }
            EventBody::ConditionsSet(air) => self.day_air.take(event.at, air),
            _ => {}
        }
        if let Some(id) = &event.command {
            self.remember(id, event.seq);
        }
    }

    fn remember(&mut self, id: &CommandId, seq: Seq) {
        if self.answered.insert(id.clone(), seq).is_none() {
            self.answered_in_order.push_back(id.clone());
        }
        while self.answered_in_order.len() > ANSWERED_KEPT {
            if let Some(oldest) = self.answered_in_order.pop_front() {
                self.answered.remove(&oldest);
            }
        }
    }

    /// Numbers an event, folds it in, and hands it out.
    fn emit(
        &mut self,
        now: Millis,
        by: Option<&Who>,
        command: Option<&CommandId>,
        body: EventBody,
        outputs: &mut Vec<Output>,
    ) {
        let event = Event {
            seq: self.record.seq + 1,
            at: now,
            by: by.cloned(),
            command: command.cloned(),
            body,
        };
        self.fold(&event);
        outputs.push(Output::Event(event));
        self.live.follow(&self.car, &self.record);
        self.calibrate();
        self.gates.look(now, &self.channels, &self.record);
    }

    fn look_at_alarms(&mut self, now: Millis, outputs: &mut Vec<Output>) {
        let Some(warmup) = &self.record.warmup else {
            return;
        };
        for body in self.alarms.look(now, &self.channels, warmup) {
            self.emit(now, None, None, body, outputs);
        }
    }

    /// Gives every channel the calibration that the record and the car file say.
    fn calibrate(&mut self) {
        let today = self.record.warmup.as_ref().map(|warmup| &warmup.today);
        for (index, channel) in self.car.channels.iter().enumerate() {
            let set = today.and_then(|today| today.calibrations.get(&channel.key));
            let calibration = set.map_or(channel.sensor.calibration, |told| told.value);
            self.channels.calibrate(index, calibration);
        }
    }

    /// A batch that came before is a fault, and no reading.
    fn once(&mut self, source: usize, report: Report) -> Report {
        match report {
            Report::Batch(batch) if self.times.is_twice(source, &batch) => Report::Fault(Fault {
                kind: FaultKind::Duplicate,
                count: 1,
                text: format!(
                    "the same values came twice with the time {}",
                    batch.t_s.unwrap_or(0.0)
                ),
            }),
            report => report,
        }
    }

    /// Goes on with the warm-up under way where it can: with anything marked, when channels and alarms are the same; with nothing
    /// marked yet, only when car and sheet are, so that the record says what held. A stop that stands outlives its warm-up.
    fn start(&mut self, now: Millis, outputs: &mut Vec<Output>) {
        let Some(first) = self.sheets.first().map(|sheet| sheet.key.clone()) else {
            return;
        };
        let last = self.record.warmup.as_ref();
        let open = last.filter(|warmup| warmup.closed_at.is_none());
        let goes_on = open.is_some_and(|warmup| {
            let same_sheet = self.sheets.contains(&warmup.sheet);
            match warmup.order.is_empty() {
                true => same_sheet && warmup.car == self.car,
                false => {
                    warmup.car.channels == self.car.channels && warmup.car.alarms == self.car.alarms
                }
            }
        });
        if goes_on {
            return;
        }
        // A sheet that was chosen and not begun is still the one that is wanted.
        let chosen = open
            .filter(|warmup| warmup.order.is_empty())
            .map(|warmup| warmup.sheet.key.clone())
            .filter(|key| self.sheets.iter().any(|sheet| sheet.key == *key));
        let stops: Vec<Call> = last.map_or_else(Vec::new, |last| last.stops().cloned().collect());
        self.begin(now, None, None, &chosen.unwrap_or(first), outputs);
        for stop in stops.into_iter().rev() {
            let body = EventBody::Called {
                to: stop.to,
                text: stop.said.text,
                stop: true,
            };
            self.emit(now, stop.said.by.as_ref(), None, body, outputs);
        }
    }

    /// Closes the warm-up under way and begins one on the sheet with that key, which must exist.
    fn begin(
        &mut self,
        now: Millis,
        by: Option<&Who>,
        command: Option<&CommandId>,
        sheet: &str,
        outputs: &mut Vec<Output>,
    ) {
        let Some(sheet) = self.sheets.iter().find(|known| known.key == sheet).cloned() else {
            return;
        };
        if self
            .record
            .warmup
            .as_ref()
            .is_some_and(|warmup| warmup.closed_at.is_none())
        {
            self.emit(now, by, command, EventBody::WarmupClosed {}, outputs);
        }
        // The weather and the fuel in the can do not change with the sheet.
        let today = self.record.warmup.as_ref().map(|last| last.today.clone());
        // Two warm-ups that begin in one millisecond must not have one id: the book would refuse the second, and the hub would end.
        self.begun_at = now.max(self.begun_at + 1);
        let body = EventBody::WarmupBegun {
            id: warmup_id(self.begun_at),
            sheet: Box::new(sheet),
            car: Box::new(self.car.clone()),
            today: Box::new(today.unwrap_or_default()),
        };
        self.emit(now, by, command, body, outputs);
    }

    fn joined(&mut self, now: Millis, who: Who, right: Right, outputs: &mut Vec<Output>) {
        let known = self.record.people.get(&who.id);
        if known.is_none_or(|person| person.who != who || person.right != right) {
            let body = EventBody::PersonJoined {
                who: who.clone(),
                right,
            };
            self.emit(now, Some(&who), None, body, outputs);
        }
        let fresh = Here {
            who: who.clone(),
            right,
            sockets: 0,
            lag_ms: None,
            since: now,
        };
        let here = self.here.entry(who.id.clone()).or_insert(fresh);
        if here.sockets == 0 {
            here.since = now;
        }
        here.who = who;
        here.right = right;
        here.sockets += 1;
        outputs.push(Output::PresenceChanged);
    }
}

/// A warm-up's id: the UTC time that it began, in a form that file names and addresses can hold.
fn warmup_id(now: Millis) -> String {
    let time = jiff::Timestamp::from_millisecond(now).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    time.strftime("%Y-%m-%dT%H-%M-%S-%3fZ").to_string()
}
