//! The simulated network: connections as TCP gives them, over radios that stall, crawl, fall silent and come back.
//!
//! Within a connection nothing is lost, doubled or overtaken: what is sent arrives in order, late, or not at all because the
//! connection is gone, with word of that or without. Between two connections of one phone anything can overtake anything.

use super::chance::Chance;
use crate::serve::{clerk::ConnId, session::Session};
use spinover_protocol::message::{ClientMessage, HubMessage};
use std::{collections::VecDeque, sync::Arc};

/// What travels to a phone.
#[derive(Debug)]
pub(super) enum ToPhone {
    Frame(Arc<HubMessage>),
    Closed,
}

/// What travels to the hub.
#[derive(Debug)]
pub(super) enum ToHub {
    Frame(Box<ClientMessage>),
    Closed,
}

/// One direction of a connection.
#[derive(Debug)]
pub(super) struct Pipe<T> {
    pub(super) flying: VecDeque<T>,
    /// When the last of them arrives, at the earliest.
    last_at: i64,
    /// Nothing arrives before.
    pub(super) held_until: i64,
}

impl<T> Pipe<T> {
    fn new(held_until: i64) -> Self {
        Self {
            flying: VecDeque::new(),
            last_at: 0,
            held_until,
        }
    }

    /// Sends something; when it arrives unless something comes between.
    pub(super) fn send(&mut self, now: i64, latency_ms: i64, each_ms: i64, what: T) -> i64 {
        self.last_at = (now + latency_ms).max(self.last_at + each_ms);
        self.flying.push_back(what);
        self.last_at
    }

    /// Whether what is sent now arrives without waiting for what was sent before.
    pub(super) fn is_free(&self, now: i64) -> bool {
        self.held_until <= now && self.last_at <= now + 100
    }

    /// The way is quick again: what flies arrives now; how much that is.
    pub(super) fn catches_up(&mut self, now: i64) -> usize {
        self.last_at = now;
        self.flying.len()
    }

    /// Nothing arrives for so long, and then, as senders wait longer and longer before they try again, not at once.
    pub(super) fn stall(&mut self, now: i64, for_ms: i64, chance: &mut Chance) {
        let longer = chance.between(0, for_ms.min(3_000));
        self.held_until = self.held_until.max(now + for_ms + longer);
    }
}

/// What the hub knows of a connection.
#[derive(Debug, Default)]
pub(super) struct HubEnd {
    /// What it has been told, once it is let in.
    pub(super) session: Option<Session>,
    pub(super) answers: VecDeque<HubMessage>,
    /// The clerk has given it up: it closes when it has said what it has.
    pub(super) given_up: bool,
    /// Came in while it could not be read.
    pub(super) inbox: VecDeque<ClientMessage>,
    pub(super) heard_at: i64,
    /// Since when the phone has taken nothing.
    pub(super) blocked_since: Option<i64>,
}

/// A connection.
#[derive(Debug)]
pub(super) struct Conn {
    pub(super) id: ConnId,
    pub(super) phone: usize,
    pub(super) down: Pipe<ToPhone>,
    pub(super) up: Pipe<ToHub>,
    pub(super) phone_open: bool,
    pub(super) hub: Option<HubEnd>,
    /// Nothing gets through any more, and nobody is told.
    pub(super) dead: bool,
    /// The hub's laptop went without a word; it will say that it knows nothing of this once it is spoken to again.
    pub(super) orphan: bool,
}

impl Conn {
    pub(super) fn new(id: ConnId, phone: usize, held_until: i64) -> Self {
        Self {
            id,
            phone,
            down: Pipe::new(held_until),
            up: Pipe::new(held_until),
            phone_open: true,
            hub: None,
            dead: false,
            orphan: false,
        }
    }
}

/// A phone's radio.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Radio {
    pub(super) latency_ms: i64,
    pub(super) jitter_ms: i64,
    /// Each frame takes so long on the way to the phone: a slow corner of the pit. 0 when all is well.
    pub(super) crawl_ms: i64,
    /// Nothing gets through until then.
    pub(super) cut_until: i64,
}

impl Radio {
    pub(super) fn latency(&self, chance: &mut Chance) -> i64 {
        self.latency_ms + chance.between(0, self.jitter_ms)
    }
}
