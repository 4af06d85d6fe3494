//! A damaged book is read as far as it goes, says what is wrong, and is never written to.

mod book_kit;

use book_kit::*;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use spinover::book::{BLOCK_ROWS, Book, BookError, Reader, check::check, export, replay};
use std::path::Path;

const ROWS: i64 = 3 * BLOCK_ROWS as i64;

fn filled(dir: &Path) {
    let (book, _) = Book::open(dir).unwrap();
    answer(book.append(vec![begun(1, "w", 2), marked(2, "a"), called(3)])).unwrap();
    for n in 0..ROWS {
        book.readings(
            "w",
            vec![(0, n * 1000, n as f64), (1, n * 1000, (n as f64).sin())],
        );
        // A block is sealed when a commit finds it full, so let it look.
        if n % BLOCK_ROWS as i64 == BLOCK_ROWS as i64 - 1 {
            answer(book.flush()).unwrap();
        }
    }
}

fn spoil(dir: &Path, sql: &str) {
    let conn = rusqlite::Connection::open(dir.join("spinover.db")).unwrap();
    assert_eq!(conn.execute(sql, []).unwrap(), 1, "{sql}");
}

#[test]
fn a_sound_book_is_found_sound() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let reader = Reader::open(dir.path()).unwrap();
    let findings = check(&reader);
    assert!(findings.sound(), "{findings:?}");
    assert_eq!(
        replay::open(&reader, "w").unwrap().lost,
        Vec::<String>::new()
    );
    assert_eq!(
        (
            findings.warmups,
            findings.events,
            findings.blocks,
            findings.readings
        ),
        (1, 3, 3, 2 * ROWS as u64)
    );
}

#[test]
fn one_changed_byte_costs_one_column_of_one_block_and_is_named() {
    for (sql, named, rows, readings) in [
        (
            "UPDATE columns SET vals = CAST(substr(vals, 1, 40) || x'00' || substr(vals, 42) AS BLOB) WHERE block = 2 AND channel = 1",
            "channel 1",
            ROWS,
            2 * ROWS - BLOCK_ROWS as i64,
        ),
        (
            "UPDATE blocks SET times = CAST(x'00' || substr(times, 2) AS BLOB) WHERE n = 2",
            "times",
            ROWS - BLOCK_ROWS as i64,
            2 * ROWS - 2 * BLOCK_ROWS as i64,
        ),
        (
            "DELETE FROM blocks WHERE n = 2",
            "was due",
            ROWS - BLOCK_ROWS as i64,
            2 * ROWS - 2 * BLOCK_ROWS as i64,
        ),
    ] {
        let dir = tempfile::tempdir().unwrap();
        filled(dir.path());
        {
            let conn = rusqlite::Connection::open(dir.path().join("spinover.db")).unwrap();
            conn.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
            assert_eq!(conn.execute(sql, []).unwrap(), 1, "{sql}");
        }
        let reader = Reader::open(dir.path()).unwrap();
        let findings = check(&reader);
        assert!(
            findings.wrong.iter().any(|wrong| wrong.contains(named)),
            "{sql}: {findings:?}"
        );
        let mut out = Vec::new();
        export::lines(&reader, "w", &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text.lines().count() as i64, rows, "{sql}");
        assert_eq!(text.matches("\"ch").count() as i64, readings, "{sql}");
        // Played back, it says what is missing, and shows the rest.
        assert!(
            !replay::open(&reader, "w").unwrap().lost.is_empty(),
            "{sql}"
        );
        assert_eq!(
            replay::frames(&reader, "w", 0, 1_000, 100).unwrap().len(),
            11
        );
    }
}

