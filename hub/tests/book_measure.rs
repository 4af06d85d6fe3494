//! Measurements of the book, not checks: `cargo test --release -p spinover --test book_measure -- --ignored --nocapture`.

mod book_kit;

use book_kit::*;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use spinover::book::{Book, BookError, Part, replay};
use spinover_protocol::{message::FigureNow, units::Unit};
use std::time::{Duration, Instant};

const CHANNELS: usize = 24;

fn quantile(times: &mut [Duration], q: f64) -> f64 {
    times.sort();
    times[((times.len() - 1) as f64 * q) as usize].as_secs_f64() * 1e3
}

/// An hour of 24 channels at 100 Hz: slow first-order rises, a wandering speed, noise, each rounded like its sensor.
fn hour(rows: i64, mut each: impl FnMut(i64, Vec<(usize, i64, f64)>)) {
    let mut rng = SmallRng::seed_from_u64(1);
    let mut rpm = 2400.0;
    for n in 0..rows {
        let t_us = n * 10_000;
        rpm += rng.random_range(-8.0..8.0) + (2400.0 - rpm) * 0.01;
        let warm = 1.0 - (-(n as f64) / 60_000.0).exp();
        let row = (0..CHANNELS).map(|channel| {
            let noise: f64 = rng.random_range(-1.0..1.0);
            let value = match channel % 4 {
                0 => (rpm + noise * 5.0).round(),
                1 => ((60.0 + 120.0 * warm + noise * 0.2) * 10.0).round() / 10.0,
                2 => ((rpm / 40.0 + noise * 0.5) * 10.0).round() / 10.0,
                _ => ((13.2 + noise * 0.02) * 100.0).round() / 100.0,
            };
            (channel, t_us, value)
        });
        each(n, row.collect());
    }
}

