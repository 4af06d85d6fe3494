//! The text frames of the socket: one JSON object each, told apart by `type`. An example of each is in `protocol/MESSAGES.md`.

mod command;

use crate::json::FromJson;
use crate::{
    AlarmKey, ChannelKey, CommandId, Millis, PersonId, RoleKey, Seq, StepKey,
    car::Car,
    event::{Event, Right, Who},
    hubs::{Charge, Hubs, SeenCharge},
    record::Record,
    season,
    sheet::Must,
    team::Team,
    turnaround,
};
use serde::{Deserialize, Serialize};

pub use crate::trust::{Doubt, Quality};
pub use command::Command;

/// From a phone to the hub.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum ClientMessage {
    /// The first frame, and nothing before it is answered.
    Hello {
        /// [`crate::PROTOCOL_VERSION`].
        protocol: u32,
        /// Crew code or chief code.
        code: String,
        /// The name that the crew will see, 1 to 40 characters.
        name: String,
        /// The role wanted, a key of the car file.
        role: RoleKey,
        /// What this phone calls itself, made at random once and kept: 8 to 64 of `a-z A-Z 0-9 -`.
        device: PersonId,
        /// Where to resume from; absent for a snapshot.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        resume: Option<Resume>,
        /// The highest charge that the phone has seen: a hub that was replaced learns of it by this. Absent before any takeover.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        seen: Option<SeenCharge>,
        /// The token that an earlier welcome gave this device, in place of the code, which is then empty.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        token: Option<String>,
    },
    /// Something the person wants done. The hub answers with `ack` or `refused`.
    Command {
        /// Unique; sent again with the same id after a lost link, it is still one event.
        id: CommandId,
        /// What is wanted.
        #[serde(flatten)]
        command: Command,
    },
    /// Heartbeat; the hub answers with `pong`.
    Ping {
        /// The phone's own clock in milliseconds, of any epoch; it comes back unchanged.
        sent: f64,
        /// The lag that the phone last measured, there and back in milliseconds.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lag_ms: Option<u32>,
    },
}

/// How far a phone had got.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Resume {
    /// The journal that it was following, as `welcome` named it.
    pub journal: String,
    /// The number of the last event that it has.
    pub seq: Seq,
    /// The charge that the event was accepted under: numbers mean the same events only within one.
    #[serde(default, skip_serializing_if = "Charge::is_first")]
    pub charge: Charge,
}

/// From the hub to a phone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum HubMessage {
    /// The answer to a good `hello`.
    Welcome(Box<Welcome>),
    /// The answer to a bad one, or the reason for closing. The socket closes after it.
    Goodbye {
        /// Why, in words a person can act on.
        reason: String,
        /// What kind of reason.
        why: Farewell,
        /// How long to wait before trying again.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        retry_after_ms: Option<i64>,
    },
    /// The whole recorded state.
    Snapshot {
        /// All of it; its `seq` is the last event in it.
        record: Box<Record>,
    },
    /// Events with consecutive numbers.
    Events {
        /// Oldest first.
        events: Vec<Event>,
    },
    /// A stop call on its way, before it has reached the disk: it may not wait. The event follows.
    StopNow {
        /// The call's words.
        text: String,
        /// Who called.
        by: Who,
        /// The command; the event that follows carries it too.
        command: CommandId,
    },
    /// The latest readings, and the heartbeat.
    Readings(Frame),
    /// What the steps that can be marked next still wait for.
    Progress(Progress),
    /// Who is here.
    Presence {
        /// Everyone who has joined since the hub started.
        people: Vec<Present>,
    },
    /// How the sources are doing.
    Sources {
        /// One a source.
        sources: Vec<SourceHealth>,
    },
    /// What the figures say now.
    Figures {
        /// One a figure.
        figures: Vec<FigureNow>,
    },
    /// How the turnaround stands; only from a hub that was given a plan.
    Turnaround(turnaround::Now),
    /// How long the counted parts have been in; only from a hub that was given a season file.
    Season(season::Now),
    /// The team's bus and the cars on it; only from a hub that has one.
    Team(Team),
    /// The book's health: whether what is accepted can be written down.
    Book {
        /// `false` while the disk refuses; commands are then refused and the phones say so.
        writing: bool,
        /// What the disk said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        trouble: Option<String>,
        /// The disk is slow: a power cut could have cost the last so many milliseconds of readings, at the worst of late.
        /// Absent while it keeps up.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        late_ms: Option<u64>,
    },
    /// Which laptop is in charge, and how the other one is.
    Hubs(Hubs),
    /// How to join has changed: the chief has made a new crew code.
    Join(Join),
    /// Somebody tries codes. Sent while it is so, and once more, with 0, when it is over.
    Guessing {
        /// Wrong codes over the last minute.
        wrong: u32,
        /// From how many addresses; an IPv6 network (/64) counts as one.
        addresses: u32,
    },
    /// A command was accepted, and its event is on the disk.
    Ack {
        /// The command.
        id: CommandId,
        /// Its event.
        seq: Seq,
    },
    /// A command was not accepted.
    Refused {
        /// The command.
        id: CommandId,
        /// Why, in words a person can act on.
        reason: String,
    },
    /// The answer to `ping`.
    Pong {
        /// As sent.
        sent: f64,
        /// The hub's clock when it answered.
        now: Millis,
    },
}

