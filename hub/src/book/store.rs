//! The file itself: where it lies, its lock, its tables and their migrations, its connections. No meaning of what is in it.

use super::BookError;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::{
    fs::{File, OpenOptions, TryLockError},
    io::{Read, Seek, Write},
    path::{Path, PathBuf},
    time::Duration,
};

/// Name of the file in the data directory.
pub const FILE: &str = "spinover.db";
/// Name of the lock beside it.
const LOCK: &str = "spinover.lock";
/// Marks the file as ours to anyone who looks at its header: "SpOv".
const APPLICATION_ID: i32 = i32::from_be_bytes(*b"SpOv");
/// How long a statement waits for another process's lock before it fails: a backup tool's short look must not hurt.
const BUSY: Duration = Duration::from_millis(2_000);

/// One step for each version of the tables; a file of version N has the first N behind it. Never change one that shipped.
const MIGRATIONS: &[&str] = &["
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;

    -- Warm-ups. `n` is for use within this file; `id` is what people see.
    CREATE TABLE warmups (
        n INTEGER PRIMARY KEY,
        id TEXT NOT NULL UNIQUE,
        begun_at INTEGER NOT NULL,          -- ms since 1970
        closed_at INTEGER,                  -- ms since 1970
        first_seq INTEGER,                  -- of its events in the journal; none when it was imported
        sheet TEXT NOT NULL,                -- the sheet's name
        team TEXT NOT NULL,
        car TEXT NOT NULL,
        channels TEXT NOT NULL,             -- JSON: the car's channels in the order in which readings count them
        source TEXT NOT NULL DEFAULT '',    -- why its readings were not live (simulated, imported from ...); empty: live
        place TEXT NOT NULL DEFAULT '',
        weather TEXT NOT NULL DEFAULT '',
        driver TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT '',
        tags TEXT NOT NULL DEFAULT '[]',    -- JSON: words
        photos TEXT NOT NULL DEFAULT '[]',  -- JSON: names of files in photos/, and names only
        deleted_at INTEGER,                 -- ms since 1970
        deleted_by TEXT,
        purged INTEGER NOT NULL DEFAULT 0   -- 1: nothing is left but this row; 2: an import that is not finished
    ) STRICT;

    -- The journal: append-only, numbered without gaps.
    CREATE TABLE events (
        seq INTEGER PRIMARY KEY,
        at INTEGER NOT NULL,                -- ms since 1970
        warmup INTEGER REFERENCES warmups(n),
        kind TEXT NOT NULL,
        command TEXT,
        json TEXT NOT NULL,
        sum INTEGER NOT NULL                -- first 8 bytes of the BLAKE3 hash of json
    ) STRICT;
    CREATE INDEX events_of_warmup ON events (warmup, seq);
    CREATE INDEX events_joined ON events (seq) WHERE kind = 'person_joined';
    CREATE INDEX events_command ON events (seq) WHERE command IS NOT NULL;

    -- Events of imported warm-ups: they have numbers of their own.
    CREATE TABLE imported (
        warmup INTEGER NOT NULL REFERENCES warmups(n),
        seq INTEGER NOT NULL,
        json TEXT NOT NULL,
        sum INTEGER NOT NULL,
        PRIMARY KEY (warmup, seq)
    ) STRICT;

    -- Readings: blocks of rows, in each block one column a channel.
    CREATE TABLE blocks (
        n INTEGER PRIMARY KEY,
        warmup INTEGER NOT NULL REFERENCES warmups(n),
        first_row INTEGER NOT NULL,
        rows INTEGER NOT NULL,
        from_us INTEGER NOT NULL,           -- earliest and latest time in it
        to_us INTEGER NOT NULL,
        times BLOB NOT NULL,
        sum INTEGER NOT NULL
    ) STRICT;
    CREATE UNIQUE INDEX blocks_of_warmup ON blocks (warmup, first_row);
    CREATE TABLE columns (
        block INTEGER NOT NULL REFERENCES blocks(n),
        channel INTEGER NOT NULL,           -- place in warmups.channels
        count INTEGER NOT NULL,
        rows BLOB,
        vals BLOB NOT NULL,
        sum INTEGER NOT NULL
    ) STRICT;
    CREATE UNIQUE INDEX columns_of_block ON columns (block, channel);

    -- Readings that are not in a block yet.
    CREATE TABLE tail (
        n INTEGER PRIMARY KEY,
        warmup INTEGER NOT NULL REFERENCES warmups(n),
        first_row INTEGER NOT NULL,
        rows INTEGER NOT NULL,
        plain BLOB NOT NULL,
        sum INTEGER NOT NULL
    ) STRICT;
", "
    -- What the figures said, as it was shown: one row when something changed, at most one a second, and all of it once a minute.
    CREATE TABLE said (
        n INTEGER PRIMARY KEY,
        warmup INTEGER NOT NULL REFERENCES warmups(n),
        at INTEGER NOT NULL,                -- ms since 1970
        whole INTEGER NOT NULL,             -- 1: all figures; 0: what changed since the row before
        json TEXT NOT NULL,
        sum INTEGER NOT NULL
    ) STRICT;
    CREATE INDEX said_of_warmup ON said (warmup, at);
    CREATE INDEX said_whole ON said (warmup, at) WHERE whole = 1;
"];

/// What guards a data directory against a second hub. The system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub struct DirLock {
    _file: File,
}

