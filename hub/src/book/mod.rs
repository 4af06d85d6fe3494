//! The book: every warm-up kept. One SQLite file, written by one thread; the core hands things over and never waits.
//!
//! - [`Book::append`] takes events and answers when they are on the disk: everything that waits is one transaction,
//!   synced before anyone is told.
//! - [`Book::readings`] takes readings and never answers. They are on the disk within [`FLUSH_MS`] and the time of one
//!   commit; what does not fit into the queue when the disk fails is dropped, counted, and reported in [`BookHealth`].
//! - [`Reader`] reads beside the writer, on a connection of its own.
//!
//! What the tables hold is in `docs/book.md`.

pub mod alarmed;
mod blocks;
pub mod check;
mod commit;
pub mod compare;
mod edit;
pub mod export;
pub mod hubs;
pub mod import;
mod inbox;
#[cfg(feature = "parquet")]
pub mod parquet;
pub mod photos;
mod read;
pub mod replay;
pub mod report;
mod rows;
mod said;
mod store;
pub mod timeline;
mod write;

pub use photos::Photos;
pub use read::{Extent, Part, Reader, WarmupEntry};
pub use rows::{Column, Reading, Rows, Unreadable};

use spinover_protocol::{CommandId, Millis, Seq, event::Event, message::FigureNow};
use std::{
    path::{Path, PathBuf},
    sync::Arc,
};
use tokio::sync::{oneshot, watch};

/// A power cut may cost readings of so many milliseconds. Where the disk is too slow for that, [`BookHealth`] says so.
pub const PROMISED_MS: u64 = 250;
/// Readings wait at most this long for a commit, in milliseconds; less where commits take longer than the rest of
/// [`PROMISED_MS`].
pub const FLUSH_MS: u64 = 200;
/// Rows in a block, at least; a flood makes larger ones. At 100 rows a second a block is 41 s.
pub const BLOCK_ROWS: usize = 4096;
/// Readings that may wait for the disk: at 24 channels and 100 a second, seven minutes. More are dropped, newest first.
pub const QUEUE_READINGS: usize = 1_000_000;
/// What figures said that may wait for the disk, in seconds; more is not kept.
const QUEUE_SAID: usize = 600;
/// A deleted warm-up can be restored for this long.
pub const KEEP_DELETED_DAYS: i64 = 30;
const KEEP_DELETED_MS: Millis = KEEP_DELETED_DAYS * 24 * 3_600_000;

/// What the book cannot do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BookError {
    /// Another process has the directory: directory, and the process's number.
    #[error(
        "{0} is in use by another spinover (process {1}); stop that one, or give another --data directory"
    )]
    InUse(String, String),
    /// There is no book.
    #[error("there is no book at {0}")]
    Missing(String),
    /// The file is no book of ours.
    #[error("{0} is a database, but not a book of spinover; nothing was changed")]
    Foreign(String),
    /// A later version made it.
    #[error("{0} was written by a newer version of spinover; use that one. Nothing was changed")]
    Newer(String),
    /// The file is damaged: which, and what was found.
    #[error(
        "{0} is damaged ({1}); nothing was changed. `spinover book check` says what can be saved and `spinover book export` saves it; go on with another --data directory"
    )]
    Damaged(String, String),
    /// An event is not the next one: its number and the number due.
    #[error("event {0} is out of order, {1} was due")]
    OutOfOrder(Seq, Seq),
    /// A warm-up of that id is in the book already.
    #[error("the book has a warm-up {0} already")]
    Duplicate(String),
    /// No such warm-up.
    #[error("the book has no warm-up {0}")]
    NoSuchWarmup(String),
    /// It must not be done now, and why.
    #[error("{0}")]
    Refused(String),
    /// The system says no: what to, and what it says.
    #[error("{0}: {1}")]
    Io(String, String),
    /// SQLite says no.
    #[error("the book's file: {0}")]
    Sqlite(String),
    /// What is stored cannot be read.
    #[error("cannot be read: {0}")]
    Unreadable(String),
    /// The book is closed.
    #[error("the book is closed")]
    Closed,
}

impl From<rusqlite::Error> for BookError {
    fn from(error: rusqlite::Error) -> Self {
        match store::is_damage(&error) {
            true => Self::Unreadable(error.to_string()),
            false => Self::Sqlite(error.to_string()),
        }
    }
}

impl From<Unreadable> for BookError {
    fn from(error: Unreadable) -> Self {
        Self::Unreadable(error.0)
    }
}

