//! The one thread that writes the book, and the queue before it. It knows the tables; it does not know the clock of the
//! hub, the network, or what the events mean beyond which warm-up they belong to.

use super::{
    BLOCK_ROWS, BookError, BookHealth, FLUSH_MS, Loaded, QUEUE_READINGS,
    commit::{Desk, Ids, Planned, commit, seal},
    read,
    rows::{Reading, Rows},
    store,
};
use rusqlite::Connection;
use spinover_protocol::{
    Seq,
    event::{Event, EventBody},
};
use std::{
    collections::{BTreeMap, BTreeSet, HashMap, VecDeque},
    path::{Path, PathBuf},
    sync::{Arc, Condvar, Mutex, MutexGuard},
    thread::JoinHandle,
    time::{Duration, Instant},
};
use tokio::sync::{oneshot, watch};

/// Readings that one transaction takes at most, so that a flood does not make events wait for a huge one.
const TAKE_READINGS: usize = 65_536;
/// Waits between attempts while the disk fails: the first, and the longest.
const BACKOFF: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(5));
/// Attempts that are still made when the hub wants to end.
const LAST_ATTEMPTS: u32 = 2;

pub(super) type Answer = oneshot::Sender<Result<(), BookError>>;
type Ask = Box<dyn FnOnce(Result<Desk, BookError>) + Send>;

#[derive(Default)]
struct Inbox {
    appends: Vec<(Vec<Event>, Answer)>,
    /// Batches with the id of their warm-up, and when the oldest of them came.
    batches: VecDeque<(Arc<str>, Vec<Reading>)>,
    oldest: Option<Instant>,
    queued: usize,
    dropped: u64,
    asks: Vec<Ask>,
    closing: bool,
    ended: bool,
}

struct Shared {
    inbox: Mutex<Inbox>,
    wake: Condvar,
}

impl Shared {
    /// Nothing that holds the lock can panic half-way, so a poisoned lock still guards sound data.
    fn inbox(&self) -> MutexGuard<'_, Inbox> {
        self.inbox
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// The handle of the thread.
pub(super) struct Writer {
    shared: Arc<Shared>,
    health: watch::Receiver<BookHealth>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").finish_non_exhaustive()
    }
}

impl Writer {
    pub(super) fn start(
        dir: &Path,
        conn: Connection,
        lock: store::DirLock,
        loaded: &Loaded,
    ) -> Result<Self, BookError> {
        let mut known = HashMap::new();
        let mut query = conn.prepare("SELECT id, n, purged FROM warmups")?;
        for row in query.query_map([], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))? {
            let (id, found): (String, (i64, bool)) = row?;
            known.insert(id, found);
        }
        drop(query);
        let current = loaded
            .warmups
            .iter()
            .filter(|entry| entry.first_seq.is_some())
            .max_by_key(|entry| entry.first_seq);
        let state = State {
            next_seq: loaded.next_seq,
            current: current.map(|entry| entry.n),
            ids: Ids {
                next_n: known.values().map(|(n, _)| n + 1).max().unwrap_or(1),
                known,
            },
            next_row: HashMap::new(),
            open: BTreeMap::new(),
        };
        let (health, watch) = watch::channel(BookHealth {
            writing: true,
            trouble: None,
            dropped_readings: 0,
        });
        let shared = Arc::new(Shared {
            inbox: Mutex::new(Inbox::default()),
            wake: Condvar::new(),
        });
        let mut thread = Thread {
            dir: dir.to_owned(),
            conn,
            shared: shared.clone(),
            health,
            state,
            seal_trouble: None,
            given_up: None,
            _lock: lock,
        };
        thread.seal_tail()?;
        let spawned = std::thread::Builder::new()
            .name("book".to_owned())
            .spawn(move || thread.run());
        let handle = spawned
            .map_err(|error| BookError::Io("the book's thread".to_owned(), error.to_string()))?;
        Ok(Self {
            shared,
            health: watch,
            thread: Mutex::new(Some(handle)),
        })
    }

    pub(super) fn append(&self, events: Vec<Event>) -> oneshot::Receiver<Result<(), BookError>> {
        let (answer, receiver) = oneshot::channel();
        let mut inbox = self.shared.inbox();
        if inbox.closing || inbox.ended {
            let _ = answer.send(Err(BookError::Closed));
        } else {
            inbox.appends.push((events, answer));
            self.shared.wake.notify_one();
        }
        receiver
    }

    pub(super) fn readings(&self, warmup: &str, batch: Vec<Reading>) {
        let mut inbox = self.shared.inbox();
        if inbox.closing || inbox.ended || inbox.queued + batch.len() > QUEUE_READINGS {
            inbox.dropped += batch.len() as u64;
            return;
        }
        // The thread sleeps until the oldest batch is due, so only the first one and a flood need to wake it.
        let was = inbox.queued;
        inbox.queued += batch.len();
        if inbox.oldest.is_none() || (was < TAKE_READINGS && inbox.queued >= TAKE_READINGS) {
            inbox.oldest.get_or_insert_with(Instant::now);
            self.shared.wake.notify_one();
        }
        let id = match inbox.batches.back() {
            Some((last, _)) if **last == *warmup => last.clone(),
            _ => Arc::from(warmup),
        };
        inbox.batches.push_back((id, batch));
    }

    pub(super) fn health(&self) -> watch::Receiver<BookHealth> {
        self.health.clone()
    }

    /// Runs something on the thread's connection, after everything that was handed over before is on the disk.
    pub(super) fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce(Desk) -> Result<T, BookError> + Send + 'static,
    ) -> oneshot::Receiver<Result<T, BookError>> {
        let (answer, receiver) = oneshot::channel();
        let mut inbox = self.shared.inbox();
        if inbox.closing || inbox.ended {
            let _ = answer.send(Err(BookError::Closed));
        } else {
            inbox
                .asks
                .push(Box::new(move |desk| drop(answer.send(desk.and_then(work)))));
            self.shared.wake.notify_one();
        }
        receiver
    }

    /// Lets the thread write out what waits and end; does not wait for it.
    pub(super) fn begin_close(&self) {
        self.shared.inbox().closing = true;
        self.shared.wake.notify_one();
    }

    /// Waits until the thread has ended.
    pub(super) fn join(&self) {
        self.begin_close();
        let handle = self
            .thread
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .take();
        // A thread that panicked has reported itself through the health already.
        handle.map(JoinHandle::join);
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.join();
    }
}

