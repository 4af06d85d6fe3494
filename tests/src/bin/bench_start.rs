//! How soon the hub is ready with a season's book, how soon again after a power cut, and how long what reads many warm-ups takes.
//!
//! `bench_start [--json] [--warmups 10,100,1000]`
//!
//! The book is made of simulated warm-ups of the demo's car, each with its events, a time slip and its readings: of the latest forty all
//! of them, of those before every tenth row. Last comes one that is under way, with ten minutes of readings, as a power cut leaves it.
//! Times are medians of several, the longest beside them: of the program from its start to its `ready` line, and of answers over HTTP.
#![forbid(unsafe_code)]

use anyhow::{Context, Result, bail};
use clap::Parser;
use serde_json::{Value, json};
use spinover::{
    book::Book, core::Output, files::demo, pit::Pit, serve::history, sources::sim::Settings,
};
use spinover_protocol::{
    event::{Event, EventBody},
    today::TimeSlip,
};
use spinover_tests::{
    http,
    hub::{CREW_CODE, Launch},
    process,
};
use std::{path::Path, time::Instant};

/// Simulated engines that the warm-ups are copies of.
const ENGINES: u64 = 4;
/// Of so many latest warm-ups every row is kept.
const WHOLE: usize = 40;
/// Between the beginnings of two, in milliseconds.
const APART_MS: i64 = 3 * 3_600_000;
const FIRST_MS: i64 = 1_760_000_000_000;
const UNDER_WAY_MS: i64 = 600_000;
const TIMES: usize = 7;

struct Made {
    events: Vec<Event>,
    rows: Vec<(i64, Vec<(usize, f64)>)>,
    took_ms: i64,
}

/// One simulated warm-up, marked to its end or watched for that long.
fn make(seed: u64, longest_ms: i64) -> Result<Made> {
    let settings = Settings {
        seed,
        auto: false,
        noise: true,
        faults: vec![],
    };
    let mut pit = Pit::new(&demo::car()?.car, demo::sheets()?.swap_remove(0), settings)?;
    let mut made = Made {
        events: pit.begun().to_vec(),
        rows: Vec::new(),
        took_ms: 0,
    };
    while pit.warmup().current().is_some() && pit.now() < longest_ms {
        for output in pit.outputs() {
            match output {
                Output::Event(event) => made.events.push(event),
                Output::Keep(t_us, values) if !values.is_empty() => made.rows.push((t_us, values)),
                _ => {}
            }
        }
    }
    made.took_ms = pit.now();
    Ok(made)
}

/// A book of so many, and one under way.
fn make_book(folder: &Path, count: usize) -> Result<()> {
    let made: Vec<Made> = (0..ENGINES)
        .map(|seed| make(seed + 1, 20 * 60_000))
        .collect::<Result<_>>()?;
    let open = make(9, UNDER_WAY_MS)?;
    let (book, _) = Book::open(folder)?;
    let mut seq = 0;
    for n in 0..=count {
        let one = if n == count {
            &open
        } else {
            &made[n % made.len()]
        };
        let at = FIRST_MS + n as i64 * APART_MS;
        let id = format!("warm-up-{n:05}");
        let mut events = one.events.clone();
        if n < count {
            let slip = TimeSlip {
                t60_s: Some(0.84 + 0.001 * (n % 17) as f64),
                t1000_s: Some(3.75 + 0.003 * (n % 29) as f64),
                ..TimeSlip::default()
            };
            let like = events.last().context("no events")?.clone();
            for body in [EventBody::SlipTyped(slip), EventBody::WarmupClosed {}] {
                events.push(Event {
                    at: one.took_ms,
                    body,
                    ..like.clone()
                });
            }
        }
        for event in &mut events {
            seq += 1;
            event.seq = seq;
            event.at += at;
            if let Some(command) = &mut event.command {
                command.0 = format!("{n}-{seq}");
            }
            if let EventBody::WarmupBegun { id: own, .. } = &mut event.body {
                *own = id.clone();
            }
        }
        let rest = events.split_off(1);
        book.append(events).blocking_recv()??;
        let step = if n + WHOLE < count { 10 } else { 1 };
        for (t_us, values) in one.rows.iter().step_by(step) {
            let t_us = t_us + at * 1000;
            let row = values
                .iter()
                .map(|(channel, value)| (*channel, t_us, *value));
            book.readings(&id, row.collect());
        }
        book.append(rest).blocking_recv()??;
        book.flush().blocking_recv()??;
    }
    anyhow::ensure!(
        book.health().borrow().dropped_readings == 0,
        "the book did not take all"
    );
    Ok(())
}

