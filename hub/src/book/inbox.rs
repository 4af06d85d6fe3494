//! What waits for the book's thread, and when it is due: readings soon enough that a power cut costs no more than was
//! promised, as far as the disk allows.

use super::{BookError, FLUSH_MS, PROMISED_MS, commit::Desk, rows::Reading};
use spinover_protocol::{Millis, event::Event, message::FigureNow};
use std::{
    collections::VecDeque,
    sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};
use tokio::sync::oneshot;

/// Readings that one transaction takes at most, so that a flood does not make events wait for a huge one.
pub(super) const TAKE_READINGS: usize = 65_536;
/// What a commit may take longer than those before it without breaking the promise.
const MARGIN: Duration = Duration::from_millis(15);
/// A promise that was broken is told for so long after it was kept again.
const TOLD_FOR: Duration = Duration::from_secs(60);

pub(super) type Answer = oneshot::Sender<Result<(), BookError>>;
pub(super) type Ask = Box<dyn FnOnce(Result<Desk, BookError>) + Send>;

/// One batch of readings, the id of its warm-up, and when it was handed over.
pub(super) struct Batch {
    pub(super) warmup: Arc<str>,
    pub(super) came: Instant,
    pub(super) readings: Vec<Reading>,
}

/// What the figures of a warm-up say at a time, and when it was handed over.
pub(super) struct Saying {
    pub(super) warmup: String,
    pub(super) came: Instant,
    pub(super) at: Millis,
    pub(super) figures: Vec<FigureNow>,
}

/// Everything that waits.
#[derive(Default)]
pub(super) struct Inbox {
    pub(super) appends: Vec<(Vec<Event>, Answer)>,
    /// In the order in which they came.
    pub(super) batches: VecDeque<Batch>,
    /// How many readings are in them.
    pub(super) queued: usize,
    /// In the order in which they came.
    pub(super) said: VecDeque<Saying>,
    pub(super) dropped: u64,
    pub(super) asks: Vec<Ask>,
    pub(super) closing: bool,
    pub(super) ended: bool,
}

/// What the thread has taken out of it.
pub(super) struct Taken {
    pub(super) appends: Vec<(Vec<Event>, Answer)>,
    pub(super) batches: Vec<Batch>,
    pub(super) said: Vec<Saying>,
    pub(super) asks: Vec<Ask>,
    pub(super) closing: bool,
}

/// The inbox, and what wakes the thread.
#[derive(Default)]
pub(super) struct Shared {
    inbox: Mutex<Inbox>,
    pub(super) wake: Condvar,
}

impl Shared {
    /// Nothing that holds the lock can panic half-way, so a poisoned lock still guards sound data.
    pub(super) fn inbox(&self) -> MutexGuard<'_, Inbox> {
        self.inbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until there is something to do, and takes it. Readings wait for `longest` at most.
    pub(super) fn take(&self, longest: Duration) -> Taken {
        let mut inbox = self.inbox();
        loop {
            let oldest = inbox.batches.front().map(|batch| batch.came);
            let said = inbox.said.front().map(|said| said.came);
            let oldest = oldest.into_iter().chain(said).min();
            let wait =
                oldest.map(|came| (came + longest).saturating_duration_since(Instant::now()));
            if !inbox.appends.is_empty()
                || !inbox.asks.is_empty()
                || inbox.closing
                || inbox.queued >= TAKE_READINGS
                || wait.is_some_and(|wait| wait.is_zero())
            {
                return inbox.take();
            }
            inbox = match wait {
                Some(wait) => {
                    let waited = self.wake.wait_timeout(inbox, wait);
                    waited.unwrap_or_else(PoisonError::into_inner).0
                }
                None => self
                    .wake
                    .wait(inbox)
                    .unwrap_or_else(PoisonError::into_inner),
            };
        }
    }
}

impl Inbox {
    fn take(&mut self) -> Taken {
        let everything = self.closing || !self.asks.is_empty();
        let mut batches = Vec::new();
        let mut taken = 0;
        while everything || taken < TAKE_READINGS {
            let Some(batch) = self.batches.pop_front() else {
                break;
            };
            taken += batch.readings.len();
            batches.push(batch);
        }
        self.queued -= taken;
        Taken {
            appends: std::mem::take(&mut self.appends),
            batches,
            said: self.said.drain(..).collect(),
            asks: std::mem::take(&mut self.asks),
            closing: self.closing,
        }
    }
}

/// How long commits take, and so how long readings may wait for the next one.
#[derive(Debug, Default)]
pub(super) struct Pace {
    /// What the next commit is expected to take: the longest of late, forgotten bit by bit.
    commit: Duration,
    /// The longest that readings have waited for the disk beyond what is promised, and when that last happened.
    late: Option<(Duration, Instant)>,
}

impl Pace {
    /// How long readings may wait before a commit begins.
    pub(super) fn wait(&self) -> Duration {
        Duration::from_millis(PROMISED_MS)
            .saturating_sub(self.commit + MARGIN)
            .min(Duration::from_millis(FLUSH_MS))
    }

    /// A commit has ended; the oldest of its readings came at `oldest`.
    pub(super) fn committed(&mut self, began: Instant, oldest: Option<Instant>, now: Instant) {
        self.commit = now
            .saturating_duration_since(began)
            .max(self.commit * 7 / 8);
        let waited = oldest.map_or(Duration::ZERO, |oldest| {
            now.saturating_duration_since(oldest)
        });
        if self
            .late
            .is_some_and(|(_, at)| now.saturating_duration_since(at) >= TOLD_FOR)
        {
            self.late = None;
        }
        if waited > Duration::from_millis(PROMISED_MS) {
            let worst = self.late.map_or(waited, |(worst, _)| worst.max(waited));
            self.late = Some((worst, now));
        }
    }

    /// How long readings have waited for the disk at the worst of late, in milliseconds; nought while the promise is kept.
    pub(super) fn late_ms(&self) -> u64 {
        self.late.map_or(0, |(worst, _)| worst.as_millis() as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn slow_commits_begin_earlier_and_quick_ones_forget_it() {
        let mut pace = Pace::default();
        let start = Instant::now();
        assert_eq!(pace.wait(), ms(FLUSH_MS));
        pace.committed(start, Some(start - ms(120)), start + ms(90));
        assert_eq!(pace.wait() + ms(90) + MARGIN, ms(PROMISED_MS));
        assert_eq!(pace.late_ms(), 0, "210 ms are within the promise");
        for _ in 0..40 {
            pace.committed(start, None, start + ms(3));
        }
        assert_eq!(pace.wait(), ms(FLUSH_MS));
        pace.committed(start, None, start + ms(5_000));
        assert_eq!(pace.wait(), ms(0), "at once, one after the other");
    }

    #[test]
    fn a_broken_promise_is_told_and_then_forgotten() {
        let mut pace = Pace::default();
        let start = Instant::now();
        let commit = |pace: &mut Pace, at: Duration, waited: Duration| {
            let now = start + at;
            pace.committed(now, Some(now - waited), now);
            pace.late_ms()
        };
        let base = ms(10_000);
        assert_eq!(commit(&mut pace, base, ms(PROMISED_MS)), 0);
        assert_eq!(commit(&mut pace, base + ms(1), ms(900)), 900);
        assert_eq!(commit(&mut pace, base + ms(2), ms(400)), 900);
        let later = base + ms(1) + TOLD_FOR;
        assert_eq!(
            commit(&mut pace, later, ms(10)),
            900,
            "a minute after the last"
        );
        assert_eq!(commit(&mut pace, later + ms(1), ms(10)), 0);
    }
}
