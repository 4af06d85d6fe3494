//! The app on a slow phone: what it downloads, how soon it shows a reading, and how busy it is then.
//!
//! `bench_app [--json] [--loads N] [--minutes M]`
//!
//! A real hub with 24 channels at 20 readings a second, and Chromium slowed to a sixth by its own means, over a line of 3 Mbit/s with
//! 40 ms there and back. The phone has joined before and its cache is empty.
//!
//! - `--loads`, 5 when left out: loads from nothing, of which the median counts;
//! - `--minutes`, 1 when left out: how long it is then watched; 10 for the growth of its memory.
//!
//! `gz_kb` is all that is downloaded, as the hub compresses it, `gz_first_kb` what comes before the first reading.
#![forbid(unsafe_code)]

use anyhow::{Context, Result, bail};
use clap::Parser;
use serde_json::{Value, json};
use spinover_tests::{
    DEADLINE, app,
    browser::{Browser, PHONE, Page},
    day::slope,
    hub::{CREW_CODE, Hub, Launch},
    phone::Phone,
    tell, wide,
};
use std::{
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    time::{Duration, Instant},
};
use tokio::net::TcpStream;

const RATE_HZ: u64 = 20;
/// Chromium's own brake: a sixth of this machine's speed.
const SLOWED: u32 = 6;
/// 3 Mbit/s in bytes a second.
const LINE_BYTES_S: u32 = 375_000;
const THERE_AND_BACK_MS: u32 = 40;
/// What loading costs is not counted as being busy; the second file comes within this, too.
const SETTLES: Duration = Duration::from_secs(10);
const LOOK: Duration = Duration::from_secs(2);

/// Notes when the first reading stands on the page, long tasks, and the app's memory, which the page itself keeps to itself.
const WATCHER: &str = r#"(() => {
  const seen = window.__seen = { first: null, tasks: [], memory: null };
  new PerformanceObserver((list) => {
    for (const entry of list.getEntries()) seen.tasks.push([entry.startTime, entry.duration]);
  }).observe({ type: "longtask", buffered: true });
  const watcher = new MutationObserver(() => {
    if (!document.querySelector('[data-test^="strip-"][data-quality="good"]')) return;
    seen.first = performance.now();
    watcher.disconnect();
  });
  watcher.observe(document, { subtree: true, childList: true, attributes: true });
  for (const name of ["instantiate", "instantiateStreaming"]) {
    const was = WebAssembly[name];
    WebAssembly[name] = async function (...given) {
      const made = await was.apply(this, given);
      seen.memory ??= (made.instance ?? made).exports.memory ?? null;
      return made;
    };
  }
})()"#;

/// What was downloaded: name, bytes on the way, bytes unpacked, and when it was there.
const DOWNLOADED: &str = r#"return [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
  .map((one) => [new URL(one.name).pathname, one.encodedBodySize, one.decodedBodySize, one.responseEnd])"#;

#[derive(Parser)]
struct Asked {
    /// One line of numbers.
    #[arg(long)]
    json: bool,
    /// Loads from nothing, of which the median counts.
    #[arg(long, default_value_t = 5)]
    loads: usize,
    /// How long it is then watched; 10 for the growth of its memory.
    #[arg(long, default_value_t = 1.0)]
    minutes: f64,
}

#[tokio::main]
async fn main() -> Result<()> {
    let asked = Asked::parse();
    let files = tempfile::tempdir()?;
    let [car, sheet] = wide::files(files.path(), wide::CHANNELS)?;
    let hub = Launch::serve(&car, &sheet)
        .source("lines:tcp://127.0.0.1:0")
        .start();
    let phone = Phone::join(&hub, CREW_CODE, "Wren", "idle").await;
    phone
        .until("the source", |seen| wide::lines_port(seen).is_some())
        .await;
    let port = phone.look(wide::lines_port).context("a port")?;
    let source = TcpStream::connect(port).await?;
    drop(phone);
    let (sent, stop) = (AtomicU64::new(0), AtomicBool::new(false));
    let measured = async {
        let told = measure(&hub, asked.loads.max(1), asked.minutes).await;
        stop.store(true, Ordering::Relaxed);
        told
    };
    let (told, fed) = tokio::join!(measured, wide::feed(source, RATE_HZ, &sent, &stop));
    fed?;
    tell(&told?, asked.json);
    Ok(())
}