/// How the book is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BookHealth {
    /// The last write succeeded, and the next one will be tried.
    pub writing: bool,
    /// Why not, in words for the crew chief.
    pub trouble: Option<String>,
    /// Readings that were dropped since the hub started because the queue was full.
    pub dropped_readings: u64,
    /// How long readings had waited, at the worst of late, when they reached the disk, in milliseconds: a power cut could
    /// have cost as much. Nought while it is within [`PROMISED_MS`].
    pub late_ms: u64,
}

/// What the book holds when it is opened.
#[derive(Debug)]
pub struct Loaded {
    /// The journal's random name, made with the file. Phones resume only within the same journal.
    pub journal: String,
    /// The events that give the record when folded in order: the last warm-up's, and before them everyone's last joining.
    /// Their numbers ascend, with gaps.
    pub events: Vec<Event>,
    /// The number that the next event must have.
    pub next_seq: Seq,
    /// The latest commands that were answered with events, oldest first, so that one sent again is still one event.
    pub commands: Vec<(CommandId, Seq)>,
    /// All warm-ups, oldest first.
    pub warmups: Vec<WarmupEntry>,
    /// What is kept for two laptops.
    pub kept: hubs::Kept,
}

/// What can be written about a warm-up afterwards. Absent fields stay as they are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Edit {
    /// Why its readings were not live: simulated, or of another day. Empty when they were.
    pub source: Option<String>,
    /// Where it was.
    pub place: Option<String>,
    /// The weather in words.
    pub weather: Option<String>,
    /// Who drove.
    pub driver: Option<String>,
    /// Free words.
    pub note: Option<String>,
    /// Tags: short words to find it by.
    pub tags: Option<Vec<String>>,
    /// Names of photos, in place of those before: of files in `photos/`, or names only. See [`Book::attach`].
    pub photos: Option<Vec<String>>,
}

/// The book, open for writing. Clones are handles to the same one; the last to go writes out what waits.
#[derive(Clone, Debug)]
pub struct Book {
    writer: Arc<write::Writer>,
    dir: PathBuf,
}

impl Book {
    /// Opens the book in a directory, making both where there are none. Blocks for as long as the disk takes.
    ///
    /// # Errors
    /// [`BookError::InUse`] when another hub has it, [`BookError::Damaged`] and others when it cannot be trusted; the file
    /// is then as it was.
    pub fn open(dir: &Path) -> Result<(Self, Loaded), BookError> {
        std::fs::create_dir_all(dir)
            .map_err(|error| BookError::Io(dir.display().to_string(), error.to_string()))?;
        let lock = store::lock(dir)?;
        let in_file = |error: BookError| match error {
            BookError::Unreadable(what) => {
                BookError::Damaged(store::path(dir).display().to_string(), what)
            }
            error => error,
        };
        let mut conn = store::open_or_create(dir).map_err(in_file)?;
        import::clear_unfinished(&mut conn).map_err(in_file)?;
        let now = jiff::Timestamp::now().as_millisecond();
        hubs::ensure(&conn).map_err(in_file)?;
        let photos = Photos::of(dir);
        photos.clear_unfinished();
        edit::purge(&mut conn, &photos, now - KEEP_DELETED_MS).map_err(in_file)?;
        let loaded = read::load(&conn).map_err(in_file)?;
        let writer = write::Writer::start(dir, conn, lock, &loaded)?;
        Ok((
            Self {
                writer: Arc::new(writer),
                dir: dir.to_owned(),
            },
            loaded,
        ))
    }

    /// Hands events over; never waits. The answer comes when they are on the disk, or when that can no longer happen.
    /// While the disk fails it does not come: the book tries again, and says so in [`Book::health`].
    pub fn append(&self, events: Vec<Event>) -> oneshot::Receiver<Result<(), BookError>> {
        self.writer.append(events)
    }

    /// Hands one batch of readings over; never waits, never answers. A reading whose warm-up is not in the book is dropped
    /// and counted, like one that finds the queue full.
    pub fn readings(&self, warmup: &str, batch: Vec<Reading>) {
        self.writer.readings(warmup, batch);
    }

    /// Hands over what a warm-up's figures say at a time (ms since 1970), as phones are shown it; never waits, never answers. It is on
    /// the disk with the next readings.
    pub fn said(&self, warmup: &str, at: Millis, figures: Vec<FigureNow>) {
        self.writer.said(warmup, at, figures);
    }

    /// How the book is, and whenever that changes.
    pub fn health(&self) -> watch::Receiver<BookHealth> {
        self.writer.health()
    }

