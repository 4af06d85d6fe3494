//! What must hold in every storm, judged from outside: by what the disk holds, what the phones were told, and what they show. It
//! folds the journal itself, and works out anew what a mark needs, so that the hub is not its own judge.

use super::{
    air::Conn,
    car::{CLOCK, FUEL, HIGHEST, OIL, OLD_AFTER_MS, sheet},
    disk::Disk,
    gauge::Gauge,
    phone::Phone,
    truth::Truth,
};
use crate::core::feed::Batch;
use crate::serve::clerk::ConnId;
use spinover_protocol::{
    CommandId, HEARTBEAT_MS, Millis, Seq,
    event::{Event, EventBody},
    link::State,
    message::HubMessage,
    record::Record,
};
use std::collections::{BTreeMap, BTreeSet};

/// What is shown as live may be older than its channel's limit by so much: what crews are promised of a lost link.
const PROMISED_MS: Millis = 2_500;
/// Beyond the heartbeat, a stop call may take the way to the phone, which in a quiet storm is at most this.
const WAY_MS: Millis = 100;

/// What must hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// What was acknowledged or shown is on the disk, also after a crash.
    Lost,
    /// One command is one event.
    Twice,
    /// What was refused has not been done.
    RefusedButDone,
    /// No step is marked before its gates, its dwell and the steps before it allow.
    Order,
    /// A stop call is on every phone that is connected, within a heartbeat.
    Stop,
    /// Nothing old is shown as live.
    Old,
    /// What a phone shows is what the journal gives up to the event that it has.
    Apart,
    /// Once all is well again, everyone is live, has everything, and every command has its answer.
    Unsettled,
    /// The hub goes on.
    Broken,
}

/// What was wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Violation {
    /// What did not hold.
    pub rule: Rule,
    /// When, in milliseconds from the start of the storm.
    pub at_ms: Millis,
    /// What was seen.
    pub words: String,
}

/// The judge.
#[derive(Default)]
pub(super) struct Watch {
    violation: Option<Violation>,
    /// What the events on the disk give.
    truth: Truth,
    /// Events of each command, from the disk.
    by_command: BTreeMap<CommandId, Vec<Seq>>,
    acknowledged: BTreeMap<CommandId, Seq>,
    refused: BTreeSet<CommandId>,
    /// What the hub has accepted, also what is not on the disk yet.
    accepted: Record,
    /// What the hub has read since it started.
    gauges: [Gauge; 2],
    /// Since when each stop call has been accepted, as far as this hub can know.
    stops_since: BTreeMap<Seq, Millis>,
    /// Since when each phone's link has been there without a break, and by which connection.
    there_since: BTreeMap<usize, (Option<ConnId>, Millis)>,
    told: BTreeMap<usize, Seq>,
}

impl Watch {
    pub(super) fn violation(&self) -> Option<&Violation> {
        self.violation.as_ref()
    }

    /// Commands that phones were told are done.
    pub(super) fn answered(&self) -> u64 {
        self.acknowledged.len() as u64
    }

    /// Notes what does not hold. The first counts.
    pub(super) fn breaks(&mut self, at_ms: Millis, rule: Rule, words: String) {
        self.violation
            .get_or_insert(Violation { rule, at_ms, words });
    }

    /// More may be on the disk.
    pub(super) fn on_disk(&mut self, disk: &Disk, now: Millis) {
        let known = self.truth.last().seq as usize;
        for event in &disk.synced()[known..] {
            self.truth.add(event);
            if let Some(command) = &event.command {
                self.note_command(disk, command, event, now);
            }
        }
    }

    fn note_command(&mut self, disk: &Disk, command: &CommandId, event: &Event, now: Millis) {
        let seqs = self.by_command.entry(command.clone()).or_default();
        seqs.push(event.seq);
        // To begin a warm-up is to close the one before: two events, one after the other.
        let pair = |seqs: &[Seq]| {
            let first = &disk.synced()[seqs[0] as usize - 1];
            seqs.len() == 2
                && seqs[1] == seqs[0] + 1
                && matches!(first.body, EventBody::WarmupClosed {})
        };
        if seqs.len() > 1 && !pair(seqs) {
            let words = format!("command {command} is events {seqs:?}");
            self.breaks(now, Rule::Twice, words);
        }
        if self.refused.contains(command) {
            let words = format!("command {command} was refused, and is event {}", event.seq);
            self.breaks(now, Rule::RefusedButDone, words);
        }
    }

    /// The hub has started with that record.
    pub(super) fn hub_started(&mut self, disk: &Disk, record: &Record) {
        self.on_disk(disk, 0);
        self.accepted = record.clone();
        self.gauges = [OIL, FUEL].map(|place| Gauge::new(HIGHEST[place]));
        self.stops_since.clear();
        self.there_since.clear();
    }

