//! Whether a book is sound, read from beginning to end. Changes nothing.

use super::{BookError, Reader, blocks as tables, read, said};
use rusqlite::Connection;
use serde::Serialize;
use spinover_protocol::book::is_photo;
use std::collections::BTreeMap;

/// Most findings that are listed; the rest are counted.
const LISTED: usize = 50;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Findings {
    /// Warm-ups in the list.
    pub warmups: u64,
    /// Events that are as they were written.
    pub events: u64,
    /// Blocks that are.
    pub blocks: u64,
    /// Readings that are.
    pub readings: u64,
    /// Photos that are as they were written.
    pub photos: u64,
    /// Photos in the folder that no warm-up has; they take room, and do no harm.
    pub stray_photos: u64,
    /// What is wrong, in words; the first fifty.
    pub wrong: Vec<String>,
    /// How many things are wrong.
    pub count: u64,
}

impl Findings {
    /// Whether nothing is wrong.
    pub fn sound(&self) -> bool {
        self.count == 0
    }

    fn wrong(&mut self, what: String) {
        self.count += 1;
        if self.wrong.len() < LISTED {
            self.wrong.push(what);
        }
    }
}

type Part = fn(&Reader, &mut Findings) -> Result<(), BookError>;

/// Reads everything, and compares it with the check numbers that were written with it.
pub fn check(reader: &Reader) -> Findings {
    let mut findings = Findings::default();
    let parts: [(&str, Part); 7] = [
        ("the file's structure", structure),
        ("the list of warm-ups", warmups),
        ("the journal", journal),
        ("the readings", blocks),
        ("the latest readings", tail),
        ("what the figures said", figures),
        ("the photos", photos),
    ];
    for (name, part) in parts {
        // Damage in one table says nothing about the next.
        if let Err(error) = part(reader, &mut findings) {
            findings.wrong(format!("{name}: {error}"));
        }
    }
    findings
}

fn structure(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let conn = &reader.conn;
    let mut query = conn.prepare(&format!("PRAGMA integrity_check({LISTED})"))?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        let words: String = row.get(0)?;
        if words != "ok" {
            findings.wrong(words);
        }
    }
    Ok(())
}

fn warmups(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let conn = &reader.conn;
    findings.warmups = read::entries(conn)?.len() as u64;
    Ok(())
}

fn journal(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let conn = &reader.conn;
    for table in ["events", "imported"] {
        let mut query = conn.prepare(&format!(
            "SELECT seq, json, sum FROM {table} ORDER BY rowid"
        ))?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            match read::event(row) {
                Ok(_) => findings.events += 1,
                Err(error) => findings.wrong(error.to_string()),
            }
        }
    }
    // The numbers have no gap but where a warm-up was deleted for good: from its first event to the next one's.
    let gaps = "SELECT prev + 1, seq - 1 FROM (SELECT seq, lag(seq, 1, 0) OVER (ORDER BY seq) AS prev FROM events) WHERE seq <> prev + 1";
    let mut query = conn.prepare(gaps)?;
    let mut rows = query.query([])?;
    let purged = "SELECT count(*) FROM warmups w WHERE purged = 1 AND first_seq <= ?1
         AND ifnull((SELECT min(first_seq) FROM warmups n WHERE n.first_seq > w.first_seq), ?2 + 1) > ?2";
    while let Some(row) = rows.next()? {
        let (from, to): (i64, i64) = (row.get(0)?, row.get(1)?);
        for (from, to) in split_at_begins(conn, from, to)? {
            let explained: i64 = conn.query_row(purged, [from, to], |row| row.get(0))?;
            if explained == 0 {
                findings.wrong(format!("events {from} to {to} are missing"));
            }
        }
    }
    Ok(())
}

/// A gap over several warm-ups, one part for each.
fn split_at_begins(conn: &Connection, from: i64, to: i64) -> Result<Vec<(i64, i64)>, BookError> {
    let mut query = conn.prepare_cached(
        "SELECT first_seq FROM warmups WHERE first_seq > ?1 AND first_seq <= ?2 ORDER BY first_seq",
    )?;
    let mut parts = Vec::new();
    let mut start = from;
    for begin in query.query_map([from, to], |row| row.get::<_, i64>(0))? {
        let begin = begin?;
        parts.push((start, begin - 1));
        start = begin;
    }
    parts.push((start, to));
    Ok(parts)
}

fn blocks(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let conn = &reader.conn;
    let mut query =
        conn.prepare("SELECT n, warmup, first_row, rows FROM blocks ORDER BY warmup, first_row")?;
    let mut rows = query.query([])?;
    let mut expected = (0, 0);
    while let Some(row) = rows.next()? {
        let (block, warmup, first, count): (i64, i64, i64, i64) =
            (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
        if expected.0 != warmup {
            expected = (warmup, 0);
        }
        if first != expected.1 {
            findings.wrong(format!(
                "block {block} begins with row {first}, {} was due",
                expected.1
            ));
        }
        expected.1 = first + count;
        let mut lost = Vec::new();
        match tables::read_block(conn, block, None, &mut lost) {
            Ok(rows) => {
                findings.readings += rows.readings() as u64;
                findings.blocks += u64::from(lost.is_empty());
            }
            Err(error) => findings.wrong(format!("block {block}: {error}")),
        }
        lost.into_iter().for_each(|lost| findings.wrong(lost));
    }
    Ok(())
}

fn tail(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let conn = &reader.conn;
    let mut query = conn.prepare("SELECT DISTINCT warmup FROM tail")?;
    let warmups: Vec<i64> = query
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    for warmup in warmups {
        for (n, rows) in tables::tail_parts(conn, warmup)? {
            match rows {
                Ok(rows) => findings.readings += rows.readings() as u64,
                Err(error) => findings.wrong(format!("tail {n}: {error}")),
            }
        }
    }
    Ok(())
}

fn figures(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let mut query = reader
        .conn
        .prepare("SELECT json, sum, n, warmup FROM said ORDER BY n")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        if let Err(error) = said::said(row) {
            let (n, warmup): (i64, i64) = (row.get(2)?, row.get(3)?);
            findings.wrong(format!("figures {n} of warm-up {warmup}: {error}"));
        }
    }
    Ok(())
}

/// Every photo by the hash that is its name, looked at once however many warm-ups have it.
fn photos(reader: &Reader, findings: &mut Findings) -> Result<(), BookError> {
    let mut strays = reader
        .photos
        .names()
        .map_err(|error| BookError::Io("photos".to_owned(), error.to_string()))?;
    let mut owners: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for entry in read::entries(&reader.conn)? {
        for photo in entry.photos.into_iter().filter(|name| is_photo(name)) {
            owners.entry(photo).or_default().push(entry.id.clone());
        }
    }
    for (photo, owners) in &owners {
        strays.remove(photo);
        match reader.photos.read(photo) {
            Ok(_) => findings.photos += 1,
            Err(what) => findings.wrong(format!("{what} (of {})", owners.join(", "))),
        }
    }
    findings.stray_photos = strays.len() as u64;
    Ok(())
}
