//! A recording from elsewhere (CSV) on its way into the book: what the hub finds in it, what a person says each column is, and what
//! came of that. These are the answers and bodies of `/api/book/recording`.

use crate::json::FromJson;
use crate::{ChannelKey, Millis, units::Unit};
use serde::{Deserialize, Serialize};

/// Largest recording that is taken in over HTTP, in bytes; a larger one goes by the command line.
pub const MAX_RECORDING: usize = 32 * 1024 * 1024;
/// So much of a recording's beginning is looked at for its columns, in bytes.
pub const LOOKED_AT: usize = 512 * 1024;
/// Rows that are shown before a recording is taken in.
pub const ROWS_SHOWN: usize = 8;

/// What was found at the beginning of a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct LookedAt {
    /// The header of the column of times.
    pub time: String,
    /// How times are written in it: `seconds`, `clock` or `rfc3339`.
    pub form: String,
    /// Columns that can become channels.
    pub columns: Vec<Found>,
    /// Headers of columns without numbers, which are left out.
    pub others: Vec<String>,
}

/// A column that can become a channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Found {
    /// Its header.
    pub header: String,
    /// Which of the columns with that header, from 1.
    pub nth: usize,
    /// The lowest value in what was looked at.
    pub low: f64,
    /// The highest.
    pub high: f64,
    /// A few of its values, as they are written.
    pub samples: Vec<String>,
    /// The channel that it seems to be.
    pub key: ChannelKey,
    /// The unit that it seems to be in; none where nothing tells.
    pub unit: Option<Unit>,
}

/// What a person says of a recording: the first line of what is sent, and the file behind it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(deny_unknown_fields)]
pub struct TakeIn {
    /// The file's name; it becomes the name of the sheet.
    pub name: String,
    /// When it began, in milliseconds; what the recording itself says goes before it where that has dates.
    pub begun: Millis,
    /// The columns that are kept.
    pub columns: Vec<Kept>,
    /// Take it in; else only say what would come of it.
    pub take: bool,
}

/// A column that is kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// Its header.
    pub header: String,
    /// Which of the columns with that header, from 1.
    pub nth: usize,
    /// The channel that it becomes.
    pub key: ChannelKey,
    /// The unit that it is in.
    pub unit: Unit,
}

/// What came of a recording, or would.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct TakenIn {
    /// The id that it got, once it is in the book.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// When it began.
    pub begun_at: Millis,
    /// How long it lasts, in milliseconds.
    pub lasts_ms: Millis,
    /// How many rows there are.
    pub rows: u64,
    /// Each channel that would be in the book.
    pub channels: Vec<ReadAs>,
    /// The first rows: seconds since it began, and a value for each channel, in its unit.
    pub first: Vec<(f64, Vec<Option<f64>>)>,
    /// Lines that could not be taken whole; the first fifty.
    pub wrong: Vec<WrongLine>,
    /// How many things could not be taken.
    pub wrong_count: u64,
}

/// What a column was read as.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct ReadAs {
    /// The channel.
    pub key: ChannelKey,
    /// What the crew calls it.
    pub label: String,
    /// The unit that its values are in.
    pub unit: Unit,
    /// How many readings it has.
    pub readings: u64,
    /// The lowest; none without a reading.
    pub low: Option<f64>,
    /// The highest; none without a reading.
    pub high: Option<f64>,
}

/// A line of a recording that could not be taken whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct WrongLine {
    /// Its number, from 1.
    pub line: usize,
    /// What is wrong with it.
    pub what: String,
}