/// Rows of a warm-up that lie in the tail, and here too, until they fill a block.
struct Open {
    first_row: i64,
    rows: Rows,
    /// No more will come.
    done: bool,
}

struct State {
    next_seq: Seq,
    current: Option<i64>,
    ids: Ids,
    next_row: HashMap<i64, i64>,
    open: BTreeMap<i64, Open>,
}

struct Thread {
    dir: PathBuf,
    conn: Connection,
    shared: Arc<Shared>,
    health: watch::Sender<BookHealth>,
    state: State,
    /// Why the last block could not be sealed, and when to try again.
    seal_trouble: Option<(BookError, Instant)>,
    /// What was given up on the way out; nothing is written after it, so that the journal has no gap.
    given_up: Option<BookError>,
    _lock: store::DirLock,
}

/// Says that the thread has ended, also when it ends by a panic: whoever still hands something over is answered.
struct Ending(Arc<Shared>, watch::Sender<BookHealth>);

impl Drop for Ending {
    fn drop(&mut self) {
        let mut inbox = self.0.inbox();
        inbox.ended = true;
        for (_, answer) in inbox.appends.drain(..) {
            let _ = answer.send(Err(BookError::Closed));
        }
        for ask in inbox.asks.drain(..) {
            ask(Err(BookError::Closed));
        }
        let panicked = std::thread::panicking();
        self.1.send_modify(|health| {
            health.writing = false;
            if panicked {
                health.trouble =
                    Some("the book's thread has failed; nothing more is being recorded".to_owned());
            }
        });
    }
}

impl Thread {
    fn run(&mut self) {
        let _ending = Ending(self.shared.clone(), self.health.clone());
        loop {
            let (appends, batches, asks, closing) = self.take();
            let (planned, answers) = self.plan(appends);
            let outcome = self.write(&planned, batches);
            for answer in answers {
                let _ = answer.send(outcome.clone());
            }
            self.note_closed(&planned, closing);
            self.seal_full();
            for ask in asks {
                ask(outcome.clone().map(|()| Desk {
                    conn: &mut self.conn,
                    ids: &mut self.state.ids,
                }));
            }
            if closing {
                // With the log folded in, a copy of the one file is the whole book. If that fails, nothing is lost.
                let _ = self
                    .conn
                    .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
                return;
            }
        }
    }