/// Why the hub says goodbye.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Farewell {
    /// The code was wrong. Do not try again by yourself.
    WrongCode,
    /// Too many wrong codes from this address; wait.
    TooManyTries,
    /// A frame could not be understood, or the first one was no `hello`.
    BadMessage,
    /// This app is of another version than the hub; reload the page.
    WrongVersion,
    /// The hub is stopping; it may be back.
    Stopping,
    /// The chief has put this device out: its token is void, and the phone forgets the code too.
    PutOut,
}

/// What a phone needs to know to begin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Welcome {
    /// [`crate::PROTOCOL_VERSION`].
    pub protocol: u32,
    /// The hub's own version.
    pub hub_version: String,
    /// The journal's name, to resume by.
    pub journal: String,
    /// The hub's clock.
    pub now: Millis,
    /// The person as the hub knows them.
    pub you: Who,
    /// What they may do.
    pub right: Right,
    /// The car.
    pub car: Car,
    /// The sheets that can be begun.
    pub sheets: Vec<SheetTitle>,
    /// How others join.
    pub join: Join,
    /// The readings are not from a car (`sim:`), or not from now (`replay:`, `candump:`): what to say on every page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_live: Option<String>,
    /// The controls that `train` can move; empty without a simulated car.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub controls: Vec<Control>,
    /// This device's own token, to join by from now on in place of the code; absent where it joined by one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
    /// Which laptop is in charge.
    #[serde(default, skip_serializing_if = "is_alone")]
    pub hubs: Hubs,
}

fn is_alone(hubs: &Hubs) -> bool {
    *hubs == Hubs::default()
}

/// A sheet that can be begun.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct SheetTitle {
    /// Its key.
    pub key: String,
    /// Its name.
    pub name: String,
}

/// A control of a simulated car.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Control {
    /// Its key for `train`.
    pub key: String,
    /// What the crew calls it.
    pub label: String,
    /// Lowest setting.
    pub low: f64,
    /// Highest setting.
    pub high: f64,
    /// One press moves it this far; 0 for a switch (low is off, high is on).
    pub step: f64,
    /// Where it is when the hub starts.
    pub start: f64,
}

/// How others join.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Join {
    /// Addresses with the crew code behind the `#`, most likely one first.
    pub urls: Vec<String>,
    /// The first of them as a QR code: an SVG document.
    pub qr_svg: String,
    /// How phones come to trust an encrypted hub; absent where traffic is not encrypted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trust: Option<Trust>,
}

/// How phones come to trust an encrypted hub.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Trust {
    /// The page that explains it and has the certificate.
    pub url: String,
    /// That address as a QR code: an SVG document.
    pub qr_svg: String,
    /// SHA-256 of the authority's certificate, as phones show it: pairs of hexadecimal digits with colons between.
    pub fingerprint: String,
}