#[test]
fn a_changed_or_missing_event_is_found_and_the_hub_does_not_go_on_from_it() {
    for (sql, named) in [
        (
            "UPDATE events SET json = replace(json, 'call 3', 'call 4') WHERE seq = 3",
            "event 3",
        ),
        (
            "DELETE FROM events WHERE seq = 2",
            "events 2 to 2 are missing",
        ),
    ] {
        let dir = tempfile::tempdir().unwrap();
        filled(dir.path());
        spoil(dir.path(), sql);
        let findings = check(&Reader::open(dir.path()).unwrap());
        assert_eq!(findings.count, 1, "{findings:?}");
        assert!(findings.wrong[0].contains(named), "{findings:?}");
    }
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    spoil(
        dir.path(),
        "UPDATE events SET json = replace(json, 'call 3', 'call 4') WHERE seq = 3",
    );
    match Book::open(dir.path()) {
        Err(BookError::Damaged(_, what)) => assert!(what.contains("event 3"), "{what}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn gaps_that_deletion_leaves_are_no_damage() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let events = vec![
        begun(1, "a", 1),
        joined(2, "Bea"),
        called(3),
        closed(4),
        begun(5, "b", 1),
        closed(6),
        begun(7, "c", 1),
        called(8),
    ];
    answer(book.append(events)).unwrap();
    for id in ["a", "b"] {
        answer(book.delete(id, "Ada", 0)).unwrap();
    }
    assert_eq!(answer(book.purge(i64::MAX / 2)), Ok(2));
    let findings = check(&book.reader().unwrap());
    assert!(findings.sound(), "{findings:?}");
    assert_eq!(findings.events, 3);
    drop(book);
    spoil(dir.path(), "DELETE FROM events WHERE seq = 7");
    assert_eq!(
        check(&Reader::open(dir.path()).unwrap()).wrong,
        ["events 7 to 7 are missing"]
    );
}

/// Everything that comes out of a book, or nothing where something cannot be read.
fn all_of_it(reader: &Reader) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    for entry in reader.warmups().ok()? {
        let lost = export::json(reader, &entry.id, &mut out).ok()?;
        export::csv(reader, &entry.id, &mut out).ok()?;
        if !lost.is_empty() {
            return None;
        }
    }
    Some(out)
}

#[test]
fn damage_anywhere_is_found_or_changes_nothing_and_the_file_stays_as_it_is() {
    // The same damage every time: a find must be the code's, not the dice's.
    let mut rng = SmallRng::seed_from_u64(2026);
    let sound = tempfile::tempdir().unwrap();
    filled(sound.path());
    // Without the space that the tail left free, since a hit in there is no damage.
    let conn = rusqlite::Connection::open(sound.path().join("spinover.db")).unwrap();
    conn.execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE)")
        .unwrap();
    drop(conn);
    let bytes = std::fs::read(sound.path().join("spinover.db")).unwrap();
    let whole = all_of_it(&Reader::open(sound.path()).unwrap()).unwrap();
    let (mut found, mut harmless, mut saved) = (0, 0, 0);
    for round in 0..150 {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("spinover.db");
        let mut bad = bytes.clone();
        match round % 3 {
            0 => bad.truncate(rng.random_range(1..bad.len())),
            1 => {
                let from = rng.random_range(0..bad.len());
                let to = (from + rng.random_range(1..6000)).min(bad.len());
                rng.fill(&mut bad[from..to]);
            }
            _ => {
                let at = rng.random_range(0..bad.len());
                bad[at] ^= 1 << rng.random_range(0..8);
            }
        }
        std::fs::write(&path, &bad).unwrap();
        let reader = Reader::open(dir.path());
        match &reader {
            Ok(reader) if check(reader).sound() => {
                harmless += 1;
                assert!(
                    all_of_it(reader).as_ref() == Some(&whole),
                    "round {round}: damage was not found"
                );
            }
            Ok(reader) => {
                found += 1;
                // Whatever is left comes out, and nothing panics on the way.
                for entry in reader.warmups().unwrap_or_default() {
                    let mut out = Vec::new();
                    drop(export::csv(reader, &entry.id, &mut out));
                    saved += u32::from(out.len() > 1000);
                }
            }
            Err(_) => found += 1,
        }
        drop(reader);
        assert_eq!(
            std::fs::read(&path).unwrap(),
            bad,
            "round {round}: reading changed the file"
        );
    }
    println!("{found} found, {harmless} harmless, {saved} of the found gave readings still");
    assert!(found > 50 && saved > 10, "{found} found, {saved} saved");
}
