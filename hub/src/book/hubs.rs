//! What the book keeps for two laptops: who this hub is, the secret of its journal's hubs, what it has heard of takeovers; and
//! how a whole book comes to the other laptop. The rules are in `core::charge`, the talk in `serve::peers` and `serve::standby`.

use super::{Book, BookError, Reader, blocks, read, rows::Rows, store};
use rusqlite::{Connection, OptionalExtension, params};
use spinover_protocol::{Seq, hubs::Charge};
use std::path::Path;
use tokio::sync::oneshot;

/// What is kept.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// This hub's random name, made with the file; never copied to another laptop.
    pub hub: String,
    /// The secret of the journal's hubs.
    pub fence: String,
    /// The highest charge that this hub has heard of.
    pub heard: Option<Charge>,
    /// Where the other laptop was last.
    pub peers: Vec<String>,
}

fn get(conn: &Connection, key: &str) -> Result<Option<String>, BookError> {
    Ok(conn
        .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| {
            row.get(0)
        })
        .optional()?)
}

fn put(conn: &Connection, key: &str, value: &str) -> Result<(), BookError> {
    conn.execute(
        "INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2",
        [key, value],
    )?;
    Ok(())
}

/// Makes what an older book, or one that has just come from another laptop, has not.
pub(super) fn ensure(conn: &Connection) -> Result<(), BookError> {
    for (key, bytes) in [("hub", 8), ("fence", 32)] {
        if get(conn, key)?.is_none() {
            let mut random = [0u8; 32];
            getrandom::fill(&mut random)
                .map_err(|error| BookError::Io("random numbers".to_owned(), error.to_string()))?;
            let text: String = random[..bytes]
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect();
            put(conn, key, &text)?;
        }
    }
    Ok(())
}

pub(super) fn load(conn: &Connection) -> Result<Kept, BookError> {
    let json = |key: &str| -> Result<Option<String>, BookError> { get(conn, key) };
    let parsed = |text: Option<String>| text.and_then(|text| serde_json::from_str(&text).ok());
    Ok(Kept {
        hub: get(conn, "hub")?.unwrap_or_default(),
        fence: get(conn, "fence")?.unwrap_or_default(),
        heard: parsed(json("heard")?),
        peers: json("peers")?
            .and_then(|text| serde_json::from_str(&text).ok())
            .unwrap_or_default(),
    })
}

impl Book {
    /// Keeps the highest charge that this hub has heard of, and where the other laptop is.
    pub fn keep_hubs(
        &self,
        heard: Charge,
        peers: Vec<String>,
    ) -> oneshot::Receiver<Result<(), BookError>> {
        self.writer.ask(move |desk| {
            let text = |error: serde_json::Error| BookError::Unreadable(error.to_string());
            put(
                desk.conn,
                "heard",
                &serde_json::to_string(&heard).map_err(text)?,
            )?;
            put(
                desk.conn,
                "peers",
                &serde_json::to_string(&peers).map_err(text)?,
            )
        })
    }
}

/// How far a book has got, as a standby says when it comes to follow.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// The journal's name.
    pub journal: String,
    /// This hub's name, and the journal's secret.
    pub kept: Kept,
    /// The last event's number.
    pub seq: Seq,
    /// The last takeover.
    pub charge: Charge,
    /// The latest warm-ups and their rows.
    pub rows: Vec<(String, u64)>,
}

/// Warm-ups whose readings may not be all there: the one under way, and those that were just before it.
const LATEST: i64 = 3;

impl Reader {
    /// How far this book has got.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn progress(&self) -> Result<Progress, BookError> {
        let loaded = read::load(&self.conn)?;
        let mut record = spinover_protocol::record::Record::default();
        loaded.events.iter().for_each(|event| record.apply(event));
        let mut query = self.conn.prepare(
            "SELECT id, n FROM warmups WHERE purged = 0 AND first_seq IS NOT NULL ORDER BY first_seq DESC LIMIT ?1",
        )?;
        let latest: Vec<(String, i64)> = query
            .query_map([LATEST], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<Result<_, _>>()?;
        let mut rows = Vec::new();
        for (id, n) in latest.into_iter().rev() {
            rows.push((id, blocks::next_row(&self.conn, n)? as u64));
        }
        Ok(Progress {
            journal: loaded.journal,
            kept: loaded.kept,
            seq: loaded.next_seq - 1,
            charge: record.charge,
            rows,
        })
    }

    /// Whether every event after that number is there: a warm-up that was deleted for good leaves a gap.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn is_whole_after(&self, seq: Seq) -> Result<bool, BookError> {
        let (count, last): (i64, i64) = self.conn.query_row(
            "SELECT count(*), ifnull(max(seq), ?1) FROM events WHERE seq > ?1",
            [seq as i64],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        Ok(last - seq as i64 == count)
    }