#[test]
#[ignore = "a measurement"]
fn size_speed_and_scrubbing() {
    let rows = std::env::var("ROWS").map_or(360_000, |rows| rows.parse().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", CHANNELS)])).unwrap();
    let began = Instant::now();
    hour(rows, |n, batch| {
        book.readings("w", batch);
        // As fast as the disk takes it, without ever filling the queue.
        if n % 20_000 == 0 {
            answer(book.flush()).unwrap();
        }
    });
    answer(book.append(vec![closed(2)])).unwrap();
    answer(book.flush()).unwrap();
    let took = began.elapsed().as_secs_f64();
    assert_eq!(book.health().borrow().dropped_readings, 0);
    let reader = book.reader().unwrap();
    let extent = reader.extent("w").unwrap();
    let readings = extent.readings as f64;
    println!(
        "{readings} readings in {took:.1} s: {:.0} a second",
        readings / took
    );
    let packed = extent.bytes as f64 / readings;
    println!("{packed:.3} bytes a reading packed");

    let mut rng = SmallRng::seed_from_u64(2);
    let mut times: Vec<Duration> = (0..300)
        .map(|_| {
            let at = rng.random_range(0..rows * 10_000);
            let began = Instant::now();
            assert_eq!(reader.at("w", at).unwrap().len(), CHANNELS);
            began.elapsed()
        })
        .collect();
    let at = (quantile(&mut times, 0.5), quantile(&mut times, 0.99));
    println!(
        "last values at a point: median {:.1} ms, 99 % {:.1} ms",
        at.0, at.1
    );
    let folder = tempfile::tempdir().unwrap();
    let (beside, spoken) = an_hour_of_figures(folder.path());
    let figures = beside.reader().unwrap();
    // What a phone asks for when the line is moved: the two minutes before the point, as frames, and what the figures said there.
    let mut times: Vec<Duration> = (0..200)
        .map(|_| {
            let to = rng.random_range(120_000..rows * 10);
            let began = Instant::now();
            let frames = replay::frames(&reader, "w", to - 120_000, to, 500).unwrap();
            let text = serde_json::to_vec(&frames).unwrap();
            assert!(frames.len() == 241 && text.len() > 10_000);
            let point = to.clamp(2_000, 3_600_000);
            let said = figures.figures("w", point, point, 1).unwrap();
            assert!(serde_json::to_vec(&said).unwrap().len() > 1_000);
            began.elapsed()
        })
        .collect();
    let seek = (quantile(&mut times, 0.5), quantile(&mut times, 0.99));
    println!(
        "scrub to a point: median {:.1} ms, 99 % {:.1} ms",
        seek.0, seek.1
    );
    let mut times: Vec<Duration> = (0..100)
        .map(|_| {
            let from = rng.random_range(0..rows * 10_000);
            let part = Part {
                from_us: Some(from),
                to_us: Some(from + 10_000_000),
                channels: None,
            };
            let began = Instant::now();
            reader.rows("w", part).unwrap();
            began.elapsed()
        })
        .collect();
    println!(
        "10 s of all channels: median {:.1} ms, 99 % {:.1} ms",
        quantile(&mut times, 0.5),
        quantile(&mut times, 0.99)
    );

    // The same as plain rows, one a reading, in the same kind of file.
    let plain = tempfile::tempdir().unwrap();
    let path = plain.path().join("plain.db");
    let mut conn = rusqlite::Connection::open(&path).unwrap();
    conn.execute_batch(
        "PRAGMA journal_mode = WAL; CREATE TABLE readings (warmup INTEGER, channel INTEGER, t_us INTEGER, value REAL, PRIMARY KEY (warmup, channel, t_us)) WITHOUT ROWID",
    )
    .unwrap();
    let began = Instant::now();
    let part = rows.min(40_000);
    let tx = conn.transaction().unwrap();
    hour(part, |_, batch| {
        for (channel, t_us, value) in batch {
            tx.prepare_cached("INSERT INTO readings VALUES (1, ?1, ?2, ?3)")
                .unwrap()
                .execute((channel as i64, t_us, value))
                .unwrap();
        }
    });
    tx.commit().unwrap();
    conn.execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE)")
        .unwrap();
    let bytes = std::fs::metadata(&path).unwrap().len() as f64 / (part as f64 * CHANNELS as f64);
    let speed = part as f64 * CHANNELS as f64 / began.elapsed().as_secs_f64();
    println!("plain rows: {bytes:.3} bytes a reading, {speed:.0} a second");
    let parquet = parquet_beside(&reader, rows, readings);
    drop(reader);
    let closing = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    closing.block_on(book.close()).unwrap();
    let file = std::fs::metadata(dir.path().join("spinover.db"))
        .unwrap()
        .len() as f64
        / readings;
    // File against file, with all that SQLite adds to either.
    println!(
        "{{\"readings\":{readings},\"readings_per_s\":{:.0},\"bytes_per_reading\":{packed:.3},\"file_bytes_per_reading\":{file:.3},\"rows_bytes_per_reading\":{bytes:.3},\"vs_rows_ratio\":{:.4},\"write_speed_vs_rows_ratio\":{:.2},\"seek_ms_p50\":{:.1},\"seek_ms_p99\":{:.1},\"figures_bytes_an_hour\":{spoken}{parquet}}}",
        readings / took,
        file / bytes,
        readings / took / speed,
        seek.0,
        seek.1
    );
}

