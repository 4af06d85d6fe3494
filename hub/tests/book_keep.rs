//! The book keeps what it is given: events, readings, and its promises while the disk does not answer.

mod book_kit;

use book_kit::*;
use spinover::book::{BLOCK_ROWS, Book, BookError, Edit, KEEP_DELETED_DAYS, PROMISED_MS, Reader};
use spinover_protocol::record::Record;
use std::time::Duration;

fn wait_for<T>(health: &mut tokio::sync::watch::Receiver<T>, wanted: impl FnMut(&T) -> bool) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let waited = runtime.block_on(async {
        tokio::time::timeout(Duration::from_secs(30), health.wait_for(wanted))
            .await
            .is_ok()
    });
    assert!(waited, "not within 30 s");
}

#[test]
fn events_come_back_and_give_the_same_record() {
    let dir = tempfile::tempdir().unwrap();
    let (book, loaded) = Book::open(dir.path()).unwrap();
    assert_eq!(
        (loaded.next_seq, loaded.events.len(), loaded.journal.len()),
        (1, 0, 16)
    );
    let all = vec![
        joined(1, "Bea"),
        begun(2, "first", 2),
        joined(3, "Cy"),
        marked(4, "a"),
        closed(5),
        joined(6, "Bea"),
        begun(7, "second", 2),
        called(8),
        marked(9, "a"),
    ];
    let (one, rest) = all.split_at(3);
    answer(book.append(one.to_vec())).unwrap();
    answer(book.append(rest.to_vec())).unwrap();
    drop(book);

    let (book, again) = Book::open(dir.path()).unwrap();
    assert_eq!(again.journal, loaded.journal);
    assert_eq!(again.next_seq, 10);
    let expected: Vec<u64> = vec![3, 6, 7, 8, 9];
    assert_eq!(
        again
            .events
            .iter()
            .map(|event| event.seq)
            .collect::<Vec<_>>(),
        expected
    );
    let (mut whole, mut rebuilt) = (Record::default(), Record::default());
    all.iter().for_each(|event| whole.apply(event));
    again.events.iter().for_each(|event| rebuilt.apply(event));
    assert_eq!(whole, rebuilt);
    assert_eq!(again.commands.len(), 9);
    assert_eq!(
        again.commands[8],
        (spinover_protocol::CommandId("command-9".to_owned()), 9)
    );

    let reader = book.reader().unwrap();
    assert_eq!(reader.events("first").unwrap(), all[1..6]);
    assert_eq!(reader.events("second").unwrap(), all[6..]);
    assert_eq!(reader.events_after(7, 100).unwrap(), all[7..]);
    assert_eq!(reader.record("second").unwrap(), whole);
    let list = reader.warmups().unwrap();
    assert_eq!(
        list.iter()
            .map(|entry| (entry.id.as_str(), entry.closed_at))
            .collect::<Vec<_>>(),
        [("first", Some(5000)), ("second", None)]
    );
    assert!(matches!(
        reader.warmup("third"),
        Err(BookError::NoSuchWarmup(_))
    ));
}

#[test]
fn what_cannot_be_right_is_refused_and_hurts_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    assert_eq!(
        answer(book.append(vec![called(3)])),
        Err(BookError::OutOfOrder(3, 2))
    );
    assert_eq!(
        answer(book.append(vec![begun(2, "w", 1)])),
        Err(BookError::Duplicate("w".to_owned()))
    );
    answer(book.append(vec![called(2)])).unwrap();
    assert_eq!(book.reader().unwrap().events("w").unwrap().len(), 2);
}

#[test]
fn a_second_hub_is_kept_out_and_a_reader_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    match Book::open(dir.path()) {
        Err(BookError::InUse(_, process)) => assert_eq!(process, std::process::id().to_string()),
        other => panic!("{other:?}"),
    }
    assert_eq!(
        Reader::open(dir.path()).unwrap().warmups().unwrap().len(),
        1
    );
    drop(book);
    Book::open(dir.path()).unwrap();
    let empty = tempfile::tempdir().unwrap();
    assert!(matches!(
        Reader::open(empty.path()),
        Err(BookError::Missing(_))
    ));
}

