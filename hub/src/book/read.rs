//! Reading the book, on a connection that cannot write. Events and rows come out as they went in; what is damaged is
//! left out and named, never guessed.

use super::{
    BookError, Loaded, Photos,
    blocks::{block_list, missing_rows, read_block, sums_hold, tail_parts},
    rows::Rows,
    store,
};
use rusqlite::{Connection, Row, params};
use serde::Serialize;
use spinover_protocol::{
    CommandId, Millis, Seq,
    book::Listed,
    car::Channel,
    event::{Event, EventBody},
    record::Record,
    today::TimeSlip,
    turnaround::Turnaround,
};
use std::{collections::BTreeMap, path::Path};

/// How many of the latest commands are remembered across a restart.
const COMMANDS: i64 = 4096;

/// A warm-up in the book's list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarmupEntry {
    /// Its number within this file.
    #[serde(skip)]
    pub(super) n: i64,
    /// Its id.
    pub id: String,
    /// When it began.
    pub begun_at: Millis,
    /// When it was closed.
    pub closed_at: Option<Millis>,
    /// The number of its first event in the journal; none when it was imported.
    pub first_seq: Option<Seq>,
    /// The name of its sheet.
    pub sheet: String,
    /// The team.
    pub team: String,
    /// The car.
    pub car: String,
    /// The car's channels, in the order in which readings count them.
    pub channels: Vec<Channel>,
    /// Why its readings were not live; empty when they were.
    pub source: String,
    /// Where it was.
    pub place: String,
    /// The weather in words.
    pub weather: String,
    /// Who drove.
    pub driver: String,
    /// Free words.
    pub note: String,
    /// Words to find it by.
    pub tags: Vec<String>,
    /// Names of photo files.
    pub photos: Vec<String>,
    /// When it was deleted; it can be restored for [`super::KEEP_DELETED_DAYS`] days.
    pub deleted_at: Option<Millis>,
    /// By whom.
    pub deleted_by: Option<String>,
}

impl WarmupEntry {
    /// Whether all of these words occur in what people would look for it by; see [`Listed::matches`].
    pub fn matches(&self, words: &[String]) -> bool {
        self.listed().matches(words)
    }

    /// As phones read it.
    pub fn listed(&self) -> Listed {
        Listed {
            id: self.id.clone(),
            begun_at: self.begun_at,
            closed_at: self.closed_at,
            sheet: self.sheet.clone(),
            team: self.team.clone(),
            car: self.car.clone(),
            source: self.source.clone(),
            place: self.place.clone(),
            weather: self.weather.clone(),
            driver: self.driver.clone(),
            note: self.note.clone(),
            tags: self.tags.clone(),
            photos: self.photos.clone(),
            deleted_at: self.deleted_at,
            deleted_by: self.deleted_by.clone(),
            kept_until: self.deleted_at.map(|at| at + super::KEEP_DELETED_MS),
        }
    }
}

/// How much the book holds of a warm-up's readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Extent {
    /// Rows: batches of the sources.
    pub rows: u64,
    /// Readings.
    pub readings: u64,
    /// Earliest time, in microseconds since 1970.
    pub from_us: Option<i64>,
    /// Latest time, in microseconds since 1970.
    pub to_us: Option<i64>,
    /// Bytes that they take packed, without SQLite's own.
    pub bytes: u64,
}

/// The book, open for reading only. It sees everything that was on the disk when a query began.
#[derive(Debug)]
pub struct Reader {
    pub(super) conn: Connection,
    pub(super) photos: Photos,
}

/// Part of a warm-up's readings: which times and which channels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Part<'a> {
    /// From this time on, in microseconds since 1970; whole blocks are given, so earlier rows can come too.
    pub from_us: Option<i64>,
    /// Up to and with this time; later rows can come too.
    pub to_us: Option<i64>,
    /// These channels only, by their place in the list; all when absent. Rows without any of them come too.
    pub channels: Option<&'a [u16]>,
}