    /// Writes out everything that was handed over before, readings too, and answers when it is on the disk.
    pub fn flush(&self) -> oneshot::Receiver<Result<(), BookError>> {
        self.writer.ask(|_| Ok(()))
    }

    /// A connection for reading, which may go to another thread. It sees what is on the disk.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn reader(&self) -> Result<Reader, BookError> {
        Reader::open(&self.dir)
    }

    /// The directory that it lies in.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Writes down what people say about a warm-up afterwards.
    pub fn edit(&self, warmup: &str, edit: Edit) -> oneshot::Receiver<Result<(), BookError>> {
        let (photos, warmup) = (Photos::of(&self.dir), warmup.to_owned());
        self.writer
            .ask(move |desk| edit::edit(desk.conn, &photos, &warmup, &edit))
    }

    /// The photos of this book.
    pub fn photos(&self) -> Photos {
        Photos::of(&self.dir)
    }

    /// Takes a photo in for a warm-up: looks at it, takes off what tells where it was taken, writes it down whole, and answers with
    /// its name when its warm-up has it. The slow part is done here, on the caller's thread, and not on the book's.
    ///
    /// # Errors
    /// [`BookError::Refused`], in words for whoever sent it, when it is no picture that can be kept; else what the disk says.
    pub fn attach(
        &self,
        warmup: &str,
        photo: &[u8],
    ) -> Result<oneshot::Receiver<Result<String, BookError>>, BookError> {
        let picture = photos::Picture::take(photo).map_err(BookError::Refused)?;
        let photos = Photos::of(&self.dir);
        let ready = photos.ready(&picture)?;
        let warmup = warmup.to_owned();
        Ok(self
            .writer
            .ask(move |desk| photos::attach(desk.conn, &photos, &warmup, ready)))
    }

    /// Takes a photo in that a warm-up here has by name already: a copy out of another book. It is written on the caller's thread.
    ///
    /// # Errors
    /// [`BookError::Refused`] when it is not the photo of that name; else what the disk says.
    pub fn copy_photo(
        &self,
        name: &str,
        bytes: Vec<u8>,
    ) -> Result<oneshot::Receiver<Result<(), BookError>>, BookError> {
        let photos = Photos::of(&self.dir);
        let ready = photos.ready_copy(name, bytes)?;
        Ok(self
            .writer
            .ask(move |desk| photos::keep_copy(desk.conn, &photos, ready)))
    }

    /// Takes a photo from a warm-up. It is gone for good when no other warm-up has it. Whether they may is for the caller to know.
    pub fn detach(&self, warmup: &str, photo: &str) -> oneshot::Receiver<Result<(), BookError>> {
        let (photos, warmup, photo) = (Photos::of(&self.dir), warmup.to_owned(), photo.to_owned());
        self.writer
            .ask(move |desk| photos::detach(desk.conn, &photos, &warmup, &photo))
    }

    /// Marks a warm-up as deleted by someone at a time (ms since 1970). It can be restored for [`KEEP_DELETED_DAYS`] days;
    /// the first opening of the book after that, or [`Book::purge`], takes it away for good. Whether they may is for the caller to know.
    pub fn delete(
        &self,
        warmup: &str,
        by: &str,
        at: Millis,
    ) -> oneshot::Receiver<Result<(), BookError>> {
        let (warmup, by) = (warmup.to_owned(), by.to_owned());
        self.writer
            .ask(move |desk| edit::set_deleted(desk.conn, &warmup, Some((&by, at))))
    }

    /// Takes a deletion back.
    pub fn restore(&self, warmup: &str) -> oneshot::Receiver<Result<(), BookError>> {
        let warmup = warmup.to_owned();
        self.writer
            .ask(move |desk| edit::set_deleted(desk.conn, &warmup, None))
    }

    /// Takes away for good what was deleted more than [`KEEP_DELETED_DAYS`] days before `now`; answers how many warm-ups.
    pub fn purge(&self, now: Millis) -> oneshot::Receiver<Result<usize, BookError>> {
        let photos = Photos::of(&self.dir);
        self.writer
            .ask(move |desk| edit::purge(desk.conn, &photos, now - KEEP_DELETED_MS))
    }

    /// Writes out what waits and ends. Later calls are answered with [`BookError::Closed`].
    ///
    /// # Errors
    /// When what waited could not be written.
    pub async fn close(&self) -> Result<(), BookError> {
        let flushed = self.flush();
        // From now on a failing disk is given a few more attempts, not all the time in the world.
        self.writer.begin_close();
        let flushed = flushed.await.unwrap_or(Err(BookError::Closed));
        self.writer.join();
        flushed
    }
}
