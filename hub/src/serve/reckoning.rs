//! When it is reckoned how the turnaround stands, and where: beside the keeper's work, on another thread, one reckoning at a time.
//! It is latest-only, as figures are, so the clerk decides nothing about it.

use crate::core::Core;
use spinover_protocol::{
    Millis,
    event::{Event, EventBody},
    turnaround,
};
use tokio::sync::mpsc;

/// It is reckoned anew this often, as time passes; at once when something is marked.
const RECKON_EVERY_MS: i64 = 10_000;

/// A reckoning's result; none when it failed.
type Reckoned = Option<turnaround::Now>;

/// Has it reckoned, and waits for what comes out.
pub struct Reckoner {
    done: (mpsc::Sender<Reckoned>, mpsc::Receiver<Reckoned>),
    under_way: bool,
    next_at: Millis,
}

impl Reckoner {
    /// One that reckons at the first time that it is asked.
    pub fn new() -> Self {
        Self {
            done: mpsc::channel(1),
            under_way: false,
            next_at: 0,
        }
    }

    /// These events have happened.
    pub fn heard(&mut self, events: &[Event]) {
        if events
            .iter()
            .any(|event| event.body.moves_turnaround() || is_of_air(&event.body))
        {
            self.next_at = 0;
        }
    }

    /// Other lessons hold from now on.
    pub fn learned(&mut self) {
        self.next_at = 0;
    }

    /// Begins a reckoning where one is due and none is under way.
    pub fn tick(&mut self, core: &Core, now: Millis) {
        if self.under_way || now < self.next_at {
            return;
        }
        self.next_at = now + RECKON_EVERY_MS;
        let Some(mut reckoning) = core.reckoning(now) else {
            return;
        };
        reckoning.air.clock_ahead_min = clock_ahead_min(now);
        self.under_way = true;
        let to = self.done.0.clone();
        tokio::spawn(async move {
            let done = tokio::task::spawn_blocking(move || reckoning.run()).await;
            let _ = to.send(done.ok()).await;
        });
    }

    /// Waits for a reckoning to come out. Nothing is lost where the waiting is given up.
    pub async fn reckoned(&mut self) -> Reckoned {
        // It never ends: an end to send by is in our own hands.
        let reckoned = self.done.1.recv().await.flatten();
        self.under_way = false;
        reckoned
    }
}

/// Whether it changes what the air will be, or what flow that wants.
fn is_of_air(body: &EventBody) -> bool {
    matches!(
        body,
        EventBody::ConditionsSet(_) | EventBody::FlowBaselineSet(_)
    )
}

/// How far the laptop's clock on the wall is ahead of UTC, in minutes.
fn clock_ahead_min(now: Millis) -> i32 {
    let time = jiff::Timestamp::from_millisecond(now).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    jiff::tz::TimeZone::system().to_offset(time).seconds() / 60
}