const ENTRY: &str = "SELECT n, id, begun_at, closed_at, first_seq, sheet, team, car, channels, source, place, weather, driver, note, tags, \
     photos, deleted_at, deleted_by FROM warmups";

fn json<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, BookError> {
    serde_json::from_str(text).map_err(|error| BookError::Unreadable(error.to_string()))
}

/// The channels that were read last, and their text: one car's warm-ups mostly have the same ones, and reading JSON is slow.
type LastChannels = Option<(String, Vec<Channel>)>;

fn channels(row: &Row, last: &mut LastChannels) -> Result<Vec<Channel>, BookError> {
    let text = row.get_ref(8)?.as_str();
    let text = text.map_err(|error| BookError::Unreadable(error.to_string()))?;
    if let Some((known, channels)) = last
        && known == text
    {
        return Ok(channels.clone());
    }
    let channels: Vec<Channel> = json(text)?;
    *last = Some((text.to_owned(), channels.clone()));
    Ok(channels)
}

fn entry(row: &Row, last: &mut LastChannels) -> Result<WarmupEntry, BookError> {
    Ok(WarmupEntry {
        n: row.get(0)?,
        id: row.get(1)?,
        begun_at: row.get(2)?,
        closed_at: row.get(3)?,
        first_seq: row.get::<_, Option<i64>>(4)?.map(|seq| seq as Seq),
        sheet: row.get(5)?,
        team: row.get(6)?,
        car: row.get(7)?,
        channels: channels(row, last)?,
        source: row.get(9)?,
        place: row.get(10)?,
        weather: row.get(11)?,
        driver: row.get(12)?,
        note: row.get(13)?,
        tags: json(&row.get::<_, String>(14)?)?,
        photos: json(&row.get::<_, String>(15)?)?,
        deleted_at: row.get(16)?,
        deleted_by: row.get(17)?,
    })
}

/// All warm-ups that are left, oldest first.
pub(super) fn entries(conn: &Connection) -> Result<Vec<WarmupEntry>, BookError> {
    let mut query =
        conn.prepare_cached(&format!("{ENTRY} WHERE purged = 0 ORDER BY begun_at, n"))?;
    let mut last = None;
    let rows = query.query_and_then([], |row| entry(row, &mut last))?;
    rows.collect()
}

pub(super) fn find(conn: &Connection, id: &str) -> Result<WarmupEntry, BookError> {
    let mut query = conn.prepare_cached(&format!("{ENTRY} WHERE id = ?1 AND purged = 0"))?;
    query
        .query_and_then([id], |row| entry(row, &mut None))?
        .next()
        .unwrap_or_else(|| Err(BookError::NoSuchWarmup(id.to_owned())))
}

pub(super) fn event(row: &Row) -> Result<Event, BookError> {
    let (seq, text, sum): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
    if store::sum(&[text.as_bytes()]) != sum {
        return Err(BookError::Unreadable(format!(
            "event {seq} is not as it was written"
        )));
    }
    json(&text)
}

fn events(
    conn: &Connection,
    sql: &str,
    params: impl rusqlite::Params,
) -> Result<Vec<Event>, BookError> {
    let mut query = conn.prepare_cached(sql)?;
    let rows = query.query_and_then(params, event)?;
    rows.collect()
}

/// Everyone's last joining before that event, in order.
fn people_before(conn: &Connection, seq: i64) -> Result<Vec<Event>, BookError> {
    let joined =
        "SELECT seq, json, sum FROM events WHERE kind = 'person_joined' AND seq < ?1 ORDER BY seq";
    let mut latest = BTreeMap::new();
    for event in events(conn, joined, [seq])? {
        if let EventBody::PersonJoined { who, .. } = &event.body {
            latest.insert(who.id.clone(), event);
        }
    }
    let mut people: Vec<Event> = latest.into_values().collect();
    people.sort_by_key(|event| event.seq);
    Ok(people)
}

/// The kinds of events that are about the time between rounds.
const OF_TURNAROUND: &str = "('turnaround_begun', 'turnaround_closed', 'lanes_call_set', 'task_started', 'task_done', 'task_undone', 'task_late', 'late_told', 'late_seen')";