async fn measure(hub: &Hub, loads: usize, minutes: f64) -> Result<Value> {
    let browser = Browser::start();
    let page = browser.page("slow", PHONE).await;
    page.before_each_page(WATCHER).await?;
    app::join(&page, &hub.url(), CREW_CODE, "idle", "Robin").await?;
    page.devtools("Network.enable", json!({})).await?;
    page.devtools("Network.setCacheDisabled", json!({ "cacheDisabled": true }))
        .await?;
    // Where the app is put together is no part of a phone's way to it.
    page.devtools("Network.setBypassServiceWorker", json!({ "bypass": true }))
        .await?;
    let line = json!({ "offline": false, "latency": THERE_AND_BACK_MS, "downloadThroughput": LINE_BYTES_S, "uploadThroughput": LINE_BYTES_S });
    page.devtools("Network.emulateNetworkConditions", line)
        .await?;
    page.devtools("Emulation.setCPUThrottlingRate", json!({ "rate": SLOWED }))
        .await?;
    let mut firsts = Vec::new();
    for _ in 0..loads {
        page.devtools("Page.reload", json!({})).await?;
        firsts.push(first_reading(&page).await?);
    }
    firsts.sort_by(f64::total_cmp);
    tokio::time::sleep(SETTLES).await;
    let first = first_reading(&page).await?;
    let downloads = page.script(DOWNLOADED).await?;
    let (mut all, mut before, mut table) = (0.0, 0.0, Vec::new());
    for one in downloads.as_array().context("a list")? {
        let (name, packed, whole, at) = (
            one[0].as_str().unwrap_or_default(),
            one[1].as_f64().unwrap_or(0.0),
            one[2].as_f64().unwrap_or(0.0),
            one[3].as_f64().unwrap_or(0.0),
        );
        all += packed;
        if at <= first {
            before += packed;
        }
        table.push(json!({ "file": name, "gz_kb": kb(packed), "kb": kb(whole), "before_first_reading": at <= first }));
    }
    let watched = watch(&page, minutes).await?;
    Ok(json!({
        "gz_kb": kb(all),
        "gz_first_kb": kb(before),
        "first_reading_ms": firsts[firsts.len() / 2].round(),
        "first_reading_ms_each": firsts.iter().map(|one| one.round()).collect::<Vec<_>>(),
        "busy_pct": watched.busy_pct,
        "long_tasks": watched.long_tasks,
        "longest_task_ms": watched.longest_ms,
        "wasm_kb": { "first": watched.wasm_kb.first(), "last": watched.wasm_kb.last() },
        "heap_slope_kb_per_min": watched.heap_slope,
        "minutes": minutes,
        "files": table,
    }))
}

/// When the first reading stood on the page, in milliseconds since its load began. Asked seldom: the page pays for each question.
async fn first_reading(page: &Page) -> Result<f64> {
    let begun = Instant::now();
    while begun.elapsed() < DEADLINE {
        tokio::time::sleep(LOOK).await;
        // While a page loads there may be none to ask.
        if let Ok(told) = page.script("return window.__seen?.first ?? null").await
            && let Some(at) = told.as_f64()
        {
            return Ok(at);
        }
    }
    bail!("no reading within {DEADLINE:?}")
}

fn kb(bytes: f64) -> f64 {
    (bytes / 100.0).round() / 10.0
}

struct Watched {
    busy_pct: f64,
    long_tasks: usize,
    longest_ms: f64,
    wasm_kb: Vec<f64>,
    heap_slope: Value,
}

/// Watches a page that does nothing but show what comes.
async fn watch(page: &Page, minutes: f64) -> Result<Watched> {
    page.devtools("Performance.enable", json!({})).await?;
    page.script("window.__seen.tasks.length = 0; return null")
        .await?;
    let (begun, before) = (Instant::now(), metric(page, "TaskDuration").await?);
    let (mut at, mut heap, mut wasm_kb) = (Vec::new(), Vec::new(), Vec::new());
    while begun.elapsed().as_secs_f64() < minutes * 60.0 {
        tokio::time::sleep(LOOK).await;
        at.push(begun.elapsed().as_secs_f64() / 60.0);
        heap.push(metric(page, "JSHeapUsedSize").await? / 1024.0);
        let memory = page
            .script("return window.__seen.memory?.buffer.byteLength ?? null")
            .await?;
        wasm_kb.push(memory.as_f64().unwrap_or(f64::NAN) / 1024.0);
    }
    let busy = metric(page, "TaskDuration").await? - before;
    let tasks = page
        .script("return window.__seen.tasks.map((task) => task[1])")
        .await?;
    let tasks: Vec<f64> = tasks
        .as_array()
        .context("a list")?
        .iter()
        .filter_map(Value::as_f64)
        .collect();
    Ok(Watched {
        busy_pct: (busy / begun.elapsed().as_secs_f64() * 1000.0).round() / 10.0,
        long_tasks: tasks.len(),
        longest_ms: tasks.iter().copied().fold(0.0, f64::max),
        wasm_kb,
        heap_slope: slope(&at, &heap),
    })
}

/// One of Chromium's own numbers of the page.
async fn metric(page: &Page, name: &str) -> Result<f64> {
    let told = page.devtools("Performance.getMetrics", json!({})).await?;
    let metrics = told["metrics"].as_array().context("a list")?;
    let one = metrics.iter().find(|one| one["name"] == name);
    one.and_then(|one| one["value"].as_f64())
        .with_context(|| format!("no {name}"))
}