/// Takes the directory for this process.
///
/// # Errors
/// [`BookError::InUse`] when another process has it; else what the system says.
pub fn lock(dir: &Path) -> Result<DirLock, BookError> {
    let path = dir.join(LOCK);
    let io = |error: std::io::Error| BookError::Io(path.display().to_string(), error.to_string());
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .map_err(io)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut who = String::new();
            // The number is for the message only; without it the message is still true.
            let _ = file.read_to_string(&mut who);
            return Err(BookError::InUse(
                dir.display().to_string(),
                who.trim().to_owned(),
            ));
        }
        Err(TryLockError::Error(error)) => return Err(io(error)),
    }
    let note = |file: &mut File| {
        file.set_len(0)?;
        file.rewind()?;
        write!(file, "{}", std::process::id())
    };
    note(&mut file).map_err(io)?;
    Ok(DirLock { _file: file })
}

/// Opens the file for writing, making it where there is none, and brings its tables up to date.
///
/// # Errors
/// [`BookError::Damaged`], [`BookError::Newer`], [`BookError::Foreign`], or what the system says.
pub fn open_or_create(dir: &Path) -> Result<Connection, BookError> {
    let path = dir.join(FILE);
    let new = !path.exists();
    let mut conn = connect(
        &path,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE,
    )?;
    migrate(&mut conn, &path)?;
    if new {
        sync_dir(dir);
    }
    Ok(conn)
}

/// Opens a second connection for writing to a file that is open already.
///
/// # Errors
/// What SQLite says; it never makes a file.
pub fn reopen(dir: &Path) -> Result<Connection, BookError> {
    connect(&dir.join(FILE), OpenFlags::SQLITE_OPEN_READ_WRITE)
}

/// Opens the file for reading only.
///
/// # Errors
/// [`BookError::Missing`] when there is none, [`BookError::Newer`], [`BookError::Foreign`], or what SQLite says.
pub fn open_read_only(dir: &Path) -> Result<Connection, BookError> {
    let path = dir.join(FILE);
    if !path.exists() {
        return Err(BookError::Missing(path.display().to_string()));
    }
    let conn = Connection::open_with_flags(
        &path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    conn.busy_timeout(BUSY)?;
    check_version(&conn, &path)?;
    Ok(conn)
}

fn connect(path: &Path, flags: OpenFlags) -> Result<Connection, BookError> {
    let conn = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    conn.busy_timeout(BUSY)?;
    let mode: String = conn.query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0))?;
    if !mode.eq_ignore_ascii_case("wal") {
        return Err(BookError::Io(
            path.display().to_string(),
            format!("journal mode is {mode}, not WAL"),
        ));
    }
    // FULL: the log is synced at every commit, so what is answered for survives a power cut, not only a killed process.
    // fullfsync makes that true on macOS, whose fsync alone does not reach the disk; elsewhere it does nothing.
    conn.execute_batch(
        "PRAGMA synchronous = FULL; PRAGMA fullfsync = ON; PRAGMA foreign_keys = ON;",
    )?;
    Ok(conn)
}

fn check_version(conn: &Connection, path: &Path) -> Result<usize, BookError> {
    let version: i64 = conn.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let owner: i32 = conn.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    if owner != APPLICATION_ID && (owner != 0 || tables != 0) {
        return Err(BookError::Foreign(path.display().to_string()));
    }
    match usize::try_from(version) {
        Ok(version) if version <= MIGRATIONS.len() => Ok(version),
        _ => Err(BookError::Newer(path.display().to_string())),
    }
}

fn migrate(conn: &mut Connection, path: &Path) -> Result<(), BookError> {
    let from = check_version(conn, path)?;
    if from == MIGRATIONS.len() {
        return Ok(());
    }
    let tx = conn.transaction()?;
    for step in &MIGRATIONS[from..] {
        tx.execute_batch(step)?;
    }
    if from == 0 {
        let mut name = [0u8; 8];
        getrandom::fill(&mut name)
            .map_err(|error| BookError::Io("random numbers".to_owned(), error.to_string()))?;
        let journal: String = name.iter().map(|byte| format!("{byte:02x}")).collect();
        tx.execute(
            "INSERT INTO meta (key, value) VALUES ('journal', ?1)",
            [journal],
        )?;
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    tx.pragma_update(None, "user_version", MIGRATIONS.len() as i64)?;
    tx.commit()?;
    Ok(())
}

/// The directory entry of a new file must reach the disk too. Where directories cannot be synced there is nothing to do.
pub fn sync_dir(dir: &Path) {
    if let Ok(dir) = File::open(dir) {
        let _ = dir.sync_all();
    }
}

/// Where the file lies.
pub fn path(dir: &Path) -> PathBuf {
    dir.join(FILE)
}

/// The check number of some bytes: the first 8 bytes of their BLAKE3 hash. SQLite itself does not notice a changed byte.
pub fn sum(parts: &[&[u8]]) -> i64 {
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part);
    }
    let hash = hasher.finalize();
    let mut first = [0u8; 8];
    first.copy_from_slice(&hash.as_bytes()[..8]);
    i64::from_le_bytes(first)
}

/// Whether SQLite found the file to be no book any more, rather than to be busy, full or out of reach.
pub fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    )
}