#[test]
fn readings_come_back_in_order_whether_sealed_or_not() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 3)])).unwrap();
    let mut given = Vec::new();
    let mut feed = |book: &Book, from: i64, to: i64| {
        for n in from..to {
            // Equal times, times that go back, and channels that come and go.
            let t_us = 1_000_000 + n / 2 * 10_000 - if n % 7 == 0 { 25_000 } else { 0 };
            let mut batch = vec![(0, t_us, n as f64 / 10.0)];
            if n % 3 == 0 {
                batch.push((2, t_us, (n as f64).sin()));
            }
            given.push((
                t_us,
                batch
                    .iter()
                    .map(|(c, _, v)| (*c as u16, v.to_bits()))
                    .collect::<Vec<_>>(),
            ));
            book.readings("w", batch);
        }
        given.clone()
    };
    let rows = BLOCK_ROWS as i64;
    let expected = feed(&book, 0, rows + 500);
    answer(book.flush()).unwrap();
    let reader = book.reader().unwrap();
    assert_eq!(all_rows(&reader, "w"), expected, "one block and a tail");
    let expected = feed(&book, rows + 500, 3 * rows);
    answer(book.flush()).unwrap();
    assert_eq!(all_rows(&reader, "w"), expected);
    drop(book);
    let (book, _) = Book::open(dir.path()).unwrap();
    let expected = feed(&book, 3 * rows, 3 * rows + 10);
    answer(book.append(vec![closed(2)])).unwrap();
    answer(book.flush()).unwrap();
    assert_eq!(all_rows(&reader, "w"), expected, "after a restart");
    let extent = reader.extent("w").unwrap();
    assert_eq!(extent.rows, 3 * BLOCK_ROWS as u64 + 10);
    assert_eq!(
        extent.readings,
        expected
            .iter()
            .map(|(_, cells)| cells.len() as u64)
            .sum::<u64>()
    );

    // Scrubbing gives what a straightforward search gives.
    for t_us in [0, 975_000, 1_000_000, 5_555_555, 21_480_000, 1_000_000_000] {
        let found = reader.at("w", t_us).unwrap();
        for channel in [0u16, 1, 2] {
            let mut last: Option<(i64, u64)> = None;
            for (time, cells) in expected.iter().filter(|(time, _)| *time <= t_us) {
                for (_, value) in cells.iter().filter(|(c, _)| *c == channel) {
                    last = Some((*time, *value));
                }
            }
            let found = found
                .get(&channel)
                .map(|(time, value)| (*time, value.to_bits()));
            assert_eq!(
                found.map(|(_, value)| value),
                last.map(|(_, value)| value),
                "channel {channel} at {t_us}"
            );
        }
    }
}

#[test]
fn readings_without_a_home_are_counted() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    book.readings("nowhere", vec![(0, 1, 1.0), (1, 1, 1.0)]);
    answer(book.flush()).unwrap();
    assert_eq!(book.health().borrow().dropped_readings, 2);
}

#[test]
fn readings_reach_the_disk_without_being_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    book.readings("w", vec![(0, 1, 1.0)]);
    let reader = book.reader().unwrap();
    let deadline = std::time::Instant::now() + Duration::from_secs(30);
    while reader.extent("w").unwrap().readings == 0 {
        assert!(std::time::Instant::now() < deadline, "not within 30 s");
        std::thread::yield_now();
    }
}

#[test]
fn while_the_file_is_locked_it_says_so_keeps_everything_and_then_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    let mut health = book.health();
    assert!(health.borrow().writing);
    let other = rusqlite::Connection::open(dir.path().join("spinover.db")).unwrap();
    assert_eq!(health.borrow().late_ms, 0);
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    book.readings("w", vec![(0, 0, 0.5)]);
    let mut first = book.append(vec![called(2)]);
    wait_for(&mut health, |health| {
        !health.writing
            && health
                .trouble
                .as_ref()
                .is_some_and(|text| text.contains("locked"))
    });
    assert!(
        first.try_recv().is_err(),
        "nothing is acknowledged that is not on the disk"
    );
    book.readings("w", vec![(0, 1, 1.0)]);
    let second = book.append(vec![called(3)]);
    other.execute_batch("ROLLBACK").unwrap();
    answer(first).unwrap();
    answer(second).unwrap();
    wait_for(&mut health, |health| {
        health.writing && health.trouble.is_none()
    });
    // A power cut meanwhile would have cost more readings than is promised, and that is not kept quiet.
    assert!(
        health.borrow().late_ms > PROMISED_MS,
        "{:?}",
        health.borrow()
    );
    answer(book.flush()).unwrap();
    let reader = book.reader().unwrap();
    assert_eq!(reader.events("w").unwrap().len(), 3);
    assert_eq!(reader.extent("w").unwrap().readings, 2);
    assert_eq!(health.borrow().dropped_readings, 0);
}

