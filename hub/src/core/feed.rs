//! What sources hand to the core: batches of values, and what they could not take.

/// One moment's values from one source. Every value is finite; the source has checked that.
#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    /// The source's own time in seconds from any start, where it has one. Figures and the record go by it.
    pub t_s: Option<f64>,
    /// Channel index (its place in the car's list) and value in the channel's unit.
    pub values: Vec<(usize, f64)>,
}

/// What a source reports.
#[derive(Clone, Debug, PartialEq)]
pub enum Report {
    /// Values.
    Batch(Batch),
    /// Input that could not be taken.
    Fault(Fault),
    /// The source is waiting, up, ended or failed.
    State(spinover_protocol::message::SourceState),
}

/// Input that could not be taken, in words for the crew chief.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Its kind.
    pub kind: FaultKind,
    /// How many of it at once; a flood is counted, not listed.
    pub count: u64,
    /// The latest of them in plain words, at most 200 characters, with the offending text cut short.
    pub text: String,
}

/// Kinds of input that could not be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FaultKind {
    /// The line is no JSON object, or the row no row.
    Malformed,
    /// No channel of that name in the car file.
    UnknownChannel,
    /// Not a finite number.
    NotANumber,
    /// So far outside the plausible range that it cannot be a reading.
    Absurd,
    /// The source's time went back.
    TimeBack,
    /// The same values with the same time came before.
    Duplicate,
    /// A line longer than any honest one.
    TooLong,
    /// The source itself is in trouble: cannot connect, cannot read.
    Trouble,
}

impl FaultKind {
    /// Its name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Malformed => "malformed",
            Self::UnknownChannel => "unknown_channel",
            Self::NotANumber => "not_a_number",
            Self::Absurd => "absurd",
            Self::TimeBack => "time_back",
            Self::Duplicate => "duplicate",
            Self::TooLong => "too_long",
            Self::Trouble => "trouble",
        }
    }
}
