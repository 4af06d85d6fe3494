//! Blocks and the tail as they lie in the tables, read and held against their check numbers.

use super::{
    BookError, Part, Unreadable,
    rows::{Column, PackedColumn, Rows, unpack_times},
    store,
};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::collections::BTreeMap;

/// The blocks of a warm-up that a part touches, in the order in which they came.
pub(super) fn block_list(
    conn: &Connection,
    warmup: i64,
    part: Part,
) -> Result<Vec<i64>, BookError> {
    let mut query = conn.prepare_cached(
        "SELECT n FROM blocks WHERE warmup = ?1 AND to_us >= ?2 AND from_us <= ?3 ORDER BY first_row",
    )?;
    let (from, to) = (
        part.from_us.unwrap_or(i64::MIN),
        part.to_us.unwrap_or(i64::MAX),
    );
    Ok(query
        .query_map(params![warmup, from, to], |row| row.get(0))?
        .collect::<Result<_, _>>()?)
}

/// One block; columns that cannot be read are left out and named in `lost`.
pub(super) fn read_block(
    conn: &Connection,
    block: i64,
    channels: Option<&[u16]>,
    lost: &mut Vec<String>,
) -> Result<Rows, BookError> {
    let (count, times) = packed_times(conn, block)?;
    let mut rows = Rows {
        times_us: unpack_times(&times, count)?,
        columns: BTreeMap::new(),
    };
    each_column(conn, block, lost, |channel, row| {
        if channels.is_some_and(|wanted| !wanted.contains(&channel)) {
            return Ok(());
        }
        rows.columns.insert(channel, read_column(row, count)?);
        Ok(())
    })?;
    Ok(rows)
}

/// Whether a block's check numbers hold; columns whose do not are named in `lost`.
pub(super) fn sums_hold(
    conn: &Connection,
    block: i64,
    lost: &mut Vec<String>,
) -> Result<(), BookError> {
    packed_times(conn, block)?;
    each_column(conn, block, lost, |_, row| packed_column(row).map(drop))
}

fn packed_times(conn: &Connection, block: i64) -> Result<(usize, Vec<u8>), BookError> {
    let mut query = conn.prepare_cached("SELECT rows, times, sum FROM blocks WHERE n = ?1")?;
    let (count, times, sum): (i64, Vec<u8>, i64) =
        query.query_row([block], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    if store::sum(&[&times]) != sum {
        return Err(BookError::Unreadable(
            "its times are not as they were written".to_owned(),
        ));
    }
    let count = usize::try_from(count)
        .map_err(|_| BookError::Unreadable("a negative number of rows".to_owned()))?;
    Ok((count, times))
}

/// Calls `each` with every column of a block; what it cannot read is named in `lost`.
fn each_column(
    conn: &Connection,
    block: i64,
    lost: &mut Vec<String>,
    mut each: impl FnMut(u16, &Row) -> Result<(), BookError>,
) -> Result<(), BookError> {
    let mut query = conn.prepare_cached(
        "SELECT channel, count, rows, vals, sum FROM columns WHERE block = ?1 ORDER BY channel",
    )?;
    let mut found = query.query([block])?;
    loop {
        let row = match found.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(()),
            Err(error) => {
                lost.push(format!("block {block}, its later channels: {error}"));
                return Ok(());
            }
        };
        let channel: u16 = row.get(0)?;
        if let Err(error) = each(channel, row) {
            lost.push(format!("block {block}, channel {channel}: {error}"));
        }
    }
}

fn packed_column(row: &Row) -> Result<PackedColumn, BookError> {
    let packed = PackedColumn {
        count: row.get::<_, i64>(1)? as usize,
        rows: row.get(2)?,
        values: row.get(3)?,
    };
    if column_sum(&packed) != row.get::<_, i64>(4)? {
        return Err(BookError::Unreadable("not as it was written".to_owned()));
    }
    Ok(packed)
}

fn read_column(row: &Row, of_rows: usize) -> Result<Column, BookError> {
    Ok(Column::unpack(&packed_column(row)?, of_rows)?)
}

/// The check number of a packed column.
pub(super) fn column_sum(packed: &PackedColumn) -> i64 {
    store::sum(&[packed.rows.as_deref().unwrap_or_default(), &packed.values])
}

type TailPart = (i64, Result<Rows, BookError>);

/// The parts of a warm-up's tail in order.
pub(super) fn tail_parts(conn: &Connection, warmup: i64) -> Result<Vec<TailPart>, BookError> {
    let mut query =
        conn.prepare_cached("SELECT n, plain, sum FROM tail WHERE warmup = ?1 ORDER BY first_row")?;
    let parts = query.query_map([warmup], |row| {
        let (n, plain, sum): (i64, Vec<u8>, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let rows = match store::sum(&[&plain]) == sum {
            true => Rows::from_tail(&plain).map_err(BookError::from),
            false => Err(Unreadable("not as it was written".to_owned()).into()),
        };
        Ok((n, rows))
    })?;
    Ok(parts.collect::<Result<_, _>>()?)
}

/// Rows of a warm-up that are in no block and not in the tail: first and last of each gap.
pub(super) fn missing_rows(conn: &Connection, warmup: i64) -> Result<Vec<(i64, i64)>, BookError> {
    let mut query = conn.prepare_cached(
        "SELECT first_row, rows FROM (SELECT first_row, rows FROM blocks WHERE warmup = ?1
             UNION ALL SELECT first_row, rows FROM tail WHERE warmup = ?1) ORDER BY first_row",
    )?;
    let mut gaps = Vec::new();
    let mut due = 0;
    for part in query.query_map([warmup], |row| Ok((row.get(0)?, row.get(1)?)))? {
        let (first, rows): (i64, i64) = part?;
        if first > due {
            gaps.push((due, first - 1));
        }
        due = due.max(first + rows);
    }
    Ok(gaps)
}

/// The number that the next row of a warm-up gets.
pub(super) fn next_row(conn: &Connection, warmup: i64) -> Result<i64, BookError> {
    let end =
        "SELECT max(first_row + rows) FROM (SELECT first_row, rows FROM blocks WHERE warmup = ?1
               UNION ALL SELECT first_row, rows FROM tail WHERE warmup = ?1)";
    let end: Option<i64> = conn
        .query_row(end, [warmup], |row| row.get(0))
        .optional()?
        .flatten();
    Ok(end.unwrap_or(0))
}