#[test]
fn closing_against_a_locked_file_gives_up_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    let other = rusqlite::Connection::open(dir.path().join("spinover.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let lost = book.append(vec![called(2)]);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    assert!(runtime.block_on(book.close()).is_err());
    assert!(answer(lost).is_err());
    assert_eq!(answer(book.append(vec![called(2)])), Err(BookError::Closed));
}

#[test]
fn a_full_queue_drops_and_counts() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    let other = rusqlite::Connection::open(dir.path().join("spinover.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let stuck = book.append(vec![called(2)]);
    wait_for(&mut book.health(), |health| !health.writing);
    let batch = 10_000;
    let batches = spinover::book::QUEUE_READINGS / batch + 3;
    for n in 0..batches {
        book.readings(
            "w",
            (0..batch)
                .map(|i| (0, (n * batch + i) as i64, 1.0))
                .collect(),
        );
    }
    other.execute_batch("ROLLBACK").unwrap();
    answer(stuck).unwrap();
    answer(book.flush()).unwrap();
    let kept = book.reader().unwrap().extent("w").unwrap().readings;
    let dropped = book.health().borrow().dropped_readings;
    assert_eq!(kept + dropped, (batches * batch) as u64);
    assert_eq!(dropped, 3 * batch as u64);
}

#[test]
fn notes_deletion_and_what_is_left_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![
        joined(1, "Bea"),
        begun(2, "w1", 1),
        joined(3, "Cy"),
        marked(4, "a"),
    ]))
    .unwrap();
    book.readings("w1", vec![(0, 1, 1.0)]);
    assert!(
        matches!(
            answer(book.delete("w1", "Ada", 9)),
            Err(BookError::Refused(_))
        ),
        "it is under way"
    );
    answer(book.append(vec![closed(5), begun(6, "w2", 1), closed(7)])).unwrap();
    let edit = Edit {
        place: Some("Bristol".to_owned()),
        tags: Some(vec!["cold day".to_owned()]),
        ..Edit::default()
    };
    answer(book.edit("w1", edit)).unwrap();
    assert!(matches!(
        answer(book.edit("w9", Edit::default())),
        Err(BookError::NoSuchWarmup(_))
    ));
    let reader = book.reader().unwrap();
    let entry = reader.warmup("w1").unwrap();
    assert_eq!(
        (
            entry.place.as_str(),
            entry.tags.as_slice(),
            entry.note.as_str()
        ),
        ("Bristol", ["cold day".to_owned()].as_slice(), "")
    );

    let day = 24 * 3_600_000;
    for id in ["w1", "w2"] {
        answer(book.delete(id, "Ada", 10 * day)).unwrap();
    }
    assert_eq!(
        answer(book.purge((10 + KEEP_DELETED_DAYS) * day)),
        Ok(0),
        "not yet"
    );
    answer(book.restore("w1")).unwrap();
    assert_eq!(reader.warmup("w1").unwrap().deleted_at, None);
    answer(book.delete("w1", "Ada", 10 * day)).unwrap();
    assert_eq!(
        answer(book.purge((10 + KEEP_DELETED_DAYS) * day + 1)),
        Ok(1),
        "the last one stays"
    );
    assert!(matches!(
        reader.warmup("w1"),
        Err(BookError::NoSuchWarmup(_))
    ));
    assert_eq!(
        reader.warmup("w2").unwrap().deleted_by.as_deref(),
        Some("Ada")
    );
    drop(book);
    let (book, loaded) = Book::open(dir.path()).unwrap();
    assert_eq!(loaded.next_seq, 8);
    let mut record = Record::default();
    loaded.events.iter().for_each(|event| record.apply(event));
    assert_eq!(record.people.len(), 2, "who joined stays known");
    assert_eq!(
        answer(book.append(vec![begun(8, "w1", 1)])),
        Err(BookError::Duplicate("w1".to_owned())),
        "an id is never used again"
    );
}

/// Needs a small file system of its own: `mount -t tmpfs -o size=3m none DIR`, then `SPINOVER_TEST_SMALL_DISK=DIR`.
#[test]
#[ignore = "needs a small file system"]
fn a_full_disk_is_said_and_outlived() {
    let root = std::path::PathBuf::from(std::env::var("SPINOVER_TEST_SMALL_DISK").unwrap());
    let dir = tempfile::tempdir_in(&root).unwrap();
    let ballast = root.join("ballast");
    std::fs::write(&ballast, vec![1u8; 1 << 20]).unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    let mut health = book.health();
    let mut n = 0i64;
    while health.borrow_and_update().writing {
        for _ in 0..2000 {
            book.readings("w", vec![(0, n, (n as f64).sin())]);
            n += 1;
        }
        // What is written is answered; when the disk is full it is not, and the health says why.
        let wait = std::time::Instant::now() + Duration::from_secs(5);
        let mut flushed = book.flush();
        while flushed.try_recv().is_err() && health.borrow().writing {
            assert!(
                std::time::Instant::now() < wait,
                "neither written nor in trouble"
            );
            std::thread::yield_now();
        }
    }
    println!(
        "full after {n} readings: {}",
        health.borrow().trouble.clone().unwrap()
    );
    let mut waiting = book.append(vec![called(2)]);
    assert!(waiting.try_recv().is_err());
    std::fs::remove_file(&ballast).unwrap();
    answer(waiting).unwrap();
    answer(book.flush()).unwrap();
    wait_for(&mut health, |health| health.writing);
    let rows = all_rows(&book.reader().unwrap(), "w");
    assert_eq!(rows.len() as i64, n);
    assert_eq!(health.borrow().dropped_readings, 0);
}
