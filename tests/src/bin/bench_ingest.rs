//! How much the hub takes in: 24 channels a thousand times a second with every sample in the book, and how much it takes at most.
//!
//! `bench_ingest [--json] [--seconds S]`
//!
//! Lines of JSON over TCP into the built hub, which is held to one core, the sender to another; a warm-up is under way, so everything is kept.
//! After the hub has stopped, the book is opened and its readings are counted. At most: the sender writes as fast as the hub reads.
#![forbid(unsafe_code)]

use anyhow::{Context, Result, bail};
use clap::Parser;
use serde_json::{Value, json};
use spinover::book::Book;
use spinover_tests::{
    DEADLINE,
    fan::{
        self, CHANNELS, FIRST_STAMP,
        servers::{Kind, Plan, Server},
        source,
    },
    http, process,
};
use std::{
    collections::BTreeMap,
    io::Write,
    time::{Duration, Instant},
};

const RATE_HZ: f64 = 1000.0;

fn main() -> Result<()> {
    let fan::Asked { json, seconds } = fan::Asked::parse();
    let core = fan::apart();
    let steady = run(seconds, Some(RATE_HZ), core)?;
    let most = run(seconds, None, core)?;
    let told = json!({
        "core_share": steady["core_share"],
        "all_in_the_book": steady["all_in_the_book"],
        "most_samples_per_s": most["samples_per_s"],
        "saturates": most["busiest"],
        "steady": steady,
        "most": most,
    });
    spinover_tests::tell(&told, json);
    Ok(())
}

/// Processor time by thread name, in nanoseconds.
fn by_thread(pid: u32) -> BTreeMap<String, u64> {
    let mut threads = BTreeMap::new();
    let folder = std::fs::read_dir(format!("/proc/{pid}/task"));
    for thread in folder.into_iter().flatten().flatten() {
        let read = |name| std::fs::read_to_string(thread.path().join(name)).unwrap_or_default();
        let used = read("schedstat")
            .split_whitespace()
            .next()
            .and_then(|used| used.parse::<u64>().ok());
        *threads.entry(read("comm").trim().to_owned()).or_default() += used.unwrap_or(0);
    }
    threads
}

/// Sends for that long at that rate, or as fast as can be.
fn run(seconds: f64, rate: Option<f64>, core: Option<usize>) -> Result<Value> {
    let plan = Plan {
        core,
        ..Plan::default()
    };
    let mut server = Server::start(Kind::Hub, plan)?;
    let mut to = server.source()?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let (before, begun) = (by_thread(server.pid()), Instant::now());
    let mut lines = 0u64;
    let mut many = String::new();
    while begun.elapsed().as_secs_f64() < seconds {
        many.clear();
        // At a given rate one by one, when each is due; else as many as fill a packet.
        for _ in 0..rate.map_or(64, |_| 1) {
            many += &source::line(CHANNELS, FIRST_STAMP + lines, lines as f64 / RATE_HZ);
            lines += 1;
        }
        to.write_all(many.as_bytes())?;
        if let Some(rate) = rate {
            let due = begun + Duration::from_secs_f64(lines as f64 / rate);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
        }
    }
    let sent = lines * CHANNELS as u64;
    let address = server.hub().context("a hub")?.address();
    let taken = |metric: &str| -> Result<u64> {
        let page = runtime
            .block_on(http::get(&address, "/metrics", None))?
            .text();
        let line = page
            .lines()
            .find_map(|line| line.strip_prefix(metric)?.strip_prefix(' '));
        Ok(line.context("no such number")?.parse()?)
    };
    while taken("spinover_readings_total")? < sent {
        if begun.elapsed() > DEADLINE + Duration::from_secs_f64(seconds) {
            bail!("the hub did not take all");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    let took = begun.elapsed().as_secs_f64();
    let dropped = taken("spinover_readings_dropped_total")?;
    let threads: BTreeMap<String, f64> = by_thread(server.pid())
        .into_iter()
        .map(|(name, used)| {
            let used = used - before.get(&name).copied().unwrap_or(0).min(used);
            (name, used as f64 / took / 1e9)
        })
        .collect();
    let share: f64 = threads.values().sum();
    let busiest = threads
        .iter()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map(|(name, _)| name.clone());
    let memory = process::look(server.pid())?;
    let data = server.stop_hub()?;
    let (book, loaded) = Book::open(data.path())?;
    let reader = book.reader()?;
    let mut kept = 0;
    for warmup in &loaded.warmups {
        kept += reader.extent(&warmup.id)?.readings;
    }
    Ok(json!({
        "lines": lines,
        "samples": sent,
        "samples_in_the_book": kept,
        "samples_dropped": dropped,
        "all_in_the_book": kept == sent,
        "seconds": took,
        "samples_per_s": sent as f64 / took,
        "core_share": share,
        "cpu_us_per_sample": share * took * 1e6 / sent as f64,
        "core_share_by_thread": threads,
        "busiest": busiest,
        "rss_mb": memory.rss_kb as f64 / 1024.0,
        "bytes_per_sample": process::size(&data.path().join("spinover.db")) as f64 / kept.max(1) as f64,
    }))
}
