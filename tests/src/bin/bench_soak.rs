//! A long day: does anything grow that should not?
//!
//! `bench_soak [--json] [--hours H] [--minutes M] [--phones N] [--hurry K]`
//!
//! - `--hours`, 24 when left out: simulated hours of one warm-up after the other with the core, the journal, the book and
//!   phones in this process, without a clock;
//! - `--minutes`, 60 when left out: real minutes of the built hub with 24 channels at 100 Hz and `--phones`, 50 when left out.
//!
//! `--hurry` has the crew do everything so many times as often, so that what fills up does so in minutes: whether it then stays
//! full is what an hour at their pace cannot show.
//!
//! 0 leaves a part out. Growth is a Theil-Sen slope with its 95 % interval, after the first 10 minutes (a sixth of a shorter
//! run). Samples near each other are alike, so the interval is somewhat narrower than it says.
#![forbid(unsafe_code)]

use anyhow::{Context, Result};
use clap::Parser;
use serde_json::{Value, json};
use spinover_protocol::message::Command;
use spinover_tests::{
    day::{self, slope},
    http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
    process::{self, Use},
    tell,
    wide::{self, CHANNELS},
};
use std::{
    path::Path,
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    time::{Duration, Instant},
};
use tokio::net::TcpStream;

#[derive(Parser)]
struct Asked {
    /// One line of numbers.
    #[arg(long)]
    json: bool,
    /// Simulated hours; 0 leaves them out.
    #[arg(long, default_value_t = 24.0)]
    hours: f64,
    /// Real minutes; 0 leaves them out.
    #[arg(long, default_value_t = 60.0)]
    minutes: f64,
    /// Phones of the real minutes.
    #[arg(long, default_value_t = 50)]
    phones: usize,
    /// The crew does everything so many times as often.
    #[arg(long, default_value_t = 1)]
    hurry: u32,
}

#[tokio::main]
async fn main() -> Result<()> {
    let asked = Asked::parse();
    let (hours, minutes) = (asked.hours, asked.minutes);
    let simulated = match hours > 0.0 {
        true => tokio::task::spawn_blocking(move || day::simulated(hours)).await??,
        false => Value::Null,
    };
    let real = match minutes > 0.0 {
        true => real(minutes, asked.phones, asked.hurry.max(1)).await?,
        false => Value::Null,
    };
    tell(&json!({ "simulated": simulated, "real": real }), asked.json);
    Ok(())
}

// --- A real hour ------------------------------------------------------------------------------------------------

const RATE_HZ: u64 = 100;
/// Between two looks at the hub.
const LOOK: Duration = Duration::from_secs(5);
/// The crew: a remark this often, a phone out of reach this often, a new warm-up this often.
const REMARK: Duration = Duration::from_secs(2);
const CUT: Duration = Duration::from_secs(3);
const ANEW: Duration = Duration::from_secs(300);