/// An hour of twelve figures in a book of its own, half of them saying something new every second; and how many bytes of text are kept
/// of it.
fn an_hour_of_figures(dir: &std::path::Path) -> (Book, usize) {
    let (book, _) = Book::open(dir).unwrap();
    answer(book.append(vec![begun(1, "w", 1)])).unwrap();
    for second in 0..3_600i64 {
        let figure = |n: i64| {
            let value = if n % 2 == 0 { second } else { second / 600 } as f64 / 7.0;
            FigureNow {
                key: format!("figure_{n}"),
                label: format!("Figure number {n}"),
                value: Some(value),
                unit: Some(Unit::Litre),
                low: Some(value - 0.3),
                high: Some(value + 0.3),
                words: format!("from this warm-up alone, {value:.2} so far"),
                attention: false,
                forecast: None,
                rests_on: None,
                ask: None,
            }
        };
        book.said("w", 1_000 + second * 1_000, (0..12).map(figure).collect());
        if second % 300 == 0 {
            answer(book.flush()).unwrap();
        }
    }
    answer(book.flush()).unwrap();
    let mut bytes = 0;
    let counted = book.reader().unwrap().each_said("w", |said| {
        bytes += serde_json::to_vec(&said).unwrap().len();
        Ok::<(), BookError>(())
    });
    assert_eq!(counted.unwrap(), Vec::<String>::new());
    println!("an hour of figures: {bytes} bytes of text");
    (book, bytes)
}

/// The same hour as Parquet: what it takes in a file, how fast it is written from memory, and how fast from the book.
#[cfg(feature = "parquet")]
fn parquet_beside(reader: &spinover::book::Reader, rows: i64, readings: f64) -> String {
    use spinover::book::parquet::{Writer, write};
    let keys: Vec<String> = (0..CHANNELS).map(|n| format!("ch{n}")).collect();
    let path = tempfile::NamedTempFile::new().unwrap();
    let began = Instant::now();
    let out = path.reopen().unwrap();
    let mut writer = Writer::new(out, &keys, None).unwrap();
    hour(rows, |_, batch| {
        let cells: Vec<(u16, f64)> = batch
            .iter()
            .map(|(channel, _, value)| (*channel as u16, *value))
            .collect();
        writer.row(batch[0].1, &cells).unwrap();
    });
    // On the disk, as the book is when it has answered.
    writer.finish().unwrap().sync_all().unwrap();
    let speed = readings / began.elapsed().as_secs_f64();
    let bytes = path.as_file().metadata().unwrap().len() as f64 / readings;
    let began = Instant::now();
    let mut whole = Vec::new();
    write(reader, "w", &mut whole).unwrap();
    let export = readings / began.elapsed().as_secs_f64();
    println!(
        "Parquet: {bytes:.3} bytes a reading, {speed:.0} a second; exported {export:.0} a second"
    );
    format!(
        ",\"parquet_bytes_per_reading\":{bytes:.3},\"parquet_readings_per_s\":{speed:.0},\"parquet_export_readings_per_s\":{export:.0}"
    )
}

#[cfg(not(feature = "parquet"))]
fn parquet_beside(_: &spinover::book::Reader, _: i64, _: f64) -> String {
    String::new()
}

#[test]
#[ignore = "a measurement"]
fn how_long_an_event_waits() {
    let dir =
        tempfile::tempdir_in(std::env::var("DIR").unwrap_or_else(|_| ".".to_owned())).unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", CHANNELS)])).unwrap();
    let mut times = Vec::new();
    let mut next = 2;
    let began = Instant::now();
    let mut handed = Duration::ZERO;
    hour(6_001, |n, batch| {
        // 100 rows a second, with a mark every half second.
        while began.elapsed() < Duration::from_millis(10 * n as u64) {
            std::thread::yield_now();
        }
        let before = Instant::now();
        book.readings("w", batch);
        handed = handed.max(before.elapsed());
        if n % 50 == 0 {
            let before = Instant::now();
            answer(book.append(vec![called(next)])).unwrap();
            times.push(before.elapsed());
            next += 1;
        }
    });
    println!(
        "event to disk under 2400 readings a second: median {:.1} ms, 99 % {:.1} ms, worst {:.1} ms; handing a batch over took at most {:.3} ms",
        quantile(&mut times, 0.5),
        quantile(&mut times, 0.99),
        quantile(&mut times, 1.0),
        handed.as_secs_f64() * 1e3
    );
}