    /// Waits until there is something to do, and takes it.
    #[expect(
        clippy::type_complexity,
        reason = "the parts of the inbox, named where they are taken apart"
    )]
    fn take(
        &self,
    ) -> (
        Vec<(Vec<Event>, Answer)>,
        Vec<(Arc<str>, Vec<Reading>)>,
        Vec<Ask>,
        bool,
    ) {
        let mut inbox = self.shared.inbox();
        loop {
            let due = inbox
                .oldest
                .map(|oldest| oldest + Duration::from_millis(FLUSH_MS));
            let wait = due.map(|due| due.saturating_duration_since(Instant::now()));
            if !inbox.appends.is_empty()
                || !inbox.asks.is_empty()
                || inbox.closing
                || inbox.queued >= TAKE_READINGS
                || wait.is_some_and(|wait| wait.is_zero())
            {
                break;
            }
            inbox = match wait {
                Some(wait) => {
                    self.shared
                        .wake
                        .wait_timeout(inbox, wait)
                        .unwrap_or_else(std::sync::PoisonError::into_inner)
                        .0
                }
                None => self
                    .shared
                    .wake
                    .wait(inbox)
                    .unwrap_or_else(std::sync::PoisonError::into_inner),
            };
        }
        let everything = inbox.closing || !inbox.asks.is_empty();
        let mut batches = Vec::new();
        let mut taken = 0;
        while let Some((_, batch)) = inbox.batches.front() {
            if !everything && taken >= TAKE_READINGS {
                break;
            }
            taken += batch.len();
            batches.extend(inbox.batches.pop_front());
        }
        inbox.queued -= taken;
        inbox.oldest = if inbox.batches.is_empty() {
            None
        } else {
            Some(Instant::now())
        };
        let appends = std::mem::take(&mut inbox.appends);
        let asks = std::mem::take(&mut inbox.asks);
        (appends, batches, asks, inbox.closing)
    }

    /// Decides what goes into the tables; what can never go in is answered at once.
    fn plan(&mut self, appends: Vec<(Vec<Event>, Answer)>) -> (Vec<Planned>, Vec<Answer>) {
        let (mut planned, mut answers) = (Vec::new(), Vec::new());
        for (events, answer) in appends {
            match self.plan_one(events) {
                Ok(more) => {
                    planned.extend(more);
                    answers.push(answer);
                }
                Err(error) => drop(answer.send(Err(error))),
            }
        }
        (planned, answers)
    }

    fn plan_one(&mut self, events: Vec<Event>) -> Result<Vec<Planned>, BookError> {
        let mut planned = Vec::with_capacity(events.len());
        let mut due = self.state.next_seq;
        let mut begun = BTreeSet::new();
        for event in &events {
            if event.seq != due {
                return Err(BookError::OutOfOrder(event.seq, due));
            }
            due += 1;
            if let EventBody::WarmupBegun { id, .. } = &event.body
                && (self.state.ids.known.contains_key(id) || !begun.insert(id.clone()))
            {
                return Err(BookError::Duplicate(id.clone()));
            }
        }
        let unreadable = |error: serde_json::Error| BookError::Unreadable(error.to_string());
        for event in events {
            let kind = serde_json::to_value(&event.body).map_err(unreadable)?["kind"]
                .as_str()
                .unwrap_or_default()
                .to_owned();
            let json = serde_json::to_string(&event).map_err(unreadable)?;
            planned.push(Planned {
                event,
                warmup: None,
                kind,
                json,
            });
        }
        // From here on nothing can be in the way any more.
        let mut current = self.state.current;
        for plan in &mut planned {
            if let EventBody::WarmupBegun { id, .. } = &plan.event.body {
                let n = self.state.ids.take(id)?;
                self.state.next_row.insert(n, 0);
                current = Some(n);
            }
            plan.warmup = current;
        }
        (self.state.next_seq, self.state.current) = (due, current);
        Ok(planned)
    }

    /// Writes events and readings in one transaction, again and again until it holds or the hub wants to end.
    fn write(
        &mut self,
        planned: &[Planned],
        batches: Vec<(Arc<str>, Vec<Reading>)>,
    ) -> Result<(), BookError> {
        let mut fresh: BTreeMap<i64, Rows> = BTreeMap::new();
        let mut homeless = 0;
        for (id, batch) in batches {
            match self.state.ids.known.get(&*id) {
                Some((n, false)) => fresh.entry(*n).or_default().push(&batch),
                _ => homeless += batch.len() as u64,
            }
        }
        fresh.retain(|_, rows| !rows.is_empty());
        if homeless > 0 {
            self.shared.inbox().dropped += homeless;
        }
        let mut firsts = BTreeMap::new();
        if !planned.is_empty() || !fresh.is_empty() {
            let plain: Vec<(i64, usize, Vec<u8>)> = fresh
                .iter()
                .map(|(n, rows)| (*n, rows.len(), rows.to_tail()))
                .collect();
            let known = self.state.next_row.clone();
            firsts = self.retry(|conn| commit(conn, planned, &plain, &known))?;
        }
        if let Some(error) = &self.given_up {
            return Err(error.clone());
        }
        self.report(None);
        for (n, rows) in fresh {
            let first_row = firsts.get(&n).copied().unwrap_or(0);
            self.state.next_row.insert(n, first_row + rows.len() as i64);
            self.state
                .open
                .entry(n)
                .or_insert_with(|| Open {
                    first_row,
                    rows: Rows::default(),
                    done: false,
                })
                .rows
                .append(&rows);
        }
        Ok(())
    }

    fn note_closed(&mut self, planned: &[Planned], closing: bool) {
        let ended = planned
            .iter()
            .filter(|plan| matches!(plan.event.body, EventBody::WarmupClosed {}));
        for n in ended.filter_map(|plan| plan.warmup) {
            if let Some(open) = self.state.open.get_mut(&n) {
                open.done = true;
            }
        }
        let current = self.state.current;
        for (n, open) in &mut self.state.open {
            open.done |= closing || Some(*n) != current;
        }
    }

    /// Turns what fills a block into one. If that fails the rows stay in the tail, where they are as safe.
    fn seal_full(&mut self) {
        if self
            .seal_trouble
            .as_ref()
            .is_some_and(|(_, after)| Instant::now() < *after)
        {
            return;
        }
        let full: Vec<i64> = self
            .state
            .open
            .iter()
            .filter(|(_, open)| open.done || open.rows.len() >= BLOCK_ROWS)
            .map(|(n, _)| *n)
            .collect();
        for n in full {
            let open = &self.state.open[&n];
            match seal(&mut self.conn, n, open.first_row, &open.rows) {
                Ok(()) => {
                    self.state.open.remove(&n);
                    self.seal_trouble = None;
                }
                Err(error) => {
                    self.report(Some(&error));
                    self.seal_trouble = Some((error, Instant::now() + BACKOFF.1));
                }
            }
        }
    }

    /// What a killed hub left in the tail becomes blocks.
    fn seal_tail(&mut self) -> Result<(), BookError> {
        let mut query = self
            .conn
            .prepare("SELECT DISTINCT warmup FROM tail ORDER BY warmup")?;
        let left: Vec<i64> = query
            .query_map([], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        drop(query);
        for n in left {
            let first_row: i64 = self.conn.query_row(
                "SELECT min(first_row) FROM tail WHERE warmup = ?1",
                [n],
                |row| row.get(0),
            )?;
            let mut rows = Rows::default();
            for (part, tail) in read::tail_parts(&self.conn, n)? {
                rows.append(
                    &tail
                        .map_err(|error| BookError::Unreadable(format!("tail {part}: {error}")))?,
                );
            }
            seal(&mut self.conn, n, first_row, &rows)?;
        }
        Ok(())
    }

    fn retry<T>(
        &mut self,
        mut attempt: impl FnMut(&mut Connection) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        if let Some(error) = &self.given_up {
            return Err(error.clone());
        }
        let mut wait = BACKOFF.0;
        let mut last = 0;
        loop {
            let error = match attempt(&mut self.conn) {
                Ok(done) => return Ok(done),
                Err(error) => error,
            };
            self.report(Some(&error));
            let mut inbox = self.shared.inbox();
            let until = Instant::now() + wait;
            loop {
                let left = until.saturating_duration_since(Instant::now());
                if left.is_zero() || (inbox.closing && last == 0) {
                    break;
                }
                inbox = self
                    .shared
                    .wake
                    .wait_timeout(inbox, left)
                    .unwrap_or_else(std::sync::PoisonError::into_inner)
                    .0;
            }
            if inbox.closing {
                last += 1;
                if last > LAST_ATTEMPTS {
                    self.given_up = Some(error.clone());
                    return Err(error);
                }
            }
            drop(inbox);
            wait = (wait * 2).min(BACKOFF.1);
            // A connection that met an I/O error may be of no more use; a new one costs little.
            if let Ok(conn) = store::reopen(&self.dir) {
                self.conn = conn;
            }
        }
    }

    fn report(&self, trouble: Option<&BookError>) {
        let dropped_readings = self.shared.inbox().dropped;
        let sealing = self.seal_trouble.as_ref().map(|(error, _)| error);
        let trouble = trouble.or(sealing).map(ToString::to_string);
        self.health.send_if_modified(|health| {
            let now = BookHealth {
                writing: trouble.is_none(),
                trouble,
                dropped_readings,
            };
            let changed = *health != now;
            *health = now;
            changed
        });
    }
}
