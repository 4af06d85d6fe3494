//! What the hub takes of the laptop's memory while twenty phones watch the demo and nobody does anything.
//!
//! `bench_idle_memory [--json]`: resident memory before the phones and with them, after half a minute of watching.
#![forbid(unsafe_code)]

use anyhow::{Context, Result};
use serde_json::json;
use spinover_tests::{
    hub::{CREW_CODE, Hub, Launch},
    phone::Phone,
};
use std::time::Duration;

const PHONES: usize = 20;
/// Allocators settle, and the figures' windows fill, well within this.
const WATCHED: Duration = Duration::from_secs(30);

/// A line of the process's status, in kB. The kernel keeps it, so nothing of the hub's own is needed.
fn status_kb(hub: &Hub, name: &str) -> Result<u64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", hub.pid()))
        .context("this bench needs Linux")?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))
        .context("no such line")?;
    line.split_whitespace()
        .next()
        .context("no number")?
        .parse()
        .context("no number")
}

#[tokio::main]
async fn main() -> Result<()> {
    let hub = Launch::demo().start();
    let first = Phone::join(&hub, CREW_CODE, "First", "idle").await;
    let one_kb = status_kb(&hub, "VmRSS")?;
    let mut phones = vec![first];
    for n in 1..PHONES {
        phones.push(Phone::join(&hub, CREW_CODE, &format!("Phone {n}"), "idle").await);
    }
    let here = |seen: &spinover_tests::phone::Seen| {
        seen.mirror()
            .people
            .iter()
            .filter(|person| person.here)
            .count()
            == PHONES
    };
    phones[0].until("everyone to be here", here).await;
    let before: Vec<u64> = phones
        .iter()
        .map(|phone| phone.look(|seen| seen.mirror().frame.n))
        .collect();
    tokio::time::sleep(WATCHED).await;
    let frames: u64 = phones
        .iter()
        .zip(before)
        .map(|(phone, before)| phone.look(|seen| seen.mirror().frame.n) - before)
        .sum();
    let per_phone_s = frames as f64 / PHONES as f64 / WATCHED.as_secs_f64();
    let (all_kb, peak_kb) = (status_kb(&hub, "VmRSS")?, status_kb(&hub, "VmHWM")?);
    if std::env::args().any(|arg| arg == "--json") {
        let told = json!({ "phones": PHONES, "rss_kb": all_kb, "rss_one_phone_kb": one_kb, "peak_kb": peak_kb, "frames_per_phone_s": per_phone_s });
        println!("{told}");
    } else {
        println!(
            "with 1 phone {one_kb} kB; with {PHONES} phones {all_kb} kB, at most {peak_kb} kB; {per_phone_s:.1} frames a second each"
        );
    }
    Ok(())
}