/// The kinds of events that are changes of counted parts.
const OF_SEASON: &str = "('part_changed', 'part_change_undone')";

/// The events of the turnaround that had last begun before that number, up to it: it can be older than the warm-up.
fn turnaround_before(conn: &Connection, seq: i64) -> Result<Vec<Event>, BookError> {
    let sql = format!(
        "SELECT seq, json, sum FROM events WHERE kind IN {OF_TURNAROUND} AND seq < ?1 AND seq >= \
         (SELECT ifnull(max(seq), ?1) FROM events WHERE kind = 'turnaround_begun' AND seq < ?1) ORDER BY seq"
    );
    events(conn, &sql, [seq])
}

/// Every change of a counted part before that number.
fn changes_before(conn: &Connection, seq: i64) -> Result<Vec<Event>, BookError> {
    let sql = format!(
        "SELECT seq, json, sum FROM events WHERE kind IN {OF_SEASON} AND seq < ?1 ORDER BY seq"
    );
    events(conn, &sql, [seq])
}

/// Everything that the hub needs to go on where the book ends.
pub(super) fn load(conn: &Connection) -> Result<Loaded, BookError> {
    let journal = conn.query_row("SELECT value FROM meta WHERE key = 'journal'", [], |row| {
        row.get(0)
    })?;
    let last: i64 = conn.query_row("SELECT ifnull(max(seq), 0) FROM events", [], |row| {
        row.get(0)
    })?;
    let begun: i64 =
        conn.query_row("SELECT ifnull(max(first_seq), 1) FROM warmups", [], |row| {
            row.get(0)
        })?;
    let mut all = people_before(conn, begun)?;
    all.extend(turnaround_before(conn, begun)?);
    all.extend(events(
        conn,
        "SELECT seq, json, sum FROM events WHERE kind = 'took_over' AND seq < ?1 ORDER BY seq DESC LIMIT 1",
        [begun],
    )?);
    all.extend(changes_before(conn, begun)?);
    all.sort_by_key(|event| event.seq);
    all.extend(events(
        conn,
        "SELECT seq, json, sum FROM events WHERE seq >= ?1 ORDER BY seq",
        [begun],
    )?);
    let mut query = conn.prepare(
        "SELECT command, seq FROM events WHERE command IS NOT NULL ORDER BY seq DESC LIMIT ?1",
    )?;
    let commands = query.query_map([COMMANDS], |row| {
        Ok((CommandId(row.get(0)?), row.get::<_, i64>(1)? as Seq))
    })?;
    let mut commands = commands.collect::<Result<Vec<_>, _>>()?;
    commands.reverse();
    Ok(Loaded {
        journal,
        events: all,
        next_seq: last as Seq + 1,
        commands,
        warmups: entries(conn)?,
        kept: super::hubs::load(conn)?,
    })
}

impl Reader {
    /// Opens the book in a directory for reading. A hub may be writing to it meanwhile.
    ///
    /// # Errors
    /// [`BookError::Missing`] when there is none, [`BookError::Unreadable`] when even its first page is damaged.
    pub fn open(dir: &Path) -> Result<Self, BookError> {
        Ok(Self {
            conn: store::open_read_only(dir)?,
            photos: Photos::of(dir),
        })
    }

