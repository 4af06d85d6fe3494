//! A process that writes the book is killed at random moments: nothing that was acknowledged is lost, nothing is doubled.

mod book_kit;

use book_kit::*;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use spinover::book::Book;
use std::{
    io::{BufRead, BufReader, Write},
    path::Path,
    process::{Command, Stdio},
};

const DIR: &str = "SPINOVER_TEST_CRASH_DIR";
/// How many times it is killed; a dozen when not set.
const ROUNDS: &str = "SPINOVER_TEST_CRASH_ROUNDS";
/// A new book is begun after so many, so that looking through all of it each time stays quick.
const FRESH: u32 = 12;
const CHANNELS: usize = 4;

/// The reading that belongs to a place in the sequence; the checker makes the same.
fn row(n: i64) -> Vec<(usize, i64, f64)> {
    (0..CHANNELS)
        .filter(|c| (n + *c as i64) % 3 != 0)
        .map(|c| (c, n * 10_000, n as f64 * 0.1 + c as f64))
        .collect()
}

/// The process that gets killed. It says what was acknowledged: `e SEQ` and `r ROWS`.
#[test]
#[ignore = "the other test runs it in a process of its own"]
fn victim() {
    let dir = std::env::var(DIR).expect("run by the other test");
    let (book, loaded) = Book::open(Path::new(&dir)).unwrap();
    let mut next = loaded.next_seq;
    let mut rng = SmallRng::seed_from_u64(next);
    let mut out = std::io::stdout().lock();
    if next == 1 {
        answer(book.append(vec![begun(1, "w", CHANNELS)])).unwrap();
        writeln!(out, "e 1").unwrap();
        next = 2;
    }
    let mut rows = book.reader().unwrap().extent("w").unwrap().rows as i64;
    loop {
        let mut waiting = Vec::new();
        for _ in 0..rng.random_range(1..4) {
            let events: Vec<_> = (next..next + rng.random_range(1..4)).map(called).collect();
            next += events.len() as u64;
            waiting.push((next - 1, book.append(events)));
            for _ in 0..rng.random_range(0..400) {
                book.readings("w", row(rows));
                rows += 1;
            }
        }
        for (last, receiver) in waiting {
            answer(receiver).unwrap();
            writeln!(out, "e {last}").unwrap();
        }
        if rng.random_range(0..4) == 0 {
            answer(book.flush()).unwrap();
            writeln!(out, "r {rows}").unwrap();
        }
        out.flush().unwrap();
    }
}

#[test]
fn nothing_acknowledged_is_lost_by_kill_9() {
    let mut dir = tempfile::tempdir().unwrap();
    let seed = rand::random();
    println!("seed {seed}");
    let mut rng = SmallRng::seed_from_u64(seed);
    let (mut acked, mut flushed) = (0u64, 0i64);
    let rounds = std::env::var(ROUNDS).map_or(12, |rounds| rounds.parse().unwrap());
    let mut worst_reopen = std::time::Duration::ZERO;
    let mut all_acked = 0;
    for round in 0..rounds {
        if round % FRESH == 0 {
            dir = tempfile::tempdir().unwrap();
            all_acked += acked;
            (acked, flushed) = (0, 0);
        }
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--ignored", "--exact", "victim", "--nocapture"])
            .env(DIR, dir.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = rng.random_range(1..150);
        let mut seen = 0;
        let mut reader = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut note = |line: String| {
            if let Some(seq) = line.strip_prefix("e ") {
                acked = acked.max(seq.parse().unwrap());
            } else if let Some(rows) = line.strip_prefix("r ") {
                flushed = flushed.max(rows.parse().unwrap());
            } else {
                return 0;
            }
            1
        };
        for line in reader.by_ref() {
            seen += note(line.unwrap());
            if seen == lines {
                break;
            }
        }
        assert_eq!(seen, lines, "the victim ended by itself in round {round}");
        child.kill().unwrap();
        child.wait().unwrap();
        // What it had said before it died counts too; a last line may be cut.
        let rest: Vec<String> = reader.map_while(Result::ok).collect();
        let whole = rest.len().saturating_sub(1);
        for line in rest.into_iter().take(whole) {
            note(line);
        }

        let began = std::time::Instant::now();
        let (book, loaded) = Book::open(dir.path()).unwrap();
        worst_reopen = worst_reopen.max(began.elapsed());
        assert!(
            loaded.next_seq > acked,
            "round {round}: {acked} was acknowledged, the next is {}",
            loaded.next_seq
        );
        let reader = book.reader().unwrap();
        let events = reader.events("w").unwrap();
        let expected: Vec<_> = std::iter::once(begun(1, "w", CHANNELS))
            .chain((2..loaded.next_seq).map(called))
            .collect();
        assert_eq!(events, expected, "round {round}");
        let rows = all_rows(&reader, "w");
        assert!(
            rows.len() as i64 >= flushed,
            "round {round}: {flushed} rows were flushed, {} are there",
            rows.len()
        );
        for (n, (time, cells)) in rows.iter().enumerate() {
            let expected: Vec<_> = row(n as i64)
                .into_iter()
                .map(|(c, _, v)| (c as u16, v.to_bits()))
                .collect();
            assert_eq!(
                (*time, cells),
                (n as i64 * 10_000, &expected),
                "round {round}, row {n}"
            );
        }
    }
    all_acked += acked;
    assert!(all_acked > 100, "only {all_acked} events in all rounds");
    println!(
        "{{\"rounds\":{rounds},\"lost_acked\":0,\"acked\":{all_acked},\"worst_reopen_ms\":{:.1}}}",
        worst_reopen.as_secs_f64() * 1e3
    );
}