    /// The hub has gone: what was acknowledged or shown must be on the disk.
    pub(super) fn hub_gone(&mut self, disk: &Disk, phones: &[Phone], now: Millis) {
        for (command, seq) in &self.acknowledged.clone() {
            if *seq > disk.last() {
                let last = disk.last();
                let words = format!(
                    "command {command} was acknowledged as event {seq}; the journal ends with {last}"
                );
                self.breaks(now, Rule::Lost, words);
            }
        }
        for (n, phone) in phones.iter().enumerate() {
            let (seq, last) = (phone.link.mirror().record.seq, disk.last());
            if seq > last {
                let words = format!("phone {n} shows event {seq}; the journal ends with {last}");
                self.breaks(now, Rule::Lost, words);
            }
        }
    }

    /// The hub has accepted these.
    pub(super) fn accepted(&mut self, events: &[Event], now: Millis) {
        for event in events {
            if let EventBody::StepMarked { .. } = event.body
                && let Some(why) = self.too_early(event, now)
            {
                let words = format!("event {} marks a step {why}", event.seq);
                self.breaks(now, Rule::Order, words);
            }
            if let EventBody::ReadingTyped { channel, value } = &event.body {
                self.gauges[usize::from(channel.as_str() == "fuel")].typed(now, *value);
            }
            if let EventBody::Called { stop: true, .. } = event.body {
                self.stops_since.insert(event.seq, now);
            }
            self.accepted.apply(event);
        }
    }

    /// Why a mark comes too early, worked out from the history.
    fn too_early(&self, event: &Event, now: Millis) -> Option<String> {
        let EventBody::StepMarked { step: key, .. } = &event.body else {
            return None;
        };
        let warmup = self.accepted.warmup.as_ref()?;
        let sheet = sheet(true);
        let (phase, step) = sheet.step(key)?;
        if warmup.closed_at.is_some() || warmup.held.is_some() || warmup.steps.contains_key(key) {
            return Some(format!(
                "'{key}' that is done, or of a warm-up that stands still"
            ));
        }
        if warmup.aborted.is_some() && !phase.shut_down {
            return Some(format!("'{key}' after an abort"));
        }
        for (earlier_phase, earlier) in sheet.steps().take_while(|(_, step)| step.key != *key) {
            let counts = warmup.aborted.is_none() || earlier_phase.shut_down;
            let blocks = earlier.safety || earlier.ordered && step.ordered;
            if counts && blocks && !warmup.steps.contains_key(&earlier.key) {
                return Some(format!("'{key}' before '{}'", earlier.key));
            }
        }
        if step
            .dwell_ms
            .is_some_and(|dwell| event.at - warmup.current_since < dwell)
        {
            return Some(format!("'{key}' before its dwell is over"));
        }
        for gate in &step.gates {
            let gauge = &self.gauges[usize::from(gate.channel.as_str() == "fuel")];
            let met = |value: f64| gate.must.met(value, warmup.band_now(&gate.channel));
            if !gauge.good_at(now).is_some_and(met) {
                return Some(format!("'{key}' with a shut gate: {gate:?}"));
            }
            let from = now - gate.for_ms;
            if gate.for_ms > 0 && !gauge.times().any(|at| at <= from) {
                return Some(format!("'{key}' on too short a history: {gate:?}"));
            }
            for at in gauge.times().filter(|at| (from..now).contains(at)) {
                if !gauge.good_at(at).is_some_and(met) {
                    let ago = now - at;
                    return Some(format!(
                        "'{key}' with a gate shut {ago} ms before: {gate:?}"
                    ));
                }
            }
        }
        None
    }

    /// The hub has taken readings in.
    pub(super) fn read(&mut self, now: Millis, values: &[(usize, f64)]) {
        for (place, value) in values.iter().filter(|(place, _)| *place != CLOCK) {
            self.gauges[*place].read(now, *value);
        }
    }

    /// A phone has taken a message in.
    pub(super) fn heard(
        &mut self,
        n: usize,
        message: &HubMessage,
        phone: &Phone,
        disk: &Disk,
        now: Millis,
    ) {
        match message {
            HubMessage::Ack { id, seq } => {
                let events = self.by_command.get(id);
                let named = events.is_none_or(|seqs| seqs.last() == Some(seq));
                if !named && *seq <= disk.last() {
                    let words =
                        format!("command {id} was acknowledged as event {seq}, and is {events:?}");
                    self.breaks(now, Rule::Lost, words);
                }
                self.acknowledged.insert(id.clone(), *seq);
            }
            HubMessage::Refused { id, reason } => {
                if self.by_command.contains_key(id) {
                    let words = format!("command {id} is done, and was refused: {reason}");
                    self.breaks(now, Rule::RefusedButDone, words);
                }
                self.refused.insert(id.clone());
            }
            _ => {}
        }
        let record = &phone.link.mirror().record;
        if self.told.insert(n, record.seq) == Some(record.seq) {
            return;
        }
        if let Some(truth) = self.truth.at(record.seq, disk.synced())
            && *truth != *record
        {
            let words = format!(
                "phone {n} at event {} shows another record than the journal gives",
                record.seq
            );
            self.breaks(now, Rule::Apart, words);
        }
    }