    /// All warm-ups, oldest first, deleted ones with them.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn warmups(&self) -> Result<Vec<WarmupEntry>, BookError> {
        entries(&self.conn)
    }

    /// One warm-up.
    ///
    /// # Errors
    /// [`BookError::NoSuchWarmup`], or as above.
    pub fn warmup(&self, id: &str) -> Result<WarmupEntry, BookError> {
        find(&self.conn, id)
    }

    /// The warm-up that people mean by an id, by the only beginning of an id that fits, or by `last`.
    ///
    /// # Errors
    /// [`BookError::NoSuchWarmup`] when none fits, [`BookError::Refused`] when several do.
    pub fn pick(&self, text: &str) -> Result<WarmupEntry, BookError> {
        let mut all = self.warmups()?;
        if let Some(exact) = all.iter().position(|entry| entry.id == text) {
            return Ok(all.swap_remove(exact));
        }
        all.retain(|entry| {
            entry.deleted_at.is_none() && (text == "last" || entry.id.starts_with(text))
        });
        match (all.pop(), all.last()) {
            (Some(only), _) if all.is_empty() || text == "last" => Ok(only),
            (Some(one), Some(other)) => Err(BookError::Refused(format!(
                "{text} fits several warm-ups, {} and {} among them; write more of it",
                other.id, one.id
            ))),
            _ => Err(BookError::NoSuchWarmup(text.to_owned())),
        }
    }

    /// The journal's name.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn journal(&self) -> Result<String, BookError> {
        Ok(self
            .conn
            .query_row("SELECT value FROM meta WHERE key = 'journal'", [], |row| {
                row.get(0)
            })?)
    }

    /// Up to `limit` events of the journal after that number, in order: what a phone missed.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn events_after(&self, seq: Seq, limit: usize) -> Result<Vec<Event>, BookError> {
        let sql = "SELECT seq, json, sum FROM events WHERE seq > ?1 ORDER BY seq LIMIT ?2";
        events(&self.conn, sql, params![seq as i64, limit as i64])
    }

    /// A warm-up's events in order, from its beginning to the last before the next one.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn events(&self, id: &str) -> Result<Vec<Event>, BookError> {
        let entry = self.warmup(id)?;
        let table = if entry.first_seq.is_some() {
            "events"
        } else {
            "imported"
        };
        events(
            &self.conn,
            &format!("SELECT seq, json, sum FROM {table} WHERE warmup = ?1 ORDER BY seq"),
            [entry.n],
        )
    }

    /// A warm-up's events, and before them the last joining of everyone who had joined: what gives its record.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn story(&self, id: &str) -> Result<Vec<Event>, BookError> {
        let mut story = match self.warmup(id)?.first_seq {
            Some(first) => people_before(&self.conn, first as i64)?,
            None => Vec::new(),
        };
        story.extend(self.events(id)?);
        Ok(story)
    }

    /// What was typed of the air, oldest first, while readings were not live for the reason `source`; empty: live.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn conditions(&self, source: &str) -> Result<Vec<Event>, BookError> {
        let sql = "SELECT e.seq, e.json, e.sum FROM events e LEFT JOIN warmups w ON w.n = e.warmup \
             WHERE e.kind = 'conditions_set' AND ifnull(w.source, '') = ?1 ORDER BY e.seq";
        events(&self.conn, sql, [source])
    }

    /// Changes of counted parts, oldest first.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn part_changes(&self) -> Result<Vec<Event>, BookError> {
        changes_before(&self.conn, i64::MAX)
    }

    /// The time slip that was typed in last of each warm-up of that car that has one, oldest first, without those that were deleted.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn slips(&self, car: &str) -> Result<Vec<TimeSlip>, BookError> {
        let mut query = self.conn.prepare_cached(
            "SELECT e.seq, e.json, e.sum, w.begun_at, w.n FROM events e JOIN warmups w ON w.n = e.warmup \
             WHERE e.kind = 'slip_typed' AND w.car = ?1 AND w.purged = 0 AND w.deleted_at IS NULL",
        )?;
        let rows = query.query_and_then([car], |row| {
            let place: (i64, i64) = (row.get(3)?, row.get(4)?);
            Ok::<_, BookError>((place, event(row)?))
        })?;
        // In the order of the journal, so that the last of a warm-up stays.
        let mut slips = BTreeMap::new();
        let mut found: Vec<((i64, i64), Event)> = rows.collect::<Result<_, _>>()?;
        found.sort_by_key(|(_, event)| event.seq);
        for (place, event) in found {
            if let EventBody::SlipTyped(slip) = event.body {
                slips.insert(place, slip);
            }
        }
        // Imported ones have tables of their own, and are few.
        for entry in self.warmups()? {
            if entry.first_seq.is_none() && entry.deleted_at.is_none() && entry.car == car {
                let warmup = self.record(&entry.id)?.warmup;
                let slip = warmup.and_then(|warmup| warmup.slip);
                slips.extend(slip.map(|told| ((entry.begun_at, entry.n), told.value)));
            }
        }
        Ok(slips.into_values().collect())
    }

    /// Every turnaround, oldest first, that was marked while readings were not live for the reason `source`; empty: live.
    ///
    /// # Errors
    /// What SQLite says, or [`BookError::Unreadable`].
    pub fn turnarounds(&self, source: &str) -> Result<Vec<Turnaround>, BookError> {
        let sql = format!(
            "SELECT e.seq, e.json, e.sum FROM events e LEFT JOIN warmups w ON w.n = e.warmup \
             WHERE e.kind IN {OF_TURNAROUND} AND ifnull(w.source, '') = ?1 ORDER BY e.seq"
        );
        let mut turnarounds: Vec<Turnaround> = Vec::new();
        for event in events(&self.conn, &sql, [source])? {
            if let EventBody::TurnaroundBegun { plan, lanes_at } = &event.body {
                turnarounds.push(Turnaround::begin(plan, event.at, *lanes_at));
            } else if let Some(last) = turnarounds.last_mut() {
                last.apply(&event);
            }
        }
        Ok(turnarounds)
    }

    /// The record of a warm-up as it was at its last event.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn record(&self, id: &str) -> Result<Record, BookError> {
        let mut record = Record::default();
        self.story(id)?.iter().for_each(|event| record.apply(event));
        Ok(record)
    }

    /// How much the book holds of a warm-up's readings.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn extent(&self, id: &str) -> Result<Extent, BookError> {
        let entry = self.warmup(id)?;
        let mut extent = Extent::default();
        let tx = self.conn.unchecked_transaction()?;
        let (rows, bytes, from_us, to_us): (i64, i64, Option<i64>, Option<i64>) = tx.query_row(
            "SELECT ifnull(sum(rows), 0), ifnull(sum(length(times)), 0), min(from_us), max(to_us) FROM blocks WHERE warmup = ?1",
            [entry.n],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
        )?;
        let (readings, more): (i64, i64) = tx.query_row(
            "SELECT ifnull(sum(c.count), 0), ifnull(sum(length(c.vals) + ifnull(length(c.rows), 0)), 0)
             FROM blocks b JOIN columns c ON c.block = b.n WHERE b.warmup = ?1",
            [entry.n],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        (extent.rows, extent.readings, extent.bytes) =
            (rows as u64, readings as u64, (bytes + more) as u64);
        (extent.from_us, extent.to_us) = (from_us, to_us);
        for (_, tail) in tail_parts(&tx, entry.n)? {
            let tail = tail?;
            extent.rows += tail.len() as u64;
            extent.readings += tail.readings() as u64;
            if let Some((from, to)) = tail.span_us() {
                extent.from_us = Some(extent.from_us.map_or(from, |earlier| earlier.min(from)));
                extent.to_us = Some(extent.to_us.map_or(to, |later| later.max(to)));
            }
        }
        Ok(extent)
    }

    /// Calls `each` with a warm-up's readings, block after block, in the order in which they came.
    ///
    /// The answer names what could not be read and was left out; it is empty for a sound book.
    ///
    /// # Errors
    /// As for [`Reader::warmup`], and what `each` returns.
    pub fn each_block<E: From<BookError>>(
        &self,
        id: &str,
        part: Part,
        mut each: impl FnMut(Rows) -> Result<(), E>,
    ) -> Result<Vec<String>, E> {
        let entry = self.warmup(id)?;
        // One transaction, so that a block that is sealed meanwhile comes neither twice nor not at all.
        let tx = self.conn.unchecked_transaction().map_err(BookError::from)?;
        let mut lost = Vec::new();
        let blocks = block_list(&tx, entry.n, part).unwrap_or_else(|error| {
            lost.push(format!("the list of blocks: {error}"));
            Vec::new()
        });
        for block in blocks {
            match read_block(&tx, block, part.channels, &mut lost) {
                Ok(rows) => each(rows)?,
                Err(error) => lost.push(format!("block {block}: {error}")),
            }
        }
        for (n, tail) in tail_parts(&tx, entry.n)? {
            match tail {
                Ok(mut rows) => {
                    if let Some(wanted) = part.channels {
                        rows.columns.retain(|channel, _| wanted.contains(channel));
                    }
                    let inside = rows.span_us().is_some_and(|(from, to)| {
                        part.to_us.is_none_or(|end| from <= end)
                            && part.from_us.is_none_or(|start| to >= start)
                    });
                    if inside {
                        each(rows)?;
                    }
                }
                Err(error) => lost.push(format!("tail {n}: {error}")),
            }
        }
        Ok(lost)
    }

    /// What of a warm-up's readings is not as it was written, by its check numbers alone: fast, since nothing is unpacked.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn damage(&self, id: &str) -> Result<Vec<String>, BookError> {
        let entry = self.warmup(id)?;
        let tx = self.conn.unchecked_transaction()?;
        let mut lost = Vec::new();
        for block in block_list(&tx, entry.n, Part::default())? {
            if let Err(error) = sums_hold(&tx, block, &mut lost) {
                lost.push(format!("block {block}: {error}"));
            }
        }
        for (n, tail) in tail_parts(&tx, entry.n)? {
            if let Err(error) = tail {
                lost.push(format!("tail {n}: {error}"));
            }
        }
        for (from, to) in missing_rows(&tx, entry.n)? {
            lost.push(format!("rows {from} to {to} are missing"));
        }
        drop(tx);
        lost.extend(self.each_said(id, |_| Ok::<(), BookError>(()))?);
        Ok(lost)
    }

    /// All of a warm-up's readings at once, and what could not be read.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn rows(&self, id: &str, part: Part) -> Result<(Rows, Vec<String>), BookError> {
        let mut all = Rows::default();
        let lost = self.each_block(id, part, |rows| {
            all.append(&rows);
            Ok::<(), BookError>(())
        })?;
        Ok((all, lost))
    }

    /// Each channel's last reading up to and with a time, as its time and value: what the screens showed then.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn at(&self, id: &str, t_us: i64) -> Result<BTreeMap<u16, (i64, f64)>, BookError> {
        let entry = self.warmup(id)?;
        let tx = self.conn.unchecked_transaction()?;
        let mut found: BTreeMap<u16, (i64, f64)> = BTreeMap::new();
        let mut look = |rows: &Rows| {
            for (channel, column) in &rows.columns {
                let times = column.rows.iter().map(|row| rows.times_us[*row as usize]);
                let last = times
                    .zip(&column.values)
                    .rev()
                    .find(|(time, _)| *time <= t_us);
                if let Some((time, value)) = last
                    && found.get(channel).is_none_or(|(have, _)| *have < time)
                {
                    found.insert(*channel, (time, *value));
                }
            }
            found.keys().copied().collect::<Vec<u16>>()
        };
        let mut have = Vec::new();
        for (_, tail) in tail_parts(&tx, entry.n)?.into_iter().rev() {
            // A part that is damaged is left out here, and named by `damage`.
            if let Ok(tail) = tail {
                have = look(&tail);
            }
        }
        // Backwards from the block that holds the time, and only for channels that no later block had a reading of.
        let mut back = tx.prepare_cached(
            "SELECT n FROM blocks WHERE warmup = ?1 AND from_us <= ?2 ORDER BY first_row DESC",
        )?;
        let blocks = back
            .query_map(params![entry.n, t_us], |row| row.get::<_, i64>(0))?
            .collect::<Result<Vec<_>, _>>()?;
        let mut lost = Vec::new();
        for block in blocks {
            let wanted: Vec<u16> = (0..entry.channels.len() as u16)
                .filter(|channel| !have.contains(channel))
                .collect();
            if wanted.is_empty() {
                break;
            }
            if let Ok(rows) = read_block(&tx, block, Some(&wanted), &mut lost) {
                have = look(&rows);
            }
        }
        Ok(found)
    }
}
