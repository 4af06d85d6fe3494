//! Two laptops: which hub is in charge, and what the two say to each other. No I/O; the rules are in the hub's `core::charge`.
//!
//! A second laptop follows the first one's journal and can take over. So that two hubs never both take commands for long, each
//! takeover is an event with a higher *charge* than any before, and whoever has heard of a higher one refuses all lower ones.

use crate::json::FromJson;
use crate::{
    CommandId, Seq,
    book::Listed,
    event::{Event, Who},
};
use serde::{Deserialize, Serialize};

/// Which takeover a hub's right to take commands comes from. Later ones are greater.
#[derive(
    Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, FromJson,
)]
pub struct Charge {
    /// Counts takeovers: 0 for the hub that began the journal.
    pub epoch: u64,
    /// The random name of the hub that took over; it decides where two have taken over at once, so that no two charges are equal.
    pub hub: String,
    /// What only the hubs of this journal can make, for this epoch and hub: nobody else can say that a hub was replaced.
    pub proof: String,
}

impl Charge {
    /// Nobody has ever taken over.
    pub fn is_first(&self) -> bool {
        *self == Self::default()
    }
}

/// What a hub may do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// It takes commands.
    #[default]
    InCharge,
    /// It follows the hub in charge, and can take over.
    Standby,
    /// Another hub has taken over from it.
    Replaced,
}

/// Which laptop is in charge, as the hub that says so knows it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Hubs {
    /// What the hub that says this may do.
    pub standing: Standing,
    /// The highest charge that it knows.
    #[serde(default, skip_serializing_if = "Charge::is_first")]
    pub charge: Charge,
    /// The other laptop, where there was one: the standby of a hub in charge, else the hub in charge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other: Option<OtherHub>,
}

/// The other laptop.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct OtherHub {
    /// Where it can be reached, `http://192.0.2.7:4780`; several when it has several addresses.
    pub urls: Vec<String>,
    /// The two are connected.
    pub here: bool,
    /// Events that the standby of the two lacks, as far as is known.
    pub behind: u64,
}

/// How far a phone had got with the takeovers of a journal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct SeenCharge {
    /// The journal.
    pub journal: String,
    /// The highest charge seen in it.
    pub charge: Charge,
}

/// What a followed file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum FileKind {
    /// The car file; there is one.
    Car,
    /// A sheet.
    Sheet,
    /// What is done between rounds; there is at most one.
    Turnaround,
    /// What is counted over the season; there is at most one.
    Season,
}

/// A text file that a standby needs to take over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct FileText {
    /// What it is.
    pub kind: FileKind,
    /// Its name, for messages about mistakes in it.
    pub name: String,
    /// What is in it.
    pub text: String,
}

/// Times and values of one row of readings: microseconds since 1970, and channel and value.
pub type RowText = (i64, Vec<(u16, f64)>);

/// What two hubs say to each other on `/api/peer`, told apart by `type`. Between these come frames that phones get, word for word:
/// `events`, `readings`, `progress`, `presence`, `sources`, `figures`, `turnaround`, `stop_now`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum PeerMessage {
    /// Both ways: the highest charge that I know. The first frame from whoever was called. One that names the hub that hears it
    /// hands over to it.
    Charge {
        /// The journal that it is about.
        journal: String,
        /// The charge.
        charge: Charge,
        /// What the hub that says this may do.
        standing: Standing,
        /// Where it can be reached.
        urls: Vec<String>,
        /// Who wanted the takeover.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<Who>,
        /// The command that they wanted it with.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        command: Option<CommandId>,
    },
    /// From a standby: let me follow.
    Follow {
        /// [`crate::PROTOCOL_VERSION`].
        protocol: u32,
        /// The chief code.
        code: String,
        /// The standby's random name.
        hub: String,
        /// Where phones can reach it.
        urls: Vec<String>,
        /// The journal that it holds; absent with an empty book.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        journal: Option<String>,
        /// The charge in that journal.
        charge: Charge,
        /// The number of its last event.
        seq: Seq,
        /// Its latest warm-ups and how many rows of readings it has of each.
        rows: Vec<(String, u64)>,
    },
    /// To a standby: what it needs, and what comes next.
    Leader {
        /// The number of the last event.
        last: Seq,
        /// The standby's book does not go on into this one: a copy of the whole book follows in binary frames, then `copied`.
        copy: bool,
        /// Why the readings are not live.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        not_live: Option<String>,
        /// The crew code, so that phones get in at the standby too.
        crew_code: String,
        /// The car file, the sheets in their order, and what is done between rounds.
        files: Vec<FileText>,
        /// Where this hub can be reached: pages from there may talk to the standby.
        urls: Vec<String>,
    },
    /// To a standby: the copy is whole.
    Copied {},
    /// To a standby: rows of readings that are on the disk.
    Rows {
        /// The warm-up.
        warmup: String,
        /// The number of the first of them.
        first: u64,
        /// The rows.
        rows: Vec<RowText>,
    },
    /// To a standby: what people have said of warm-ups; all at first, then what changed.
    Remarks {
        /// The warm-ups.
        warmups: Vec<Listed>,
    },
    /// From a standby: I have every event up to this one on my disk.
    Have {
        /// Its number.
        seq: Seq,
    },
    /// From a standby: the chief wants me to take over.
    WantsOver {
        /// Who, where a person said so.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<Who>,
        /// Their command.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        command: Option<CommandId>,
    },
    /// From a standby: a piece of a photo that some warm-up has. The answer is a binary frame with the bytes from there on, as many as
    /// are sent in one; an empty one when there are no more.
    WantPhoto {
        /// The photo's name, which is the hash of what is in it.
        name: String,
        /// From which byte on.
        from: u64,
    },
    /// Either way: that will not do, and why. The socket closes after it, except where it is the answer to `wants_over`.
    Denied {
        /// In words a person can act on.
        reason: String,
    },
    /// To a standby: events with consecutive numbers.
    Events {
        /// Oldest first.
        events: Vec<Event>,
    },
}