/// The latest readings: for each channel, in the order of `welcome.car.channels`, value, quality and age.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Frame {
    /// Counts up by one a frame; a phone on a slow link sees gaps, never an older frame.
    pub n: u64,
    /// The hub's clock at which the frame was made.
    pub now: Millis,
    /// Values in the channels' units; `null` where none was ever seen.
    pub v: Vec<Option<f64>>,
    /// One letter a channel: `g`ood, `s`uspect, `o`ld, `n`one.
    pub q: String,
    /// Milliseconds since each reading came in; 0 where there is none.
    pub age: Vec<i64>,
    /// Where each reading came from: a place in the list of `sources`, or [`SRC_TYPED`], or [`SRC_NONE`].
    #[serde(default)]
    pub src: Vec<u8>,
    /// First-priority alarms that are active and not put aside. They are events too, and are here as well so that they wait
    /// neither for the disk nor for anything else: whoever has the latest frame has them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub urgent: Vec<AlarmKey>,
    /// One letter a channel, why it is suspect: `r`ange, too `f`ast, `j`ump, stuc`k`, `-` for not; absent where none is.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
    /// Places of the channels for which not the first choice of their sources speaks; absent where there is none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub second: Vec<usize>,
}

/// In [`Frame::src`]: typed in by a person; the record's `typed` says who.
pub const SRC_TYPED: u8 = 254;
/// In [`Frame::src`]: none.
pub const SRC_NONE: u8 = 255;

impl Frame {
    /// One channel's value, quality and age in milliseconds, as they were when the frame was made.
    pub fn reading(&self, index: usize) -> (Option<f64>, Quality, i64) {
        let quality = self
            .q
            .chars()
            .nth(index)
            .and_then(Quality::from_letter)
            .unwrap_or(Quality::None);
        (
            self.v.get(index).copied().flatten(),
            quality,
            self.age.get(index).copied().unwrap_or(0),
        )
    }

    /// Why one channel's reading is suspect, where it is.
    pub fn doubt(&self, index: usize) -> Option<Doubt> {
        self.why.chars().nth(index).and_then(Doubt::from_letter)
    }
}

/// What the steps that could be marked next still wait for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Progress {
    /// The hub's clock; the times below are from then.
    pub now: Millis,
    /// The current step first, then others whose order allows them.
    pub steps: Vec<StepProgress>,
}

/// One step's waits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct StepProgress {
    /// The step.
    pub step: StepKey,
    /// Nothing is left to wait for.
    pub ready: bool,
    /// What it waits for, met or not.
    pub waits: Vec<Wait>,
    /// Milliseconds left of its time limit; below zero when it has passed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_left_ms: Option<i64>,
}

/// One condition of a step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "on", rename_all = "snake_case")]
pub enum Wait {
    /// A reading.
    Reading {
        /// The channel.
        channel: ChannelKey,
        /// What is asked of it.
        #[serde(flatten)]
        must: Must,
        /// It holds now.
        holds: bool,
        /// How much longer it must hold; the whole time while it doesn't.
        left_ms: i64,
        /// Why it does not hold although it may look so: `suspect`, `old`, `none`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        doubt: Option<String>,
    },
    /// The dwell.
    Dwell {
        /// How much longer.
        left_ms: i64,
    },
}

impl Wait {
    /// Nothing is left of it.
    pub fn met(&self) -> bool {
        match self {
            Self::Reading { holds, left_ms, .. } => *holds && *left_ms <= 0,
            Self::Dwell { left_ms } => *left_ms <= 0,
        }
    }
}

/// Somebody who has joined.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Present {
    /// The person.
    pub who: Who,
    /// What they may do.
    pub right: Right,
    /// Their socket is open and has been heard lately.
    pub here: bool,
    /// The lag that their phone last measured, there and back in milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lag_ms: Option<u32>,
    /// When `here` last changed.
    pub since: Millis,
}

