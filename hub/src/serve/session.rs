//! What one joined connection is sent, and what its phone's messages ask for: the deciding part of a socket, without a socket and
//! without a clock. `socket` drives it with real ones, `pit::storm` with simulated ones.

use super::shared::{Board, EventLog, Seen, encode};
use axum::extract::ws::Utf8Bytes;
use spinover_protocol::{
    CommandId, Millis, Seq,
    message::{ClientMessage, Command, HubMessage, Resume},
};

/// Answers that may wait for one phone. A crew member does not press faster than they are sent.
pub const ANSWERS_WAITING: usize = 64;

/// How far one connection has been told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    cursor: Seq,
    seen: Seen,
}

/// What a phone's message asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard {
    /// A heartbeat: how far the phone lags, for the keeper, and what to answer at once.
    Ping(Option<u32>, HubMessage),
    /// A command, for the keeper.
    Command(CommandId, Box<Command>),
}

impl Session {
    /// A connection that was let in: what it is sent after the welcome, and how it goes on. A phone that names its place in this
    /// journal gets the tail by [`Session::events`]; any other gets a snapshot, even an empty one, so that it knows that it has all.
    pub fn begin(
        log: &EventLog,
        journal: &str,
        resume: Option<&Resume>,
    ) -> (Self, Option<Utf8Bytes>) {
        let seen = Seen::default();
        match resume {
            // Numbers mean the same events only within one charge: what the hub before accepted last may not be in this journal.
            Some(resume)
                if resume.journal == journal
                    && resume.charge == log.record().charge
                    && resume.seq > 0 =>
            {
                let cursor = resume.seq;
                (Self { cursor, seen }, None)
            }
            _ => {
                let record = log.record();
                let cursor = record.seq;
                let record = Box::new(spinover_protocol::record::Record::clone(&record));
                (
                    Self { cursor, seen },
                    Some(encode(&HubMessage::Snapshot { record })),
                )
            }
        }
    }

    /// Frames of the events that it has not been told.
    pub fn events(&mut self, log: &EventLog) -> Vec<Utf8Bytes> {
        let mut frames = Vec::new();
        while let Some((frame, last)) = log.after(self.cursor) {
            self.cursor = last;
            frames.push(frame);
        }
        frames
    }

    /// An answer to one of its commands, behind the events that it speaks of.
    pub fn answer(&mut self, log: &EventLog, answer: &HubMessage) -> Vec<Utf8Bytes> {
        let mut frames = self.events(log);
        frames.push(encode(answer));
        frames
    }

    /// All that is new: events, then what is new on the board, a stop call first.
    pub fn told(&mut self, log: &EventLog, board: &Board) -> Vec<Utf8Bytes> {
        let mut frames = self.events(log);
        frames.extend(board.news(&mut self.seen));
        frames
    }
}

/// What a message of a joined phone asks for; `now` is the hub's clock.
///
/// # Errors
/// Why the socket is to be closed.
pub fn heard(message: ClientMessage, now: Millis) -> Result<Heard, &'static str> {
    match message {
        ClientMessage::Hello { .. } => Err("hello comes once"),
        ClientMessage::Ping { sent, lag_ms } => {
            Ok(Heard::Ping(lag_ms, HubMessage::Pong { sent, now }))
        }
        ClientMessage::Command { id, .. } if id.0.is_empty() || id.0.len() > 64 => {
            Err("a command's id has 1 to 64 bytes")
        }
        ClientMessage::Command { id, command } => Ok(Heard::Command(id, Box::new(command))),
    }
}
