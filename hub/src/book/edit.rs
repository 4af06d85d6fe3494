//! What is written about a warm-up afterwards: remarks, tags, deletion. Runs on the writer's connection.

use super::{BookError, Edit, Photos, read};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use spinover_protocol::Millis;

/// Writes what people say about a warm-up afterwards. Photos go that no warm-up has any more.
pub(super) fn edit(
    conn: &mut Connection,
    photos: &Photos,
    id: &str,
    edit: &Edit,
) -> Result<(), BookError> {
    let entry = read::find(conn, id)?;
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    write(&tx, entry.n, edit)?;
    tx.commit()?;
    match edit.photos {
        Some(_) => photos.remove_unused(conn, &entry.photos),
        None => Ok(()),
    }
}

/// The same within a transaction, by number.
pub(super) fn write(tx: &Transaction, n: i64, edit: &Edit) -> Result<(), BookError> {
    let list = |words: &Option<Vec<String>>| {
        words
            .as_ref()
            .map(|words| serde_json::json!(words).to_string())
    };
    let fields = [
        ("source", edit.source.clone()),
        ("place", edit.place.clone()),
        ("weather", edit.weather.clone()),
        ("driver", edit.driver.clone()),
        ("note", edit.note.clone()),
        ("tags", list(&edit.tags)),
        ("photos", list(&edit.photos)),
    ];
    for (column, value) in fields {
        if let Some(value) = value {
            tx.execute(
                &format!("UPDATE warmups SET {column} = ?2 WHERE n = ?1"),
                params![n, value],
            )?;
        }
    }
    Ok(())
}

/// Marks a warm-up as deleted, or takes that back.
pub(super) fn set_deleted(
    conn: &mut Connection,
    id: &str,
    by: Option<(&str, Millis)>,
) -> Result<(), BookError> {
    let entry = read::find(conn, id)?;
    if by.is_some() && entry.first_seq.is_some() && entry.closed_at.is_none() {
        return Err(BookError::Refused(format!(
            "warm-up {id} is not closed; close it first"
        )));
    }
    conn.execute(
        "UPDATE warmups SET deleted_at = ?2, deleted_by = ?3 WHERE n = ?1",
        params![entry.n, by.map(|(_, at)| at), by.map(|(who, _)| who)],
    )?;
    Ok(())
}

/// Takes away for good what was deleted before that time. The last warm-up stays: the record is made of its events.
/// Everyone's joining stays too; the journal is then no longer without gaps, and the row in `warmups` says why. Photos go that no
/// other warm-up has.
pub(super) fn purge(
    conn: &mut Connection,
    photos: &Photos,
    before: Millis,
) -> Result<usize, BookError> {
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let last = "ifnull((SELECT max(first_seq) FROM warmups), 0)";
    let sql = format!(
        "SELECT n, photos FROM warmups WHERE purged = 0 AND deleted_at < ?1 AND ifnull(first_seq, -1) <> {last}"
    );
    let gone: Vec<(i64, String)> = tx
        .prepare(&sql)?
        .query_map([before], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (n, _) in &gone {
        take_away(&tx, *n)?;
        tx.execute(
            "UPDATE warmups SET purged = 1, place = '', weather = '', driver = '', note = '', tags = '[]', photos = '[]' WHERE n = ?1",
            [n],
        )?;
    }
    tx.commit()?;
    let left: Vec<String> = gone
        .iter()
        .filter_map(|(_, list)| serde_json::from_str::<Vec<String>>(list).ok())
        .flatten()
        .collect();
    photos.remove_unused(conn, &left)?;
    Ok(gone.len())
}

/// Takes away a warm-up's readings and events, joinings excepted.
pub(super) fn take_away(tx: &Transaction, n: i64) -> Result<(), BookError> {
    for sql in [
        "DELETE FROM columns WHERE block IN (SELECT n FROM blocks WHERE warmup = ?1)",
        "DELETE FROM blocks WHERE warmup = ?1",
        "DELETE FROM tail WHERE warmup = ?1",
        "DELETE FROM said WHERE warmup = ?1",
        "DELETE FROM imported WHERE warmup = ?1",
        "DELETE FROM events WHERE warmup = ?1 AND kind NOT IN ('person_joined', 'took_over')",
    ] {
        tx.execute(sql, [n])?;
    }
    Ok(())
}