    pub(super) fn loaded_anew(&mut self, n: usize) {
        self.told.remove(&n);
    }

    /// A page shows as live and good what the car said at a time.
    pub(super) fn shown(&mut self, n: usize, read_at: Millis, now: Millis) {
        let age = now - read_at;
        if age > OLD_AFTER_MS + PROMISED_MS {
            let words = format!("phone {n} shows a reading {age} ms old as live");
            self.breaks(now, Rule::Old, words);
        }
    }

    /// The hub looked at the time: does every phone that is connected show the stop?
    pub(super) fn stops(
        &mut self,
        record: Option<&Record>,
        phones: &[Phone],
        conns: &BTreeMap<ConnId, Conn>,
        now: Millis,
    ) {
        let warmup = record.and_then(|record| record.warmup.as_ref());
        let standing = warmup.into_iter().flat_map(|warmup| warmup.stops());
        // One stop may be lifted on a screen a moment before it hears of the next: time counts from when the oldest of those that
        // stand now was accepted. A hub that was started again has accepted none of them itself.
        let oldest = standing
            .map(|stop| *self.stops_since.entry(stop.seq).or_insert(now))
            .min();
        for (n, phone) in phones.iter().enumerate() {
            if !is_there(phone, conns, now) {
                self.there_since.remove(&n);
                continue;
            }
            let there = self.there_since.entry(n).or_insert((phone.conn, now));
            if there.0 != phone.conn {
                *there = (phone.conn, now);
            }
            let there = there.1;
            let Some(stop) = oldest.filter(|_| !phone.shows_stop()) else {
                continue;
            };
            let waited = now - there.max(stop);
            if waited > HEARTBEAT_MS + WAY_MS {
                let words = format!(
                    "phone {n} has been connected for {waited} ms of a stop call, and does not show it"
                );
                self.breaks(now, Rule::Stop, words);
            }
        }
    }

    /// All has been well for long enough.
    pub(super) fn at_rest(
        &mut self,
        record: &Record,
        disk: &Disk,
        phones: &[Phone],
        clocks: &[f64],
        now: Millis,
    ) {
        let truth = self.truth.last().clone();
        if *truth != *record || record.seq != disk.last() {
            let words = "the hub's record is not what its journal gives".to_owned();
            self.breaks(now, Rule::Apart, words);
        }
        for (n, (phone, clock)) in phones.iter().zip(clocks).enumerate() {
            let mirror = phone.link.mirror();
            let state = phone.link.state(*clock);
            let left = phone.link.unanswered().count();
            let wrong = match () {
                () if state != State::Live => format!("its link is {state:?}"),
                () if mirror.record != *truth => {
                    format!("it is at event {} of {}", mirror.record.seq, truth.seq)
                }
                () if left > 0 => format!("{left} of its commands have no answer"),
                () if mirror.stop_now.is_some() => "it shows a stop that never was".to_owned(),
                () => continue,
            };
            self.breaks(now, Rule::Unsettled, format!("phone {n} at rest: {wrong}"));
        }
        let lost = |(id, seq): &(&CommandId, &Seq)| {
            **seq > disk.last()
                || self
                    .by_command
                    .get(*id)
                    .is_some_and(|seqs| seqs.last() != Some(*seq))
        };
        if let Some((id, seq)) = self.acknowledged.iter().find(lost) {
            let words = format!(
                "command {id} was acknowledged as event {seq}, which is not in the journal"
            );
            self.breaks(now, Rule::Lost, words);
        }
    }
}

/// Whether a phone and the hub can hear each other well.
fn is_there(phone: &Phone, conns: &BTreeMap<ConnId, Conn>, now: Millis) -> bool {
    let Some(conn) = phone.conn.and_then(|id| conns.get(&id)) else {
        return false;
    };
    let joined = conn
        .hub
        .as_ref()
        .is_some_and(|hub| hub.session.is_some() && hub.blocked_since.is_none() && !hub.given_up);
    // What flies behind a backlog comes when that has drained; a slow corner is no link that is there.
    let free = phone.radio.crawl_ms == 0 && phone.radio.cut_until <= now && conn.down.is_free(now);
    joined && free && !phone.asleep && !conn.dead && phone.link.mirror().welcome.is_some()
}

/// One batch as the source hands it over.
pub(super) fn source_batch(values: Vec<(usize, f64)>) -> Batch {
    Batch { t_s: None, values }
}
