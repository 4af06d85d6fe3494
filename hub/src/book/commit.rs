//! The transactions that put events and readings into the tables. Each either holds as a whole or left nothing.

use super::{
    BookError, blocks,
    rows::{Rows, pack_times},
    said, store,
};
use rusqlite::{Connection, TransactionBehavior, params};
use spinover_protocol::{
    book::Said,
    event::{Event, EventBody},
};
use std::collections::{BTreeMap, HashMap};

/// What a piece of work on the thread can use: the connection, and the ids that are taken.
pub(super) struct Desk<'a> {
    pub(super) conn: &'a mut Connection,
    pub(super) ids: &'a mut Ids,
}

/// Every id that was ever used, and the number that the next one gets.
#[derive(Debug)]
pub(super) struct Ids {
    /// The number of each, and whether nothing is left of it.
    pub(super) known: HashMap<String, (i64, bool)>,
    pub(super) next_n: i64,
}

impl Ids {
    /// Takes an id for a new warm-up, and gives its number.
    pub(super) fn take(&mut self, id: &str) -> Result<i64, BookError> {
        if self.known.contains_key(id) {
            return Err(BookError::Duplicate(id.to_owned()));
        }
        let n = self.next_n;
        self.next_n += 1;
        self.known.insert(id.to_owned(), (n, false));
        Ok(n)
    }
}

/// An event as it goes into the tables.
pub(super) struct Planned {
    pub(super) event: Event,
    pub(super) warmup: Option<i64>,
    pub(super) kind: String,
    pub(super) json: String,
}

/// Something as JSON.
pub(super) fn text(value: &impl serde::Serialize) -> Result<String, BookError> {
    serde_json::to_string(value).map_err(|error| BookError::Unreadable(error.to_string()))
}

/// One transaction: events, plain rows for the tail, and what figures said. Gives the number of each warm-up's first new row.
pub(super) fn commit(
    conn: &mut Connection,
    planned: &[Planned],
    plain: &[(i64, usize, Vec<u8>)],
    said: &[(i64, Said)],
    known: &HashMap<i64, i64>,
) -> Result<BTreeMap<i64, i64>, BookError> {
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for plan in planned {
        let event = &plan.event;
        match &event.body {
            EventBody::WarmupBegun { id, sheet, car, .. } => {
                let channels = text(&car.channels)?;
                tx.prepare_cached(
                    "INSERT INTO warmups (n, id, begun_at, first_seq, sheet, team, car, channels) VALUES (?1,?2,?3,?4,?5,?6,?7,?8)",
                )?
                .execute(params![plan.warmup, id, event.at, event.seq as i64, sheet.name, car.team, car.name, channels])?;
            }
            EventBody::WarmupClosed {} => {
                tx.execute(
                    "UPDATE warmups SET closed_at = ?2 WHERE n = ?1",
                    params![plan.warmup, event.at],
                )?;
            }
            _ => {}
        }
        let command = event.command.as_ref().map(|command| command.as_str());
        tx.prepare_cached("INSERT INTO events (seq, at, warmup, kind, command, json, sum) VALUES (?1,?2,?3,?4,?5,?6,?7)")?
            .execute(params![
                event.seq as i64,
                event.at,
                plan.warmup,
                plan.kind,
                command,
                plan.json,
                store::sum(&[plan.json.as_bytes()])
            ])?;
    }
    let mut firsts = BTreeMap::new();
    for (n, rows, bytes) in plain {
        let first = match known.get(n) {
            Some(first) => *first,
            None => blocks::next_row(&tx, *n)?,
        };
        tx.prepare_cached(
            "INSERT INTO tail (warmup, first_row, rows, plain, sum) VALUES (?1,?2,?3,?4,?5)",
        )?
        .execute(params![n, first, *rows as i64, bytes, store::sum(&[bytes])])?;
        firsts.insert(*n, first);
    }
    for (n, said) in said {
        said::insert(&tx, *n, said)?;
    }
    tx.commit()?;
    Ok(firsts)
}

/// Writes rows as a block, and takes them out of the tail.
pub(super) fn seal(
    conn: &mut Connection,
    n: i64,
    first_row: i64,
    rows: &Rows,
) -> Result<(), BookError> {
    let Some((from_us, to_us)) = rows.span_us() else {
        return Ok(());
    };
    // Packing is the slow part, and is over before the file is locked.
    let times = pack_times(&rows.times_us)?;
    let mut columns = Vec::with_capacity(rows.columns.len());
    for (channel, column) in &rows.columns {
        columns.push((*channel, column.pack(rows.len())?));
    }
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let end = first_row + rows.len() as i64;
    tx.execute(
        "INSERT INTO blocks (warmup, first_row, rows, from_us, to_us, times, sum) VALUES (?1,?2,?3,?4,?5,?6,?7)",
        params![n, first_row, rows.len() as i64, from_us, to_us, times, store::sum(&[&times])],
    )?;
    let block = tx.last_insert_rowid();
    for (channel, packed) in &columns {
        tx.prepare_cached("INSERT INTO columns (block, channel, count, rows, vals, sum) VALUES (?1,?2,?3,?4,?5,?6)")?
            .execute(params![
                block,
                channel,
                packed.count as i64,
                packed.rows,
                packed.values,
                blocks::column_sum(packed)
            ])?;
    }
    tx.execute(
        "DELETE FROM tail WHERE warmup = ?1 AND first_row >= ?2 AND first_row < ?3",
        params![n, first_row, end],
    )?;
    tx.commit()?;
    Ok(())
}