async fn real(minutes: f64, count: usize, hurry: u32) -> Result<Value> {
    let files = tempfile::tempdir()?;
    let [car_file, sheet] = wide::files(files.path(), CHANNELS)?;
    let mut hub = Launch::serve(&car_file, &sheet)
        .source("lines:tcp://127.0.0.1:0")
        .start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    chief
        .until("the source", |seen| wide::lines_port(seen).is_some())
        .await;
    let port = chief.look(wide::lines_port).context("a port")?;
    let alone = process::look(hub.pid())?;
    let mut crew = Vec::new();
    for n in 1..count.max(2) {
        crew.push(Phone::join(&hub, CREW_CODE, &format!("Phone {n}"), "idle").await);
    }
    for phone in crew.iter().chain([&chief]) {
        phone.change(|seen| {
            seen.forgetful = true;
            seen.heard = Vec::new();
        });
    }
    let (sent, stop, cuts) = (AtomicU64::new(0), AtomicBool::new(false), AtomicU64::new(0));
    let stream = TcpStream::connect(port).await?;
    let remarks = AtomicU64::new(0);
    let (looks, fed, ()) = tokio::join!(
        watch(&hub, minutes, &stop),
        wide::feed(stream, RATE_HZ, &sent, &stop),
        crew_at_work(&chief, &crew, hurry, &remarks, &cuts, &stop)
    );
    fed?;
    let looks: Vec<(f64, Use, u64)> = looks?;
    let metrics = http::get(&hub.address(), "/metrics", None).await?.text();
    let silence = crew
        .iter()
        .map(|phone| phone.look(|seen| seen.silence_ms))
        .collect::<Vec<_>>();
    let calm = chief.look(|seen| seen.silence_ms);
    drop(crew);
    // Sockets close when the hub has noticed; it is told by the socket itself, at once.
    let after = spinover_tests::eventually("the phones' sockets to close", async || {
        let now = process::look(hub.pid()).ok()?;
        (now.fds <= alone.fds + 1).then_some(now)
    })
    .await;
    let warm = (minutes / 6.0).min(10.0);
    let later: Vec<&(f64, Use, u64)> = looks.iter().filter(|(at, ..)| *at >= warm).collect();
    // A pair of looks each is a slope: a few hundred looks are enough.
    let every = later.len().div_ceil(400).max(1);
    let thin: Vec<&&(f64, Use, u64)> = later.iter().step_by(every).collect();
    let at: Vec<f64> = thin.iter().map(|(at, ..)| *at).collect();
    let of = |pick: fn(&Use) -> u64| {
        thin.iter()
            .map(|(_, taken, _)| pick(taken) as f64)
            .collect::<Vec<_>>()
    };
    let (first, last) = (
        looks.first().context("too short")?,
        looks.last().context("too short")?,
    );
    let data = hub.data().to_owned();
    hub.stop();
    let file_bytes = process::size(&data.join("spinover.db"));
    let readings = sent.load(Ordering::Relaxed) * CHANNELS as u64;
    Ok(json!({
        "minutes": minutes,
        "phones": count,
        "hurry": hurry,
        "lines_sent": sent.load(Ordering::Relaxed),
        "readings_taken": metric(&metrics, "spinover_readings_total"),
        "readings_sent": readings,
        "readings_dropped": metric(&metrics, "spinover_readings_dropped_total"),
        "remarks_done": remarks.load(Ordering::Relaxed),
        "phones_cut": cuts.load(Ordering::Relaxed),
        "longest_silence_ms": { "chief_never_cut": calm, "crew_cut_now_and_then": silence.into_iter().fold(0.0, f64::max) },
        "rss_kb": { "alone": alone.rss_kb, "first": first.1.rss_kb, "last": last.1.rss_kb, "peak": last.1.peak_kb, "phones_gone": after.rss_kb },
        "rss_slope_kb_per_min": slope(&at, &of(|taken| taken.rss_kb)),
        "anon_slope_kb_per_min": slope(&at, &of(|taken| taken.anon_kb)),
        "fd_leak": after.fds as i64 - alone.fds as i64,
        "threads_last": last.1.threads,
        "cpu_s": last.1.cpu_s - first.1.cpu_s,
        "wal_most_bytes": looks.iter().map(|(_, _, wal)| *wal).max(),
        "file_bytes": file_bytes,
        "bytes_per_reading": file_bytes as f64 / readings.max(1) as f64,
        "wal_after_stop_bytes": process::size(&data.join("spinover.db-wal")),
    }))
}

/// A number of the metrics page.
fn metric(page: &str, name: &str) -> Option<f64> {
    page.lines().find_map(|line| {
        line.strip_prefix(name)?
            .strip_prefix(' ')?
            .trim()
            .parse()
            .ok()
    })
}

async fn watch(hub: &Hub, minutes: f64, stop: &AtomicBool) -> Result<Vec<(f64, Use, u64)>> {
    let (begun, mut looks) = (Instant::now(), Vec::new());
    let wal: &Path = &hub.data().join("spinover.db-wal");
    let mut ticks = tokio::time::interval(LOOK);
    let mut result = Ok(());
    while begun.elapsed().as_secs_f64() < minutes * 60.0 {
        ticks.tick().await;
        match process::look(hub.pid()) {
            Ok(taken) => {
                let at = begun.elapsed().as_secs_f64() / 60.0;
                if looks.len() % 12 == 0 {
                    eprintln!(
                        "minute {at:.0}: {} kB ({} kB anonymous), {} files, log {} kB",
                        taken.rss_kb,
                        taken.anon_kb,
                        taken.fds,
                        process::size(wal) / 1024
                    );
                }
                looks.push((at, taken, process::size(wal)));
            }
            Err(error) => {
                result = Err(error);
                break;
            }
        }
    }
    stop.store(true, Ordering::Relaxed);
    result.map(|()| looks)
}

async fn crew_at_work(
    chief: &Phone,
    crew: &[Phone],
    hurry: u32,
    remarks: &AtomicU64,
    cuts: &AtomicU64,
    stop: &AtomicBool,
) {
    let (mut remark, mut cut, mut anew) = (
        tokio::time::interval(REMARK / hurry),
        tokio::time::interval(CUT / hurry),
        tokio::time::interval(ANEW / hurry),
    );
    anew.tick().await;
    while !stop.load(Ordering::Relaxed) {
        tokio::select! {
            _ = remark.tick() => {
                let n = remarks.load(Ordering::Relaxed);
                chief.done(Command::Note { text: format!("remark {n}") }).await;
                remarks.store(n + 1, Ordering::Relaxed);
            }
            _ = cut.tick() => {
                let n = cuts.fetch_add(1, Ordering::Relaxed);
                crew[n as usize % crew.len()].cut();
            }
            _ = anew.tick() => {
                chief.done(Command::Begin { sheet: "short".to_owned() }).await;
            }
        }
    }
}