/// How a source is doing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct SourceHealth {
    /// What it is, without secrets: `lines:tcp://0.0.0.0:7000`.
    pub name: String,
    /// What it is doing.
    pub state: SourceState,
    /// Readings a second over the last seconds.
    pub per_second: f64,
    /// Readings taken since the hub started.
    pub taken: u64,
    /// What was not taken, by kind.
    pub faults: Vec<FaultCount>,
    /// When `state` last changed; 0 before it first did.
    #[serde(default)]
    pub since: Millis,
    /// How often it was lost after it had delivered.
    #[serde(default)]
    pub lost: u32,
    /// Its own clock against the hub's; absent where it has none, or has not been heard for long enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<SourceClock>,
    /// The last it said of each channel, in the car's order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub last: Vec<LastValue>,
}

/// A source's own clock against the hub's, from the readings that came with the least delay.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct SourceClock {
    /// The hub's clock less the source's, now, in seconds; the least delay of the way is in it, for nothing can tell that apart.
    pub offset_s: f64,
    /// How much faster than the hub's it runs, in parts per million; below zero: slower. Absent until it can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift_ppm: Option<f64>,
    /// How much later than the quickest the latest reading came, in milliseconds.
    pub late_ms: f64,
    /// Over how many seconds that was watched.
    pub over_s: f64,
}

/// The last that a source said of a channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct LastValue {
    /// The channel.
    pub channel: ChannelKey,
    /// The value, calibrated, in the channel's unit.
    pub value: f64,
    /// The quality's letter, as in a frame.
    pub q: char,
    /// Why it is suspect.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<Doubt>,
    /// Milliseconds since it came.
    pub age: i64,
    /// This source is the one that phones see for the channel.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub speaks: bool,
}

impl SourceHealth {
    /// It delivers what may be a car's: anything but the simulator. A recording counts as a car: it is looked at like one.
    pub fn may_be_a_car(&self) -> bool {
        let delivers = self.state == SourceState::Up || self.per_second > 0.0;
        delivers && !crate::trust::is_simulated(&self.name)
    }
}

/// What a source is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum SourceState {
    /// Waiting for the other side.
    Waiting,
    /// Delivering.
    Up,
    /// Came to its end, as a file does.
    Ended,
    /// Broke, and will try again where it can.
    Failed,
}

/// Input that was not taken.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct FaultCount {
    /// What kind: `malformed`, `unknown_channel`, `not_a_number`, `absurd`, `time_back`, `duplicate`, `too_long`, `trouble`.
    pub kind: String,
    /// How many.
    pub count: u64,
    /// The latest, in plain words.
    pub last: String,
    /// When that was.
    pub at: Millis,
}

/// What a figure says now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FigureNow {
    /// Its key.
    pub key: String,
    /// What the crew calls it.
    pub label: String,
    /// Its value, where it can say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The value's unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<crate::units::Unit>,
    /// Low end of its interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// High end of its interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// One short sentence: what it says, or why it can't say yet.
    pub words: String,
    /// It asks for attention.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub attention: bool,
    /// Where it expects a channel to go from here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub forecast: Option<Ahead>,
    /// The earlier cases that it rests on, oldest first, where it was learned from such.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rests_on: Option<Cases>,
    /// A call that it gives reason for; absent while it is not sure enough of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ask: Option<Ask>,
}

/// A call that a figure gives reason for. Phones offer it in their own words; only a person makes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Ask {
    /// What is asked for.
    pub what: Asked,
    /// By how much, in the figure's unit: flow up, turns outwards, seconds to go.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<f64>,
    /// The role whose hands it takes; absent: everyone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<RoleKey>,
}

/// What a figure gives reason to call for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Asked {
    /// Another flow.
    Flow,
    /// A turn of the idle's bleeds.
    Bleed,
    /// Nothing but to know: soon warm.
    WarmSoon,
    /// The fuel does not last.
    FuelShort,
}

/// Earlier cases that a figure was learned from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Cases {
    /// The unit of what was given: the first of each pair.
    pub given: crate::units::Unit,
    /// Given and got; the second is in the figure's own unit.
    pub pairs: Vec<(f64, f64)>,
}

/// Where a channel is expected to go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Ahead {
    /// The channel.
    pub channel: ChannelKey,
    /// Seconds from now, and the value then in the channel's unit; nearest first, straight lines between.
    pub points: Vec<(f64, f64)>,
}