    /// The warm-ups of the journal from that one on, by id; only the last one where there is none of that id.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn warmups_from(&self, id: &str) -> Result<Vec<String>, BookError> {
        let mut query = self.conn.prepare_cached(
            "SELECT id FROM warmups WHERE purged = 0 AND first_seq >= ifnull(
                 (SELECT first_seq FROM warmups WHERE id = ?1), (SELECT max(first_seq) FROM warmups)) ORDER BY first_seq",
        )?;
        let ids = query.query_map([id], |row| row.get(0))?;
        Ok(ids.collect::<Result<_, _>>()?)
    }

    /// Rows of a warm-up from that number on, as many as lie together, and the number of the first of them. None where there are
    /// no more yet.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`] where they are damaged.
    pub fn rows_from(&self, id: &str, row: u64) -> Result<Option<(u64, Rows)>, BookError> {
        let n = read::find(&self.conn, id)?.n;
        let row = row as i64;
        // One transaction, so that a block that is sealed meanwhile is not missed.
        let tx = self.conn.unchecked_transaction()?;
        let block: Option<(i64, i64)> = tx
            .prepare_cached(
                "SELECT n, first_row FROM blocks WHERE warmup = ?1 AND first_row + rows > ?2 ORDER BY first_row LIMIT 1",
            )?
            .query_row(params![n, row], |found| Ok((found.get(0)?, found.get(1)?)))
            .optional()?;
        if let Some((block, first)) = block {
            let mut lost = Vec::new();
            let rows = blocks::read_block(&tx, block, None, &mut lost)?;
            if let Some(what) = lost.pop() {
                return Err(BookError::Unreadable(what));
            }
            let skip = (row - first).max(0);
            return Ok(Some((
                (first + skip) as u64,
                rows.without_first(skip as usize),
            )));
        }
        let mut query = tx.prepare_cached(
            "SELECT first_row, plain, sum FROM tail WHERE warmup = ?1 AND first_row + rows > ?2 ORDER BY first_row",
        )?;
        let parts = query.query_map(params![n, row], |found| {
            Ok((found.get(0)?, found.get(1)?, found.get(2)?))
        })?;
        let mut all: Option<(i64, Rows)> = None;
        for part in parts {
            let (first, plain, sum): (i64, Vec<u8>, i64) = part?;
            if store::sum(&[&plain]) != sum {
                return Err(BookError::Unreadable(
                    "a part of the tail is damaged".to_owned(),
                ));
            }
            let rows = Rows::from_tail(&plain)?;
            match &mut all {
                None => {
                    let skip = (row - first).max(0);
                    all = Some((first + skip, rows.without_first(skip as usize)));
                }
                Some((_, all)) => all.append(&rows),
            }
        }
        Ok(all.map(|(first, rows)| (first as u64, rows)))
    }

    /// Writes a copy of the whole book, as it is now, to a file that is not there yet. The hub goes on meanwhile.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn copy_to(&self, file: &Path) -> Result<(), BookError> {
        self.conn
            .execute("VACUUM INTO ?1", [file.display().to_string()])?;
        Ok(())
    }
}

/// Makes a copied book that of this directory. A book that was there is put aside under another name, never overwritten: events
/// that only it has can still be read and exported. Answers what it is called now.
///
/// # Errors
/// [`BookError::InUse`] when a hub has the directory; what the system or SQLite says.
pub fn adopt(dir: &Path, copy: &Path) -> Result<Option<String>, BookError> {
    std::fs::create_dir_all(dir)
        .map_err(|error| BookError::Io(dir.display().to_string(), error.to_string()))?;
    let lock = store::lock(dir)?;
    let conn = Connection::open(copy)?;
    conn.execute(
        "DELETE FROM meta WHERE key IN ('hub', 'heard', 'peers')",
        [],
    )?;
    conn.close().map_err(|(_, error)| BookError::from(error))?;
    let io = |path: &Path| {
        let path = path.display().to_string();
        move |error: std::io::Error| BookError::Io(path.clone(), error.to_string())
    };
    let here = store::path(dir);
    let mut aside = None;
    if here.exists() {
        // The log is folded in first, so that the one file is all of it.
        let conn = store::open_or_create(dir)?;
        conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        drop(conn);
        let now = jiff::Timestamp::now()
            .strftime("%Y-%m-%dT%H-%M-%SZ")
            .to_string();
        let folder = format!("replaced-{now}-{}", std::process::id());
        let to = dir.join(&folder);
        std::fs::create_dir_all(&to).map_err(io(&to))?;
        let kept = store::path(&to);
        std::fs::rename(&here, &kept).map_err(io(&here))?;
        for end in ["-wal", "-shm"] {
            let _ = std::fs::remove_file(format!("{}{end}", here.display()));
        }
        aside = Some(folder);
    }
    std::fs::rename(copy, &here).map_err(io(copy))?;
    if let Ok(dir) = std::fs::File::open(dir) {
        let _ = dir.sync_all();
    }
    drop(lock);
    Ok(aside)
}

/// Whether the directory has a book.
pub fn is_there(dir: &Path) -> bool {
    store::path(dir).exists()
}

/// Makes an empty book for a journal of that name, which is to be filled with its events from elsewhere.
///
/// # Errors
/// What the system or SQLite says.
pub fn name_journal(dir: &Path, journal: &str) -> Result<(), BookError> {
    std::fs::create_dir_all(dir)
        .map_err(|error| BookError::Io(dir.display().to_string(), error.to_string()))?;
    let lock = store::lock(dir)?;
    let conn = store::open_or_create(dir)?;
    put(&conn, "journal", journal)?;
    drop(lock);
    Ok(())
}
