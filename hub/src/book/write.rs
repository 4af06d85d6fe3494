//! The one thread that writes the book, and the queue before it. It knows the tables; it does not know the clock of the
//! hub, the network, or what the events mean beyond which warm-up they belong to.

use super::{
    BLOCK_ROWS, BookError, BookHealth, Loaded, QUEUE_READINGS, QUEUE_SAID, blocks,
    commit::{Desk, Ids, Planned, commit, seal},
    inbox::{Answer, Batch, Pace, Saying, Shared, TAKE_READINGS, Taken},
    rows::{Reading, Rows},
    said::Last,
    store,
};
use rusqlite::Connection;
use spinover_protocol::{
    Millis, Seq,
    book::Said,
    event::{Event, EventBody},
    message::FigureNow,
};
use std::{
    collections::{BTreeMap, BTreeSet, HashMap},
    path::{Path, PathBuf},
    sync::{Arc, Mutex},
    thread::JoinHandle,
    time::{Duration, Instant},
};
use tokio::sync::{oneshot, watch};

/// Waits between attempts while the disk fails: the first, and the longest.
const BACKOFF: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(5));
/// Attempts that are still made when the hub wants to end.
const LAST_ATTEMPTS: u32 = 2;

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
            said: (0, Last::default()),
        };
        let (health, watch) = watch::channel(BookHealth {
            writing: true,
            trouble: None,
            dropped_readings: 0,
            late_ms: 0,
        });
        let shared = Arc::new(Shared::default());
        let mut thread = Thread {
            dir: dir.to_owned(),
            conn,
            shared: shared.clone(),
            health,
            state,
            pace: Pace::default(),
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
        if inbox.batches.is_empty() || (was < TAKE_READINGS && inbox.queued >= TAKE_READINGS) {
            self.shared.wake.notify_one();
        }
        let warmup = match inbox.batches.back() {
            Some(last) if *last.warmup == *warmup => last.warmup.clone(),
            _ => Arc::from(warmup),
        };
        inbox.batches.push_back(Batch {
            warmup,
            came: Instant::now(),
            readings: batch,
        });
    }

    pub(super) fn said(&self, warmup: &str, at: Millis, figures: Vec<FigureNow>) {
        let mut inbox = self.shared.inbox();
        if inbox.closing || inbox.ended || inbox.said.len() >= QUEUE_SAID {
            return;
        }
        if inbox.said.is_empty() {
            self.shared.wake.notify_one();
        }
        inbox.said.push_back(Saying {
            warmup: warmup.to_owned(),
            came: Instant::now(),
            at,
            figures,
        });
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
    /// Of which warm-up figures spoke last, and what they said.
    said: (i64, Last),
}

struct Thread {
    dir: PathBuf,
    conn: Connection,
    shared: Arc<Shared>,
    health: watch::Sender<BookHealth>,
    state: State,
    pace: Pace,
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
            let Taken {
                appends,
                batches,
                said,
                asks,
                closing,
            } = self.shared.take(self.pace.wait());
            let (planned, answers) = self.plan(appends);
            let outcome = self.write(&planned, batches, said);
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
        batches: Vec<Batch>,
        said: Vec<Saying>,
    ) -> Result<(), BookError> {
        let oldest = batches.first().map(|batch| batch.came);
        let mut fresh: BTreeMap<i64, Rows> = BTreeMap::new();
        let mut homeless = 0;
        for batch in batches {
            match self.state.ids.known.get(&*batch.warmup) {
                Some((n, false)) => fresh.entry(*n).or_default().push(&batch.readings),
                _ => homeless += batch.readings.len() as u64,
            }
        }
        fresh.retain(|_, rows| !rows.is_empty());
        if homeless > 0 {
            self.shared.inbox().dropped += homeless;
        }
        let said: Vec<(i64, Said)> = said
            .into_iter()
            .filter_map(|saying| {
                let (n, gone) = *self.state.ids.known.get(&saying.warmup)?;
                if gone {
                    return None;
                }
                if self.state.said.0 != n {
                    self.state.said = (n, Last::default());
                }
                Some((n, self.state.said.1.next(saying.at, saying.figures)?))
            })
            .collect();
        let mut firsts = BTreeMap::new();
        if !planned.is_empty() || !fresh.is_empty() || !said.is_empty() {
            let plain: Vec<(i64, usize, Vec<u8>)> = fresh
                .iter()
                .map(|(n, rows)| (*n, rows.len(), rows.to_tail()))
                .collect();
            let known = self.state.next_row.clone();
            let began = Instant::now();
            firsts = self.retry(|conn| commit(conn, planned, &plain, &said, &known))?;
            self.pace.committed(began, oldest, Instant::now());
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
            for (part, tail) in blocks::tail_parts(&self.conn, n)? {
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
                late_ms: self.pace.late_ms(),
            };
            let changed = *health != now;
            *health = now;
            changed
        });
    }
}
