//! What crosses the wire between the hub and the phones, and what it means.
//!
//! No I/O, no clock, no threads: it builds for the hub and for the browser alike. Anything both sides must agree on
//! lives here, so that they cannot drift apart:
//!
//! - [`message`]: the JSON text frames each way (examples of each in `protocol/MESSAGES.md`, decoded by a test);
//! - [`event`]: what the journal holds, numbered without gaps;
//! - [`record`]: the state that events fold into, and the rules of order on a sheet;
//! - [`alarm`]: what alarms watch, and the states they go through;
//! - [`car`], [`sheet`]: the car and the procedure as a phone needs to know them;
//! - [`today`]: what people measure and set for the figures;
//! - [`hubs`]: two laptops, which of them is in charge, and what they say to each other;
//! - [`team`]: the team's cars, as their hubs say on its bus;
//! - [`trust`]: how far a reading can be trusted, and calibration;
//! - [`turnaround`]: the plan of what must be done between rounds, and how it stands;
//! - [`season`]: what is counted until a part is due;
//! - [`clock`]: a phone's clock that never goes back;
//! - [`link`]: the phone's side of a connection as a state machine, which the app, the tests and any simulation run;
//! - [`book`]: the book's list and a warm-up played back, over plain HTTP;
//! - [`recording`]: a recording from elsewhere, looked at and taken into the book, over plain HTTP;
//! - [`door`]: the devices that may come in, for the chief, over plain HTTP;
//! - [`files`]: the files as the chief changes them in the app, over plain HTTP;
//! - [`json`]: how the app reads all that;
//! - [`map`]: the maps in it;
//! - [`units`]: exact conversions between the units that crews use.
#![forbid(unsafe_code)]

pub mod alarm;
pub mod book;
pub mod car;
pub mod clock;
pub mod door;
pub mod event;
pub mod files;
pub mod hubs;
pub mod json;
pub mod link;
pub mod map;
pub mod message;
pub mod record;
pub mod recording;
pub mod season;
pub mod sheet;
pub mod team;
pub mod today;
pub mod trust;
pub mod turnaround;
pub mod units;

use json::FromJson;
use serde::{Deserialize, Serialize};

/// Version of the message set. It is part of the WebSocket sub-protocol name, and of `hello` and `welcome`.
///
/// - 1: first version.
pub const PROTOCOL_VERSION: u32 = 1;
/// The WebSocket sub-protocol for JSON text frames at [`PROTOCOL_VERSION`]. A client that asks for none gets this one.
pub const SUBPROTOCOL: &str = "spinover.json.1";
/// Longest text frame that the hub takes from a phone, in bytes. The longest honest one (a call with a note) is under 4 KiB.
pub const MAX_CLIENT_FRAME: usize = 16 * 1024;
/// Longest name, call, reason or note, in characters; longer ones are refused, not cut.
pub const MAX_TEXT: usize = 200;
/// The hub sends something at least this often, in milliseconds; it is the heartbeat that a phone counts on.
pub const HEARTBEAT_MS: i64 = 500;
/// A phone that has heard nothing for this long says that the link is lost. Four heartbeats, and under the 2.5 s that crews are promised.
pub const LINK_LOST_MS: i64 = 2_000;
/// A phone pings this often; the answer gives the clock offset and the lag.
pub const PING_MS: i64 = 1_000;
/// The hub closes a phone's socket when it has heard nothing for this long: five pings missed and a bit.
pub const PHONE_GONE_MS: i64 = 6_000;

/// Milliseconds since 1970-01-01 UTC on the *hub's* clock. The hub's clock only goes forward while it runs.
pub type Millis = i64;
/// Number of an event in the journal: 1, 2, 3 … without gaps.
pub type Seq = u64;

macro_rules! text_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, FromJson)]
        #[serde(transparent)]
        pub struct $name(pub String);

        impl $name {
            /// The key as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }
        impl From<&str> for $name {
            fn from(text: &str) -> Self {
                Self(text.to_owned())
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}
text_id!(
    /// A channel's key, as in the car file: `oil_pressure`.
    ChannelKey
);
text_id!(
    /// A role's key, as in the car file: `idle`.
    RoleKey
);
text_id!(
    /// A step's key, unique within its sheet: `cylinders_clear`.
    StepKey
);
text_id!(
    /// A phase's key, unique within its sheet: `spin_over`.
    PhaseKey
);
text_id!(
    /// An alarm's key, as in the car file: `oil_pressure_lost`.
    AlarmKey
);
text_id!(
    /// A task's key, as in the turnaround file: `fuel_mixed`.
    TaskKey
);
text_id!(
    /// One phone (or laptop), by the random name it made for itself when it first opened the app.
    PersonId
);
text_id!(
    /// A command's own name, made by the phone. The same one twice is one event.
    CommandId
);