/// Median and longest of several, in milliseconds.
fn several(mut one: impl FnMut() -> Result<()>) -> Result<Value> {
    let mut times = Vec::new();
    for _ in 0..TIMES {
        let begun = Instant::now();
        one()?;
        times.push(begun.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    Ok(json!({ "median_ms": times[TIMES / 2], "longest_ms": times[TIMES - 1] }))
}

fn launch(files: &Path, data: &Path) -> Launch {
    Launch::serve(&files.join("kestrel.toml"), &files.join("pit-warm-up.toml"))
        .arg("--quiet-network")
        .source("lines:tcp://127.0.0.1:0")
        .data(data)
}

fn measure(count: usize, runtime: &tokio::runtime::Runtime) -> Result<Value> {
    let (files, folder) = (tempfile::tempdir()?, tempfile::tempdir()?);
    std::fs::write(files.path().join("kestrel.toml"), demo::KESTREL)?;
    std::fs::write(files.path().join("pit-warm-up.toml"), demo::PIT_WARM_UP)?;
    make_book(folder.path(), count)?;
    let begun = Instant::now();
    let empty = tempfile::tempdir()?;
    let with_none = several(|| {
        launch(
            files.path(),
            &empty.path().join(begun.elapsed().as_nanos().to_string()),
        )
        .start();
        Ok(())
    })?;
    // Each of these ends as a power cut would end it, since a hub that is dropped is killed.
    let mut hub = launch(files.path(), folder.path()).start();
    let again = several(|| {
        hub.kill();
        hub.start_again();
        Ok(())
    })?;
    let address = hub.address();
    let get = |path: String| {
        several(|| {
            let answer = runtime.block_on(http::get(&address, &path, Some(CREW_CODE)))?;
            if answer.status != 200 {
                bail!("{path}: {} {}", answer.status, answer.text());
            }
            Ok(())
        })
    };
    let last = format!("warm-up-{:05}", count - 1);
    let list = get("/api/book".to_owned())?;
    let found = get("/api/book?find=Kestrel%20larkspur".to_owned())?;
    let comparison = get(format!("/book/{last}/compare"))?;
    let report = get(format!("/book/{last}"))?;
    let opened = get(format!("/api/book/warmup/{last}"))?;
    let memory = process::look(hub.pid())?;
    hub.stop();
    let (book, _) = Book::open(folder.path())?;
    let reader = book.reader()?;
    let car = demo::car()?.car;
    let slips = several(|| {
        let slips = history::slips(&reader, Some(&car.name))?;
        anyhow::ensure!(slips.len() == count, "{} slips", slips.len());
        Ok(())
    })?;
    let lessons = several(|| {
        history::lessons(&reader, &car, "")?;
        Ok(())
    })?;
    Ok(json!({
        "warmups": count,
        "book_mb": process::size(&folder.path().join("spinover.db")) as f64 / 1e6,
        "rss_mb": memory.rss_kb as f64 / 1024.0,
        "ready_with_no_book": with_none,
        "ready_after_kill": again,
        "list": list,
        "find": found,
        "comparison": comparison,
        "report": report,
        "open": opened,
        "slips_of_all": slips,
        "lessons_of_forty": lessons,
    }))
}

#[derive(Parser)]
struct Asked {
    /// One line of numbers.
    #[arg(long)]
    json: bool,
    /// Warm-ups in the book, one measurement each.
    #[arg(long, value_delimiter = ',', default_values_t = [10, 100, 1000])]
    warmups: Vec<usize>,
}

fn main() -> Result<()> {
    let asked = Asked::parse();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let mut sizes = Vec::new();
    for count in asked.warmups {
        let size = measure(count, &runtime)?;
        if !asked.json {
            println!("{size:#}");
        }
        sizes.push(size);
    }
    if asked.json {
        let most = sizes.last().context("no size")?;
        let median = |key: &str| most[key]["median_ms"].clone();
        let told = json!({
            "ready_ms": median("ready_after_kill"), "ready_empty_ms": median("ready_with_no_book"), "list_ms": median("list"),
            "comparison_ms": median("comparison"), "slips_ms": median("slips_of_all"), "lessons_ms": median("lessons_of_forty"),
            "sizes": sizes,
        });
        println!("{told}");
    }
    Ok(())
}
