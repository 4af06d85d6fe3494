//! What the car file says about outside names: plain data that sources are given. No parsing of the car file here.

use super::nmea::Field;
use spinover_protocol::units::Unit;

/// How the columns of a recording become channels.
#[derive(Clone, Debug, PartialEq)]
pub struct ReplayMap {
    /// The column that holds the time.
    pub time: TimeColumn,
    /// Lines before the header. `None`: the header is the first line whose first cell is the time column's name.
    pub skip_lines: Option<usize>,
    /// What separates the cells of a row; a comma unless the car file says otherwise.
    pub separator: u8,
    /// One a channel that the recording holds.
    pub columns: Vec<ColumnMap>,
}

impl Default for ReplayMap {
    /// Comma-separated, a first column `t` in seconds, the header found by it, and no channels yet.
    fn default() -> Self {
        let time = TimeColumn {
            column: "t".to_owned(),
            form: TimeForm::Seconds,
        };
        Self {
            time,
            skip_lines: None,
            separator: b',',
            columns: Vec::new(),
        }
    }
}

/// The column that holds the time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeColumn {
    /// Its header, without blanks around it.
    pub column: String,
    /// How a time is written in it.
    pub form: TimeForm,
}

/// How a recording writes its times.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeForm {
    /// Seconds from any start: `12.345`.
    #[default]
    Seconds,
    /// A date and time by RFC 3339, `2024-07-29T14:32:41Z`. A blank for the `T` is taken, and without an offset it is UTC.
    Rfc3339,
    /// The time of day, `HH:MM:SS` with or without a fraction. A fall by more than 12 hours is midnight passing.
    Clock,
}

impl TimeForm {
    /// Every form.
    pub const ALL: [Self; 3] = [Self::Seconds, Self::Rfc3339, Self::Clock];

    /// Its word in the car file: `seconds`, `rfc3339`, `clock`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Seconds => "seconds",
            Self::Rfc3339 => "rfc3339",
            Self::Clock => "clock",
        }
    }

    /// The form with that word in the car file.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|form| form.word() == word)
    }
}

/// The column that holds one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ColumnMap {
    /// The channel's place in the car's list.
    pub channel: usize,
    /// The column's header, without blanks around it.
    pub column: String,
    /// Which of the columns with that header, from 1; recorders repeat names.
    pub nth: usize,
    /// The unit of the column; values are converted from it to the channel's. It must measure the same kind of quantity.
    pub unit: Unit,
    /// Text before the number that is no part of it, such as `TOTAL   :`.
    pub strip: Option<String>,
}

/// What channels are called where readings come from by other names than their keys.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Names {
    /// Signals on a CAN bus.
    pub signals: Vec<SignalMap>,
    /// Fields of NMEA 0183 sentences.
    pub fields: Vec<FieldMap>,
    /// Topics at an MQTT broker.
    pub topics: Vec<TopicMap>,
}

/// The CAN signal that holds one channel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignalMap {
    /// The channel's place in the car's list.
    pub channel: usize,
    /// `Message.Signal` as in the DBC file, or `Signal` alone where only one message has it.
    pub signal: String,
    /// The signal's unit, where the DBC file does not say it, or not in a way that can be read.
    pub unit: Option<Unit>,
}

/// The field of a weather sentence that holds one channel. Its unit is in the sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldMap {
    /// The channel's place in the car's list.
    pub channel: usize,
    /// The field.
    pub field: Field,
}

/// The topic on which bare numbers for one channel come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TopicMap {
    /// The channel's place in the car's list.
    pub channel: usize,
    /// The topic in full, without wildcards.
    pub topic: String,
    /// The unit of the numbers.
    pub unit: Unit,
}
